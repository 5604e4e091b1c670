package rpc

import (
	"strconv"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var directionToProto = map[calibration.Direction]bayholdv1.TurningDirection{
	calibration.Clockwise:        bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE,
	calibration.Counterclockwise: bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE,
}

var directionFromProto = inverse(directionToProto)

var ruleToProto = map[calibration.Rule]bayholdv1.DecisionRule{
	calibration.SimpleAcceptance: bayholdv1.DecisionRule_DECISION_RULE_SIMPLE_ACCEPTANCE,
	calibration.GuardBand:        bayholdv1.DecisionRule_DECISION_RULE_GUARD_BAND,
	calibration.FourWay:          bayholdv1.DecisionRule_DECISION_RULE_FOUR_WAY,
}

var ruleFromProto = inverse(ruleToProto)

var verdictToProto = map[calibration.Verdict]bayholdv1.Verdict{
	calibration.Pass:            bayholdv1.Verdict_VERDICT_PASS,
	calibration.ConditionalPass: bayholdv1.Verdict_VERDICT_CONDITIONAL_PASS,
	calibration.ConditionalFail: bayholdv1.Verdict_VERDICT_CONDITIONAL_FAIL,
	calibration.Fail:            bayholdv1.Verdict_VERDICT_FAIL,
}

var reasonToProto = map[calibration.Reason]bayholdv1.DueReason{
	workshop.Stated:             bayholdv1.DueReason_DUE_REASON_STATED,
	calibration.ByDate:          bayholdv1.DueReason_DUE_REASON_DATE,
	calibration.ByCycles:        bayholdv1.DueReason_DUE_REASON_CYCLES,
	calibration.ByOverload:      bayholdv1.DueReason_DUE_REASON_OVERLOAD,
	"DROP":                      bayholdv1.DueReason_DUE_REASON_DROP,
	"DAMAGE":                    bayholdv1.DueReason_DUE_REASON_DAMAGE,
	"REPAIR":                    bayholdv1.DueReason_DUE_REASON_REPAIR,
	"CHECK_FAILED":              bayholdv1.DueReason_DUE_REASON_CHECK_FAILED,
	calibration.NotAccepted:     bayholdv1.DueReason_DUE_REASON_NOT_ACCEPTED,
	calibration.NeverCalibrated: bayholdv1.DueReason_DUE_REASON_NEVER_CALIBRATED,
	calibration.Superseded:      bayholdv1.DueReason_DUE_REASON_SUPERSEDED,
}

// eventFromProto leaves out USE, which is a count and no event.
var eventFromProto = map[bayholdv1.ToolEventKind]calibration.EventKind{
	bayholdv1.ToolEventKind_TOOL_EVENT_KIND_LOAD:   calibration.Load,
	bayholdv1.ToolEventKind_TOOL_EVENT_KIND_DROP:   calibration.Drop,
	bayholdv1.ToolEventKind_TOOL_EVENT_KIND_DAMAGE: calibration.Damage,
	bayholdv1.ToolEventKind_TOOL_EVENT_KIND_REPAIR: calibration.Repair,
}

var methodToProto = map[calibration.Method]bayholdv1.ReviewMethod{
	calibration.Staircase:    bayholdv1.ReviewMethod_REVIEW_METHOD_STAIRCASE,
	calibration.IntervalTest: bayholdv1.ReviewMethod_REVIEW_METHOD_INTERVAL_TEST,
	calibration.Exponential:  bayholdv1.ReviewMethod_REVIEW_METHOD_EXPONENTIAL,
}

func readCertificate(m *bayholdv1.Certificate) (calibration.Certificate, error) {
	out := calibration.Certificate{
		Number: m.GetNumber(), Laboratory: m.GetLaboratory(), Rule: ruleFromProto[m.GetRule()], Points: readPoints(m.GetPoints()),
	}
	if m != nil {
		out.Environment = calibration.Environment{Temperature: m.TemperatureC, Humidity: m.Humidity}
	}
	var fs fault.Fields
	var err error
	if out.Date, err = hours.ParseDate(m.GetDate()); err != nil {
		fs.Add("certificate.date", "%q is no date such as 2026-12-24", shorten(m.GetDate()))
	}
	if m.GetRule() == bayholdv1.DecisionRule_DECISION_RULE_UNSPECIFIED {
		fs.Add("certificate.rule", "is missing: say by which decision rule it was judged")
	}
	return out, fs.Err("BAD_CERTIFICATE", "the certificate cannot be read")
}

func readPoints(list []*bayholdv1.CalibrationPoint) []calibration.Point {
	out := make([]calibration.Point, 0, len(list))
	for _, m := range list {
		u := m.GetUncertainty()
		out = append(out, calibration.Point{
			Nominal: m.GetNominalNm(), Direction: directionFromProto[m.GetDirection()],
			AsFound: m.GetAsFoundNm(), AsLeft: m.GetAsLeftNm(),
			Uncertainty: calibration.Uncertainty{Amount: u.GetAmount(), Relative: u.GetRelative(), K: u.GetCoverageFactor()},
		})
	}
	return out
}

func writePoints(list []calibration.Point) []*bayholdv1.CalibrationPoint {
	out := make([]*bayholdv1.CalibrationPoint, 0, len(list))
	for _, p := range list {
		m := &bayholdv1.CalibrationPoint{
			NominalNm: p.Nominal, Direction: directionToProto[p.Direction], AsFoundNm: p.AsFound, AsLeftNm: p.AsLeft,
		}
		if u := p.Uncertainty; u.Stated() {
			m.Uncertainty = &bayholdv1.ExpandedUncertainty{Amount: u.Amount, Relative: u.Relative, CoverageFactor: u.K}
		}
		out = append(out, m)
	}
	return out
}

func writeCertificate(siteID string, r workshop.CertificateRecord) *bayholdv1.Certificate {
	c, a := r.Certificate, r.Assessment
	return &bayholdv1.Certificate{
		Name:   nameOf(siteID, tools, r.Tool) + "/" + certificates + "/" + strconv.FormatInt(r.ID, 10),
		Number: c.Number, Laboratory: c.Laboratory, Date: c.Date.String(),
		TemperatureC: c.Environment.Temperature, Humidity: c.Environment.Humidity,
		Rule: ruleToProto[c.Rule], Points: writePoints(c.Points), CreateTime: stamp(r.RecordedAt), DocumentSha256: r.DocumentHash,
		Assessment: &bayholdv1.Assessment{
			PermissibleDeviation: a.Permissible, Source: a.Source, AsFound: writeSide(a.AsFound), AsLeft: writeSide(a.AsLeft),
			Verdict: verdictToProto[a.Overall()], Accepted: a.Overall().Accepted(),
		},
	}
}

func writeSide(s calibration.Side) *bayholdv1.AssessedSide {
	out := &bayholdv1.AssessedSide{Verdict: verdictToProto[s.Verdict], WorstDeviation: s.Worst}
	for _, p := range s.Points {
		m := &bayholdv1.AssessedPoint{
			NominalNm: p.Nominal, Direction: directionToProto[p.Direction], Verdict: verdictToProto[p.Verdict],
			LeastDeviation: p.Least, MeanDeviation: p.Mean, GreatestDeviation: p.Greatest,
		}
		for _, r := range p.Readings {
			m.Readings = append(m.Readings, &bayholdv1.AssessedReading{
				MeasuredNm: r.Measured, Deviation: r.Deviation, Uncertainty: r.Uncertainty,
				Verdict: verdictToProto[r.Verdict], Conformity: r.Conformity,
			})
		}
		out.Points = append(out.Points, m)
	}
	return out
}

func writeCheck(siteID string, r workshop.CheckRecord) *bayholdv1.IntermediateCheck {
	return &bayholdv1.IntermediateCheck{
		Time: stamp(r.Check.At), Tester: nameOf(siteID, tools, r.Check.Tester.Tag), Points: writePoints(r.Check.Points),
		Good: r.Result.Good, Failed: r.Result.Failed, Doubts: r.Result.Doubts,
		PermissibleDeviation: r.Result.Permissible, Readings: writeSide(r.Result.Readings),
	}
}

func writeStanding(siteID string, s workshop.ToolCalibration) *bayholdv1.ToolCalibration {
	out := &bayholdv1.ToolCalibration{
		Tool: writeTool(siteID, s.Tool),
		Due: &bayholdv1.CalibrationDue{
			DueTime: stamp(s.Due.At), Reason: reasonToProto[s.Due.Reason], CertificateNumber: s.Due.Certificate,
			CyclesUsed: int32(s.Due.CyclesUsed), ProjectedTime: stamp(s.Due.Projected),
		},
	}
	if left := int32(s.Due.CyclesLeft); left >= 0 {
		out.Due.CyclesLeft = &left
	}
	for _, b := range s.Affected {
		out.AffectedBookings = append(out.AffectedBookings, writeBooking(siteID, b))
	}
	return out
}

func writeProposal(p calibration.Proposal) *bayholdv1.IntervalProposal {
	out := &bayholdv1.IntervalProposal{
		Method: methodToProto[p.Method], PresentDays: p.Present, ProposedDays: p.Proposed, RawDays: p.Raw,
		Results: int32(p.Results), InTolerance: int32(p.InTolerance), Confidence: p.Confidence, Reasons: p.Why,
	}
	if p.Results > 0 {
		out.FirstDate, out.LastDate = p.First.String(), p.Last.String()
	}
	return out
}

func writeAudited(siteID string, t workshop.AuditedTool) *bayholdv1.AuditedTool {
	out := &bayholdv1.AuditedTool{Tool: writeTool(siteID, t.Tool)}
	for _, c := range t.Certificates {
		out.Certificates = append(out.Certificates, writeCertificate(siteID, c))
	}
	for _, c := range t.Checks {
		out.Checks = append(out.Checks, writeCheck(siteID, c))
	}
	for _, p := range t.Periods {
		out.Periods = append(out.Periods, &bayholdv1.CalibrationPeriod{
			During: writeRange(p.During), CertificateNumber: p.Certificate, Ended: reasonToProto[p.Ended],
		})
	}
	for _, g := range t.Gaps {
		m := &bayholdv1.CalibrationGap{Date: g.Day.String(), Reason: reasonToProto[g.Reason], SinceTime: stamp(g.Since)}
		for _, b := range g.Bookings {
			m.Bookings = append(m.Bookings, writeBooking(siteID, b))
		}
		m.Cycles = int32(g.Cycles)
		for _, u := range g.Steps {
			m.Steps = append(m.Steps, &bayholdv1.UsedStep{Time: stamp(u.At), Job: u.Job, Step: u.Step, Recorded: u.Recorded})
		}
		out.Gaps = append(out.Gaps, m)
	}
	for i := range t.Traces {
		out.Traces = append(out.Traces, writeSummary(&t.Traces[i]))
	}
	out.OpenLines = writeTraceLines(t.Open)
	return out
}
