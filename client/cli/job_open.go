package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobWhileOpenCommand() *cobra.Command {
	var work []string
	var why bool
	cmd := a.command(verb{
		use: "while-open (JOB | --procedure PROCEDURE...)", short: "What else is worth doing while the engine is open?",
		long: `Tell, for a booked job or for procedures that are not booked yet, what every
other issued procedure of the engine family would add if it were done along, and
what that saves against a job of its own: the most comes first. For a booked job
the answer tells as well whether it can start when it does, in its bay, with
that along, and be handed back no later than promised, or than planned if
nothing was; and the hand-back then.`,
		example: `  bayhold job while-open 15
  bayhold job while-open 15 --why
  bayhold job while-open --procedure orlo-chain-kit --procedure orlo-water-pump`,
		args: cobra.MaximumNArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.jobWhileOpen(ctx, args, work, why) },
	})
	cmd.Flags().StringSliceVarP(&work, "procedure", "p", nil, "`procedure` that is to be done; may be repeated")
	cmd.Flags().BoolVar(&why, "why", false, "all that stands in the way, step by step")
	return cmd
}

func (a *app) jobWhileOpen(ctx context.Context, args, work []string, why bool) error {
	if (len(args) == 0) == (len(work) == 0) {
		return usage("open for what? give a JOB, or one --procedure or more").
			try("bayhold job list").try("bayhold procedure list")
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req := &bayholdv1.ListWhileOpenRequest{Parent: p.site.GetName()}
	if req.Procedures, err = p.names(procedures, work); err != nil {
		return err
	}
	var job *bayholdv1.Job
	if len(args) > 0 {
		if req.Job, err = p.name(jobs, args[0]); err != nil {
			return err
		}
	}
	resp, err := p.Planning.ListWhileOpen(ctx, req)
	if err != nil {
		return err
	}
	if req.Job != "" && !a.structured() {
		got, err := p.Jobs.GetJob(ctx, &bayholdv1.GetJobRequest{Name: req.Job})
		if err != nil {
			return err
		}
		job = got.GetJob()
	}
	return a.answer(resp, func(w io.Writer) { a.printWhileOpen(w, p.clock, openAnswer{req, job, resp.GetCandidates(), why}) })
}
