package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var changeToProto = map[procedure.ChangeKind]bayholdv1.ProcedureChange_Kind{
	procedure.Added:   bayholdv1.ProcedureChange_KIND_ADDED,
	procedure.Removed: bayholdv1.ProcedureChange_KIND_REMOVED,
	procedure.Moved:   bayholdv1.ProcedureChange_KIND_MOVED,
	procedure.Changed: bayholdv1.ProcedureChange_KIND_CHANGED,
}

var procedureStateFromProto = inverse(procedureStateToProto)

func (s procedureService) UpdateProcedure(ctx context.Context, req *bayholdv1.UpdateProcedureRequest) (*bayholdv1.UpdateProcedureResponse, error) {
	asked := req.GetProcedure()
	siteID, id, err := parse("procedure.name", asked.GetName(), procedures)
	if err != nil {
		return nil, err
	}
	if _, err := masked(req.GetUpdateMask(), "state"); err != nil {
		return nil, err
	}
	var fs fault.Fields
	state, known := procedureStateFromProto[asked.GetState()]
	if !known {
		fs.Add("procedure.state", "must be ISSUED or WITHDRAWN")
	}
	if asked.GetVersion() < 1 {
		fs.Add("procedure.version", "must be the version that is meant, from 1")
	}
	if err := fs.Err("PROCEDURE", "the procedure cannot be changed so"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	changed, err := s.shop.SetProcedureState(ctx, act, site.ProcedureRef{ID: id, Version: int(asked.GetVersion())}, state)
	out := &bayholdv1.UpdateProcedureResponse{Procedure: writeProcedure(siteID, changed.Procedure)}
	for _, id := range changed.Standing {
		out.StandingJobs = append(out.StandingJobs, numbered(siteID, jobs, id))
	}
	return out, err
}

func (s procedureService) DiffProcedure(ctx context.Context, req *bayholdv1.DiffProcedureRequest) (*bayholdv1.DiffProcedureResponse, error) {
	siteID, id, err := parse("name", req.GetName(), procedures)
	if err != nil {
		return nil, err
	}
	d, err := s.shop.DiffProcedure(ctx, siteID, id, int(req.GetFromVersion()), int(req.GetToVersion()))
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.DiffProcedureResponse{FromVersion: int32(d.From), ToVersion: int32(d.To)}
	for _, c := range d.Changes {
		out.Changes = append(out.Changes, &bayholdv1.ProcedureChange{
			Kind: changeToProto[c.Kind], Step: c.Step, Field: c.Field, Was: c.Was, Is: c.Is, Message: c.String(),
		})
	}
	return out, nil
}

func (s procedureService) LintProcedures(ctx context.Context, req *bayholdv1.LintProceduresRequest) (*bayholdv1.LintProceduresResponse, error) {
	var siteID string
	if parent := req.GetParent(); parent != "" {
		var err error
		if siteID, err = siteName("parent", parent); err != nil {
			return nil, err
		}
	}
	files := make([]workshop.File, 0, len(req.GetFiles()))
	for _, f := range req.GetFiles() {
		files = append(files, workshop.File{Name: f.GetName(), Content: f.GetContent()})
	}
	findings, err := s.shop.Lint(ctx, siteID, files)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.LintProceduresResponse{}
	for _, f := range findings {
		out.Findings = append(out.Findings, &bayholdv1.LintFinding{
			File: f.File, Line: int32(f.Line), Rule: f.Rule, Fault: f.Fault, Message: f.Message,
		})
	}
	return out, nil
}
