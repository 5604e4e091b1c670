package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// maxWeeks is how many weeks of use are told at once.
const maxWeeks = 53

// Use is how much of what there is is booked, week by week. Only hours count in
// which somebody works at the site: a bay that is full overnight is not used
// more than one that is full all day.
type Use struct {
	Zone  *time.Location
	Weeks []hours.Range
	Rows  []UseRow // bays, then tool types, then skills
}

// UseRow is how much of one thing is used. A technician with several skills
// counts under each of them.
type UseRow struct {
	Kind  site.Kind // TECHNICIAN for a skill, TOOL for a tool type
	ID    string
	Name  string
	Count int // of bays, tools or people
	Cells []UseCell
}

// UseCell is one week of it.
type UseCell struct{ Booked, Available time.Duration }

// Share is how much of what could be booked is, 0 if nothing could.
func (c UseCell) Share() float64 {
	if c.Available <= 0 {
		return 0
	}
	return float64(c.Booked) / float64(c.Available)
}

// Use tells how much is booked over so many weeks, from the one that a day lies
// in; the zero day is today.
func (w *Workshop) Use(ctx context.Context, slug string, day time.Time, weeks int) (Use, error) {
	if day.IsZero() {
		day = w.Now()
	}
	var fs fault.Fields
	checkTime(&fs, "from_time", day.Truncate(time.Minute))
	if weeks < 1 || weeks > maxWeeks {
		fs.Add("weeks", "must be 1 to %d", maxWeeks)
	}
	if err := fs.Err("USE", "the question cannot be answered"); err != nil {
		return Use{}, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Use, error) {
		zone, err := zoneOf(ctx, r)
		if err != nil {
			return Use{}, err
		}
		out := Use{Zone: zone}
		first := hours.DateOf(weekOf(day, zone).Start, zone)
		for i := range weeks {
			out.Weeks = append(out.Weeks, hours.Range{Start: first.AddDays(7*i).At(0, zone), End: first.AddDays(7*i+7).At(0, zone)})
		}
		whole := hours.Range{Start: out.Weeks[0].Start, End: out.Weeks[weeks-1].End}
		st, err := r.State(ctx, w.Now(), whole, nil)
		if err != nil {
			return out, err
		}
		y, err := newYard(st, whole.Start, whole.End)
		if err != nil {
			return out, err
		}
		out.Rows = y.uses(st, out.Weeks)
		return out, nil
	})
}

// uses works the rows out.
func (y *yard) uses(st store.State, weeks []hours.Range) []UseRow {
	var open []hours.Range
	for i, ref := range y.refs {
		if ref.Kind == site.KindTechnician {
			open = append(open, y.shiftsOf(int32(i))...)
		}
	}
	open = hours.Normalize(open)
	booked, free := map[Ref][]hours.Range{}, map[Ref][]hours.Range{}
	for i, ref := range y.refs {
		var busy, shut []hours.Range
		for _, b := range y.units[i].Busy {
			busy = append(busy, y.rangeOf(b.Window))
		}
		for _, s := range y.units[i].Shut {
			shut = append(shut, y.rangeOf(s.Window))
		}
		at := open
		if ref.Kind == site.KindTechnician {
			at = y.shiftsOf(int32(i))
		}
		if end := y.units[i].Expiry; end < y.horizon {
			shut = append(shut, hours.Range{Start: y.at(max(end, 0)), End: y.at(y.horizon)})
		}
		booked[ref] = hours.Intersect(hours.Normalize(busy), at)
		// What is booked was to be had, whatever became of it since.
		free[ref] = hours.Union(hours.Subtract(at, hours.Normalize(shut)), booked[ref])
	}
	row := func(kind site.Kind, id, name string, refs []Ref) UseRow {
		out := UseRow{Kind: kind, ID: id, Name: name, Count: len(refs)}
		for _, week := range weeks {
			var c UseCell
			for _, ref := range refs {
				c.Booked += hours.Working(booked[ref], week.Start, week.End)
				c.Available += hours.Working(free[ref], week.Start, week.End)
			}
			out.Cells = append(out.Cells, c)
		}
		return out
	}
	var out []UseRow
	for _, b := range st.Bays {
		out = append(out, row(site.KindBay, b.ID, b.Name, []Ref{{Kind: site.KindBay, ID: b.ID}}))
	}
	for _, t := range st.ToolTypes {
		var refs []Ref
		for _, tool := range st.Tools {
			if tool.Type == t.ID && tool.Condition != site.Retired {
				refs = append(refs, Ref{Kind: site.KindTool, ID: tool.Tag})
			}
		}
		if len(refs) > 0 {
			out = append(out, row(site.KindTool, t.ID, t.Name, refs))
		}
	}
	return append(out, skillRows(st, row)...)
}

// skillRows are the rows of the skills, by name.
func skillRows(st store.State, row func(site.Kind, string, string, []Ref) UseRow) []UseRow {
	var skills []string
	for _, t := range st.Technicians {
		skills = append(skills, t.Skills...)
	}
	slices.Sort(skills)
	var out []UseRow
	for _, skill := range slices.Compact(skills) {
		var refs []Ref
		for _, t := range st.Technicians {
			if slices.Contains(t.Skills, skill) {
				refs = append(refs, Ref{Kind: site.KindTechnician, ID: t.ID})
			}
		}
		out = append(out, row(site.KindTechnician, skill, skill, refs))
	}
	return out
}

// shiftsOf is when a technician is on shift.
func (y *yard) shiftsOf(unit int32) []hours.Range {
	var out []hours.Range
	for _, w := range y.units[unit].Open {
		out = append(out, y.rangeOf(w))
	}
	return out
}
