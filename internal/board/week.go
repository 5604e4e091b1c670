package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/picture"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// week puts a board into words and into a chart. Picture, tables and text all
// say what is said here.
type week struct {
	workshop.Board
	writer
}

func newWeek(b workshop.Board) week {
	w := week{b, writer{zone: b.Zone}}
	if w.zone == nil {
		w.zone = time.UTC
	}
	return w
}

// short writes an instant for a reader who knows the week: "Wed 16:00"; one of
// another week has its date.
func (w week) short(t time.Time) string {
	if w.During.Has(t) || t.Equal(w.During.End) {
		return t.In(w.zone).Format("Mon 15:04")
	}
	return t.In(w.zone).Format(timeWords)
}

// shortSpan writes a range as short does.
func (w week) shortSpan(r hours.Range) string {
	if w.day(r.Start) == w.day(r.End) {
		return w.short(r.Start) + "-" + r.End.In(w.zone).Format(clockWords)
	}
	return w.short(r.Start) + " to " + w.short(r.End)
}

// title names the week: "Week 48, 23 to 29 November 2026".
func (w week) title() string {
	first, last := w.During.Start.In(w.zone), w.During.End.Add(-time.Minute).In(w.zone)
	_, number := first.ISOWeek()
	begin := first.Format("2 January 2006")
	switch {
	case first.Month() == last.Month():
		begin = first.Format("2")
	case first.Year() == last.Year():
		begin = first.Format("2 January")
	}
	return fmt.Sprintf("Week %d, %s to %s", number, begin, last.Format("2 January 2006"))
}

// reference is what a job is called on the board.
func (w week) reference(id int64) string {
	return cmp.Or(clean(w.Jobs[id].Reference), fmt.Sprintf("job %d", id))
}

// look says how a stay is drawn.
func (w week) look(s workshop.Stay) picture.Look {
	switch j := w.Jobs[s.Job]; {
	case s.Unfit != "" || j.Late:
		return picture.Amiss
	case j.State == site.Tentative:
		return picture.Open
	}
	return picture.Stands
}

// sign marks a reference with what its look says, for those who see no looks.
func (w week) sign(s workshop.Stay) string {
	out := w.reference(s.Job)
	if w.Jobs[s.Job].State == site.Tentative {
		out += "?"
	}
	if w.look(s) == picture.Amiss {
		out = "! " + out
	}
	return out
}

// standing says how a job stands: "confirmed", "tentative, lapses Fri 17:00".
func (w week) standing(j workshop.BoardJob) string {
	if j.State != site.Tentative {
		return strings.ToLower(string(j.State))
	}
	return "tentative, lapses " + w.short(j.ExpiresAt)
}

// promised says what was promised: "Wed 17:00, 85 % sure".
func (w week) promised(j workshop.BoardJob) string {
	if j.Promise.IsZero() {
		return ""
	}
	out := w.short(j.Promise)
	if j.Confidence > 0 {
		out += fmt.Sprintf(", %.0f %% sure", j.Confidence*100)
	}
	return out
}

// remarks are what is to be said of a stay besides.
func (w week) remarks(s workshop.Stay) []string {
	var out []string
	j := w.Jobs[s.Job]
	if s.Unfit != "" {
		out = append(out, "cannot stand: "+clean(s.Unfit))
	}
	if j.Late && !j.Promise.IsZero() && j.Planned.End.After(j.Promise) {
		out = append(out, "planned to end "+w.short(j.Planned.End)+", after the promise")
	} else if j.Late {
		out = append(out, "behind its plan")
	}
	return out
}

// away says when and why something is closed or somebody absent. Whole days are
// told without hours.
func (w week) away(c site.Closure) string {
	const dayWords = "Mon 02 Jan"
	start, end := c.During.Start.In(w.zone), c.During.End.In(w.zone)
	out := w.span(c.During)
	if start.Hour()+start.Minute()+end.Hour()+end.Minute() == 0 {
		out = start.Format(dayWords)
		if last := end.AddDate(0, 0, -1); last.After(start) {
			out += " to " + last.Format(dayWords)
		}
	}
	return strings.TrimSuffix(out+": "+clean(c.Reason), ": ")
}

// says tells a stay in one sentence.
func (w week) says(s workshop.Stay, where string, who []string) string {
	j := w.Jobs[s.Job]
	parts := []string{w.reference(s.Job)}
	if j.Title != "" {
		parts[0] += " (" + clean(j.Title) + ")"
	}
	if where != "" {
		parts[0] += " in " + where
	}
	parts = append(parts, w.span(s.During))
	if j.ID != 0 {
		parts = append(parts, w.standing(j))
	}
	if p := w.promised(j); p != "" {
		parts = append(parts, "promised "+p)
	}
	if len(who) > 0 {
		parts = append(parts, "with "+listed(who))
	}
	return strings.Join(append(parts, w.remarks(s)...), "; ")
}

// listed writes names in a row: "a, b and c".
func listed(names []string) string {
	cleaned := make([]string, len(names))
	for i, n := range names {
		cleaned[i] = clean(n)
	}
	if len(cleaned) < 2 {
		return strings.Join(cleaned, "")
	}
	last := len(cleaned) - 1
	return strings.Join(cleaned[:last], ", ") + " and " + cleaned[last]
}

// where says where a tool is now.
func (w week) where(t workshop.BoardTool) string {
	switch {
	case t.Out != nil && t.Out.Bay != "":
		return fmt.Sprintf("%s, %s has it", clean(t.Out.Bay), w.person(t.Out.Technician))
	case t.Out != nil:
		return w.person(t.Out.Technician) + " has it"
	case t.Condition != site.Serviceable:
		return strings.ToLower(string(t.Condition))
	case t.Here != nil && w.Jobs[t.Here.Job].Bay != "":
		return w.Jobs[t.Here.Job].Bay + " for " + w.reference(t.Here.Job)
	case t.Here != nil:
		return "taken for " + w.reference(t.Here.Job)
	}
	return cmp.Or(clean(t.Home), "at its place")
}

// person is a technician's name.
func (w week) person(id string) string {
	for _, p := range w.People {
		if p.ID == id {
			return cmp.Or(clean(p.Name), p.ID)
		}
	}
	return clean(id)
}

// goes says where a tool goes next.
func (w week) goes(t workshop.BoardTool) string {
	if t.Next == nil {
		return ""
	}
	return w.short(t.Next.During.Start) + " " + w.target(*t.Next)
}

// target is where a tool is taken by a stay.
func (w week) target(s workshop.Stay) string {
	if bay := w.Jobs[s.Job].Bay; bay != "" {
		return bay + " " + w.reference(s.Job)
	}
	return w.reference(s.Job)
}

// on says what somebody is on now.
func (w week) on(p workshop.BoardPerson) string {
	if p.On == 0 {
		if slices.ContainsFunc(p.Shifts, func(r hours.Range) bool { return r.Has(w.Now) }) {
			return "free"
		}
		return "not in"
	}
	out := w.reference(p.On)
	if bay := w.Jobs[p.On].Bay; bay != "" {
		out += ", " + bay
	}
	if p.Doing != "" {
		out += ": " + clean(p.Doing)
	}
	return out
}

// anchor is the id of the place that tells a stay in words.
func anchor(s workshop.Stay) string { return fmt.Sprintf("stay-%d", s.Booking) }

// chart draws what of the week an axis shows.
func (w week) chart(axis picture.Axis) picture.Chart {
	out := picture.Chart{
		Title: clean(w.Site.Name) + ", " + w.title(),
		About: fmt.Sprintf("%s, %s, %s. The tables say the same in words.",
			plural(len(w.Bays), "bay"), plural(len(w.Tools), "tool"), persons(len(w.People))),
		Axis: axis, Now: w.Now,
	}
	for _, band := range []picture.Band{
		{Title: "Bays", Tall: true, Rows: w.bayRows()}, {Title: "Tools that run short this week", Rows: w.toolRows(true)},
		{Title: "Other tools", Rows: w.toolRows(false)}, {Title: "People", Rows: w.peopleRows()},
	} {
		if len(band.Rows) > 0 {
			out.Bands = append(out.Bands, band)
		}
	}
	return out
}

func persons(n int) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}

func (w week) bayRows() []picture.Row {
	var out []picture.Row
	for _, b := range w.Bays {
		row := picture.Row{Name: b.ID, Note: clean(b.Name)}
		for _, c := range b.Closures {
			if c.During.Overlaps(w.During) {
				text := cmp.Or(clean(c.Reason), "closed")
				row.Back = append(row.Back, picture.Bar{During: c.During, Look: picture.Shut, Text: text, Says: b.ID + " closed: " + text + ", " + w.span(c.During)})
			}
		}
		for _, s := range b.Stays {
			j := w.Jobs[s.Job]
			note := "until " + w.short(s.During.End)
			if j.Title != "" {
				note += ", " + clean(j.Title)
			}
			if len(s.People) > 0 {
				note += "\n" + listed(s.People)
			}
			row.Bars = append(row.Bars, picture.Bar{
				ID: anchor(s.Stay), During: s.During, Look: w.look(s.Stay), Text: w.sign(s.Stay), Note: note,
				Says: w.says(s.Stay, b.ID, s.People), Worked: s.Worked,
			})
			if !j.Promise.IsZero() {
				row.Pins = append(row.Pins, picture.Pin{
					At: j.Promise, Text: w.reference(s.Job) + " " + w.promised(j), Missed: j.Planned.End.After(j.Promise),
					Says: w.reference(s.Job) + " is promised for " + w.promised(j),
				})
			}
		}
		out = append(out, row)
	}
	return out
}

func (w week) toolRows(scarce bool) []picture.Row {
	var out []picture.Row
	for _, t := range w.Tools {
		if t.Scarce != scarce {
			continue
		}
		row := picture.Row{Name: clean(t.Tag), Note: w.where(t)}
		for _, r := range t.Lapses {
			row.Back = append(row.Back, picture.Bar{During: r, Look: picture.Shut, Text: clean(t.Why), Says: clean(t.Tag) + " cannot be had: " + clean(t.Why)})
		}
		for _, s := range t.Stays {
			row.Bars = append(row.Bars, picture.Bar{
				ID: anchor(s), During: s.During, Look: w.look(s), Text: w.target(s), Says: clean(t.Tag) + " for " + w.says(s, w.Jobs[s.Job].Bay, nil),
			})
		}
		out = append(out, row)
	}
	return out
}

func (w week) peopleRows() []picture.Row {
	var out []picture.Row
	for _, p := range w.People {
		row := picture.Row{Name: cmp.Or(clean(p.Name), p.ID), Note: w.on(p)}
		for _, r := range p.Shifts {
			row.Back = append(row.Back, picture.Bar{During: r, Look: picture.Spare})
		}
		for _, a := range p.Absences {
			if a.During.Overlaps(w.During) {
				text := cmp.Or(clean(a.Reason), "away")
				row.Back = append(row.Back, picture.Bar{During: a.During, Look: picture.Shut, Text: text, Says: row.Name + " is away: " + text})
			}
		}
		for _, s := range p.Stays {
			row.Bars = append(row.Bars, picture.Bar{
				ID: anchor(s), During: s.During, Look: w.look(s), Text: w.reference(s.Job), Says: row.Name + " on " + w.says(s, w.Jobs[s.Job].Bay, nil),
			})
		}
		out = append(out, row)
	}
	return out
}

// axis shows the whole week.
func (w week) axis() picture.Axis { return picture.NewAxis(w.During, w.zone, w.Open) }

// nearAxis shows two days on which somebody works: today, or the week's first,
// and the next.
func (w week) nearAxis() picture.Axis {
	days := w.axis().Days()
	open := slices.DeleteFunc(slices.Clone(days), func(d picture.Day) bool { return !d.Open || !d.End.After(w.Now) && w.During.Has(w.Now) })
	if len(open) == 0 {
		open = days[len(days)-1:]
	}
	during := hours.Range{Start: open[0].Start, End: open[min(1, len(open)-1)].End}
	return picture.NewAxis(during, w.zone, w.Open)
}
