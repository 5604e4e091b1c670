package plan

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

var (
	referenceWrite = flag.Bool("reference-write", false, "have the solver prove the small problems anew and write "+referenceOptima)
	referenceLimit = flag.Duration("reference-limit", 10*time.Second, "time for each problem, for the solver and for the planner")
	referenceSeeds = flag.Int("reference-seeds", 3, "problems of each size in the benchmark, those without a plan apart")
)

// refSolver is the program in reference/, running.
type refSolver struct {
	in  io.Writer
	out *bufio.Reader
}

// refRequest and refAnswer are the lines that it reads and writes.
type refRequest struct {
	Problem   *Problem
	Objective string  // finish or late
	Limit     float64 // seconds
	Workers   int
}

type refAnswer struct {
	Version, Engine, Status, Error string
	Objective, Bound               float64
	Seconds                        float64 // from the request to the proof or the limit
	Improvements                   []refImprovement
	Plan                           *Plan
}

// refImprovement is a better plan and when it stood.
type refImprovement struct{ Seconds, Objective float64 }

// startSolver runs the solver and lets it load.
func startSolver(t testing.TB) *refSolver {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatal("the comparison needs Node.js 20 or later: ", err)
	}
	if _, err := os.Stat(filepath.Join("reference", "node_modules", "or-tools-wasm")); err != nil {
		t.Fatal("the comparison needs its solver; run `npm ci` in internal/plan/reference: ", err)
	}
	cmd := exec.Command(node, filepath.Join("reference", "solve.mjs"))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // ends it
		if err := cmd.Wait(); err != nil {
			t.Error("the solver's program: ", err)
		}
	})
	s := &refSolver{in, bufio.NewReader(out)}
	s.solve(t, referenceProblem(referenceSize(1), 0), "finish", 5*time.Second, 2)
	return s
}

// solve has the solver answer, and judges its plan.
func (s *refSolver) solve(t testing.TB, p *Problem, objective string, limit time.Duration, workers int) refAnswer {
	line, err := json.Marshal(refRequest{p, objective, limit.Seconds(), workers})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.in.Write(append(line, '\n')); err != nil {
		t.Fatal("the solver does not listen: ", err)
	}
	if line, err = s.out.ReadBytes('\n'); err != nil {
		t.Fatal("the solver does not answer: ", err)
	}
	var a refAnswer
	if err := json.Unmarshal(line, &a); err != nil {
		t.Fatalf("the solver's answer %q: %v", line, err)
	}
	if a.Error != "" {
		t.Fatal("the solver: ", a.Error)
	}
	if a.Plan == nil {
		return a
	}
	for _, at := range a.Plan.Steps {
		a.Plan.Finish = max(a.Plan.Finish, at.End)
	}
	if v := Validate(p, a.Plan); v != nil {
		t.Fatalf("the solver's plan: %+v", v)
	}
	if got := objectiveOf(p, a.Plan, objective); got != a.Objective {
		t.Fatalf("the solver's plan has the %s %v, not %v", objective, got, a.Objective)
	}
	return a
}

// objectiveOf measures a plan.
func objectiveOf(p *Problem, pl *Plan, objective string) float64 {
	if objective == "finish" {
		return float64(pl.Finish)
	}
	sum, ends := 0.0, make([]Time, len(p.Jobs))
	for i, at := range pl.Steps {
		ends[p.Steps[i].Job] = max(ends[p.Steps[i].Job], at.End)
	}
	for j, job := range p.Jobs {
		sum += job.Weight * float64(max(0, ends[j]-job.Due))
	}
	return sum
}

// TestReferenceWrite makes the file of optima: it takes seeds in turn, for one,
// two and three jobs, until 200 problems with a plan are proved. Those that
// have none are kept too; those that the solver cannot prove are passed over.
func TestReferenceWrite(t *testing.T) {
	if !*referenceWrite {
		t.Skip("needs -args -reference-write, Node.js and the solver")
	}
	s := startSolver(t)
	file := refOptima{}
	solved, passed, begun := 0, 0, time.Now()
	for seed := uint64(0); solved < 200; seed++ {
		o := refOptimum{Seed: seed, Jobs: 1 + int(seed%3)}
		p := referenceProblem(referenceSize(o.Jobs), seed)
		o.Problem = refFingerprint(p)
		a := s.solve(t, p, "finish", *referenceLimit, 1)
		b := s.solve(t, p, "late", *referenceLimit, 1)
		file.Solver, file.Version = a.Engine, a.Version
		o.Finish, o.Late = refVerdict{a.Status, a.Objective, a.Bound}, refVerdict{b.Status, b.Objective, b.Bound}
		if a.Status != b.Status || a.Status != "OPTIMAL" && a.Status != "INFEASIBLE" {
			passed++
			continue
		}
		if a.Status == "OPTIMAL" {
			solved++
		}
		file.Problems = append(file.Problems, o)
	}
	t.Logf("%d proved, %d passed over, %v", len(file.Problems), passed, time.Since(begun))
	writeOptima(t, file)
}

// writeOptima writes one problem a line.
func writeOptima(t *testing.T, o refOptima) {
	f, err := os.Create(referenceOptima)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	fmt.Fprintf(w, "{\n\"Solver\": %q, \"Version\": %q,\n\"Problems\": [", o.Solver, o.Version)
	for i, x := range o.Problems {
		line, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		if i > 0 {
			fmt.Fprint(w, ",")
		}
		fmt.Fprintf(w, "\n%s", line)
	}
	fmt.Fprint(w, "\n]\n}\n")
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// BenchmarkReference gives the same problems to the solver and to the planner:
//
//	go test ./internal/plan -run '^$' -bench Reference -benchtime 1x
//
// One job is to end early, and proved so; several are to be as little late as
// can be. Each has -reference-limit on two cores. The metrics of a size are
// the ratios of times, solver to planner (geometric means: best, until the
// best value that both reach stands; proof, until the solver has proved and
// the planner has that value), how many problems the solver proved, and on how
// many the planner's answer at the end was better, equal or worse.
func BenchmarkReference(b *testing.B) {
	s := startSolver(b)
	for _, jobs := range []int{1, 3, 5, 10, 20, 60} {
		b.Run(fmt.Sprint("jobs=", jobs), func(b *testing.B) {
			for range b.N {
				var duels []refDuel
				for seed := uint64(0); len(duels) < *referenceSeeds; seed++ {
					d := s.duel(b, referenceProblem(referenceSize(jobs), seed), jobs)
					b.Logf("%d jobs, seed %d: %v", jobs, seed, d)
					if d.status != "INFEASIBLE" {
						duels = append(duels, d)
					}
				}
				reportDuels(b, duels)
			}
		})
	}
}

// refDuel is what both made of one problem.
type refDuel struct {
	status           string  // the solver's
	solver, planner  float64 // values at the end; infinite without a plan
	bound            float64 // the solver's
	solverAt, bestAt float64 // seconds until the best value that both reach
	proofAt          float64 // seconds until the solver's proof; infinite without
}

func (d refDuel) String() string {
	if d.status == "INFEASIBLE" {
		return "no plan"
	}
	return fmt.Sprintf("solver %s %.0f (bound %.0f), planner %.0f; both at %.0f after %.3f and %.5f s, proof after %.3f s",
		d.status, d.solver, d.bound, d.planner, max(d.solver, d.planner), d.solverAt, d.bestAt, d.proofAt)
}

// duel lets the solver try, then the planner.
func (s *refSolver) duel(b *testing.B, p *Problem, jobs int) refDuel {
	objective := "late"
	if jobs == 1 {
		objective = "finish"
	}
	a := s.solve(b, p, objective, *referenceLimit, 2)
	d := refDuel{
		status: a.Status, solver: math.Inf(1), planner: math.Inf(1), bound: a.Bound,
		solverAt: math.Inf(1), bestAt: math.Inf(1), proofAt: math.Inf(1),
	}
	if a.Plan != nil {
		d.solver = a.Objective
	}
	if a.Status == "INFEASIBLE" {
		return d
	}
	enough := math.Inf(-1)
	if a.Status == "OPTIMAL" {
		d.proofAt, enough = a.Seconds, a.Objective
	}
	var steps []refImprovement
	if jobs == 1 {
		steps = findTimed(b, p)
	} else {
		steps = arrangeUntil(b, p, enough)
	}
	if len(steps) > 0 {
		d.planner = steps[len(steps)-1].Objective
	}
	d.solverAt, d.bestAt = reached(a.Improvements, max(d.solver, d.planner)), reached(steps, max(d.solver, d.planner))
	return d
}

// reached is when a value first stood.
func reached(steps []refImprovement, value float64) float64 {
	for _, s := range steps {
		if s.Objective <= value {
			return s.Seconds
		}
	}
	return math.Inf(1)
}

// findTimed has the planner find the earliest finish; the time holds its proof.
func findTimed(b *testing.B, p *Problem) []refImprovement {
	ctx, cancel := context.WithTimeout(context.Background(), *referenceLimit)
	defer cancel()
	begun := time.Now()
	f, err := Find(ctx, p, FindOptions{Points: 1})
	took := time.Since(begun).Seconds()
	if err != nil {
		b.Fatal(err)
	}
	if len(f.Plans) == 0 {
		return nil
	}
	if v := Validate(p, &f.Plans[0]); v != nil {
		b.Fatalf("the planner's plan: %+v", v)
	}
	if !f.Proved {
		b.Logf("the planner has not proved %d, its bound is %d", f.Plans[0].Finish, f.Bound)
	}
	return []refImprovement{{took, float64(f.Plans[0].Finish)}}
}

// arrangeUntil has the planner arrange until it is good enough or the time is
// spent.
func arrangeUntil(b *testing.B, p *Problem, enough float64) []refImprovement {
	ctx, cancel := context.WithTimeout(context.Background(), *referenceLimit)
	defer cancel()
	var steps []refImprovement
	begun := time.Now()
	a, err := Arrange(ctx, p, ArrangeOptions{Seed: 1, Improved: func(a Arrangement) {
		if len(a.Unplaced) > 0 {
			return
		}
		steps = append(steps, refImprovement{time.Since(begun).Seconds(), a.Late})
		if a.Late <= enough {
			cancel()
		}
	}})
	if err != nil {
		b.Fatal(err)
	}
	if v := Validate(p, &a.Plan); v != nil && len(a.Unplaced) == 0 {
		b.Fatalf("the planner's plan: %+v", v)
	}
	return steps
}

// reportDuels reports what the duels of one size come to.
func reportDuels(b *testing.B, duels []refDuel) {
	var best, proof, proved, better, equal, worse float64
	var bests, proofs float64
	for _, d := range duels {
		switch {
		case d.planner < d.solver:
			better++
		case d.planner == d.solver:
			equal++
		default:
			worse++
		}
		if !math.IsInf(d.solverAt, 1) && !math.IsInf(d.bestAt, 1) {
			best += math.Log(d.solverAt / d.bestAt)
			bests++
		}
		if d.status == "OPTIMAL" {
			proved++
			if d.planner == d.solver {
				proof += math.Log(d.proofAt / d.bestAt)
				proofs++
			}
		}
	}
	if bests > 0 {
		b.ReportMetric(math.Exp(best/bests), "best-ratio")
	}
	if proofs > 0 {
		b.ReportMetric(math.Exp(proof/proofs), "proof-ratio")
	}
	b.ReportMetric(proved, "proved")
	b.ReportMetric(better, "better")
	b.ReportMetric(equal, "equal")
	b.ReportMetric(worse, "worse")
}
