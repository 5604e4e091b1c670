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

// Pictures draws answers.
type Pictures struct{}

// scope is the days, whole ones, that all of the ranges touch.
func scope(zone *time.Location, ranges ...hours.Range) hours.Range {
	var out hours.Range
	for _, r := range ranges {
		if r.Empty() {
			continue
		}
		if out.Start.IsZero() || r.Start.Before(out.Start) {
			out.Start = r.Start
		}
		if r.End.After(out.End) {
			out.End = r.End
		}
	}
	first, last := hours.DateOf(out.Start, zone), hours.DateOf(out.End.Add(-time.Nanosecond), zone)
	return hours.Range{Start: first.At(0, zone), End: last.AddDays(1).At(0, zone)}
}

// maxScope bounds what a drawing shows: what reaches beyond it is torn off.
const maxScope = 21 * 24 * time.Hour

func axisOver(zone *time.Location, open []hours.Range, ranges ...hours.Range) picture.Axis {
	during := scope(zone, ranges...)
	if during.Length() > maxScope {
		during.End = during.Start.Add(maxScope)
	}
	return picture.NewAxis(during, zone, open)
}

// worked is when the steps of plans run, each joined to whole hours: where
// nobody's shifts are known, it tells the open hours from the closed.
func worked(plans ...*workshop.Plan) []hours.Range {
	var out []hours.Range
	for _, p := range plans {
		if p == nil {
			continue
		}
		for _, b := range p.Bookings {
			if b.Kind == site.KindTechnician {
				out = append(out, b.During)
			}
		}
	}
	return out
}

// Check draws why a start was refused: each step that is blocked where it was
// asked for, and what holds it up until when; and below the plan that waits.
// Or, of a start that is possible, its plan.
func (Pictures) Check(zone *time.Location, open []hours.Range, a workshop.CheckAnswer) picture.Drawing {
	w := writer{zone: zone}
	if a.Possible && a.Plan != nil {
		return planChart(w, open, "It can start then", a.Plan)
	}
	ranges := []hours.Range{}
	for _, b := range a.Blockers {
		ranges = append(ranges, b.During, untilRange(b))
	}
	if a.Waiting != nil {
		ranges = append(ranges, a.Waiting.During)
	}
	c := picture.Chart{
		Title: "Why it cannot start then", About: fmt.Sprintf("%s in the way.", plural(len(a.Blockers), "thing")),
		Axis: axisOver(zone, open, ranges...),
	}
	c.Bands = w.blockerBands(a.Blockers)
	if a.Waiting != nil {
		c.Bands = append(c.Bands, picture.Band{Title: "The same start, with waits", Rows: w.stepRows(a.Waiting)})
	}
	return c
}

// untilRange is how long a blocker lasts past what was asked for.
func untilRange(b workshop.Blocker) hours.Range {
	if b.Until.IsZero() || b.During.Empty() {
		return hours.Range{}
	}
	return hours.Range{Start: b.During.Start, End: b.Until}
}

// blockerBands are the steps that are blocked, each with what it wants and what
// holds that.
func (w writer) blockerBands(list []workshop.Blocker) []picture.Band {
	var out []picture.Band
	band, row := map[string]int{}, map[[2]string]int{}
	for _, b := range list {
		step := cmp.Or(clean(b.StepTitle), "The whole job")
		at, ok := band[step]
		if !ok {
			at = len(out)
			band[step] = at
			out = append(out, picture.Band{Title: step})
		}
		what := clean(b.Need)
		if b.Ref != nil {
			what = clean(b.Ref.ID)
		}
		rows := &out[at].Rows
		n, ok := row[[2]string{step, what}]
		if !ok {
			n = len(*rows)
			row[[2]string{step, what}] = n
			r := picture.Row{Name: cmp.Or(what, "nothing fits")}
			if !b.During.Empty() {
				r.Bars = append(r.Bars, picture.Bar{During: b.During, Look: picture.Was, Text: "wanted", Says: step + " wants it " + w.span(b.During)})
			}
			*rows = append(*rows, r)
		}
		(*rows)[n].Bars = append((*rows)[n].Bars, w.blockerBar(b))
	}
	return out
}

func (w writer) blockerBar(b workshop.Blocker) picture.Bar {
	during := b.During
	if r := untilRange(b); !r.Empty() {
		during = r
	}
	look, text := picture.Amiss, clean(b.Reference)
	switch b.Kind {
	case workshop.BlockerClosed, workshop.BlockerAbsent, workshop.BlockerOffShift, workshop.BlockerCondition, workshop.BlockerCalibration:
		look, text = picture.Shut, clean(b.Message)
	case workshop.BlockerBooked:
	default:
		text = clean(b.Message)
	}
	return picture.Bar{During: during, Look: look, Text: text, Says: clean(b.Message)}
}

// stepRows are the steps of a plan, each with who does it.
func (w writer) stepRows(p *workshop.Plan) []picture.Row {
	var out []picture.Row
	for i, s := range p.Steps {
		out = append(out, picture.Row{
			Name: fmt.Sprintf("%d %s", i+1, clean(s.Title)),
			Bars: []picture.Bar{{During: s.During, Look: picture.Stands, Text: listed(s.Technicians), Says: clean(s.Title) + ", " + w.span(s.During) + ", " + listed(s.Technicians)}},
		})
	}
	return out
}

func planChart(w writer, open []hours.Range, title string, p *workshop.Plan) picture.Chart {
	return picture.Chart{
		Title: title, About: fmt.Sprintf("%s, %s, hand-back %s.", plural(len(p.Steps), "step"), p.Bay, w.full(p.During.End)),
		Axis:  axisOver(w.zone, open, p.During),
		Bands: []picture.Band{{Title: "Steps in " + p.Bay + ", hand-back " + w.time(p.During.End), Rows: w.stepRows(p)}},
	}
}

// Find draws the options one below the other on one axis: the time in the bay,
// the stretches that are worked, and each tool with its span.
func (Pictures) Find(zone *time.Location, open []hours.Range, a workshop.FindAnswer) picture.Drawing {
	w := writer{zone: zone}
	var ranges []hours.Range
	for _, o := range a.Options {
		ranges = append(ranges, o.Plan.During)
	}
	if len(ranges) == 0 {
		return Pictures{}.Check(zone, open, workshop.CheckAnswer{Blockers: a.Blockers})
	}
	c := picture.Chart{
		Title: "Options side by side", About: fmt.Sprintf("%s on one axis.", plural(len(a.Options), "option")), Axis: axisOver(zone, open, ranges...),
	}
	for i, o := range a.Options {
		title := fmt.Sprintf("Option %d", i+1)
		if m := merits(o); m != "" {
			title += ": " + m
		}
		band := picture.Band{Title: fmt.Sprintf("%s; hand-back %s, %s in the bay", title, w.time(o.Plan.During.End), span(o.Plan.During.Length())), Tall: true}
		band.Rows = append(band.Rows, picture.Row{Name: o.Plan.Bay, Bars: []picture.Bar{{
			During: o.Plan.During, Look: picture.Stands, Text: fmt.Sprintf("option %d", i+1), Note: "until " + w.time(o.Plan.During.End),
			Says: title + " in " + o.Plan.Bay + ", " + w.span(o.Plan.During), Worked: worked(&o.Plan),
		}}})
		c.Bands = append(c.Bands, band, picture.Band{Rows: w.spanRows(o.Plan)})
	}
	return c
}

func merits(o workshop.Option) string {
	var out []string
	if o.Earliest {
		out = append(out, "earliest hand-back")
	}
	if o.Shortest {
		out = append(out, "fewest hours in the bay")
	}
	return strings.Join(out, ", ")
}

// span writes a length: "7 h 30 min", "3 days 4 h".
func span(d time.Duration) string {
	if d < 48*time.Hour {
		return minutes(int(d / time.Minute))
	}
	return fmt.Sprintf("%d days %d h", int(d/(24*time.Hour)), int(d%(24*time.Hour)/time.Hour))
}

// spanRows are the tools and people of a plan with when they are taken.
func (w writer) spanRows(p workshop.Plan) []picture.Row {
	at := map[workshop.Ref]int{}
	var out []picture.Row
	for _, kind := range []site.Kind{site.KindTool, site.KindTechnician} {
		for _, b := range p.Bookings {
			if b.Kind != kind {
				continue
			}
			i, ok := at[b.Ref]
			if !ok {
				i = len(out)
				at[b.Ref] = i
				out = append(out, picture.Row{Name: clean(b.ID)})
			}
			if n := len(out[i].Bars); n > 0 && !out[i].Bars[n-1].During.End.Before(b.During.Start) {
				out[i].Bars[n-1].During.End = b.During.End
				continue
			}
			out[i].Bars = append(out[i].Bars, picture.Bar{During: b.During, Look: picture.Stands, Says: clean(b.ID) + ", " + w.span(b.During)})
		}
	}
	return out
}

// Repair draws a repair: each job where it stands, and where it would go.
func (Pictures) Repair(zone *time.Location, open []hours.Range, r workshop.Repair) picture.Drawing {
	w := writer{zone: zone}
	c := picture.Chart{
		Title: "Before and after", About: fmt.Sprintf("%s cannot stand; %s moved.", plural(len(r.Broken), "booking"), plural(r.PromisesMoved, "promise")),
	}
	var ranges []hours.Range
	var jobs, broken []picture.Row
	for _, j := range r.Jobs {
		row := picture.Row{Name: cmp.Or(clean(j.Reference), fmt.Sprintf("job %d", j.Job))}
		if !j.Planned.Empty() {
			ranges = append(ranges, j.Planned)
			row.Bars = append(row.Bars, picture.Bar{During: j.Planned, Look: picture.Was, Text: "before", Says: row.Name + " stands " + w.span(j.Planned)})
		}
		if j.Plan == nil {
			row.Note = "has no place"
		} else {
			ranges = append(ranges, j.Plan.During)
			look := picture.Stands
			if !j.Promise.IsZero() && j.Plan.During.End.After(j.Promise) {
				look = picture.Amiss
			}
			row.Bars = append(row.Bars, picture.Bar{During: j.Plan.During, Look: look, Text: "after, " + j.Plan.Bay, Says: row.Name + " would go to " + j.Plan.Bay + ", " + w.span(j.Plan.During)})
		}
		if !j.Promise.IsZero() {
			missed := j.Plan == nil || j.Plan.During.End.After(j.Promise)
			row.Pins = append(row.Pins, picture.Pin{At: j.Promise, Text: w.time(j.Promise), Missed: missed, Says: row.Name + " is promised for " + w.full(j.Promise)})
		}
		jobs = append(jobs, row)
	}
	for _, b := range r.Broken {
		ranges = append(ranges, b.During)
		i := slices.IndexFunc(broken, func(r picture.Row) bool { return r.Name == clean(b.Resource) })
		if i < 0 {
			i = len(broken)
			broken = append(broken, picture.Row{Name: clean(b.Resource)})
		}
		broken[i].Bars = append(broken[i].Bars, picture.Bar{During: b.During, Look: picture.Amiss, Text: clean(b.Reference), Says: clean(b.Resource) + " for " + clean(b.Reference) + ", " + w.span(b.During)})
	}
	if len(ranges) == 0 {
		c.Title, c.About = "Nothing breaks", "Nothing breaks: there is nothing to draw."
		c.Axis = picture.NewAxis(hours.Range{}, zone, nil)
		return c
	}
	c.Axis = axisOver(zone, open, ranges...)
	c.Bands = []picture.Band{{Title: "What cannot stand", Rows: broken}, {Title: "Jobs before and after", Tall: true, Rows: jobs}}
	return c
}

// Use draws how much is used: a bar for each week.
func (Pictures) Use(u workshop.Use) picture.Drawing {
	s := picture.Shares{Title: "How much is used", About: "Booked hours over the hours that could be booked, week by week."}
	for _, w := range u.Weeks {
		s.Columns = append(s.Columns, w.Start.In(u.Zone).Format("02 Jan"))
	}
	for _, part := range []struct {
		kind  site.Kind
		title string
	}{{site.KindBay, "Bays"}, {site.KindTool, "Tool types"}, {site.KindTechnician, "Skills"}} {
		band := picture.ShareBand{Title: part.title}
		for _, r := range u.Rows {
			if r.Kind != part.kind {
				continue
			}
			row := picture.ShareRow{Name: clean(r.ID), Note: clean(r.Name)}
			if part.kind != site.KindBay {
				row.Note = strings.TrimPrefix(fmt.Sprintf("%s, %d of them", row.Note, r.Count), row.Name+", ")
			}
			for _, c := range r.Cells {
				v := c.Share()
				if c.Available == 0 {
					v = -1
				}
				row.Values = append(row.Values, v)
			}
			band.Rows = append(band.Rows, row)
		}
		if len(band.Rows) > 0 {
			s.Bands = append(s.Bands, band)
		}
	}
	return s
}
