package cli

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// shownChanges is how many changes of an event are shown to people: one that
// books a job tells of every step.
const shownChanges = 8

func (a *app) printTrail(w io.Writer, c clock, got *bayholdv1.ShowTrailResponse) {
	if len(got.GetEvents()) == 0 {
		a.none(w, "events of that kind")
		return
	}
	if a.output() == "csv" {
		writeTable(w, trailTable(c, got.GetEvents()), a.width())
		return
	}
	for i, e := range got.GetEvents() {
		if i > 0 {
			fmt.Fprintln(w)
		}
		a.printDone(w, c, e)
	}
	if got.GetNextPageToken() != "" {
		fmt.Fprintf(w, "\nThere is more: --limit shows it.\n")
	}
}

// trailTable has a row for each change of each event, for programs.
func trailTable(c clock, events []*bayholdv1.Event) table {
	t := table{}
	for _, title := range []string{"revision", "time", "kind", "subject", "by", "token", "call", "request", "path", "before", "after"} {
		t.cols = append(t.cols, column{title: title})
	}
	for _, e := range events {
		changes := e.GetChanges()
		if len(changes) == 0 {
			changes = []*bayholdv1.EventChange{{}}
		}
		for _, ch := range changes {
			t.add(strconv.FormatInt(e.GetRevision(), 10), c.at(e.GetEventTime()), e.GetKind(), within(e.GetSubject()), e.GetActor(), e.GetToken(),
				e.GetMethod(), e.GetRequestId(), ch.GetPath(), ch.GetBefore(), ch.GetAfter())
		}
	}
	return t
}

// printDone prints an event with who did it how, and what it changed.
func (a *app) printDone(w io.Writer, c clock, e *bayholdv1.Event) {
	who := e.GetActor()
	if e.GetToken() != "" {
		who += " (token " + e.GetToken() + ")"
	}
	writeText(w, fmt.Sprintf("%d  %s  %s  %s, by %s", e.GetRevision(), c.full(e.GetEventTime().AsTime()),
		kindWords(e.GetKind()), within(e.GetSubject()), who), a.width())
	if m := e.GetMethod(); m != "" {
		fmt.Fprintf(w, "   by the call %s, request %s\n", m[strings.LastIndexByte(m, '/')+1:], e.GetRequestId())
	}
	changes := e.GetChanges()
	t := table{cols: []column{{}, {wrap: true}, {wrap: true}}, bare: true}
	for _, ch := range changes[:min(shownChanges, len(changes))] {
		t.add("  ", ch.GetPath(), changeWords(ch))
	}
	writeTable(w, t, a.width())
	if more := len(changes) - shownChanges; more > 0 {
		fmt.Fprintf(w, "    and %d more: --output json tells them\n", more)
	}
}

// within gives the name of a thing without its site, or else the site's own.
func within(name string) string {
	if parts := strings.SplitN(name, "/", 3); len(parts) == 3 {
		return parts[2]
	}
	return name
}

// changeWords tells a change as "before -> after".
func changeWords(ch *bayholdv1.EventChange) string {
	switch before, after := ch.GetBefore(), ch.GetAfter(); {
	case before == "":
		return after
	case after == "":
		return before + " -> (gone)"
	default:
		return before + " -> " + after
	}
}
