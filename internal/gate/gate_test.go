package gate

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/fault"
)

// worker asks for its turn, notes who got in, and stays for a second.
func worker(g *Gate, site, caller string, order *[]string, mu *sync.Mutex) func() {
	return func() {
		leave, err := g.Enter(context.Background(), site, caller)
		if err != nil {
			panic(err)
		}
		mu.Lock()
		*order = append(*order, caller)
		mu.Unlock()
		time.Sleep(time.Second)
		leave()
	}
}

// TestOneWhoAsksForMuchWaitsBehindTheirOwn has one caller ask ten times, and then
// three others once each, of the same site and of another one.
func TestOneWhoAsksForMuchWaitsBehindTheirOwn(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := New(Options{Slots: 1, PerSite: 1, Queue: 100, PerCaller: 100})
		var order []string
		var mu sync.Mutex
		var wg sync.WaitGroup
		for range 10 {
			wg.Go(worker(g, "north", "greedy", &order, &mu))
			synctest.Wait()
		}
		for _, c := range []string{"north ada", "north bob", "south cy"} {
			site, _, _ := strings.Cut(c, " ")
			wg.Go(worker(g, site, c, &order, &mu))
			synctest.Wait()
		}
		wg.Wait()
		last := 0
		for _, c := range []string{"north ada", "north bob", "south cy"} {
			last = max(last, slices.Index(order, c))
		}
		// Before them: the one that was in, and one more of each turn.
		if last > 6 {
			t.Errorf("the last of the others came in as number %d of %v", last+1, order)
		}
	})
}

func TestSitesAndSlotsAreBounded(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := New(Options{Slots: 3, PerSite: 2, Queue: 100, PerCaller: 100})
		var mu sync.Mutex
		var wg sync.WaitGroup
		in, most, mostOfSite := map[string]int{}, 0, 0
		for i := range 40 {
			site := []string{"north", "south", "west"}[i%3]
			wg.Go(func() {
				leave, err := g.Enter(context.Background(), site, "c")
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				in[site]++
				in[""]++
				most, mostOfSite = max(most, in[""]), max(mostOfSite, in[site])
				mu.Unlock()
				time.Sleep(time.Second)
				mu.Lock()
				in[site]--
				in[""]--
				mu.Unlock()
				leave()
			})
		}
		wg.Wait()
		if most != 3 || mostOfSite != 2 {
			t.Errorf("%d were in at once, %d of one site; want 3 and 2", most, mostOfSite)
		}
		if len(g.sites) != 0 || len(g.turn) != 0 || g.running != 0 {
			t.Errorf("something is left: %+v", g)
		}
	})
}

func TestWhoIsRefusedLearnsWhenToTryAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := New(Options{Slots: 1, PerSite: 1, Queue: 3, PerCaller: 2})
		leave, err := g.Enter(t.Context(), "north", "in")
		if err != nil {
			t.Fatal(err)
		}
		waiting, give := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		for _, c := range []string{"ada", "ada", "bob"} {
			wg.Go(func() {
				if _, err := g.Enter(waiting, "north", c); fault.KindOf(err) != fault.Canceled {
					t.Errorf("%s was given up, and hears %v", c, err)
				}
			})
			synctest.Wait()
		}
		brief, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		for name, c := range map[string]struct {
			ctx    context.Context
			caller string
		}{
			"too many of one":  {t.Context(), "ada"},
			"too many of all":  {t.Context(), "cy"},
			"no time for that": {brief, "bob"},
		} {
			_, err := g.Enter(c.ctx, "north", c.caller)
			if f := fault.Fault(err); f == nil || f.Kind != fault.Exhausted || f.After < time.Second {
				t.Errorf("%s: %v", name, err)
			}
		}
		give()
		wg.Wait()
		if n, _ := g.Waiting(); n != 0 {
			t.Errorf("%d wait though all gave up", n)
		}
		// One whose time runs out in the queue hears the same.
		patient, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if _, err := g.Enter(patient, "north", "ada"); fault.KindOf(err) != fault.Exhausted {
			t.Errorf("out of time: %v", err)
		}
		leave()
		leave() // twice does no harm
		if again, err := g.Enter(t.Context(), "north", "ada"); err != nil {
			t.Error(err)
		} else {
			again()
		}
		if len(g.sites) != 0 || len(g.turn) != 0 || g.running != 0 {
			t.Errorf("something is left: %+v", g)
		}
	})
}

// TestNothingIsLeftBehind lets callers come, give up and go in any order.
func TestNothingIsLeftBehind(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		g := New(Options{Slots: rapid.IntRange(1, 3).Draw(rt, "slots"), PerSite: rapid.IntRange(1, 3).Draw(rt, "perSite"), Queue: 6, PerCaller: 3})
		n := rapid.IntRange(1, 30).Draw(rt, "callers")
		type plan struct {
			site, caller    string
			patience, stays time.Duration
		}
		var plans []plan
		for range n {
			plans = append(plans, plan{
				rapid.SampledFrom([]string{"n", "s"}).Draw(rt, "site"), rapid.SampledFrom([]string{"a", "b", "c"}).Draw(rt, "caller"),
				time.Duration(rapid.IntRange(0, 3000).Draw(rt, "patience")) * time.Microsecond,
				time.Duration(rapid.IntRange(0, 300).Draw(rt, "stays")) * time.Microsecond,
			})
		}
		g.usual = 0 // or nobody so impatient would queue
		var wg sync.WaitGroup
		for _, p := range plans {
			wg.Go(func() {
				ctx, cancel := context.WithTimeout(context.Background(), p.patience)
				defer cancel()
				if leave, err := g.Enter(ctx, p.site, p.caller); err == nil {
					<-time.After(p.stays)
					leave()
				}
			})
		}
		wg.Wait()
		if len(g.sites) != 0 || len(g.turn) != 0 || g.running != 0 {
			rt.Fatalf("something is left: %+v", g)
		}
	})
}
