package workshop

import (
	"context"
	"slices"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// load reads all that an import may refer to or change.
func load(ctx context.Context, r store.Reader) (standing, error) {
	var out standing
	var err error
	if out.site, err = r.Site(ctx); err != nil {
		return out, err
	}
	bays, err := r.Bays(ctx, Page{})
	out.bays = byID(bays, bayID)
	if err != nil {
		return out, err
	}
	technicians, err := r.Technicians(ctx, Page{})
	out.technicians = byID(technicians, technicianID)
	if err != nil {
		return out, err
	}
	families, err := r.EngineFamilies(ctx, Page{})
	out.families = byID(families, familyID)
	if err != nil {
		return out, err
	}
	types, err := r.ToolTypes(ctx, Page{})
	out.types = byID(types, typeID)
	if err != nil {
		return out, err
	}
	tools, err := r.Tools(ctx, Page{})
	out.tools = byID(tools, toolID)
	if err != nil {
		return out, err
	}
	preparations, err := r.Preparations(ctx, Page{}, "")
	out.preparations = byID(preparations, preparationID)
	if err != nil {
		return out, err
	}
	procedures, err := r.Procedures(ctx, Page{}, "")
	out.procedures = byID(procedures, func(p procedure.Procedure) string { return p.ID })
	return out, err
}

// known is what workshop files may refer to.
func (s standing) known() sitefile.Known {
	out := sitefile.Known{
		Bays: keys(s.bays), Technicians: keys(s.technicians), Tools: keys(s.tools), EngineFamilies: keys(s.families),
		ToolTypes: list(s.types), Preparations: list(s.preparations), Procedures: list(s.procedures),
	}
	if s.site.ID != "" {
		out.Site = &s.site
	}
	for _, b := range s.bays {
		out.Names = append(out.Names, sitefile.Name{Noun: "bay", ID: b.ID, Name: b.Name})
	}
	for _, t := range s.technicians {
		out.Names = append(out.Names, sitefile.Name{Noun: "technician", ID: t.ID, Name: t.Name})
	}
	for _, t := range s.types {
		out.Names = append(out.Names, sitefile.Name{Noun: "tool type", ID: t.ID, Name: t.Name})
	}
	for _, f := range s.families {
		out.Names = append(out.Names, sitefile.Name{Noun: "engine family", ID: f.ID, Name: f.Name})
	}
	return out
}

func bayID(v site.Bay) string                      { return v.ID }
func technicianID(v site.Technician) string        { return v.ID }
func familyID(v site.EngineFamily) string          { return v.ID }
func typeID(v site.ToolType) string                { return v.ID }
func toolID(v site.Tool) string                    { return v.Tag }
func preparationID(v procedure.Preparation) string { return v.ID }

func byID[T any](list []T, id func(T) string) map[string]T {
	out := make(map[string]T, len(list))
	for _, v := range list {
		out[id(v)] = v
	}
	return out
}

func keys[T any](m map[string]T) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// list gives the values of a map in the order of its keys.
func list[T any](m map[string]T) []T {
	out := make([]T, 0, len(m))
	for _, k := range keys(m) {
		out = append(out, m[k])
	}
	return out
}

func mapped[T any](list []T, f func(T) T) []T {
	out := make([]T, 0, len(list))
	for _, v := range list {
		out = append(out, f(v))
	}
	return out
}

// What is kept of a procedure is its content, not the lines of the file that it
// came in: a comment added above it changes nothing.

func procedureWithoutLines(p procedure.Procedure) procedure.Procedure {
	p.Line = 0
	p.Steps = mapped(p.Steps, stepWithoutLine)
	return p
}

func preparationWithoutLines(p procedure.Preparation) procedure.Preparation {
	p.Line = 0
	p.SetUp, p.PutBack = mapped(p.SetUp, stepWithoutLine), mapped(p.PutBack, stepWithoutLine)
	return p
}

func stepWithoutLine(s procedure.Step) procedure.Step {
	s.Line = 0
	return s
}
