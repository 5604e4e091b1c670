package cli

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// FuzzReading holds that what a technician types of fasteners, values and checks
// is refused with a word, or read as figures.
func FuzzReading(f *testing.F) {
	for _, s := range []string{"1-4:1=45Nm", "2:2=90deg", "7,1-3:1=33 lbf-ft", "1-2001:1=1Nm", "gap=0.25mm", "free=yes", "=", "a=-.", "5 %", "20-100 Nm", "99999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<12 {
			return
		}
		told := func(err error) bool {
			if err != nil && asProblem(err).message == "" {
				t.Errorf("%q is refused without a word", text)
			}
			return err == nil
		}
		figure := func(what string, x float64) {
			if math.IsNaN(x) {
				t.Errorf("%q has %s %v", text, what, x)
			}
		}
		if fasteners, _, value, _, err := readReading(text); told(err) {
			figure("a value", value)
			for _, n := range fasteners {
				if n < 1 {
					t.Errorf("%q has the fastener %d", text, n)
				}
			}
		}
		if m, _, err := readCheck(text); told(err) && m.GetCheck() == "" {
			t.Errorf("%q is a check without an id", text)
		}
		if low, high, err := readTorques(text); told(err) {
			figure("a torque", low)
			figure("a torque", high)
		}
		if x, err := readShare(text); told(err) {
			figure("a share", x)
		}
		if x, ok := readPercent(text); ok {
			figure("a percentage", x)
		}
		if n, ok := readMinutes(text); ok && n < 0 {
			t.Errorf("%q is %d minutes", text, n)
		}
		if list, err := readStretches("--shift", text); told(err) {
			for _, s := range list {
				if s.GetEndMinute() <= s.GetStartMinute() {
					t.Errorf("%q has the stretch %v", text, s)
				}
			}
		}
		list, err := readPieces("--missing", []string{text})
		if told(err) && len(list) != 1 && text != "none" {
			t.Errorf("%q is the piece %v", text, list)
		}
	})
}

// FuzzFiles holds that files which commands take are refused with a word, or make
// messages that travel.
func FuzzFiles(f *testing.F) {
	for _, s := range []string{
		"", "null", "[]", `{"options":[{"plan":{}}]}`, `{"possible":true,"plan":{"steps":[{}]}}`, `{"steps":[]}`, `{"parent":"sites/harbour","jobs":[{}]}`,
		`{"lateMinutes":"3","jobs":[]}`, "due: {months: 12, cycles: 5000}\n", "due: {overload: .nan}\n", "&a [*a]", "check: {testers: 3}",
		"source,tool,time,job,joint,fastener,stage,wanted\np-1,TW-03,2026-11-20 8:00,W-1,cam,bolt 1,1,120\n", "source;tool\n\"", "\xef\xbb\xbftool,tool\n",
	} {
		f.Add([]byte(s))
	}
	p := &place{site: &bayholdv1.Site{Name: "sites/harbour"}, clock: testClock()}
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(body) > 1<<14 {
			return
		}
		read := func(what string, m proto.Message, err error) {
			if err != nil {
				if asProblem(err).message == "" {
					t.Errorf("%s is refused without a word", what)
				}
				return
			}
			if _, err := proto.Marshal(m); err != nil {
				t.Errorf("%s: %v", what, err)
			}
		}
		plan, err := readPlan(body, "f", 1)
		read("a plan", plan, err)
		arrangement, err := readArrangement(body, "f")
		read("an arrangement", arrangement, err)
		policy, err := readPolicyYAML("f", body)
		read("a policy", policy, err)
		if list, lines, err := p.readTightenings("f", body); err != nil {
			read("tightenings", nil, err)
		} else if len(list) != len(lines) || len(list) == 0 {
			t.Errorf("%d tightenings on %d lines", len(list), len(lines))
		}
	})
}
