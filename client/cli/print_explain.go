package cli

import (
	"fmt"
	"io"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printExplained says what binds a job, and what keeps a start from being
// possible.
func (a *app) printExplained(w io.Writer, c clock, f *workFlags, x explained) {
	back := x.resp.GetHandBackTime()
	if back == nil {
		writeText(w, "No: as things stand no hand-back was found from "+c.at(x.req.GetEarliestTime())+" to "+a.horizonText(c, x)+".", a.width())
	} else {
		writeText(w, "As things stand the earliest hand-back is "+c.at(back)+".", a.width())
	}
	fmt.Fprintln(w)
	switch reliefs := x.resp.GetReliefs(); {
	case len(reliefs) > 0 && back == nil:
		fmt.Fprintln(w, "What would make one possible, each by itself:")
		writeTable(w, reliefTable(c, reliefs, false), a.width())
	case len(reliefs) > 0:
		fmt.Fprintln(w, "What would bring it forward, each by itself:")
		writeTable(w, reliefTable(c, reliefs, true), a.width())
	case back == nil:
		writeText(w, "No single change of a bay, a person, a tool or their times would make one possible.", a.width())
	default:
		writeText(w, "No single change of a bay, a person, a tool or their times would bring it forward.", a.width())
	}
	if x.req.GetStartTime() != nil {
		fmt.Fprintln(w)
		a.printSmallestSet(w, c, f, x)
	}
}

// horizonText says until when was looked.
func (a *app) horizonText(c clock, x explained) string {
	if h := x.req.GetHorizonTime(); h != nil {
		return c.at(h)
	}
	return "eight weeks later"
}

// reliefTable lists what would help, the most first. Without a hand-back as
// things stand nothing is sooner than it.
func reliefTable(c clock, list []*bayholdv1.Relief, sooner bool) table {
	t := table{cols: []column{{title: "what would help", wrap: true}, {title: "hand-back then"}}}
	if sooner {
		t.cols = append(t.cols, column{title: "sooner by"})
	}
	for _, r := range list {
		row := []string{reliefText(r), c.at(r.GetHandBackTime())}
		if sooner {
			row = append(row, daysAndHours(time.Duration(r.GetSoonerMinutes())*time.Minute))
		}
		t.add(row...)
	}
	return t
}

// reliefText says in words what would change.
func reliefText(r *bayholdv1.Relief) string {
	thing := id(r.GetResource())
	switch r.GetKind() {
	case bayholdv1.Relief_KIND_ONE_MORE:
		return "one more: " + r.GetNeed()
	case bayholdv1.Relief_KIND_CALIBRATION:
		return "calibration of " + first(thing, r.GetNeed()) + " carried on" + ofNeed(thing, r.GetNeed())
	case bayholdv1.Relief_KIND_CLOSURE:
		if thing == "" {
			return "no wait for " + r.GetNeed()
		}
		return thing + " not closed or away" + ofNeed(thing, r.GetNeed())
	}
	return first(thing, r.GetNeed())
}

// ofNeed says in brackets what a thing is needed as, unless that is all that
// was said.
func ofNeed(thing, need string) string {
	if thing == "" || need == "" {
		return ""
	}
	return " (" + need + ")"
}

// printSmallestSet says what must be lifted for a start.
func (a *app) printSmallestSet(w io.Writer, c clock, f *workFlags, x explained) {
	start := c.at(x.req.GetStartTime())
	set := x.resp.GetSmallestSet()
	words := append(f.words(c), "--start", c.typed(x.req.GetStartTime().AsTime()))
	switch {
	case len(set) > 0:
		what := "If this one thing were lifted it could start"
		if len(set) > 1 {
			fewer := ""
			if x.resp.GetSmallestProved() {
				fewer = ", and no fewer,"
			}
			what = fmt.Sprintf("If these %d things were lifted%s it could start", len(set), fewer)
		}
		writeText(w, what+" "+start+" and wait for nothing:", a.width())
		writeTable(w, blockerTable(c, set), a.width())
	case x.resp.GetStartPossible():
		writeText(w, "It can start "+start+" as things stand, and wait for nothing.", a.width())
		fmt.Fprintf(w, "Book it: %s\n", a.again(append([]string{"job", "book", "--reference", "REFERENCE"}, words...)...))
	default:
		writeText(w, "It cannot start "+start+", and lifting bookings, closures and calibrations would not do.", a.width())
		fmt.Fprintf(w, "Try: %s\n", a.again(append([]string{"job", "check"}, words...)...))
	}
}

// daysAndHours shows a length of time that may be long: in days from two on.
func daysAndHours(d time.Duration) string {
	const day = 24 * time.Hour
	if d < 2*day {
		return hours(d)
	}
	text := fmt.Sprintf("%d days", d/day)
	if rest := d % day; rest > 0 {
		text += " " + hours(rest)
	}
	return text
}
