package calibration

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"bayhold/internal/hours"
)

// Impact is what a finding means for one tightening.
type Impact string

// The impacts, the most serious first.
const (
	// Outside: at the mean of the readings the joint is out of its tolerance.
	Outside Impact = "OUTSIDE"
	// Doubtful: in tolerance at the mean, out of it at one of the readings.
	Doubtful Impact = "DOUBTFUL"
	// NotJudged: nothing can be said; the line tells why.
	NotJudged Impact = "NOT_JUDGED"
	// Inside: in tolerance at every reading.
	Inside Impact = "INSIDE"
)

// Impacts lists them in that order.
func Impacts() []Impact { return []Impact{Outside, Doubtful, NotJudged, Inside} }

// Line is one tightening in doubt.
type Line struct {
	Tightening
	// Since is the evidence after which it is in doubt; nil: there is none,
	// everything before the finding is.
	Since *Evidence
	// Deviation is the tool's mean deviation as found, at this setting, a
	// fraction of what it gave; positive: it gave too little.
	Deviation float64
	// Torque is what the joint will really have had, in newton metres, at
	// the mean; Least and Greatest at the readings farthest out. All 0 for a
	// line that was not judged for want of a figure.
	Torque, Least, Greatest float64
	Impact                  Impact
	// Notes say what the figures rest on, and why a line was not judged.
	Notes []string
	// Decision closes the line; nil: it is open.
	Decision *Decision
}

// Cleared is a tightening before the finding that evidence takes out of doubt.
type Cleared struct {
	Tightening
	By Evidence
}

// Report is the reverse trace of a finding.
type Report struct {
	Finding Finding
	// Window is the time in doubt over all lines and settings; its start is
	// zero if some setting has no evidence at all. Without tightenings it is
	// that of the last evidence.
	Window hours.Range
	// Lines are by time; Cleared are the tightenings in the window that later
	// evidence speaks for, by time.
	Lines   []Line
	Cleared []Cleared
}

// Count tells how many lines have an impact.
func (r Report) Count(impact Impact) int {
	n := 0
	for _, l := range r.Lines {
		if l.Impact == impact {
			n++
		}
	}
	return n
}

// Trace works out what a tool has touched that was found out of tolerance: each
// of its tightenings since the last evidence that speaks for the setting, the
// torque it will really have had, and whether its joint is inside its own
// tolerance. The tool is taken to have deviated all that time as it was found.
// Tightenings and evidence come in any order; tightenings must be the tool's.
func Trace(f Finding, evidence []Evidence, tightenings []Tightening) Report {
	r := Report{Finding: f}
	for i, t := range tightenings {
		direction := cmp.Or(t.Direction, Clockwise)
		window, since := f.window(evidence, direction, t.Setting())
		if i == 0 || window.Start.Before(r.Window.Start) {
			r.Window = window
		}
		switch {
		case !t.At.Before(f.Until):
		case since != nil && t.At.Before(since.From):
			r.Cleared = append(r.Cleared, Cleared{t, *since})
		default:
			line := Line{Tightening: t, Since: since}
			line.judge(curveOf(f.Points, direction), direction)
			r.Lines = append(r.Lines, line)
		}
	}
	if len(tightenings) == 0 {
		r.Window = f.lastWindow(evidence)
	}
	r.Cleared = slices.DeleteFunc(r.Cleared, func(c Cleared) bool { return c.At.Before(r.Window.Start) })
	slices.SortStableFunc(r.Lines, func(a, b Line) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(r.Cleared, func(a, b Cleared) int { return a.At.Compare(b.At) })
	return r
}

// lastWindow is the window since the last evidence, whatever it covers.
func (f Finding) lastWindow(evidence []Evidence) hours.Range {
	w := hours.Range{End: f.Until}
	for _, e := range evidence {
		if e.From.Before(f.At) && e.From.After(w.Start) {
			w.Start = e.From
		}
	}
	return w
}

// judge fills in what the joint will have had. An angle that was turned is not
// wrong because the torque wrench was.
func (l *Line) judge(c curve, direction Direction) {
	l.Impact = NotJudged
	set := l.Setting()
	given := set * l.ratio()
	switch {
	case l.Angle > 0:
		l.note("an angle stage: a deviation of torque says nothing of it")
		return
	case !finite(given) || given <= 0:
		l.note("what the tool gave is not recorded")
		return
	case len(c) == 0:
		l.note("the tool was not read %s", directionWords[direction])
		return
	}
	if l.Set == 0 {
		l.note("the tool is taken to have been set to %s N·m, for the wanted torque", number(set))
	}
	if l.Since == nil {
		l.note("no evidence speaks for this setting: all use before the finding is in doubt")
	}
	least, mean, greatest, beyond := c.at(set)
	if beyond {
		l.note("%s N·m is beyond the points %s to %s N·m: the nearest point's deviation was taken",
			number(set), number(c[0].Nominal), number(c[len(c)-1].Nominal))
	}
	l.Deviation = mean
	l.Torque = Delivered(given, mean)
	// The greatest deviation is the least torque.
	l.Least, l.Greatest = Delivered(given, greatest), Delivered(given, least)
	switch {
	case l.Tolerance <= 0 || l.Wanted <= 0:
		l.note("the joint has no stated tolerance")
	case !l.within(l.Torque):
		l.Impact = Outside
	case !l.within(l.Least) || !l.within(l.Greatest):
		l.Impact = Doubtful
	default:
		l.Impact = Inside
	}
}

var directionWords = map[Direction]string{Clockwise: "clockwise", Counterclockwise: "counterclockwise"}

func (l *Line) note(format string, args ...any) {
	l.Notes = append(l.Notes, fmt.Sprintf(format, args...))
}

// within tells whether a torque lies in the joint's tolerance, ends included.
func (l *Line) within(torque float64) bool {
	return math.Abs(torque-l.Wanted) <= l.Wanted*(l.Tolerance+rounding)
}
