package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// ToolReturn brings a tool back.
type ToolReturn struct {
	Tool         string // asset tag
	Counted      []site.CountedPiece
	RestComplete bool   // what is not in Counted is there and fit
	Damage       string // what is wrong with the tool itself; empty if nothing
	Done         bool   // the work with it is done, whatever the plan says
	Note         string
}

// ReturnedTool is a tool that came back.
type ReturnedTool struct {
	Issue     site.Issue
	Tool      site.Tool
	Affected  []site.Booking // standing ones that the tool cannot serve as it is now
	Freed     *site.Booking  // as it is now; nil: none ends earlier
	FreedTo   time.Time      // when it would have ended
	StandsFor *site.Booking  // that holds the tool still; nil: none
	Warnings  []string
}

// ReturnTool takes a tool back and counts its pieces. Precondition, NOT_ISSUED,
// if nobody has it; Invalid, PIECES, if they cannot have been counted so;
// Forbidden in another's name.
func (w *Workshop) ReturnTool(ctx context.Context, act Act, v ToolReturn) (ReturnedTool, error) {
	var fs fault.Fields
	checkNote(&fs, "damage", v.Damage)
	checkNote(&fs, "note", v.Note)
	if err := fs.Err("RETURN", "the tool cannot be taken back so"); err != nil {
		return ReturnedTool{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (ReturnedTool, error) {
		var out ReturnedTool
		if err := tx.Lock(ctx, []Ref{{Kind: site.KindTool, ID: v.Tool}}); err != nil {
			return out, err
		}
		held, isOut, err := tx.OpenIssue(ctx, v.Tool)
		if err != nil {
			return out, err
		}
		if !isOut {
			return out, notOut(ctx, tx, v.Tool)
		}
		if err := access.OwnName(act.Caller, held.Technician); err != nil {
			return out, err
		}
		tool, err := tx.Tool(ctx, v.Tool)
		if err != nil {
			return out, err
		}
		kind, err := tx.ToolType(ctx, tool.Type)
		if err != nil {
			return out, err
		}
		missing, damaged, err := tooling.Count(kind.Pieces, v.Counted, v.RestComplete)
		if err != nil {
			return out, err
		}
		had := held
		held.Outcome, held.Note = site.Returned, joined(held.Note, v.Note)
		held.Counted = counted(kind.Pieces, missing, damaged)
		if out.Issue, err = tx.CloseIssue(ctx, held); err != nil {
			return out, err
		}
		if err := out.free(ctx, tx, held, v.Done); err != nil {
			return out, err
		}
		if err := w.found(ctx, tx, &out, tool, kind, missing, damaged, v.Damage); err != nil {
			return out, err
		}
		touched := []string{"technicians/" + held.Technician}
		if held.Job != 0 {
			touched = append(touched, fmt.Sprintf("jobs/%d", held.Job))
		}
		event := changed("tool.returned", "tools/"+v.Tool, had, out.Issue)
		event.Touched = touched
		tx.Log(event)
		return out, nil
	})
}

func joined(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// counted is a count as it is kept: every piece of the set.
func counted(set, missing, damaged []site.Piece) []site.CountedPiece {
	of := func(list []site.Piece, name string) int {
		for _, p := range list {
			if p.Name == name {
				return p.Count
			}
		}
		return 0
	}
	var out []site.CountedPiece
	for _, p := range set {
		out = append(out, site.CountedPiece{Name: p.Name, Count: p.Count - of(missing, p.Name), Damaged: of(damaged, p.Name)})
	}
	return out
}

// found writes how the tool came back, and what that breaks.
func (w *Workshop) found(ctx context.Context, tx *store.Tx, out *ReturnedTool, tool site.Tool, kind site.ToolType,
	missing, damaged []site.Piece, damage string,
) error {
	before := tool
	tool.Missing, tool.Damaged = missing, damaged
	why := joined(tooling.Lacking(missing, damaged), damage)
	if why != "" && tool.Condition == site.Serviceable {
		tool.Condition, tool.ConditionNote, tool.ConditionUntil = site.Unserviceable, why, time.Time{}
	}
	if tool.Condition != site.Serviceable && tool.Condition != site.Unserviceable {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%s came back and is still written down as %s: an administrator decides what it is", tool.Tag, tool.Condition))
	}
	out.Tool = tool
	if !same(before, tool) {
		tx.Log(changed("tool.changed", "tools/"+tool.Tag, before, tool))
		if err := tx.PutTool(ctx, tool); err != nil {
			return err
		}
	}
	if kind.Calibrated && (damage != "" || len(damaged) > 0) {
		// What was damaged is out of calibration, by the rule for that.
		e := ToolEvent{Tool: tool.Tag, Note: why, Event: calibration.Event{At: tx.Now().Truncate(time.Minute), Kind: calibration.Damage}}
		if err := tx.AddToolEvent(ctx, e); err != nil {
			return err
		}
		stands, err := w.recalibrate(ctx, tx, tool, kind, &e.Event)
		out.Tool, out.Affected = stands.Tool, stands.Affected
		return err
	}
	if why == "" {
		return nil
	}
	var err error
	out.Affected, err = unserved(ctx, tx.Reader, tx.Now(), tool, kind)
	return err
}

// release is a booking that ends earlier than it was written.
type release struct {
	booking *site.Booking // as it is now; nil: none
	end     time.Time     // when it would have ended
	stands  *site.Booking // that holds the tool still; nil: none
}

// free ends the booking that a tool was out for, as far as the return allows.
func (out *ReturnedTool) free(ctx context.Context, tx *store.Tx, held site.Issue, done bool) error {
	r, err := freeBooking(ctx, tx, held, done)
	out.Freed, out.FreedTo, out.StandsFor = r.booking, r.end, r.stands
	return err
}

// free does the same for a tool that is passed on, and sees to what the counter
// knows of its bookings.
func (c *counter) free(ctx context.Context, held site.Issue, done bool) (release, error) {
	if !done {
		return release{}, nil
	}
	r, err := freeBooking(ctx, c.tx, held, true)
	if r.booking != nil {
		c.bookings[held.Tool] = slices.DeleteFunc(slices.Clone(c.bookings[held.Tool]), func(b site.Booking) bool {
			return b.ID == r.booking.ID && !r.booking.During.End.After(c.tx.Now().Add(time.Minute))
		})
	}
	return r, err
}

// freeBooking cuts the booking of an issue that ends.
func freeBooking(ctx context.Context, tx *store.Tx, held site.Issue, done bool) (release, error) {
	var out release
	if held.Booking == 0 {
		return out, nil // there is none, or it was cancelled meanwhile
	}
	list, err := tx.Bookings(ctx, store.BookingFilter{Now: tx.Now(), ID: held.Booking})
	if err != nil || len(list) == 0 {
		return out, err
	}
	b := list[0]
	job, err := tx.Job(ctx, b.Job, tx.Now())
	if err != nil {
		return out, err
	}
	open, begun, err := openSteps(ctx, tx, job, b)
	if err != nil {
		return out, err
	}
	done = done || len(b.Steps) > 0 && len(open) == 0
	cut := tooling.FreedFrom(b, open, begun, done, tx.Now())
	if cut.IsZero() {
		if b.During.End.After(tx.Now()) {
			out.stands = &b
		}
		return out, nil
	}
	out.end = b.During.End
	b.During.End = cut
	out.booking = &b
	if cut.After(tx.Now().Add(time.Minute)) {
		out.stands = &b
	}
	tx.Log(store.Event{
		Kind: "booking.ended", Subject: fmt.Sprintf("bookings/%d", b.ID), Touched: store.Touching(b.Job, b),
		Details: map[string]any{"reference": b.Reference, "before": map[string]any{"End": out.end}, "after": map[string]any{"End": cut}},
	})
	return out, tx.CutBooking(ctx, b.ID, cut)
}

// openSteps gives the steps that a booking serves and that are not recorded as
// finished, and the ids of those that have begun.
func openSteps(ctx context.Context, tx *store.Tx, job site.Job, b site.Booking) (open []site.JobStep, begun []string, err error) {
	events, err := tx.StepEvents(ctx, []int64{job.ID})
	if err != nil {
		return nil, nil, err
	}
	last := map[string]int{} // run of each step
	for _, e := range events {
		last[e.Step] = max(last[e.Step], e.Run)
	}
	for _, s := range job.Steps {
		if !slices.Contains(b.Steps, s.ID) {
			continue
		}
		course := running.CourseOf(events, s.ID, last[s.ID])
		if !course.Start.IsZero() && !course.Finish.IsZero() {
			continue
		}
		open = append(open, s)
		if !course.Start.IsZero() {
			begun = append(begun, s.ID)
		}
	}
	return open, begun, nil
}
