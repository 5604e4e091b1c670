package hours_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/hours"
)

var epoch = time.Date(2026, 11, 23, 0, 0, 0, 0, time.UTC)

// horizon is how many minutes the sets of these tests live in: few enough to
// look at each of them.
const horizon = 200

func minute(n int) time.Time { return epoch.Add(time.Duration(n) * time.Minute) }

func between(a, b int) hours.Range { return hours.Range{Start: minute(a), End: minute(b)} }

// anyRange draws a range, which may be empty or turned about.
func anyRange(t *rapid.T, label string) hours.Range {
	return between(rapid.IntRange(0, horizon).Draw(t, label+" start"), rapid.IntRange(0, horizon).Draw(t, label+" end"))
}

func anySet(t *rapid.T, label string) []hours.Range {
	return hours.Normalize(rapid.SliceOfN(rapid.Custom(func(t *rapid.T) hours.Range { return anyRange(t, label) }), 0, 8).Draw(t, label))
}

// has looks for a minute in ranges of any kind, one after the other.
func has(set []hours.Range, n int) bool {
	for _, r := range set {
		if r.Has(minute(n)) {
			return true
		}
	}
	return false
}

func checkNormal(t *rapid.T, set []hours.Range) {
	for i, r := range set {
		if r.Empty() || i > 0 && !set[i-1].End.Before(r.Start) {
			t.Fatalf("not in normal form: %v", set)
		}
	}
}

func TestSetsAgreeMinuteByMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		loose := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) hours.Range { return anyRange(t, "loose") }), 0, 8).Draw(t, "loose")
		a, b := anySet(t, "a"), anySet(t, "b")
		normal, union, both, rest := hours.Normalize(loose), hours.Union(a, b), hours.Intersect(a, b), hours.Subtract(a, b)
		for _, s := range [][]hours.Range{normal, union, both, rest} {
			checkNormal(t, s)
		}
		for n := range horizon + 1 {
			inA, inB := has(a, n), has(b, n)
			if has(normal, n) != has(loose, n) || has(union, n) != (inA || inB) || has(both, n) != (inA && inB) || has(rest, n) != (inA && !inB) {
				t.Fatalf("minute %d: union %v both %v rest %v normal %v", n, union, both, rest, normal)
			}
		}
	})
}

func TestContainsAndOverlapsAgreeMinuteByMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set, r := anySet(t, "set"), anyRange(t, "r")
		all, some := true, false
		for n := range horizon + 1 {
			if r.Has(minute(n)) {
				all = all && has(set, n)
				some = some || has(set, n)
			}
		}
		if got := hours.Contains(set, r); got != all {
			t.Fatalf("Contains(%v, %v) = %v", set, r, got)
		}
		if got := hours.Overlaps(set, r); got != some {
			t.Fatalf("Overlaps(%v, %v) = %v", set, r, got)
		}
	})
}

func TestWorkingAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := anySet(t, "set")
		start := minute(rapid.IntRange(-10, horizon+10).Draw(t, "start"))
		total := hours.Working(set, start, minute(horizon))
		work := time.Duration(rapid.IntRange(0, horizon+10).Draw(t, "work")) * time.Minute

		end, ok := hours.AddWorking(set, start, work)
		if ok != (work <= total) {
			t.Fatalf("AddWorking(%v, %v, %v) found %v, but %v is there", set, start, work, ok, total)
		}
		if !ok {
			return
		}
		if got := hours.Working(set, start, end); got != work {
			t.Fatalf("working to %v is %v, want %v", end, got, work)
		}
		if work > 0 && hours.Working(set, start, end.Add(-time.Second)) >= work {
			t.Fatalf("%v is not the first instant at which %v are done", end, work)
		}
		middle := minute(rapid.IntRange(0, horizon).Draw(t, "middle"))
		if middle.Before(start) || end.Before(middle) {
			return
		}
		if sum := hours.Working(set, start, middle) + hours.Working(set, middle, end); sum != work {
			t.Fatalf("cut at %v it is %v, want %v", middle, sum, work)
		}
	})
}

func TestExpandOfCutTimes(t *testing.T) {
	zones := []*time.Location{zone(t, "Europe/Berlin"), zone(t, "America/New_York"), zone(t, "Australia/Lord_Howe"), zone(t, "Asia/Tokyo")}
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		p, q := anyPattern(t, "p"), anyPattern(t, "q")
		if err := p.Validate(); err != nil {
			t.Fatalf("anyPattern drew what is not sound: %v", err)
		}
		from := time.Date(2026, time.Month(rapid.SampledFrom([]int{3, 4, 10, 11}).Draw(t, "month")), rapid.IntRange(1, 30).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		to := from.Add(time.Duration(rapid.IntRange(0, 20*1440).Draw(t, "minutes")) * time.Minute)
		cut := from.Add(time.Duration(rapid.IntRange(0, int(to.Sub(from)/time.Minute)).Draw(t, "cut")) * time.Minute)

		whole := p.Expand(z, from, to)
		checkNormal(t, whole)
		if diff := cmp.Diff(whole, hours.Union(p.Expand(z, from, cut), p.Expand(z, cut, to))); diff != "" {
			t.Fatalf("cut in two: -want +got:\n%s", diff)
		}
		both := p
		for d := range both.Week {
			both.Week[d] = append(append([]hours.Stretch(nil), p.Week[d]...), q.Week[d]...)
		}
		if diff := cmp.Diff(hours.Union(whole, q.Expand(z, from, to)), both.Expand(z, from, to)); diff != "" {
			t.Fatalf("union of patterns: -want +got:\n%s", diff)
		}
	})
}

// anyPattern draws a sound week; a day's stretches end by the next midnight,
// but for one that may run on into a day whose work begins later.
func anyPattern(t *rapid.T, label string) hours.Pattern {
	var p hours.Pattern
	for d := range p.Week {
		at := rapid.IntRange(360, 600).Draw(t, label+" first")
		for range rapid.IntRange(0, 3).Draw(t, label+" count") {
			s := hours.Stretch{Start: at, End: at + rapid.IntRange(1, 300).Draw(t, label+" length")}
			if s.Start >= 1440 {
				break
			}
			p.Week[d] = append(p.Week[d], s)
			at = s.End + rapid.IntRange(0, 60).Draw(t, label+" pause")
		}
	}
	return p
}
