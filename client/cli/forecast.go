package cli

import (
	"context"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// simulationFlags say how to simulate.
type simulationFlags struct {
	at   []string
	runs int32
	seed uint64
}

func (f *simulationFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringSliceVar(&f.at, "at", nil, "`percentages` to tell the hand-back for (default 50%,80%,95%)")
	cmd.Flags().Int32Var(&f.runs, "runs", 0, "how often to play (default 10000; for the site 4000)")
	cmd.Flags().Uint64Var(&f.seed, "seed", 0, "the same seed gives the same answer")
}

func (f *simulationFlags) read() (*bayholdv1.Simulation, error) {
	out := &bayholdv1.Simulation{Runs: f.runs, Seed: f.seed}
	for _, text := range f.at {
		p, ok := readPercent(text)
		if !ok {
			return nil, usage("--at is %q; give percentages between 0 and 100, like 80%%", text)
		}
		out.Percentiles = append(out.Percentiles, p)
	}
	return out, nil
}

// readPercent reads a percentage such as "80%" or "99.5" as a probability above 0
// and below 1.
func readPercent(text string) (float64, bool) {
	x, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), "%")), 64)
	return x / 100, err == nil && x > 0 && x < 100
}

// noSeason is what every command that looks ahead says of itself.
const noSeason = `Season and trend are not modelled.`

func (a *app) forecastCommand() *cobra.Command {
	return a.group("forecast", "How likely hand-backs are, and how well promises were kept",
		"  bayhold forecast site\n  bayhold forecast review", a.forecastSiteCommand(), a.forecastReviewCommand())
}

func (a *app) jobForecastCommand() *cobra.Command {
	var f struct {
		simulationFlags
		promise, plan, insteadOf string
		option                   int
	}
	cmd := a.command(verb{
		use: "forecast [JOB | --plan FILE]", short: "When is a job likely to be handed back, and what decides it?",
		long: `Play a booked job, or a plan that was kept from job find, many times beside all
that stands, with steps that take now less and now more: as the procedures'
low, likely and high minutes say, or as the workshop's own records do; attended
work with a single figure is given a fifth less to three fifths more. Who does
what, and in which order, stays as planned: a vehicle waits for its technician
though somebody else could do the step. The last column tells what it would be
if whoever has the skills and is free sooner did it, in the order of the plan;
where that is much earlier, a step is better planned for another person. Others
with the skills stand in for people who are absent in either case. Working
hours, closures and arrivals of parts are kept; what is finished or begun is
taken as it is. Percentiles are of the hand-back itself, not sums over steps.
` + noSeason,
		example: `  bayhold job forecast 15
  bayhold job forecast 15 --promise "+2w 16:00" --at 50%,90%
  bayhold job find -p velde-belt-check --from tomorrow --output json > plans.json
  bayhold job forecast --plan plans.json --option 1`,
		args: cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			if (len(args) == 0) == (f.plan == "") {
				return usage("which? give a job, or --plan FILE").try("bayhold job list")
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			sim, err := f.read()
			if err != nil {
				return err
			}
			promise, err := a.whenOrNone(p.clock, "--promise", f.promise)
			if err != nil {
				return err
			}
			if len(args) == 1 {
				name, err := p.name(jobs, args[0])
				if err != nil {
					return err
				}
				resp, err := p.Forecasts.ForecastJob(ctx, &bayholdv1.ForecastJobRequest{Name: name, Simulation: sim, PromiseTime: promise})
				if err != nil {
					return err
				}
				return a.answer(resp, func(w io.Writer) { a.printForecast(w, p.clock, resp.GetForecast()) })
			}
			req := &bayholdv1.ForecastPlanRequest{Parent: p.site.GetName(), Simulation: sim, PromiseTime: promise}
			if req.ReplacedJob, err = p.maybeName(jobs, f.insteadOf); err != nil {
				return err
			}
			if req.Plan, err = a.planFromFile(p, f.plan, f.option); err != nil {
				return err
			}
			resp, err := p.Forecasts.ForecastPlan(ctx, req)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printForecast(w, p.clock, resp.GetForecast()) })
		},
	})
	f.register(cmd)
	cmd.Flags().StringVar(&f.promise, "promise", "", "judge this hand-back `time` (default: the promise that stands); a date: the end of that day")
	cmd.Flags().StringVar(&f.plan, "plan", "", "`file` with the JSON answer of job find or job check; - for standard input")
	cmd.Flags().IntVar(&f.option, "option", 1, "which plan of the file, from 1")
	cmd.Flags().StringVar(&f.insteadOf, "instead-of", "", "with --plan: booked `job` that the plan takes the place of")
	return cmd
}

func (a *app) forecastSiteCommand() *cobra.Command {
	var f simulationFlags
	cmd := a.command(verb{
		use: "site", short: "All jobs that stand: likely hand-backs, chances of promises",
		long: `Play all jobs that stand together, many times, and tell for each when it is
likely to be handed back and how likely its promise is to hold: a job that runs
over makes the next one late at the same bay, tool or technician.
` + noSeason,
		example: "  bayhold forecast site\n  bayhold forecast site --at 50%,80%,99%",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			sim, err := f.read()
			if err != nil {
				return err
			}
			resp, err := p.Forecasts.ForecastSite(ctx, &bayholdv1.ForecastSiteRequest{Parent: p.site.GetName(), Simulation: sim})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printSiteForecast(w, p.clock, resp) })
		},
	})
	f.register(cmd)
	return cmd
}

func (a *app) forecastReviewCommand() *cobra.Command {
	var from, until string
	cmd := a.command(verb{
		use: "review", short: "Were promises kept as often as they were said to be?",
		long: `Hold promises against what was kept, by the confidence with which they were
made: of those at 80%, about 80% should have held. The first promise of a job
counts, not one that was moved later, and the end of its last step as it was
recorded, once the job is closed. With fewer than twenty promises nothing can be
said, and that is what the answer says.`,
		example: "  bayhold forecast review\n  bayhold forecast review --from 2026-01-01 --until 2026-06-30",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			today := p.clock.today()
			start, err := a.maybeWhen(p.clock, "--from", from, dayStart, p.clock.midnight(today.plus(-364)))
			if err != nil {
				return err
			}
			end, err := a.maybeWhen(p.clock, "--until", until, dayEnd, p.clock.midnight(today.plus(1)))
			if err != nil {
				return err
			}
			resp, err := p.Forecasts.ReviewPromises(ctx, &bayholdv1.ReviewPromisesRequest{
				Parent: p.site.GetName(), During: &bayholdv1.TimeRange{Start: stamp(start), End: stamp(end)},
			})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printPromises(w, resp) })
		},
	})
	cmd.Flags().StringVar(&from, "from", "", "`time` from which promises fell due (default a year ago)")
	cmd.Flags().StringVar(&until, "until", "", "`time` until which they fell due; a date: the end of that day (default today)")
	return cmd
}

func (a *app) procedureTimesCommand() *cobra.Command {
	var since string
	var records bool
	cmd := a.command(verb{
		use: "times PROCEDURE", short: "How long do its steps really take?",
		long: `Hold the low, likely and high minutes of each step against the working minutes
that were recorded, pauses and closed hours left out. Records weigh Z = n/(n+k)
against the author's estimate, on the logarithms of minutes. "off" marks an
estimate that is a tenth or more from the records by more than chance. Records
far from the others are marked and count all the same.

Forecasts draw on records at once. Plans keep to the procedure: its likely
minutes change with a new version, which somebody issues.`,
		example: `  bayhold procedure times velde-belt-kit
  bayhold procedure times velde-belt-kit --records --since 2026-01-01`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			req := &bayholdv1.GetProcedureTimesRequest{}
			if req.Name, err = p.name(procedures, args[0]); err != nil {
				return err
			}
			if since != "" {
				at, err := a.when(p.clock, "--since", since, dayStart)
				if err != nil {
					return err
				}
				req.SinceTime = stamp(at)
			}
			resp, err := p.Forecasts.GetProcedureTimes(ctx, req)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printTimes(w, p.clock, resp, records) })
		},
	})
	cmd.Flags().StringVar(&since, "since", "", "`time` since which records count (default two years ago)")
	cmd.Flags().BoolVar(&records, "records", false, "list the records of each step too")
	return cmd
}
