// Package calibration holds the rules by which torque tools are judged: what a
// certificate proves, until when a tool may be used, whether its interval
// suits it, and what a tool found out of tolerance has touched.
//
// It is pure: instants, days and zones come in as values. Torques are in newton
// metres, everything relative is a fraction (0.04 is 4 %) unless a name says
// otherwise, and an angle is never judged.
//
// Figures of standards are data. DefaultPolicy offers them as a start, says of
// each where it comes from, and an administrator can change every one; no rule
// of this package has such a figure built in.
package calibration

import "bayhold/internal/hours"

// Kind is how a torque tool works: ISO 6789-1:2017, 4.
type Kind string

// The kinds of torque tools.
const (
	Indicating Kind = "I"  // shows the torque that is applied
	Setting    Kind = "II" // is set to a torque and signals when it is reached
)

// Direction is the sense in which a tool is turned, seen from behind it.
type Direction string

// The directions. A tool is judged in those in which it was calibrated.
const (
	Clockwise        Direction = "CLOCKWISE"
	Counterclockwise Direction = "COUNTERCLOCKWISE"
)

// Directions lists both.
func Directions() []Direction { return []Direction{Clockwise, Counterclockwise} }

// Tool is what the rules need to know of a tool.
type Tool struct {
	Tag string // asset tag
	// Kind and Class place the tool in the class table: "II", "A".
	Kind  Kind
	Class string
	// Min and Max bound what it is used for, in newton metres. Max also
	// decides the column of the class table.
	Min, Max float64
	// Permissible is the tool's own greatest permissible deviation, as a
	// fraction of the reference reading; 0: the class table's.
	Permissible float64
}

// Certificate is one calibration of one tool by a laboratory.
type Certificate struct {
	Number     string // unique for the tool
	Laboratory string
	// Date is the day of the measurement, not of the paper.
	Date        hours.Date
	Environment Environment
	// Rule is the decision rule agreed before the measurement (ISO/IEC
	// 17025:2017, 7.1.3).
	Rule   Rule
	Points []Point // any order
}

// Environment is the air in which a tool was calibrated; nil is not stated.
type Environment struct {
	Temperature *float64 // degrees Celsius
	Humidity    *float64 // relative, as a fraction: 0.45 is 45 %
}

// Point is what was measured at one value in one direction.
type Point struct {
	// Nominal is what the tool was set to or showed, in newton metres: X_a.
	Nominal   float64
	Direction Direction
	// AsFound and AsLeft are what the reference device measured before and
	// after adjustment, in newton metres: X_r, a value a pull. AsLeft is
	// empty where nothing was adjusted.
	AsFound, AsLeft []float64
	Uncertainty     Uncertainty
}

// Uncertainty is the expanded uncertainty of a measurement. The zero value is
// one that is not stated.
type Uncertainty struct {
	// Amount is in newton metres or, if Relative, a fraction of the reading.
	Amount   float64
	Relative bool
	// K is the coverage factor: the standard uncertainty is Amount/K.
	K float64
}

// Stated tells whether there is an uncertainty to reckon with.
func (u Uncertainty) Stated() bool { return u.Amount > 0 }

// At is the expanded uncertainty at a reading, as a fraction of it: W of ISO
// 6789-2.
func (u Uncertainty) At(reading float64) float64 {
	if u.Relative {
		return u.Amount
	}
	return u.Amount / reading
}

// Deviation is a_s, the relative deviation of a tool that was set to or showed
// nominal while the reference device measured reading, as a fraction of the
// reading (ISO 6789-1:2017, 7, from memory). It is positive if the tool gave
// less than it was set to. To divide by the nominal value instead gives another
// figure and near the limit another verdict.
func Deviation(nominal, reading float64) float64 { return (nominal - reading) / reading }

// Delivered is the torque that a tool with a deviation really gives when set to
// nominal: Deviation turned about.
func Delivered(nominal, deviation float64) float64 { return nominal / (1 + deviation) }
