package rpc

import (
	"cmp"
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type siteService struct {
	bayholdv1.UnimplementedSiteServiceServer
	shop *workshop.Workshop
}

func (s siteService) GetSite(ctx context.Context, req *bayholdv1.GetSiteRequest) (*bayholdv1.GetSiteResponse, error) {
	id, err := siteName("name", req.GetName())
	if err != nil {
		return nil, err
	}
	found, err := s.shop.Site(ctx, id)
	return &bayholdv1.GetSiteResponse{Site: writeSite(found)}, err
}

func (s siteService) ListSites(ctx context.Context, req *bayholdv1.ListSitesRequest) (*bayholdv1.ListSitesResponse, error) {
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Sites(ctx, workshop.Page{After: p.cursor, Limit: p.ask()})
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(v site.Site) string { return v.ID })
	out := &bayholdv1.ListSitesResponse{NextPageToken: next}
	for _, v := range list {
		out.Sites = append(out.Sites, writeSite(v))
	}
	return out, nil
}

func (s siteService) UpdateSite(ctx context.Context, req *bayholdv1.UpdateSiteRequest) (*bayholdv1.UpdateSiteResponse, error) {
	id, err := siteName("site.name", req.GetSite().GetName())
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "display_name", "time_zone")
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, id, req)
	if err != nil {
		return nil, err
	}
	changed, err := s.shop.EditSite(ctx, act, func(v *site.Site) {
		if mask["display_name"] {
			v.Name = req.GetSite().GetDisplayName()
		}
		if mask["time_zone"] {
			v.TimeZone = req.GetSite().GetTimeZone()
		}
	})
	return &bayholdv1.UpdateSiteResponse{Site: writeSite(changed)}, err
}

func (s siteService) ImportWorkshop(ctx context.Context, req *bayholdv1.ImportWorkshopRequest) (*bayholdv1.ImportWorkshopResponse, error) {
	var fs fault.Fields
	in := workshop.Intake{ValidateOnly: req.GetValidateOnly(), ToolsOnly: req.GetToolsOnly(), Anchor: instant(&fs, "anchor_time", req.GetAnchorTime())}
	if err := fs.Err("ANCHOR", "the import cannot be read"); err != nil {
		return nil, err
	}
	if parent := req.GetParent(); parent != "" {
		id, err := siteName("parent", parent)
		if err != nil {
			return nil, err
		}
		in.Site = id
	}
	for _, f := range req.GetFiles() {
		in.Files = append(in.Files, workshopFile(f))
	}
	act, err := actOf(ctx, "", req)
	if err != nil {
		return nil, err
	}
	imported, err := s.shop.Import(ctx, act, in)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.ImportWorkshopResponse{Site: writeSite(imported.Site)}
	for _, c := range imported.Counts {
		out.Counts = append(out.Counts, &bayholdv1.ImportCount{
			Kind: c.Kind, Added: int32(c.Added), Changed: int32(c.Changed), Unchanged: int32(c.Unchanged),
		})
	}
	out.AffectedBookings = writeBookings(imported.Site.ID, imported.Affected)
	for _, c := range imported.Changes {
		change := &bayholdv1.ImportChange{Kind: c.Kind, Id: c.ID, Added: c.Added}
		for _, f := range c.Fields {
			change.Fields = append(change.Fields, &bayholdv1.ImportedField{Key: f.Key, Before: f.Before, After: f.After})
		}
		out.Changes = append(out.Changes, change)
	}
	out.ChangesLeftOut, out.Notices = int32(imported.LeftOut), imported.Notices
	return out, nil
}

func workshopFile(f *bayholdv1.WorkshopFile) workshop.File {
	out := workshop.File{Name: f.GetName(), Content: f.GetContent()}
	if len(f.GetMapping()) > 0 || f.GetMappingName() != "" {
		out.Mapping = &workshop.File{Name: cmp.Or(f.GetMappingName(), "the mapping of "+f.GetName()), Content: f.GetMapping()}
	}
	return out
}

// SuggestMapping implements bayholdv1.SiteServiceServer.
func (s siteService) SuggestMapping(_ context.Context, req *bayholdv1.SuggestMappingRequest) (*bayholdv1.SuggestMappingResponse, error) {
	if _, err := siteName("parent", req.GetParent()); err != nil {
		return nil, err
	}
	out, err := workshop.SuggestMapping(workshopFile(req.GetFile()), req.GetRows())
	return &bayholdv1.SuggestMappingResponse{Mapping: out}, err
}

func writeSite(v site.Site) *bayholdv1.Site {
	return &bayholdv1.Site{Name: "sites/" + v.ID, DisplayName: v.Name, TimeZone: v.TimeZone, Revision: v.Revision}
}
