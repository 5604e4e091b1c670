package plan

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestExplainTellsWhatBinds: the job of day() ends at 17:00 of its first day.
// With the locking set away until noon, its span of three steps starts then.
func TestExplainTellsWhatBinds(t *testing.T) {
	p := day()
	p.Units[4].Shut = []Blocked{{Window{0, 780}, 6}}
	ex, err := Explain(context.Background(), p, FindOptions{Release: 480})
	if err != nil {
		t.Fatal(err)
	}
	// 60 from 13:00, 90 to 15:30, 30 to 16:00, 60 to 17:00, 60 the next day.
	if got := ex.Base.Plans[0].Finish; got != 1440+540 {
		t.Errorf("base finish is %d", got)
	}
	want := []Gain{
		{GainOneMore, []int32{1}, -1, -1, 1020, 960, true},
		{GainShut, []int32{1}, 4, 6, 1020, 960, true},
	}
	if d := cmp.Diff(want, ex.Gains); d != "" {
		t.Errorf("gains (-want +got):\n%s", d)
	}
}

func TestUnblockFindsTheSmallestSet(t *testing.T) {
	p := day()
	// Bay 1 is in use twice, bay 2 once: lifting the one is enough. The
	// wrench is out of calibration from 10:00.
	p.Units[0].Busy = []Blocked{{Window{500, 510}, 1}, {Window{600, 610}, 2}}
	p.Units[1].Busy = []Blocked{{Window{700, 900}, 3}}
	p.Units[5].Expiry = 600
	l, err := Unblock(context.Background(), p, 480, 0)
	if err != nil {
		t.Fatal(err)
	}
	want := []Blocker{{BlockBusy, 0, 0, 1, 3, 900}, {BlockExpiry, 2, 2, 5, -1, 600}}
	if d := cmp.Diff(want, l.Blockers); d != "" || !l.Smallest || l.Plan == nil {
		t.Errorf("smallest %v, plan %v (-want +got):\n%s", l.Smallest, l.Plan, d)
	}
}

// TestUnblockOfRandomProblems checks that what is lifted is enough, and that
// nothing less of what is named would do.
func TestUnblockOfRandomProblems(t *testing.T) {
	helped := 0
	for seed := range problems(600) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		l, err := Unblock(context.Background(), p, Time(seed%4), 0)
		if err != nil {
			t.Fatal(err)
		}
		if l.Plan == nil {
			continue
		}
		helped++
		if v := Validate(p.without(l.Blockers), l.Plan); v != nil {
			t.Fatalf("seed %d: %+v", seed, v)
		}
		if len(l.Blockers) > 0 && !l.Smallest {
			t.Errorf("seed %d: not the smallest", seed)
		}
	}
	if helped == 0 {
		t.Error("lifting never helped")
	}
}
