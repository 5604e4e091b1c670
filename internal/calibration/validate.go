package calibration

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// Bounds of what a certificate may hold.
const (
	MaxPoints   = 100 // on a certificate
	MaxReadings = 100 // at a point, as found and as left each
	MaxText     = 200 // bytes of a number or a laboratory
)

// farOff is how many times a reading may be its nominal value, or the nominal
// value the reading, before the unit must be wrong: a tool that works at all is
// nearer. Of the units in use lbf·in, kgf·m and cN·m lie beyond it.
const farOff = 5

// Warning is something that a certificate may have and a person should see.
type Warning struct {
	Path    string // "points[1]", as in fault.Field
	Code    WarningCode
	Message string
}

// WarningCode names a kind of warning.
type WarningCode string

// The kinds of warnings.
const (
	WorseAsLeft   WarningCode = "WORSE_AS_LEFT"   // adjustment made it worse
	FewReadings   WarningCode = "FEW_READINGS"    // fewer than the class asks for
	UnusualAir    WarningCode = "UNUSUAL_AIR"     // outside the policy's environment
	LikeOtherUnit WarningCode = "LIKE_OTHER_UNIT" // the readings look like lbf·ft
)

// Validate checks a certificate of a tool on a day. Errors are an Invalid
// fault, BAD_CERTIFICATE, with all that is wrong; what is doubtful and may
// stand comes back as warnings.
func (c Certificate) Validate(tool Tool, policy Policy, today hours.Date) ([]Warning, error) {
	var fs fault.Fields
	for _, text := range []struct{ path, value string }{{"number", c.Number}, {"laboratory", c.Laboratory}} {
		switch {
		case text.value == "":
			fs.Add(text.path, "must not be empty")
		case len(text.value) > MaxText:
			fs.Add(text.path, "must be at most %d bytes", MaxText)
		}
	}
	switch {
	case !c.Date.Valid():
		fs.Add("date", "%s is no day", c.Date)
	case c.Date.Compare(today) > 0:
		fs.Add("date", "%s is in the future: today is %s", c.Date, today)
	}
	c.Environment.validate(&fs)
	c.readable(tool, &fs)
	if err := fs.Err("BAD_CERTIFICATE", "the certificate cannot be taken as it stands"); err != nil {
		return nil, err
	}
	return c.warnings(tool, policy), nil
}

func (e Environment) validate(fs *fault.Fields) {
	if t := e.Temperature; t != nil && !(*t >= -50 && *t <= 100) {
		fs.Add("environment.temperature", "must be degrees Celsius from -50 to 100")
	}
	if h := e.Humidity; h != nil && !(*h >= 0 && *h <= 1) {
		fs.Add("environment.humidity", "must be a fraction from 0 to 1: 0.45 is 45 %%")
	}
}

// readable notes all that keeps the points from being assessed.
func (c Certificate) readable(tool Tool, fs *fault.Fields) {
	if !slices.Contains(Rules(), c.Rule) {
		fs.Add("rule", "%q is no decision rule: %v", clip(string(c.Rule)), Rules())
	}
	switch {
	case len(c.Points) == 0:
		fs.Add("points", "there must be at least one")
	case len(c.Points) > MaxPoints:
		fs.Add("points", "must be at most %d", MaxPoints)
		return
	}
	left, seen := 0, map[pointKey]bool{}
	for i, p := range c.Points {
		path := item("points", i)
		p.readable(path, tool, c.Rule, fs)
		if seen[p.key()] {
			fs.Add(path, "%s N·m %s stands twice", number(p.Nominal), p.Direction)
		}
		seen[p.key()] = true
		if len(p.AsLeft) > 0 {
			left++
		}
	}
	if left > 0 && left < len(c.Points) {
		fs.Add("points", "an adjusted tool must be read as left at every point: %d of %d are", left, len(c.Points))
	}
}

type pointKey struct {
	nominal   float64
	direction Direction
}

func (p Point) key() pointKey { return pointKey{p.Nominal, p.Direction} }

func (p Point) readable(path string, tool Tool, rule Rule, fs *fault.Fields) {
	if !slices.Contains(Directions(), p.Direction) {
		fs.Add(path+".direction", "%q is no direction: %v", clip(string(p.Direction)), Directions())
	}
	switch {
	case !finite(p.Nominal) || p.Nominal <= 0:
		fs.Add(path+".nominal", "must be a torque above 0 N·m")
		return
	case p.Nominal < tool.Min*(1-rounding) || p.Nominal > tool.Max*(1+rounding):
		fs.Add(path+".nominal", "%s N·m is outside the tool's range, %s to %s N·m",
			number(p.Nominal), number(tool.Min), number(tool.Max))
	}
	if len(p.AsFound) == 0 && len(p.AsLeft) == 0 {
		fs.Add(path, "there are no readings")
	}
	readable(path+".as_found", p.Nominal, p.AsFound, fs)
	readable(path+".as_left", p.Nominal, p.AsLeft, fs)
	p.Uncertainty.validate(path+".uncertainty", rule, fs)
}

func readable(path string, nominal float64, readings []float64, fs *fault.Fields) {
	if len(readings) > MaxReadings {
		fs.Add(path, "must be at most %d readings", MaxReadings)
		return
	}
	for i, r := range readings {
		switch {
		case !finite(r) || r <= 0:
			fs.Add(item(path, i), "must be a torque above 0 N·m")
		case r > farOff*nominal || r < nominal/farOff:
			fs.Add(item(path, i), "%s is far from %s N·m: readings must be in newton metres", number(r), number(nominal))
		}
	}
}

func (u Uncertainty) validate(path string, rule Rule, fs *fault.Fields) {
	switch {
	case u.Amount == 0 && rule.NeedsUncertainty():
		fs.Add(path, "must be stated: the rule %s needs it", rule)
	case u.Amount == 0:
	case !finite(u.Amount) || u.Amount < 0 || u.Relative && u.Amount >= 1:
		fs.Add(path, "must be newton metres, or a fraction of the reading below 1: 0.01 is 1 %%")
	case !finite(u.K) || u.K < 1:
		fs.Add(path+".k", "the coverage factor must be stated and be at least 1; it is 2 as a rule")
	}
}

func (c Certificate) warnings(tool Tool, policy Policy) []Warning {
	var ws []Warning
	warn := func(path string, code WarningCode, format string, args ...any) {
		ws = append(ws, Warning{path, code, fmt.Sprintf(format, args...)})
	}
	if t := c.Environment.Temperature; t != nil && policy.Air.Warmest > policy.Air.Coldest &&
		(*t < policy.Air.Coldest || *t > policy.Air.Warmest) {
		warn("environment.temperature", UnusualAir, "%s °C is outside %s to %s °C", number(*t), number(policy.Air.Coldest), number(policy.Air.Warmest))
	}
	if h := c.Environment.Humidity; h != nil && policy.Air.Humidity > 0 && *h > policy.Air.Humidity {
		warn("environment.humidity", UnusualAir, "%s %% is above %s %%", number(*h*100), number(policy.Air.Humidity*100))
	}
	class, _ := policy.Classes.find(tool.Kind, tool.Class)
	for i, p := range c.Points {
		path := item("points", i)
		for _, readings := range [][]float64{p.AsFound, p.AsLeft} {
			if len(readings) > 0 && len(readings) < class.Readings {
				warn(path, FewReadings, "%d readings at %s N·m, type %s class %s asks for %d",
					len(readings), number(p.Nominal), tool.Kind, tool.Class, class.Readings)
			}
		}
		found, left := farthest(p.Nominal, p.AsFound), farthest(p.Nominal, p.AsLeft)
		if len(p.AsFound) > 0 && len(p.AsLeft) > 0 && left > found+rounding {
			warn(path, WorseAsLeft, "left at %s %% after it was found at %s %%", percent(left), percent(found))
		}
		if likePoundFeet(p.Nominal, p.AsFound) || likePoundFeet(p.Nominal, p.AsLeft) {
			warn(path, LikeOtherUnit, "the readings at %s N·m look like lbf·ft", number(p.Nominal))
		}
	}
	return ws
}

// farthest is the greatest size of deviation among readings.
func farthest(nominal float64, readings []float64) float64 {
	worst := 0.0
	for _, r := range readings {
		worst = max(worst, math.Abs(Deviation(nominal, r)))
	}
	return worst
}

// poundFoot is one newton metre in lbf·ft (NIST SP 811, B.8).
const poundFoot = 1 / 1.355818

// likePoundFeet tells readings that would be right within 6 % in lbf·ft.
func likePoundFeet(nominal float64, readings []float64) bool {
	return len(readings) > 0 && !slices.ContainsFunc(readings, func(r float64) bool {
		return math.Abs(Deviation(nominal*poundFoot, r)) > 0.06
	})
}

func item(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// number writes a figure with no more digits than a tool can have.
func number(x float64) string { return strconv.FormatFloat(x, 'g', 7, 64) }

// percent writes a fraction with two decimals and its sign.
func percent(x float64) string { return fmt.Sprintf("%+.2f", x*100) }

// clip shortens what a message quotes.
func clip(s string) string { return s[:min(len(s), 40)] }

// byNominal orders points as they are printed: by direction, then by torque.
func byNominal(a, b Point) int {
	return cmp.Or(cmp.Compare(a.Direction, b.Direction), cmp.Compare(a.Nominal, b.Nominal))
}
