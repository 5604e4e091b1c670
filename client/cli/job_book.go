package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// bookFlags say which plan to book, and how.
type bookFlags struct {
	workFlags

	file    string // a plan that was kept
	option  int    // which of several in it
	choose  string // which of those found
	waiting bool   // take the plan that waits

	reference, tentative, note string
}

func (a *app) jobBookCommand() *cobra.Command {
	var f bookFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "book --reference R (--plan FILE | -p P (--start T | --from T))", short: "Book bay, people and tools for a job in one act",
		long: `Book a job, all its bookings or none: a plan that was kept with --plan FILE, or
one made now: with --start as job check makes it, with --from as job find does.
If no plan can be had the answer is that of check or find, with exit code 3; if
somebody else booked first, the exit code is 5 and nothing is booked.`,
		example: `  bayhold job book --reference W-3010 --procedure velde-belt-check --from "tue 8:00"
  bayhold job book --reference W-3011 -p orlo-crank-seal --from tomorrow --choose shortest --tentative 2d
  bayhold job book --reference W-3012 -p orlo-chain-kit --from tomorrow --part orlo-chain="+1w"
  bayhold job book --reference W-3013 -p velde-cam-seal --from tomorrow --promise 80%
  bayhold job find -p velde-belt-kit --from tomorrow --output json > plans.json
  bayhold job book --reference W-3014 --plan plans.json --option 1 --promise +5w
  bayhold job book --reference W-3015 -p orlo-chain-kit -p orlo-water-pump --from tomorrow --instead-of 15`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.jobBook(ctx, cmd, &f) },
	})
	f.registerWork(cmd)
	f.registerInsteadOf(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.reference, "reference", "", "the workshop's own reference for the job; no customer names")
	fl.StringVar(&f.file, "plan", "", "`file` with the JSON answer of job find or job check; - for standard input")
	fl.IntVar(&f.option, "option", 1, "which plan of the file, from 1")
	fl.StringVar(&f.start, "start", "", "`time` of the first step")
	fl.BoolVar(&f.waiting, "waiting", false, "with --start: take a plan that must wait on the way, too")
	fl.StringVar(&f.by, "by", "", "with --start: latest hand-back `time`; a date: the end of that day")
	fl.StringVar(&f.from, "from", "", "`time` from which the vehicle can be there")
	fl.StringVar(&f.horizon, "horizon", "", "with --from: latest hand-back of use; a date: the end of that day")
	fl.StringVar(&f.choose, "choose", "earliest", "with --from: earliest (hand-back) or shortest (time in the bay)")
	fl.StringVar(&f.tentative, "tentative", "", "hold it for this long only, until confirmed: 4h, 2d")
	fl.StringVar(&f.promise, "promise", "", "hand-back told to the customer: a `time` (a date: the end of that day), or a percentage with which it is to hold, by simulation: 80%")
	fl.StringVar(&f.note, "note", "", "for people")
	require(cmd, "reference")
	a.requestIDFlag(cmd)
	return cmd
}

// validate says what flags do not go together.
func (f *bookFlags) validate(cmd *cobra.Command) error {
	sources := 0
	for _, s := range []string{f.file, f.start, f.from} {
		if s != "" {
			sources++
		}
	}
	switch {
	case sources != 1:
		return usage("which plan? give one of --plan FILE, --start TIME and --from TIME").try("bayhold job book --help")
	case f.file == "" && len(f.procedures) == 0:
		return usage("which --procedure?").try("bayhold procedure list")
	case f.file != "" && len(f.procedures) > 0:
		return usage("--procedure goes with --start or --from; the plan in %s has its own", f.file)
	case f.file != "" && len(f.parts) > 0:
		return usage("--part goes with --start or --from; the plan in %s has its own", f.file)
	}
	if f.choose != "earliest" && f.choose != "shortest" {
		return usage("--choose is %q; it can be earliest or shortest", f.choose)
	}
	for _, pair := range [][2]string{
		{"option", "plan"}, {"bay", "start or --from"}, {"waiting", "start"}, {"by", "start"}, {"choose", "from"}, {"horizon", "from"},
	} {
		given := map[string]bool{"plan": f.file != "", "start": f.start != "", "from": f.from != "", "start or --from": f.file == ""}
		if cmd.Flags().Changed(pair[0]) && !given[pair[1]] {
			return usage("--%s goes with --%s only", pair[0], pair[1])
		}
	}
	return nil
}

func (a *app) jobBook(ctx context.Context, cmd *cobra.Command, f *bookFlags) error {
	if err := f.validate(cmd); err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	sent := &bayholdv1.BookPlanRequest{}
	resp, err := act(ctx, a, bayholdv1.BookingService_BookPlan_FullMethodName, sent,
		func(requestID string) (*bayholdv1.BookPlanRequest, error) {
			req, err := a.bookRequest(ctx, p, f)
			if err != nil {
				return nil, err
			}
			req.RequestId, sent = requestID, req
			return req, nil
		}, p.Bookings.BookPlan)
	if err != nil && sent.GetPlan() != nil {
		return a.lost(err, a.findAgain(p.clock, f, sent)...)
	}
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printBooked(w, p.clock, resp) })
}

// bookRequest makes the request: everything but its id.
func (a *app) bookRequest(ctx context.Context, p *place, f *bookFlags) (*bayholdv1.BookPlanRequest, error) {
	req := &bayholdv1.BookPlanRequest{Parent: p.site.GetName(), Reference: f.reference, Note: f.note}
	var err error
	if req.State, req.ExpireTime, err = p.standing(f.tentative); err != nil {
		return nil, err
	}
	if req.ReplacedJob, err = p.maybeName(jobs, f.insteadOf); err != nil {
		return nil, err
	}
	if req.Plan, err = a.choosePlan(ctx, p, f); err != nil {
		return nil, err
	}
	switch {
	case strings.HasSuffix(strings.TrimSpace(f.promise), "%"):
		ok := false
		if req.PromiseConfidence, ok = readPercent(f.promise); !ok {
			return nil, usage("--promise is %q; give a time, or a percentage between 0 and 100, like 80%%", f.promise)
		}
	case f.promise != "":
		promise, err := a.when(p.clock.since(req.GetPlan().GetStartTime().AsTime()), "--promise", f.promise, dayEnd)
		if err != nil {
			return nil, err
		}
		req.PromiseTime = stamp(promise)
	}
	return req, nil
}

// choosePlan gives the plan to book. Without one it prints why, and gives errNo.
func (a *app) choosePlan(ctx context.Context, p *place, f *bookFlags) (*bayholdv1.Plan, error) {
	switch {
	case f.file != "":
		return a.planFromFile(p, f.file, f.option)
	case f.start != "":
		req, resp, err := a.askCheck(ctx, p, &f.workFlags)
		if err != nil {
			return nil, err
		}
		if !resp.GetPossible() && f.waiting && resp.GetWaitingPlan() != nil {
			return resp.GetWaitingPlan(), nil
		}
		if !resp.GetPossible() {
			return nil, a.tellCheck(p, &f.workFlags, req, resp)
		}
		return resp.GetPlan(), nil
	}
	req, resp, err := a.askFind(ctx, p, &f.workFlags)
	if err != nil {
		return nil, err
	}
	if len(resp.GetOptions()) == 0 {
		return nil, a.tellFind(p, &f.workFlags, req, resp)
	}
	return pick(resp.GetOptions(), f.choose), nil
}

// pick gives the option that is best at what was asked for. The first is
// handed back earliest; nothing says so of the shortest but its merit.
func pick(options []*bayholdv1.PlanOption, choose string) *bayholdv1.Plan {
	want := bayholdv1.PlanOption_MERIT_EARLIEST_HAND_BACK
	if choose == "shortest" {
		want = bayholdv1.PlanOption_MERIT_FEWEST_BAY_HOURS
	}
	for _, o := range options {
		for _, m := range o.GetMerits() {
			if m == want {
				return o.GetPlan()
			}
		}
	}
	return options[0].GetPlan()
}

// findAgain gives the commands that find what is free now, and book it.
func (a *app) findAgain(c clock, f *bookFlags, sent *bayholdv1.BookPlanRequest) []string {
	work := workFlags{bay: f.bay, insteadOf: f.insteadOf, arrivals: sent.GetPlan().GetPartArrivals()}
	for _, pp := range sent.GetPlan().GetProcedures() {
		work.procedures = append(work.procedures, pp.GetProcedure())
	}
	from := []string{"--from", c.typed(sent.GetPlan().GetStartTime().AsTime())}
	words := append(work.words(c), from...)
	return []string{
		a.again(append([]string{"job", "find"}, words...)...),
		a.again(append([]string{"job", "book", "--reference", sent.GetReference()}, words...)...),
	}
}
