package calibration

import (
	"cmp"
	"time"

	"bayhold/internal/hours"
)

// Harm is what the absence of a tool does to the work that stands. The fields
// are weighed in their order: one booking outweighs any number of promises, one
// promise any number of minutes.
type Harm struct {
	Unserved int   // bookings of the tool for which there is no substitute
	Moved    int   // bookings that must be moved in time
	Promises int   // hand-backs that would come after they were promised
	Minutes  int64 // by which starts of steps move, summed
	Swapped  int   // bookings that another tool takes over at the same time
}

// None tells that nothing at all happens to the work that stands.
func (h Harm) None() bool { return h == Harm{} }

// Compare tells which of two harms is the less: below 0 if it is h. Bookings
// that are moved and those without a substitute count alike.
func (h Harm) Compare(o Harm) int {
	return cmp.Or(cmp.Compare(h.Unserved+h.Moved, o.Unserved+o.Moved), cmp.Compare(h.Unserved, o.Unserved),
		cmp.Compare(h.Promises, o.Promises), cmp.Compare(h.Minutes, o.Minutes), cmp.Compare(h.Swapped, o.Swapped))
}

// Leave is a time for a tool to be away for calibration.
type Leave struct {
	During hours.Range
	Harm   Harm
}

// CompareLeaves orders leaves, the best first: by harm; of equal harm the one that
// starts nearest to the instant at which the tool falls due, since an earlier
// one gives away what is left of its calibration and a later one lets it lie
// idle; then the earliest.
func CompareLeaves(due time.Time) func(a, b Leave) int {
	return func(a, b Leave) int {
		return cmp.Or(a.Harm.Compare(b.Harm), cmp.Compare(a.Waste(due), b.Waste(due)), a.During.Start.Compare(b.During.Start))
	}
}

// Waste is how far from the due instant a leave starts.
func (l Leave) Waste(due time.Time) time.Duration { return l.During.Start.Sub(due).Abs() }

// Missing is the time for which the tool cannot be had if it takes the leave:
// from the end of its calibration, should that come first, and never from before
// now. Empty: a leave that is over.
func (l Leave) Missing(due, now time.Time) hours.Range {
	r := l.During
	if due.Before(r.Start) {
		r.Start = due
	}
	if r.Start.Before(now) {
		r.Start = now
	}
	return r
}

// Leaves are the leaves that may begin on a range of days: of so many whole days
// of the zone each, the first one included, on days for which open tells that
// somebody is there to hand the tool over. One that would begin in the past
// begins now.
func Leaves(from, until hours.Date, days int, zone *time.Location, now time.Time, open func(hours.Date) bool) []Leave {
	var out []Leave
	for day := from; day.Compare(until) <= 0; day = day.AddDays(1) {
		during := hours.Range{Start: day.At(0, zone), End: day.AddDays(days).At(0, zone)}
		if !during.End.After(now) || !open(day) {
			continue
		}
		if during.Start.Before(now) {
			during.Start = now
		}
		out = append(out, Leave{During: during})
	}
	return out
}
