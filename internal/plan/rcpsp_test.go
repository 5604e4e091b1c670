package plan

import (
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

var (
	rcpspDir   = flag.String("rcpsp", "", "directory of .sm or .rcp files for the RCPSP benchmark")
	rcpspBest  = flag.String("rcpsp-best", "", "CSV with columns file and best_known; default: bounds.csv in or beside the directory")
	rcpspLimit = flag.Duration("rcpsp-limit", 0, "time an instance instead of budgets")
	rcpspEvery = flag.Int("rcpsp-every", 1, "take every n-th instance")
)

// BenchmarkRCPSP runs every instance of a directory of published projects
// through Arrange:
//
//	go test ./internal/plan -run '^$' -bench RCPSP -args -rcpsp DIR
//
// and reports the average deviation from the critical path and from the best
// known makespans, and the shares that are solved and proved.
func BenchmarkRCPSP(b *testing.B) {
	if *rcpspDir == "" {
		b.Skip("needs -args -rcpsp DIR")
	}
	set := loadSet(b, *rcpspDir)
	budgets := []int64{1000, 5000, 50000}
	if *rcpspLimit > 0 {
		budgets = []int64{0}
	}
	for _, budget := range budgets {
		name := fmt.Sprint("schedules=", budget)
		if budget == 0 {
			name = fmt.Sprint("limit=", *rcpspLimit)
		}
		b.Run(name, func(b *testing.B) {
			for range b.N {
				set.run(budget, *rcpspLimit).report(b)
			}
		})
	}
}

type instance struct {
	*project
	critical, best int // best is 0 if not known
}

type rcpspSet []instance

// loadSet reads the projects of a directory and the table of best known values.
func loadSet(b *testing.B, dir string) rcpspSet {
	best := map[string]int{}
	for _, path := range []string{*rcpspBest, filepath.Join(dir, "bounds.csv"), filepath.Join(dir, "..", "bounds.csv")} {
		if f, err := os.Open(path); err == nil {
			rows, err := csv.NewReader(f).ReadAll()
			f.Close()
			if err != nil || len(rows) == 0 {
				b.Fatalf("%s: %v", path, err)
			}
			file, value := slices.Index(rows[0], "file"), slices.Index(rows[0], "best_known")
			for _, r := range rows[1:] {
				best[r[file]], _ = strconv.Atoi(r[value])
			}
			break
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		b.Fatal(err)
	}
	var set rcpspSet
	for i, e := range entries {
		if ext := filepath.Ext(e.Name()); ext != ".sm" && ext != ".rcp" || i%*rcpspEvery != 0 {
			continue
		}
		pr, err := readProject(filepath.Join(dir, e.Name()))
		if err != nil {
			b.Fatal(err)
		}
		set = append(set, instance{pr, pr.criticalPath(), best[strings.TrimSpace(e.Name())]})
	}
	return set
}

// tally sums up what a run over a set gave.
type tally struct {
	n, known, solved, proved  int
	path, over, points, built float64
}

// run arranges every instance, two at a time under a budget; under a time
// limit one at a time, which then has all cores.
func (set rcpspSet) run(budget int64, limit time.Duration) tally {
	var t tally
	var mu sync.Mutex
	var wg sync.WaitGroup
	jobs := make(chan instance)
	workers := 2
	if limit > 0 {
		workers = 1
	}
	for range workers {
		wg.Go(func() {
			for in := range jobs {
				a := in.arrange(budget, limit)
				mu.Lock()
				t.add(in, a)
				mu.Unlock()
			}
		})
	}
	for _, in := range set {
		jobs <- in
	}
	close(jobs)
	wg.Wait()
	return t
}

func (in instance) arrange(budget int64, limit time.Duration) Arrangement {
	ctx := context.Background()
	if limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, limit)
		defer cancel()
	}
	p := in.problem()
	a, err := Arrange(ctx, p, ArrangeOptions{Schedules: budget, Seed: 1})
	if err != nil {
		panic(err)
	}
	if v := Validate(p, &a.Plan); v != nil {
		panic(fmt.Sprint(in.name, v))
	}
	return a
}

func (t *tally) add(in instance, a Arrangement) {
	t.n++
	made, path := float64(a.Plan.Finish), float64(in.critical)
	t.path += 100 * (made - path) / path
	t.built += float64(a.Schedules)
	if a.Plan.Proved {
		t.proved++
	}
	if in.best > 0 {
		t.known++
		t.over += 100 * (made - float64(in.best)) / float64(in.best)
		t.points += 100 * (made - float64(in.best)) / path
		if int(a.Plan.Finish) <= in.best {
			t.solved++
		}
	}
}

func (t tally) report(b *testing.B) {
	n := float64(max(1, t.n))
	b.ReportMetric(t.path/n, "%over-path")
	b.ReportMetric(100*float64(t.proved)/n, "%proved")
	b.ReportMetric(t.built/n, "schedules/instance")
	b.ReportMetric(n, "instances")
	if t.known > 0 {
		k := float64(t.known)
		b.ReportMetric(t.over/k, "%over-best")
		b.ReportMetric(t.points/k, "points-over-best")
		b.ReportMetric(100*float64(t.solved)/k, "%solved")
	}
}
