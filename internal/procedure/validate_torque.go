package procedure

import (
	"math"
	"slices"

	"bayhold/internal/torque"
)

// torque checks how fasteners are tightened.
func (c checker) torque(t Torque) {
	if t.Fasteners < 1 || t.Fasteners > 1_000 {
		c.at(0, "fasteners").fault("fasteners", "%d are out of range: from 1 to 1000", t.Fasteners)
	}
	if t.Thread != "" {
		if _, err := torque.ParseThread(t.Thread); err != nil {
			c.at(0, "thread").fault("thread", "%v", err)
		}
	}
	if t.Class != "" {
		if _, err := torque.ParseClass(t.Class); err != nil {
			c.at(0, "class").fault("class", "%v", err)
		}
	}
	c.at(0, "sequence").text(t.Sequence, MaxText, false)
	c.stages(t.Stages)
	c.at(0, "peak").figure(t.Peak, 0, MaxTorque, "a torque in newton metres")
	c.at(0, "tolerance").figure(t.Tolerance, 0, 0.5, "a tolerance, as a fraction of the torque,")
	c.at(0, "friction").figure(t.Friction, 0, 1, "a coefficient of friction")
	c.at(0, "drive").text(t.Drive, MaxID, false)
	if a := t.Adapter; a != nil {
		c.at(0, "adapter.extension").figure(a.Extension, -1_000, 1_000, "an extension in millimetres")
		c.at(0, "adapter.angle").figure(a.Angle, 0, 180, "an angle in degrees")
	}
	c.at(0, "accepted").names(t.Accepted)
	if greatest, _ := (&Torque{Stages: t.Stages}).Range(); t.Peak > 0 && t.Peak < greatest {
		c.at(0, "peak").fault("peak", "%v N·m is less than the greatest stage, %v N·m", t.Peak, greatest)
	}
}

func (c checker) stages(stages []Stage) {
	switch {
	case len(stages) == 0:
		c.at(0, "stages").fault("no-stage", "are missing: a torque or an angle each")
	case len(stages) > torque.MaxStages:
		c.at(0, "stages").fault("too-many", "has %d entries, more than %d", len(stages), torque.MaxStages)
	}
	for i, s := range stages {
		c := c.at(0, "stages[%d]", i)
		c.figure(s.Torque, 0, torque.MaxTorque, "a torque in newton metres")
		c.figure(s.Angle, 0, torque.MaxAngle, "an angle in degrees")
		if (s.Torque > 0) == (s.Angle > 0) {
			c.fault("stage", "is a torque or an angle: one of them, and more than 0")
		}
	}
}

// wrenches checks that the tools which a step names for its torque cover it
// between them: one bears the greatest, one measures the smallest.
func (c checker) wrenches(s Step) {
	bear, measure := s.Torque.Range()
	borne, measured, named := 0.0, math.Inf(1), false
	for _, n := range s.Needs(nil) {
		if n.Torque == 0 {
			continue
		}
		named = true
		borne = max(borne, n.Torque)
		if low := n.TorqueLow; low > 0 {
			measured = min(measured, low)
		} else {
			measured = min(measured, n.Torque)
		}
	}
	switch {
	case bear == 0 || !named:
	case borne < bear:
		c.fault("no-wrench-covers", "the tools named bear %s, the step takes %s", torque.NewtonMetre.Format(borne), torque.NewtonMetre.Format(bear))
	case measured > measure && measure > 0:
		c.fault("no-wrench-covers", "the tools named measure from %s, a stage has %s", torque.NewtonMetre.Format(measured), torque.NewtonMetre.Format(measure))
	}
}

// Need is what the tightening wants of a tool, for torque.Choose.
func (t Torque) Need() torque.Need {
	return torque.Need{Stages: t.Stages, Peak: t.Peak, Tolerance: t.Tolerance, Drive: t.Drive, Adapter: t.Adapter}
}

// Doubts lists what looks wrong about the torques of a step, from thread, class
// and friction, and what its author has not accepted. Without thread and class
// nothing can be said.
func (t Torque) Doubts() []torque.Warning {
	thread, err := torque.ParseThread(t.Thread)
	if err != nil {
		return nil
	}
	class, err := torque.ParseClass(t.Class)
	if err != nil {
		return nil
	}
	ws := torque.Implausible(thread, class, t.Friction, t.Stages)
	return slices.DeleteFunc(ws, func(w torque.Warning) bool { return slices.Contains(t.Accepted, w.Code) })
}
