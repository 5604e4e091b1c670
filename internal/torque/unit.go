// Package torque is how fasteners are tightened: units, the stages of a
// tightening, the tool that can do it and what it is set to, and whether a
// figure is one that such a bolt can bear. Newton metres inside.
package torque

import (
	"strings"

	"bayhold/internal/fault"
)

// Unit is a unit of torque.
type Unit int

// The units that torques are read and written in.
const (
	NewtonMetre Unit = iota
	PoundForceFoot
	PoundForceInch
	KilogramForceMetre
)

// Units lists every unit.
func Units() []Unit {
	return []Unit{NewtonMetre, PoundForceFoot, PoundForceInch, KilogramForceMetre}
}

// The exact definitions that the factors are made of (NIST SP 811, appendix
// B). The inverse factors are not copied from anywhere: they follow.
const (
	poundForce    = 4.4482216152605 // newtons
	kilogramForce = 9.80665         // newtons
	inch          = 0.0254          // metres
	foot          = 12 * inch
)

// factor is one of the unit in newton metres.
func (u Unit) factor() float64 {
	switch u {
	case PoundForceFoot:
		return poundForce * foot
	case PoundForceInch:
		return poundForce * inch
	case KilogramForceMetre:
		return kilogramForce
	default:
		return 1
	}
}

// NewtonMetres turns an amount of the unit into newton metres.
func (u Unit) NewtonMetres(x float64) float64 { return x * u.factor() }

// FromNewtonMetres turns newton metres into the unit.
func (u Unit) FromNewtonMetres(nm float64) float64 { return nm / u.factor() }

// String is the unit's symbol.
func (u Unit) String() string {
	switch u {
	case PoundForceFoot:
		return "lbf·ft"
	case PoundForceInch:
		return "lbf·in"
	case KilogramForceMetre:
		return "kgf·m"
	default:
		return "N·m"
	}
}

// spellings are the ways in which people write the units, in lower case and
// without what may stand between the parts.
var spellings = map[string]Unit{
	"nm":    NewtonMetre,
	"lbfft": PoundForceFoot, "ftlbf": PoundForceFoot, "lbft": PoundForceFoot, "ftlb": PoundForceFoot,
	"ftlbs": PoundForceFoot, "lbsft": PoundForceFoot,
	"lbfin": PoundForceInch, "inlbf": PoundForceInch, "lbin": PoundForceInch, "inlb": PoundForceInch,
	"inlbs": PoundForceInch, "lbsin": PoundForceInch,
	"kgfm": KilogramForceMetre, "mkgf": KilogramForceMetre, "kgm": KilogramForceMetre, "mkg": KilogramForceMetre,
	"kpm": KilogramForceMetre, "mkp": KilogramForceMetre,
}

// ParseUnit reads a unit: "N·m", "Nm", "lbf·ft", "ft-lb", "in lbf", "kgf.m" ...
func ParseUnit(s string) (Unit, error) {
	plain := strings.Map(func(r rune) rune {
		switch r {
		case '·', '⋅', '•', '.', '-', ' ', '\u00a0', '\u202f', '*':
			return -1
		}
		return r
	}, strings.ToLower(s))
	if u, ok := spellings[plain]; ok {
		return u, nil
	}
	return 0, fault.New(fault.Invalid, "UNKNOWN_TORQUE_UNIT",
		"%q is no unit of torque: N·m, lbf·ft, lbf·in or kgf·m", clip(s))
}

// clip shortens what is quoted in a message.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}
