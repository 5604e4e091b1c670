package torque

import (
	"math"
	"strconv"
	"strings"

	"bayhold/internal/fault"
)

// Stage is one pass of a tightening: a torque or an angle, not both. An angle
// is no torque and is never turned into one.
type Stage struct {
	Torque float64 // newton metres
	Angle  float64 // degrees, on top of what was reached before
}

// Bounds of what Parse accepts.
const (
	MaxTorque = 100_000 // newton metres
	MaxAngle  = 3_600   // degrees in one stage
	MaxStages = 20
)

// Parse reads the stages of a tightening in their order, joined by plus signs:
// "100 Nm", "30 N·m + 60 N·m + 90°", "75 lbf·ft + 90 deg". A decimal sign is a
// point.
func Parse(s string) ([]Stage, error) {
	parts := strings.SplitN(s, "+", MaxStages+1)
	if len(parts) > MaxStages {
		return nil, fault.New(fault.Invalid, "BAD_TORQUE", "more than %d stages", MaxStages)
	}
	stages := make([]Stage, 0, len(parts))
	for i, part := range parts {
		stage, err := parseStage(strings.TrimSpace(part))
		if err != nil {
			return nil, fault.New(fault.Invalid, "BAD_TORQUE", "stage %d of %q: %v", i+1, clip(s), err)
		}
		stages = append(stages, stage)
	}
	return stages, nil
}

func parseStage(s string) (Stage, error) {
	end := strings.IndexFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
	if end < 0 {
		end = len(s)
	}
	amount, err := strconv.ParseFloat(s[:end], 64)
	if err != nil || math.IsInf(amount, 0) {
		return Stage{}, fault.New(fault.Invalid, "BAD_TORQUE",
			"it begins with a number, such as 12.5, then its unit")
	}
	word := strings.TrimSpace(s[end:])
	switch strings.ToLower(word) {
	case "°", "deg", "degree", "degrees":
		return stage(Stage{Angle: amount})
	case "":
		return Stage{}, fault.New(fault.Invalid, "BAD_TORQUE", "%s has no unit: N·m, lbf·ft, lbf·in, kgf·m or °", clip(s))
	}
	u, err := ParseUnit(word)
	if err != nil {
		return Stage{}, err
	}
	return stage(Stage{Torque: u.NewtonMetres(amount)})
}

// stage refuses amounts that are nothing or out of bounds.
func stage(s Stage) (Stage, error) {
	switch {
	case s.Torque == 0 && s.Angle == 0:
		return Stage{}, fault.New(fault.Invalid, "BAD_TORQUE", "must be more than 0")
	case s.Torque > MaxTorque:
		return Stage{}, fault.New(fault.Invalid, "BAD_TORQUE", "is more than %d N·m", MaxTorque)
	case s.Angle > MaxAngle:
		return Stage{}, fault.New(fault.Invalid, "BAD_TORQUE", "is more than %d°", MaxAngle)
	}
	return s, nil
}

// Format writes stages for people, torques in the unit: "100 N·m + 90° + 90°".
// Newton metres are written in full, so that Parse gives back the same;
// converted figures have at most six digits.
func Format(stages []Stage, u Unit) string {
	var b strings.Builder
	for i, s := range stages {
		if i > 0 {
			b.WriteString(" + ")
		}
		if s.Angle > 0 {
			b.WriteString(strconv.FormatFloat(s.Angle, 'f', -1, 64) + "°")
			continue
		}
		b.WriteString(u.Format(s.Torque))
	}
	return b.String()
}

// Format writes a torque given in newton metres in the unit: "73.7562 lbf·ft".
func (u Unit) Format(nm float64) string {
	x := u.FromNewtonMetres(nm)
	if u != NewtonMetre {
		// Six digits are more than any wrench can be set to.
		x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	}
	return strconv.FormatFloat(x, 'f', -1, 64) + " " + u.String()
}
