package plan

import (
	"context"
	"slices"
	"testing"
)

// earliestOf is the proved earliest finish; Never if there is none.
func earliestOf(t *testing.T, p *Problem, release Time) Time {
	t.Helper()
	f, err := Find(context.Background(), p, FindOptions{Release: release, Points: 1})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Plans) == 0 {
		return Never
	}
	if !f.Proved {
		t.Fatal("not proved")
	}
	return f.Plans[0].Finish
}

// TestMoreIsNeverLater gives random problems one more unit, an earlier
// release, a longer horizon, one booking less.
func TestMoreIsNeverLater(t *testing.T) {
	for seed := range problems(500) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		base := earliestOf(t, p, 2)
		for name, q := range map[string]*Problem{
			"unit": withUnit(p, int(seed)), "horizon": withHorizon(p), "lifted": p.lifted(),
		} {
			if got := earliestOf(t, q, 2); got > base {
				t.Errorf("seed %d, %s: %d after %d\n%+v", seed, name, got, base, p)
			}
		}
		if got := earliestOf(t, p, 1); got > base {
			t.Errorf("seed %d, release: %d after %d", seed, got, base)
		}
	}
}

// withUnit adds a unit that is always there to one claim.
func withUnit(p *Problem, k int) *Problem {
	q := *p
	if len(p.Claims) == 0 {
		return &q
	}
	q.Units = append(slices.Clone(p.Units), Unit{ID: "more", Open: []Window{{0, Never}}, Expiry: Never})
	q.Claims = slices.Clone(p.Claims)
	c := &q.Claims[k%len(q.Claims)]
	c.Eligible = append(slices.Clone(c.Eligible), int32(len(p.Units)))
	return &q
}

// withHorizon lets the problem go on for longer. Units stay as they are.
func withHorizon(p *Problem) *Problem {
	q := *p
	q.Horizon += 5
	return &q
}

// TestAWeekLaterIsTheSame shifts everything by a week.
func TestAWeekLaterIsTheSame(t *testing.T) {
	const week = 7 * 1440
	for seed := range problems(300) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		want := earliestOf(t, p, 1)
		if want != Never {
			want += week
		}
		if got := earliestOf(t, shifted(p, week), week+1); got != want {
			t.Errorf("seed %d: %d, not %d\n%+v", seed, got, want, p)
		}
	}
}

func shifted(p *Problem, by Time) *Problem {
	q := *p
	q.Horizon += by
	q.Units, q.Steps = slices.Clone(p.Units), slices.Clone(p.Steps)
	for i := range q.Steps {
		q.Steps[i].Release += by
		q.Steps[i].At += by
	}
	move := func(bs []Blocked) (out []Blocked) {
		for _, b := range bs {
			out = append(out, Blocked{Window{b.Start + by, b.End + by}, b.Ref})
		}
		return out
	}
	for i := range q.Units {
		u := &q.Units[i]
		open := u.Open
		u.Open = nil
		for _, w := range open {
			u.Open = append(u.Open, Window{w.Start + by, w.End + by})
		}
		u.Shut, u.Busy = move(u.Shut), move(u.Busy)
		if u.Expiry != Never {
			u.Expiry += by
		}
	}
	return &q
}
