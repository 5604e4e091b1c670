package cli

import (
	"testing"

	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestNewPromises has the new hand-back promised where the old one breaks, only
// there, and only when that was asked for.
func TestNewPromises(t *testing.T) {
	t.Parallel()
	at := func(hour int) *bayholdv1.TimeRange {
		return &bayholdv1.TimeRange{Start: ts(nov, 25, 8, 0), End: ts(nov, 25, hour, 0)}
	}
	jobs := []*bayholdv1.ArrangedJob{
		{Job: "sites/x/jobs/1", Planned: at(12), PromiseTime: ts(nov, 25, 13, 0), Plan: &bayholdv1.Plan{HandBackTime: ts(nov, 25, 16, 0)}},
		{Job: "sites/x/jobs/2", Planned: at(12), PromiseTime: ts(nov, 25, 17, 0), Plan: &bayholdv1.Plan{HandBackTime: ts(nov, 25, 16, 0)}},
		{Job: "sites/x/jobs/3", Planned: at(12), Plan: &bayholdv1.Plan{HandBackTime: ts(nov, 25, 16, 0)}},
	}
	told := proto.CloneOf(jobs[0])
	for asked, want := range map[bool]*bayholdv1.ArrangedJob{false: told, true: {
		Job: told.Job, Planned: told.Planned, PromiseTime: told.Plan.HandBackTime, Plan: told.Plan,
	}} {
		r := repaired{req: &bayholdv1.ProposeRepairRequest{}, resp: &bayholdv1.ProposeRepairResponse{Jobs: jobs}, flags: &repairFlags{newPromises: asked}}
		got := r.arrangement(&place{site: &bayholdv1.Site{Name: "sites/x"}}).GetJobs()
		if len(got) != 3 || !proto.Equal(got[0], want) || !proto.Equal(got[1], jobs[1]) || !proto.Equal(got[2], jobs[2]) {
			t.Errorf("asked %v: %v", asked, got)
		}
		if !proto.Equal(jobs[0], told) {
			t.Error("what the server answered was changed")
		}
	}
}
