package workshop

import (
	"context"
	"fmt"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// StateChange is a version of a procedure after its state was set.
type StateChange struct {
	Procedure procedure.Procedure
	Standing  []int64 // with WITHDRAWN: the jobs that stand and were planned with it
}

// SetProcedureState issues a DRAFT or withdraws an ISSUED version. Setting the
// state that it has is no error; any other change is refused, since what was
// issued is what jobs were planned with.
func (w *Workshop) SetProcedureState(ctx context.Context, act Act, ref site.ProcedureRef, to procedure.State) (StateChange, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (StateChange, error) {
		p, err := tx.Procedure(ctx, ref.ID, ref.Version)
		if err != nil || p.State == to {
			return StateChange{Procedure: p}, err
		}
		from := p.State
		if !(from == procedure.Draft && to == procedure.Issued) && !(from == procedure.Issued && to == procedure.Withdrawn) {
			return StateChange{}, fault.New(fault.Precondition, "PROCEDURE_STATE",
				"version %d of %s is %s and cannot become %s: a DRAFT is issued, an ISSUED one withdrawn; for anything else write a new version",
				p.Version, p.ID, from, to)
		}
		p.State = to
		tx.Log(store.Event{
			Kind: "procedure.state", Subject: fmt.Sprintf("procedures/%s", p.ID),
			Details: map[string]any{"version": p.Version, "from": from, "to": to},
		})
		out := StateChange{Procedure: p}
		if to == procedure.Withdrawn {
			if out.Standing, err = tx.JobsPlannedWith(ctx, ref, tx.Now()); err != nil {
				return out, err
			}
		}
		return out, tx.PutProcedure(ctx, p)
	})
}

// Difference is what differs between two versions of a procedure.
type Difference struct {
	From, To int
	Changes  []procedure.Change
}

// DiffProcedure tells what differs between two versions; to 0 is the newest.
func (w *Workshop) DiffProcedure(ctx context.Context, slug, id string, from, to int) (Difference, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Difference, error) {
		var out Difference
		if from < 1 || to < 0 {
			var fs fault.Fields
			fs.Add("from_version", "must be a version, from 1")
			return out, fs.Err("VERSION", "there is no such version")
		}
		was, err := r.Procedure(ctx, id, from)
		if err != nil {
			return out, err
		}
		is, err := r.Procedure(ctx, id, to)
		if err != nil {
			return out, err
		}
		return Difference{From: was.Version, To: is.Version, Changes: procedure.Diff(was, is)}, nil
	})
}

// Newest gives the newest issued version of each procedure of a job; 0 for one
// that has none any more.
func (w *Workshop) Newest(ctx context.Context, slug string, refs []site.ProcedureRef) (map[string]int, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (map[string]int, error) {
		out := make(map[string]int, len(refs))
		for _, ref := range refs {
			p, err := r.IssuedProcedure(ctx, ref.ID)
			if err != nil && fault.KindOf(err) != fault.NotFound {
				return out, err
			}
			out[ref.ID] = p.Version
		}
		return out, nil
	})
}

// LintFinding is one thing in a workshop file that is wrong or doubtful.
type LintFinding = sitefile.Finding

// Lint judges the preparations and procedures of workshop files, which may refer
// to what the site has, or to nothing else without one. It writes nothing.
func (w *Workshop) Lint(ctx context.Context, slug string, files []File) ([]LintFinding, error) {
	if slug == "" {
		return sitefile.Lint(files, sitefile.Options{Now: w.Now()})
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]LintFinding, error) {
		have, err := load(ctx, r)
		if err != nil {
			return nil, err
		}
		return sitefile.Lint(files, sitefile.Options{Now: w.Now(), Known: have.known()})
	})
}
