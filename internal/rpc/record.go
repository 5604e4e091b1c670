package rpc

import (
	"bytes"
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type recordService struct {
	bayholdv1.UnimplementedRecordServiceServer
	shop   *workshop.Workshop
	sheets Sheets
}

// stepAct is a request that records something of a step.
type stepAct interface {
	mutation
	GetName() string
	GetStep() string
	GetActTime() *timestamppb.Timestamp
}

// readStepAct reads who records what of which step.
func readStepAct(ctx context.Context, req stepAct) (string, workshop.Act, workshop.StepRecord, error) {
	q := workshop.StepRecord{Step: req.GetStep()}
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return "", workshop.Act{}, q, err
	}
	q.Job = id
	var fs fault.Fields
	q.At = instant(&fs, "act_time", req.GetActTime())
	if err := fs.Err("RECORD", "the record cannot be read"); err != nil {
		return "", workshop.Act{}, q, err
	}
	if named, ok := req.(interface{ GetTechnician() string }); ok && named.GetTechnician() != "" {
		if q.Technician, err = parseWithin("technician", named.GetTechnician(), technicians, siteID); err != nil {
			return "", workshop.Act{}, q, err
		}
	}
	if noted, ok := req.(interface{ GetNote() string }); ok {
		q.Note = noted.GetNote()
	}
	if reasoned, ok := req.(interface{ GetReason() string }); ok {
		q.Note = reasoned.GetReason()
	}
	if passed, ok := req.(interface{ GetOverrideReason() string }); ok {
		q.Override = passed.GetOverrideReason()
	}
	act, err := actOf(ctx, siteID, req)
	return siteID, act, q, err
}

// onStep runs one act on a step.
func onStep(ctx context.Context, req stepAct,
	do func(context.Context, workshop.Act, workshop.StepRecord) (workshop.Recorded, error),
) (*bayholdv1.StepOutcome, error) {
	siteID, act, q, err := readStepAct(ctx, req)
	if err != nil {
		return nil, err
	}
	out, err := do(ctx, act, q)
	if err != nil {
		return nil, err
	}
	return writeOutcome(siteID, out), nil
}

func (s recordService) StartStep(ctx context.Context, req *bayholdv1.StartStepRequest) (*bayholdv1.StartStepResponse, error) {
	out, err := onStep(ctx, req, s.shop.StartStep)
	return &bayholdv1.StartStepResponse{Outcome: out}, err
}

func (s recordService) PauseStep(ctx context.Context, req *bayholdv1.PauseStepRequest) (*bayholdv1.PauseStepResponse, error) {
	out, err := onStep(ctx, req, s.shop.PauseStep)
	return &bayholdv1.PauseStepResponse{Outcome: out}, err
}

func (s recordService) FinishStep(ctx context.Context, req *bayholdv1.FinishStepRequest) (*bayholdv1.FinishStepResponse, error) {
	out, err := onStep(ctx, req, s.shop.FinishStep)
	return &bayholdv1.FinishStepResponse{Outcome: out}, err
}

func (s recordService) SignStep(ctx context.Context, req *bayholdv1.SignStepRequest) (*bayholdv1.SignStepResponse, error) {
	out, err := onStep(ctx, req, s.shop.SignStep)
	return &bayholdv1.SignStepResponse{Outcome: out}, err
}

func (s recordService) WaiveStep(ctx context.Context, req *bayholdv1.WaiveStepRequest) (*bayholdv1.WaiveStepResponse, error) {
	out, err := onStep(ctx, req, s.shop.WaiveStep)
	return &bayholdv1.WaiveStepResponse{Outcome: out}, err
}

func (s recordService) ReportDelay(ctx context.Context, req *bayholdv1.ReportDelayRequest) (*bayholdv1.ReportDelayResponse, error) {
	out, err := onStep(ctx, req, func(ctx context.Context, act workshop.Act, q workshop.StepRecord) (workshop.Recorded, error) {
		return s.shop.ReportDelay(ctx, act, q, int(req.GetExtraMinutes()))
	})
	return &bayholdv1.ReportDelayResponse{Outcome: out}, err
}

func (s recordService) CloseJob(ctx context.Context, req *bayholdv1.CloseJobRequest) (*bayholdv1.CloseJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	told := workshop.Told{At: instant(&fs, "act_time", req.GetActTime()), Note: req.GetNote()}
	if err := fs.Err("RECORD", "the record cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	out, err := s.shop.CloseJob(ctx, act, id, told)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.CloseJobResponse{Outcome: writeOutcome(siteID, out)}, nil
}

// readMeasured reads one measurement.
func readMeasured(field, siteID string, m *bayholdv1.Measurement) (running.Measured, error) {
	out := running.Measured{
		Fastener: int(m.GetFastener()), Stage: int(m.GetStage()), Check: m.GetCheck(), Value: m.GetValue(), Unit: m.GetUnit(), Note: m.GetNote(),
	}
	if m != nil && m.Yes != nil {
		out.Yes = m.Yes
	}
	if m.GetTool() == "" {
		return out, nil
	}
	var err error
	out.Tool, err = parseWithin(field+".tool", m.GetTool(), tools, siteID)
	return out, err
}

func (s recordService) RecordReadings(ctx context.Context, req *bayholdv1.RecordReadingsRequest) (*bayholdv1.RecordReadingsResponse, error) {
	siteID, act, q, err := readStepAct(ctx, req)
	if err != nil {
		return nil, err
	}
	list := make([]running.Measured, 0, len(req.GetMeasurements()))
	for i, m := range req.GetMeasurements() {
		one, err := readMeasured(fmt.Sprintf("measurements[%d]", i), siteID, m)
		if err != nil {
			return nil, err
		}
		list = append(list, one)
	}
	out, err := s.shop.RecordReadings(ctx, act, q, list)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.RecordReadingsResponse{
		Readings: writeReadings(siteID, out.Readings), Lacking: writeAgainst(siteID, out.Lacking),
	}, nil
}

// correction is a request to correct a reading: it names no step.
type correction struct {
	*bayholdv1.CorrectReadingRequest
}

// GetStep is empty: the reading says which step it is of.
func (correction) GetStep() string { return "" }

func (s recordService) CorrectReading(ctx context.Context, req *bayholdv1.CorrectReadingRequest) (*bayholdv1.CorrectReadingResponse, error) {
	siteID, act, q, err := readStepAct(ctx, correction{req})
	if err != nil {
		return nil, err
	}
	m, err := readMeasured("measurement", siteID, req.GetMeasurement())
	if err != nil {
		return nil, err
	}
	out, err := s.shop.CorrectReading(ctx, act, q, req.GetReading(), m)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.CorrectReadingResponse{
		Reading: writeReadings(siteID, out.Readings)[0], Lacking: writeAgainst(siteID, out.Lacking),
	}, nil
}

func (s recordService) TickPart(ctx context.Context, req *bayholdv1.TickPartRequest) (*bayholdv1.TickPartResponse, error) {
	siteID, act, q, err := readStepAct(ctx, req)
	if err != nil {
		return nil, err
	}
	p := running.PartUsed{Part: req.GetPart(), Quantity: int(req.GetQuantity()), Lot: req.GetLot()}
	for _, f := range req.GetFasteners() {
		p.Fasteners = append(p.Fasteners, int(f))
	}
	out, err := s.shop.TickPart(ctx, act, q, p)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.TickPartResponse{Part: writePartUsed(siteID, out.Part), Lacking: writeAgainst(siteID, out.Lacking)}, nil
}

func (s recordService) GetStep(ctx context.Context, req *bayholdv1.GetStepRequest) (*bayholdv1.GetStepResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	technician := access.From(ctx).Technician
	if req.GetTechnician() != "" {
		if technician, err = parseWithin("technician", req.GetTechnician(), technicians, siteID); err != nil {
			return nil, err
		}
	}
	v, err := s.shop.Step(ctx, siteID, id, req.GetStep(), technician)
	if err != nil {
		return nil, err
	}
	return writeStepView(siteID, v), nil
}

func (s recordService) GetDay(ctx context.Context, req *bayholdv1.GetDayRequest) (*bayholdv1.GetDayResponse, error) {
	siteID, technician, err := dayOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	var date hours.Date
	if text := req.GetDay(); text != "" {
		if date, err = hours.ParseDate(text); err != nil {
			var fs fault.Fields
			fs.Add("day", "%q is no day: write it as 2026-11-25", shorten(text))
			return nil, fs.Err("DAY", "the day cannot be read")
		}
	}
	day, err := s.shop.Day(ctx, siteID, technician, date)
	if err != nil {
		return nil, err
	}
	return writeDay(siteID, day), nil
}

// dayOf reads whose day is asked for: a technician's, or the caller's own.
func dayOf(ctx context.Context, name string) (siteID, technician string, err error) {
	if siteID, err = siteName("name", name); err != nil {
		return parse("name", name, technicians)
	}
	if technician = access.From(ctx).Technician; technician == "" {
		return "", "", fault.New(fault.Precondition, "NO_TECHNICIAN",
			"whose day? this user is tied to no technician: name one")
	}
	return siteID, technician, nil
}

func (s recordService) GetJobRecord(ctx context.Context, req *bayholdv1.GetJobRecordRequest) (*bayholdv1.GetJobRecordResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	rec, err := s.shop.JobRecord(ctx, siteID, id)
	if err != nil {
		return nil, err
	}
	var content bytes.Buffer
	write, kind := s.sheets.RecordText, "text/plain; charset=utf-8"
	if req.GetFormat() == bayholdv1.SheetFormat_SHEET_FORMAT_HTML {
		write, kind = s.sheets.RecordHTML, "text/html; charset=utf-8"
	}
	if err := write(&content, rec); err != nil {
		return nil, err
	}
	return &bayholdv1.GetJobRecordResponse{Record: writeRecord(siteID, rec), Content: content.String(), ContentType: kind}, nil
}
