package store

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/running"
	"bayhold/internal/site"
)

func TestARecordIsReadAsItWasWritten(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	job, err := book(t.Context(), s, request("book"), firm("W-1"), claim(bay(1), noon.Add(2*time.Hour), time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	later := noon.Add(-3 * time.Minute)
	entry := func(who string) running.Entry {
		return running.Entry{Step: "chain/renew", Run: 1, Technician: who, At: later, RecordedAt: noon, Actor: "test"}
	}
	wanted, low, high := 50.0, 48.0, 52.0
	want := running.Record{
		Events: []running.Event{
			{Entry: entry("ada"), Act: running.Start, PlannedStart: noon, PlannedEnd: noon.Add(time.Hour)},
			{Entry: entry(""), Act: running.Finish, PlannedStart: noon, PlannedEnd: noon.Add(time.Hour)},
		},
		SignOffs: []running.SignOff{{Entry: entry("ada"), Seen: 7}},
		Readings: []running.Reading{
			{Entry: entry("ada"), Kind: running.Torque, Fastener: 1, Stage: 1, Attempt: 1, Unit: "N·m", Value: 55, Wanted: &wanted,
				Low: &low, High: &high, Tolerance: 0.04, Set: 49, Ratio: 1.02, Joint: "Wheel", Tool: "TW-1",
				Certificate: "HM-1", CalibratedUntil: noon.Add(time.Hour)},
			{Entry: entry("ada"), Kind: running.Check, CheckID: "locks-free", Attempt: 1, Value: 1},
		},
		Parts:     []running.PartUsed{{Entry: entry("ada"), Part: "bolt", Quantity: 2, Fasteners: []int{1, 2}, Lot: "L7"}},
		Overrides: []running.Override{{Entry: entry(""), Act: running.Start, Against: []running.Blocker{{Kind: running.Before, Step: "x/y", Message: "no"}}}},
		Waivers:   []running.Waiver{{Entry: entry("")}},
		Delays:    []running.Delay{{Entry: entry("ada"), Minutes: 240}},
		Closing:   &running.Closing{Entry: running.Entry{At: later, RecordedAt: noon, Actor: "test", Note: "gone"}},
	}
	want.Waivers[0].Run, want.Delays[0].Run = 0, 0
	_, err = Act(t.Context(), s, request("record"), func(ctx context.Context, tx *Tx) (int, error) {
		var errs []error
		for i, e := range want.Events {
			var err error
			want.Events[i], err = tx.AddStepEvent(ctx, job.ID, e)
			errs = append(errs, err)
		}
		want.SignOffs[0], err = tx.AddSignOff(ctx, job.ID, want.SignOffs[0])
		errs = append(errs, err)
		want.Readings, err = tx.AddReadings(ctx, job.ID, want.Readings)
		errs = append(errs, err)
		want.Parts[0], err = tx.AddPart(ctx, job.ID, want.Parts[0])
		return 0, errors.Join(append(errs, err, tx.AddOverride(ctx, job.ID, want.Overrides[0]), tx.AddWaiver(ctx, job.ID, want.Waivers[0]),
			tx.AddDelay(ctx, job.ID, want.Delays[0]), tx.AddClosing(ctx, job.ID, *want.Closing))...)
	})
	if err != nil {
		t.Fatal(err)
	}
	got := view(t, s, func(ctx context.Context, r Reader) (running.Record, error) { return r.Record(ctx, job.ID) })
	got.Overrides[0].ID, got.Waivers[0].ID, got.Delays[0].ID = 0, 0, 0
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if !got.Readings[0].Outside() || got.Readings[1].Outside() {
		t.Error("55 of 48 to 52 is outside, yes is not")
	}
	correctOnce(t, s, job.ID, got.Readings[0])
}

// correctOnce corrects a reading, which the trace then no longer shows, and
// tries to correct it again.
func correctOnce(t *testing.T, s *Store, job int64, wrong running.Reading) {
	t.Helper()
	right := wrong
	right.Corrects, right.Value = wrong.ID, 50
	correct := func() error {
		_, err := Act(t.Context(), s, request("correct"), func(ctx context.Context, tx *Tx) (int, error) {
			_, err := tx.AddReadings(ctx, job, []running.Reading{right})
			return 0, err
		})
		return err
	}
	if err := correct(); err != nil {
		t.Fatal(err)
	}
	if err := correct(); fault.KindOf(err) != fault.Exists {
		t.Errorf("a second correction: %v", err)
	}
	trace := view(t, s, func(ctx context.Context, r Reader) ([]JobReading, error) {
		return r.Tightenings(ctx, "TW-1", wrong.At, wrong.At.Add(time.Second))
	})
	if len(trace) != 1 || trace[0].Value != 50 || trace[0].Job != job || trace[0].Reference != "W-1" {
		t.Errorf("the trace: %+v", trace)
	}
	if none := view(t, s, func(ctx context.Context, r Reader) ([]JobReading, error) {
		return r.Tightenings(ctx, "TW-1", wrong.At.Add(time.Second), noon)
	}); len(none) != 0 {
		t.Errorf("outside its time: %+v", none)
	}
}

func TestTheCourseOfAStepOverJobs(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	course := func(reference string, start time.Time, acts ...running.Act) int64 {
		job, err := book(t.Context(), s, request("book"), firm(reference), claim(bay(1), start, time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		_, err = Act(t.Context(), s, request("record"), func(ctx context.Context, tx *Tx) (int, error) {
			for i, a := range acts {
				e := running.Event{Act: a, PlannedStart: start, PlannedEnd: start.Add(time.Hour), Entry: running.Entry{
					Step: "chain/renew", Run: 1, Technician: "ada", At: start.Add(time.Duration(i) * time.Minute), Actor: "test",
				}}
				if _, err := tx.AddStepEvent(ctx, job.ID, e); err != nil {
					return 0, err
				}
			}
			return 0, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return job.ID
	}
	done := course("W-1", noon, running.Start, running.Pause, running.Resume, running.Finish)
	open := course("W-2", noon.Add(time.Hour), running.Start)
	course("W-3", noon.Add(48*time.Hour), running.Start, running.Finish)
	got := view(t, s, func(ctx context.Context, r Reader) ([]JobEvent, error) {
		return r.EventsOfStep(ctx, "chain/renew", noon, noon.Add(24*time.Hour))
	})
	if len(got) != 4 || got[0].Job != done || got[3].Act != running.Finish {
		t.Errorf("finished runs of the day: %+v", got)
	}
	of := view(t, s, func(ctx context.Context, r Reader) (map[int64][]running.Event, error) {
		return r.EventsOfJobs(ctx, []int64{done, open})
	})
	if len(of[done]) != 4 || len(of[open]) != 1 {
		t.Errorf("by job: %+v", of)
	}
	mine := view(t, s, func(ctx context.Context, r Reader) ([]JobEvent, error) {
		return r.EventsOfTechnician(ctx, "ada", noon.Add(time.Hour))
	})
	if len(mine) != 3 {
		t.Errorf("of a technician: %+v", mine)
	}
}

func TestARecordIsOnlyAddedTo(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	job, err := book(t.Context(), s, request("book"), firm("W-1"), claim(bay(1), noon, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{"UPDATE job_closing SET note = 'other'", "DELETE FROM job_closing"} {
		_, err := Act(t.Context(), s, request("change"), func(ctx context.Context, tx *Tx) (int, error) {
			if err := tx.AddClosing(ctx, job.ID, running.Closing{Entry: running.Entry{At: noon, Actor: "test"}}); err != nil {
				return 0, err
			}
			_, err := tx.tx.Exec(ctx, sql)
			return 0, err
		})
		if fault.KindOf(err) != fault.Internal {
			t.Errorf("%s: %v", sql, err)
		}
	}
}

func firm(reference string) site.Job { return site.Job{Reference: reference, State: site.Confirmed} }
