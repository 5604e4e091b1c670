package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"go.uber.org/goleak"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is a day far from any clock change.
var noon = time.Date(2031, 5, 14, 12, 0, 0, 0, time.UTC)

// withSite opens a store that has the site "north" with two bays, a tool and a
// technician.
func withSite(t *testing.T) *Store {
	t.Helper()
	s, _ := withSiteOn(t)
	return s
}

// withSiteOn gives the database besides.
func withSiteOn(t *testing.T) (*Store, *pgtest.DB) {
	t.Helper()
	db := pgtest.New(t)
	s, err := Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	req := request("make the site")
	req.NewSite = true
	_, err = Act(t.Context(), s, req, func(ctx context.Context, tx *Tx) (int, error) {
		return 0, errors.Join(
			tx.PutSite(ctx, site.Site{ID: "north", Name: "North", TimeZone: "Europe/Lisbon"}),
			tx.PutBay(ctx, site.Bay{ID: "bay-1", Name: "Bay 1", Features: []string{"two-post-lift"}, Closures: []site.Closure{
				{During: hours.Range{Start: noon, End: noon.Add(time.Hour)}, Reason: "floor paint"},
			}}),
			tx.PutBay(ctx, site.Bay{ID: "bay-2", Name: "Bay 2"}),
			tx.PutToolType(ctx, site.ToolType{ID: "wrench", Name: "Wrench", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 100, Calibrated: true}),
			tx.PutTool(ctx, site.Tool{Tag: "TW-1", Type: "wrench", Condition: site.Serviceable, CalibratedUntil: noon, Home: "wall"}),
			tx.PutTechnician(ctx, site.Technician{
				ID: "ada", Name: "Ada", Skills: []string{"timing"},
				Shifts: hours.Pattern{
					Week:       [7][]hours.Stretch{time.Monday: {{Start: 480, End: 720}}},
					Exceptions: map[hours.Date][]hours.Stretch{{Year: 2031, Month: 5, Day: 15}: {{Start: 600, End: 660}}},
				},
			}),
		)
	})
	if err != nil {
		t.Fatal(err)
	}
	return s, db
}

func request(what string) Request {
	return Request{Site: "north", ID: uuid.New(), Method: what, Actor: "test", Now: noon}
}

func bay(n int) Ref { return Ref{site.KindBay, fmt.Sprintf("bay-%d", n)} }

func claim(ref Ref, start time.Time, length time.Duration) site.Booking {
	return site.Booking{Kind: ref.Kind, Resource: ref.ID, During: hours.Range{Start: start, End: start.Add(length)}}
}

// book books in one act, as the workshop does.
func book(ctx context.Context, s *Store, req Request, job site.Job, bookings ...site.Booking) (site.Job, error) {
	job.Planned = bookings[0].During
	return Act(ctx, s, req, func(ctx context.Context, tx *Tx) (site.Job, error) {
		if err := tx.Lapse(ctx, RefsOf(bookings)); err != nil {
			return job, err
		}
		if err := tx.Claim(ctx, bookings); err != nil {
			return job, err
		}
		made, _, err := tx.Book(ctx, job, false, bookings)
		tx.Log(Event{Kind: "job.booked", Subject: "test"})
		return made, err
	})
}

func view[T any](t *testing.T, s *Store, fn func(context.Context, Reader) (T, error)) T {
	t.Helper()
	var out T
	err := s.View(t.Context(), "north", func(ctx context.Context, r Reader) error {
		var err error
		out, err = fn(ctx, r)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestWhatIsWrittenIsRead(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	technician := view(t, s, func(ctx context.Context, r Reader) (site.Technician, error) { return r.Technician(ctx, "ada") })
	want := site.Technician{
		ID: "ada", Name: "Ada", Skills: []string{"timing"}, Absences: []site.Closure{},
		Shifts: hours.Pattern{
			Week:       [7][]hours.Stretch{time.Monday: {{Start: 480, End: 720}}},
			Exceptions: map[hours.Date][]hours.Stretch{{Year: 2031, Month: 5, Day: 15}: {{Start: 600, End: 660}}},
		},
	}
	if diff := cmp.Diff(want, technician); diff != "" {
		t.Errorf("technician (-want +got):\n%s", diff)
	}
	b := view(t, s, func(ctx context.Context, r Reader) (site.Bay, error) { return r.Bay(ctx, "bay-1") })
	if len(b.Closures) != 1 || b.Closures[0].Reason != "floor paint" || !b.Closures[0].During.Start.Equal(noon) {
		t.Errorf("closures of bay-1 = %+v", b.Closures)
	}
	tool := view(t, s, func(ctx context.Context, r Reader) (site.Tool, error) { return r.Tool(ctx, "TW-1") })
	if diff := cmp.Diff(site.Tool{Tag: "TW-1", Type: "wrench", Condition: site.Serviceable, CalibratedUntil: noon, Home: "wall"}, tool); diff != "" {
		t.Errorf("tool (-want +got):\n%s", diff)
	}
}

func TestOverlapIsRefusedWithTheWinner(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	first, err := book(t.Context(), s, request("first"), site.Job{Reference: "A-1", State: site.Confirmed}, claim(bay(1), noon, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	_, err = book(t.Context(), s, request("second"), site.Job{Reference: "A-2", State: site.Confirmed},
		claim(bay(2), noon, time.Hour), claim(bay(1), noon.Add(59*time.Minute), time.Hour))
	f := fault.Fault(err)
	if f == nil || f.Kind != fault.LostRace || len(f.Held) != 1 {
		t.Fatalf("overlapping booking: %v", err)
	}
	if got := f.Held[0]; got.Reference != "A-1" || got.Job != fmt.Sprintf("jobs/%d", first.ID) || got.Resource != "bays/bay-1" || !got.Start.Equal(noon) {
		t.Errorf("winner = %+v", got)
	}
	// Nothing of the loser was written, and what only touches is free.
	list := view(t, s, func(ctx context.Context, r Reader) ([]site.Booking, error) {
		return r.Bookings(ctx, BookingFilter{Now: noon, All: true})
	})
	if len(list) != 1 {
		t.Errorf("%d bookings stand, want 1", len(list))
	}
	if _, err := book(t.Context(), s, request("third"), site.Job{Reference: "A-3", State: site.Confirmed},
		claim(bay(1), noon.Add(time.Hour), time.Hour)); err != nil {
		t.Errorf("a booking that touches another: %v", err)
	}
}

func TestConstraintIsTheJudge(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	if _, err := book(t.Context(), s, request("first"), site.Job{Reference: "A-1", State: site.Confirmed}, claim(bay(1), noon, time.Hour)); err != nil {
		t.Fatal(err)
	}
	_, err := s.pool.Exec(t.Context(), `
		INSERT INTO booking (site_id, job_id, resource_id, during, state, steps)
		SELECT site_id, job_id, resource_id, during, 'CONFIRMED', '{}' FROM booking`)
	if sqlstate(err) != stateExclusion {
		t.Errorf("a second booking by plain SQL: %v, want SQLSTATE %s", err, stateExclusion)
	}
}

func TestRepeatAnswersTheFirst(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	req := request("book")
	job := site.Job{Reference: "A-1", State: site.Confirmed}
	first, err := book(t.Context(), s, req, job, claim(bay(1), noon, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	again, err := book(t.Context(), s, req, job, claim(bay(1), noon, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again); diff != "" {
		t.Errorf("answer to a repeat (-first +repeat):\n%s", diff)
	}
	other := req
	other.Content[0]++
	if _, err := book(t.Context(), s, other, job, claim(bay(2), noon, time.Hour)); fault.KindOf(err) != fault.Invalid {
		t.Errorf("the same id for something else: %v", err)
	}
	if rev := view(t, s, func(ctx context.Context, r Reader) (site.Site, error) { return r.Site(ctx) }).Revision; rev != 1 {
		t.Errorf("revision %d, want 1: one act was logged", rev)
	}
}

func TestEqualRequestsAtOnceAreOne(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	req := request("book")
	var wg sync.WaitGroup
	jobs := make([]int64, 8)
	for i := range jobs {
		wg.Go(func() {
			job, err := book(t.Context(), s, req, site.Job{Reference: "A-1", State: site.Confirmed}, claim(bay(1), noon, time.Hour))
			if err != nil {
				t.Errorf("call %d: %v", i, err)
			}
			jobs[i] = job.ID
		})
	}
	wg.Wait()
	for _, id := range jobs {
		if id != jobs[0] {
			t.Fatalf("jobs %v, want all the same", jobs)
		}
	}
}

func TestLapsedHoldGivesWay(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	job := site.Job{Reference: "A-1", State: site.Tentative, ExpiresAt: noon.Add(time.Minute)}
	held, err := book(t.Context(), s, request("hold"), job, claim(bay(1), noon, time.Hour), claim(bay(2), noon, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	early := request("too early")
	if _, err := book(t.Context(), s, early, site.Job{Reference: "A-2", State: site.Confirmed}, claim(bay(1), noon, time.Hour)); fault.KindOf(err) != fault.LostRace {
		t.Fatalf("before it lapses: %v", err)
	}
	late := request("after")
	late.Now = noon.Add(time.Minute)
	if _, err := book(t.Context(), s, late, site.Job{Reference: "A-2", State: site.Confirmed}, claim(bay(1), noon, time.Hour)); err != nil {
		t.Fatalf("once it has lapsed: %v", err)
	}
	got := view(t, s, func(ctx context.Context, r Reader) (site.Job, error) { return r.Job(ctx, held.ID, late.Now) })
	if got.State != site.Cancelled {
		t.Errorf("the lapsed job is %s", got.State)
	}
	left := view(t, s, func(ctx context.Context, r Reader) ([]site.Booking, error) {
		return r.Bookings(ctx, BookingFilter{Now: late.Now, Job: held.ID})
	})
	if len(left) != 0 {
		t.Errorf("the lapsed job still holds %+v", left)
	}
}

// TestFightsEndWithoutDeadlock lets workers take the same resources in
// different orders. Without the row locks a good part of them would end in
// SQLSTATE 40P01, each after deadlock_timeout.
func TestFightsEndWithoutDeadlock(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	var wg sync.WaitGroup
	const workers, rounds = 8, 25
	wins := make([][]int, workers)
	for w := range workers {
		wg.Go(func() {
			for n := range rounds {
				at := noon.Add(time.Duration(n) * time.Hour)
				order := []site.Booking{claim(bay(1), at, time.Hour), claim(bay(2), at, time.Hour), claim(Ref{site.KindTool, "TW-1"}, at, time.Hour)}
				if w%2 == 1 {
					order[0], order[2] = order[2], order[0]
				}
				_, err := book(t.Context(), s, request("fight"), site.Job{Reference: fmt.Sprint(w), State: site.Confirmed}, order...)
				switch f := fault.Fault(err); {
				case err == nil:
					wins[w] = append(wins[w], n)
				case f == nil || f.Reason != "BOOKED":
					t.Errorf("worker %d, round %d: %v", w, n, err)
				}
			}
		})
	}
	wg.Wait()
	won := map[int]int{}
	for _, rounds := range wins {
		for _, n := range rounds {
			won[n]++
		}
	}
	for n := range rounds {
		if won[n] != 1 {
			t.Errorf("round %d was won %d times", n, won[n])
		}
	}
}

func TestUnknownCommitIsLookedUp(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	req := request("book")
	if err := s.settle(t.Context(), req, io.ErrUnexpectedEOF); fault.Fault(err) == nil || fault.Fault(err).Reason != "NOT_WRITTEN" {
		t.Errorf("a commit that never arrived: %v", err)
	}
	if _, err := book(t.Context(), s, req, site.Job{Reference: "A-1", State: site.Confirmed}, claim(bay(1), noon, time.Hour)); err != nil {
		t.Fatal(err)
	}
	if err := s.settle(t.Context(), req, io.ErrUnexpectedEOF); err != nil {
		t.Errorf("a commit whose answer was lost: %v", err)
	}
}

func TestNoSuchSite(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	err := s.View(t.Context(), "south", func(context.Context, Reader) error { return nil })
	if fault.KindOf(err) != fault.NotFound {
		t.Errorf("reading: %v", err)
	}
	req := request("book")
	req.Site = "south"
	if _, err := book(t.Context(), s, req, site.Job{}, claim(bay(1), noon, time.Hour)); fault.KindOf(err) != fault.NotFound {
		t.Errorf("booking: %v", err)
	}
}

// TestPagesOfALongTime walks lists by start in pages of every size, and holds them
// against the whole, which is asked for in another way.
func TestPagesOfALongTime(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	refs := []Ref{bay(1), bay(2), {site.KindTool, "TW-1"}}
	for n := range 12 { // each three hours long; two begin together, the third an hour later
		start := noon.Add(time.Duration(n/3*3+n%3/2) * time.Hour)
		job := site.Job{Reference: fmt.Sprint(n), State: site.Confirmed}
		if n == 4 {
			job.State, job.ExpiresAt = site.Tentative, noon.Add(time.Minute)
		}
		if _, err := book(t.Context(), s, request("book"), job, claim(refs[n%3], start, 3*time.Hour)); err != nil {
			t.Fatal(n, err)
		}
	}
	now := noon.Add(time.Hour)
	for _, during := range []hours.Range{
		{Start: noon.Add(-time.Hour), End: noon.AddDate(0, 0, 1)},
		{Start: noon.Add(2 * time.Hour), End: noon.Add(9 * time.Hour)},
		{Start: noon.Add(4 * time.Hour), End: noon.Add(8 * time.Hour)},
	} {
		for _, all := range []bool{false, true} {
			whole := view(t, s, func(ctx context.Context, r Reader) ([]site.Booking, error) {
				return r.Bookings(ctx, BookingFilter{Now: now, During: during, All: all})
			})
			jobs := view(t, s, func(ctx context.Context, r Reader) ([]site.Job, error) {
				return r.Jobs(ctx, JobFilter{Now: now, During: during, All: all})
			})
			if len(whole) < 4 || len(jobs) != len(whole) {
				t.Fatalf("%d bookings and %d jobs", len(whole), len(jobs))
			}
			for limit := 1; limit <= len(whole)+1; limit++ {
				var paged []site.Booking
				for f := (BookingFilter{Now: now, During: during, All: all, Limit: limit}); ; {
					page := view(t, s, func(ctx context.Context, r Reader) ([]site.Booking, error) { return r.Bookings(ctx, f) })
					paged = append(paged, page...)
					if len(page) < limit {
						break
					}
					f.AfterStart, f.AfterID = page[limit-1].During.Start, page[limit-1].ID
				}
				if diff := cmp.Diff(whole, paged); diff != "" {
					t.Errorf("bookings by %d, all %t (-whole +paged):\n%s", limit, all, diff)
				}
				var pagedJobs []site.Job
				for f := (JobFilter{Now: now, During: during, All: all, Limit: limit}); ; {
					page := view(t, s, func(ctx context.Context, r Reader) ([]site.Job, error) { return r.Jobs(ctx, f) })
					pagedJobs = append(pagedJobs, page...)
					if len(page) < limit {
						break
					}
					f.AfterStart, f.AfterID = page[limit-1].Planned.Start, page[limit-1].ID
				}
				if diff := cmp.Diff(jobs, pagedJobs); diff != "" {
					t.Errorf("jobs by %d, all %t (-whole +paged):\n%s", limit, all, diff)
				}
			}
		}
	}
}
