package cli

import (
	"slices"

	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// fixtureExplained is what binds a job, and what keeps it from a start.
func fixtureExplained() *bayholdv1.ExplainJobResponse {
	return &bayholdv1.ExplainJobResponse{
		HandBackTime: ts(dec, 2, 11, 0),
		Reliefs: []*bayholdv1.Relief{
			{Kind: bayholdv1.Relief_KIND_ONE_MORE, Need: "valve locking set, orlo-20", HandBackTime: ts(nov, 27, 16, 30), SoonerMinutes: 4*1440 + 1110},
			{Kind: bayholdv1.Relief_KIND_CALIBRATION, Need: "torque wrench for 180 Nm", Resource: harbour + "/tools/TW-03", HandBackTime: ts(dec, 1, 14, 0), SoonerMinutes: 1260},
			{Kind: bayholdv1.Relief_KIND_CLOSURE, Need: "a bay with two-post-lift: floor paint", Resource: harbour + "/bays/bay-1", HandBackTime: ts(dec, 2, 9, 0), SoonerMinutes: 120},
			{Kind: bayholdv1.Relief_KIND_CLOSURE, Need: "timing belt: still expected", HandBackTime: ts(dec, 2, 10, 15), SoonerMinutes: 45},
		},
		SmallestSet: fixtureBlockers()[:2], SmallestProved: true,
	}
}

// fixtureArranged are three booked jobs and two new ones: one moves and is late,
// one keeps its time with other people, one has no place.
func fixtureArranged() []*bayholdv1.ArrangedJob {
	return []*bayholdv1.ArrangedJob{
		{Job: harbour + "/jobs/18", Reference: "R-18", Plan: fixturePlan(7, true), Planned: during(ts(nov, 25, 8, 0), ts(nov, 25, 11, 15)), PromiseTime: ts(dec, 1, 12, 0), Moved: true},
		replanned("R-19", "ben"),
		{Job: harbour + "/jobs/21", Reference: "R-21", Planned: during(ts(dec, 1, 8, 0), ts(dec, 2, 11, 0)), PromiseTime: ts(dec, 2, 16, 0)},
		{Reference: "R-51", Plan: fixturePlan(9, false), PromiseTime: ts(dec, 4, 16, 0)},
		{Reference: "R-52", Plan: fixturePlan(14, false)},
	}
}

// replanned is a job that keeps its bookings, those of people apart.
func replanned(reference, technician string) *bayholdv1.ArrangedJob {
	j := &bayholdv1.ArrangedJob{Job: harbour + "/jobs/" + reference[2:], Reference: reference, PromiseTime: ts(nov, 30, 16, 0)}
	plan := fixturePlan(1, true)
	plan.Bookings = nil
	for _, b := range fixtureBookings() {
		if b.GetReference() != reference {
			continue
		}
		name := b.GetResource()
		switch collection(name) {
		case bays:
			plan.Bay, j.Planned = name, b.GetDuring()
			plan.StartTime, plan.HandBackTime = b.GetDuring().GetStart(), b.GetDuring().GetEnd()
		case technicians:
			name = harbour + "/technicians/" + technician
		}
		plan.Bookings = append(plan.Bookings, &bayholdv1.PlannedBooking{
			Resource: name, StartTime: b.GetDuring().GetStart(), EndTime: b.GetDuring().GetEnd(),
		})
	}
	j.Plan = plan
	return j
}

// settled are the jobs that have a place.
func settled() []*bayholdv1.ArrangedJob {
	return slices.DeleteFunc(fixtureArranged(), func(j *bayholdv1.ArrangedJob) bool { return j.GetPlan() == nil })
}

// fixtureSearch are the improvements of a search that finds all a place.
func fixtureSearch() []*bayholdv1.ArrangeJobsResponse {
	last := &bayholdv1.ArrangeJobsResponse{Jobs: settled(), LateMinutes: 1380, LateBoundMinutes: 1260, Schedules: 48210, Done: true}
	before := proto.CloneOf(last)
	before.LateMinutes, before.Schedules, before.Done = 1725.4, 12345, false
	first := proto.CloneOf(before)
	first.Jobs, first.LateMinutes, first.Schedules = fixtureArranged(), 2900, 2
	return []*bayholdv1.ArrangeJobsResponse{first, before, last}
}

// fixtureRepair is a repair that breaks one promise, keeps one and leaves one
// missed as it was.
func fixtureRepair() *bayholdv1.ProposeRepairResponse {
	moved, kept, missed := replanned("R-19", "anna"), replanned("R-18", "anna"), replanned("R-17", "anna")
	moved.Plan = fixturePlan(6, true)
	kept.Plan.Bookings[0].Resource = harbour + "/bays/bay-3"
	missed.Plan.Bookings[1].Resource = harbour + "/tools/LK-02"
	missed.PromiseTime = ts(nov, 24, 15, 0)
	return &bayholdv1.ProposeRepairResponse{
		Broken: fixtureBookings()[4:5], Jobs: []*bayholdv1.ArrangedJob{missed, kept, moved},
		PromisesMoved: 1, BookingsMoved: 7, MinutesMoved: 1530,
	}
}
