package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// studyFlags say what to study.
type studyFlags struct {
	demand, oneMore, longer, away []string

	past, weeks, replications int32
	scale                     float64
	seed                      uint64
	waiting                   bool
	demandFile, svg           string
}

func (a *app) studyCommand() *cobra.Command {
	return a.group("study", "What limits the workshop, and what one more would bring", "  bayhold study run --one-more bay-1 --replications 2", a.studyRunCommand())
}

func (a *app) studyRunCommand() *cobra.Command {
	var f studyFlags
	cmd := a.command(verb{
		use: "run", short: "Run a demand through the workshop as it is and as it might be",
		long: `Run weeks of demand through the site's own calendars, bays, people and tools,
many times over: jobs are asked for at random, booked at once for the earliest
hand-back by the planner with a small budget, and worked through in the order of
the bookings with steps that take now less, now more. The answer is how long
vehicles wait and what is used how much, with 95% intervals, and for each change
what it saves on the very same demand.

A booked hand-back is that of the likely minutes, and most jobs end later than
that; promises at a percentage are what job book --promise is for.

The workshop starts empty: jobs that are booked now do not count. A quarter of
the weeks, at least four, go by before counting begins. Calibrations are taken
to be renewed in time. A job that finds no place within eight weeks goes
elsewhere and is counted as turned away. Demand is the same in every week:
season and trend are not modelled.

` + demandHelp + `

Changes that are compared, each by itself; +A+B makes one change of two:
  --one-more ID[+ID][=COST]     one more like this bay, tool or technician
  --longer MINUTES[=COST]       everybody works longer at the end of each day
  --away ID@WEEK[+WEEKS]        it is away from that counted week on`,
		example: `  bayhold study run --one-more bay-1 --one-more LS-ORLO-1=1800 --replications 2
  bayhold study run --demand orlo-chain-kit=4 --demand orlo-chain-kit+orlo-water-pump=1.5 --one-more LS-ORLO-1 --replications 2
  bayhold study run --demand orlo-chain-kit=4,mon,thu --demand velde-water-pump=2,cv=0.5 --one-more bay-1 --replications 2
  bayhold study run --past 26 --scale 1.2 --longer 60 --away TW-200-1@6 --replications 2 --svg study.svg`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.studyRun(ctx, &f) },
	})
	fl := cmd.Flags()
	fl.StringArrayVar(&f.demand, "demand", nil, "what is asked for, as `P[+P]=PER_WEEK[,HOW]` of procedures; may be repeated")
	fl.StringVar(&f.demandFile, "demand-file", "", "CSV `file` of the very times at which jobs are asked for; - for standard input")
	fl.Int32Var(&f.past, "past", 0, "without a demand: take it from the jobs of so many `weeks` (default 26)")
	fl.Float64Var(&f.scale, "scale", 0, "the demand, `times` this (default 1)")
	fl.Int32Var(&f.weeks, "weeks", 0, "weeks that count (default 26)")
	fl.Int32Var(&f.replications, "replications", 0, "how often to run each (default 40)")
	fl.Uint64Var(&f.seed, "seed", 0, "the same seed gives the same answer")
	fl.StringArrayVar(&f.oneMore, "one-more", nil, "compare: one more like `ID[+ID][=COST]`; may be repeated")
	fl.StringArrayVar(&f.longer, "longer", nil, "compare: longer days, `MINUTES[=COST]`; may be repeated")
	fl.StringArrayVar(&f.away, "away", nil, "compare: away for a time, `ID@WEEK[+WEEKS]`; may be repeated")
	fl.BoolVar(&f.waiting, "vehicles-wait", false, "vehicles are left when asked for, and work begins as soon as it can")
	fl.StringVar(&f.svg, "svg", "", "write the picture to this `file`")
	return cmd
}

func (a *app) studyRun(ctx context.Context, f *studyFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req, err := a.studyRequest(ctx, p, f)
	if err != nil {
		return err
	}
	stream, err := p.Forecasts.RunStudy(ctx, req)
	if err != nil {
		return err
	}
	told := a.newStudyProgress()
	defer told.close()
	for {
		resp, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return errors.New("the server ended the study without an answer")
		}
		if err != nil {
			return err
		}
		if resp.GetOutcome() == nil {
			told.at(resp.GetDoneRuns(), resp.GetTotalRuns())
			continue
		}
		told.close()
		if f.svg != "" {
			if err := writeFile(f.svg, resp.GetOutcome().GetPicture()); err != nil {
				return err
			}
		}
		return a.answer(resp.GetOutcome(), func(w io.Writer) { a.printStudy(w, resp.GetOutcome(), f.svg) })
	}
}

// studyRequest reads the flags.
func (a *app) studyRequest(ctx context.Context, p *place, f *studyFlags) (*bayholdv1.RunStudyRequest, error) {
	req := &bayholdv1.RunStudyRequest{
		Parent: p.site.GetName(), PastWeeks: f.past, Scale: f.scale, Weeks: f.weeks, Replications: f.replications, Seed: f.seed, VehiclesWait: f.waiting,
	}
	for _, text := range f.demand {
		d, err := p.readDemand(text)
		if err != nil {
			return nil, err
		}
		req.Demand = append(req.Demand, d)
	}
	if f.demandFile != "" {
		list, err := a.readDemandFile(p, f.demandFile)
		if err != nil {
			return nil, err
		}
		req.Demand = append(req.Demand, list...)
	}
	for _, text := range f.oneMore {
		list, cost, err := withCost("--one-more", text)
		if err != nil {
			return nil, err
		}
		v := &bayholdv1.StudyVariant{Cost: cost}
		for word := range strings.SplitSeq(list, "+") {
			name, err := a.resource(ctx, p, word)
			if err != nil {
				return nil, err
			}
			v.OneMore = append(v.OneMore, name)
		}
		req.Variants = append(req.Variants, v)
	}
	for _, text := range f.longer {
		word, cost, err := withCost("--longer", text)
		if err != nil {
			return nil, err
		}
		minutes, ok := readMinutes(word)
		if !ok {
			return nil, usage("--longer is %q; write minutes, like 60", text)
		}
		req.Variants = append(req.Variants, &bayholdv1.StudyVariant{LongerMinutes: minutes, Cost: cost})
	}
	for _, text := range f.away {
		v, err := a.readAway(ctx, p, text)
		if err != nil {
			return nil, err
		}
		req.Variants = append(req.Variants, &bayholdv1.StudyVariant{Away: []*bayholdv1.StudyVariant_Away{v}})
	}
	return req, nil
}

// withCost parts "WORD=COST".
func withCost(flag, text string) (string, float64, error) {
	word, number, given := strings.Cut(text, "=")
	if !given {
		return word, 0, nil
	}
	cost, err := strconv.ParseFloat(number, 64)
	if err != nil || cost < 0 {
		return "", 0, usage("%s is %q; what stands behind = is the cost, a number", flag, text)
	}
	return word, cost, nil
}

func (a *app) readAway(ctx context.Context, p *place, text string) (*bayholdv1.StudyVariant_Away, error) {
	word, when, ok := strings.Cut(text, "@")
	from, length, long := strings.Cut(when, "+")
	week, err := strconv.ParseInt(from, 10, 32)
	weeks := int64(1)
	if err == nil && long {
		weeks, err = strconv.ParseInt(length, 10, 32)
	}
	if !ok || err != nil || week < 1 || weeks < 1 {
		return nil, usage("--away is %q; write ID@WEEK or ID@WEEK+WEEKS, like TW-04@6+2", text)
	}
	name, err := a.resource(ctx, p, word)
	return &bayholdv1.StudyVariant_Away{Resource: name, FromWeek: int32(week), Weeks: int32(weeks)}, err
}

// studyProgress tells how far a study is: in one line on a terminal, else every
// ten seconds.
type studyProgress struct {
	*progress
}

func (a *app) newStudyProgress() *studyProgress {
	p := &progress{w: a.streams.Err, rewrite: a.streams.Terminal && a.env("TERM") != "dumb", now: a.now, began: a.now()}
	p.said = p.began
	if a.machine() && !p.rewrite {
		p.w = nil
	}
	return &studyProgress{p}
}

func (s *studyProgress) at(done, of int32) {
	line := fmt.Sprintf("%4.0f s  %d of %d runs", s.now().Sub(s.began).Seconds(), done, of)
	switch {
	case s.w == nil:
	case s.rewrite:
		s.write(line)
	case s.now().Sub(s.said) >= 10*time.Second:
		s.said = s.now()
		fmt.Fprintln(s.w, line)
	}
}
