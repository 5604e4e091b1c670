package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printParts prints a job's parts list.
func (a *app) printParts(w io.Writer, c clock, j *bayholdv1.Job) {
	if len(j.GetParts()) == 0 {
		why := "needs no parts"
		if len(j.GetSteps()) == 0 {
			why = "is a reservation: it has no steps and no parts list"
		}
		writeText(w, fmt.Sprintf("Job %s (%s) %s.", id(j.GetName()), j.GetReference(), why), a.width())
		return
	}
	fmt.Fprintf(w, "Parts of job %s (%s):\n", id(j.GetName()), j.GetReference())
	t := table{cols: []column{
		{title: "part", wrap: true},
		{title: "how many", wrap: true},
		{title: "stands"},
		{title: "needed from"},
	}}
	for _, p := range j.GetParts() {
		needed := neededFrom(j, p)
		stands, from := strings.Replace(partStands(c, p), " ", "\n", 1), ""
		if p.GetState() == bayholdv1.PartState_PART_STATE_UNSPECIFIED {
			stands = "-"
		}
		if !needed.IsZero() {
			from = c.show(needed)
		}
		if partLate(p, needed) {
			from += "\ntoo late"
		}
		t.add(p.GetId()+"\n"+p.GetDisplayName(), howMany(p.GetQuantity(), p.GetIfWorn()), stands, from)
	}
	writeTable(w, t, a.width())
	fmt.Fprintf(w, "\nSay where one stands: %s\n", a.again("job", "part", id(j.GetName()), j.GetParts()[0].GetId(), "--here"))
	fmt.Fprintln(w, "                      or --ordered, --expected TIME, --unknown")
}

// howMany shows a quantity, and how many more it may become.
func howMany(quantity, ifWorn int32) string {
	switch {
	case ifWorn == 0:
		return count(quantity)
	case quantity == 0:
		return fmt.Sprintf("%d if worn", ifWorn)
	default:
		return fmt.Sprintf("%d, +%d if worn", quantity, ifWorn)
	}
}

// partStands says where a part stands.
func partStands(c clock, p *bayholdv1.JobPart) string {
	switch p.GetState() {
	case bayholdv1.PartState_PART_STATE_ORDERED:
		return "ordered"
	case bayholdv1.PartState_PART_STATE_EXPECTED:
		return "expected " + c.arrival(p.GetExpectedTime())
	case bayholdv1.PartState_PART_STATE_HERE:
		return "here"
	default:
		return "not marked"
	}
}

// neededFrom gives when the first step begins that needs a part; zero if the
// job has no such step.
func neededFrom(j *bayholdv1.Job, p *bayholdv1.JobPart) time.Time {
	var out time.Time
	for _, s := range j.GetSteps() {
		at := s.GetDuring().GetStart().AsTime()
		if slices.Contains(p.GetSteps(), s.GetId()) && (out.IsZero() || at.Before(out)) {
			out = at
		}
	}
	return out
}

// partsSummary tells in short how a job's parts stand.
func partsSummary(c clock, j *bayholdv1.Job) string {
	if len(j.GetParts()) == 0 {
		return ""
	}
	var here, ordered, unsaid int
	var expected, late []string
	for _, p := range j.GetParts() {
		switch p.GetState() {
		case bayholdv1.PartState_PART_STATE_HERE:
			here++
		case bayholdv1.PartState_PART_STATE_ORDERED:
			ordered++
		case bayholdv1.PartState_PART_STATE_EXPECTED:
			expected = append(expected, p.GetId()+" "+c.arrival(p.GetExpectedTime()))
		default:
			unsaid++
		}
		if partLate(p, neededFrom(j, p)) {
			late = append(late, p.GetId())
		}
	}
	var out []string
	for _, part := range []struct {
		n    int
		word string
	}{{here, "here"}, {ordered, "ordered"}, {len(expected), "expected"}, {unsaid, "not marked"}} {
		if part.n > 0 {
			out = append(out, fmt.Sprintf("%d %s", part.n, part.word))
		}
	}
	text := fmt.Sprintf("%d on the list: %s", len(j.GetParts()), strings.Join(out, ", "))
	if len(expected) > 0 {
		text += "\nexpected: " + strings.Join(expected, ", ")
	}
	if len(late) > 0 {
		text += "\ntoo late for the plan: " + strings.Join(late, ", ")
	}
	return text
}

// printPartMarked says where a part stands now, which steps it comes too late
// for, and what can be done about it.
func (a *app) printPartMarked(w io.Writer, c clock, part string, resp *bayholdv1.UpdateJobPartResponse) {
	j := resp.GetJob()
	stands, expected := "is no longer marked", false
	for _, p := range j.GetParts() {
		if p.GetId() == part {
			part = first(p.GetDisplayName(), part) + " (" + part + ")"
			expected = p.GetState() == bayholdv1.PartState_PART_STATE_EXPECTED
			if p.GetState() != bayholdv1.PartState_PART_STATE_UNSPECIFIED {
				stands = "is now " + partStands(c, p)
			}
		}
	}
	writeText(w, fmt.Sprintf("Job %s (%s): %s %s.", id(j.GetName()), j.GetReference(), part, stands), a.width())
	if len(resp.GetAffectedSteps()) == 0 {
		if expected {
			fmt.Fprintln(w, "No step that needs it is planned before that.")
		}
		return
	}
	fmt.Fprintln(w, "\nPlanned before it is there, and left where they are:")
	s := newStepTable(c)
	for _, st := range resp.GetAffectedSteps() {
		s.add(st.GetTitle(), st.GetDuring().GetStart().AsTime(), st.GetDuring().GetEnd().AsTime(), "", "")
	}
	writeTable(w, s.table, a.width())
	a.printReplan(w, c, j)
}

// printReplan says how to plan a job anew around its parts.
func (a *app) printReplan(w io.Writer, c clock, j *bayholdv1.Job) {
	work := workFlags{arrivals: expectedParts(j), insteadOf: j.GetName()}
	for _, p := range j.GetProcedures() {
		work.procedures = append(work.procedures, p.GetProcedure())
	}
	words := append(work.words(c), "--from", c.typed(later(roundUp(c.now), j.GetPlanned().GetStart().AsTime())))
	fmt.Fprintln(w)
	writeText(w, "Unless the part comes sooner, the job must be planned anew. This tells when it could be done, with what it holds now counted as free:", a.width())
	fmt.Fprintf(w, "  %s\n", a.again(append([]string{"job", "find"}, words...)...))
	a.printRebook(w, c, j, words)
}

// expectedParts gives the arrivals that a job waits for.
func expectedParts(j *bayholdv1.Job) []*bayholdv1.PartArrival {
	var out []*bayholdv1.PartArrival
	for _, p := range j.GetParts() {
		if p.GetState() == bayholdv1.PartState_PART_STATE_EXPECTED {
			out = append(out, &bayholdv1.PartArrival{Part: p.GetId(), ExpectedTime: p.GetExpectedTime()})
		}
	}
	return out
}

// printRebook says how to book a job in another way: anew, in the place of what
// it holds, in one act.
func (a *app) printRebook(w io.Writer, c clock, j *bayholdv1.Job, words []string) {
	book := append([]string{"job", "book", "--reference", j.GetReference()}, words...)
	if j.GetPromiseTime() != nil {
		book = append(book, "--promise", c.typed(j.GetPromiseTime().AsTime()))
	}
	if left := j.GetExpireTime().AsTime().Sub(c.now); j.GetExpireTime() != nil && left > 0 {
		book = append(book, "--tentative", fmt.Sprintf("%dh", (left+time.Hour-1)/time.Hour))
	}
	if j.GetNote() != "" {
		book = append(book, "--note", j.GetNote())
	}
	fmt.Fprintln(w, "To book it so, in the place of what it holds:")
	fmt.Fprintf(w, "  %s\n", a.again(book...))
}
