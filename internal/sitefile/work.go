package sitefile

import (
	"fmt"

	"bayhold/internal/procedure"
)

const familyAdvice = "write the id of the engine family that it is for"

// owner is a preparation or procedure as it stands in a file.
type owner struct {
	value
	skills []string // of the steps' people where a step names none
	steps  map[string][]procedure.Step
}

// readWork reads preparations and procedures. It fails on too many of them.
func (r *reader) readWork(w *Workshop, preparations, procedures []value) error {
	preps, procs := items(preparations), items(procedures)
	if len(preps)+len(procs) > MaxOwners {
		return tooLarge("%d preparations and procedures are more than %d", len(preps)+len(procs), MaxOwners)
	}
	for _, v := range preps {
		if err := r.readPreparation(w, v); err != nil {
			return err
		}
	}
	for _, v := range procs {
		if err := r.readProcedure(w, v); err != nil {
			return err
		}
	}
	return nil
}

func (r *reader) readPreparation(w *Workshop, v value) error {
	o, ok := v.object("id", "title", "family", "needs", "excludes", "bay_features", "skills", "set_up", "put_back", "holds", "cautions")
	if !ok {
		return nil
	}
	id := o.need("id", idAdvice)
	p := procedure.Preparation{
		ID: id.slug(), Title: o.title("title"), Line: v.line(),
		Needs: o.get("needs").slugs(), Excludes: o.get("excludes").slugs(), BayFeatures: o.get("bay_features").slugs(),
		Cautions: o.get("cautions").cautions(),
	}
	family := o.need("family", familyAdvice)
	p.Family = family.slug()
	r.refer(aFamily, p.Family, family)
	for _, e := range o.get("holds").bounded(maxListed) {
		if h, ok := e.hold(); ok {
			p.Holds = append(p.Holds, h)
		}
	}
	own := &owner{value: v, skills: o.get("skills").slugs(), steps: map[string][]procedure.Step{}}
	var err error
	if p.SetUp, err = r.readSteps(own, o.get("set_up")); err != nil {
		return err
	}
	if p.PutBack, err = r.readSteps(own, o.get("put_back")); err != nil {
		return err
	}
	if r.define(aPreparation, p.ID, id) {
		w.Preparations = append(w.Preparations, p)
		r.owners[ownerKey{aPreparation, p.ID, 0}] = own
	}
	return nil
}

func (r *reader) readProcedure(w *Workshop, v value) error {
	o, ok := v.object("id", "title", "family", "version", "state", "needs", "bay_features", "skills", "steps")
	if !ok {
		return nil
	}
	id, family := o.need("id", idAdvice), o.need("family", familyAdvice)
	p := procedure.Procedure{
		ID: id.slug(), Title: o.title("title"), Family: family.slug(), Line: v.line(), Version: 1,
		State: choice(o.get("state"), []procedure.State{procedure.Issued, procedure.Draft, procedure.Withdrawn}),
		Needs: o.get("needs").slugs(), BayFeatures: o.get("bay_features").slugs(),
	}
	if version := o.get("version"); version.present() {
		p.Version = version.integer(1, 1_000_000)
	}
	if p.State == "" {
		p.State = procedure.Issued
	}
	r.refer(aFamily, p.Family, family)
	own := &owner{value: v, skills: o.get("skills").slugs(), steps: map[string][]procedure.Step{}}
	var err error
	if p.Steps, err = r.readSteps(own, o.need("steps", "a procedure has at least one")); err != nil {
		return err
	}
	if r.define(aProcedure, fmt.Sprintf("%s version %d", p.ID, p.Version), id) {
		w.Procedures = append(w.Procedures, p)
		r.owners[ownerKey{aProcedure, p.ID, p.Version}] = own
	}
	return nil
}

// readSteps reads a list of steps.
func (r *reader) readSteps(w *owner, v value) ([]procedure.Step, error) {
	list := v.list()
	if r.steps += len(list); r.steps > MaxSteps {
		return nil, tooLarge("%s: the files have more than %d steps", v.where(), MaxSteps)
	}
	if len(list) > procedure.MaxSteps {
		return nil, tooLarge("%s: %d steps in one list are more than %d", v.where(), len(list), procedure.MaxSteps)
	}
	out := make([]procedure.Step, 0, len(list))
	for _, e := range list {
		out = append(out, e.step(w.skills))
	}
	w.steps[v.name] = out
	return out, nil
}

// hold reads a tool that keeps a preparation.
func (v value) hold() (procedure.Hold, bool) {
	if v.isScalar() {
		return procedure.Hold{Tool: procedure.ToolNeed{Type: v.slug()}}, true
	}
	o, ok := v.object("type", "purpose", "from", "to")
	if !ok {
		return procedure.Hold{}, false
	}
	return procedure.Hold{Tool: o.tool(), From: o.get("from").slug(), To: o.get("to").slug()}, true
}
