package calibration

import (
	"math"

	"bayhold/internal/fault"
)

// Policy is what an administrator decides about calibration.
type Policy struct {
	Classes ClassTable
	// Air bounds the environment in which a calibration is usual; outside it
	// a certificate draws a warning.
	Air   Air
	Due   DuePolicy
	Check CheckPolicy
	// Review bounds what an interval review may propose.
	Review ReviewPolicy
	// Joint is how near a tightening must come where its step says nothing.
	Joint JointPolicy
}

// JointPolicy is how far a tightening may lie from what is wanted, where neither
// its step nor a check of it says so.
type JointPolicy struct {
	Torque float64 // a fraction of the wanted torque
	Angle  float64 // degrees
}

func (j JointPolicy) validate(fs *fault.Fields) {
	if !share(j.Torque) {
		fs.Add("joint.torque", "must be a fraction above 0 and below 1: 0.04 is 4 %%")
	}
	if !finite(j.Angle) || j.Angle <= 0 || j.Angle > 90 {
		fs.Add("joint.angle_deg", "must be degrees, above 0 and 90 at the most")
	}
}

// Air is a usual environment; a bound of 0 is none.
type Air struct {
	Coldest, Warmest float64 // degrees Celsius
	Humidity         float64 // greatest, relative, as a fraction
}

// DefaultPolicy is a policy to begin with. What comes from standards:
//
//   - classes: see DefaultClasses
//   - 18 to 28 °C, at most 90 % of humidity: ASME B107.300-2021, 6.3; ISO
//     6789-1, 6.3 from memory
//   - 12 months or 5,000 cycles, whichever comes first, unless the owner has a
//     procedure of his own: ISO 6789, as calibration laboratories state it;
//     from first use: ISO 6789:2003 from memory
//   - early after an overload of more than 25 % above the maximum, a drop,
//     damage: calibration laboratories; after repair: ISO 6789-1, 5.3 from
//     memory
//   - a tester four times better than the tool: ISO 6789:2017
//   - a reliability target of 0.95: the usual range is 0.85 to 0.95
//   - grow up to 0.8 of the permissible deviation: the example of ILAC-G24:2007, 3
//   - a torque within 4 %: what setting tools of the usual class may deviate by,
//     ISO 6789-1:2017 from memory; an angle within 5 degrees: as an angle gauge is
//     read, common practice from memory. A maker's own figure comes first: it
//     belongs into the step
//
// The other figures are this program's own.
func DefaultPolicy() Policy {
	return Policy{
		Classes: DefaultClasses(),
		Air:     Air{Coldest: 18, Warmest: 28, Humidity: 0.9},
		Due: DuePolicy{
			Months: 12, Cycles: 5000, FromFirstUse: true, ShelfMonths: 12,
			Overload: 1.25, Early: []EventKind{Drop, Damage, Repair, CheckFailed},
		},
		Check: CheckPolicy{Readings: 3, TesterRatio: 4, Reach: 0.1},
		Review: ReviewPolicy{
			Floor: 30, Cap: 730, LeastFactor: 0.5, GreatestFactor: 1.5,
			GrowWithin: 0.8, Grow: 1.5, Shrink: 0.5,
			Target: 0.95, Confidence: 0.7, LeastResults: 5, Near: 0.25,
		},
		Joint: JointPolicy{Torque: 0.04, Angle: 5},
	}
}

// Validate lists what cannot be meant: an Invalid fault, BAD_CALIBRATION_POLICY.
func (p Policy) Validate() error {
	var fs fault.Fields
	if !finite(p.Classes.Split) || p.Classes.Split < 0 {
		fs.Add("classes.split", "must be a torque in newton metres, 0 or more")
	}
	seen := map[[2]string]bool{}
	for i, c := range p.Classes.Classes {
		key := [2]string{string(c.Kind), c.Class}
		switch {
		case seen[key]:
			fs.Add(item("classes", i), "type %s class %s stands twice", c.Kind, c.Class)
		case !share(c.Small) || !share(c.Large):
			fs.Add(item("classes", i), "deviations must be fractions above 0 and below 1: 0.04 is 4 %%")
		case c.Readings < 1:
			fs.Add(item("classes", i), "needs at least one reading a point")
		}
		seen[key] = true
	}
	p.Due.validate(&fs)
	p.Check.validate(&fs)
	p.Review.validate(&fs)
	p.Joint.validate(&fs)
	return fs.Err("BAD_CALIBRATION_POLICY", "the calibration policy cannot be meant so")
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// share tells a fraction between nothing and all, both left out.
func share(x float64) bool { return x > 0 && x < 1 }
