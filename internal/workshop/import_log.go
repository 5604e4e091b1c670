package workshop

import (
	"slices"
	"strings"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/trail"
)

// collections are where things of each kind that an import counts have their names.
var collections = map[string]string{
	"bay": "bays", "technician": "technicians", "engine family": "engineFamilies", "tool type": "toolTypes", "tool": "tools",
	"preparation": "preparations", "procedure": "procedures",
}

// eventKind is the kind of event that tells what became of a thing: the same
// whether it came from a file or was changed by itself.
func eventKind(kind, what string) string { return strings.ReplaceAll(kind, " ", "-") + "." + what }

// changed is the event of a thing that a file changes: what differs, before and
// after.
func (i *importer) changed(kind, subject string, had, v any) store.Event {
	before, after := trail.Differing(plain(had), plain(v))
	e := changed(eventKind(kind, "changed"), subject, before, after)
	switch v := v.(type) {
	case procedure.Procedure:
		e.Details = map[string]any{"version": v.Version, "before": before, "after": after}
	case site.ToolType:
		for tag, t := range i.have.tools {
			if t.Type == v.ID {
				e.Touched = append(e.Touched, "tools/"+tag)
			}
		}
		slices.Sort(e.Touched)
	}
	return e
}

// heading is what the log tells of a thing that is new: of work, which is long
// and kept under its version, what it is called; of anything else all.
func heading(v any) any {
	switch v := v.(type) {
	case procedure.Procedure:
		return map[string]any{"Title": v.Title, "Family": v.Family, "Version": v.Version, "State": v.State, "Steps": len(v.Steps)}
	case procedure.Preparation:
		return map[string]any{"Title": v.Title, "Family": v.Family, "SetUp": len(v.SetUp), "PutBack": len(v.PutBack)}
	}
	return v
}
