package running

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
)

// MayPause tells what stands against interrupting a step.
func (w Work) MayPause(step string) []Blocker { return w.inHand(step, "paused", Running) }

// MayFinish tells what stands against finishing a step: it runs, what it uses up
// is ticked, every check and tightening is recorded and inside its limits.
func (w Work) MayFinish(step string) []Blocker {
	out := w.inHand(step, "finished", Running)
	if i := w.Index(step); i >= 0 && len(out) == 0 {
		out = w.missing(i)
	}
	return out
}

// MayRecord tells what stands against recording readings or parts of a step.
func (w Work) MayRecord(step string) []Blocker { return w.inHand(step, "recorded of", Running) }

// MayUse tells whether a part may be ticked: one of the step's own; if it
// replaces fasteners, single-use ones whose tightening was interrupted, no more
// than there are parts.
func (w Work) MayUse(step string, p PartUsed) error {
	if against := w.inHand(step, "recorded of", Running, Paused); len(against) > 0 {
		return refused(against[0])
	}
	i := w.Index(step)
	if i < 0 {
		return fault.New(fault.NotFound, "NOT_FOUND", "the job has no step %q", step)
	}
	at := slices.IndexFunc(w.Network.Steps[i].Step.Parts, func(q procedure.Part) bool { return q.ID == p.Part })
	switch {
	case at < 0:
		return invalid("part", "the step uses no part %q; it uses %s", clip(p.Part), partIDs(w.Network.Steps[i].Step))
	case p.Quantity < 1 || p.Quantity > 10_000:
		return invalid("quantity", "%d: give how many were fitted", p.Quantity)
	case len(p.Fasteners) == 0:
		return nil
	case !w.Network.Steps[i].Step.Parts[at].SingleUse:
		return invalid("part", "%s is no single-use part: it replaces no fastener", p.Part)
	case len(p.Fasteners) > p.Quantity:
		return invalid("quantity", "%d × %s cannot be %d fasteners", p.Quantity, p.Part, len(p.Fasteners))
	}
	broken := w.Interrupted(step)
	for n, f := range p.Fasteners {
		if !slices.Contains(broken, f) || slices.Contains(p.Fasteners[:n], f) {
			return invalid("fasteners", "fastener %d needs no replacement; interrupted are: %s", f, cmp.Or(numbers(broken), "none"))
		}
	}
	return nil
}

func partIDs(step procedure.Step) string {
	ids := make([]string, 0, len(step.Parts))
	for _, p := range step.Parts {
		ids = append(ids, p.ID)
	}
	return cmp.Or(strings.Join(ids, ", "), "none")
}

// inHand refuses what needs a step in one of these states.
func (w Work) inHand(step, what string, in ...State) []Blocker {
	if out := w.standing(); len(out) > 0 {
		return out
	}
	state := w.State(step)
	if slices.Contains(in, state) {
		return nil
	}
	how := map[State]string{
		Open: "is not begun: start it first", Paused: "is paused: start it again first", Running: "runs",
		Finished: "is finished already", Waived: "was waived",
	}[state]
	return []Blocker{{Kind: StepState, Step: step, Message: fmt.Sprintf("%s %s; it cannot be %s", step, how, what)}}
}

// MaySign tells what stands against a technician signing a step: it is begun,
// what is to be signed is there and inside its limits or let pass by a manager,
// and the same person has not signed.
func (w Work) MaySign(step, technician string) []Blocker {
	if out := w.inHand(step, "signed", Running, Paused, Finished); len(out) > 0 {
		return out
	}
	i := w.Index(step)
	if i < 0 {
		return nil
	}
	if Signers(w.Network.Steps[i].Step) == 0 {
		return []Blocker{{Kind: StepState, Step: step, Message: step + " takes no signature: finishing it is enough"}}
	}
	out := w.unpassed(i)
	if slices.ContainsFunc(w.Signatures(step), func(s SignOff) bool { return s.Technician == technician }) {
		out = append(out, Blocker{Kind: SignedAlready, Step: step, Message: fmt.Sprintf(
			"%s has signed %s already: the other signature must be somebody else's", technician, step)})
	}
	return out
}

// unpassed is what a step lacks and no manager has let pass in its last run.
func (w Work) unpassed(i int) []Blocker {
	step := w.Network.Steps[i].ID
	run := w.Run(step)
	return slices.DeleteFunc(w.missing(i), func(b Blocker) bool {
		return slices.ContainsFunc(w.Record.Overrides, func(o Override) bool {
			return o.Step == step && o.Run == run && o.Act == Finish && slices.ContainsFunc(o.Against, func(p Blocker) bool {
				return p.Kind == b.Kind && p.Message == b.Message
			})
		})
	})
}

// MayWaive tells what stands against waiving a step.
func (w Work) MayWaive(step string) []Blocker {
	return w.inHand(step, "waived", Open, Running, Paused)
}

// MayClose tells what stands against closing the job: every step is done and
// signed or waived, none with a reading outside that nobody let pass, and its
// tools are back.
func (w Work) MayClose(s Scene) []Blocker {
	out := w.standing()
	if len(out) > 0 {
		return out
	}
	for i, st := range w.Network.Steps {
		switch state := w.State(st.ID); {
		case state == Waived:
		case state != Finished:
			out = append(out, Blocker{Kind: StepOpen, Step: st.ID, Message: fmt.Sprintf(
				"%s (%s) is neither done nor waived", st.ID, st.Step.Title)})
		case w.Unsigned(st.ID) > 0:
			out = append(out, Blocker{Kind: Unsigned, Step: st.ID, Message: fmt.Sprintf(
				"%s (%s) lacks %s", st.ID, st.Step.Title, signatures(w.Unsigned(st.ID)))})
		default:
			out = append(out, w.unpassed(i)...)
		}
	}
	for _, tag := range sortedTags(s.Tools) {
		if issue := s.Tools[tag].Issue; issue != nil && issue.Job == s.Job {
			out = append(out, Blocker{Kind: ToolOut, Tool: tag, Message: fmt.Sprintf(
				"%s is still with %s for this job: return it, and count it", tag, issue.Technician)})
		}
	}
	return out
}

func sortedTags(tools map[string]Tool) []string {
	out := make([]string, 0, len(tools))
	for tag := range tools {
		out = append(out, tag)
	}
	slices.Sort(out)
	return out
}

// Late is a step that has not ended when it should have.
type Late struct {
	Step    string
	By      time.Time // when it should have ended
	Minutes int       // how long ago that is
}

// Late are the steps that should have ended by now and have not, in order. Of a
// job of which nothing was recorded none is: it is taken to go as planned.
func (w Work) Late(now time.Time) []Late {
	if len(w.Record.Events) == 0 {
		return nil
	}
	var out []Late
	for _, p := range w.Places {
		switch w.State(p.ID) {
		case Finished, Waived:
			continue
		}
		if d := now.Sub(p.During.End); d >= time.Minute {
			out = append(out, Late{Step: p.ID, By: p.During.End, Minutes: int(d / time.Minute)})
		}
	}
	return out
}
