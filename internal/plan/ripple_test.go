package plan

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestRippleMovesAsLittleAsItCan changes one thing under the plan of day().
func TestRippleMovesAsLittleAsItCan(t *testing.T) {
	for _, c := range []struct {
		name     string
		change   func(*Problem)
		promises []int32
		changed  []int32
		moved    int64
	}{
		{"nothing", func(*Problem) {}, nil, nil, 0},
		{"locking set away, another there", func(p *Problem) {
			p.Units[4].Shut = []Blocked{{Window{0, p.Horizon}, 1}}
		}, nil, []int32{1}, 0},
		// The last step has an hour to spare, so it moves, and its person and
		// the bay with it; the promise holds.
		{"a step runs over by half an hour", func(p *Problem) {
			p.Steps[3].Duration, p.Steps[3].Frozen, p.Steps[3].At = 60, true, 870
		}, nil, []int32{0, 1, 6, 7}, 30},
		{"a step runs over by two hours", func(p *Problem) {
			p.Steps[3].Duration, p.Steps[3].Frozen, p.Steps[3].At = 150, true, 870
		}, []int32{0}, []int32{0, 1, 6, 7}, 1440 + 480 - 900},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := day()
			p.Jobs[0].Due = 1020
			p.Steps[4].Duration = 60
			p.Units = append(p.Units, Unit{ID: "lock-2", Open: p.Units[0].Open, Expiry: Never})
			p.Claims[1].Eligible = []int32{4, 6}
			f, err := Find(context.Background(), p, FindOptions{Release: 480, Points: 1})
			if err != nil {
				t.Fatal(err)
			}
			standing := f.Plans[0]
			standing.Units[1] = []int32{4}
			c.change(p)
			got, err := Ripple(context.Background(), p, RippleOptions{Standing: &standing, Now: 600})
			if err != nil {
				t.Fatal(err)
			}
			if v := Validate(p, &got.Plan); v != nil {
				t.Errorf("%+v", v)
			}
			if d := cmp.Diff(c.changed, got.Changed); d != "" {
				t.Errorf("changed (-want +got):\n%s", d)
			}
			if d := cmp.Diff(c.promises, got.Promises); d != "" || got.Moved != c.moved {
				t.Errorf("moved %d, promises:\n%s", got.Moved, d)
			}
		})
	}
}

// TestRippleIsSound upsets random weeks.
func TestRippleIsSound(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 3))
		p := week(2+int(seed%5), seed)
		a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 10})
		if err != nil || len(a.Unplaced) > 0 {
			t.Fatalf("seed %d: %v, unplaced %v", seed, err, a.Unplaced)
		}
		k := r.IntN(len(p.Steps))
		at := a.Plan.Steps[k]
		switch seed % 3 {
		case 0: // runs over
			p.Steps[k].Duration += 45
			p.Steps[k].Unbroken = false
		case 1: // somebody of the crew, or a tool, is away from then on for a day
			u := &p.Units[r.IntN(len(p.Units))]
			u.Shut = []Blocked{{Window{at.Start, at.Start + 1440}, 77}}
		case 2: // somebody else takes the bay
			c := len(p.Claims) - 1
			u := &p.Units[a.Plan.Units[c][0]]
			u.Busy = append(u.Busy, Blocked{Window{at.Start, at.Start + 300}, 88})
			slices.SortFunc(u.Busy, func(x, y Blocked) int { return int(x.Start - y.Start) })
		}
		got, err := Ripple(context.Background(), p, RippleOptions{Standing: &a.Plan})
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Unplaced) == 0 {
			if v := Validate(p, &got.Plan); v != nil {
				t.Fatalf("seed %d: %+v", seed, v)
			}
		}
		if len(got.Broken) == 0 && (len(got.Changed) > 0 || got.Moved > 0) {
			t.Errorf("seed %d: nothing broke, and yet %v changed", seed, got.Changed)
		}
		for c := range p.Claims {
			same := slices.Equal(got.Plan.Units[c], a.Plan.Units[c]) && p.Hold(c, &got.Plan) == p.Hold(c, &a.Plan)
			if same == slices.Contains(got.Changed, int32(c)) && len(got.Unplaced) == 0 {
				t.Errorf("seed %d: claim %d is told wrongly", seed, c)
			}
		}
	}
}
