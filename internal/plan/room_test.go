package plan

import (
	"context"
	"testing"
)

// TestMakeRoom has one bay, in which a job without hurry stands from the start:
// a second one could be first if that gave way, which breaks no promise.
func TestMakeRoom(t *testing.T) {
	whole := []Window{{0, 1000}}
	p := &Problem{Horizon: 1000, Units: []Unit{{ID: "bay", Open: whole, Expiry: Never}}}
	for j := range int32(2) {
		p.Jobs = append(p.Jobs, Job{Due: 400, Weight: 1})
		p.Steps = append(p.Steps, Step{Duration: 100, Job: j})
		p.Claims = append(p.Claims, Claim{Steps: []int32{j}, Eligible: []int32{0}, Count: 1})
	}
	stands := &Plan{Steps: []Window{{0, 100}, {}}, Units: [][]int32{{0}, nil}, Finish: 100}
	for _, c := range []struct {
		due   Time
		by    Time
		rooms int
		late  int
	}{{400, 200, 1, 0}, {150, 200, 1, 1}, {400, 100, 0, 0}} {
		p.Jobs[0].Due = c.due
		rooms, err := MakeRoom(context.Background(), p, RippleOptions{Standing: stands}, 1, c.by)
		if err != nil || len(rooms) != c.rooms {
			t.Fatalf("%+v: %v, %+v", c, err, rooms)
		}
		for _, r := range rooms {
			if v := Validate(p, &r.Plan); v != nil || r.Finish != 100 || r.Minutes != 100 || len(r.Promises) != c.late || len(r.Changed) != 1 || r.Moved[0] != 0 {
				t.Errorf("%+v: %+v, %v", c, r, v)
			}
		}
	}
}

// TestMakeRoomIsSound makes room in workshops that are arranged but for their
// last job, and holds every way against what that job can have as it is.
func TestMakeRoomIsSound(t *testing.T) {
	ways := 0
	for seed := range uint64(6) {
		p := referenceProblem(referenceSize(5), seed)
		full, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 40})
		if err != nil || len(full.Unplaced) > 0 { // none of these is without a plan
			t.Fatal(err, full.Unplaced)
		}
		stands, last := full.Plan, int32(4)
		finish := Time(0)
		for i, s := range p.Steps {
			if s.Job == last {
				finish = max(finish, stands.Steps[i].End)
				stands.Steps[i] = Window{}
			}
		}
		for c := range p.Claims {
			if p.Steps[p.Claims[c].Steps[0]].Job == last {
				stands.Units[c] = nil
			}
		}
		rooms, err := MakeRoom(context.Background(), p, RippleOptions{Standing: &stands}, last, finish)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range rooms {
			ways++
			if v := Validate(p, &r.Plan); v != nil || r.Finish >= finish || len(r.Moved) != 1 || len(r.Changed) == 0 {
				t.Errorf("seed %d, way %d: %v, %d of %d, moves %v, changes %v", seed, i, v, r.Finish, finish, r.Moved, r.Changed)
			}
		}
	}
	if ways == 0 {
		t.Error("no room anywhere")
	}
}
