package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// openAnswer is what could be done along with a job, and what was asked.
type openAnswer struct {
	req  *bayholdv1.ListWhileOpenRequest
	job  *bayholdv1.Job // nil for procedures that are not booked
	list []*bayholdv1.WhileOpen
	why  bool // tell all that stands in the way
}

// printWhileOpen prints what each procedure adds and saves at a glance, then
// parts, then what stands in the way, then how to go on.
func (a *app) printWhileOpen(w io.Writer, c clock, o openAnswer) {
	what := ids(o.req.GetProcedures())
	if o.job != nil {
		what = fmt.Sprintf("job %s (%s: %s)", id(o.job.GetName()), o.job.GetReference(), jobProcedures(o.job))
	}
	if len(o.list) == 0 {
		a.none(w, "other issued procedures of the engine family to do along with "+what)
		return
	}
	writeText(w, "While the engine is open for "+what+", what saves the most first:", a.width())
	fmt.Fprintln(w)
	writeTable(w, o.table(c), a.width())
	writeText(w, "people: their working time, each counted; bay: at least, if nothing is waited for.", a.width())
	if t := o.parts(); len(t.rows) > 0 {
		fmt.Fprintln(w)
		writeTable(w, t, a.width())
	}
	a.printOpenRefused(w, c, o)
	fmt.Fprintln(w)
	a.printOpenNext(w, c, o)
}

// judged tells whether the slot of a booked job was looked at.
func (o openAnswer) judged() bool {
	return slices.ContainsFunc(o.list, func(x *bayholdv1.WhileOpen) bool { return x.FitsSlot != nil })
}

// table sets what each procedure adds beside what it saves.
func (o openAnswer) table(c clock) table {
	t := table{cols: []column{{title: "procedure", wrap: true}, {title: "adds"}, {title: "saves"}, {title: "alone", drop: 1}}}
	slots := o.judged()
	if slots {
		t.cols = append(t.cols, column{title: "in the slot"})
	}
	for _, x := range o.list {
		row := []string{id(x.GetProcedure()) + "\n" + x.GetDisplayName(), work(x.GetAdded()), work(x.GetSaved()), work(x.GetAlone())}
		if x.GetRefused() != "" {
			row[1], row[2] = "cannot go along", ""
		}
		if features := x.GetBayFeatures(); len(features) > 0 {
			row[0] += "\nneeds a bay with " + strings.Join(features, ", ")
		}
		if slots {
			row = append(row, slotText(c, o.job, x))
		}
		t.add(row...)
	}
	return t
}

// slotText says whether a booked job's slot has room, the hand-back then, and
// whether it would miss the promise.
func slotText(c clock, job *bayholdv1.Job, x *bayholdv1.WhileOpen) string {
	var text string
	switch {
	case x.FitsSlot == nil:
		return ""
	case x.GetHandBackTime() == nil:
		return "no room"
	case x.GetFitsSlot():
		text = "fits, hand-back\n"
	default:
		text = "later, hand-back\n"
	}
	text += c.at(x.GetHandBackTime())
	if missesPromise(job, x) {
		text += "\nmisses promise"
	}
	return text
}

// missesPromise tells whether a job with more along would be handed back later
// than was promised.
func missesPromise(job *bayholdv1.Job, x *bayholdv1.WhileOpen) bool {
	promise := job.GetPromiseTime()
	return promise != nil && x.GetHandBackTime().AsTime().After(promise.AsTime())
}

// work shows an amount of work: the time of people, each counted, and the time
// in the bay.
func work(m *bayholdv1.WorkAmount) string {
	if m == nil {
		return ""
	}
	minutes := func(n int32) string { return hours(time.Duration(n) * time.Minute) }
	return "people " + minutes(m.GetPeopleMinutes()) + "\nbay " + minutes(m.GetBayMinutes())
}

// parts lists what each procedure adds to the parts list, and what the job
// renews anyway.
func (o openAnswer) parts() table {
	t := table{cols: []column{{title: "procedure"}, {title: "parts it adds", wrap: true}, {title: "parts renewed anyway", wrap: true}}}
	for _, x := range o.list {
		if len(x.GetParts())+len(x.GetSharedParts()) > 0 {
			t.add(id(x.GetProcedure()), first(partLines(x.GetParts()), "-"), first(partLines(x.GetSharedParts()), "-"))
		}
	}
	return t
}

// partLines shows lines of a parts list.
func partLines(list []*bayholdv1.PartLine) string {
	out := make([]string, len(list))
	for i, p := range list {
		out[i] = first(p.GetDisplayName(), p.GetId())
		if n := howMany(p.GetQuantity(), p.GetIfWorn()); n != "1" {
			out[i] += " (" + n + ")"
		}
	}
	return strings.Join(out, "\n")
}

// printOpenRefused says why procedures cannot go along, or not in this slot.
func (a *app) printOpenRefused(w io.Writer, c clock, o openAnswer) {
	for _, x := range o.list {
		switch {
		case x.GetRefused() != "":
			fmt.Fprintln(w)
			writeText(w, id(x.GetProcedure())+" cannot go along: "+x.GetRefused(), a.width())
		case o.why && len(x.GetBlockers()) > 0:
			fmt.Fprintf(w, "\nNo room for %s, step by step:\n", id(x.GetProcedure()))
			writeTable(w, blockerTable(c, x.GetBlockers()), a.width())
		}
	}
	if t := o.wanting(); !o.why && len(t.rows) > 0 {
		fmt.Fprintln(w)
		writeTable(w, t, a.width())
		fmt.Fprintf(w, "Step by step: %s\n", a.again("job", "while-open", id(o.job.GetName()), "--why"))
	}
}

// wanting tells in short what the slot lacks, procedures that lack the same
// together.
func (o openAnswer) wanting() table {
	t := table{cols: []column{{title: "no room for", wrap: true}, {title: "for want of", wrap: true}}}
	for _, x := range o.list {
		var needs []string
		for _, b := range x.GetBlockers() {
			if need := first(b.GetNeed(), b.GetMessage()); !slices.Contains(needs, need) {
				needs = append(needs, need)
			}
		}
		if len(needs) == 0 {
			continue
		}
		lack := strings.Join(needs, "; ")
		if n := slices.IndexFunc(t.rows, func(row []string) bool { return row[1] == lack }); n >= 0 {
			t.rows[n][0] += ", " + id(x.GetProcedure())
			continue
		}
		t.add(id(x.GetProcedure()), lack)
	}
	return t
}

// printOpenNext says how to go on with the first that can go along.
func (a *app) printOpenNext(w io.Writer, c clock, o openAnswer) {
	best := o.best()
	if best == nil {
		fmt.Fprintln(w, "None of them can go along.")
		return
	}
	along := workFlags{procedures: slices.Clone(o.req.GetProcedures())}
	for _, p := range o.job.GetProcedures() {
		along.procedures = append(along.procedures, p.GetProcedure())
	}
	along.procedures = append(along.procedures, best.GetProcedure())
	if o.job == nil {
		words := append([]string{"job", "find"}, along.words(c)...)
		fmt.Fprintf(w, "Plan one along: %s --from TIME\n", a.again(words...))
		return
	}
	if !o.judged() {
		writeText(w, "The job has begun: whether its slot has room is not told any more.", a.width())
		return
	}
	along.arrivals, along.insteadOf = expectedParts(o.job), o.job.GetName()
	start := c.typed(o.job.GetPlanned().GetStart().AsTime())
	if best.GetFitsSlot() {
		writeText(w, id(best.GetProcedure())+" fits. Nothing is changed yet.", a.width())
		a.printRebook(w, c, o.job, append(along.words(c), "--start", start))
		return
	}
	writeText(w, "None fits the slot. This tells when the job could be done with "+id(best.GetProcedure())+
		" along, with what it holds now counted as free:", a.width())
	words := append(along.words(c), "--from", start)
	fmt.Fprintf(w, "  %s\n", a.again(append([]string{"job", "find"}, words...)...))
	a.printRebook(w, c, o.job, words)
}

// best gives the procedure that saves the most: among those with room in the
// slot that keep the promise, else among those with room, else among all that
// can go along; nil if none can.
func (o openAnswer) best() *bayholdv1.WhileOpen {
	for _, good := range []func(*bayholdv1.WhileOpen) bool{
		func(x *bayholdv1.WhileOpen) bool { return x.GetFitsSlot() && !missesPromise(o.job, x) },
		(*bayholdv1.WhileOpen).GetFitsSlot,
		func(x *bayholdv1.WhileOpen) bool { return x.GetRefused() == "" },
	} {
		if n := slices.IndexFunc(o.list, good); n >= 0 {
			return o.list[n]
		}
	}
	return nil
}
