package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobExplainCommand() *cobra.Command {
	var f workFlags
	cmd := a.command(verb{
		use: "explain --procedure PROCEDURE (--from TIME | --start TIME)", short: "What keeps a job from being handed back sooner?",
		long: `Tell what binds a job: how much sooner the earliest hand-back would be with one
more of a thing, or without the calibration or closure that limits it; what
helps most comes first. With --start it tells as well the fewest of the things
in the way of that start whose lifting makes it possible. Without --from the
vehicle is there at --start. The exit code is 3 if no hand-back can be found
before the horizon.`,
		example: `  bayhold job explain --procedure orlo-chain-kit --from tomorrow
  bayhold job explain -p orlo-chain-kit --start "tue 8:00"
  bayhold job explain -p orlo-chain-kit --from tomorrow --bay bay-1 --part orlo-chain=+1w`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.jobExplain(ctx, &f) },
	})
	f.registerWork(cmd)
	cmd.Flags().StringVar(&f.from, "from", "", "`time` from which the vehicle can be there (default: that of --start)")
	cmd.Flags().StringVar(&f.start, "start", "", "`time` of a first step that was refused")
	cmd.Flags().StringVar(&f.horizon, "horizon", "",
		"latest hand-back of use; a date: the end of that day (default eight weeks later)")
	require(cmd, "procedure")
	return cmd
}

// explained is an answer with the question.
type explained struct {
	req  *bayholdv1.ExplainJobRequest
	resp *bayholdv1.ExplainJobResponse
}

func (a *app) jobExplain(ctx context.Context, f *workFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	x := explained{}
	if x.req, err = a.explainRequest(p, f); err != nil {
		return err
	}
	if x.resp, err = p.Planning.ExplainJob(ctx, x.req); err != nil {
		return a.unknownPart(err, f)
	}
	err = a.answer(x.resp, func(w io.Writer) { a.printExplained(w, p.clock, f, x) })
	if err == nil && x.resp.GetHandBackTime() == nil {
		err = errNo
	}
	return err
}

// explainRequest makes the question from the flags.
func (a *app) explainRequest(p *place, f *workFlags) (*bayholdv1.ExplainJobRequest, error) {
	if f.from == "" && f.start == "" {
		return nil, usage("from when on? give --from TIME, or --start TIME").try("bayhold job explain --help")
	}
	work, err := a.readWork(p, f)
	if err != nil {
		return nil, err
	}
	req := &bayholdv1.ExplainJobRequest{
		Parent: p.site.GetName(), Procedures: work.procedures, Bay: work.bay, PartArrivals: f.arrivals,
	}
	c := p.clock
	if f.from != "" {
		from, err := a.when(c, "--from", f.from, dayStart)
		if err != nil {
			return nil, err
		}
		req.EarliestTime, c = stamp(from), c.since(from)
	}
	if f.start != "" {
		start, err := a.when(c, "--start", f.start, dayStart)
		if err != nil {
			return nil, err
		}
		req.StartTime = stamp(start)
	}
	if req.EarliestTime == nil {
		req.EarliestTime = req.StartTime
	}
	if f.horizon != "" {
		horizon, err := a.when(p.clock.since(req.EarliestTime.AsTime()), "--horizon", f.horizon, dayEnd)
		if err != nil {
			return nil, err
		}
		req.HorizonTime = stamp(horizon)
	}
	return req, nil
}
