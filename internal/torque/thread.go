package torque

import (
	"math"
	"strconv"
	"strings"

	"bayhold/internal/fault"
)

// Thread is a metric ISO thread.
type Thread struct {
	Diameter float64 // nominal, millimetres
	Pitch    float64 // millimetres
}

// coarse holds the pitch of the coarse series by diameter (ISO 261, from memory).
var coarse = map[float64]float64{
	3: 0.5, 4: 0.7, 5: 0.8, 6: 1, 7: 1, 8: 1.25, 10: 1.5, 12: 1.75, 14: 2, 16: 2,
	18: 2.5, 20: 2.5, 22: 2.5, 24: 3, 27: 3, 30: 3.5, 33: 3.5, 36: 4, 39: 4,
}

// ParseThread reads a metric thread: "M10" for the coarse pitch, "M10x1.25".
func ParseThread(s string) (Thread, error) {
	bad := func(why string) (Thread, error) {
		return Thread{}, fault.New(fault.Invalid, "BAD_THREAD", "%q is no metric thread such as M10 or M10x1.25: %s", clip(s), why)
	}
	body := strings.ReplaceAll(strings.ToUpper(strings.TrimSpace(s)), "×", "X")
	body, ok := strings.CutPrefix(body, "M")
	if !ok {
		return bad("it begins with M")
	}
	diameter, pitch, fine := strings.Cut(body, "X")
	d, err := plainNumber(diameter)
	if err != nil || d < 1 || d > 100 {
		return bad("the diameter is from 1 to 100 mm")
	}
	if !fine {
		p, ok := coarse[d]
		if !ok {
			return bad("this diameter needs its pitch")
		}
		return Thread{d, p}, nil
	}
	p, err := plainNumber(pitch)
	if err != nil || p < 0.1 || p > d/3 {
		return bad("the pitch is from 0.1 mm to a third of the diameter")
	}
	return Thread{d, p}, nil
}

// plainNumber reads digits and a decimal point, nothing else.
func plainNumber(s string) (float64, error) {
	if strings.Trim(s, "0123456789.") != "" {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(s, 64)
}

// String is the thread's designation: "M10", "M10x1.25".
func (t Thread) String() string {
	s := "M" + strconv.FormatFloat(t.Diameter, 'f', -1, 64)
	if coarse[t.Diameter] == t.Pitch {
		return s
	}
	return s + "x" + strconv.FormatFloat(t.Pitch, 'f', -1, 64)
}

// PitchDiameter is d2 of ISO 724, millimetres.
func (t Thread) PitchDiameter() float64 { return t.Diameter - 0.649519*t.Pitch }

// rootDiameter is d3, the root of a bolt's thread, millimetres.
func (t Thread) rootDiameter() float64 { return t.Diameter - 1.226869*t.Pitch }

// stressDiameter is d0, the diameter of the stress area, millimetres.
func (t Thread) stressDiameter() float64 { return (t.PitchDiameter() + t.rootDiameter()) / 2 }

// StressArea is A_s of ISO 898-1, 9.1.6, square millimetres.
func (t Thread) StressArea() float64 { return math.Pi / 4 * math.Pow(t.stressDiameter(), 2) }

// nominalArea is the stress area as ISO 898-1 prints it and reckons with it:
// to three digits.
func (t Thread) nominalArea() float64 {
	a, _ := strconv.ParseFloat(strconv.FormatFloat(t.StressArea(), 'g', 3, 64), 64)
	return a
}
