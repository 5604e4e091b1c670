package board

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// sampleAudit has what the page must show: a certificate, a check, a gap with a
// step of each kind, and a line that is open.
func sampleAudit() workshop.Audit {
	at := func(day, hour int) time.Time { return time.Date(2031, 5, day, hour, 0, 0, 0, time.UTC) }
	line := calibration.Line{
		Tightening: calibration.Tightening{ID: "tightenings/7", At: at(5, 9), Job: "W-<b>1</b>", Joint: "cam wheel", Fastener: "bolt 1", Wanted: 120, Tolerance: 0.04},
		Torque:     114, Deviation: 6.0 / 114, Impact: calibration.Outside,
	}
	return workshop.Audit{
		Site: site.Site{ID: "quay", Name: "Quay & Sons"}, Zone: time.UTC, During: hours.Range{Start: at(1, 0), End: at(12, 0)}, Made: at(12, 8),
		Checks: []string{"A check proves a tool good if:"}, Classes: "our copy of the standard",
		Tools: []workshop.AuditedTool{
			{
				Tool: site.Tool{Tag: "TW-1", Condition: site.Serviceable},
				Type: site.ToolType{Name: "torque wrench", ISOType: "II", ISOClass: "A", TorqueMin: 40, TorqueMax: 200, Permissible: 0.04},
				Certificates: []workshop.CertificateRecord{{
					Certificate: calibration.Certificate{Number: "HM-1", Laboratory: "Harbour Metrology", Date: hours.Date{Year: 2031, Month: 5, Day: 6}},
					Assessment: calibration.Assessment{
						AsFound: calibration.Side{Verdict: calibration.Fail, Worst: 0.0526}, AsLeft: calibration.Side{Verdict: calibration.Pass, Worst: -0.005},
					},
				}},
				Checks:  []workshop.CheckRecord{{Check: calibration.Check{At: at(8, 9), Tester: calibration.Tester{Tag: "TE-1"}}, Result: calibration.CheckResult{Good: true}}},
				Periods: []calibration.Period{{During: hours.Range{Start: at(6, 0), End: at(30, 0)}, Certificate: "HM-1", Ended: calibration.ByDate}},
				Gaps: []workshop.AuditedGap{{
					Gap:      calibration.Gap{Day: hours.Date{Year: 2031, Month: 5, Day: 5}, Reason: calibration.ByDate, Since: at(2, 0)},
					Bookings: []site.Booking{{Reference: "W-2", During: hours.Range{Start: at(5, 8), End: at(5, 16)}}}, Cycles: 12,
					Steps: []workshop.UsedStep{{At: at(5, 9), Job: "W-3", Step: "belt/fit", Recorded: true}, {At: at(5, 10), Job: "W-4", Step: "belt/tension"}},
				}},
				Traces: []workshop.TraceSummary{{Title: "certificate HM-1", Window: hours.Range{Start: at(1, 0), End: at(7, 0)}, Lines: 1, Outside: 1, Open: 1, Unproven: 1}},
				Open:   []workshop.TraceLine{{Line: line}},
			},
			{Tool: site.Tool{Tag: "TW-2", Condition: site.Away}, Type: site.ToolType{Name: "torque wrench"}},
		},
	}
}

func TestAuditPageSaysWhatAnAuditorAsks(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	if err := (Sheets{}).AuditHTML(&out, sampleAudit()); err != nil {
		t.Fatal(err)
	}
	page := out.String()
	if strings.Contains(page, "<b>1</b>") || strings.Contains(page, "<script") || strings.Contains(page, "http://") || strings.Contains(page, "https://") {
		t.Error("the page takes marks from what was typed, or asks for something elsewhere")
	}
	got := seen(page)
	for _, want := range []string{
		"Quay & Sons", "2031-05-01 00:00 UTC", "TW-1 torque wrench", "type II class A", "40 to 200 N·m", "4 % of the reading",
		"2031-05-06 HM-1 Harbour Metrology &#43;5.26 % -0.50 % pass", "2031-05-06 00:00 UTC 2031-05-30 00:00 UTC HM-1 interval over",
		"2031-05-08 09:00 UTC TE-1 good", "2031-05-05 interval over, since 2031-05-02 00:00 UTC",
		"W-3 belt/fit", "W-4 belt/tension (planned; nothing is recorded)", "W-2 held it", "12 cycles, counted by hand",
		"Found out of tolerance by certificate HM-1", "there is no proof at all that the tool was good",
		"tightenings/7 2031-05-05 09:00 UTC", "cam wheel, bolt 1 120 ±4 % 114.0 outside", "TW-2 torque wrench", "No certificate of that time.",
		"Used outside calibration: on no day.", "our copy of the standard", "A check proves a tool good if:", "It certifies nothing",
		"in use outside calibration: 1", "nothing was decided: 1",
	} {
		if !strings.Contains(got, strings.ReplaceAll(want, "&#43;", "+")) && !strings.Contains(got, strings.ReplaceAll(want, "#", "")) {
			t.Errorf("the page does not say %q", want)
		}
	}
	out.Reset()
	if err := (Sheets{}).AuditHTML(&out, workshop.Audit{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(seen(out.String()), "There are no tools that need calibration.") {
		t.Error("an empty audit does not say so")
	}
}
