package rpc

import (
	"context"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (s toolService) UpdateTool(ctx context.Context, req *bayholdv1.UpdateToolRequest) (*bayholdv1.UpdateToolResponse, error) {
	siteID, asked, err := readTool(req.GetTool())
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "tool_type", "condition", "condition_until", "condition_note", "calibrated_until", "home",
		"photo_url", "missing", "damaged")
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	edited, err := s.shop.EditTool(ctx, act, asked.Tag, func(t *site.Tool) {
		put(mask["tool_type"], &t.Type, asked.Type)
		put(mask["condition"], &t.Condition, asked.Condition)
		put(mask["condition_until"], &t.ConditionUntil, asked.ConditionUntil)
		put(mask["condition_note"], &t.ConditionNote, asked.ConditionNote)
		put(mask["calibrated_until"], &t.CalibratedUntil, asked.CalibratedUntil)
		put(mask["home"], &t.Home, asked.Home)
		put(mask["photo_url"], &t.PhotoURL, asked.PhotoURL)
		put(mask["missing"], &t.Missing, asked.Missing)
		put(mask["damaged"], &t.Damaged, asked.Damaged)
	})
	if err != nil {
		return nil, err
	}
	return &bayholdv1.UpdateToolResponse{
		Tool: writeTool(siteID, edited.Tool), AffectedBookings: writeBookings(siteID, edited.Affected),
	}, nil
}

// put changes what a mask names.
func put[T any](named bool, field *T, value T) {
	if named {
		*field = value
	}
}

// readTool reads a tool by its name.
func readTool(m *bayholdv1.Tool) (siteID string, t site.Tool, err error) {
	if siteID, t.Tag, err = parse("tool.name", m.GetName(), tools); err != nil {
		return siteID, t, err
	}
	if t.Type, err = maybeWithin("tool.tool_type", m.GetToolType(), toolTypes, siteID); err != nil {
		return siteID, t, err
	}
	var fs fault.Fields
	t.Condition = conditionFromProto[m.GetCondition()]
	t.ConditionUntil = instant(&fs, "tool.condition_until", m.GetConditionUntil())
	t.ConditionNote, t.Home, t.PhotoURL = strings.TrimSpace(m.GetConditionNote()), strings.TrimSpace(m.GetHome()), m.GetPhotoUrl()
	t.CalibratedUntil = instant(&fs, "tool.calibrated_until", m.GetCalibratedUntil())
	t.Missing, t.Damaged = readPieces(m.GetMissing()), readPieces(m.GetDamaged())
	return siteID, t, fs.Err("TOOL", "the tool cannot be read")
}

func readPieces(list []*bayholdv1.Piece) []site.Piece {
	var out []site.Piece
	for _, p := range list {
		out = append(out, site.Piece{Name: strings.TrimSpace(p.GetDisplayName()), Count: int(p.GetCount())})
	}
	return out
}

func (s toolService) CreateTool(ctx context.Context, req *bayholdv1.CreateToolRequest) (*bayholdv1.CreateToolResponse, error) {
	siteID, t, err := readTool(req.GetTool())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	if t, err = s.shop.CreateTool(ctx, act, t); err != nil {
		return nil, err
	}
	return &bayholdv1.CreateToolResponse{Tool: writeTool(siteID, t)}, nil
}

// readToolType reads a tool type by its name.
func readToolType(m *bayholdv1.ToolType) (siteID string, t site.ToolType, err error) {
	if siteID, t.ID, err = parse("tool_type.name", m.GetName(), toolTypes); err != nil {
		return siteID, t, err
	}
	t = site.ToolType{
		ID: t.ID, Name: strings.TrimSpace(m.GetDisplayName()), Purpose: purposeFromProto[m.GetPurpose()],
		TorqueMin: m.GetTorqueMinNm(), TorqueMax: m.GetTorqueMaxNm(), Resolution: m.GetResolutionNm(),
		Drive: strings.TrimSpace(m.GetDrive()), Calibrated: m.GetCalibrated(), Length: m.GetLengthMm(), Ratio: m.GetRatio(),
		ISOType: m.GetIsoType(), ISOClass: m.GetIsoClass(), Permissible: m.GetPermissibleDeviation(),
		CalibrationMonths: int(m.GetCalibrationMonths()), CalibrationCycles: int(m.GetCalibrationCycles()), Pieces: readPieces(m.GetPieces()),
	}
	t.Families, err = idsOf("tool_type.engine_families", m.GetEngineFamilies(), engineFamilies, siteID)
	return siteID, t, err
}

func (s toolService) CreateToolType(ctx context.Context, req *bayholdv1.CreateToolTypeRequest) (*bayholdv1.CreateToolTypeResponse, error) {
	siteID, t, err := readToolType(req.GetToolType())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	if t, err = s.shop.CreateToolType(ctx, act, t); err != nil {
		return nil, err
	}
	return &bayholdv1.CreateToolTypeResponse{ToolType: writeToolType(siteID, t)}, nil
}

func (s toolService) UpdateToolType(ctx context.Context, req *bayholdv1.UpdateToolTypeRequest) (*bayholdv1.UpdateToolTypeResponse, error) {
	siteID, asked, err := readToolType(req.GetToolType())
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "display_name", "purpose", "engine_families", "torque_min_nm", "torque_max_nm", "resolution_nm",
		"drive", "calibrated", "pieces", "length_mm", "ratio", "iso_type", "iso_class", "permissible_deviation",
		"calibration_months", "calibration_cycles")
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	edited, err := s.shop.EditToolType(ctx, act, asked.ID, func(t *site.ToolType) {
		put(mask["display_name"], &t.Name, asked.Name)
		put(mask["purpose"], &t.Purpose, asked.Purpose)
		put(mask["engine_families"], &t.Families, asked.Families)
		put(mask["torque_min_nm"], &t.TorqueMin, asked.TorqueMin)
		put(mask["torque_max_nm"], &t.TorqueMax, asked.TorqueMax)
		put(mask["resolution_nm"], &t.Resolution, asked.Resolution)
		put(mask["drive"], &t.Drive, asked.Drive)
		put(mask["calibrated"], &t.Calibrated, asked.Calibrated)
		put(mask["pieces"], &t.Pieces, asked.Pieces)
		put(mask["length_mm"], &t.Length, asked.Length)
		put(mask["ratio"], &t.Ratio, asked.Ratio)
		put(mask["iso_type"], &t.ISOType, asked.ISOType)
		put(mask["iso_class"], &t.ISOClass, asked.ISOClass)
		put(mask["permissible_deviation"], &t.Permissible, asked.Permissible)
		put(mask["calibration_months"], &t.CalibrationMonths, asked.CalibrationMonths)
		put(mask["calibration_cycles"], &t.CalibrationCycles, asked.CalibrationCycles)
	})
	if err != nil {
		return nil, err
	}
	return &bayholdv1.UpdateToolTypeResponse{
		ToolType: writeToolType(siteID, edited.Type), AffectedBookings: writeBookings(siteID, edited.Affected),
	}, nil
}

var exportForms = map[bayholdv1.ExportToolsRequest_Format]workshop.ExportForm{
	bayholdv1.ExportToolsRequest_FORMAT_YAML:           workshop.ExportYAML,
	bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOLS:      workshop.ExportTools,
	bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOL_TYPES: workshop.ExportToolTypes,
}

func (s toolService) ExportTools(ctx context.Context, req *bayholdv1.ExportToolsRequest) (*bayholdv1.ExportToolsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	form, ok := exportForms[req.GetFormat()]
	if !ok {
		var fs fault.Fields
		fs.Add("format", "must be YAML, CSV_TOOLS or CSV_TOOL_TYPES")
		return nil, fs.Err("FORMAT", "the inventory cannot be written so")
	}
	content, err := s.shop.ExportTools(ctx, siteID, form)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.ExportToolsResponse{Content: content}, nil
}
