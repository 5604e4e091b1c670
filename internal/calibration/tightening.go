package calibration

import (
	"cmp"
	"slices"
	"time"

	"bayhold/internal/fault"
)

// Tightening is one stage that the tool in question tightened.
type Tightening struct {
	ID   string
	At   time.Time
	Job  string
	Step string
	// Joint and Fastener say what was tightened: "cylinder head", "bolt 3".
	Joint, Fastener string
	Stage           int     // 1 is the first
	Wanted          float64 // newton metres at the joint; 0 for an angle stage
	Angle           float64 // degrees; 0 for a torque stage
	// Set is what the tool was set to or showed, in newton metres; it differs
	// from Wanted where an adapter or a multiplier came between. 0: not
	// recorded, and taken to be what gives Wanted.
	Set float64
	// Ratio is torque at the joint over torque given by the tool, from such a
	// part; 0 is 1, the tool by itself.
	Ratio     float64
	Tolerance float64   // of the joint, as a fraction of Wanted; 0 if not stated
	Direction Direction // empty: clockwise
}

// Setting is what the tool was set to: as recorded, or what gives the wanted
// torque; 0 for an angle stage and where figures are unsound.
func (t Tightening) Setting() float64 {
	set := t.Set
	if set == 0 {
		set = t.Wanted / t.ratio()
	}
	if t.Angle > 0 || !finite(set) || set < 0 {
		return 0
	}
	return set
}

func (t Tightening) ratio() float64 { return cmp.Or(t.Ratio, 1) }

// Validate lists what keeps a tightening from being traced: an Invalid fault,
// BAD_TIGHTENING. A set value or a tolerance of 0 is no fault; the trace says
// that it is missing.
func (t Tightening) Validate() error {
	var fs fault.Fields
	if t.At.IsZero() {
		fs.Add("at", "must be stated")
	}
	if t.Stage < 1 {
		fs.Add("stage", "must be 1 or more")
	}
	for _, figure := range []struct {
		path  string
		value float64
	}{{"wanted", t.Wanted}, {"angle", t.Angle}, {"set", t.Set}, {"ratio", t.Ratio}} {
		if !finite(figure.value) || figure.value < 0 {
			fs.Add(figure.path, "must be 0 or more")
		}
	}
	if (t.Wanted > 0) == (t.Angle > 0) {
		fs.Add("wanted", "a stage is a torque or an angle, one of the two")
	}
	if t.Tolerance != 0 && !share(t.Tolerance) {
		fs.Add("tolerance", "must be a fraction of the wanted torque, 0 or more and below 1")
	}
	if t.Direction != "" && !slices.Contains(Directions(), t.Direction) {
		fs.Add("direction", "%q is no direction: %v", clip(string(t.Direction)), Directions())
	}
	return fs.Err("BAD_TIGHTENING", "the tightening cannot be traced")
}
