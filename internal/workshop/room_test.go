package workshop

import "testing"

// TestFindTellsWhatGivingWayWouldBring has the chain booked on Tuesday: another
// that comes on Tuesday would be sooner if that one, which has not begun, gave
// way; with what is told both can be booked.
func TestFindTellsWhatGivingWayWouldBring(t *testing.T) {
	t.Parallel()
	w := small(t)
	_, second := twoChains(t, w)
	q := FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0), Disturb: true}
	answer, err := w.Find(t.Context(), "quay", q)
	if err != nil {
		t.Fatal(err)
	}
	if len(answer.Options) == 0 || len(answer.Rooms) == 0 {
		t.Fatalf("%d options, %d rooms", len(answer.Options), len(answer.Rooms))
	}
	room := answer.Rooms[0]
	if !room.Plan.During.End.Before(answer.Options[0].Plan.During.End) {
		t.Errorf("handed back %v with a disturbance, %v without", room.Plan.During.End, answer.Options[0].Plan.During.End)
	}
	if len(room.Disturbed) != 1 || room.Disturbed[0].Job != second.Job.ID || room.Disturbed[0].Plan == nil {
		t.Fatalf("disturbed: %+v", room.Disturbed)
	}
	gone := room.Disturbed[0]
	if gone.Plan.During.Start.Before(second.Job.Planned.Start) || gone.Missed() != gone.Plan.During.End.After(local(13, 17, 0)) {
		t.Errorf("gives way to %v, promise missed %v", gone.Plan.During, gone.Missed())
	}
	both := Arrangement{Jobs: []ArrangedJob{gone, {Reference: "W-903", Plan: &room.Plan}}, Reason: "the customer waits"}
	if _, err := w.BookArrangement(t.Context(), act("give way"), both); err != nil {
		t.Error("booking both: ", err)
	}

	q.Disturb = false
	if answer, err = w.Find(t.Context(), "quay", q); err != nil || answer.Rooms != nil {
		t.Errorf("not asked for: %+v, %v", answer.Rooms, err)
	}
}
