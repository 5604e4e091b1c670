package hours

import "time"

// Working is how much working time of the set lies in [from, to).
func Working(set []Range, from, to time.Time) time.Duration {
	span := Range{Start: from, End: to}
	var sum time.Duration
	for i := endingAfter(set, from); i < len(set) && set[i].Start.Before(to); i++ {
		sum += set[i].Intersect(span).Length()
	}
	return sum
}

// AddWorking is the first instant at which work of that length is done, if it
// begins at start and goes on whenever the set is at work. Nothing to do is
// done at start. It reports false if the set ends before the work does.
func AddWorking(set []Range, start time.Time, work time.Duration) (time.Time, bool) {
	if work <= 0 {
		return start, true
	}
	for i := endingAfter(set, start); i < len(set); i++ {
		r := set[i]
		if r.Start.Before(start) {
			r.Start = start
		}
		if work <= r.Length() {
			return r.Start.Add(work), true
		}
		work -= r.Length()
	}
	return time.Time{}, false
}
