package workshop

import (
	"context"
	"fmt"

	"bayhold/internal/fault"
	"bayhold/internal/running"
	"bayhold/internal/store"
)

// maxReadings is how many readings one call may record.
const maxReadings = 2000

// Readings are readings as they were kept, with what the step still lacks.
type Readings struct {
	Step     string
	Readings []running.Reading
	// Lacking is what stands against finishing the step now.
	Lacking []running.Blocker
}

// recordOf runs one act on the readings or parts of a step: the job's record is
// locked, and nothing else.
func recordOf[T any](ctx context.Context, w *Workshop, act Act, q *StepRecord, fn func(context.Context, *store.Tx, *bench, string) (T, error)) (T, error) {
	var none T
	if err := q.check(act, w.Now()); err != nil {
		return none, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (T, error) {
		job, err := tx.LockRecord(ctx, q.Job)
		if err != nil {
			return none, err
		}
		b, err := w.bench(ctx, tx.Reader, job, tx.Now())
		if err != nil {
			return none, err
		}
		if _, known := b.scene.Technicians[q.Technician]; q.Technician != "" && !known {
			return none, fault.New(fault.NotFound, "NOT_FOUND", "the site has no technician %q: ask for the list to see who there is", q.Technician)
		}
		step, err := b.step(q.Step)
		if err != nil {
			return none, err
		}
		return fn(ctx, tx, b, step)
	})
}

// RecordReadings records what was measured at a step, all of it or nothing.
// Values outside their limits are kept and flagged. Invalid for what can never
// be a reading of the step; Precondition for a tool that does not cover it or is
// out of calibration, a stage that comes too early, a step that does not run.
func (w *Workshop) RecordReadings(ctx context.Context, act Act, q StepRecord, list []running.Measured) (Readings, error) {
	var fs fault.Fields
	if len(list) == 0 || len(list) > maxReadings {
		fs.Add("readings", "must be 1 to %d", maxReadings)
	}
	for i, m := range list {
		checkText(&fs, fmt.Sprintf("readings[%d].note", i), m.Note, false)
	}
	if err := fs.Err("READING", "the readings cannot be kept"); err != nil {
		return Readings{}, err
	}
	return recordOf(ctx, w, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Readings, error) {
		if err := refusal(fmt.Sprintf("nothing can be measured at %s of job %d", step, b.job.ID), b.MayRecord(step)); err != nil {
			return Readings{}, err
		}
		if err := b.inOrder(step, q.At); err != nil {
			return Readings{}, err
		}
		made := make([]running.Reading, 0, len(list))
		for i, m := range list {
			r, err := b.Judge(step, m, q.At, b.scene)
			if err != nil {
				return Readings{}, nth(err, i, len(list))
			}
			e := q.entry(act, step, r.Run)
			e.Note = m.Note
			// An id of its own, below those of the database, until it is written:
			// the next of the batch is judged with this one there.
			e.ID = int64(i) - maxReadings
			r.Entry = e
			made = append(made, r)
			b.Record.Readings = append(b.Record.Readings, r)
		}
		return b.keep(ctx, tx, step, nil, made, "reading.recorded", q)
	})
}

// nth says which reading of several a fault is about.
func nth(err error, i, of int) error {
	f := fault.Fault(err)
	if f == nil || of == 1 {
		return err
	}
	out := *f
	out.Message = fmt.Sprintf("reading %d of %d: %s; nothing was recorded", i+1, of, f.Message)
	return &out
}

// keep writes readings, and tells what the step still lacks. They are new, or
// one takes the place of another.
func (b *bench) keep(ctx context.Context, tx *store.Tx, step string, old *running.Reading, list []running.Reading, kind string, q StepRecord) (Readings, error) {
	out := Readings{Step: step}
	err := b.certificates(ctx, tx.Reader, list, tx.Now())
	if err != nil {
		return out, err
	}
	if out.Readings, err = tx.AddReadings(ctx, b.job.ID, list); err != nil {
		return out, err
	}
	if b.Record.Readings, err = tx.Readings(ctx, store.ReadingFilter{Job: b.job.ID}); err != nil {
		return out, err
	}
	if state := b.State(step); state == running.Running {
		out.Lacking = b.MayFinish(step)
	}
	outside := 0
	seen := map[string]bool{}
	var tags []string
	for _, r := range out.Readings {
		if r.Outside() {
			outside++
		}
		if !seen[r.Tool] {
			seen[r.Tool] = true
			tags = append(tags, r.Tool)
		}
	}
	// A tightening is a cycle, and may be an overload.
	if err := recount(ctx, tx, tags); err != nil {
		return out, err
	}
	details := map[string]any{"step": step, "technician": q.Technician, "at": q.At, "outside": outside}
	if old != nil {
		b.tell("Reading", old, out.Readings[0])
	} else {
		details["readings"] = out.Readings
	}
	b.log(tx, kind, touching(q.Technician, tags...), details)
	return out, nil
}

// CorrectReading records what takes the place of a reading. The old one is kept.
func (w *Workshop) CorrectReading(ctx context.Context, act Act, q StepRecord, reading int64, m running.Measured) (Readings, error) {
	var fs fault.Fields
	checkText(&fs, "note", m.Note, true)
	if err := fs.Err("READING", "a reading is corrected for a reason"); err != nil {
		return Readings{}, err
	}
	if err := q.check(act, w.Now()); err != nil {
		return Readings{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Readings, error) {
		job, err := tx.LockRecord(ctx, q.Job)
		if err != nil {
			return Readings{}, err
		}
		old, err := tx.Readings(ctx, store.ReadingFilter{Job: q.Job, ID: reading})
		if err != nil {
			return Readings{}, err
		}
		if len(old) == 0 {
			return Readings{}, fault.New(fault.NotFound, "NOT_FOUND", "job %d has no reading %d: look at the step for the numbers of its readings", q.Job, reading)
		}
		b, err := w.bench(ctx, tx.Reader, job, tx.Now())
		if err != nil {
			return Readings{}, err
		}
		r, err := b.Correct(old[0], m, b.scene)
		if err != nil {
			return Readings{}, err
		}
		r.Technician, r.Actor = q.Technician, act.Caller.User
		return b.keep(ctx, tx, r.Step, &old[0], []running.Reading{r}, "reading.corrected", q)
	})
}

// Ticked is a part that was ticked, with what the step still lacks.
type Ticked struct {
	Part    running.PartUsed
	Lacking []running.Blocker
}

// TickPart records parts that were fitted, new.
func (w *Workshop) TickPart(ctx context.Context, act Act, q StepRecord, p running.PartUsed) (Ticked, error) {
	var fs fault.Fields
	checkText(&fs, "lot", p.Lot, false)
	if len(p.Fasteners) > maxReadings {
		fs.Add("fasteners", "must not be more than %d", maxReadings)
	}
	if err := fs.Err("PART", "the part cannot be recorded"); err != nil {
		return Ticked{}, err
	}
	return recordOf(ctx, w, act, &q, func(ctx context.Context, tx *store.Tx, b *bench, step string) (Ticked, error) {
		var out Ticked
		if err := b.inOrder(step, q.At); err != nil {
			return out, err
		}
		if err := b.MayUse(step, p); err != nil {
			return out, err
		}
		p.Entry = q.entry(act, step, b.Run(step))
		var err error
		if out.Part, err = tx.AddPart(ctx, b.job.ID, p); err != nil {
			return out, err
		}
		b.Record.Parts = append(b.Record.Parts, out.Part)
		if b.State(step) == running.Running {
			out.Lacking = b.MayFinish(step)
		}
		b.log(tx, "part.used", touching(q.Technician), map[string]any{
			"step": step, "technician": q.Technician, "at": q.At, "part": p.Part, "quantity": p.Quantity, "fasteners": p.Fasteners, "lot": p.Lot,
		})
		return out, nil
	})
}
