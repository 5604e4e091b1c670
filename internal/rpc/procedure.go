package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type procedureService struct {
	bayholdv1.UnimplementedProcedureServiceServer
	shop *workshop.Workshop
}

func (s procedureService) ListEngineFamilies(ctx context.Context, req *bayholdv1.ListEngineFamiliesRequest) (*bayholdv1.ListEngineFamiliesResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.EngineFamilies, func(f site.EngineFamily) string { return f.ID }, writeFamily)
	return &bayholdv1.ListEngineFamiliesResponse{EngineFamilies: list, NextPageToken: next}, err
}

func (s procedureService) GetPreparation(ctx context.Context, req *bayholdv1.GetPreparationRequest) (*bayholdv1.GetPreparationResponse, error) {
	siteID, id, err := parse("name", req.GetName(), preparations)
	if err != nil {
		return nil, err
	}
	p, err := s.shop.Preparation(ctx, siteID, id)
	return &bayholdv1.GetPreparationResponse{Preparation: writePreparation(siteID, p)}, err
}

func (s procedureService) ListPreparations(ctx context.Context, req *bayholdv1.ListPreparationsRequest) (*bayholdv1.ListPreparationsResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.Preparations, func(p procedure.Preparation) string { return p.ID }, writePreparation)
	return &bayholdv1.ListPreparationsResponse{Preparations: list, NextPageToken: next}, err
}

func (s procedureService) GetProcedure(ctx context.Context, req *bayholdv1.GetProcedureRequest) (*bayholdv1.GetProcedureResponse, error) {
	siteID, id, err := parse("name", req.GetName(), procedures)
	if err != nil {
		return nil, err
	}
	if req.GetVersion() < 0 {
		var fs fault.Fields
		fs.Add("version", "must not be negative; 0 is the newest")
		return nil, fs.Err("VERSION", "there is no such version")
	}
	p, err := s.shop.Procedure(ctx, siteID, id, int(req.GetVersion()))
	return &bayholdv1.GetProcedureResponse{Procedure: writeProcedure(siteID, p)}, err
}

func (s procedureService) ListProcedures(ctx context.Context, req *bayholdv1.ListProceduresRequest) (*bayholdv1.ListProceduresResponse, error) {
	read := func(ctx context.Context, siteID string, page workshop.Page) ([]procedure.Procedure, error) {
		var family string
		if name := req.GetEngineFamily(); name != "" {
			var err error
			if family, err = parseWithin("engine_family", name, engineFamilies, siteID); err != nil {
				return nil, err
			}
		}
		return s.shop.Procedures(ctx, siteID, page, family)
	}
	list, next, err := pageOf(ctx, req.GetParent(), req, read, func(p procedure.Procedure) string { return p.ID }, writeProcedure)
	return &bayholdv1.ListProceduresResponse{Procedures: list, NextPageToken: next}, err
}

func writeFamily(siteID string, f site.EngineFamily) *bayholdv1.EngineFamily {
	return &bayholdv1.EngineFamily{Name: nameOf(siteID, engineFamilies, f.ID), DisplayName: f.Name}
}
