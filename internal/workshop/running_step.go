package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// StepRecord asks for something to be recorded of a step.
type StepRecord struct {
	Job  int64
	Step string // its id, or enough of it
	Told
	// Override says why a manager lets pass what stands against it; empty: no.
	Override string
}

// Recorded is what became of a step.
type Recorded struct {
	Job   site.Job
	Step  string // its whole id
	Title string
	State running.State
	// Unsigned is how many signatures it lacks.
	Unsigned int
	// Overridden are the reasons that a manager let pass.
	Overridden []running.Blocker
	// Freed are the bookings that ended earlier than they were written.
	Freed []site.Booking
	// Late is how many minutes after its planned end it was finished; negative
	// if before.
	Late int
	// Next are the steps that can be begun now, in order.
	Next []string
}

// record runs one act on a step: everything of the job is locked, the step is
// found, fn judges and writes.
func (w *Workshop) record(ctx context.Context, act Act, q *StepRecord, fn func(context.Context, *store.Tx, *bench, string) (Recorded, error)) (Recorded, error) {
	if err := q.check(act, w.Now()); err != nil {
		return Recorded{}, err
	}
	var fs fault.Fields
	checkText(&fs, "override_reason", q.Override, false)
	if err := fs.Err("REASON", "the reason cannot be kept"); err != nil {
		return Recorded{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Recorded, error) {
		var more []Ref
		if q.Technician != "" {
			more = []Ref{{Kind: site.KindTechnician, ID: q.Technician}}
		}
		jobs, err := tx.LockJobs(ctx, []int64{q.Job}, more)
		if err != nil {
			return Recorded{}, err
		}
		b, err := w.bench(ctx, tx.Reader, jobs[0], tx.Now())
		if err != nil {
			return Recorded{}, err
		}
		step, err := b.step(q.Step)
		if err != nil {
			return Recorded{}, err
		}
		out, err := fn(ctx, tx, b, step)
		if err != nil {
			return out, err
		}
		return b.recorded(out, step, tx.Now()), nil
	})
}

// recorded fills in how the step stands after an act.
func (b *bench) recorded(out Recorded, step string, now time.Time) Recorded {
	out.Job, out.Step, out.State, out.Unsigned = b.job, step, b.State(step), b.Unsigned(step)
	if i := b.Index(step); i >= 0 {
		out.Title = b.Network.Steps[i].Step.Title
	}
	out.Next = b.Next(now)
	return out
}

// pass lets an act through, or refuses it with every reason. With a manager's
// reason what may be let pass is, and is recorded.
func (b *bench) pass(ctx context.Context, tx *store.Tx, act Act, q *StepRecord, step string, run int, what running.Act, against []running.Blocker) error {
	verb := map[running.Act]string{running.Start: "begin", running.Finish: "be finished"}[what]
	refused := refusal(fmt.Sprintf("%s of job %d cannot %s", step, b.job.ID, verb), against)
	if refused == nil || q.Override == "" {
		return refused
	}
	if err := managed(act, "let this pass"); err != nil {
		return err
	}
	if slices.ContainsFunc(against, running.Blocker.Final) {
		final := slices.DeleteFunc(slices.Clone(against), func(v running.Blocker) bool { return !v.Final() })
		return refusal(fmt.Sprintf("%s of job %d cannot %s, and no manager's word changes that", step, b.job.ID, verb), final)
	}
	o := running.Override{Act: what, Against: against}
	o.Entry = running.Entry{Step: step, Run: run, At: q.At, Actor: act.Caller.User, Note: q.Override}
	b.Record.Overrides = append(b.Record.Overrides, o)
	return tx.AddOverride(ctx, b.job.ID, o)
}

// event records an event of a step.
func (b *bench) event(ctx context.Context, tx *store.Tx, act Act, q *StepRecord, step string, run int, what running.Act) error {
	place := b.place(step)
	e, err := tx.AddStepEvent(ctx, b.job.ID, running.Event{
		Entry: q.entry(act, step, run), Act: what, PlannedStart: place.Start, PlannedEnd: place.End,
	})
	was := b.State(step)
	b.Record.Events = append(b.Record.Events, e)
	b.tell("State", was, b.State(step))
	return err
}

// StartStep begins a step, or goes on with one that is paused. Precondition with
// each reason that stands against it.
func (w *Workshop) StartStep(ctx context.Context, act Act, q StepRecord) (Recorded, error) {
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		var out Recorded
		what, run := running.Start, b.Run(step)
		switch b.State(step) {
		case running.Paused:
			what = running.Resume
		case running.Finished:
			run++
		}
		if err := b.inOrder(step, q.At); err != nil {
			return out, err
		}
		against := b.MayStart(step, q.Technician, q.At, b.scene)
		if err := b.pass(ctx, tx, act, &q, step, run, running.Start, against); err != nil {
			return out, err
		}
		out.Overridden = against
		if err := b.event(ctx, tx, act, &q, step, run, what); err != nil {
			return out, err
		}
		if what == running.Start {
			place := b.place(step)
			begun := hours.Range{Start: q.At.Truncate(time.Minute), End: place.End}
			if !begun.End.After(begun.Start) {
				begun.End = begun.Start.Add(time.Minute)
			}
			if err := b.move(ctx, tx, step, begun); err != nil {
				return out, err
			}
		}
		kind := map[running.Act]string{running.Start: "step.started", running.Resume: "step.resumed"}[what]
		b.log(tx, kind, touching(q.Technician, b.scene.Booked[step]...), map[string]any{
			"step": step, "technician": q.Technician, "at": q.At, "overridden": against, "reason": q.Override,
		})
		return out, nil
	})
}

// PauseStep interrupts a step.
func (w *Workshop) PauseStep(ctx context.Context, act Act, q StepRecord) (Recorded, error) {
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		if err := b.inOrder(step, q.At); err != nil {
			return Recorded{}, err
		}
		if err := refusal(fmt.Sprintf("%s of job %d cannot be paused", step, b.job.ID), b.MayPause(step)); err != nil {
			return Recorded{}, err
		}
		if err := b.event(ctx, tx, act, &q, step, b.Run(step), running.Pause); err != nil {
			return Recorded{}, err
		}
		b.log(tx, "step.paused", touching(q.Technician), map[string]any{"step": step, "technician": q.Technician, "at": q.At, "note": q.Note})
		return Recorded{}, nil
	})
}

// FinishStep ends a step and frees at once those whom nothing else of the job
// needs any more. Precondition with each reason that stands against it.
func (w *Workshop) FinishStep(ctx context.Context, act Act, q StepRecord) (Recorded, error) {
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		var out Recorded
		if err := b.inOrder(step, q.At); err != nil {
			return out, err
		}
		run, place := b.Run(step), b.place(step)
		against := b.MayFinish(step)
		if err := b.pass(ctx, tx, act, &q, step, run, running.Finish, against); err != nil {
			return out, err
		}
		out.Overridden = against
		if err := b.event(ctx, tx, act, &q, step, run, running.Finish); err != nil {
			return out, err
		}
		out.Late = int(q.At.Sub(place.End) / time.Minute)
		if err := b.move(ctx, tx, step, b.actual(step)); err != nil {
			return out, err
		}
		var err error
		if out.Freed, err = b.free(ctx, tx); err != nil {
			return out, err
		}
		b.log(tx, "step.finished", append(touching(q.Technician, b.scene.Booked[step]...), freedNames(out.Freed)...), map[string]any{
			"step": step, "technician": q.Technician, "at": q.At, "overridden": against, "reason": q.Override,
			"late_minutes": out.Late,
		})
		return out, nil
	})
}

// actual is when a step really was, in whole minutes.
func (b *bench) actual(step string) hours.Range {
	c := b.Course(step)
	out := hours.Range{Start: c.Start.Truncate(time.Minute), End: minuteUp(c.Finish)}
	if !out.End.After(out.Start) {
		out.End = out.Start.Add(time.Minute)
	}
	return out
}

func freedNames(list []site.Booking) []string {
	var out []string
	for _, b := range list {
		out = append(out, store.ResourceSubject(b.Kind, b.Resource))
	}
	return out
}

// free ends the bookings of people and tools all of whose steps are over: those
// that have begun are cut to this minute, those to come are given up.
func (b *bench) free(ctx context.Context, tx *store.Tx) ([]site.Booking, error) {
	over := func(step string) bool {
		state := b.State(step)
		return state == running.Finished || state == running.Waived
	}
	return b.cut(ctx, tx, func(k site.Booking) bool {
		return k.Kind != site.KindBay && len(k.Steps) > 0 && !slices.ContainsFunc(k.Steps, func(s string) bool { return !over(s) })
	})
}

// cut ends now the bookings of the job that are chosen.
func (b *bench) cut(ctx context.Context, tx *store.Tx, chosen func(site.Booking) bool) ([]site.Booking, error) {
	end := minuteUp(tx.Now())
	var freed []site.Booking
	for i, k := range b.bookings {
		if !chosen(k) || !k.During.End.After(end) {
			continue
		}
		freed = append(freed, k) // as it was
		name := fmt.Sprintf("Bookings[%d %s]", k.ID, store.ResourceSubject(k.Kind, k.Resource))
		b.tell(name, k.During, nil)
		if !k.During.Start.Before(end) {
			if err := tx.Vacate(ctx, []site.Booking{k}); err != nil {
				return nil, err
			}
			continue
		}
		if err := tx.CutBooking(ctx, k.ID, end); err != nil {
			return nil, err
		}
		b.bookings[i].During.End = end
		b.tell(name, k.During, b.bookings[i].During)
	}
	return freed, nil
}

// SignStep signs a step in a technician's own name.
func (w *Workshop) SignStep(ctx context.Context, act Act, q StepRecord) (Recorded, error) {
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		if q.Technician == "" {
			var fs fault.Fields
			fs.Add("technician", "is missing: whose signature is it?")
			return Recorded{}, fs.Err("SIGNATURE", "the step cannot be signed")
		}
		if err := b.inOrder(step, q.At); err != nil {
			return Recorded{}, err
		}
		if err := refusal(fmt.Sprintf("%s of job %d cannot be signed", step, b.job.ID), b.MaySign(step, q.Technician)); err != nil {
			return Recorded{}, err
		}
		s, err := tx.AddSignOff(ctx, b.job.ID, running.SignOff{Entry: q.entry(act, step, b.Run(step)), Seen: b.Newest(step)})
		b.Record.SignOffs = append(b.Record.SignOffs, s)
		b.log(tx, "step.signed", touching(q.Technician), map[string]any{"step": step, "technician": q.Technician, "at": q.At})
		return Recorded{}, err
	})
}

// WaiveStep records that a step is not done, for the reason in Note. Only a
// manager may.
func (w *Workshop) WaiveStep(ctx context.Context, act Act, q StepRecord) (Recorded, error) {
	var fs fault.Fields
	checkText(&fs, "reason", q.Note, true)
	if err := fs.Err("REASON", "a step is waived for a reason"); err != nil {
		return Recorded{}, err
	}
	if err := managed(act, "waive a step"); err != nil {
		return Recorded{}, err
	}
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		var out Recorded
		if err := refusal(fmt.Sprintf("%s of job %d cannot be waived", step, b.job.ID), b.MayWaive(step)); err != nil {
			return out, err
		}
		v := running.Waiver{Entry: running.Entry{Step: step, At: q.At, Actor: act.Caller.User, Note: q.Note}}
		if err := tx.AddWaiver(ctx, b.job.ID, v); err != nil {
			return out, err
		}
		was := b.State(step)
		b.Record.Waivers = append(b.Record.Waivers, v)
		b.tell("State", was, b.State(step))
		var err error
		if out.Freed, err = b.free(ctx, tx); err != nil {
			return out, err
		}
		b.log(tx, "step.waived", freedNames(out.Freed), map[string]any{"step": step, "at": q.At, "reason": q.Note})
		return out, nil
	})
}

// ReportDelay records that a step takes so many working minutes longer, for the
// reason in Note. It moves nothing: ProposeRepair tells what it breaks.
func (w *Workshop) ReportDelay(ctx context.Context, act Act, q StepRecord, minutes int) (Recorded, error) {
	var fs fault.Fields
	checkText(&fs, "reason", q.Note, true)
	if minutes < 1 || minutes > maxOverrun {
		fs.Add("minutes", "must be 1 to %d", maxOverrun)
	}
	if err := fs.Err("DELAY", "the delay cannot be recorded"); err != nil {
		return Recorded{}, err
	}
	return w.record(ctx, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Recorded, error) {
		if state := b.State(step); state == running.Finished || state == running.Waived {
			return Recorded{}, fault.New(fault.Precondition, string(running.StepState), "%s of job %d is over: it takes no longer", step, b.job.ID)
		}
		b.log(tx, "step.delayed", touching(q.Technician), map[string]any{"step": step, "minutes": minutes, "at": q.At, "reason": q.Note})
		d := running.Delay{Entry: q.entry(act, step, b.Run(step)), Minutes: minutes}
		b.Record.Delays = append(b.Record.Delays, d)
		return Recorded{}, tx.AddDelay(ctx, b.job.ID, d)
	})
}

// CloseJob ends the record of a job, and frees its bay. Precondition with
// everything that is still open.
func (w *Workshop) CloseJob(ctx context.Context, act Act, id int64, told Told) (Recorded, error) {
	if told.Technician == "" {
		told.Technician = act.Caller.Technician
	}
	if act.Caller.Only(access.Technician) {
		return Recorded{}, managed(act, "close a job")
	}
	if err := told.check(act, w.Now()); err != nil {
		return Recorded{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Recorded, error) {
		var out Recorded
		job, err := tx.LockJob(ctx, id)
		if err != nil {
			return out, err
		}
		b, err := w.bench(ctx, tx.Reader, job, tx.Now())
		if err != nil {
			return out, err
		}
		if err := refusal(fmt.Sprintf("job %d cannot be closed", id), b.MayClose(b.scene)); err != nil {
			return out, err
		}
		c := running.Closing{Entry: running.Entry{At: told.At, Actor: act.Caller.User, Note: told.Note}}
		if err := tx.AddClosing(ctx, id, c); err != nil {
			return out, err
		}
		b.Record.Closing = &c
		if out.Freed, err = b.cut(ctx, tx, func(site.Booking) bool { return true }); err != nil {
			return out, err
		}
		if err := b.handBack(ctx, tx); err != nil {
			return out, err
		}
		b.log(tx, "job.closed", freedNames(out.Freed), map[string]any{"at": told.At, "note": told.Note})
		out.Job = b.job
		return out, nil
	})
}

// handBack lets a closed job end now, if it was planned to end later.
func (b *bench) handBack(ctx context.Context, tx *store.Tx) error {
	end := minuteUp(tx.Now())
	for _, s := range b.job.Steps {
		if s.During.End.After(end) && b.State(s.ID) != running.Waived {
			end = s.During.End
		}
	}
	if !end.Before(b.job.Planned.End) || !end.After(b.job.Planned.Start) {
		return nil
	}
	was := b.job.Planned
	b.job.Planned.End = end
	b.tell("Planned", was, b.job.Planned)
	return tx.SetPlaces(ctx, b.job.ID, b.job.Planned, b.job.Steps)
}
