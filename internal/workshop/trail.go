package workshop

import (
	"context"
	"encoding/json"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/store"
	"bayhold/internal/trail"
)

// Pieces in which the trail is read, so that no call takes long and no picture
// of the database is held for long.
const (
	trailBatch = 500
	trailCall  = 10_000
	// maxKept bounds the checkpoints that one call holds the trail against.
	maxKept = 1000
)

// TrailCheck is what a look at a part of a site's trail found.
type TrailCheck struct {
	Verified    trail.Checkpoint // up to here the chain holds
	Head        trail.Checkpoint // where it ended when it was read
	SealedLater int64            // the last event that is older than its seal
	Break       *trail.Break     // nil: nothing is wrong so far
}

// Done tells whether there is nothing left to look at.
func (c TrailCheck) Done() bool { return c.Break != nil || c.Verified == c.Head }

// VerifyTrail follows a site's chain of events from a checkpoint that an earlier
// look came to, for ten thousand events, and holds it against checkpoints that
// were kept elsewhere.
func (w *Workshop) VerifyTrail(ctx context.Context, slug string, from trail.Checkpoint, kept []trail.Checkpoint) (TrailCheck, error) {
	if len(kept) > maxKept {
		var fs fault.Fields
		fs.Add("checkpoints", "must not be more than %d", maxKept)
		return TrailCheck{}, fs.Err("CHECKPOINT", "the trail cannot be held against so much at once")
	}
	out := TrailCheck{Verified: from}
	for read := 0; read < trailCall; read += trailBatch {
		if err := w.verifyMore(ctx, slug, kept, &out); err != nil || out.Done() {
			return out, err
		}
	}
	return out, nil
}

// verifyMore looks at one batch.
func (w *Workshop) verifyMore(ctx context.Context, slug string, kept []trail.Checkpoint, out *TrailCheck) error {
	return w.store.View(ctx, slug, func(ctx context.Context, r store.Reader) error {
		head, err := r.Head(ctx)
		if err != nil {
			return err
		}
		out.Head, out.SealedLater = head.Checkpoint, head.SealedLater
		rows, err := r.Trail(ctx, out.Verified.Revision, trailBatch)
		if err != nil {
			return err
		}
		from := out.Verified
		out.Verified = trail.Walk(from, rows)
		for _, k := range kept {
			if out.Break = trail.Against(k, from, out.Verified, rows); out.Break != nil {
				return nil
			}
		}
		walked := int(out.Verified.Revision - from.Revision)
		if walked == len(rows) && len(rows) == trailBatch {
			return nil // there may be more
		}
		if rows = rows[walked:]; len(rows) > 0 && len(rows) < trail.Window {
			if rows, err = r.Trail(ctx, out.Verified.Revision, trail.Window); err != nil {
				return err
			}
		}
		// The end missing is told as such if a checkpoint proves that there was more.
		for _, k := range kept {
			if len(rows) == 0 && out.Break == nil {
				out.Break = trail.Short(k, out.Verified)
			}
		}
		if out.Break == nil {
			out.Break = trail.Diagnose(out.Verified, rows, out.Head)
		}
		return nil
	})
}

// TrailFilter says which events to show.
type TrailFilter struct {
	Touching []string // only those that touch one of these, such as "jobs/12"
	User     string   // only those of this user
	From     time.Time
	Until    time.Time
	Before   int64 // only those before this revision; 0: from the newest on
	Limit    int
}

// TrailEvent is an event and what it changed.
type TrailEvent struct {
	store.LoggedEvent
	Changes []trail.Change
}

// ShowTrail reads events, the newest first.
func (w *Workshop) ShowTrail(ctx context.Context, slug string, f TrailFilter) ([]TrailEvent, error) {
	var fs fault.Fields
	checkText(&fs, "user", f.User, false)
	if !f.From.IsZero() && !f.Until.IsZero() && !f.From.Before(f.Until) {
		fs.Add("end_time", "must lie after start_time")
	}
	for path, t := range map[string]time.Time{"start_time": f.From, "end_time": f.Until} {
		if !t.IsZero() && (t.Year() < minYear || t.Year() > maxYear) {
			fs.Add(path, "lies in the year %d: give one between %d and %d", t.Year(), minYear, maxYear)
		}
	}
	if err := fs.Err("TRAIL", "the trail cannot be read so"); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]TrailEvent, error) {
		events, err := r.Events(ctx, store.EventFilter{
			Before: f.Before, Touching: f.Touching, Actor: f.User, From: f.From, Until: f.Until, Newest: true, Limit: f.Limit,
		})
		out := make([]TrailEvent, 0, len(events))
		for _, e := range events {
			var details any
			if err := json.Unmarshal(e.Details, &details); err != nil {
				return nil, err
			}
			out = append(out, TrailEvent{e, trail.Changes(details)})
		}
		return out, err
	})
}
