package plan

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestCheckIsExhaustive compares every check with a search of everything, in
// the workshop as it is and in an empty one.
func TestCheckIsExhaustive(t *testing.T) {
	yes, no := 0, 0
	for seed := range problems(1200) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		start, by := Time(seed%5), Time(0)
		if seed%3 == 0 {
			by = p.Horizon - 2
		}
		got, err := Check(context.Background(), p, start, by)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		limit := by
		nominal := bruteFront(p.lifted(), true, start)
		if (len(nominal) > 0) != (got.Nominal != nil) || got.Nominal != nil && got.Nominal.Finish != nominal[0].Start {
			t.Fatalf("seed %d: nominal %+v, everything %v\n%+v", seed, got.Nominal, nominal, p)
		}
		if by == 0 && len(nominal) > 0 {
			limit = nominal[0].Start
		}
		real := bruteFront(p, true, start)
		if want := len(real) > 0 && real[0].Start <= limit; got.OK != want {
			t.Fatalf("seed %d: ok %v, everything %v by %d\n%+v", seed, got.OK, real, limit, p)
		}
		switch {
		case got.OK:
			yes++
			if v := Validate(p, got.Plan); v != nil || got.Plan.Finish > limit {
				t.Fatalf("seed %d: finish %d by %d: %+v", seed, got.Plan.Finish, limit, v)
			}
		case len(got.Blockers) == 0:
			t.Fatalf("seed %d: refused without a blocker\n%+v", seed, p)
		default:
			no++
		}
		if got.Waiting != nil && (len(real) == 0 || got.Waiting.Finish != real[0].Start) {
			t.Fatalf("seed %d: waiting %+v, everything %v", seed, got.Waiting, real)
		}
	}
	t.Logf("%d can start, %d cannot", yes, no)
}

// day makes a small workshop: two bays, two people who work from 8 to 12 and
// from 13 to 17 on five days, one locking set, one wrench out of calibration
// from Wednesday on. The job: open, lock, tighten by two people without a
// break, unlock, close.
func day() *Problem {
	p := &Problem{Horizon: 5 * 1440, Jobs: []Job{{Due: Never, Weight: 1}}}
	all := []Window{{0, p.Horizon}}
	var shifts []Window
	for d := Time(0); d < 5; d++ {
		shifts = append(shifts, Window{d*1440 + 480, d*1440 + 720}, Window{d*1440 + 780, d*1440 + 1020})
	}
	p.Units = []Unit{
		{ID: "bay-1", Open: all, Expiry: Never},
		{ID: "bay-2", Open: all, Expiry: Never},
		{ID: "anna", Open: shifts, Expiry: Never},
		{ID: "ben", Open: shifts, Expiry: Never},
		{ID: "lock-1", Open: all, Expiry: Never},
		{ID: "wrench-1", Open: all, Expiry: 2 * 1440},
	}
	p.Steps = []Step{{Duration: 120}, {Duration: 60}, {Duration: 90, Unbroken: true}, {Duration: 30}, {Duration: 120}}
	for i := range int32(4) {
		p.Arcs = append(p.Arcs, Arc{From: i, To: i + 1})
	}
	p.Claims = []Claim{
		{Steps: []int32{0, 1, 2, 3, 4}, Eligible: []int32{0, 1}, Count: 1},
		{Steps: []int32{1, 2, 3}, Eligible: []int32{4}, Count: 1},
		{Steps: []int32{2}, Eligible: []int32{5}, Count: 1},
	}
	for i := range int32(5) {
		n := int32(1)
		if i == 2 {
			n = 2
		}
		p.Claims = append(p.Claims, Claim{Steps: []int32{i}, Eligible: []int32{2, 3}, Count: n, Crew: true})
	}
	return p
}

// The times below are worked out by hand: 120 + 60 from 8:00 to 11:00, 90
// unbroken minutes do not fit before noon and run from 13:00 to 14:30, 30 to
// 15:00, 120 to 17:00.
func TestCheckTellsBlockers(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Problem)
		start  Time
		want   []Blocker // nil: yes
		finish Time
	}{
		{"free", func(*Problem) {}, 480, nil, 1020},
		{"locking set booked over noon", func(p *Problem) {
			p.Units[4].Busy = []Blocked{{Window{700, 800}, 7}}
		}, 480, []Blocker{{BlockBusy, 1, 1, 4, 7, 800}}, 0},
		{"both bays closed for an hour", func(p *Problem) {
			p.Units[0].Shut = []Blocked{{Window{600, 660}, 3}}
			p.Units[1].Shut = []Blocked{{Window{900, 960}, 4}}
		}, 480, []Blocker{{BlockShut, 0, 0, 0, 3, 660}, {BlockShut, 0, 0, 1, 4, 960}}, 0},
		{"wrench lapses", func(*Problem) {}, 2*1440 + 480, []Blocker{{BlockExpiry, 2, 2, 5, -1, 2 * 1440}}, 0},
		{"before anyone is there", func(*Problem) {}, 420, []Blocker{
			{BlockNotOpen, 0, 3, 2, -1, 480}, {BlockNotOpen, 0, 3, 3, -1, 480},
		}, 0},
		{"nobody has the skill", func(p *Problem) { p.Claims[5].Eligible = p.Claims[5].Eligible[:1] }, 480,
			[]Blocker{{BlockNoEligible, 2, 5, -1, -1, Never}}, 0},
		{"one person ill for two", func(p *Problem) {
			p.Units[3].Shut = []Blocked{{Window{480, 1440}, 9}}
		}, 480, []Blocker{{BlockShut, 2, 5, 3, 9, 1440}}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := day()
			c.change(p)
			got, err := Check(context.Background(), p, c.start, 0)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, got.Blockers); d != "" {
				t.Errorf("blockers (-want +got):\n%s", d)
			}
			if got.OK != (c.want == nil) {
				t.Errorf("ok is %v", got.OK)
			}
			if got.OK && got.Plan.Finish != c.finish {
				t.Errorf("finish is %d, not %d", got.Plan.Finish, c.finish)
			}
		})
	}
}

// TestCheckNamesContention asks for one wrench in two steps side by side.
func TestCheckNamesContention(t *testing.T) {
	p := day()
	p.Arcs = nil
	p.Steps = p.Steps[:2]
	wrench := []int32{5}
	p.Units = append(p.Units, Unit{ID: "wrench-2", Open: p.Units[0].Open, Busy: []Blocked{{Window{0, 1440}, 8}}, Expiry: Never})
	p.Claims = []Claim{
		{Steps: []int32{0}, Eligible: append(wrench, 6), Count: 1},
		{Steps: []int32{1}, Eligible: append(wrench, 6), Count: 1},
	}
	got, err := Check(context.Background(), p, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	want := []Blocker{
		{BlockContention, 0, 0, -1, -1, 120}, {BlockBusy, 0, 0, 6, 8, 1440},
		{BlockContention, 1, 1, -1, -1, 60}, {BlockBusy, 1, 1, 6, 8, 1440},
	}
	if d := cmp.Diff(want, got.Blockers); d != "" {
		t.Errorf("blockers (-want +got):\n%s", d)
	}
	if got.OK || got.Waiting == nil || got.Waiting.Finish != 180 {
		t.Errorf("ok %v, waiting %+v", got.OK, got.Waiting)
	}
}

// TestFindStopsWithItsCaller gives a search no time at all.
func TestFindStopsWithItsCaller(t *testing.T) {
	ctx, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	f, err := Find(ctx, day(), FindOptions{Nodes: 64})
	if err != nil || len(f.Impossible) > 0 {
		t.Errorf("%v, %+v", err, f)
	}
}
