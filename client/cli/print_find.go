package cli

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// abreast is how many options stand side by side.
const abreast = 3

// printOptions prints plans side by side, and how to book them.
func (a *app) printOptions(w io.Writer, c clock, f *workFlags, req *bayholdv1.FindPlansRequest, options []*bayholdv1.PlanOption) {
	n := 0
	for chunk := range slices.Chunk(options, abreast) {
		writeTable(w, optionTable(c, chunk, n), a.width())
		fmt.Fprintln(w)
		n += len(chunk)
	}
	// They are the same for every option: those that were asked for.
	if parts := arrivalLines(c, options[0].GetPlan().GetPartArrivals()); parts != "" {
		writeTable(w, facts([2]string{"Waits for", parts}), a.width())
		fmt.Fprintln(w)
	}
	words := append([]string{"job", "book", "--reference", "REFERENCE"}, f.words(c)...)
	words = append(words, "--from", c.typed(req.GetEarliestTime().AsTime()))
	if req.GetHorizonTime() != nil {
		words = append(words, "--horizon", c.typed(req.GetHorizonTime().AsTime()))
	}
	if f.confidence > 0 {
		words = append(words, "--promise", probability(f.confidence))
	}
	fmt.Fprintf(w, "Book it: %s\n", a.again(words...))
	if len(options) > 1 {
		fmt.Fprintln(w, "         with --choose shortest for the fewest hours in the bay")
	}
	if f.confidence > 0 {
		fmt.Fprintf(w, "Promises hold with %s, by simulation.\n", probability(f.confidence))
	}
	a.printSafety(w)
}

// optionTable sets options side by side, numbered on from the ones before.
func optionTable(c clock, options []*bayholdv1.PlanOption, before int) table {
	t := table{cols: []column{{}}, bare: true}
	rows := [][]string{{""}, {"Best at"}, {"Start"}, {"Hand-back"}, {""}, {promiseLabel(options)}, {"Bay"}, {"In the bay"}, {"Disturbs"}}
	people, held := sideBySide{}, sideBySide{}
	for i, o := range options {
		p := o.GetPlan()
		t.cols = append(t.cols, column{wrap: true})
		proof := ""
		if slices.Contains(o.GetMerits(), bayholdv1.PlanOption_MERIT_EARLIEST_HAND_BACK) {
			proof = quality(c, p)
		}
		for r, cell := range []string{
			fmt.Sprintf("Option %d", before+i+1), merits(o), c.at(p.GetStartTime()), c.at(p.GetHandBackTime()), proof, c.at(o.GetPromiseTime()),
			id(p.GetBay()), hours(inBay(p)), disturbs(c, o),
		} {
			rows[r] = append(rows[r], cell)
		}
		for _, w := range workingPeople(c, p) {
			people.set(w.who, i, hours(w.time))
		}
		show := c.span
		if inBay(p) < 6*24*time.Hour {
			show = c.brief
		}
		for _, cl := range plannedClaims(c, p, tools, true) {
			held.set(id(cl.resource), i, cl.span(show))
		}
	}
	t.rows = slices.DeleteFunc(rows, func(row []string) bool { return strings.Join(row, "") == "" })
	people.write(&t, "Working time", len(options))
	held.write(&t, "Tools held", len(options))
	return t
}

// promiseLabel heads the promises of options, if there are any.
func promiseLabel(options []*bayholdv1.PlanOption) string {
	if options[0].GetPromiseTime() == nil {
		return ""
	}
	return "Promise"
}

// sideBySide is what several options say of the same things.
type sideBySide map[string]map[int]string

// set notes what an option says of a thing.
func (s sideBySide) set(thing string, option int, text string) {
	if s[thing] == nil {
		s[thing] = map[int]string{}
	}
	s[thing][option] = text
}

// write appends a row for each thing, by name, under a heading.
func (s sideBySide) write(t *table, heading string, options int) {
	if len(s) == 0 {
		return
	}
	t.section(heading)
	for _, thing := range slices.Sorted(maps.Keys(s)) {
		row := []string{"  " + thing}
		for i := range options {
			row = append(row, first(s[thing][i], "-"))
		}
		t.add(row...)
	}
}

// disturbs says which booked jobs an option moves, and where to.
func disturbs(c clock, o *bayholdv1.PlanOption) string {
	var out []string
	for _, d := range o.GetDisturbed() {
		text := fmt.Sprintf("%s (job %s): from %s to %s, handed back %s", d.GetReference(), id(d.GetJob()),
			c.at(d.GetPlanned().GetStart()), c.at(d.GetPlan().GetStartTime()), c.at(d.GetPlan().GetHandBackTime()))
		switch {
		case d.GetPromiseMissed():
			text += ", after its promise"
		case d.GetPromiseTime() != nil:
			text += ", in time"
		}
		out = append(out, text)
	}
	return first(strings.Join(out, "; "), "nothing")
}

// printDisturbing prints what could be had if a booked job gave way, and how.
func (a *app) printDisturbing(w io.Writer, c clock, req *bayholdv1.FindPlansRequest, options []*bayholdv1.PlanOption) {
	if !req.GetWithDisturbing() {
		return
	}
	fmt.Fprintln(w)
	if len(options) == 0 {
		writeText(w, "No way was found to hand it back earlier by moving one booked job.", a.width())
		return
	}
	writeText(w, "Handed back earlier, if one booked job gives way:", a.width())
	fmt.Fprintln(w)
	writeTable(w, optionTable(c, options, 0), a.width())
	var ids []string
	for _, p := range req.GetProcedures() {
		ids = append(ids, id(p))
	}
	fmt.Fprintln(w)
	for _, d := range options[0].GetDisturbed() {
		fmt.Fprintf(w, "Go on: %s\n", a.again("job", "arrange", "--job", id(d.GetJob()), "--new",
			"REFERENCE="+strings.Join(ids, ",")+"@"+c.typed(req.GetEarliestTime().AsTime()), "--to", "FILE"))
		fmt.Fprintf(w, "       %s\n", a.again("job", "move", "--arrangement", "FILE"))
	}
}

// merits says what an option is best at.
func merits(o *bayholdv1.PlanOption) string {
	var out []string
	for _, m := range o.GetMerits() {
		switch m {
		case bayholdv1.PlanOption_MERIT_EARLIEST_HAND_BACK:
			out = append(out, "earliest hand-back")
		case bayholdv1.PlanOption_MERIT_FEWEST_BAY_HOURS:
			out = append(out, "fewest hours in the bay")
		}
	}
	if len(o.GetDisturbed()) > 0 {
		return "handed back earlier"
	}
	return first(strings.Join(out, ", "), "lies between")
}

// printNothingFound says that there is no plan, and how sure that is.
func (a *app) printNothingFound(w io.Writer, c clock, f *workFlags, req *bayholdv1.FindPlansRequest, resp *bayholdv1.FindPlansResponse) {
	within := "from " + c.at(req.GetEarliestTime())
	if req.GetHorizonTime() != nil {
		within += " to " + c.at(req.GetHorizonTime())
	}
	if resp.GetOutcome() == bayholdv1.FindPlansResponse_OUTCOME_NOT_FOUND {
		writeText(w, "No plan was found "+within+" with the work allowed; there may be one.", a.width())
	} else {
		writeText(w, "No: there is no plan "+within+". That is proved.", a.width())
	}
	if len(resp.GetBlockers()) > 0 {
		fmt.Fprintln(w, "\nWhat stands in the way, step by step:")
		writeTable(w, blockerTable(c, resp.GetBlockers()), a.width())
	}
	wider := *f
	wider.bay = ""
	words := append([]string{"job", "find"}, wider.words(c)...)
	words = append(words, "--from", c.typed(req.GetEarliestTime().AsTime()), "--horizon",
		dateOf(req.GetEarliestTime().AsTime().In(c.zone)).plus(180).String())
	fmt.Fprintf(w, "\nTry: %s\n", a.again(words...))
}
