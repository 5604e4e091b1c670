package cli

import (
	"context"
	"io"
	"time"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) bookingCommand() *cobra.Command {
	return a.group("booking", "Who has what, and when", "  bayhold booking list",
		a.bookingListCommand(),
		a.command(verb{
			use: "show BOOKING", short: "Show a booking", example: `  bayhold booking show 1`,
			args: cobra.ExactArgs(1), run: a.bookingShow,
		}),
	)
}

// listFlags bound a listing in time.
type listFlags struct {
	from, until string
	all         bool
}

// defaultDays is how far a listing looks ahead unless told otherwise.
const defaultDays = 28

func (f *listFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.from, "from", "", "first `time` (default today)")
	cmd.Flags().StringVar(&f.until, "until", "", "last `time`; a date: the end of that day (default four weeks later)")
	cmd.Flags().BoolVar(&f.all, "all", false, "cancelled and lapsed ones too")
}

// period gives the range to list.
func (f *listFlags) period(a *app, c clock) (*bayholdv1.TimeRange, error) {
	from, err := a.maybeWhen(c, "--from", f.from, dayStart, c.midnight(c.today()))
	if err != nil {
		return nil, err
	}
	end := c.midnight(dateOf(from.In(c.zone)).plus(defaultDays))
	until, err := a.maybeWhen(c.since(from), "--until", f.until, dayEnd, end)
	if err != nil {
		return nil, err
	}
	if !from.Before(until) {
		return nil, usage("--until %s is not after --from %s", c.full(until), c.full(from))
	}
	return &bayholdv1.TimeRange{Start: stamp(from), End: stamp(until)}, nil
}

// resourceFlags name what a listing of bookings is about.
type resourceFlags struct{ bay, technician, tool, job string }

// names gives the resource and the job that the flags name.
func (f *resourceFlags) names(p *place) (resource, job string, err error) {
	given := 0
	for _, r := range []struct{ collection, word string }{
		{bays, f.bay}, {technicians, f.technician}, {tools, f.tool},
	} {
		if r.word == "" {
			continue
		}
		given++
		if resource, err = p.name(r.collection, r.word); err != nil {
			return "", "", err
		}
	}
	if given > 1 {
		return "", "", usage("--bay, --technician and --tool exclude each other")
	}
	job, err = p.maybeName(jobs, f.job)
	return resource, job, err
}

func (a *app) bookingListCommand() *cobra.Command {
	var f listFlags
	var r resourceFlags
	cmd := a.command(verb{
		use: "list", short: "List bookings that touch a time",
		example: `  bayhold booking list --tool LS-ORLO-1
  bayhold booking list --from mon --until fri --bay bay-1`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			during, err := f.period(a, p.clock)
			if err != nil {
				return err
			}
			resource, job, err := r.names(p)
			if err != nil {
				return err
			}
			out, err := p.listBookings(ctx, &bayholdv1.ListBookingsRequest{
				During: during, Resource: resource, Job: job, ShowCancelled: f.all,
			})
			if err != nil {
				return err
			}
			return a.answer(out, func(w io.Writer) {
				if len(out.GetBookings()) == 0 {
					a.none(w, "bookings "+p.clock.rangeOf(during))
					return
				}
				writeTable(w, bookingTable(p.clock, out.GetBookings()), a.width())
			})
		},
	})
	f.register(cmd)
	cmd.Flags().StringVar(&r.bay, "bay", "", "only bookings of this bay")
	cmd.Flags().StringVar(&r.technician, "technician", "", "only bookings of this technician")
	cmd.Flags().StringVar(&r.tool, "tool", "", "only bookings of this tool")
	cmd.Flags().StringVar(&r.job, "job", "", "only bookings of this job")
	return cmd
}

// listBookings reads every booking that a request asks for, of this site.
func (p *place) listBookings(ctx context.Context, req *bayholdv1.ListBookingsRequest) (*bayholdv1.ListBookingsResponse, error) {
	req.Parent, req.PageSize = p.site.GetName(), pages
	out := &bayholdv1.ListBookingsResponse{}
	err := all(func(token string) (string, error) {
		req.PageToken = token
		page, err := p.Bookings.ListBookings(ctx, req)
		out.Bookings = append(out.Bookings, page.GetBookings()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) bookingShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(bookings, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Bookings.GetBooking(ctx, &bayholdv1.GetBookingRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printBooking(w, p.clock, resp.GetBooking()) })
}

// anyClock gives the site's clock, or one in UTC if no site is known.
func (a *app) anyClock() clock {
	if a.here != nil {
		return a.here.clock
	}
	return clock{zone: time.UTC, now: a.now()}
}
