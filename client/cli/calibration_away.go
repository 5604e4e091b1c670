package cli

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// awayFlags say for how long a tool is away, and when it may leave.
type awayFlags struct {
	days            int32
	from, until, on string
	most            int32
	book            bool
	note            string
}

func (a *app) calibrationAwayCommand() *cobra.Command {
	var f awayFlags
	cmd := a.command(verb{
		use: "away TOOL --days N", short: "When to send a tool away with the least harm, and book it",
		long: `List the days on which a tool could leave for calibration: first by the bookings
of it that would be moved or have no substitute, then by the promises that would
be broken, then by the minutes that work moves; of equal harm the day nearest to
the end of its calibration. It leaves on a day on which somebody is there, and
is away for whole days, the first included. --book books the best of them, or
the one of --on, together with the places of the jobs that move for it. Its
condition becomes AWAY when it really leaves: bayhold tool change.`,
		example: `  bayhold calibration away TW-200-1 --days 5
  bayhold calibration away TW-200-1 --days 5 --from mon --until +8w
  bayhold calibration away TW-200-1 --days 5 --on +4w --book --note "to Harbour Metrology"`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			switch {
			case f.days < 1:
				return usage("for how many days is it away? give --days").try("bayhold calibration away %s --days 5", args[0])
			case f.on != "" && (f.from != "" || f.until != ""):
				return usage("--on is one day; --from and --until go without it")
			case !f.book && a.request != "":
				return usage("--request-id goes with --book only")
			}
			return a.away(ctx, args[0], f)
		},
	})
	fl := cmd.Flags()
	fl.Int32Var(&f.days, "days", 0, "whole days that it is away, the first included")
	fl.StringVar(&f.from, "from", "", "first `day` on which it could leave (default today)")
	fl.StringVar(&f.until, "until", "", "last such `day` (default eight weeks later)")
	fl.StringVar(&f.on, "on", "", "the `day` on which it leaves, and no other")
	fl.Int32Var(&f.most, "most", 5, "how many days to list")
	fl.BoolVar(&f.book, "book", false, "book the best of them at once")
	fl.StringVar(&f.note, "note", "", "with --book: where it goes")
	a.requestIDFlag(cmd)
	return cmd
}

// question makes what is asked.
func (a *app) leaveQuestion(p *place, tool string, f awayFlags) (*bayholdv1.FindLeavesRequest, error) {
	name, err := p.name(tools, tool)
	if err != nil {
		return nil, err
	}
	req := &bayholdv1.FindLeavesRequest{Name: name, Days: f.days, Most: f.most}
	for _, day := range []struct {
		flag, text string
		into       *string
	}{{"--from", first(f.on, f.from), &req.FromDate}, {"--until", first(f.on, f.until), &req.UntilDate}} {
		if day.text == "" {
			continue
		}
		at, err := a.when(p.clock, day.flag, day.text, dayStart)
		if err != nil {
			return nil, err
		}
		*day.into = dateOf(at.In(p.clock.zone)).String()
	}
	return req, nil
}

func (a *app) away(ctx context.Context, tool string, f awayFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req, err := a.leaveQuestion(p, tool, f)
	if err != nil {
		return err
	}
	if !f.book {
		resp, err := p.Leaves.FindLeaves(ctx, req)
		if err != nil {
			return err
		}
		err = a.answer(resp, func(w io.Writer) { a.printLeaves(w, p.clock, tool, f, resp) })
		if err == nil && len(resp.GetLeaves()) == 0 {
			err = errNo
		}
		return err
	}
	var chosen *bayholdv1.Leave
	resp, err := act(ctx, a, bayholdv1.LeaveService_BookLeave_FullMethodName, &bayholdv1.BookLeaveRequest{},
		func(requestID string) (*bayholdv1.BookLeaveRequest, error) {
			found, err := p.Leaves.FindLeaves(ctx, req)
			if err != nil {
				return nil, err
			}
			if len(found.GetLeaves()) == 0 {
				return nil, local(codes.FailedPrecondition, "NO_LEAVE", "there is no day in that time on which somebody is there to hand it over: give another --from and --until")
			}
			chosen = found.GetLeaves()[0]
			if chosen.GetUnserved() > 0 {
				return nil, local(codes.FailedPrecondition, "UNSERVED", "the best start, %s, leaves %s without the tool: %s",
					p.clock.show(chosen.GetDuring().GetStart().AsTime()), counted(int(chosen.GetUnserved()), "booking", "bookings"),
					strings.Join(chosen.GetReasons(), "; ")).
					try("look further ahead: %s", a.again("calibration", "away", tool, "--days", fmt.Sprint(f.days), "--until", p.clock.today().plus(150).String()))
			}
			return &bayholdv1.BookLeaveRequest{Name: req.GetName(), During: chosen.GetDuring(), Jobs: chosen.GetJobs(), Note: f.note, RequestId: requestID}, nil
		}, p.Leaves.BookLeave)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printBookedLeave(w, p.clock, tool, chosen, resp) })
}

func (a *app) printLeaves(w io.Writer, c clock, tool string, f awayFlags, resp *bayholdv1.FindLeavesResponse) {
	until := "is not in calibration"
	if resp.GetCalibratedUntil() != nil {
		until = "is in calibration until " + c.full(resp.GetCalibratedUntil().AsTime())
	}
	writeText(w, fmt.Sprintf("%s %s.", tool, until), a.width())
	if len(resp.GetLeaves()) == 0 {
		writeText(w, "On no day of that time is anybody there to hand it over.", a.width())
		return
	}
	fmt.Fprintf(w, "To be away for %s, it could leave:\n", counted(int(f.days), "day", "days"))
	t := table{cols: []column{
		{title: "leaves"}, {title: "back"}, {title: "hit"}, {title: "unserved"}, {title: "moved"}, {title: "promises"}, {title: "by"}, {title: "swapped", drop: 1},
	}}
	for _, l := range resp.GetLeaves() {
		t.add(c.show(l.GetDuring().GetStart().AsTime()), c.day(l.GetDuring().GetEnd().AsTime()), fmt.Sprint(len(l.GetHit())),
			fmt.Sprint(l.GetUnserved()), fmt.Sprint(l.GetBookingsMoved()), fmt.Sprint(l.GetPromisesMoved()),
			hours(time.Duration(l.GetMinutesMoved())*time.Minute), fmt.Sprint(l.GetSwapped()))
	}
	writeTable(w, t, a.width())
	writeText(w, "Hit: bookings of it in that time. Unserved: those with no other tool and no other time. Moved, by: bookings at another time, and by how much work moves. Promises: hand-backs that come too late. Swapped: bookings that another tool takes over.", a.width())
	best := resp.GetLeaves()[0]
	fmt.Fprintf(w, "\nThe best, %s:\n", c.show(best.GetDuring().GetStart().AsTime()))
	for _, r := range best.GetReasons() {
		writeText(w, "- "+r, a.width())
	}
	if left := resp.GetStarts() - resp.GetLookedAt(); left > 0 && len(best.GetHit()) > 0 {
		writeText(w, fmt.Sprintf("Not looked at for want of time: %s, with as many bookings in the way or more.", counted(int(left), "day", "days")), a.width())
	}
	if best.GetUnserved() == 0 {
		day := dateOf(best.GetDuring().GetStart().AsTime().In(c.zone)).String()
		fmt.Fprintf(w, "\nBook it: %s\n", a.again("calibration", "away", tool, "--days", fmt.Sprint(f.days), "--on", day, "--book"))
	}
}

func (a *app) printBookedLeave(w io.Writer, c clock, tool string, chosen *bayholdv1.Leave, resp *bayholdv1.BookLeaveResponse) {
	writeText(w, fmt.Sprintf("Booked: %s is away %s (job %s).", tool, c.rangeOf(resp.GetBooking().GetDuring()), id(resp.GetBooking().GetJob())), a.width())
	for _, r := range chosen.GetReasons() {
		writeText(w, "- "+r, a.width())
	}
	for _, j := range resp.GetJobs() {
		writeText(w, fmt.Sprintf("Moved: %s (job %s), hand-back now %s.", j.GetReference(), id(j.GetJob()), c.at(j.GetPlanned().GetEnd())), a.width())
	}
	fmt.Fprintf(w, "\nWhen it leaves: %s\n", a.again("tool", "change", tool, "--condition", "away", "--condition-until", c.typed(resp.GetBooking().GetDuring().GetEnd().AsTime())))
}
