package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobPartsCommand() *cobra.Command {
	return a.command(verb{
		use: "parts JOB", short: "Show a job's parts list, and where each part stands",
		long: `Show what the steps of a job use up: how many, how many more if those that come
off are worn, where each stands, and when the first step needs it.`,
		example: `  bayhold job parts 15`,
		args:    cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, name, err := a.jobName(ctx, args[0])
			if err != nil {
				return err
			}
			resp, err := p.Jobs.GetJob(ctx, &bayholdv1.GetJobRequest{Name: name})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printParts(w, p.clock, resp.GetJob()) })
		},
	})
}

// partFlags say where a part stands: one of them.
type partFlags struct {
	ordered, here, unknown bool
	expected               string
}

func (a *app) jobPartCommand() *cobra.Command {
	var f partFlags
	cmd := a.command(verb{
		use: "part JOB PART (--ordered | --expected TIME | --here | --unknown)", short: "Say where a part of a job stands",
		long: `Say where a part of a job stands: ordered without a date, expected at a time,
or here. --unknown takes back what was said. The answer tells the steps that are
planned before the part is expected; it moves none of them.`,
		example: `  bayhold job part 15 orlo-chain --ordered
  bayhold job part 15 orlo-chain --expected "thu 10:00"
  bayhold job part 15 orlo-chain --here`,
		args: cobra.ExactArgs(2),
		run:  func(ctx context.Context, args []string) error { return a.jobPart(ctx, &f, args[0], args[1]) },
	})
	fl := cmd.Flags()
	fl.BoolVar(&f.ordered, "ordered", false, "it is ordered, no date known")
	fl.StringVar(&f.expected, "expected", "", "it is there from this `time`; a date alone: the start of that day")
	fl.BoolVar(&f.here, "here", false, "it is in the house")
	fl.BoolVar(&f.unknown, "unknown", false, "nothing is known of it")
	a.requestIDFlag(cmd)
	return cmd
}

// state gives what the flags say, if they say one thing.
func (f *partFlags) state() (bayholdv1.PartState, error) {
	var said []bayholdv1.PartState
	for _, s := range []struct {
		given bool
		state bayholdv1.PartState
	}{
		{f.ordered, bayholdv1.PartState_PART_STATE_ORDERED},
		{f.expected != "", bayholdv1.PartState_PART_STATE_EXPECTED},
		{f.here, bayholdv1.PartState_PART_STATE_HERE},
		{f.unknown, bayholdv1.PartState_PART_STATE_UNSPECIFIED},
	} {
		if s.given {
			said = append(said, s.state)
		}
	}
	if len(said) != 1 {
		return 0, usage("where does the part stand? give one of --ordered, --expected TIME, --here and --unknown").
			try("bayhold job part --help")
	}
	return said[0], nil
}

func (a *app) jobPart(ctx context.Context, f *partFlags, job, part string) error {
	state, err := f.state()
	if err != nil {
		return err
	}
	p, name, err := a.jobName(ctx, job)
	if err != nil {
		return err
	}
	sent := &bayholdv1.UpdateJobPartRequest{} // holds the request that was kept, if one is sent again
	resp, err := act(ctx, a, bayholdv1.JobService_UpdateJobPart_FullMethodName, sent,
		func(requestID string) (*bayholdv1.UpdateJobPartRequest, error) {
			req := &bayholdv1.UpdateJobPartRequest{Name: name, Part: part, State: state, RequestId: requestID}
			if f.expected != "" {
				expected, err := a.when(p.clock, "--expected", f.expected, dayStart)
				if err != nil {
					return nil, err
				}
				req.ExpectedTime = stamp(expected)
			}
			sent = req
			return req, nil
		}, p.Jobs.UpdateJobPart)
	if err != nil {
		problem := asProblem(err)
		if problem.code == codes.NotFound {
			problem.try("%s", a.again("job", "parts", id(name)))
		}
		return problem
	}
	return a.answer(resp, func(w io.Writer) { a.printPartMarked(w, p.clock, sent.GetPart(), resp) })
}
