package workshop

import (
	"slices"
	"testing"
	"time"

	"bayhold/internal/fault"
)

func TestExplainTellsWhatBinds(t *testing.T) {
	t.Parallel()
	w := small(t)
	q := ExplainQuestion{
		FindQuestion: FindQuestion{Procedures: []string{"chain"}, Earliest: local(15, 8, 0)},
		Start:        local(15, 8, 0),
	}
	got, err := w.Explain(t.Context(), "quay", q)
	if err != nil {
		t.Fatal(err)
	}
	// The locks are booked until noon: with a second set it is 14:00, not 17:00.
	if !got.HandBack.Equal(local(15, 17, 0)) || len(got.Reliefs) == 0 {
		t.Fatalf("hand-back %v, reliefs %+v", got.HandBack, got.Reliefs)
	}
	if r := got.Reliefs[0]; r.Kind != ReliefOneMore || r.Need != "Brill locking set" || r.Sooner != 3*time.Hour || !r.HandBack.Equal(local(15, 14, 0)) {
		t.Errorf("the most helpful: %+v", r)
	}
	if len(got.Smallest) != 1 || got.Smallest[0].Reference != "W-101" || !got.SmallestProved || got.StartPossible {
		t.Errorf("the smallest set: %+v", got.Smallest)
	}
	q.Start = local(14, 8, 0)
	_, err = w.Explain(t.Context(), "quay", q)
	wantKind(t, err, fault.Invalid, "EXPLAIN")
}

func TestExplainTellsWhatLiftingHelps(t *testing.T) {
	t.Parallel()
	w := small(t)
	// The jig is quarantined up to the 20th.
	got, err := w.Explain(t.Context(), "quay", ExplainQuestion{
		FindQuestion: FindQuestion{Procedures: []string{"jig-work"}, Earliest: local(13, 8, 0)},
	})
	if err != nil {
		t.Fatal(err)
	}
	lifted := slices.ContainsFunc(got.Reliefs, func(r Relief) bool {
		return r.Kind == ReliefClosure && r.Ref != nil && r.Ref.ID == "JG-1" && r.HandBack.Equal(local(13, 9, 0))
	})
	if !lifted {
		t.Errorf("reliefs: %+v", got.Reliefs)
	}
}
