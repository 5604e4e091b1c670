package running

import (
	"cmp"
	"fmt"
	"slices"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

// Usual is how far a tightening may lie from what is wanted where its step states
// no tolerance: the site's policy.
type Usual struct {
	Torque float64 // a fraction of the wanted torque
	Angle  float64 // degrees
}

// Setting tells what a tool of a type is set to for one stage of a tightening,
// in newton metres, and what the fastener gets for one newton metre of it. A
// tool that does not cover the stage is a Precondition fault, TOOL_UNFIT.
func Setting(t procedure.Torque, stage torque.Stage, kind site.ToolType) (set, ratio float64, err error) {
	unfit := func(why string) error { return fault.New(fault.Precondition, string(ToolUnfit), "%s", why) }
	switch {
	case stage.Angle > 0 && kind.Purpose != site.Angle && kind.Purpose != site.Torque:
		return 0, 0, unfit("neither turns a fastener nor measures an angle")
	case stage.Angle > 0:
		return 0, 0, nil
	case kind.Purpose != site.Torque:
		return 0, 0, unfit("measures no torque")
	case kind.Ratio > 0 && t.Adapter != nil:
		return 0, 0, unfit("is a multiplier: it reacts on its foot and takes no adapter")
	case kind.Ratio > 0 && (stage.Torque > kind.TorqueMax || stage.Torque < kind.TorqueMin):
		return 0, 0, unfit(fmt.Sprintf("is rated for %g to %g N·m, the stage is %g N·m", kind.TorqueMin, kind.TorqueMax, stage.Torque))
	case kind.Ratio > 0:
		return stage.Torque / kind.Ratio, kind.Ratio, nil
	}
	tool := torque.Tool{ID: kind.ID, Min: kind.TorqueMin, Max: kind.TorqueMax, Resolution: kind.Resolution, Length: kind.Length}
	choices, refusals := torque.Choose([]torque.Tool{tool}, nil, torque.Need{
		Stages: []torque.Stage{stage}, Tolerance: t.Tolerance, Adapter: t.Adapter,
	})
	if len(choices) == 0 {
		return 0, 0, unfit(refusals[0].Why)
	}
	set = choices[0].Set[0]
	return set, stage.Torque / set, nil
}

// limits of one stage: the wanted figure with its tolerance.
func limits(t procedure.Torque, s torque.Stage, usual Usual) (wanted, low, high float64) {
	if s.Angle > 0 {
		return s.Angle, s.Angle - usual.Angle, s.Angle + usual.Angle
	}
	by := cmp.Or(t.Tolerance, usual.Torque)
	return s.Torque, s.Torque * (1 - by), s.Torque * (1 + by)
}

// effective are the readings of a step's last run that count: corrected ones
// have given way, and of several of one thing the last one holds.
func (w Work) effective(step string) []Reading {
	run := w.Run(step)
	var out []Reading
	for _, r := range w.Record.Readings {
		if r.Step != step || r.Run != run {
			continue
		}
		at := slices.IndexFunc(out, func(o Reading) bool {
			return o.ID == r.Corrects || r.Corrects == 0 && o.Kind == r.Kind && o.Fastener == r.Fastener &&
				o.Stage == r.Stage && o.Attempt == r.Attempt && o.CheckID == r.CheckID
		})
		switch {
		case at >= 0:
			out[at] = r
		case r.Corrects == 0: // a correction of what has given way already changes nothing
			out = append(out, r)
		}
	}
	return out
}

// Attempt is which fastener is in a place: 1, or one more for each that took
// the place of one whose tightening was interrupted.
func (w Work) Attempt(step string, fastener int) int {
	run, attempt := w.Run(step), 1
	for _, p := range w.Record.Parts {
		if p.Step == step && p.Run == run && slices.Contains(p.Fasteners, fastener) {
			attempt++
		}
	}
	return attempt
}

// Interrupted are the single-use fasteners whose torque-and-angle sequence was
// broken off by a pause: each must be replaced by a new one.
func (w Work) Interrupted(step string) []int {
	i := w.Index(step)
	if i < 0 {
		return nil
	}
	t := w.Network.Steps[i].Step.Torque
	if t == nil || !t.SingleUse || !slices.ContainsFunc(t.Stages, func(s torque.Stage) bool { return s.Angle > 0 }) {
		return nil
	}
	readings, run := w.effective(step), w.Run(step)
	var out []int
	for f := 1; f <= t.Fasteners; f++ {
		attempt, stages := w.Attempt(step, f), 0
		var last Reading
		for _, r := range readings {
			if r.Kind != Check && r.Fastener == f && r.Attempt == attempt {
				stages++
				if !r.At.Before(last.At) {
					last = r
				}
			}
		}
		broken := slices.ContainsFunc(w.Record.Events, func(e Event) bool {
			return e.Step == step && e.Run == run && e.Act == Pause && !e.At.Before(last.At)
		})
		if stages > 0 && stages < len(t.Stages) && broken {
			out = append(out, f)
		}
	}
	return out
}

// missing tells what a step still lacks before it can be finished: parts, checks
// and tightenings that are not recorded, or lie outside.
func (w Work) missing(i int) []Blocker {
	step := w.Network.Steps[i]
	var out []Blocker
	add := func(kind BlockerKind, format string, args ...any) {
		out = append(out, Blocker{Kind: kind, Step: step.ID, Message: fmt.Sprintf(format, args...)})
	}
	if broken := w.Interrupted(step.ID); len(broken) > 0 {
		add(NewFasteners, "the tightening of fastener %s was interrupted: fit new ones, and tick them with --fasteners", numbers(broken))
	}
	for _, p := range step.Step.Parts {
		if have := w.ticked(step.ID, p.ID); p.SingleUse && have < p.Quantity {
			add(PartsMissing, "%d of %d × %s (%s) are ticked as new", have, p.Quantity, p.ID, p.Title)
		}
	}
	readings := w.effective(step.ID)
	for _, c := range step.Step.Checks {
		at := slices.IndexFunc(readings, func(r Reading) bool { return r.CheckID == c.ID })
		switch {
		case at < 0:
			add(ReadingMissing, "the check %s (%s) is not recorded", c.ID, c.Title)
		case readings[at].Outside():
			add(ReadingOutside, "the check %s (%s) is outside: %s", c.ID, c.Title, readings[at].Words())
		}
	}
	return append(out, w.tightenings(i, readings)...)
}

// tightenings tells which fasteners are not tightened, or not as wanted.
func (w Work) tightenings(i int, readings []Reading) []Blocker {
	step := w.Network.Steps[i]
	t := step.Step.Torque
	if t == nil {
		return nil
	}
	var out []Blocker
	for stage := range t.Stages {
		var none []int
		for f := 1; f <= t.Fasteners; f++ {
			attempt := w.Attempt(step.ID, f)
			at := slices.IndexFunc(readings, func(r Reading) bool {
				return r.Kind != Check && r.Fastener == f && r.Stage == stage+1 && r.Attempt == attempt
			})
			switch {
			case at < 0:
				none = append(none, f)
			case readings[at].Outside():
				out = append(out, Blocker{Kind: ReadingOutside, Step: step.ID, Message: fmt.Sprintf(
					"fastener %d, stage %d is outside: %s", f, stage+1, readings[at].Words())})
			}
		}
		if len(none) > 0 {
			out = append(out, Blocker{Kind: ReadingMissing, Step: step.ID, Message: fmt.Sprintf(
				"stage %d (%s) is not recorded for fastener %s", stage+1, torque.Format(t.Stages[stage:stage+1], torque.NewtonMetre), numbers(none))})
		}
	}
	return out
}

// ticked is how many of a part are ticked for the last run of a step, those
// aside that replace interrupted fasteners.
func (w Work) ticked(step, part string) int {
	run, n := w.Run(step), 0
	for _, p := range w.Record.Parts {
		if p.Step == step && p.Run == run && p.Part == part && len(p.Fasteners) == 0 {
			n += p.Quantity
		}
	}
	return n
}

// numbers writes ascending numbers with runs drawn together: "1-4, 7".
func numbers(list []int) string {
	out := ""
	for i := 0; i < len(list); {
		k := i
		for k+1 < len(list) && list[k+1] == list[k]+1 {
			k++
		}
		if out != "" {
			out += ", "
		}
		out += fmt.Sprint(list[i])
		if k > i {
			out += fmt.Sprintf("-%d", list[k])
		}
		i = k + 1
	}
	return out
}
