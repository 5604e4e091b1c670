package workshop

import (
	"math"
	"slices"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

func boardOf(t *testing.T, w *Workshop, day time.Time) Board {
	t.Helper()
	b, err := w.Board(t.Context(), "quay", day)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func kinds(list []Notice) []NoticeKind {
	var out []NoticeKind
	for _, n := range list {
		out = append(out, n.Kind)
	}
	return out
}

func TestBoardTellsTheWeek(t *testing.T) {
	t.Parallel()
	w := small(t)
	job := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0)})[0].Plan
	o := order("W-1", job)
	o.Promise = job.During.End.Add(time.Hour)
	booked, err := w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	b := boardOf(t, w, time.Time{})
	if want := (hours.Range{Start: local(12, 0, 0), End: local(19, 0, 0)}); b.During != want {
		t.Errorf("the week is %v, want %v", b.During, want)
	}
	if len(b.Bays) != 2 || len(b.People) != 3 || len(b.Late) != 0 {
		t.Errorf("%d bays, %d people, late: %+v", len(b.Bays), len(b.People), b.Late)
	}
	i := slices.IndexFunc(b.Bays, func(v BoardBay) bool { return v.ID == job.Bay })
	if i < 0 || len(b.Bays[i].Stays) != 1 {
		t.Fatalf("the bays: %+v", b.Bays)
	}
	stay := b.Bays[i].Stays[0]
	if stay.Job != booked.Job.ID || stay.During != job.During || len(stay.People) == 0 || len(stay.Worked) == 0 {
		t.Errorf("the stay: %+v", stay)
	}
	if j := b.Jobs[stay.Job]; j.Bay != job.Bay || j.Title != "Renew the timing chain" || j.Late || !j.Promise.Equal(o.Promise) {
		t.Errorf("the job: %+v", j)
	}
	locks := slices.IndexFunc(b.Tools, func(v BoardTool) bool { return v.Tag == "LK-1" })
	if locks < 0 || !b.Tools[locks].Scarce || b.Tools[locks].Next == nil || b.Tools[locks].Here != nil {
		t.Errorf("the only locking set: %+v", b.Tools)
	}
	jig := slices.IndexFunc(b.Tools, func(v BoardTool) bool { return v.Tag == "JG-1" })
	if jig < 0 || len(b.Tools[jig].Lapses) == 0 || b.Tools[jig].Why != "QUARANTINED: bush worn" {
		t.Errorf("the quarantined jig: %+v", b.Tools)
	}
	if b.Site.Revision == 0 || len(b.Open) == 0 {
		t.Errorf("revision %d, open %v", b.Site.Revision, b.Open)
	}
}

func TestBoardTellsWhatWaits(t *testing.T) {
	t.Parallel()
	w := small(t)
	job := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0)})[0].Plan
	o := order("W-1", job)
	o.State, o.ExpiresAt = site.Tentative, local(14, 12, 0)
	o.Promise = job.During.End.Add(-time.Hour)
	if _, err := w.Book(t.Context(), act("book"), o); err != nil {
		t.Fatal(err)
	}
	b := boardOf(t, w, time.Time{})
	for _, want := range []NoticeKind{NoticeLapse, NoticePromise, NoticeParts} {
		if !slices.Contains(kinds(b.Wait), want) {
			t.Errorf("nothing of %s among %v", want, kinds(b.Wait))
		}
	}
	if !slices.IsSortedFunc(b.Wait, func(a, b Notice) int { return a.At.Compare(b.At) }) {
		t.Errorf("not by time: %+v", b.Wait)
	}
	// The locks drop out: the booking cannot stand.
	if _, err := w.EditTool(t.Context(), act("edit"), "LK-1", func(v *site.Tool) { v.Condition, v.ConditionNote = site.Unserviceable, "plate bent" }); err != nil {
		t.Fatal(err)
	}
	b = boardOf(t, w, time.Time{})
	n := slices.IndexFunc(b.Wait, func(n Notice) bool { return n.Kind == NoticeUnfit && n.Ref != nil && n.Ref.ID == "LK-1" })
	if n < 0 || b.Wait[n].What == "" || b.Wait[n].Reference != "W-1" {
		t.Errorf("the locks that dropped out: %+v", b.Wait)
	}
}

func TestBoardOfAnotherDay(t *testing.T) {
	t.Parallel()
	w := small(t)
	// A Sunday belongs to the week before it, and so does its last minute.
	for _, day := range []time.Time{local(18, 23, 59), local(12, 0, 0)} {
		if b := boardOf(t, w, day); !b.During.Start.Equal(local(12, 0, 0)) {
			t.Errorf("%v lies in %v", day, b.During)
		}
	}
	if _, err := w.Board(t.Context(), "quay", time.Date(1000, 1, 1, 0, 0, 0, 0, time.UTC)); fault.KindOf(err) != fault.Invalid {
		t.Errorf("the year 1000: %v", err)
	}
	// When the week's work is over, the board shows the next.
	w.now = func() time.Time { return local(17, 9, 0) } // Saturday
	if b := boardOf(t, w, time.Time{}); !b.During.Start.Equal(local(19, 0, 0)) {
		t.Errorf("on Saturday: %v", b.During)
	}
}

// TestUseCountsWorkingHours holds figures that can be counted by hand: Ada, Ben
// and Cem work eight hours a day, Cem not on Fridays.
func TestUseCountsWorkingHours(t *testing.T) {
	t.Parallel()
	w := small(t)
	if _, err := w.Reserve(t.Context(), act("reserve"), Reservation{
		Refs: []Ref{{Kind: site.KindBay, ID: "bay-1"}}, Reference: "R-1", State: site.Confirmed,
		During: hours.Range{Start: local(19, 8, 0), End: local(21, 8, 0)}, // two nights, sixteen working hours
	}); err != nil {
		t.Fatal(err)
	}
	u, err := w.Use(t.Context(), "quay", time.Time{}, 2)
	if err != nil {
		t.Fatal(err)
	}
	if len(u.Weeks) != 2 || !u.Weeks[0].Start.Equal(local(12, 0, 0)) || !u.Weeks[1].Start.Equal(local(19, 0, 0)) {
		t.Fatalf("weeks %v", u.Weeks)
	}
	want := map[string][2]float64{ // booked and available hours of the second week
		"bay-1": {16, 40}, "bay-2": {0, 40}, "brill-locks": {0, 40},
		"timing": {0, 40 + 40}, "engine": {0, 40 + 32},
		"wrench-200": {0, 24 + 1.75}, // TW-1 until Thursday 09:45; TW-2 has lapsed
	}
	for _, r := range u.Rows {
		hours, ok := want[r.ID]
		if !ok {
			continue
		}
		delete(want, r.ID)
		if got := r.Cells[1]; math.Abs(got.Booked.Hours()-hours[0]) > 0.01 || math.Abs(got.Available.Hours()-hours[1]) > 0.01 {
			t.Errorf("%s: %v of %v, want %v", r.ID, got.Booked, got.Available, hours)
		}
	}
	if len(want) > 0 {
		t.Errorf("no rows of %v", want)
	}
	for _, weeks := range []int{0, 54} {
		if _, err := w.Use(t.Context(), "quay", time.Time{}, weeks); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%d weeks: %v", weeks, err)
		}
	}
}

func TestLinksOpenUntilRevoked(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	req := act("link")
	made, err := w.MakeLink(ctx, req, "hall", nil)
	if err != nil || len(made.Secret) != 43 {
		t.Fatalf("%+v, %v", made, err)
	}
	if again, err := w.MakeLink(ctx, req, "hall", nil); err != nil || again.ID != made.ID || again.Secret != "" {
		t.Errorf("a repeat: %+v, %v", again, err)
	}
	calendar, err := w.MakeLink(ctx, act("link"), "Ada's telephone", &Ref{Kind: site.KindTechnician, ID: "ada"})
	if err != nil {
		t.Fatal(err)
	}
	if l, err := w.OpenLink(ctx, "quay", made.Secret); err != nil || l.ID != made.ID || l.Calendar != nil {
		t.Errorf("the board's: %+v, %v", l, err)
	}
	if c, err := w.Calendar(ctx, "quay", calendar.Secret); err != nil || c.Name != "Ada" {
		t.Errorf("the calendar's: %+v, %v", c, err)
	}
	for name, secret := range map[string]string{"the board's secret": made.Secret, "a guess": "x", "nothing": ""} {
		if _, err := w.Calendar(ctx, "quay", secret); fault.KindOf(err) != fault.NotFound {
			t.Errorf("a calendar by %s: %v", name, err)
		}
	}
	if _, err := w.MakeLink(ctx, act("link"), "nobody's", &Ref{Kind: site.KindTool, ID: "XX-1"}); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a calendar of nothing: %v", err)
	}
	if _, err := w.MakeLink(ctx, act("link"), "", nil); fault.KindOf(err) != fault.Invalid {
		t.Errorf("without a title: %v", err)
	}
	if l, err := w.RevokeLink(ctx, act("revoke"), made.ID); err != nil || l.RevokedAt.IsZero() {
		t.Errorf("%+v, %v", l, err)
	}
	if _, err := w.OpenLink(ctx, "quay", made.Secret); fault.KindOf(err) != fault.NotFound {
		t.Errorf("once revoked: %v", err)
	}
	if list, err := w.Links(ctx, "quay"); err != nil || len(list) != 2 || list[0].ID != calendar.ID {
		t.Errorf("%+v, %v", list, err)
	}
}

// TestCalendarFollowsAJob: what is booked, confirmed, moved or cancelled keeps
// its place in the calendar, and its sequence only grows.
func TestCalendarFollowsAJob(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	ref := Ref{Kind: site.KindTool, ID: "LK-1"}
	look := func() []CalendarEntry {
		t.Helper()
		c, err := w.CalendarOf(ctx, "quay", ref)
		if err != nil {
			t.Fatal(err)
		}
		return ofJob(c, "W-1")
	}
	job := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0)})[0].Plan
	o := order("W-1", job)
	o.State, o.ExpiresAt = site.Tentative, local(14, 12, 0)
	booked, err := w.Book(ctx, act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	first := look()
	if len(first) != 1 || first[0].State != site.Tentative || first[0].Changes != 0 || first[0].Bay == "" || len(first[0].Titles) == 0 {
		t.Fatalf("booked: %+v", first)
	}
	if _, err := w.Confirm(ctx, act("confirm"), booked.Job.ID); err != nil {
		t.Fatal(err)
	}
	second := look()
	if len(second) != 1 || second[0].ID != first[0].ID || second[0].State != site.Confirmed || second[0].Changes <= first[0].Changes {
		t.Fatalf("confirmed: %+v", second)
	}
	if _, err := w.Cancel(ctx, act("cancel"), booked.Job.ID, "called off"); err != nil {
		t.Fatal(err)
	}
	third := look()
	if len(third) != 1 || third[0].ID != first[0].ID || third[0].State != site.Cancelled || third[0].Changes <= second[0].Changes {
		t.Fatalf("cancelled: %+v", third)
	}
}

func TestCalendarKnowsWhatHasLapsed(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	job := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0)})[0].Plan
	o := order("W-1", job)
	o.State, o.ExpiresAt = site.Tentative, local(12, 12, 0)
	if _, err := w.Book(ctx, act("book"), o); err != nil {
		t.Fatal(err)
	}
	w.now = func() time.Time { return local(12, 13, 0) }
	c, err := w.CalendarOf(ctx, "quay", Ref{Kind: site.KindTool, ID: "LK-1"})
	mine := ofJob(c, "W-1")
	if err != nil || len(mine) != 1 {
		t.Fatalf("%+v, %v", c, err)
	}
	if e := mine[0]; e.State != site.Cancelled || e.Changes != 1 || !e.Changed.Equal(local(12, 12, 0)) {
		t.Errorf("a job that lapsed: %+v", e)
	}
}

// ofJob leaves out what stands in the small workshop's book anyway.
func ofJob(c Calendar, reference string) []CalendarEntry {
	return slices.DeleteFunc(c.Entries, func(e CalendarEntry) bool { return e.Reference != reference })
}
