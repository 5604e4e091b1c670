package plan

import (
	"context"
	"flag"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var long = flag.Bool("long", false, "compare 100,000 random problems instead of some thousand")

// problems is how many random problems a test looks at. The race detector makes
// each ten times as slow, and sees in a tenth of them what it can see at all.
func problems(few int) uint64 {
	switch {
	case *long:
		return 100_000
	case raced:
		return uint64(few / 10)
	}
	return uint64(few)
}

// TestFrontIsExhaustive compares every front with a search of everything.
func TestFrontIsExhaustive(t *testing.T) {
	none := 0
	for seed := range problems(2500) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		pinned, start := seed%4 == 3, Time(seed/4%4)
		o := FindOptions{Release: start, Pinned: pinned, Start: start, Points: 100}
		got, err := Find(context.Background(), p, o)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		var points []Window
		for k := range got.Plans {
			pl := &got.Plans[k]
			points = append(points, Window{pl.Finish, pl.Minutes})
			if v := Validate(p, pl); v != nil {
				t.Fatalf("seed %d, plan %d: %+v", seed, k, v)
			}
			if !pl.Proved {
				t.Errorf("seed %d, plan %d is not proved", seed, k)
			}
		}
		want := bruteFront(p, pinned, start)
		if d := cmp.Diff(want, points); d != "" {
			t.Fatalf("seed %d (pinned %v, start %d): finish and minutes (-everything +found):\n%s%+v", seed, pinned, start, d, p)
		}
		if len(want) == 0 {
			none++
			if len(got.Impossible) == 0 {
				t.Errorf("seed %d: no plan and no reason", seed)
			}
		} else if !got.Complete || len(got.Impossible) > 0 {
			t.Errorf("seed %d: complete %v, impossible %v", seed, got.Complete, got.Impossible)
		}
	}
	t.Logf("%d of them have no plan", none)
}
