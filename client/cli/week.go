package cli

import (
	"context"
	"encoding/json"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// week is everything that a week's page shows.
type week struct {
	monday   date
	during   *bayholdv1.TimeRange
	bays     []*bayholdv1.Bay
	bookings []*bayholdv1.Booking
	jobs     []*bayholdv1.Job
	scarce   []scarcity
}

func (a *app) weekCommand() *cobra.Command {
	var of string
	show := a.command(verb{
		use: "show [--of DATE]", short: "Show a week: bays, hand-backs and scarce tools",
		long: `Show a week from Monday to Sunday: what stands in each bay on each day, what is
handed back, and which tool types have no piece left that is free, serviceable
and in calibration at some time of it. "08:00-" begins then and goes on,
"-16:30" ends then; "?" marks what is tentative.`,
		example: `  bayhold week show
  bayhold week show --of +7d
  bayhold week show --of 2029-03-06`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.weekShow(ctx, of) },
	})
	show.Flags().StringVar(&of, "of", "", "a `date` in the week (default today)")
	return a.group("week", "The workshop's week at a glance", "  bayhold week show", show)
}

func (a *app) weekShow(ctx context.Context, of string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	day, err := a.maybeWhen(p.clock, "--of", of, dayStart, p.clock.now)
	if err != nil {
		return err
	}
	w, err := p.week(ctx, dateOf(day.In(p.clock.zone)))
	if err != nil {
		return err
	}
	if a.structured() {
		return a.weekJSON(p, w)
	}
	return a.print(func(out io.Writer) { a.printWeek(out, p, w) })
}

// week reads the week that a day lies in.
func (p *place) week(ctx context.Context, day date) (*week, error) {
	w := &week{monday: day.plus(-((int(day.weekday()) + 6) % 7))}
	start, end := p.clock.midnight(w.monday), p.clock.midnight(w.monday.plus(7))
	w.during = &bayholdv1.TimeRange{Start: stamp(start), End: stamp(end)}
	bayList, err := p.allBays(ctx)
	if err != nil {
		return nil, err
	}
	booked, err := p.listBookings(ctx, &bayholdv1.ListBookingsRequest{During: w.during})
	if err != nil {
		return nil, err
	}
	jobList, err := p.listJobs(ctx, &bayholdv1.ListJobsRequest{During: w.during})
	if err != nil {
		return nil, err
	}
	types, err := p.allToolTypes(ctx)
	if err != nil {
		return nil, err
	}
	toolList, err := p.listTools(ctx, &bayholdv1.ListToolsRequest{Parent: p.site.GetName(), PageSize: pages})
	if err != nil {
		return nil, err
	}
	w.bays, w.bookings, w.jobs = bayList.GetBays(), booked.GetBookings(), jobList.GetJobs()
	w.scarce = scarceTools(stretch{start, end}, types.GetToolTypes(), toolList.GetTools(), w.bookings)
	return w, nil
}

// handBacks gives the jobs that hold a bay and end in the week, earliest first.
func (w *week) handBacks() []*bayholdv1.Job {
	bayOf := w.bayOf()
	var out []*bayholdv1.Job
	for _, j := range w.jobs {
		end := j.GetPlanned().GetEnd().AsTime()
		if bayOf[j.GetName()] != "" && !end.After(w.during.GetEnd().AsTime()) {
			out = append(out, j)
		}
	}
	slices.SortStableFunc(out, func(a, b *bayholdv1.Job) int {
		return a.GetPlanned().GetEnd().AsTime().Compare(b.GetPlanned().GetEnd().AsTime())
	})
	return out
}

// bayOf gives the id of the bay that each job of the week holds.
func (w *week) bayOf() map[string]string {
	out := map[string]string{}
	for _, b := range w.bookings {
		if collection(b.GetResource()) == bays {
			out[b.GetJob()] = id(b.GetResource())
		}
	}
	return out
}

// weekJSON prints a week for programs. It is made of several answers, each
// thing as the server gave it.
func (a *app) weekJSON(p *place, w *week) error {
	type taken struct {
		Start time.Time `json:"start"`
		End   time.Time `json:"end"`
	}
	type scarceTool struct {
		ToolType string  `json:"toolType"`
		Tools    int     `json:"tools"`
		Taken    []taken `json:"taken"`
	}
	out := struct {
		Site        string            `json:"site"`
		During      json.RawMessage   `json:"during"`
		Bays        []json.RawMessage `json:"bays"`
		Bookings    []json.RawMessage `json:"bookings"`
		Jobs        []json.RawMessage `json:"jobs"`
		ScarceTools []scarceTool      `json:"scarceTools"`
	}{Site: p.site.GetName(), ScarceTools: []scarceTool{}}
	during, err := messageJSON(w.during)
	if err != nil {
		return err
	}
	out.During = during
	for _, part := range []func() error{
		func() error { return messagesJSON(&out.Bays, w.bays) },
		func() error { return messagesJSON(&out.Bookings, w.bookings) },
		func() error { return messagesJSON(&out.Jobs, w.jobs) },
	} {
		if err := part(); err != nil {
			return err
		}
	}
	for _, s := range w.scarce {
		st := scarceTool{ToolType: s.toolType.GetName(), Tools: s.tools}
		for _, t := range s.taken {
			st.Taken = append(st.Taken, taken{t.from.UTC(), t.to.UTC()})
		}
		out.ScarceTools = append(out.ScarceTools, st)
	}
	return a.writeDocument(a.streams.Out, out)
}

// messagesJSON gives several messages as JSON.
func messagesJSON[M proto.Message](to *[]json.RawMessage, list []M) error {
	*to = []json.RawMessage{}
	for _, m := range list {
		raw, err := messageJSON(m)
		if err != nil {
			return err
		}
		*to = append(*to, raw)
	}
	return nil
}
