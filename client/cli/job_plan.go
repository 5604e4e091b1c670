package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// workFlags say what is to be done, and when it may be.
type workFlags struct {
	procedures []string
	bay        string

	start, by     string // check: at this start
	from, horizon string // find: from this arrival

	parts    []string                 // --part, as typed
	arrivals []*bayholdv1.PartArrival // as read

	promise    string  // find: a percentage to promise with; book: a time too
	confidence float64 // as read

	insteadOf string // booked job that the plan takes the place of
	disturb   bool   // find: tell as well what disturbs a booked job

	picture pictureFlags
}

func (f *workFlags) registerWork(cmd *cobra.Command) {
	cmd.Flags().StringSliceVarP(&f.procedures, "procedure", "p", nil, "`procedure` to do; may be repeated")
	cmd.Flags().StringVar(&f.bay, "bay", "", "only this bay")
	cmd.Flags().StringArrayVar(&f.parts, "part", nil,
		"a part that is not here yet, as `ID=TIME`: no step that needs it starts before; a date alone: the start of that day; may be repeated")
}

// registerInsteadOf adds the flag of what plans in the place of a booked job.
func (f *workFlags) registerInsteadOf(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.insteadOf, "instead-of", "",
		"booked `job` that this one takes the place of: what it holds counts as free, and booking gives it up in the same act")
}

// words gives the flags again, for a command to try.
func (f *workFlags) words(c clock) []string {
	var out []string
	for _, p := range f.procedures {
		out = append(out, "--procedure", id(p))
	}
	if f.bay != "" {
		out = append(out, "--bay", id(f.bay))
	}
	if f.insteadOf != "" {
		out = append(out, "--instead-of", id(f.insteadOf))
	}
	return append(out, partWords(c, f.arrivals)...)
}

// workAsked is what a question about work says on the wire, whatever it asks.
type workAsked struct {
	procedures    []string
	bay, replaced string // names; empty for none
}

// readWork reads what check, find and explain have in common, and keeps the
// arrivals.
func (a *app) readWork(p *place, f *workFlags) (workAsked, error) {
	var out workAsked
	var err error
	if out.procedures, err = p.names(procedures, f.procedures); err != nil {
		return out, err
	}
	if out.bay, err = p.maybeName(bays, f.bay); err != nil {
		return out, err
	}
	if f.arrivals, err = a.arrivals(p.clock, f.parts); err != nil {
		return out, err
	}
	out.replaced, err = p.maybeName(jobs, f.insteadOf)
	return out, err
}

// askCheck asks whether the work can start.
func (a *app) askCheck(ctx context.Context, p *place, f *workFlags) (*bayholdv1.CheckJobRequest, *bayholdv1.CheckJobResponse, error) {
	work, err := a.readWork(p, f)
	if err != nil {
		return nil, nil, err
	}
	start, err := a.when(p.clock, "--start", f.start, dayStart)
	if err != nil {
		return nil, nil, err
	}
	req := &bayholdv1.CheckJobRequest{
		Parent: p.site.GetName(), Procedures: work.procedures, Bay: work.bay, ReplacedJob: work.replaced,
		PartArrivals: f.arrivals, StartTime: stamp(start),
	}
	if f.by != "" {
		by, err := a.when(p.clock.since(start), "--by", f.by, dayEnd)
		if err != nil {
			return nil, nil, err
		}
		req.HandBackBy = stamp(by)
	}
	if req.Picture, err = a.style(&f.picture); err != nil {
		return nil, nil, err
	}
	resp, err := p.Planning.CheckJob(ctx, req)
	return req, resp, a.unknownPart(err, f)
}

// askFind asks when the work can be handed back.
func (a *app) askFind(ctx context.Context, p *place, f *workFlags) (*bayholdv1.FindPlansRequest, *bayholdv1.FindPlansResponse, error) {
	work, err := a.readWork(p, f)
	if err != nil {
		return nil, nil, err
	}
	from, err := a.when(p.clock, "--from", f.from, dayStart)
	if err != nil {
		return nil, nil, err
	}
	req := &bayholdv1.FindPlansRequest{
		Parent: p.site.GetName(), Procedures: work.procedures, Bay: work.bay, ReplacedJob: work.replaced,
		PartArrivals: f.arrivals, EarliestTime: stamp(from), PromiseConfidence: f.confidence, WithDisturbing: f.disturb,
	}
	if f.horizon != "" {
		horizon, err := a.when(p.clock.since(from), "--horizon", f.horizon, dayEnd)
		if err != nil {
			return nil, nil, err
		}
		req.HorizonTime = stamp(horizon)
	}
	if req.Picture, err = a.style(&f.picture); err != nil {
		return nil, nil, err
	}
	resp, err := p.Planning.FindPlans(ctx, req)
	return req, resp, a.unknownPart(err, f)
}

func (a *app) jobCheckCommand() *cobra.Command {
	var f workFlags
	cmd := a.command(verb{
		use: "check --procedure PROCEDURE --start TIME", short: "Can a job start then, without waiting for anything?",
		long: `Ask whether a job can start at a time and need not wait for anything: yes with
the plan, or no (exit code 3) with everything that stands in the way. --by sets
the latest hand-back that counts as yes; left out, it is the one that the job
would have in an otherwise empty workshop. --part names a part that is still on
its way; job parts and procedure show tell the ids. --picture and --svg draw the
steps against what blocks them.`,
		example: `  bayhold job check --procedure orlo-chain-kit --start "tue 8:00"
  bayhold job check -p orlo-chain-kit --start "tue 8:00" --picture
  bayhold job check -p orlo-chain-kit -p orlo-water-pump --start "tue 8:00" --by "wed 16:00"
  bayhold job check -p orlo-chain-kit --start "tue 8:00" --part orlo-chain="tue 11:00"`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			req, resp, err := a.askCheck(ctx, p, &f)
			if err != nil {
				return err
			}
			return a.tellCheck(p, &f, req, resp)
		},
	})
	f.registerWork(cmd)
	f.registerInsteadOf(cmd)
	f.picture.register(cmd)
	cmd.Flags().StringVar(&f.start, "start", "", "`time` of the first step")
	cmd.Flags().StringVar(&f.by, "by", "", "latest hand-back `time`; a date: the end of that day")
	require(cmd, "procedure", "start")
	return cmd
}

// tellCheck prints the answer to a check; errNo after a no.
func (a *app) tellCheck(p *place, f *workFlags, req *bayholdv1.CheckJobRequest, resp *bayholdv1.CheckJobResponse) error {
	err := a.answer(resp, func(w io.Writer) {
		if resp.GetPossible() {
			a.printPossible(w, p.clock, f, req, resp.GetPlan())
		} else {
			a.printRefused(w, p.clock, f, req, resp)
		}
	})
	if err == nil {
		err = a.tellPicture(&f.picture, resp.GetPicture())
	}
	if err == nil && !resp.GetPossible() {
		err = errNo
	}
	return err
}

func (a *app) jobFindCommand() *cobra.Command {
	var f workFlags
	cmd := a.command(verb{
		use: "find --procedure PROCEDURE --from TIME", short: "When can a job be handed back?",
		long: `Find the plan with the earliest hand-back and the one with the fewest hours in
the bay, from the time that the vehicle can be there. With --output json the
answer can be kept in a file and booked: bayhold job book --plan FILE. --part
names a part that is still on its way: the steps that need it wait for it.

The options move nothing that stands. --disturb asks as well what could be had
sooner if one booked job gave way that has not begun: which, where to, and
whether its promise holds. Nothing is moved by asking. --picture and
--svg draw the options side by side.`,
		example: `  bayhold job find --procedure orlo-chain-kit --from tomorrow
  bayhold job find -p orlo-chain-kit --from tomorrow --promise 80%
  bayhold job find --procedure orlo-chain-kit --from tomorrow --disturb
  bayhold job find -p orlo-chain-kit --from "tue 8:00" --horizon +6w --output json > plans.json
  bayhold job find -p orlo-chain-kit --from tomorrow --part orlo-chain=+3d --part orlo-guide-set=+1w`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			if f.promise != "" {
				ok := false
				if f.confidence, ok = readPercent(f.promise); !ok {
					return usage("--promise is %q; find promises at a percentage between 0 and 100, like 80%%", f.promise)
				}
			}
			req, resp, err := a.askFind(ctx, p, &f)
			if err != nil {
				return err
			}
			return a.tellFind(p, &f, req, resp)
		},
	})
	f.registerWork(cmd)
	f.registerInsteadOf(cmd)
	f.picture.register(cmd)
	cmd.Flags().StringVar(&f.from, "from", "", "`time` from which the vehicle can be there")
	cmd.Flags().StringVar(&f.horizon, "horizon", "",
		"latest hand-back of use; a date: the end of that day (default eight weeks later)")
	cmd.Flags().StringVar(&f.promise, "promise", "", "tell the hand-back that holds with this `percentage`, by simulation: 80%")
	cmd.Flags().BoolVar(&f.disturb, "disturb", false, "tell as well what could be had if one booked job gave way")
	require(cmd, "procedure", "from")
	return cmd
}

// tellFind prints what was found; errNo if nothing was.
func (a *app) tellFind(p *place, f *workFlags, req *bayholdv1.FindPlansRequest, resp *bayholdv1.FindPlansResponse) error {
	err := a.answer(resp, func(w io.Writer) {
		if len(resp.GetOptions()) > 0 {
			a.printOptions(w, p.clock, f, req, resp.GetOptions())
		} else {
			a.printNothingFound(w, p.clock, f, req, resp)
		}
		a.printDisturbing(w, p.clock, req, resp.GetDisturbing())
	})
	if err == nil {
		err = a.tellPicture(&f.picture, resp.GetPicture())
	}
	if err == nil && len(resp.GetOptions()) == 0 {
		err = errNo
	}
	return err
}
