package rpc

import (
	"context"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type issueService struct {
	bayholdv1.UnimplementedIssueServiceServer
	shop *workshop.Workshop
}

func (s issueService) IssueTools(ctx context.Context, req *bayholdv1.IssueToolsRequest) (*bayholdv1.IssueToolsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	to, err := readHandling(siteID, req, "ISSUE", "the tools cannot be handed out so")
	if err != nil {
		return nil, err
	}
	o := workshop.IssueOrder{
		Tools: to.tools, Technician: to.technician, Bay: to.bay, Job: to.job, Due: to.due,
		Without: req.GetWithoutBooking(), Note: strings.TrimSpace(req.GetNote()),
	}
	if o.Booking, err = maybeNumbered("booking", req.GetBooking(), bookings, siteID); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	issued, err := s.shop.IssueTools(ctx, act, o)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.IssueToolsResponse{Warnings: issued.Warnings}
	for _, t := range issued.Tools {
		out.Issued = append(out.Issued, &bayholdv1.IssuedTool{
			Issue: s.write(siteID, t.Issue), NextBooking: maybeBooking(siteID, t.Next), Pieces: writePieces(t.Pieces),
		})
	}
	return out, nil
}

// handling is what handing out and passing on have in common: which tools go to
// whom, where, what for and until when.
type handling struct {
	tools           []string
	technician, bay string
	job             int64
	due             time.Time
}

// readHandling reads it; reason and message are those of a time that is none.
func readHandling(siteID string, req interface {
	GetTools() []string
	GetTechnician() string
	GetBay() string
	GetJob() string
	GetDueTime() *timestamppb.Timestamp
}, reason, message string) (h handling, err error) {
	if h.tools, err = idsOf("tools", req.GetTools(), tools, siteID); err != nil {
		return handling{}, err
	}
	if h.technician, err = maybeWithin("technician", req.GetTechnician(), technicians, siteID); err != nil {
		return handling{}, err
	}
	if h.bay, err = maybeWithin("bay", req.GetBay(), bays, siteID); err != nil {
		return handling{}, err
	}
	if h.job, err = maybeNumbered("job", req.GetJob(), jobs, siteID); err != nil {
		return handling{}, err
	}
	var fs fault.Fields
	h.due = instant(&fs, "due_time", req.GetDueTime())
	return h, fs.Err(reason, message)
}

func (s issueService) ReturnTool(ctx context.Context, req *bayholdv1.ReturnToolRequest) (*bayholdv1.ReturnToolResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	v := workshop.ToolReturn{
		Tool: tag, RestComplete: req.GetRestComplete(), Damage: strings.TrimSpace(req.GetDamage()),
		Done: req.GetDone(), Note: strings.TrimSpace(req.GetNote()),
	}
	for _, c := range req.GetCounted() {
		v.Counted = append(v.Counted, site.CountedPiece{Name: c.GetDisplayName(), Count: int(c.GetCount()), Damaged: int(c.GetDamaged())})
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	back, err := s.shop.ReturnTool(ctx, act, v)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.ReturnToolResponse{
		Issue: s.write(siteID, back.Issue), Tool: writeTool(siteID, back.Tool), AffectedBookings: writeBookings(siteID, back.Affected),
		FreedBooking: maybeBooking(siteID, back.Freed), FreedUntil: stamp(back.FreedTo),
		StandingBooking: maybeBooking(siteID, back.StandsFor), Warnings: back.Warnings,
	}, nil
}

func (s issueService) HandOverTools(ctx context.Context, req *bayholdv1.HandOverToolsRequest) (*bayholdv1.HandOverToolsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	to, err := readHandling(siteID, req, "HAND_OVER", "the tools cannot be passed on so")
	if err != nil {
		return nil, err
	}
	o := workshop.HandOver{
		Tools: to.tools, Technician: to.technician, Bay: to.bay, Job: to.job, Due: to.due,
		Done: req.GetDone(), Note: strings.TrimSpace(req.GetNote()),
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	handed, err := s.shop.HandOverTools(ctx, act, o)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.HandOverToolsResponse{Warnings: handed.Warnings}
	for _, t := range handed.Tools {
		out.Handed = append(out.Handed, &bayholdv1.HandedTool{
			From: s.write(siteID, t.From), To: s.write(siteID, t.To), FreedBooking: maybeBooking(siteID, t.Freed),
		})
	}
	return out, nil
}

func (s issueService) WhereAreTools(ctx context.Context, req *bayholdv1.WhereAreToolsRequest) (*bayholdv1.WhereAreToolsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	q := workshop.PlaceQuery{Page: workshop.Page{After: p.cursor, Limit: p.ask()}, Out: req.GetOutOnly(), Late: req.GetLateOnly()}
	if len(req.GetTools()) > 0 {
		if q.Tools, err = idsOf("tools", req.GetTools(), tools, siteID); err != nil {
			return nil, err
		}
	}
	if q.Technician, err = maybeWithin("technician", req.GetTechnician(), technicians, siteID); err != nil {
		return nil, err
	}
	places, err := s.shop.WhereAreTools(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	places, next := cut(p, places, func(v workshop.PlacedTool) string { return v.Tool.Tag })
	out := &bayholdv1.WhereAreToolsResponse{NextPageToken: next}
	for _, v := range places {
		m := &bayholdv1.PlacedTool{Tool: writeTool(siteID, v.Tool), WaitingBookings: writeBookings(siteID, v.Waiting)}
		if v.Issue != nil {
			m.Issue = s.write(siteID, *v.Issue)
		}
		out.Places = append(out.Places, m)
	}
	return out, nil
}

func (s issueService) GetToolHistory(ctx context.Context, req *bayholdv1.GetToolHistoryRequest) (*bayholdv1.GetToolHistoryResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	limit := usualPage
	switch n := int(req.GetLimit()); {
	case n < 0:
		var fs fault.Fields
		fs.Add("limit", "must not be negative")
		return nil, fs.Err("LIMIT", "the history cannot be told")
	case n > 0:
		limit = min(n, largePage)
	}
	h, err := s.shop.ToolHistory(ctx, siteID, tag, limit)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.GetToolHistoryResponse{}
	for _, c := range h.Conditions {
		out.Conditions = append(out.Conditions, &bayholdv1.ConditionEntry{
			Condition: conditionToProto[c.Condition], Since: stamp(c.Since), ExpectedEnd: stamp(c.Until), Reason: c.Reason, Actor: c.Actor,
		})
	}
	for _, i := range h.Issues {
		out.Issues = append(out.Issues, s.write(siteID, i))
	}
	return out, nil
}

var outcomeOfIssue = map[site.IssueOutcome]bayholdv1.Issue_Outcome{
	site.Returned:   bayholdv1.Issue_OUTCOME_RETURNED,
	site.HandedOver: bayholdv1.Issue_OUTCOME_HANDED_OVER,
}

func (s issueService) write(siteID string, i site.Issue) *bayholdv1.Issue {
	return writeIssue(siteID, i, s.shop.Now())
}

// writeIssue writes an issue as it stands at an instant.
func writeIssue(siteID string, i site.Issue, now time.Time) *bayholdv1.Issue {
	out := &bayholdv1.Issue{
		Id: i.ID, Tool: nameOf(siteID, tools, i.Tool), Technician: nameOf(siteID, technicians, i.Technician), Reference: i.Reference,
		OutSince: stamp(i.OutSince), IssueTime: stamp(i.IssuedAt), IssuedBy: i.IssuedBy, DueTime: stamp(i.DueAt), Late: i.Late(now),
		ReturnTime: stamp(i.ReturnedAt), ReturnedBy: i.ReturnedBy, Outcome: outcomeOfIssue[i.Outcome], Note: i.Note,
	}
	if i.Bay != "" {
		out.Bay = nameOf(siteID, bays, i.Bay)
	}
	if i.Job != 0 {
		out.Job = numbered(siteID, jobs, i.Job)
	}
	if i.Booking != 0 {
		out.Booking = numbered(siteID, bookings, i.Booking)
	}
	for _, c := range i.Counted {
		out.Counted = append(out.Counted, &bayholdv1.CountedPiece{DisplayName: c.Name, Count: int32(c.Count), Damaged: int32(c.Damaged)})
	}
	return out
}

func maybeBooking(siteID string, b *site.Booking) *bayholdv1.Booking {
	if b == nil {
		return nil
	}
	return writeBooking(siteID, *b)
}

// maybeWithin is parseWithin for a name that may be empty.
func maybeWithin(field, name, collection, siteID string) (string, error) {
	if name == "" {
		return "", nil
	}
	return parseWithin(field, name, collection, siteID)
}

// maybeNumbered is maybeWithin for a thing whose id is a number; 0 if empty.
func maybeNumbered(field, name, collection, siteID string) (int64, error) {
	text, err := maybeWithin(field, name, collection, siteID)
	if err != nil || text == "" {
		return 0, err
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id <= 0 {
		return 0, badName(field, name, "sites/{site}/"+collection+"/{number}")
	}
	return id, nil
}
