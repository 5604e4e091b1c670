package cli

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) myCommand() *cobra.Command {
	return a.group("my", "What is yours to do", "  bayhold my day", a.myDayCommand())
}

func (a *app) myDayCommand() *cobra.Command {
	var as, day string
	cmd := a.command(verb{
		use: "day", short: "Today's steps in order, across jobs",
		long: `Show the steps that are booked for you on a day, and those that you have begun,
in order: with bay, tools to draw and where they are, who is with you at a step
of two people, and whether the parts are here.`,
		example: `  bayhold my day
  bayhold my day --day tomorrow
  bayhold my day --as jonas-vell`, args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			req := &bayholdv1.GetDayRequest{Name: p.site.GetName()}
			if as != "" {
				if req.Name, err = p.name(technicians, as); err != nil {
					return err
				}
			}
			if day != "" {
				at, err := a.when(p.clock, "--day", day, dayStart)
				if err != nil {
					return err
				}
				req.Day = dateOf(at.In(p.clock.zone)).String()
			}
			resp, err := p.Records.GetDay(ctx, req)
			if err != nil {
				problem := asProblem(err)
				if problem.reason == "NO_TECHNICIAN" {
					problem.try("%s", a.again("my", "day", "--as", "TECHNICIAN")).try("%s", a.again("technician", "list"))
				}
				return problem
			}
			return a.answer(resp, func(w io.Writer) { a.printDay(w, p.clock, resp) })
		},
	})
	cmd.Flags().StringVar(&as, "as", "", "`technician` whose day it is (default your own)")
	cmd.Flags().StringVar(&day, "day", "", "`day` (default today)")
	return cmd
}

// printDay prints a technician's day.
func (a *app) printDay(w io.Writer, c clock, d *bayholdv1.GetDayResponse) {
	shifts := make([]string, 0, len(d.GetShifts()))
	for _, r := range d.GetShifts() {
		shifts = append(shifts, c.brief(r.GetStart().AsTime(), r.GetEnd().AsTime()))
	}
	writeText(w, fmt.Sprintf("%s, %s: %s", d.GetDisplayName(), d.GetDay(), first(strings.Join(shifts, ", "), "not on shift")), a.width())
	if len(d.GetSteps()) == 0 {
		fmt.Fprintln(w, "Nothing is booked.")
		return
	}
	for _, s := range d.GetSteps() {
		fmt.Fprintln(w)
		mark := ""
		if s.GetHoldPoint() {
			mark = "  HOLD POINT"
		}
		writeText(w, fmt.Sprintf("%s  %s/%s  %s%s", c.brief(s.GetDuring().GetStart().AsTime(), s.GetDuring().GetEnd().AsTime()), id(s.GetJob()), s.GetStep(), stateText(s.GetState()), mark), a.width())
		t := table{bare: true, cols: []column{{}, {}, {wrap: true}}}
		t.add("", "What", s.GetTitle())
		t.add("", "Where", first(id(s.GetBay()), "no bay")+", for "+s.GetReference())
		if len(s.GetPartners()) > 0 {
			t.add("", "With", strings.Join(s.GetPartners(), ", "))
		}
		for i, p := range s.GetTools() {
			t.add("", heading("Tools", i), id(p.GetTool())+" "+placeText(p))
		}
		for i, p := range s.GetParts() {
			t.add("", heading("Parts", i), partLine(c, p))
		}
		if state := s.GetState(); state == bayholdv1.StepState_STEP_STATE_OPEN || state == bayholdv1.StepState_STEP_STATE_PAUSED {
			for i, b := range s.GetBlockers() {
				t.add("", heading("Waits", i), b.GetMessage())
			}
		}
		writeTable(w, t, a.width())
	}
}

// heading is a name at its first line only.
func heading(name string, i int) string {
	if i > 0 {
		return ""
	}
	return name
}

// partLine says how many of a part there must be, and whether it is here.
func partLine(c clock, p *bayholdv1.JobPart) string {
	text := fmt.Sprintf("%d × %s", p.GetQuantity(), first(p.GetDisplayName(), p.GetId()))
	if p.GetQuantity() == 0 {
		text = fmt.Sprintf("%d × %s if worn", p.GetIfWorn(), first(p.GetDisplayName(), p.GetId()))
	}
	switch p.GetState() {
	case bayholdv1.PartState_PART_STATE_HERE:
		return text + ": here"
	case bayholdv1.PartState_PART_STATE_ORDERED:
		return text + ": ordered, not here"
	case bayholdv1.PartState_PART_STATE_EXPECTED:
		return text + ": expected " + c.at(p.GetExpectedTime())
	}
	return text + ": nothing is said of it"
}
