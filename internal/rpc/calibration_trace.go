package rpc

import (
	"bytes"
	"context"
	"fmt"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type traceService struct {
	bayholdv1.UnimplementedTraceServiceServer
	shop   *workshop.Workshop
	sheets Sheets
}

var impactToProto = map[calibration.Impact]bayholdv1.TraceImpact{
	calibration.Inside:    bayholdv1.TraceImpact_TRACE_IMPACT_INSIDE,
	calibration.Outside:   bayholdv1.TraceImpact_TRACE_IMPACT_OUTSIDE,
	calibration.Doubtful:  bayholdv1.TraceImpact_TRACE_IMPACT_DOUBTFUL,
	calibration.NotJudged: bayholdv1.TraceImpact_TRACE_IMPACT_NOT_JUDGED,
}

var answerToProto = map[calibration.Answer]bayholdv1.TraceAnswer{
	calibration.Accepted:   bayholdv1.TraceAnswer_TRACE_ANSWER_ACCEPTED,
	calibration.Rechecked:  bayholdv1.TraceAnswer_TRACE_ANSWER_RECHECKED,
	calibration.Corrected:  bayholdv1.TraceAnswer_TRACE_ANSWER_CORRECTED,
	calibration.OutOfReach: bayholdv1.TraceAnswer_TRACE_ANSWER_OUT_OF_REACH,
}

var answerFromProto = inverse(answerToProto)

func (s traceService) TraceTool(ctx context.Context, req *bayholdv1.TraceToolRequest) (*bayholdv1.TraceToolResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	found, err := s.shop.Trace(ctx, siteID, tag, req.GetFinding())
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.TraceToolResponse{
		Summary: writeSummary(&found.Summary), PermissibleDeviation: found.Permissible,
		Lines: writeTraceLines(found.Lines), CheckRule: found.Rule,
	}
	for _, c := range found.Cleared {
		out.Cleared = append(out.Cleared, &bayholdv1.ClearedTightening{
			Tightening: writeTightening(c.Tightening, "", ""), By: c.By.Source,
		})
	}
	for _, f := range found.Findings {
		out.Findings = append(out.Findings, writeSummary(&f))
	}
	return out, nil
}

func (s traceService) CloseTraceLines(ctx context.Context, req *bayholdv1.CloseTraceLinesRequest) (*bayholdv1.CloseTraceLinesResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.CloseLines(ctx, act, tag, req.GetFinding(), req.GetLines(), calibration.Decision{
		Answer: answerFromProto[req.GetDecision().GetAnswer()], Note: req.GetDecision().GetNote(),
	})
	if err != nil {
		return nil, err
	}
	return &bayholdv1.CloseTraceLinesResponse{Lines: writeTraceLines(done.Lines), Summary: writeSummary(&done.Summary)}, nil
}

func (s traceService) ImportTightenings(ctx context.Context, req *bayholdv1.ImportTighteningsRequest) (*bayholdv1.ImportTighteningsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	list := make([]workshop.TighteningRecord, 0, len(req.GetTightenings()))
	for i, m := range req.GetTightenings() {
		path := fmt.Sprintf("tightenings[%d]", i)
		tag, err := parseWithin(path+".tool", m.GetTool(), tools, siteID)
		if err != nil {
			return nil, err
		}
		list = append(list, readTightening(&fs, path, tag, m.GetTightening()))
	}
	if err := fs.Err("TIGHTENINGS", "the tightenings cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.ImportTightenings(ctx, act, list)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.ImportTighteningsResponse{TakenIn: int32(done.New), Known: int32(done.Known), ToolsDueEarlier: namesOf(siteID, tools, done.Earlier)}
	for _, t := range done.Touched {
		out.Touched = append(out.Touched, &bayholdv1.TouchedFinding{Tool: nameOf(siteID, tools, t.Tool), Summary: writeSummary(&t.Summary)})
	}
	return out, nil
}

func (s traceService) GetAuditPage(ctx context.Context, req *bayholdv1.GetAuditPageRequest) (*bayholdv1.GetAuditPageResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	during := readRange(&fs, "during", req.GetDuring())
	if err := fs.Err("AUDIT", "the time asked for cannot be audited"); err != nil {
		return nil, err
	}
	audit, err := s.shop.AuditCalibration(ctx, siteID, during)
	if err != nil {
		return nil, err
	}
	var content bytes.Buffer
	if err := s.sheets.AuditHTML(&content, audit); err != nil {
		return nil, err
	}
	return &bayholdv1.GetAuditPageResponse{Content: content.String(), ContentType: "text/html; charset=utf-8", Time: stamp(audit.Made)}, nil
}

func readTightening(fs *fault.Fields, path, tag string, m *bayholdv1.Tightening) workshop.TighteningRecord {
	out := workshop.TighteningRecord{Tool: tag, Source: m.GetSource(), Person: m.GetPerson(), Tightening: calibration.Tightening{
		At: instant(fs, path+".time", m.GetTime()), Job: m.GetJob(), Step: m.GetStep(), Joint: m.GetJoint(), Fastener: m.GetFastener(),
		Stage: int(m.GetStage()), Wanted: m.GetWantedNm(), Angle: m.GetAngleDeg(), Set: m.GetSetNm(), Ratio: m.GetRatio(),
		Tolerance: m.GetTolerance(), Direction: calibration.Clockwise,
	}}
	if m.GetCounterclockwise() {
		out.Tightening.Direction = calibration.Counterclockwise
	}
	return out
}

func writeTightening(t calibration.Tightening, source, person string) *bayholdv1.Tightening {
	return &bayholdv1.Tightening{
		Id: t.ID, Source: source, Time: stamp(t.At), Job: t.Job, Step: t.Step, Joint: t.Joint, Fastener: t.Fastener,
		Stage: int32(t.Stage), WantedNm: t.Wanted, AngleDeg: t.Angle, SetNm: t.Set, Ratio: t.Ratio, Tolerance: t.Tolerance,
		Counterclockwise: t.Direction == calibration.Counterclockwise, Person: person,
	}
}

func writeTraceLines(list []workshop.TraceLine) []*bayholdv1.TraceLine {
	out := make([]*bayholdv1.TraceLine, 0, len(list))
	for _, l := range list {
		m := &bayholdv1.TraceLine{
			Tightening: writeTightening(l.Tightening, l.Source, l.Person), Impact: impactToProto[l.Impact],
			Deviation: l.Deviation, TorqueNm: l.Torque, LeastNm: l.Least, GreatestNm: l.Greatest, Notes: l.Notes,
		}
		if l.Since != nil {
			m.GoodBy = l.Since.Source
		}
		if d := l.Decision; d != nil {
			m.Decision = &bayholdv1.TraceDecision{Answer: answerToProto[d.Answer], Note: d.Note, Person: d.Person, Time: stamp(d.At)}
		}
		out = append(out, m)
	}
	return out
}

func writeSummary(s *workshop.TraceSummary) *bayholdv1.TraceSummary {
	if s == nil {
		return nil
	}
	return &bayholdv1.TraceSummary{
		Finding: s.Finding, Title: s.Title, StartTime: stamp(s.Window.Start), EndTime: stamp(s.Window.End),
		Lines: int32(s.Lines), Outside: int32(s.Outside), Doubtful: int32(s.Doubtful),
		NotJudged: int32(s.NotJudged), Inside: int32(s.Inside), Open: int32(s.Open), Unproven: int32(s.Unproven),
	}
}
