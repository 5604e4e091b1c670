package cli

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestClaims holds how bookings are gathered: what touches is one, what comes
// later that day is another part, a new day, resource or job begins anew.
func TestClaims(t *testing.T) {
	type piece struct {
		resource, job string
		from, to      *timestamppb.Timestamp
	}
	pieces := []piece{
		{"anna", "1", ts(nov, 25, 8, 0), ts(nov, 25, 9, 0)},
		{"anna", "1", ts(nov, 25, 9, 0), ts(nov, 25, 10, 0)},
		{"anna", "1", ts(nov, 25, 13, 0), ts(nov, 25, 14, 0)},
		{"anna", "1", ts(nov, 26, 8, 0), ts(nov, 26, 9, 0)},
		{"anna", "2", ts(nov, 26, 9, 0), ts(nov, 26, 10, 0)},
		{"LK", "2", ts(nov, 26, 9, 0), ts(nov, 27, 9, 0)},
		{"LK", "2", ts(nov, 27, 9, 0), ts(nov, 27, 10, 0)},
		{"LK", "2", ts(nov, 27, 11, 0), ts(nov, 27, 12, 0)},
	}
	for _, tt := range []struct {
		whole bool
		want  string
	}{
		{false, "anna 1 Wed 25 Nov 08:00-14:00 (2×) 3 h; anna 1 Thu 26 Nov 08:00-09:00 1 h; anna 2 Thu 26 Nov 09:00-10:00 1 h; " +
			"LK 2 Thu 26 Nov 09:00 to Fri 27 Nov 10:00 25 h; LK 2 Fri 27 Nov 11:00-12:00 1 h"},
		{true, "anna 1 Wed 25 Nov 08:00 to Thu 26 Nov 09:00 (3×) 4 h; anna 2 Thu 26 Nov 09:00-10:00 1 h; " +
			"LK 2 Thu 26 Nov 09:00 to Fri 27 Nov 12:00 (2×) 26 h"},
	} {
		cs := claims{clock: testClock(), whole: tt.whole}
		for _, p := range pieces {
			cs.add(p.resource, "", p.job, p.from, p.to)
		}
		var got []string
		for _, cl := range cs.list {
			got = append(got, fmt.Sprintf("%s %s %s %s", cl.resource, cl.job, cl.span(cs.clock.span), hours(cl.taken)))
		}
		if text := strings.Join(got, "; "); text != tt.want {
			t.Errorf("whole %v: %s\nwant %s", tt.whole, text, tt.want)
		}
	}
}

// TestObstacles holds that steps which want for the same things are told once.
func TestObstacles(t *testing.T) {
	blocker := func(step, tag string) *bayholdv1.Blocker {
		return &bayholdv1.Blocker{Kind: bayholdv1.Blocker_KIND_BOOKED, Step: step, StepTitle: "Step " + step, Need: "a set", Resource: "s/tools/" + tag, Reference: "R-1"}
	}
	var got []string
	for _, o := range obstaclesOf(testClock(), []*bayholdv1.Blocker{
		blocker("a", "L1"), blocker("a", "L2"), blocker("b", "L1"), blocker("c", "L1"), blocker("c", "L2"), {Message: "No bay has a crane."},
	}) {
		got = append(got, fmt.Sprintf("%s+%d:%d", o.step, o.more, len(o.list)))
	}
	if text := strings.Join(got, " "); text != "Step a+1:2 Step b+0:1 The whole job+0:1" {
		t.Error(text)
	}
}
