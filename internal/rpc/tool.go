package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type toolService struct {
	bayholdv1.UnimplementedToolServiceServer
	shop *workshop.Workshop
}

func (s toolService) GetToolType(ctx context.Context, req *bayholdv1.GetToolTypeRequest) (*bayholdv1.GetToolTypeResponse, error) {
	siteID, id, err := parse("name", req.GetName(), toolTypes)
	if err != nil {
		return nil, err
	}
	t, err := s.shop.ToolType(ctx, siteID, id)
	return &bayholdv1.GetToolTypeResponse{ToolType: writeToolType(siteID, t)}, err
}

func (s toolService) ListToolTypes(ctx context.Context, req *bayholdv1.ListToolTypesRequest) (*bayholdv1.ListToolTypesResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.ToolTypes, func(t site.ToolType) string { return t.ID }, writeToolType)
	return &bayholdv1.ListToolTypesResponse{ToolTypes: list, NextPageToken: next}, err
}

func (s toolService) GetTool(ctx context.Context, req *bayholdv1.GetToolRequest) (*bayholdv1.GetToolResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	t, err := s.shop.Tool(ctx, siteID, tag)
	return &bayholdv1.GetToolResponse{Tool: writeTool(siteID, t)}, err
}

func (s toolService) ListTools(ctx context.Context, req *bayholdv1.ListToolsRequest) (*bayholdv1.ListToolsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	q := workshop.ToolQuery{Page: workshop.Page{After: p.cursor, Limit: p.ask()}}
	if name := req.GetToolType(); name != "" {
		if q.Type, err = parseWithin("tool_type", name, toolTypes, siteID); err != nil {
			return nil, err
		}
	}
	var fs fault.Fields
	if req.GetFreeDuring() != nil {
		q.Free = readRange(&fs, "free_during", req.GetFreeDuring())
		if q.Free.Start.IsZero() && q.Free.End.IsZero() {
			fs.Add("free_during", "must have a start and an end")
		}
	}
	q.CalibrationBy = instant(&fs, "calibration_ends_by", req.GetCalibrationEndsBy())
	if err := fs.Err("TOOLS", "the tools asked for cannot be listed"); err != nil {
		return nil, err
	}
	found, err := s.shop.Tools(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, found.Tools, func(t site.Tool) string { return t.Tag })
	out := &bayholdv1.ListToolsResponse{NextPageToken: next}
	shown := map[string]bool{}
	for _, t := range list {
		shown[t.Tag] = true
		out.Tools = append(out.Tools, writeTool(siteID, t))
	}
	for _, b := range found.Affected {
		if shown[b.Resource] {
			out.AffectedBookings = append(out.AffectedBookings, writeBooking(siteID, b))
		}
	}
	return out, nil
}

var purposeToProto = map[site.Purpose]bayholdv1.Purpose{
	site.Locking:    bayholdv1.Purpose_PURPOSE_LOCKING,
	site.Tensioning: bayholdv1.Purpose_PURPOSE_TENSIONING,
	site.Holding:    bayholdv1.Purpose_PURPOSE_HOLDING,
	site.Aligning:   bayholdv1.Purpose_PURPOSE_ALIGNING,
	site.Drilling:   bayholdv1.Purpose_PURPOSE_DRILLING,
	site.Torque:     bayholdv1.Purpose_PURPOSE_TORQUE,
	site.Angle:      bayholdv1.Purpose_PURPOSE_ANGLE,
	site.Lifting:    bayholdv1.Purpose_PURPOSE_LIFTING,
	site.Other:      bayholdv1.Purpose_PURPOSE_OTHER,
}

var conditionToProto = map[site.Condition]bayholdv1.Condition{
	site.Serviceable:   bayholdv1.Condition_CONDITION_SERVICEABLE,
	site.Unserviceable: bayholdv1.Condition_CONDITION_UNSERVICEABLE,
	site.Quarantined:   bayholdv1.Condition_CONDITION_QUARANTINED,
	site.Away:          bayholdv1.Condition_CONDITION_AWAY,
	site.Lost:          bayholdv1.Condition_CONDITION_LOST,
	site.Retired:       bayholdv1.Condition_CONDITION_RETIRED,
}

var purposeFromProto = inverse(purposeToProto)

var conditionFromProto = inverse(conditionToProto)

func writeToolType(siteID string, t site.ToolType) *bayholdv1.ToolType {
	return &bayholdv1.ToolType{
		Name: nameOf(siteID, toolTypes, t.ID), DisplayName: t.Name, Purpose: purposeToProto[t.Purpose],
		EngineFamilies: namesOf(siteID, engineFamilies, t.Families),
		TorqueMinNm:    t.TorqueMin, TorqueMaxNm: t.TorqueMax, ResolutionNm: t.Resolution,
		Drive: t.Drive, Calibrated: t.Calibrated, LengthMm: t.Length, Ratio: t.Ratio,
		IsoType: t.ISOType, IsoClass: t.ISOClass, PermissibleDeviation: t.Permissible,
		CalibrationMonths: int32(t.CalibrationMonths), CalibrationCycles: int32(t.CalibrationCycles), Pieces: writePieces(t.Pieces),
	}
}

func writePieces(list []site.Piece) []*bayholdv1.Piece {
	var out []*bayholdv1.Piece
	for _, p := range list {
		out = append(out, &bayholdv1.Piece{DisplayName: p.Name, Count: int32(p.Count)})
	}
	return out
}

func writeTool(siteID string, t site.Tool) *bayholdv1.Tool {
	return &bayholdv1.Tool{
		Name: nameOf(siteID, tools, t.Tag), ToolType: nameOf(siteID, toolTypes, t.Type),
		Condition: conditionToProto[t.Condition], ConditionUntil: stamp(t.ConditionUntil),
		ConditionNote: t.ConditionNote, CalibratedUntil: stamp(t.CalibratedUntil), Home: t.Home,
		PhotoUrl: t.PhotoURL, Missing: writePieces(t.Missing), Damaged: writePieces(t.Damaged),
	}
}
