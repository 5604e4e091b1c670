package calibration_test

import (
	"encoding/binary"
	"math"
	"testing"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

var anyTime = hours.Range{Start: local("1900-01-01"), End: local("2200-01-01")}

// floats reads a fuzzer's bytes as figures, NaN and infinities included.
func floats(data []byte) []float64 {
	var all []float64
	for len(data) >= 8 {
		all = append(all, math.Float64frombits(binary.LittleEndian.Uint64(data)))
		data = data[8:]
	}
	return all
}

func bytesOf(all ...float64) []byte {
	var data []byte
	for _, x := range all {
		data = binary.LittleEndian.AppendUint64(data, math.Float64bits(x))
	}
	return data
}

// FuzzCertificate holds that whatever is entered is refused or judged in full,
// and that no figure of a judgement is odd.
func FuzzCertificate(f *testing.F) {
	f.Add("4711", "GUARD_BAND", 120.0, 1.2, false, 2.0, bytesOf(114, 126))
	f.Add("", "FOUR_WAY", math.NaN(), -1.0, true, 0.0, bytesOf(math.Inf(1)))
	f.Add("x", "SIMPLE_ACCEPTANCE", 5e-324, 5e-324, true, 1e308, bytesOf(5e-324))
	f.Fuzz(func(t *testing.T, text, rule string, nominal, amount float64, relative bool, k float64, data []byte) {
		readings := floats(data)
		u := calibration.Uncertainty{Amount: amount, Relative: relative, K: k}
		c := calibration.Certificate{
			Number: text, Laboratory: text, Date: today, Rule: calibration.Rule(rule),
			Environment: calibration.Environment{Temperature: &amount, Humidity: &k},
			Points: []calibration.Point{
				{Nominal: nominal, Direction: calibration.Clockwise, AsFound: readings, Uncertainty: u},
				{Nominal: nominal, Direction: calibration.Counterclockwise, AsFound: readings[:len(readings)/2], AsLeft: readings, Uncertainty: u},
			},
		}
		tool := wrench
		tool.Min = 0
		_, invalid := c.Validate(tool, calibration.DefaultPolicy(), today)
		a, err := calibration.Assess(c, tool, calibration.DefaultPolicy())
		if err != nil {
			if invalid == nil {
				t.Fatalf("valid, and cannot be assessed: %v", err)
			}
			return
		}
		for _, side := range []calibration.Side{a.AsFound, a.AsLeft} {
			for _, p := range side.Points {
				for _, r := range p.Readings {
					if math.IsNaN(r.Deviation) || math.IsInf(r.Deviation, 0) || r.Verdict == "" || side.Verdict.Worse(calibration.Fail) || r.Verdict.Worse(side.Verdict) {
						t.Fatalf("%+v in %+v", r, side)
					}
					if r.Conformity != nil && !(*r.Conformity >= 0 && *r.Conformity <= 1) {
						t.Fatalf("conforms with %v", *r.Conformity)
					}
				}
				if !(p.Least <= p.Mean && p.Mean <= p.Greatest) {
					t.Fatalf("%+v", p)
				}
			}
		}
	})
}

func FuzzTestInterval(f *testing.F) {
	f.Add(365.0, 0.95, 20, 15)
	f.Add(1e308, 1e-300, 1, 1)
	f.Fuzz(func(t *testing.T, present, target float64, n, k int) {
		next, confidence, err := calibration.TestInterval(present, target, n%10000, k)
		if err == nil && !(next >= 0 && confidence >= 0 && confidence <= 1) {
			t.Fatalf("%v, %v", next, confidence)
		}
	})
}

// FuzzTrace holds that imported tightenings, however odd, are told as lines or
// refused, and that only sound figures are judged.
func FuzzTrace(f *testing.F) {
	f.Add(120.0, 120.0, 0.0, 0.0, 0.04)
	f.Add(math.NaN(), math.Inf(1), -1.0, 1e308, math.NaN())
	f.Fuzz(func(t *testing.T, wanted, set, angle, ratio, tolerance float64) {
		x := calibration.Tightening{At: local("2026-05-01"), Stage: 1, Wanted: wanted, Set: set, Angle: angle, Ratio: ratio, Tolerance: tolerance}
		r := calibration.Trace(found(t, point(120, 114), point(200, 200)), nil, []calibration.Tightening{x})
		if len(r.Lines) != 1 || r.Lines[0].Impact == "" {
			t.Fatalf("%+v", r)
		}
		l := r.Lines[0]
		if math.IsNaN(l.Torque) || math.IsInf(l.Torque, 0) {
			t.Fatalf("%+v", l)
		}
		if x.Validate() == nil && l.Impact != calibration.NotJudged && !(l.Least <= l.Torque && l.Torque <= l.Greatest) {
			t.Fatalf("%+v", l)
		}
	})
}
