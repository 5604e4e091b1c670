package cli

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// The workshop that the tests ask: invented throughout.

var berlin = mustZone("Europe/Berlin")

// testNow is a Wednesday morning.
var testNow = time.Date(2026, 11, 25, 9, 12, 34, 0, berlin)

func mustZone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

// ts gives a site-local time in November or December 2026.
func ts(month time.Month, day, hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, month, day, hour, minute, 0, 0, berlin))
}

const nov, dec = time.November, time.December

func during(from, to *timestamppb.Timestamp) *bayholdv1.TimeRange {
	return &bayholdv1.TimeRange{Start: from, End: to}
}

const harbour = "sites/harbour"

func fixtureSite() *bayholdv1.Site {
	return &bayholdv1.Site{Name: harbour, DisplayName: "Harbour workshop", TimeZone: "Europe/Berlin", Revision: 412}
}

func fixtureBays() []*bayholdv1.Bay {
	return []*bayholdv1.Bay{
		{
			Name: harbour + "/bays/bay-1", DisplayName: "Left of the gate", Features: []string{"engine-crane", "two-post-lift"},
			Closures: []*bayholdv1.Closure{
				{During: during(ts(nov, 2, 8, 0), ts(nov, 2, 12, 0)), Reason: "lift inspection"},
				{During: during(ts(nov, 27, 0, 0), ts(nov, 28, 0, 0)), Reason: "floor paint"},
			},
		},
		{Name: harbour + "/bays/bay-2", DisplayName: "Right of the gate", Features: []string{"two-post-lift"}},
		{Name: harbour + "/bays/bay-3", DisplayName: "Yard side", Features: []string{"four-post-lift"}},
	}
}

func fixtureTechnicians() []*bayholdv1.Technician {
	day := []*bayholdv1.Stretch{{StartMinute: 420, EndMinute: 720}, {StartMinute: 750, EndMinute: 960}}
	return []*bayholdv1.Technician{
		{
			Name: harbour + "/technicians/anna", DisplayName: "Anna Vesk", Skills: []string{"diesel", "timing"},
			Shifts: []*bayholdv1.Shift{
				{Weekday: bayholdv1.Weekday_WEEKDAY_MONDAY, Stretches: day},
				{Weekday: bayholdv1.Weekday_WEEKDAY_TUESDAY, Stretches: day},
				{Weekday: bayholdv1.Weekday_WEEKDAY_FRIDAY, Stretches: []*bayholdv1.Stretch{{StartMinute: 1320, EndMinute: 1800}}},
			},
			ShiftExceptions: []*bayholdv1.ShiftException{
				{Date: "2026-12-24", Stretches: []*bayholdv1.Stretch{{StartMinute: 480, EndMinute: 720}}},
				{Date: "2026-12-31"},
			},
			Absences: []*bayholdv1.Closure{{During: during(ts(dec, 21, 0, 0), ts(dec, 24, 0, 0)), Reason: "holiday"}},
		},
		{Name: harbour + "/technicians/ben", DisplayName: "Ben Ostrau", Skills: []string{"timing"}},
	}
}

func fixtureToolTypes() []*bayholdv1.ToolType {
	return []*bayholdv1.ToolType{
		{
			Name: harbour + "/toolTypes/lock-orlo-20", DisplayName: "Valve locking set, Orlo 20", Purpose: bayholdv1.Purpose_PURPOSE_LOCKING,
			EngineFamilies: []string{harbour + "/engineFamilies/orlo-20"},
			Pieces:         []*bayholdv1.Piece{{DisplayName: "cam plate", Count: 2}, {DisplayName: "crank pin", Count: 1}},
		},
		{
			Name: harbour + "/toolTypes/wrench-200", DisplayName: "Torque wrench 40 to 200", Purpose: bayholdv1.Purpose_PURPOSE_TORQUE,
			TorqueMinNm: 40, TorqueMaxNm: 200, ResolutionNm: 1, Drive: "1/2in", Calibrated: true, LengthMm: 420.5,
			IsoType: "II", IsoClass: "A", PermissibleDeviation: 0.04,
		},
		{
			Name: harbour + "/toolTypes/multiplier", DisplayName: "Torque multiplier", Purpose: bayholdv1.Purpose_PURPOSE_TORQUE,
			TorqueMaxNm: 1000, Drive: "3/4in", Ratio: 4.2,
		},
	}
}

func fixtureTools() []*bayholdv1.Tool {
	return []*bayholdv1.Tool{
		{
			Name: harbour + "/tools/LK-01", ToolType: harbour + "/toolTypes/lock-orlo-20",
			Condition: bayholdv1.Condition_CONDITION_SERVICEABLE, Home: "shelf A",
		},
		{
			Name: harbour + "/tools/TW-03", ToolType: harbour + "/toolTypes/wrench-200", Condition: bayholdv1.Condition_CONDITION_AWAY,
			ConditionUntil: ts(dec, 4, 12, 0), ConditionNote: "away for calibration", CalibratedUntil: ts(nov, 20, 0, 0), Home: "cabinet",
		},
		{
			Name: harbour + "/tools/TW-04", ToolType: harbour + "/toolTypes/wrench-200", Condition: bayholdv1.Condition_CONDITION_SERVICEABLE,
			CalibratedUntil: ts(dec, 11, 0, 0), Home: "cabinet",
		},
	}
}

// booking makes a standing booking.
func booking(number, resource, reference string, from, to *timestamppb.Timestamp, state bayholdv1.BookingState) *bayholdv1.Booking {
	b := &bayholdv1.Booking{
		Name: harbour + "/bookings/" + number, Job: harbour + "/jobs/" + reference[2:], Reference: reference,
		Resource: harbour + "/" + resource, During: during(from, to), State: state,
	}
	if state == tentative {
		b.ExpireTime = ts(nov, 26, 12, 0)
	}
	return b
}

const (
	tentative = bayholdv1.BookingState_BOOKING_STATE_TENTATIVE
	confirmed = bayholdv1.BookingState_BOOKING_STATE_CONFIRMED
	cancelled = bayholdv1.BookingState_BOOKING_STATE_CANCELLED
)

func fixtureBookings() []*bayholdv1.Booking {
	return []*bayholdv1.Booking{
		booking("101", "bays/bay-1", "R-17", ts(nov, 23, 8, 0), ts(nov, 24, 16, 30), confirmed),
		booking("102", "tools/LK-01", "R-17", ts(nov, 23, 9, 30), ts(nov, 24, 15, 0), confirmed),
		booking("103", "bays/bay-2", "R-18", ts(nov, 25, 8, 0), ts(nov, 25, 11, 15), confirmed),
		booking("104", "bays/bay-2", "R-19", ts(nov, 25, 13, 0), ts(nov, 27, 12, 0), tentative),
		booking("105", "tools/TW-04", "R-19", ts(nov, 26, 8, 0), ts(nov, 26, 16, 0), tentative),
		booking("106", "technicians/anna", "R-19", ts(nov, 26, 8, 0), ts(nov, 26, 12, 0), tentative),
	}
}

func fixtureJobs() []*bayholdv1.Job {
	done := []*bayholdv1.ProcedureVersion{{Procedure: harbour + "/procedures/belt-orlo-20", Version: 2, NewestVersion: 2}}
	return []*bayholdv1.Job{
		{
			Name: harbour + "/jobs/17", Reference: "R-17", EngineFamily: harbour + "/engineFamilies/orlo-20", Procedures: done,
			State: confirmed, Planned: during(ts(nov, 23, 8, 0), ts(nov, 24, 16, 30)), PromiseTime: ts(nov, 24, 15, 0),
			Note: "customer waits for a call", CreateTime: ts(nov, 16, 10, 0),
			Steps: []*bayholdv1.JobStep{
				{Id: "cover/off", Title: "Take the cover off", During: during(ts(nov, 23, 8, 0), ts(nov, 23, 9, 30))},
				{Id: "belt/change", Title: "Change the belt", During: during(ts(nov, 23, 9, 30), ts(nov, 24, 15, 0))},
				{Id: "cover/on", Title: "Put the cover on", During: during(ts(nov, 24, 15, 0), ts(nov, 24, 16, 30))},
			},
		},
		fixtureJobWithParts(),
		{
			Name: harbour + "/jobs/19", Reference: "R-19", EngineFamily: harbour + "/engineFamilies/orlo-20", Procedures: done,
			State: tentative, Planned: during(ts(nov, 25, 13, 0), ts(nov, 27, 12, 0)), ExpireTime: ts(nov, 26, 12, 0),
		},
	}
}

// fixturePlan is a job over two days; shift moves it by so many days.
func fixturePlan(shift int, proved bool) *bayholdv1.Plan {
	d := 24 + shift
	res := func(s string) string { return harbour + "/" + s }
	p := &bayholdv1.Plan{
		Procedures:   []*bayholdv1.PlannedProcedure{{Procedure: res("procedures/belt-orlo-20"), Version: 2, DisplayName: "Timing belt, Orlo 20"}},
		EngineFamily: res("engineFamilies/orlo-20"), Bay: res("bays/bay-1"),
		StartTime: ts(nov, d, 8, 0), HandBackTime: ts(nov, d+1, 11, 0), Revision: 412,
		BoundTime: ts(nov, d+1, 9, 0), Proved: proved,
		Steps: []*bayholdv1.PlannedStep{
			{Id: "cover/off", Title: "Take the cover off and lock the valve train", StartTime: ts(nov, d, 8, 0), EndTime: ts(nov, d, 9, 30), Technicians: []string{res("technicians/anna")}, Tools: []string{res("tools/LK-01")}},
			{Id: "belt/change", Title: "Change belt, tensioner and water pump", StartTime: ts(nov, d, 9, 30), EndTime: ts(nov, d+1, 9, 0), Technicians: []string{res("technicians/anna"), res("technicians/ben")}, Tools: []string{res("tools/LK-01"), res("tools/TW-04")}},
			{Id: "cover/on", Title: "Put the cover on", StartTime: ts(nov, d+1, 9, 0), EndTime: ts(nov, d+1, 11, 0), Technicians: []string{res("technicians/ben")}},
		},
		Bookings: []*bayholdv1.PlannedBooking{
			{Resource: res("bays/bay-1"), StartTime: ts(nov, d, 8, 0), EndTime: ts(nov, d+1, 11, 0)},
			{Resource: res("technicians/anna"), StartTime: ts(nov, d, 8, 0), EndTime: ts(nov, d, 12, 0)},
			{Resource: res("technicians/anna"), StartTime: ts(nov, d, 12, 30), EndTime: ts(nov, d, 16, 0)},
			{Resource: res("technicians/ben"), StartTime: ts(nov, d+1, 7, 0), EndTime: ts(nov, d+1, 11, 0)},
			{Resource: res("tools/LK-01"), StartTime: ts(nov, d, 8, 0), EndTime: ts(nov, d+1, 9, 0)},
			{Resource: res("tools/TW-04"), StartTime: ts(nov, d, 9, 30), EndTime: ts(nov, d+1, 9, 0)},
		},
	}
	return p
}

func fixtureBlockers() []*bayholdv1.Blocker {
	return []*bayholdv1.Blocker{
		{
			Kind: bayholdv1.Blocker_KIND_BOOKED, Step: "cover/off", StepTitle: "Take the cover off and lock the valve train",
			Need: "valve locking set, orlo-20", Resource: harbour + "/tools/LK-01", Job: harbour + "/jobs/17", Reference: "R-17",
			StartTime: ts(dec, 1, 8, 0), EndTime: ts(dec, 2, 9, 0), UntilTime: ts(dec, 2, 15, 0), Message: "LK-01 is booked for R-17.",
		},
		{
			Kind: bayholdv1.Blocker_KIND_CALIBRATION, Step: "belt/change", StepTitle: "Change belt, tensioner and water pump",
			Need: "torque wrench for 180 Nm", Resource: harbour + "/tools/TW-03", Message: "The calibration of TW-03 lapsed on 20 November.",
		},
		{Kind: bayholdv1.Blocker_KIND_CLOSED, Need: "bay with two-post-lift", Resource: harbour + "/bays/bay-1", Message: "bay-1 is closed: floor paint.", UntilTime: ts(dec, 2, 0, 0)},
	}
}

func fixtureFound() *bayholdv1.FindPlansResponse {
	later := fixturePlan(3, false)
	later.HandBackTime = ts(nov, 28, 9, 0)
	return &bayholdv1.FindPlansResponse{
		Outcome: bayholdv1.FindPlansResponse_OUTCOME_FOUND,
		Options: []*bayholdv1.PlanOption{
			{Plan: fixturePlan(2, true), Merits: []bayholdv1.PlanOption_Merit{bayholdv1.PlanOption_MERIT_EARLIEST_HAND_BACK}},
			{Plan: later, Merits: []bayholdv1.PlanOption_Merit{bayholdv1.PlanOption_MERIT_FEWEST_BAY_HOURS}},
		},
	}
}

func fixtureProcedures() []*bayholdv1.Procedure {
	return []*bayholdv1.Procedure{
		{
			Name: harbour + "/procedures/belt-orlo-20", DisplayName: "Timing belt, Orlo 20", EngineFamily: harbour + "/engineFamilies/orlo-20",
			Version: 2, State: bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED, BayFeatures: []string{"two-post-lift"},
			Needs: []string{harbour + "/preparations/cover-off"},
			Steps: []*bayholdv1.Step{
				{
					Id: "lock", Title: "Lock crankshaft and camshafts", Estimate: &bayholdv1.Estimate{LowMinutes: 20, LikelyMinutes: 30, HighMinutes: 60},
					Crew:     []*bayholdv1.Crew{{People: 1, Skills: []string{"timing"}}},
					Tools:    []*bayholdv1.ToolNeed{{ToolType: harbour + "/toolTypes/lock-orlo-20", UntilStep: "unlock"}},
					Cautions: []*bayholdv1.Caution{{Signal: bayholdv1.Signal_SIGNAL_WARNING, Text: "The tensioner stores energy."}},
				},
				{
					Id: "pulley", Title: "Tighten the crankshaft pulley", Estimate: &bayholdv1.Estimate{LikelyMinutes: 90}, WaitAfterMinutes: 60,
					Crew:  []*bayholdv1.Crew{{People: 2, Skills: []string{"timing"}}},
					Tools: []*bayholdv1.ToolNeed{{Purpose: "TORQUE", TorqueNm: 500, TorqueLowNm: 100}},
					Torque: &bayholdv1.Torque{
						Fasteners: 1, Thread: "M18x1.5", PeakNm: 500,
						Stages: []*bayholdv1.TorqueStage{{TorqueNm: 100}, {AngleDegrees: 270}},
					},
				},
			},
		},
	}
}

func fixturePreparations() []*bayholdv1.Preparation {
	return []*bayholdv1.Preparation{{
		Name: harbour + "/preparations/cover-off", DisplayName: "Timing cover off", EngineFamily: harbour + "/engineFamilies/orlo-20",
		BayFeatures: []string{"two-post-lift"},
		SetUp:       []*bayholdv1.Step{{Id: "off", Title: "Take the cover off", Estimate: &bayholdv1.Estimate{LikelyMinutes: 45}}},
		PutBack:     []*bayholdv1.Step{{Id: "on", Title: "Put the cover on", Estimate: &bayholdv1.Estimate{LikelyMinutes: 60}}},
		Holds:       []*bayholdv1.PreparationHold{{Tool: &bayholdv1.ToolNeed{ToolType: harbour + "/toolTypes/lock-orlo-20"}}},
	}}
}
