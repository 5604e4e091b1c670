package cli

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestScarceTools holds which tool types count as scarce, and why.
func TestScarceTools(t *testing.T) {
	week := stretch{ts(nov, 23, 0, 0).AsTime(), ts(nov, 30, 0, 0).AsTime()}
	types := []*bayholdv1.ToolType{{Name: "s/toolTypes/lock"}, {Name: "s/toolTypes/wrench", Calibrated: true}, {Name: "s/toolTypes/unowned"}}
	tool := func(name, kind string) *bayholdv1.Tool {
		return &bayholdv1.Tool{Name: "s/tools/" + name, ToolType: "s/toolTypes/" + kind, Condition: bayholdv1.Condition_CONDITION_SERVICEABLE, CalibratedUntil: ts(dec, 20, 0, 0)}
	}
	away := tool("L2", "lock")
	away.Condition, away.ConditionUntil = bayholdv1.Condition_CONDITION_AWAY, ts(nov, 25, 12, 0)
	retired := tool("L3", "lock")
	retired.Condition = bayholdv1.Condition_CONDITION_RETIRED
	lapsing := tool("W2", "wrench")
	lapsing.CalibratedUntil = ts(nov, 26, 0, 0)
	held := func(name, ref string, from, to int) *bayholdv1.Booking {
		return &bayholdv1.Booking{Resource: "s/tools/" + name, Reference: ref, During: during(ts(nov, from, 8, 0), ts(nov, to, 16, 0)), State: confirmed}
	}
	gone := held("L1", "R-9", 23, 28)
	gone.State = cancelled
	show := func(list []scarcity) string {
		var out []string
		for _, s := range list {
			text := id(s.toolType.GetName())
			for _, at := range s.taken {
				text += " " + testClock().span(at.from, at.to)
			}
			out = append(out, text+" "+strings.Join(s.why, ","))
		}
		return strings.Join(out, "; ")
	}
	for _, tt := range []struct {
		name  string
		tools []*bayholdv1.Tool
		held  []*bayholdv1.Booking
		want  string
	}{
		{"nothing booked", []*bayholdv1.Tool{tool("L1", "lock")}, nil, ""},
		{"cancelled", []*bayholdv1.Tool{tool("L1", "lock")}, []*bayholdv1.Booking{gone}, ""},
		{"the only one", []*bayholdv1.Tool{tool("L1", "lock")}, []*bayholdv1.Booking{held("L1", "R-1", 24, 25)}, "lock Tue 24 Nov 08:00 to Wed 25 Nov 16:00 R-1"},
		{"one of two", []*bayholdv1.Tool{tool("L1", "lock"), tool("L9", "lock")}, []*bayholdv1.Booking{held("L1", "R-1", 24, 25)}, ""},
		{"the other away", []*bayholdv1.Tool{tool("L1", "lock"), away, retired}, []*bayholdv1.Booking{held("L1", "R-1", 24, 26)}, "lock Tue 24 Nov 08:00 to Wed 25 Nov 12:00 R-1,L2 away"},
		{"both, overlapping", []*bayholdv1.Tool{tool("L1", "lock"), tool("L9", "lock")}, []*bayholdv1.Booking{held("L1", "R-1", 24, 26), held("L9", "R-2", 25, 28)}, "lock Wed 25 Nov 08:00 to Thu 26 Nov 16:00 R-1,R-2"},
		{"calibration lapses", []*bayholdv1.Tool{lapsing}, nil, "wrench Thu 26 Nov 00:00 to Mon 30 Nov 00:00 W2 out of calibration"},
		{"longest first", []*bayholdv1.Tool{tool("L1", "lock"), lapsing}, []*bayholdv1.Booking{held("L1", "R-1", 24, 25)}, "wrench Thu 26 Nov 00:00 to Mon 30 Nov 00:00 W2 out of calibration; lock Tue 24 Nov 08:00 to Wed 25 Nov 16:00 R-1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := show(scarceTools(week, types, tt.tools, tt.held)); got != tt.want {
				t.Errorf("%s\nwant %s", got, tt.want)
			}
		})
	}
}

// TestStretches holds merged and common against counting minute by minute.
func TestStretches(t *testing.T) {
	base := ts(nov, 23, 0, 0).AsTime()
	minute := func(n int) time.Time { return base.Add(time.Duration(n) * time.Minute) }
	draw := rapid.Custom(func(t *rapid.T) stretch {
		from := rapid.IntRange(0, 30).Draw(t, "from")
		return stretch{minute(from), minute(from + rapid.IntRange(-2, 10).Draw(t, "length"))}
	})
	in := func(list []stretch, at time.Time) bool {
		for _, s := range list {
			if !at.Before(s.from) && at.Before(s.to) {
				return true
			}
		}
		return false
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.SliceOf(draw).Draw(t, "a"), rapid.SliceOf(draw).Draw(t, "b")
		ma, mb := merged(append([]stretch{}, a...)), merged(append([]stretch{}, b...))
		both := common(ma, mb)
		for n := range 45 {
			at := minute(n)
			if in(ma, at) != in(a, at) || in(both, at) != (in(a, at) && in(b, at)) {
				t.Fatalf("minute %d: merged %v, common %v", n, in(ma, at), in(both, at))
			}
		}
	})
}

// TestCut holds taking a time out of a closure.
func TestCut(t *testing.T) {
	c := &bayholdv1.Closure{During: during(ts(nov, 24, 8, 0), ts(nov, 24, 16, 0)), Reason: "paint"}
	for _, tt := range []struct {
		name     string
		from, to int
		want     string
	}{
		{"before", 6, 8, "Tue 24 Nov 08:00-16:00, paint"},
		{"head", 6, 10, "Tue 24 Nov 10:00-16:00, paint"},
		{"middle", 10, 12, "Tue 24 Nov 08:00-10:00, paint\nTue 24 Nov 12:00-16:00, paint"},
		{"tail", 12, 18, "Tue 24 Nov 08:00-12:00, paint"},
		{"after", 16, 18, "Tue 24 Nov 08:00-16:00, paint"},
		{"all", 8, 16, ""},
	} {
		got := closures(testClock(), cut(c, during(ts(nov, 24, tt.from, 0), ts(nov, 24, tt.to, 0))))
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}
