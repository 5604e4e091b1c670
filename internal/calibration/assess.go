package calibration

import (
	"math"
	"slices"

	"bayhold/internal/fault"
)

// Assessment is what a certificate says about a tool.
type Assessment struct {
	// Permissible is the greatest permissible deviation that was applied, a
	// fraction of the reference reading, and Source where it comes from.
	Permissible float64
	Source      string
	Rule        Rule
	AsFound     Side
	AsLeft      Side // empty where nothing was adjusted
}

// Side is the state of a tool before or after adjustment.
type Side struct {
	Verdict Verdict // the worst of all readings; no verdict: none were taken
	// Worst is the deviation that is farthest from 0, sign kept.
	Worst      float64
	Directions []DirectionResult
	Points     []PointResult // by direction, then by nominal value
}

// DirectionResult is the verdict on one direction.
type DirectionResult struct {
	Direction Direction
	Verdict   Verdict
	Worst     float64 // as in Side
}

// PointResult is the verdict on one point.
type PointResult struct {
	Nominal   float64 // newton metres
	Direction Direction
	Verdict   Verdict
	// Least, Mean and Greatest are deviations, fractions of the reading.
	Least, Mean, Greatest float64
	Readings              []ReadingResult // in the order of the certificate
}

// ReadingResult is the verdict on one reading.
type ReadingResult struct {
	Measured    float64 // newton metres
	Deviation   float64 // fraction of Measured
	Uncertainty float64 // expanded, fraction of Measured; 0 if not stated
	Verdict     Verdict
	// Conformity is the probability that the tool conforms, as this reading
	// tells it; nil where no uncertainty is stated.
	Conformity *float64
}

// Left is the state in which the tool came back: as left, or as found where
// nothing was adjusted.
func (a Assessment) Left() Side {
	if a.AsLeft.Verdict != "" {
		return a.AsLeft
	}
	return a.AsFound
}

// Overall is the verdict on the tool as it came back.
func (a Assessment) Overall() Verdict { return a.Left().Verdict }

// Assess judges every reading of a certificate: not their mean, as ISO 6789-1
// has it (read in a laboratory's summary of ISO 6789:2003). It needs what
// Validate asks of the points, and answers as Validate does where they cannot
// be judged; a tool without a permissible deviation is a Precondition fault.
func Assess(c Certificate, tool Tool, policy Policy) (Assessment, error) {
	var fs fault.Fields
	c.readable(tool, &fs)
	if err := fs.Err("BAD_CERTIFICATE", "the certificate cannot be assessed"); err != nil {
		return Assessment{}, err
	}
	permissible, err := policy.Classes.Permissible(tool)
	if err != nil {
		return Assessment{}, err
	}
	a := Assessment{Permissible: permissible, Rule: c.Rule, Source: "the tool's own data"}
	if tool.Permissible <= 0 {
		a.Source = policy.Classes.Source
	}
	points := slices.SortedFunc(slices.Values(c.Points), byNominal)
	a.AsFound = assess(points, func(p Point) []float64 { return p.AsFound }, c.Rule, permissible)
	a.AsLeft = assess(points, func(p Point) []float64 { return p.AsLeft }, c.Rule, permissible)
	return a, nil
}

func assess(points []Point, side func(Point) []float64, rule Rule, permissible float64) Side {
	var s Side
	for _, p := range points {
		readings := side(p)
		if len(readings) == 0 {
			continue
		}
		result := assessPoint(p, readings, rule, permissible)
		s.Points = append(s.Points, result)
		s.Verdict = worst(s.Verdict, result.Verdict)
		s.Worst = farther(s.Worst, farther(result.Least, result.Greatest))
		last := len(s.Directions) - 1
		if last < 0 || s.Directions[last].Direction != p.Direction {
			s.Directions = append(s.Directions, DirectionResult{Direction: p.Direction})
			last++
		}
		d := &s.Directions[last]
		d.Verdict = worst(d.Verdict, result.Verdict)
		d.Worst = farther(d.Worst, farther(result.Least, result.Greatest))
	}
	return s
}

func assessPoint(p Point, readings []float64, rule Rule, permissible float64) PointResult {
	result := PointResult{
		Nominal: p.Nominal, Direction: p.Direction,
		Least: math.Inf(1), Greatest: math.Inf(-1),
	}
	for _, r := range readings {
		x := ReadingResult{Measured: r, Deviation: Deviation(p.Nominal, r)}
		if p.Uncertainty.Stated() {
			x.Uncertainty = p.Uncertainty.At(r)
			conformity := Conformity(x.Deviation, permissible, x.Uncertainty/p.Uncertainty.K)
			x.Conformity = &conformity
		}
		x.Verdict = Judge(rule, x.Deviation, permissible, x.Uncertainty)
		result.Readings = append(result.Readings, x)
		result.Verdict = worst(result.Verdict, x.Verdict)
		result.Least = min(result.Least, x.Deviation)
		result.Greatest = max(result.Greatest, x.Deviation)
		result.Mean += x.Deviation / float64(len(readings))
	}
	// A mean of equal figures must not leave them for a rounding error.
	result.Mean = min(max(result.Mean, result.Least), result.Greatest)
	return result
}

// farther is the deviation that is farther from 0.
func farther(a, b float64) float64 {
	if math.Abs(b) > math.Abs(a) {
		return b
	}
	return a
}
