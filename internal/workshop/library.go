package workshop

import (
	"context"
	"fmt"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// work is the procedures of a job and the network they merge into.
type work struct {
	procedures []procedure.Procedure
	network    procedure.Network
}

// merge reads procedures and merges them. Version 0 stands for the newest that
// is ISSUED; a named version may have been withdrawn since, but was never a draft.
func merge(ctx context.Context, r store.Reader, refs []site.ProcedureRef) (work, error) {
	var out work
	var fs fault.Fields
	if len(refs) == 0 || len(refs) > maxProcedures {
		fs.Add("procedures", "must be 1 to %d", maxProcedures)
	}
	seen := map[string]bool{}
	for i, ref := range refs {
		if seen[ref.ID] {
			fs.Add(fmt.Sprintf("procedures[%d]", i), "%s is named twice", ref.ID)
		}
		seen[ref.ID] = true
	}
	if err := fs.Err("PROCEDURES", "the procedures cannot be used"); err != nil {
		return out, err
	}
	lib := procedure.Library{
		Preparations: map[string]procedure.Preparation{},
		Procedures:   map[string]procedure.Procedure{},
	}
	ids := make([]string, 0, len(refs))
	for _, ref := range refs {
		p, err := usable(ctx, r, ref)
		if err != nil {
			return out, err
		}
		lib.Procedures[p.ID] = p
		out.procedures = append(out.procedures, p)
		ids = append(ids, p.ID)
	}
	preparations, err := r.Preparations(ctx, Page{}, "")
	if err != nil {
		return out, err
	}
	for _, p := range preparations {
		lib.Preparations[p.ID] = p
	}
	if lib.ToolTypes, err = typesByID(ctx, r); err != nil {
		return out, err
	}
	out.network, err = lib.Merge(ids)
	return out, err
}

// usable reads the version of a procedure that may be planned.
func usable(ctx context.Context, r store.Reader, ref site.ProcedureRef) (procedure.Procedure, error) {
	if ref.Version != 0 {
		p, err := r.Procedure(ctx, ref.ID, ref.Version)
		if err == nil && p.State == procedure.Draft {
			err = notIssued(p)
		}
		return p, err
	}
	p, err := r.IssuedProcedure(ctx, ref.ID)
	if fault.KindOf(err) != fault.NotFound {
		return p, err
	}
	newest, err := r.Procedure(ctx, ref.ID, 0)
	if err == nil {
		err = notIssued(newest)
	}
	return newest, err
}

func notIssued(p procedure.Procedure) error {
	return fault.New(fault.Precondition, "NOT_ISSUED",
		"procedure %q has no issued version (version %d is %s): issue it first", p.ID, p.Version, p.State)
}
