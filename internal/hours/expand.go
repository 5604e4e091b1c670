package hours

import "time"

// Expand gives the instants of [from, to) at which the pattern is at work in
// the zone, as sorted ranges that neither overlap nor touch, in UTC. Its cost
// grows with the days between from and to: callers bound them.
func (p Pattern) Expand(zone *time.Location, from, to time.Time) []Range {
	if !from.Before(to) {
		return nil
	}
	var out []Range
	// A stretch may reach two days past the midnight it counts from.
	last := DateOf(to, zone)
	for d := DateOf(from, zone).AddDays(-2); d.Compare(last) <= 0; d = d.AddDays(1) {
		for _, s := range p.On(d) {
			r := Range{Start: d.At(s.Start, zone), End: d.At(s.End, zone)}
			if r = r.Intersect(Range{Start: from.UTC(), End: to.UTC()}); !r.Empty() {
				out = append(out, r)
			}
		}
	}
	return Normalize(out)
}
