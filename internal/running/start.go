package running

import (
	"fmt"
	"slices"
	"time"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// MayStart tells what stands against a technician beginning a step, or going on
// with one that is paused, at a time. The technician may be empty: then only the
// work itself is judged.
func (w Work) MayStart(step, technician string, at time.Time, s Scene) []Blocker {
	out := w.standing()
	i := w.Index(step)
	if i < 0 || len(out) > 0 {
		return out
	}
	switch w.State(step) {
	case Open:
		out = append(out, w.against(step, at)...)
	case Paused:
	case Running:
		return append(out, Blocker{Kind: StepState, Step: step, Message: fmt.Sprintf("%s runs since %s: finish or pause it", step, s.when(w.last(step).At))})
	case Waived:
		return append(out, Blocker{Kind: StepState, Step: step, Message: step + " was waived: it is not done in this job"})
	case Finished:
		out = append(out, Blocker{Kind: DoneAlready, Step: step, Message: fmt.Sprintf(
			"%s was finished %s: to do it once more takes a manager's word", step, s.when(w.last(step).At))})
		out = append(out, w.against(step, at)...)
	}
	out = append(out, s.tools(w, i, at)...)
	out = append(out, w.locked(i, s)...)
	return append(out, w.person(i, technician, s)...)
}

// standing tells what keeps anything from being recorded of the job.
func (w Work) standing() []Blocker {
	switch {
	case w.Record.Closing != nil:
		return []Blocker{{Kind: JobClosed, Message: "the job is closed: nothing more is recorded of it"}}
	case !w.Firm:
		return []Blocker{{Kind: JobNotFirm, Message: "the job is not confirmed: confirm it, or look whether it was cancelled"}}
	}
	return nil
}

// against tells what stands against a step by the order of the work: what comes
// before it must be done and signed, waits be over, and every hold point on the
// way to it passed.
func (w Work) against(step string, at time.Time) []Blocker {
	var out []Blocker
	i := w.Index(step)
	direct := map[int]bool{}
	for _, a := range w.into(i, map[int]bool{}) {
		if !direct[a.From] {
			direct[a.From] = true
			out = append(out, w.precedes(a, at)...)
		}
	}
	for _, k := range w.before(i) {
		s := w.Network.Steps[k]
		if !direct[k] && s.Step.HoldPoint && !w.Done(s.ID) {
			out = append(out, Blocker{Kind: Unsigned, Step: s.ID, Message: fmt.Sprintf(
				"nobody passes the hold point %s (%s) before it is done and signed", s.ID, s.Step.Title)})
		}
	}
	return out
}

// into gives the arcs that lead to a step. Through a waived step they lead on:
// what comes before it still comes first.
func (w Work) into(i int, seen map[int]bool) []procedure.Arc {
	var out []procedure.Arc
	for _, a := range w.Network.Arcs {
		switch {
		case a.To != i || seen[a.From]:
		case w.State(w.Network.Steps[a.From].ID) == Waived:
			seen[a.From] = true
			out = append(out, w.into(a.From, seen)...)
		default:
			out = append(out, a)
		}
	}
	return out
}

// precedes tells what stands against the end of an arc.
func (w Work) precedes(a procedure.Arc, at time.Time) []Blocker {
	from := w.Network.Steps[a.From]
	switch state := w.State(from.ID); {
	case state != Finished:
		how := map[State]string{Open: "is not begun", Running: "still runs", Paused: "is paused"}[state]
		return []Blocker{{Kind: Before, Step: from.ID, Message: fmt.Sprintf("%s (%s) comes first, and %s", from.ID, from.Step.Title, how)}}
	case w.Unsigned(from.ID) > 0:
		return []Blocker{{Kind: Unsigned, Step: from.ID, Message: fmt.Sprintf(
			"%s (%s) lacks %s: have it signed", from.ID, from.Step.Title, signatures(w.Unsigned(from.ID)))}}
	case a.Lag > 0:
		until := w.last(from.ID).At.Add(time.Duration(a.Lag) * time.Minute)
		if until.After(at) {
			return []Blocker{{Kind: Waiting, Step: from.ID, Until: until, Message: fmt.Sprintf(
				"%s (%s) is followed by a wait of %d min, which is not over", from.ID, from.Step.Title, a.Lag)}}
		}
	}
	return nil
}

func signatures(n int) string {
	if n == 1 {
		return "a signature"
	}
	return fmt.Sprintf("%d signatures, each by somebody else", n)
}

// before are the steps that come before a step, directly or not, ascending.
func (w Work) before(i int) []int {
	seen := map[int]bool{}
	var walk func(int)
	walk = func(to int) {
		for _, a := range w.Network.Arcs {
			if a.To == to && !seen[a.From] {
				seen[a.From] = true
				walk(a.From)
			}
		}
	}
	walk(i)
	out := make([]int, 0, len(seen))
	for k := range seen {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// locked tells which locking tools are on the engine that a step would turn
// under power: fitted by a step that has begun, neither taken off by the step
// that releases them nor returned. To waive that step takes nothing off.
func (w Work) locked(i int, s Scene) []Blocker {
	if !w.Network.Steps[i].Step.TurnsEngine {
		return nil
	}
	var out []Blocker
	for _, h := range w.Network.Holds {
		if len(h.Steps) == 0 || w.State(w.Network.Steps[h.Steps[0]].ID) == Open || w.State(w.Network.Steps[h.Steps[0]].ID) == Waived {
			continue
		}
		off := w.Network.Steps[h.Steps[len(h.Steps)-1]]
		if w.Done(off.ID) && w.State(off.ID) != Waived { // waived: who knows whether it is off
			continue
		}
		for _, tag := range s.holding(w, h) {
			tool := s.Tools[tag]
			if tool.Type.Purpose != site.Locking || tool.Issue == nil || tool.Issue.Job != 0 && tool.Issue.Job != s.Job {
				continue
			}
			out = append(out, Blocker{Kind: Locked, Step: off.ID, Tool: tag, Message: fmt.Sprintf(
				"%s is on the engine, and this step turns it under power: finish %s (%s) or return %s first", tag, off.ID, off.Step.Title, tag)})
		}
	}
	return out
}

// holding are the tools that are booked for all the steps of a hold.
func (s Scene) holding(w Work, h procedure.NetHold) []string {
	var out []string
	for n, k := range h.Steps {
		booked := s.Booked[w.Network.Steps[k].ID]
		if n == 0 {
			out = slices.Clone(booked)
			continue
		}
		out = slices.DeleteFunc(out, func(tag string) bool { return !slices.Contains(booked, tag) })
	}
	return out
}

// person tells what stands against the technician.
func (w Work) person(i int, technician string, s Scene) []Blocker {
	step := w.Network.Steps[i]
	if technician == "" || step.Step.Mode == procedure.Unattended {
		return nil
	}
	var out []Blocker
	if who, known := s.Technicians[technician]; known && !skilled(who, step.Step.Crew) {
		out = append(out, Blocker{Kind: NoSkill, Step: step.ID, Message: fmt.Sprintf(
			"%s has not the skills that the step asks of anybody (%s)", technician, crewWords(step.Step.Crew))})
	}
	busy := s.Elsewhere[technician]
	for _, other := range w.Network.Steps {
		if other.ID != step.ID && other.Step.Mode != procedure.Unattended && w.State(other.ID) == Running && w.last(other.ID).Technician == technician {
			busy = other.ID
		}
	}
	if busy != "" {
		out = append(out, Blocker{Kind: Busy, Step: busy, Message: fmt.Sprintf("%s is at %s: pause or finish that first", technician, busy)})
	}
	return out
}

func skilled(t site.Technician, crew []procedure.Crew) bool {
	return len(crew) == 0 || slices.ContainsFunc(crew, func(c procedure.Crew) bool {
		return !slices.ContainsFunc(c.Skills, func(skill string) bool { return !slices.Contains(t.Skills, skill) })
	})
}

func crewWords(crew []procedure.Crew) string {
	out := ""
	for i, c := range crew {
		if i > 0 {
			out += "; "
		}
		out += c.String()
	}
	return out
}
