package workshop

import (
	"context"
	"regexp"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// EditedTool is a tool as it stands after an edit, and what the edit breaks.
type EditedTool struct {
	Tool     site.Tool
	Affected []site.Booking // standing bookings that the tool can no longer serve
}

// EditTool changes a tool by the function given.
func (w *Workshop) EditTool(ctx context.Context, act Act, tag string, edit func(*site.Tool)) (EditedTool, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (EditedTool, error) {
		ref := Ref{Kind: site.KindTool, ID: tag}
		if err := tx.Lock(ctx, []Ref{ref}); err != nil {
			return EditedTool{}, err
		}
		before, err := tx.Tool(ctx, tag)
		if err != nil {
			return EditedTool{}, err
		}
		out := EditedTool{Tool: before}
		edit(&out.Tool)
		kind, err := checkTool(ctx, tx, out.Tool)
		if err != nil {
			return out, err
		}
		if out.Tool.Condition != before.Condition {
			if err := checkNewCondition(ctx, tx, out.Tool); err != nil {
				return out, err
			}
		}
		if !out.Tool.CalibratedUntil.Equal(before.CalibratedUntil) {
			if err := uncertified(ctx, tx.Reader, tag); err != nil {
				return out, err
			}
		}
		tx.Log(changed("tool.changed", "tools/"+tag, before, out.Tool))
		if err := tx.PutTool(ctx, out.Tool); err != nil {
			return out, err
		}
		out.Affected, err = unserved(ctx, tx.Reader, tx.Now(), out.Tool, kind)
		return out, err
	})
}

// checkNewCondition refuses a condition without a reason, one that must end
// without an end, and one that the tool cannot be in while somebody has it.
func checkNewCondition(ctx context.Context, tx *store.Tx, t site.Tool) error {
	var fs fault.Fields
	if t.Condition != site.Serviceable && t.ConditionNote == "" {
		fs.Add("condition_note", "is missing: say why the tool is %s", t.Condition)
	}
	if t.Condition == site.Quarantined || t.Condition == site.Away {
		switch {
		case t.ConditionUntil.IsZero():
			fs.Add("condition_until", "is missing: say until when %s is expected to last", t.Condition)
		case !t.ConditionUntil.After(tx.Now()):
			fs.Add("condition_until", "must lie ahead")
		}
	}
	if err := fs.Err("TOOL", "the tool cannot be kept"); err != nil {
		return err
	}
	if t.Condition != site.Retired && t.Condition != site.Away {
		return nil
	}
	held, isOut, err := tx.OpenIssue(ctx, t.Tag)
	if err == nil && isOut {
		err = fault.New(fault.Precondition, "IS_OUT", "%s has %s: it must be returned before it is %s, or be LOST", held.Technician, t.Tag, t.Condition)
	}
	return err
}

// unserved reads the standing bookings of a tool that it, as it is, cannot serve.
func unserved(ctx context.Context, r store.Reader, now time.Time, t site.Tool, kind site.ToolType) ([]site.Booking, error) {
	standing, err := r.Bookings(ctx, store.BookingFilter{
		Now: now, Refs: []Ref{{Kind: site.KindTool, ID: t.Tag}}, During: hours.Range{Start: now, End: now.Add(maxRange)},
	})
	if err != nil {
		return nil, err
	}
	leaves, err := r.LeaveJobs(ctx)
	return slices.DeleteFunc(standing, func(b site.Booking) bool { return leaves[b.Job] || tooling.Serves(t, kind, b.During) }), err
}

// tagForm is what an asset tag looks like: what is engraved on a tool.
var (
	tagForm  = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,31}$`)
	slugForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)
)

// CreateTool puts a tool on the shelf. Exists if there is one of that asset tag.
func (w *Workshop) CreateTool(ctx context.Context, act Act, t site.Tool) (site.Tool, error) {
	if t.Condition == "" {
		t.Condition = site.Serviceable
	}
	var fs fault.Fields
	if !tagForm.MatchString(t.Tag) {
		fs.Add("tool.name", "%q is no asset tag: capital letters, digits and dashes, 1 to 32 of them, no dash first", t.Tag)
	}
	if err := fs.Err("TOOL", "the tool cannot be kept"); err != nil {
		return t, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Tool, error) {
		if err := refuseTaken(ctx, tx.Reader.Tool, t.Tag, "tool"); err != nil {
			return t, err
		}
		if _, err := checkTool(ctx, tx, t); err != nil {
			return t, err
		}
		if err := checkNewCondition(ctx, tx, t); err != nil {
			return t, err
		}
		tx.Log(store.Event{Kind: "tool.added", Subject: "tools/" + t.Tag, Details: map[string]any{"after": t}})
		return t, tx.PutTool(ctx, t)
	})
}

// refuseTaken is Exists if there is a thing of that id already.
func refuseTaken[T any](ctx context.Context, get func(context.Context, string) (T, error), id, what string) error {
	_, err := get(ctx, id)
	switch {
	case err == nil:
		return fault.New(fault.Exists, "EXISTS", "the site has a %s %q already: change it, or take another id", what, id)
	case fault.KindOf(err) == fault.NotFound:
		return nil
	}
	return err
}

// checkTool refuses a tool that cannot be kept, and reads its type.
func checkTool(ctx context.Context, tx *store.Tx, t site.Tool) (site.ToolType, error) {
	kind, err := tx.ToolType(ctx, t.Type)
	if err != nil {
		return kind, err
	}
	var fs fault.Fields
	checkNote(&fs, "condition_note", t.ConditionNote)
	checkLine(&fs, "home", t.Home, false)
	if !slices.Contains(site.Conditions(), t.Condition) {
		fs.Add("condition", "must be one of %v", site.Conditions())
	}
	if !t.CalibratedUntil.IsZero() {
		checkTime(&fs, "calibrated_until", t.CalibratedUntil)
	}
	if !t.ConditionUntil.IsZero() {
		checkTime(&fs, "condition_until", t.ConditionUntil)
		if t.Condition != site.Quarantined && t.Condition != site.Away {
			fs.Add("condition_until", "goes with QUARANTINED and AWAY only: leave it out")
		}
	}
	if why := tooling.PhotoURL(t.PhotoURL); why != "" {
		fs.Add("photo_url", "%s", why)
	}
	tooling.CheckLacking(&fs, kind.Pieces, t.Missing, t.Damaged)
	if t.Condition == site.Serviceable && !t.Complete() {
		fs.Add("condition", "cannot be SERVICEABLE: %s; say that the pieces are there and fit, or that it is not serviceable",
			tooling.Lacking(t.Missing, t.Damaged))
	}
	return kind, fs.Err("TOOL", "the tool cannot be kept")
}

// EditedToolType is a tool type as it stands after an edit, and what it breaks.
type EditedToolType struct {
	Type     site.ToolType
	Affected []site.Booking // standing bookings that tools of the type can no longer serve
}

// CreateToolType says what tools of a new type can do. Exists if there is one of
// that id.
func (w *Workshop) CreateToolType(ctx context.Context, act Act, t site.ToolType) (site.ToolType, error) {
	var fs fault.Fields
	if !slugForm.MatchString(t.ID) {
		fs.Add("tool_type.name", "%q is no id: lower-case letters, digits and dashes, 1 to 63 of them, no dash first or last", t.ID)
	}
	if err := fs.Err("TOOL_TYPE", "the tool type cannot be kept"); err != nil {
		return t, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.ToolType, error) {
		if err := refuseTaken(ctx, tx.Reader.ToolType, t.ID, "tool type"); err != nil {
			return t, err
		}
		if err := checkToolType(ctx, tx, t); err != nil {
			return t, err
		}
		tx.Log(store.Event{Kind: "tool-type.added", Subject: "toolTypes/" + t.ID, Details: map[string]any{"after": t}})
		return t, tx.PutToolType(ctx, t)
	})
}

// EditToolType changes a tool type by the function given. Its tools are locked:
// what they can be booked for may change.
func (w *Workshop) EditToolType(ctx context.Context, act Act, id string, edit func(*site.ToolType)) (EditedToolType, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (EditedToolType, error) {
		if _, err := tx.ToolType(ctx, id); err != nil {
			return EditedToolType{}, err
		}
		all, err := tx.Tools(ctx, Page{})
		if err != nil {
			return EditedToolType{}, err
		}
		var refs []Ref
		var touched []string
		for _, t := range all {
			if t.Type == id {
				refs = append(refs, Ref{Kind: site.KindTool, ID: t.Tag})
				touched = append(touched, "tools/"+t.Tag)
			}
		}
		if err := tx.Lock(ctx, refs); err != nil {
			return EditedToolType{}, err
		}
		before, err := tx.ToolType(ctx, id)
		if err != nil {
			return EditedToolType{}, err
		}
		out := EditedToolType{Type: before}
		edit(&out.Type)
		if err := checkToolType(ctx, tx, out.Type); err != nil {
			return out, err
		}
		event := changed("tool-type.changed", "toolTypes/"+id, before, out.Type)
		event.Touched = touched
		tx.Log(event)
		if err := tx.PutToolType(ctx, out.Type); err != nil {
			return out, err
		}
		for _, ref := range refs {
			t, err := tx.Tool(ctx, ref.ID)
			if err != nil {
				return out, err
			}
			if _, err := checkTool(ctx, tx, t); err != nil {
				return out, fault.New(fault.Precondition, "TOOL_AT_ODDS", "tool %s is at odds with that: %v", t.Tag, err)
			}
			hit, err := unserved(ctx, tx.Reader, tx.Now(), t, out.Type)
			if err != nil {
				return out, err
			}
			out.Affected = append(out.Affected, hit...)
		}
		return out, nil
	})
}

// checkToolType refuses a tool type that cannot be kept.
func checkToolType(ctx context.Context, tx *store.Tx, t site.ToolType) error {
	var fs fault.Fields
	tooling.CheckType(&fs, t)
	known, err := tx.EngineFamilies(ctx, Page{})
	if err != nil {
		return err
	}
	for _, f := range t.Families {
		if !slices.ContainsFunc(known, func(k site.EngineFamily) bool { return k.ID == f }) {
			fs.Add("engine_families", "the site has no engine family %q", f)
		}
	}
	return fs.Err("TOOL_TYPE", "the tool type cannot be kept")
}
