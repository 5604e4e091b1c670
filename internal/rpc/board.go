package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

const links = "links"

// usualWeeks is how many weeks of use are told when nobody says.
const usualWeeks = 8

type boardService struct {
	bayholdv1.UnimplementedBoardServiceServer
	shop     *workshop.Workshop
	boards   Boards
	pictures Pictures
}

func (s boardService) GetBoard(ctx context.Context, req *bayholdv1.GetBoardRequest) (*bayholdv1.GetBoardResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	day := instant(&fs, "week_of_time", req.GetWeekOfTime())
	if err := fs.Err("BOARD", "there is no board of that day"); err != nil {
		return nil, err
	}
	if _, err := styleOf(req.GetPicture(), true); err != nil {
		return nil, err
	}
	b, err := s.shop.Board(ctx, siteID, day)
	if err != nil {
		return nil, err
	}
	out := s.writeBoard(siteID, b)
	out.Picture, err = drawBoard(s.boards, b, req.GetPicture())
	return out, err
}

func (s boardService) writeBoard(siteID string, b workshop.Board) *bayholdv1.GetBoardResponse {
	out := &bayholdv1.GetBoardResponse{During: writeRange(b.During), Revision: b.Site.Revision}
	for _, bay := range b.Bays {
		for _, st := range bay.Stays {
			j := b.Jobs[st.Job]
			out.Bays = append(out.Bays, &bayholdv1.BoardStay{
				Bay: nameOf(siteID, bays, bay.ID), Job: numbered(siteID, jobs, st.Job), Reference: j.Reference, Title: j.Title,
				During: writeRange(st.During), State: stateToProto[j.State], PromiseTime: stamp(j.Promise), Confidence: j.Confidence,
				Late: j.Late, Unfit: st.Unfit, People: st.People,
			})
		}
	}
	for _, t := range b.Tools {
		where, next := s.boards.Where(b, t)
		out.Tools = append(out.Tools, &bayholdv1.BoardTool{Tool: nameOf(siteID, tools, t.Tag), Scarce: t.Scarce, Where: where, Next: next})
	}
	for _, p := range b.People {
		person := &bayholdv1.BoardPerson{Technician: nameOf(siteID, technicians, p.ID), Doing: s.boards.Doing(b, p)}
		if p.On != 0 {
			person.Job = numbered(siteID, jobs, p.On)
		}
		out.People = append(out.People, person)
	}
	out.Late, out.Waiting = s.writeNotices(siteID, b, b.Late), s.writeNotices(siteID, b, b.Wait)
	return out
}

var noticeToProto = map[workshop.NoticeKind]bayholdv1.BoardNotice_Kind{
	workshop.NoticePromise: bayholdv1.BoardNotice_KIND_PROMISE,
	workshop.NoticeStep:    bayholdv1.BoardNotice_KIND_STEP,
	workshop.NoticeJob:     bayholdv1.BoardNotice_KIND_JOB,
	workshop.NoticeReturn:  bayholdv1.BoardNotice_KIND_RETURN,
	workshop.NoticeLapse:   bayholdv1.BoardNotice_KIND_LAPSE,
	workshop.NoticeParts:   bayholdv1.BoardNotice_KIND_PARTS,
	workshop.NoticeUnfit:   bayholdv1.BoardNotice_KIND_UNFIT,
}

func (s boardService) writeNotices(siteID string, b workshop.Board, list []workshop.Notice) []*bayholdv1.BoardNotice {
	var out []*bayholdv1.BoardNotice
	said := s.boards.Notices(b, list)
	for i, n := range list {
		v := &bayholdv1.BoardNotice{Kind: noticeToProto[n.Kind], Reference: n.Reference, DueTime: stamp(n.At), Message: said[i]}
		if n.Job != 0 {
			v.Job = numbered(siteID, jobs, n.Job)
		}
		if n.Ref != nil {
			v.Resource = refName(siteID, *n.Ref)
		}
		out = append(out, v)
	}
	return out
}

func (s boardService) GetUse(ctx context.Context, req *bayholdv1.GetUseRequest) (*bayholdv1.GetUseResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	from := instant(&fs, "from_time", req.GetFromTime())
	if err := fs.Err("USE", "the question cannot be answered"); err != nil {
		return nil, err
	}
	if _, err := styleOf(req.GetPicture(), false); err != nil {
		return nil, err
	}
	weeks := int(req.GetWeeks())
	if weeks == 0 {
		weeks = usualWeeks
	}
	u, err := s.shop.Use(ctx, siteID, from, weeks)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.GetUseResponse{}
	for _, w := range u.Weeks {
		out.Weeks = append(out.Weeks, writeRange(w))
	}
	for _, r := range u.Rows {
		out.Uses = append(out.Uses, writeUse(siteID, r))
	}
	if wanted(req.GetPicture()) {
		out.Picture, err = sketch(s.pictures.Use(u), req.GetPicture())
	}
	return out, err
}

func writeUse(siteID string, r workshop.UseRow) *bayholdv1.Use {
	out := &bayholdv1.Use{DisplayName: r.Name, Count: int32(r.Count)}
	switch r.Kind {
	case site.KindBay:
		out.Resource = nameOf(siteID, bays, r.ID)
	case site.KindTool:
		out.Resource = nameOf(siteID, toolTypes, r.ID)
	default:
		out.Skill = r.ID
	}
	for _, c := range r.Cells {
		out.Weeks = append(out.Weeks, &bayholdv1.UseHours{BookedHours: c.Booked.Hours(), AvailableHours: c.Available.Hours()})
	}
	return out
}

func (s boardService) CreateLink(ctx context.Context, req *bayholdv1.CreateLinkRequest) (*bayholdv1.CreateLinkResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var calendar *workshop.Ref
	if name := req.GetCalendar(); name != "" {
		ref, err := parseRef("calendar", name, siteID)
		if err != nil {
			return nil, err
		}
		calendar = &ref
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	made, err := s.shop.MakeLink(ctx, act, req.GetDisplayName(), calendar)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.CreateLinkResponse{Link: writeLink(siteID, made.Link)}
	if made.Secret != "" {
		out.Path = s.boards.Path(siteID, made)
	}
	return out, nil
}

func (s boardService) ListLinks(ctx context.Context, req *bayholdv1.ListLinksRequest) (*bayholdv1.ListLinksResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Links(ctx, siteID)
	out := &bayholdv1.ListLinksResponse{}
	for _, l := range list {
		out.Links = append(out.Links, writeLink(siteID, l))
	}
	return out, err
}

func (s boardService) RevokeLink(ctx context.Context, req *bayholdv1.RevokeLinkRequest) (*bayholdv1.RevokeLinkResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), links)
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	link, err := s.shop.RevokeLink(ctx, act, id)
	return &bayholdv1.RevokeLinkResponse{Link: writeLink(siteID, link)}, err
}

func writeLink(siteID string, l site.Link) *bayholdv1.Link {
	out := &bayholdv1.Link{
		Name: numbered(siteID, links, l.ID), DisplayName: l.Title, CreateTime: stamp(l.MadeAt), Creator: l.MadeBy, RevokeTime: stamp(l.RevokedAt),
	}
	if l.Calendar != nil {
		out.Calendar = refName(siteID, workshop.Ref{Kind: l.Calendar.Kind, ID: l.Calendar.ID})
	}
	return out
}

// firstOf is when the earliest of the ranges begins; the zero time if there is none.
func firstOf(ranges ...hours.Range) hours.Range {
	var out hours.Range
	for _, r := range ranges {
		if !r.Empty() && (out.Start.IsZero() || r.Start.Before(out.Start)) {
			out = r
		}
	}
	return out
}
