package cli

import (
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

const (
	clockwise = bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE
	passes    = bayholdv1.Verdict_VERDICT_PASS
	fails     = bayholdv1.Verdict_VERDICT_FAIL
)

func assessed(verdict bayholdv1.Verdict, worst float64, points ...*bayholdv1.AssessedPoint) *bayholdv1.AssessedSide {
	return &bayholdv1.AssessedSide{Verdict: verdict, WorstDeviation: worst, Points: points}
}

func assessedPoint(nominal float64, direction bayholdv1.TurningDirection, verdict bayholdv1.Verdict, readings ...float64) *bayholdv1.AssessedPoint {
	p := &bayholdv1.AssessedPoint{NominalNm: nominal, Direction: direction, Verdict: verdict}
	for _, r := range readings {
		p.Readings = append(p.Readings, &bayholdv1.AssessedReading{
			MeasuredNm: r, Deviation: (nominal - r) / r, Uncertainty: 0.01, Verdict: verdict, Conformity: proto.Float64(0.998),
		})
	}
	return p
}

func fixtureCertificates() []*bayholdv1.Certificate {
	adjusted := &bayholdv1.Certificate{
		Name: harbour + "/tools/TW-03/certificates/2", Number: "HM-4711", Laboratory: "Harbour Metrology", Date: "2026-11-20",
		TemperatureC: proto.Float64(21.5), Humidity: proto.Float64(0.45), Rule: bayholdv1.DecisionRule_DECISION_RULE_GUARD_BAND,
		DocumentSha256: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
		Assessment: &bayholdv1.Assessment{
			PermissibleDeviation: 0.04, Source: "the tool's own", Verdict: passes, Accepted: true,
			AsFound: assessed(fails, 0.0526, assessedPoint(40, clockwise, passes, 39.5, 39.6),
				assessedPoint(200, bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE, fails, 190, 191)),
			AsLeft: assessed(passes, 0.005, assessedPoint(40, clockwise, passes, 40, 40.1),
				assessedPoint(200, bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE, passes, 199, 200)),
		},
	}
	rejected := &bayholdv1.Certificate{
		Name: harbour + "/tools/TW-04/certificates/1", Number: "HM-4012", Laboratory: "Harbour Metrology", Date: "2025-11-18",
		Rule: bayholdv1.DecisionRule_DECISION_RULE_SIMPLE_ACCEPTANCE,
		Assessment: &bayholdv1.Assessment{
			PermissibleDeviation: 0.04, Source: "type II class A, from memory", Verdict: fails,
			AsFound: assessed(fails, -0.0476, assessedPoint(100, clockwise, fails, 105)), AsLeft: &bayholdv1.AssessedSide{},
		},
	}
	return []*bayholdv1.Certificate{rejected, adjusted}
}

// standing is a tool with its calibration.
func standing(tool int, reason bayholdv1.DueReason, certificate string, hit ...*bayholdv1.Booking) *bayholdv1.ToolCalibration {
	t := fixtureTools()[tool]
	out := &bayholdv1.ToolCalibration{Tool: t, AffectedBookings: hit, Due: &bayholdv1.CalibrationDue{
		DueTime: t.GetCalibratedUntil(), Reason: reason, CertificateNumber: certificate,
	}}
	if certificate != "" {
		out.Due.CyclesUsed, out.Due.CyclesLeft = 120, proto.Int32(4880)
	}
	return out
}

func fixtureDue() *bayholdv1.ListDueResponse {
	return &bayholdv1.ListDueResponse{Tools: []*bayholdv1.ToolCalibration{
		standing(1, bayholdv1.DueReason_DUE_REASON_DROP, "HM-4711"),
		standing(2, bayholdv1.DueReason_DUE_REASON_STATED, "", fixtureBookings()[4]),
	}}
}

func fixtureReview() *bayholdv1.ReviewIntervalResponse {
	return &bayholdv1.ReviewIntervalResponse{Proposals: []*bayholdv1.IntervalProposal{
		{
			Method: bayholdv1.ReviewMethod_REVIEW_METHOD_STAIRCASE, PresentDays: 365, ProposedDays: 365, Results: 1, InTolerance: 1,
			FirstDate: "2026-11-20", LastDate: "2026-11-20", RawDays: 365,
			Reasons: []string{"found at 90 % of the permissible deviation: the interval is kept"},
		},
		// 15 of 20 in tolerance at 365 days: the published example of method A3.
		{
			Method: bayholdv1.ReviewMethod_REVIEW_METHOD_INTERVAL_TEST, PresentDays: 365, ProposedDays: 230.846, RawDays: 230.846,
			Results: 20, InTolerance: 15, FirstDate: "2006-11-20", LastDate: "2026-11-20", Confidence: 0.9949,
			Reasons: []string{"15 of 20 in tolerance, target 95 %: the interval misses it with a confidence of 99.49 %"},
		},
	}}
}

func fixtureAudit() *bayholdv1.AuditCalibrationResponse {
	return &bayholdv1.AuditCalibrationResponse{Tools: []*bayholdv1.AuditedTool{
		{
			Tool: fixtureTools()[1], Certificates: fixtureCertificates()[1:],
			Checks: []*bayholdv1.IntermediateCheck{{Time: ts(nov, 23, 9, 0), Tester: harbour + "/tools/TE-01", Good: true}},
			Periods: []*bayholdv1.CalibrationPeriod{{
				During: during(ts(nov, 20, 0, 0), ts(nov, 24, 8, 30)), CertificateNumber: "HM-4711", Ended: bayholdv1.DueReason_DUE_REASON_DROP,
			}},
		},
		{Tool: fixtureTools()[2], Gaps: []*bayholdv1.CalibrationGap{{
			Date: "2026-11-23", Reason: bayholdv1.DueReason_DUE_REASON_NEVER_CALIBRATED, Bookings: fixtureBookings()[1:2], Cycles: 12,
			Steps: []*bayholdv1.UsedStep{
				{Time: ts(nov, 23, 8, 0), Job: "R-17", Step: "belt/fit"},
				{Time: ts(nov, 23, 9, 0), Job: "W-88", Step: "wheel", Recorded: true},
			},
		}}, Traces: []*bayholdv1.TraceSummary{fixtureSummary()}, OpenLines: fixtureTrace().GetLines()[:1]},
	}}
}

func fixtureSummary() *bayholdv1.TraceSummary {
	return &bayholdv1.TraceSummary{
		Finding: "certificates/2", Title: "certificate HM-4711", StartTime: ts(nov, 1, 0, 0), EndTime: ts(nov, 21, 0, 0),
		Lines: 4, Outside: 1, Doubtful: 1, NotJudged: 1, Inside: 1, Open: 3, Unproven: 1,
	}
}

// fixtureTrace is of a tool that gave 5 % too little at 120 N·m: 114 of them.
func fixtureTrace() *bayholdv1.TraceToolResponse {
	line := func(n, job string, x *bayholdv1.TraceLine) *bayholdv1.TraceLine {
		t := x.GetTightening()
		t.Id, t.Source, t.Job, t.Time, t.Stage, t.Joint = "tightenings/"+n, "p-"+n, job, ts(nov, 2, 8, 30), 1, "cam wheel"
		x.GoodBy = "certificate HM-4012"
		return x
	}
	return &bayholdv1.TraceToolResponse{
		Summary: fixtureSummary(), PermissibleDeviation: 0.04, Lines: []*bayholdv1.TraceLine{
			line("1", "W-900", &bayholdv1.TraceLine{
				Tightening: &bayholdv1.Tightening{WantedNm: 120, Tolerance: 0.04, Fastener: "bolt 1", Person: "anna"},
				Impact:     bayholdv1.TraceImpact_TRACE_IMPACT_OUTSIDE, Deviation: 0.0526316, TorqueNm: 114, LeastNm: 113.8, GreatestNm: 114.2,
				Notes: []string{"the tool is taken to have been set to 120 N·m, for the wanted torque"},
			}),
			line("2", "W-900", &bayholdv1.TraceLine{
				Tightening: &bayholdv1.Tightening{WantedNm: 120, Tolerance: 0.05, Fastener: "bolt 2"},
				Impact:     bayholdv1.TraceImpact_TRACE_IMPACT_DOUBTFUL, Deviation: 0.0526316, TorqueNm: 114, LeastNm: 113.8, GreatestNm: 114.2,
				Notes: []string{"the tool is taken to have been set to 120 N·m, for the wanted torque"},
			}),
			line("3", "W-901", &bayholdv1.TraceLine{
				Tightening: &bayholdv1.Tightening{AngleDeg: 90, Counterclockwise: true},
				Impact:     bayholdv1.TraceImpact_TRACE_IMPACT_NOT_JUDGED, Notes: []string{"an angle stage: a deviation of torque says nothing of it"},
			}),
			line("4", "W-902", &bayholdv1.TraceLine{
				Tightening: &bayholdv1.Tightening{WantedNm: 120, Tolerance: 0.1},
				Impact:     bayholdv1.TraceImpact_TRACE_IMPACT_INSIDE, Deviation: 0.0526316, TorqueNm: 114, LeastNm: 113.8, GreatestNm: 114.2,
				Decision: &bayholdv1.TraceDecision{
					Answer: bayholdv1.TraceAnswer_TRACE_ANSWER_ACCEPTED, Note: "inside its tolerance", Person: "otto", Time: ts(nov, 24, 10, 0),
				},
			}),
		},
		Cleared:   []*bayholdv1.ClearedTightening{{Tightening: &bayholdv1.Tightening{Id: "readings/9"}, By: "check 3"}},
		CheckRule: []string{"A check proves a tool good if:", "1. its tester was in calibration."},
		Findings: []*bayholdv1.TraceSummary{
			fixtureSummary(), {Finding: "checks/1", Title: "check 1", Lines: 2, Open: 0},
		},
	}
}

func fixturePolicy() *bayholdv1.CalibrationPolicy {
	return &bayholdv1.CalibrationPolicy{
		Classes: &bayholdv1.ClassTable{SplitNm: 10, Source: "our copy of the standard", Classes: []*bayholdv1.ToolClass{
			{Type: "II", Class: "A", Title: "wrench, adjustable", Small: 0.06, Large: 0.04, Readings: 5},
		}},
		Air:    &bayholdv1.UsualAir{ColdestC: 18, WarmestC: 28, Humidity: 0.9},
		Due:    &bayholdv1.DuePolicy{Months: 12, Cycles: 5000, FromFirstUse: true, ShelfMonths: 12, Overload: 1.25, Early: []string{"DROP", "REPAIR"}},
		Check:  &bayholdv1.CheckPolicy{Readings: 3, TesterRatio: 4, Reach: 0.1},
		Joint:  &bayholdv1.JointPolicy{Torque: 0.04, AngleDeg: 5},
		Review: &bayholdv1.ReviewPolicy{FloorDays: 30, CapDays: 730, LeastFactor: 0.5, GreatestFactor: 1.5, Target: 0.95, LeastResults: 5},
	}
}

func fixtureLeaves() *bayholdv1.FindLeavesResponse {
	return &bayholdv1.FindLeavesResponse{
		CalibratedUntil: ts(nov, 30, 0, 0), Starts: 40, LookedAt: 12, Leaves: []*bayholdv1.Leave{
			{
				During: during(ts(nov, 26, 23, 0), ts(nov, 29, 23, 0)), Hit: fixtureBookings()[4:5], BookingsMoved: 2, PromisesMoved: 1,
				MinutesMoved: 210, Swapped: 1, Jobs: []*bayholdv1.ArrangedJob{{Job: harbour + "/jobs/17", Reference: "R-19"}},
				Reasons: []string{"it leaves 2 days before its calibration ends", "TW-05 takes the place of TW-04 for R-19 (job 17)"},
			},
			{During: during(ts(nov, 27, 23, 0), ts(nov, 30, 23, 0)), Unserved: 1, Hit: fixtureBookings()[4:5]},
		},
	}
}

func fixtureCheck() *bayholdv1.RecordCheckResponse {
	return &bayholdv1.RecordCheckResponse{
		Check: &bayholdv1.IntermediateCheck{
			Time: ts(nov, 25, 9, 12), Tester: harbour + "/tools/TE-01", PermissibleDeviation: 0.04,
			Doubts:   []string{"2 readings at 100 N·m, not 3"},
			Readings: assessed(passes, 0.004, assessedPoint(100, clockwise, passes, 99.6, 100.2)),
		},
		Standing: standing(1, bayholdv1.DueReason_DUE_REASON_DATE, "HM-4711"),
	}
}
