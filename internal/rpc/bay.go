package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type bayService struct {
	bayholdv1.UnimplementedBayServiceServer
	shop *workshop.Workshop
}

func (s bayService) GetBay(ctx context.Context, req *bayholdv1.GetBayRequest) (*bayholdv1.GetBayResponse, error) {
	siteID, id, err := parse("name", req.GetName(), bays)
	if err != nil {
		return nil, err
	}
	b, err := s.shop.Bay(ctx, siteID, id)
	return &bayholdv1.GetBayResponse{Bay: writeBay(siteID, b)}, err
}

func (s bayService) ListBays(ctx context.Context, req *bayholdv1.ListBaysRequest) (*bayholdv1.ListBaysResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.Bays, func(b site.Bay) string { return b.ID }, writeBay)
	return &bayholdv1.ListBaysResponse{Bays: list, NextPageToken: next}, err
}

func (s bayService) UpdateBay(ctx context.Context, req *bayholdv1.UpdateBayRequest) (*bayholdv1.UpdateBayResponse, error) {
	siteID, id, err := parse("bay.name", req.GetBay().GetName(), bays)
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "display_name", "features", "closures")
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	closures := readClosures(&fs, "bay.closures", req.GetBay().GetClosures())
	if err := fs.Err("BAY", "the bay cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	b, err := s.shop.EditBay(ctx, act, id, func(b *site.Bay) {
		if mask["display_name"] {
			b.Name = req.GetBay().GetDisplayName()
		}
		if mask["features"] {
			b.Features = append([]string(nil), req.GetBay().GetFeatures()...)
		}
		if mask["closures"] {
			b.Closures = closures
		}
	})
	return &bayholdv1.UpdateBayResponse{Bay: writeBay(siteID, b)}, err
}

func writeBay(siteID string, b site.Bay) *bayholdv1.Bay {
	return &bayholdv1.Bay{
		Name: nameOf(siteID, bays, b.ID), DisplayName: b.Name,
		Features: b.Features, Closures: writeClosures(b.Closures),
	}
}
