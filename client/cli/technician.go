package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) technicianCommand() *cobra.Command {
	return a.group("technician", "People, their skills and hours", "  bayhold technician list",
		a.command(verb{
			use: "list", short: "List the technicians", example: "  bayhold technician list",
			args: cobra.NoArgs, run: a.technicianList,
		}),
		a.command(verb{
			use: "show TECHNICIAN", short: "Show a technician with shifts and absences",
			example: `  bayhold technician show jonas-vell`,
			args:    cobra.ExactArgs(1), run: a.technicianShow,
		}),
		a.technicianChangeCommand(),
		a.reserveCommand(technicians, "technician", "jonas-vell",
			`--from "2029-03-09 13:00" --until "2029-03-09 15:00" --reference training`),
	)
}

func (a *app) technicianList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out := &bayholdv1.ListTechniciansResponse{}
	err = all(func(token string) (string, error) {
		page, err := p.Technicians.ListTechnicians(ctx, &bayholdv1.ListTechniciansRequest{
			Parent: p.site.GetName(), PageSize: pages, PageToken: token,
		})
		out.Technicians = append(out.Technicians, page.GetTechnicians()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printTechnicians(w, p.clock, out.GetTechnicians()) })
}

func (a *app) technicianShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(technicians, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Technicians.GetTechnician(ctx, &bayholdv1.GetTechnicianRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printTechnician(w, p.clock, resp.GetTechnician()) })
}

// technicianFlags are what can be changed of a technician.
type technicianFlags struct {
	name         string
	skills       []string
	shifts, days []string
	times        closureFlags
}

func (a *app) technicianChangeCommand() *cobra.Command {
	var f technicianFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change TECHNICIAN", short: "Change skills, shifts or absences",
		long: `Change a technician. --away adds an absence, --back takes a time out of the
absences; both take "FROM .. UNTIL", where a date alone is the start of that
day for FROM and its end for UNTIL, or a day by itself. --shift replaces one
weekday of the pattern, --day the hours of one date; "off" is a day without
work. A stretch that ends before it starts ends on the next day.`,
		example: `  bayhold technician change jonas-vell --away "2029-12-21 .. 2029-12-23" --reason holiday
  bayhold technician change lio-castel --shift "mon 07:00-12:00,12:30-16:00" --shift "fri off"
  bayhold technician change lio-castel --day "2029-12-24 08:00-12:00"`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.technicianChange(ctx, cmd, &f, args[0]) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.name, "name", "", "name for people")
	fl.StringSliceVar(&f.skills, "skills", nil, "what they are qualified for; replaces what stood")
	fl.StringArrayVar(&f.shifts, "shift", nil, `hours of a weekday: "mon 07:00-12:00,12:30-16:00"`)
	fl.StringArrayVar(&f.days, "day", nil, `hours of one date: "2026-12-24 08:00-12:00"`)
	f.times.register(cmd, "away", "back", "absence")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) technicianChange(ctx context.Context, cmd *cobra.Command, f *technicianFlags, word string) error {
	mask, err := maskOf(cmd, map[string]string{
		"name": "display_name", "skills": "skills", "shift": "shifts", "day": "shift_exceptions",
		"away": "absences", "back": "absences",
	})
	if err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(technicians, word)
	if err != nil {
		return err
	}
	edit, err := f.parse(a, p.clock)
	if err != nil {
		return err
	}
	build := func(requestID string) (*bayholdv1.UpdateTechnicianRequest, error) {
		next := &bayholdv1.Technician{Name: name}
		if edit.reads() {
			got, err := p.Technicians.GetTechnician(ctx, &bayholdv1.GetTechnicianRequest{Name: name})
			if err != nil {
				return nil, err
			}
			next = got.GetTechnician()
		}
		next.DisplayName, next.Skills = f.name, f.skills
		edit.apply(next)
		return &bayholdv1.UpdateTechnicianRequest{Technician: next, UpdateMask: mask, RequestId: requestID}, nil
	}
	resp, err := act(ctx, a, bayholdv1.TechnicianService_UpdateTechnician_FullMethodName,
		&bayholdv1.UpdateTechnicianRequest{}, build, p.Technicians.UpdateTechnician)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printTechnician(w, p.clock, resp.GetTechnician()) })
}
