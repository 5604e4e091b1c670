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

// merge reads procedures and merges them.
func merge(ctx context.Context, r store.Reader, refs []site.ProcedureRef) (work, error) {
	if err := checkRefs(refs); err != nil {
		return work{}, err
	}
	m, err := r.Gather(ctx, refs)
	if err != nil {
		return work{}, err
	}
	return mergeOf(m, refs)
}

// checkRefs refuses what cannot be merged, whatever the site has.
func checkRefs(refs []site.ProcedureRef) error {
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
	return fs.Err("PROCEDURES", "the procedures cannot be used")
}

// mergeOf merges procedures. Version 0 stands for the newest that is ISSUED; a
// named version may have been withdrawn since, but was never a draft.
func mergeOf(m store.Material, refs []site.ProcedureRef) (work, error) {
	var out work
	lib := procedure.Library{
		Preparations: map[string]procedure.Preparation{},
		Procedures:   map[string]procedure.Procedure{},
	}
	ids := make([]string, 0, len(refs))
	for _, ref := range refs {
		p, err := usable(m.Versions, ref)
		if err != nil {
			return out, err
		}
		lib.Procedures[p.ID] = p
		out.procedures = append(out.procedures, p)
		ids = append(ids, p.ID)
	}
	for _, p := range m.Preparations {
		lib.Preparations[p.ID] = p
	}
	lib.ToolTypes = byID(m.ToolTypes, typeID)
	var err error
	out.network, err = lib.Merge(ids)
	return out, err
}

// usable chooses the version of a procedure that may be planned.
func usable(versions []procedure.Procedure, ref site.ProcedureRef) (procedure.Procedure, error) {
	var newest, issued, named *procedure.Procedure
	for i, p := range versions { // by id and version
		if p.ID != ref.ID {
			continue
		}
		newest = &versions[i]
		if p.State == procedure.Issued {
			issued = &versions[i]
		}
		if p.Version == ref.Version {
			named = &versions[i]
		}
	}
	switch {
	case ref.Version != 0 && named == nil:
		return procedure.Procedure{}, store.None(fmt.Sprintf("version %d of procedure", ref.Version), ref.ID)
	case ref.Version != 0 && named.State == procedure.Draft:
		return *named, notIssued(*named)
	case ref.Version != 0:
		return *named, nil
	case issued != nil:
		return *issued, nil
	case newest != nil:
		return *newest, notIssued(*newest)
	}
	return procedure.Procedure{}, store.None("procedure", ref.ID)
}

func notIssued(p procedure.Procedure) error {
	return fault.New(fault.Precondition, "NOT_ISSUED",
		"procedure %q has no issued version (version %d is %s): issue it first", p.ID, p.Version, p.State)
}
