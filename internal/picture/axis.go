package picture

import (
	"sort"
	"time"

	"bayhold/internal/hours"
)

// What a stretch in which nobody works weighs on an axis, in minutes: a night is
// a notch and a closed day a little more, so that the hours that matter get the
// room.
const (
	nightWeight  = 75
	closedWeight = 70 // for each whole day
)

// Axis puts time on a line from 0 to 1. Open hours are to scale; the hours
// between them are drawn together.
type Axis struct {
	During hours.Range
	Zone   *time.Location
	parts  []part
}

// part is a stretch that is drawn to one scale.
type part struct {
	hours.Range
	from, to float64
	open     bool
}

// NewAxis makes an axis over a time. Open is when somebody works; none: every
// hour weighs the same.
func NewAxis(during hours.Range, zone *time.Location, open []hours.Range) Axis {
	a := Axis{During: during, Zone: zone}
	if zone == nil {
		a.Zone = time.UTC
	}
	open = hours.Intersect(hours.Normalize(open), []hours.Range{during})
	if len(open) == 0 {
		open = []hours.Range{during}
	}
	at := during.Start
	sum := 0.0
	add := func(end time.Time, isOpen bool, weight float64) {
		if end.After(at) {
			a.parts = append(a.parts, part{Range: hours.Range{Start: at, End: end}, open: isOpen, from: sum, to: sum + weight})
			sum += weight
			at = end
		}
	}
	for _, r := range open {
		add(r.Start, false, closed(r.Start.Sub(at)))
		add(r.End, true, r.Length().Minutes())
	}
	add(during.End, false, closed(during.End.Sub(at)))
	for i := range a.parts {
		a.parts[i].from /= sum
		a.parts[i].to /= sum
	}
	return a
}

// closed is what a stretch weighs in which nobody works.
func closed(d time.Duration) float64 {
	days := int((d - 4*time.Hour) / (24 * time.Hour)) // a night and a day are 30 to 40 hours
	return min(d.Minutes(), nightWeight+closedWeight*float64(max(days, 0)))
}

// At is where an instant lies; what lies outside is put on the nearer end.
func (a Axis) At(t time.Time) float64 {
	switch {
	case len(a.parts) == 0 || !t.After(a.During.Start):
		return 0
	case !t.Before(a.During.End):
		return 1
	}
	i := sort.Search(len(a.parts), func(i int) bool { return a.parts[i].End.After(t) })
	p := a.parts[i]
	return p.from + (p.to-p.from)*float64(t.Sub(p.Start))/float64(p.Length())
}

// Day is a local day on an axis.
type Day struct {
	hours.Range
	Date     hours.Date
	From, To float64
	Open     bool // somebody works on it
}

// Days gives the local days that an axis shows, in order.
func (a Axis) Days() []Day {
	var out []Day
	for d := hours.DateOf(a.During.Start, a.Zone); ; d = d.AddDays(1) {
		r := hours.Range{Start: d.At(0, a.Zone), End: d.AddDays(1).At(0, a.Zone)}.Intersect(a.During)
		if r.Empty() {
			return out
		}
		day := Day{Range: r, Date: d, From: a.At(r.Start), To: a.At(r.End)}
		for _, p := range a.parts {
			day.Open = day.Open || p.open && p.Overlaps(r)
		}
		out = append(out, day)
	}
}

// hourMarks gives the full hours within open time that are so far apart from
// each other, at the least, on a line of that length, at 1, 2, 3, 4 or 6 hours.
func (a Axis) hourMarks(length, apart float64) []time.Time {
	for _, step := range []int{1, 2, 3, 4, 6} {
		marks := a.marksEvery(step)
		near := false
		for i := 1; i < len(marks); i++ {
			sameDay := hours.DateOf(marks[i], a.Zone) == hours.DateOf(marks[i-1], a.Zone)
			near = near || sameDay && (a.At(marks[i])-a.At(marks[i-1]))*length < apart
		}
		if !near {
			return marks
		}
	}
	return nil
}

func (a Axis) marksEvery(step int) []time.Time {
	var out []time.Time
	for _, d := range a.Days() {
		for h := 0; h < 24; h += step {
			t := d.Date.At(h*60, a.Zone)
			for _, p := range a.parts {
				if p.open && !t.Before(p.Start) && !t.After(p.End) && d.Has(t) && (len(out) == 0 || t.After(out[len(out)-1])) {
					out = append(out, t)
				}
			}
		}
	}
	return out
}
