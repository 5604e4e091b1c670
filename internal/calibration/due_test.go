package calibration_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

// amsterdam has a daylight-saving change between most dates of these tests.
var amsterdam = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		panic(err)
	}
	return zone
}()

// local reads "2026-03-01" or "2026-03-01 14:00" as local time.
func local(s string) time.Time {
	layout := time.DateTime[:len(s)]
	t, err := time.ParseInLocation(layout, s, amsterdam)
	if err != nil {
		panic(err)
	}
	return t
}

func calibrated(at ...string) []calibration.Calibration {
	var all []calibration.Calibration
	for _, s := range at {
		all = append(all, calibration.Calibration{Number: s, At: local(s), Accepted: true})
	}
	return all
}

func use(at string, cycles int) calibration.Use {
	return calibration.Use{At: local(at), Cycles: cycles}
}

// 12 months or 5,000 cycles, whichever first, and early after an overload of
// more than 25 %, a drop or damage: calibration laboratories (see
// DefaultPolicy). From first use, and due after repair: ISO 6789, from memory.
func TestDueAt(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	for name, c := range map[string]struct {
		history calibration.History
		now     string
		at      string
		reason  calibration.Reason
		left    int
	}{
		"from first use, the day included": {
			calibration.History{Calibrations: calibrated("2026-01-10"), Uses: []calibration.Use{use("2026-03-01 08:00", 1), use("2026-02-03 16:00", 1)}},
			"2026-06-01", "2027-02-04", calibration.ByDate, 4998,
		},
		"not used yet: as from now": {
			calibration.History{Calibrations: calibrated("2026-01-10")},
			"2026-06-01", "2027-06-02", calibration.ByDate, 5000,
		},
		"too long on the shelf": {
			calibration.History{Calibrations: calibrated("2024-01-10")},
			"2026-06-01", "2026-01-11", calibration.ByDate, 5000,
		},
		"cycles first: the use that spends the last is in order": {
			calibration.History{Calibrations: calibrated("2026-01-10"), Uses: []calibration.Use{
				use("2026-01-11 08:00", 3000), use("2026-02-11 08:00", 1999), use("2026-02-12 08:00", 1), use("2026-02-13 08:00", 7),
			}},
			"2026-06-01", "2026-02-12 08:00", calibration.ByCycles, 0,
		},
		"uses before the calibration are spent": {
			calibration.History{Calibrations: calibrated("2026-01-10", "2026-03-10"), Uses: []calibration.Use{use("2026-01-11 08:00", 4999), use("2026-03-11 08:00", 2)}},
			"2026-06-01", "2027-03-12", calibration.ByDate, 4998,
		},
		"overload": {
			calibration.History{Calibrations: calibrated("2026-01-10"), Events: []calibration.Event{
				{At: local("2026-02-01 10:00"), Kind: calibration.Load, Torque: 250},
				{At: local("2026-02-02 10:00"), Kind: calibration.Load, Torque: 250.1},
			}},
			"2026-06-01", "2026-02-02 10:00", calibration.ByOverload, 5000,
		},
		"drop before repair": {
			calibration.History{Calibrations: calibrated("2026-01-10"), Events: []calibration.Event{
				{At: local("2026-02-02 10:00"), Kind: calibration.Repair}, {At: local("2026-02-01 10:00"), Kind: calibration.Drop},
			}},
			"2026-06-01", "2026-02-01 10:00", "DROP", 5000,
		},
		"drop before the calibration": {
			calibration.History{Calibrations: calibrated("2026-01-10"), Events: []calibration.Event{{At: local("2026-01-09 23:00"), Kind: calibration.Drop}}, Uses: []calibration.Use{use("2026-01-10 08:00", 1)}},
			"2026-06-01", "2027-01-11", calibration.ByDate, 4999,
		},
		"what is later than now is not known": {
			calibration.History{
				Calibrations: calibrated("2026-01-10", "2026-07-01"), Uses: []calibration.Use{use("2026-01-10 08:00", 1)},
				Events: []calibration.Event{{At: local("2026-07-02 10:00"), Kind: calibration.Drop}},
			},
			"2026-06-01", "2027-01-11", calibration.ByDate, 4999,
		},
		"a leap day": {
			calibration.History{Calibrations: calibrated("2024-02-29"), Uses: []calibration.Use{use("2024-02-29 08:00", 1)}},
			"2024-06-01", "2025-03-01", calibration.ByDate, 4999,
		},
		"the last one was not accepted": {
			calibration.History{Calibrations: append(calibrated("2026-01-10"), calibration.Calibration{Number: "x", At: local("2026-04-01")})},
			"2026-06-01", "2026-04-01", calibration.NotAccepted, 5000,
		},
		"two on one day, one not accepted": {
			calibration.History{Calibrations: append([]calibration.Calibration{{Number: "x", At: local("2026-01-10")}}, calibrated("2026-01-10")...)},
			"2026-06-01", "2026-01-10", calibration.NotAccepted, 5000,
		},
		"never": {calibration.History{Uses: []calibration.Use{use("2026-01-10 08:00", 1)}}, "2026-06-01", "", calibration.NeverCalibrated, -1},
	} {
		got := calibration.DueAt(c.history, wrench, policy, amsterdam, local(c.now))
		var at time.Time
		if c.at != "" {
			at = local(c.at)
		}
		if c.reason == calibration.ByCycles {
			at = at.Add(time.Microsecond)
		}
		if !got.At.Equal(at) || got.Reason != c.reason || got.CyclesLeft != c.left {
			t.Errorf("%s: %v %s, %d left, want %v %s, %d left", name, got.At, got.Reason, got.CyclesLeft, at, c.reason, c.left)
		}
	}
}

func TestDueFromCalibrationInDays(t *testing.T) {
	t.Parallel()
	policy := calibration.DuePolicy{Days: 230}
	h := calibration.History{Calibrations: calibrated("2026-01-10"), Uses: []calibration.Use{use("2026-03-01 08:00", 9999)}}
	got := calibration.DueAt(h, wrench, policy, amsterdam, local("2026-06-01"))
	if want := local("2026-08-29"); !got.At.Equal(want) || got.CyclesLeft != -1 || got.CyclesUsed != 9999 {
		t.Errorf("%+v, want %v", got, want)
	}
}

func TestDueCoversToTheEndOfASpan(t *testing.T) {
	t.Parallel()
	due := calibration.Due{At: local("2026-06-01")}
	span := hours.Range{Start: local("2026-05-30"), End: local("2026-06-01")}
	if !calibration.Covers(due.At, span) {
		t.Error("a span that ends as the calibration does is not covered")
	}
	span.End = span.End.Add(time.Microsecond)
	if calibration.Covers(due.At, span) || calibration.Covers(time.Time{}, span) {
		t.Error("a span beyond the calibration is covered")
	}
}

func TestProjected(t *testing.T) {
	t.Parallel()
	h := calibration.History{Calibrations: calibrated("2026-01-01"), Uses: []calibration.Use{use("2026-01-01", 500), use("2026-01-10", 500)}}
	got := calibration.DueAt(h, wrench, calibration.DefaultPolicy().Due, amsterdam, local("2026-01-11"))
	// 1,000 in ten days, 4,000 left: forty days more.
	if want := local("2026-02-20"); !got.Projected.Equal(want) {
		t.Errorf("projected %v, want %v", got.Projected, want)
	}
}

func TestDueWithin(t *testing.T) {
	t.Parallel()
	listed := func(tag, at string) calibration.Listed {
		return calibration.Listed{Tag: tag, Due: calibration.Due{At: local(at)}}
	}
	never := calibration.Listed{Tag: "n", Due: calibration.Due{Reason: calibration.NeverCalibrated}}
	got := calibration.DueWithin([]calibration.Listed{listed("d", "2026-12-01"), listed("b", "2026-11-01"), listed("a", "2026-11-01"), never, listed("c", "2026-12-02")}, local("2026-12-02"))
	if d := cmp.Diff([]calibration.Listed{never, listed("a", "2026-11-01"), listed("b", "2026-11-01"), listed("d", "2026-12-01")}, got); d != "" {
		t.Error(d)
	}
}

func TestPeriodsAndGaps(t *testing.T) {
	t.Parallel()
	h := calibration.History{
		Calibrations: append(calibrated("2026-02-01", "2026-05-01", "2026-08-01"), calibration.Calibration{Number: "bad", At: local("2026-06-01")}),
		Uses: []calibration.Use{
			{At: local("2026-01-15 09:00"), Cycles: 1, Job: "W-1", Step: "head"},
			use("2026-02-02 09:00", 1),
			use("2026-04-01 09:00", 1), use("2026-04-01 08:00", 1), use("2026-04-02 08:00", 1),
			use("2026-05-02 08:00", 1),
			use("2026-06-02 08:00", 1),
			use("2026-08-01 08:00", 1),
			use("2026-08-21 08:00", 1),
		},
		Events: []calibration.Event{
			{At: local("2026-03-01 12:00"), Kind: calibration.Drop}, {At: local("2026-08-20 12:00"), Kind: calibration.Repair},
		},
	}
	policy, now := calibration.DefaultPolicy().Due, local("2026-09-01")
	want := []calibration.Period{
		{During: hours.Range{Start: local("2026-02-01"), End: local("2026-03-01 12:00")}, Certificate: "2026-02-01", Ended: "DROP"},
		{During: hours.Range{Start: local("2026-05-01"), End: local("2026-06-01")}, Certificate: "2026-05-01", Ended: calibration.NotAccepted},
		{During: hours.Range{Start: local("2026-08-01"), End: local("2026-08-20 12:00")}, Certificate: "2026-08-01", Ended: "REPAIR"},
	}
	if d := cmp.Diff(want, calibration.Periods(h, wrench, policy, amsterdam, now)); d != "" {
		t.Error(d)
	}
	day := func(m time.Month, d int) hours.Date { return hours.Date{Year: 2026, Month: m, Day: d} }
	gaps := []calibration.Gap{
		{Day: day(1, 15), Uses: h.Uses[:1], Reason: calibration.NeverCalibrated},
		{Day: day(4, 1), Uses: []calibration.Use{h.Uses[3], h.Uses[2]}, Reason: "DROP", Since: local("2026-03-01 12:00")},
		{Day: day(4, 2), Uses: h.Uses[4:5], Reason: "DROP", Since: local("2026-03-01 12:00")},
		{Day: day(6, 2), Uses: h.Uses[6:7], Reason: calibration.NotAccepted, Since: local("2026-06-01")},
		{Day: day(8, 21), Uses: h.Uses[8:], Reason: "REPAIR", Since: local("2026-08-20 12:00")},
	}
	year := hours.Range{Start: local("2026-01-01"), End: local("2027-01-01")}
	if d := cmp.Diff(gaps, calibration.Gaps(h, wrench, policy, amsterdam, year, now)); d != "" {
		t.Error(d)
	}
	if got := calibration.Gaps(h, wrench, policy, amsterdam, hours.Range{Start: local("2026-05-01"), End: local("2026-06-01")}, now); got != nil {
		t.Errorf("gaps where there are none: %v", got)
	}
}

// A day may have two reasons, one after the other.
func TestGapsOfOneDay(t *testing.T) {
	t.Parallel()
	h := calibration.History{
		Calibrations: []calibration.Calibration{{Number: "bad", At: local("2026-02-02 12:00")}},
		Uses:         []calibration.Use{use("2026-02-02 09:00", 1), use("2026-02-02 15:00", 1), use("2026-02-02 16:00", 1)},
	}
	got := calibration.Gaps(h, wrench, calibration.DefaultPolicy().Due, amsterdam, anyTime, local("2026-09-01"))
	day := hours.Date{Year: 2026, Month: 2, Day: 2}
	want := []calibration.Gap{
		{Day: day, Uses: h.Uses[:1], Reason: calibration.NeverCalibrated},
		{Day: day, Uses: h.Uses[1:], Reason: calibration.NotAccepted, Since: local("2026-02-02 12:00")},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// A drop at the moment of the calibration leaves no period at all, and is the
// reason that a gap gives.
func TestGapAfterEmptyPeriod(t *testing.T) {
	t.Parallel()
	h := calibration.History{
		Calibrations: calibrated("2026-02-01"),
		Uses:         []calibration.Use{use("2026-02-02 09:00", 1)},
		Events:       []calibration.Event{{At: local("2026-02-01"), Kind: calibration.Drop}},
	}
	policy, now := calibration.DefaultPolicy().Due, local("2026-09-01")
	if got := calibration.Periods(h, wrench, policy, amsterdam, now); len(got) != 0 {
		t.Errorf("periods %v", got)
	}
	got := calibration.Gaps(h, wrench, policy, amsterdam, hours.Range{Start: local("2026-01-01"), End: now}, now)
	if len(got) != 1 || got[0].Reason != "DROP" {
		t.Errorf("gaps %v", got)
	}
}

func TestCertificateCalibration(t *testing.T) {
	t.Parallel()
	c := certificate(point(100, 90))
	got := c.Calibration(assess(t, c), amsterdam)
	if d := cmp.Diff(calibration.Calibration{Number: "4711", At: local("2026-11-02")}, got); d != "" {
		t.Error(d)
	}
}
