package rpc

import (
	"bytes"
	"context"
	"io"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type jobService struct {
	bayholdv1.UnimplementedJobServiceServer
	shop   *workshop.Workshop
	sheets Sheets
}

func (s jobService) GetJob(ctx context.Context, req *bayholdv1.GetJobRequest) (*bayholdv1.GetJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	job, err := s.shop.Job(ctx, siteID, id)
	if err != nil {
		return nil, err
	}
	newest, err := s.shop.Newest(ctx, siteID, job.Procedures)
	out := writeJob(siteID, job)
	for i, p := range job.Procedures {
		out.Procedures[i].NewestVersion = int32(newest[p.ID])
	}
	return &bayholdv1.GetJobResponse{Job: out}, err
}

func (s jobService) ListJobs(ctx context.Context, req *bayholdv1.ListJobsRequest) (*bayholdv1.ListJobsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, span, err := openSpan(req, req.GetDuring(), req.GetShowCancelled())
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Jobs(ctx, siteID, span)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(j site.Job) string { return placeCursor(j.Planned.Start, j.ID) })
	out := &bayholdv1.ListJobsResponse{NextPageToken: next}
	for _, j := range list {
		j.Steps, j.Parts = nil, nil
		out.Jobs = append(out.Jobs, writeJob(siteID, j))
	}
	return out, nil
}

func writeJob(siteID string, j site.Job) *bayholdv1.Job {
	out := &bayholdv1.Job{
		Name: numbered(siteID, jobs, j.ID), Reference: j.Reference, State: stateToProto[j.State],
		Planned: writeRange(j.Planned), PromiseTime: stamp(j.Promise), PromiseConfidence: j.Confidence, ExpireTime: stamp(j.ExpiresAt),
		Note: j.Note, CreateTime: stamp(j.Created),
	}
	if j.EngineFamily != "" {
		out.EngineFamily = nameOf(siteID, engineFamilies, j.EngineFamily)
	}
	for _, p := range j.Procedures {
		out.Procedures = append(out.Procedures, &bayholdv1.ProcedureVersion{
			Procedure: nameOf(siteID, procedures, p.ID), Version: int32(p.Version),
		})
	}
	out.Steps = writeJobSteps(j.Steps)
	for _, p := range j.Parts {
		out.Parts = append(out.Parts, &bayholdv1.JobPart{
			Id: p.ID, DisplayName: p.Title, Quantity: int32(p.Quantity), IfWorn: int32(p.IfWorn),
			State: partStateToProto[p.State], ExpectedTime: stamp(p.Expected), Steps: p.Steps,
		})
	}
	return out
}

func writeJobSteps(list []site.JobStep) []*bayholdv1.JobStep {
	out := make([]*bayholdv1.JobStep, 0, len(list))
	for _, st := range list {
		out = append(out, &bayholdv1.JobStep{Id: st.ID, Title: st.Title, During: writeRange(st.During)})
	}
	return out
}

var partStateToProto = map[site.PartState]bayholdv1.PartState{
	"":                bayholdv1.PartState_PART_STATE_UNSPECIFIED,
	site.PartOrdered:  bayholdv1.PartState_PART_STATE_ORDERED,
	site.PartExpected: bayholdv1.PartState_PART_STATE_EXPECTED,
	site.PartHere:     bayholdv1.PartState_PART_STATE_HERE,
}

var partStateFromProto = inverse(partStateToProto)

func (s jobService) UpdateJobPart(ctx context.Context, req *bayholdv1.UpdateJobPartRequest) (*bayholdv1.UpdateJobPartResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	state, known := partStateFromProto[req.GetState()]
	if !known {
		fs.Add("state", "must be ORDERED, EXPECTED or HERE")
	}
	expected := instant(&fs, "expected_time", req.GetExpectedTime())
	if err := fs.Err("PART", "the part cannot be marked so"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	marked, err := s.shop.MarkPart(ctx, act, id, req.GetPart(), state, expected)
	return &bayholdv1.UpdateJobPartResponse{
		Job: writeJob(siteID, marked.Job), AffectedSteps: writeJobSteps(marked.Affected),
	}, err
}

// Sheets lays out what is printed.
type Sheets interface {
	// Text writes a sheet in 80 columns, HTML as a page fit for A4.
	Text(w io.Writer, s workshop.Sheet) error
	HTML(w io.Writer, s workshop.Sheet) error
	// RecordText writes the record of a job, RecordHTML as a page.
	RecordText(w io.Writer, r workshop.JobRecord) error
	RecordHTML(w io.Writer, r workshop.JobRecord) error
	// AuditHTML writes an audit of calibration as a page fit for A4.
	AuditHTML(w io.Writer, a workshop.Audit) error
	// Study draws a study as SVG.
	Study(w io.Writer, a workshop.StudyAnswer) error
}

func (s jobService) GetJobSheet(ctx context.Context, req *bayholdv1.GetJobSheetRequest) (*bayholdv1.GetJobSheetResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	unit := torque.NewtonMetre
	if u := req.GetTorqueUnit(); u != "" {
		if unit, err = torque.ParseUnit(u); err != nil {
			var fs fault.Fields
			fs.Add("torque_unit", "%q is no unit of torque: give one of %v", shorten(u), torque.Units())
			return nil, fs.Err("UNIT", "the sheet cannot be laid out")
		}
	}
	sheet, err := s.shop.Sheet(ctx, siteID, id)
	if err != nil {
		return nil, err
	}
	sheet.Unit = unit
	var content bytes.Buffer
	write, kind := s.sheets.Text, "text/plain; charset=utf-8"
	if req.GetFormat() == bayholdv1.SheetFormat_SHEET_FORMAT_HTML {
		write, kind = s.sheets.HTML, "text/html; charset=utf-8"
	}
	if err := write(&content, sheet); err != nil {
		return nil, err
	}
	return &bayholdv1.GetJobSheetResponse{Content: content.String(), ContentType: kind}, nil
}
