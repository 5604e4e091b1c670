package cli

import (
	"context"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// usualSearch is how long the server searches unless told otherwise.
const usualSearch = 10 * time.Second

// arrangeFlags say which jobs want a place, and how long to look for it.
type arrangeFlags struct {
	jobs, fresh []string
	file        string
	search      time.Duration
	schedules   int64
	seed        uint64
	horizon, to string
}

func (a *app) jobArrangeCommand() *cobra.Command {
	var f arrangeFlags
	cmd := a.command(verb{
		use: "arrange (--job JOB | --new JOB | --new-file FILE)...", short: "Look for the best places for many jobs together",
		long: `Look for places for booked jobs and new ones together, so that promises are
missed by as little as can be. Only the jobs that are named may move, and only
if they have not begun; none begins before it does now. Nothing is booked.

What is found gets better with time: progress is told on standard error, and
Ctrl-C ends the search and keeps the best so far. The same jobs, --seed and
--schedules give the same answer if the time allows. --to keeps it in a file,
which books it: bayhold job move --arrangement FILE.

A new job is written REFERENCE=PROCEDURE[,PROCEDURE]@EARLIEST[/PROMISE]: the
time from which the vehicle can be there, and the hand-back that the customer
was told or wants; a date alone is the start of that day, for a promise its
end. --new-file reads such jobs from a YAML file, with what else can be said:
  - reference: R-51
    procedures: [belt-orlo-20, pump-orlo-20]
    earliest: tomorrow 8:00
    promise: fri 16:00
    weight: 2             # a minute late counts twice
    parts:                # that are not here yet
      belt-20: thu 10:00
The exit code is 3 if a job has no place before the horizon.`,
		example: `  bayhold job arrange --job 15 --to plan.json
  bayhold job arrange --new "W-3011=velde-belt-check@tomorrow 8:00/+3w" --new W-3012=orlo-crank-seal@+1w
  bayhold job arrange --job 15 --search 10s --to plan.json`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.jobArrange(ctx, &f) },
	})
	fl := cmd.Flags()
	fl.StringSliceVar(&f.jobs, "job", nil, "booked `job` that may move; may be repeated")
	fl.StringArrayVar(&f.fresh, "new", nil, "`job` to find a place for: REFERENCE=PROCEDURE@EARLIEST; may be repeated")
	fl.StringVar(&f.file, "new-file", "", "YAML `file` of jobs to find places for; - for standard input")
	fl.DurationVar(&f.search, "search", usualSearch, "how long to search at the most, up to 10m")
	fl.Int64Var(&f.schedules, "schedules", 0, "how many schedules to build at the most; 0: as the time allows")
	fl.Uint64Var(&f.seed, "seed", 0, "another number looks in another order")
	fl.StringVar(&f.horizon, "horizon", "", "no step ends after this `time`; a date: the end of that day (default eight weeks from now)")
	fl.StringVar(&f.to, "to", "", "keep the answer in this `file`, to book it")
	return cmd
}

func (a *app) jobArrange(ctx context.Context, f *arrangeFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req, err := a.arrangeRequest(p, f)
	if err != nil {
		return err
	}
	best, searchErr := a.searchArrangement(ctx, p, req)
	if best == nil {
		return searchErr
	}
	// What was found is told though the search was stopped or broke off.
	ctx = context.WithoutCancel(ctx)
	found := arranged{best: best, search: req}
	if !a.structured() {
		found.others, err = p.othersOf(ctx, best.GetJobs())
		if searchErr == nil {
			searchErr = err
		}
	}
	keepErr := keep(f.to, best)
	if keepErr == nil {
		found.file = f.to
	}
	err = a.answer(best, func(w io.Writer) { a.printArranged(w, p.clock, found) })
	for _, err := range []error{searchErr, keepErr, err} {
		if err != nil {
			return err
		}
	}
	if len(homeless(best.GetJobs())) > 0 {
		return errNo
	}
	return nil
}

// arrangeRequest makes the question from the flags.
func (a *app) arrangeRequest(p *place, f *arrangeFlags) (*bayholdv1.ArrangeJobsRequest, error) {
	req := &bayholdv1.ArrangeJobsRequest{Parent: p.site.GetName(), Schedules: f.schedules, Seed: f.seed}
	if f.search <= 0 {
		return nil, usage("--search is %s; it must be more than nothing", f.search)
	}
	req.SearchTime = durationpb.New(f.search)
	var err error
	if req.Jobs, err = p.names(jobs, f.jobs); err != nil {
		return nil, err
	}
	slices.Sort(req.Jobs)
	req.Jobs = slices.Compact(req.Jobs)
	for _, text := range f.fresh {
		job, err := a.newJob(p, text)
		if err != nil {
			return nil, err
		}
		req.NewJobs = append(req.NewJobs, job)
	}
	if f.file != "" {
		more, err := a.newJobsFromFile(p, f.file)
		if err != nil {
			return nil, err
		}
		req.NewJobs = append(req.NewJobs, more...)
	}
	if len(req.Jobs)+len(req.NewJobs) == 0 {
		return nil, usage("arrange what? give booked jobs with --job, new ones with --new or --new-file").
			try("bayhold job list").try("bayhold job arrange --help")
	}
	if f.horizon != "" {
		horizon, err := a.when(p.clock, "--horizon", f.horizon, dayEnd)
		if err != nil {
			return nil, err
		}
		req.HorizonTime = stamp(horizon)
	}
	return req, nil
}
