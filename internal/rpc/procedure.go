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
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	list, err := s.shop.EngineFamilies(ctx, siteID, workshop.Page{After: p.cursor, Limit: p.ask()})
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(f site.EngineFamily) string { return f.ID })
	out := &bayholdv1.ListEngineFamiliesResponse{NextPageToken: next}
	for _, f := range list {
		out.EngineFamilies = append(out.EngineFamilies, &bayholdv1.EngineFamily{
			Name: nameOf(siteID, engineFamilies, f.ID), DisplayName: f.Name,
		})
	}
	return out, nil
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
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Preparations(ctx, siteID, workshop.Page{After: p.cursor, Limit: p.ask()})
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(v procedure.Preparation) string { return v.ID })
	out := &bayholdv1.ListPreparationsResponse{NextPageToken: next}
	for _, v := range list {
		out.Preparations = append(out.Preparations, writePreparation(siteID, v))
	}
	return out, nil
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
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	var family string
	if name := req.GetEngineFamily(); name != "" {
		if family, err = parseWithin("engine_family", name, engineFamilies, siteID); err != nil {
			return nil, err
		}
	}
	list, err := s.shop.Procedures(ctx, siteID, workshop.Page{After: p.cursor, Limit: p.ask()}, family)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(v procedure.Procedure) string { return v.ID })
	out := &bayholdv1.ListProceduresResponse{NextPageToken: next}
	for _, v := range list {
		out.Procedures = append(out.Procedures, writeProcedure(siteID, v))
	}
	return out, nil
}
