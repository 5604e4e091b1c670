package cli

import (
	"fmt"
	"slices"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// obstacle is one line of what stands in the way.
type obstacle struct{ need, what, until string }

// obstacles are those of one step, and how many more steps have the same.
type obstacles struct {
	step string
	more int
	list []obstacle
}

// obstaclesOf puts blockers together by step, and steps that want for the same
// things into one.
func obstaclesOf(c clock, blockers []*bayholdv1.Blocker) []*obstacles {
	byStep := map[string]*obstacles{}
	var steps []*obstacles
	for _, b := range blockers {
		s := byStep[b.GetStep()]
		if s == nil {
			s = &obstacles{step: first(b.GetStepTitle(), b.GetStep(), "The whole job")}
			byStep[b.GetStep()] = s
			steps = append(steps, s)
		}
		s.list = append(s.list, obstacle{b.GetNeed(), inTheWay(b), first(until(c, b), "not known")})
	}
	var out []*obstacles
	for _, s := range steps {
		n := slices.IndexFunc(out, func(o *obstacles) bool { return slices.Equal(o.list, s.list) })
		if n >= 0 {
			out[n].more++
			continue
		}
		out = append(out, s)
	}
	return out
}

// blockerTable lists what stands in the way, step by step.
func blockerTable(c clock, blockers []*bayholdv1.Blocker) table {
	t := table{cols: []column{
		{}, {title: "needs", wrap: true}, {title: "what is in the way", wrap: true}, {title: "until"},
	}}
	for _, o := range obstaclesOf(c, blockers) {
		step := o.step
		switch o.more {
		case 0:
		case 1:
			step += ", and 1 more step"
		default:
			step += fmt.Sprintf(", and %d more steps", o.more)
		}
		t.section(step)
		need := ""
		for _, l := range o.list {
			shown := l.need
			if shown == need {
				shown = ""
			}
			need = l.need
			t.add("", shown, l.what, l.until)
		}
	}
	return t
}

// until says how long a reason lasts; nothing if nobody knows.
func until(c clock, b *bayholdv1.Blocker) string {
	if b.GetKind() == bayholdv1.Blocker_KIND_PART && b.GetUntilTime() != nil {
		return c.arrival(b.GetUntilTime())
	}
	return c.at(b.GetUntilTime())
}

// inTheWay says what holds the thing that a step needs.
func inTheWay(b *bayholdv1.Blocker) string {
	if b.GetKind() == bayholdv1.Blocker_KIND_PART && b.GetNeed() != "" && b.GetUntilTime() != nil {
		return "still on its way" // the columns beside it say what and until when
	}
	if b.GetKind() == bayholdv1.Blocker_KIND_BOOKED && b.GetResource() != "" {
		return id(b.GetResource()) + " is booked for " + first(b.GetReference(), "job "+id(b.GetJob()))
	}
	if b.GetMessage() != "" {
		return b.GetMessage()
	}
	return strings.TrimSpace(id(b.GetResource()) + " " + strings.ToLower(enumWord(b.GetKind().String(), "KIND_")))
}
