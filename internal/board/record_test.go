package board

import (
	"strings"
	"testing"
	"time"

	"bayhold/internal/picture"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// sampleRecord is the sample's job with something of every kind recorded.
func sampleRecord() workshop.JobRecord {
	r := workshop.JobRecord{Sheet: sample(), Names: map[string]string{"ada": "Ada <script>alert(1)</script>"}}
	low, high := 47.5, 52.5
	entry := func(minute int) running.Entry {
		at := may(12, 8, minute)
		return running.Entry{ID: int64(minute), Run: 1, Technician: "ada", Actor: "vera", At: at, RecordedAt: at.Add(time.Hour)}
	}
	for i, l := range r.Lines {
		s := workshop.StepRecorded{ID: l.ID, State: running.Open, Corrected: map[int64]int64{}}
		if i == 0 {
			s.State, s.Unsigned = running.Finished, 1
			torque := func(n int, value float64) running.Reading {
				return running.Reading{Entry: running.Entry{ID: int64(100 + n), Technician: "ada", At: may(12, 8, 20), RecordedAt: may(12, 8, 20)},
					Kind: running.Torque, Fastener: n, Stage: 1, Attempt: 1, Unit: "N·m", Value: value, Low: &low, High: &high, Set: 50, Tool: "TW-1", Certificate: "HM-4711"}
			}
			s.Events = []running.Event{{Entry: entry(0), Act: running.Start}, {Entry: entry(30), Act: running.Finish}}
			s.Readings = []running.Reading{torque(1, 50), torque(2, 50), torque(3, 50), torque(4, 61)}
			s.SignOffs = []running.SignOff{{Entry: entry(31)}}
			s.Parts = []running.PartUsed{{Entry: entry(10), Part: "bolt", Quantity: 4, Lot: "L7"}}
			s.Overrides = []running.Override{{Entry: entry(29), Act: running.Finish, Against: []running.Blocker{{Message: "fastener 4 is outside"}}}}
			s.Delays = []running.Delay{{Entry: entry(15), Minutes: 240}}
		}
		if i == 1 {
			s.State, s.Waiver = running.Waived, &running.Waiver{Entry: entry(40)}
		}
		r.Steps = append(r.Steps, s)
	}
	r.Tools = []workshop.ToolUsed{{Tag: "TW-1", Name: "Wrench", Uses: []workshop.ToolUse{{
		First: may(12, 8, 20), Last: may(12, 8, 20), Readings: 4, Certificate: "HM-4711", Laboratory: "Harbour Metrology", Day: "2031-01-10", CalibratedUntil: may(20, 0, 0),
	}}, Issues: []site.Issue{{Technician: "ada", IssuedAt: may(12, 7, 50), ReturnedAt: may(12, 17, 0)}}}}
	r.Done = 2
	return r
}

// TestARecordAnswersForTheJob holds that text and page say who did what, with
// which tool under which certificate, and what was not as it should be.
func TestARecordAnswersForTheJob(t *testing.T) {
	t.Parallel()
	var text, page strings.Builder
	if err := (Sheets{}).RecordText(&text, sampleRecord()); err != nil {
		t.Fatal(err)
	}
	if err := (Sheets{}).RecordHTML(&page, sampleRecord()); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(text.String()) {
		if picture.Width(strings.TrimSuffix(line, "\n")) > pageWidth {
			t.Errorf("wider than the page: %s", line)
		}
	}
	plain := strings.Join(strings.Fields(text.String()), " ")
	for _, want := range []string{
		"OPEN: 2 of", "fasteners 1-3, stage 1: 50 N·m (47.5 to 52.5 N·m), with TW-1 set to 50 N·m, certificate HM-4711", "61 N·m (47.5 to 52.5 N·m), OUTSIDE",
		"LET PASS", "WAIVED, not done", "lot L7", "takes 4 h longer", "signed", "came in", "under certificate HM-4711 of Harbour Metrology, measured 2031-01-10", "lacks 1 signature",
		"returned Mon 12 May 2031 17:00",
	} {
		if !strings.Contains(plain, want) {
			t.Errorf("the text does not say %q", want)
		}
	}
	for _, want := range []string{"OUTSIDE", "LET PASS", "WAIVED", "HM-4711", "&lt;script&gt;"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(page.String(), "<script") {
		t.Error("the page runs what somebody typed")
	}
}
