package rpc

import (
	"context"
	"strings"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type calibrationService struct {
	bayholdv1.UnimplementedCalibrationServiceServer
	shop *workshop.Workshop
}

func (s calibrationService) RecordCertificate(ctx context.Context, req *bayholdv1.RecordCertificateRequest) (*bayholdv1.RecordCertificateResponse, error) {
	siteID, tag, err := parse("parent", req.GetParent(), tools)
	if err != nil {
		return nil, err
	}
	certificate, err := readCertificate(req.GetCertificate())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.RecordCertificate(ctx, act, tag, certificate, req.GetDocument())
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.RecordCertificateResponse{
		Certificate: writeCertificate(siteID, done.Record), Standing: writeStanding(siteID, done.Standing), Trace: writeSummary(done.Trace),
	}
	for _, w := range done.Warnings {
		out.Warnings = append(out.Warnings, &bayholdv1.CalibrationWarning{Field: w.Path, Code: string(w.Code), Message: w.Message})
	}
	return out, nil
}

func (s calibrationService) GetCertificate(ctx context.Context, req *bayholdv1.GetCertificateRequest) (*bayholdv1.GetCertificateResponse, error) {
	tool, number, _ := strings.Cut(req.GetName(), "/"+certificates+"/")
	siteID, tag, err := parse("name", tool, tools)
	if err != nil {
		return nil, badName("name", req.GetName(), "sites/{site}/tools/{tool}/certificates/{number}")
	}
	_, id, err := parseNumbered("name", nameOf(siteID, certificates, number), certificates)
	if err != nil {
		return nil, badName("name", req.GetName(), "sites/{site}/tools/{tool}/certificates/{number}")
	}
	found, err := s.shop.Certificate(ctx, siteID, tag, id)
	out := &bayholdv1.GetCertificateResponse{Certificate: writeCertificate(siteID, found)}
	if err == nil && req.GetWithDocument() {
		out.Document, err = s.shop.Document(ctx, siteID, tag, id)
	}
	return out, err
}

func (s calibrationService) ListCertificates(ctx context.Context, req *bayholdv1.ListCertificatesRequest) (*bayholdv1.ListCertificatesResponse, error) {
	var q workshop.CertificateQuery
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		if siteID, q.Tool, err = parse("parent", req.GetParent(), tools); err != nil {
			return nil, err
		}
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	q.Limit = p.ask()
	day, id, err := p.place()
	if err != nil {
		return nil, err
	}
	if id != 0 {
		q.AfterDay, q.AfterID = hours.DateOf(day, time.UTC), id
	}
	list, err := s.shop.Certificates(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(c workshop.CertificateRecord) string {
		return placeCursor(c.Certificate.Date.At(0, time.UTC), c.ID)
	})
	out := &bayholdv1.ListCertificatesResponse{NextPageToken: next}
	for _, c := range list {
		out.Certificates = append(out.Certificates, writeCertificate(siteID, c))
	}
	return out, nil
}

func (s calibrationService) RecordCheck(ctx context.Context, req *bayholdv1.RecordCheckRequest) (*bayholdv1.RecordCheckResponse, error) {
	siteID, tag, err := parse("parent", req.GetParent(), tools)
	if err != nil {
		return nil, err
	}
	asked := req.GetCheck()
	check := calibration.Check{Points: readPoints(asked.GetPoints())}
	if check.Tester.Tag, err = parseWithin("check.tester", asked.GetTester(), tools, siteID); err != nil {
		return nil, err
	}
	var fs fault.Fields
	check.At = instant(&fs, "check.time", asked.GetTime())
	if err := fs.Err("BAD_CHECK", "the check cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.RecordCheck(ctx, act, tag, check)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.RecordCheckResponse{
		Check: writeCheck(siteID, done.Record), Standing: writeStanding(siteID, done.Standing), Rule: done.Rule, Trace: writeSummary(done.Trace),
	}, nil
}

func (s calibrationService) RecordToolEvent(ctx context.Context, req *bayholdv1.RecordToolEventRequest) (*bayholdv1.RecordToolEventResponse, error) {
	siteID, tag, err := parse("parent", req.GetParent(), tools)
	if err != nil {
		return nil, err
	}
	asked := req.GetEvent()
	var fs fault.Fields
	event := workshop.ToolEvent{Cycles: int(asked.GetCycles()), Note: asked.GetNote()}
	event.Event = calibration.Event{
		At: instant(&fs, "event.time", asked.GetTime()), Kind: eventFromProto[asked.GetKind()], Torque: asked.GetTorqueNm(),
	}
	if event.Event.Kind == "" && asked.GetKind() != bayholdv1.ToolEventKind_TOOL_EVENT_KIND_USE {
		fs.Add("event.kind", "must be LOAD, DROP, DAMAGE, REPAIR or USE")
	}
	if err := fs.Err("TOOL_EVENT", "what happened to the tool cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	standing, err := s.shop.RecordToolEvent(ctx, act, tag, event)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.RecordToolEventResponse{Standing: writeStanding(siteID, standing)}, nil
}

func (s calibrationService) ListDue(ctx context.Context, req *bayholdv1.ListDueRequest) (*bayholdv1.ListDueResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	horizon := instant(&fs, "horizon_time", req.GetHorizonTime())
	if err := fs.Err("DUE", "the due list cannot be made"); err != nil {
		return nil, err
	}
	list, err := s.shop.Due(ctx, siteID, horizon)
	out := &bayholdv1.ListDueResponse{}
	for _, t := range list {
		out.Tools = append(out.Tools, writeStanding(siteID, t))
	}
	return out, err
}

func (s calibrationService) ReviewInterval(ctx context.Context, req *bayholdv1.ReviewIntervalRequest) (*bayholdv1.ReviewIntervalResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	made, err := s.shop.ReviewInterval(ctx, siteID, tag, req.GetPresentDays())
	out := &bayholdv1.ReviewIntervalResponse{PresentSource: made.Source}
	for _, p := range made.Proposals {
		out.Proposals = append(out.Proposals, writeProposal(p))
	}
	return out, err
}

func (s calibrationService) AuditCalibration(ctx context.Context, req *bayholdv1.AuditCalibrationRequest) (*bayholdv1.AuditCalibrationResponse, error) {
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
	out := &bayholdv1.AuditCalibrationResponse{}
	for _, t := range audit.Tools {
		out.Tools = append(out.Tools, writeAudited(siteID, t))
	}
	return out, err
}
