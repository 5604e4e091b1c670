package rpc

import (
	"context"
	"fmt"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type bookingService struct {
	bayholdv1.UnimplementedBookingServiceServer
	shop *workshop.Workshop
}

func (s bookingService) BookPlan(ctx context.Context, req *bayholdv1.BookPlanRequest) (*bayholdv1.BookPlanResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	proposed, err := readPlan(siteID, req.GetPlan())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	order := workshop.Order{
		Reference: req.GetReference(), Plan: proposed, State: stateFromProto[req.GetState()], Note: req.GetNote(),
		ExpiresAt: instant(&fs, "expire_time", req.GetExpireTime()),
		Promise:   instant(&fs, "promise_time", req.GetPromiseTime()), Confidence: req.GetPromiseConfidence(),
	}
	if order.Replaces, err = readReplaced(siteID, req.GetReplacedJob()); err != nil {
		return nil, err
	}
	if err := fs.Err("BOOKING", "the booking cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	booked, err := s.shop.Book(ctx, act, order)
	return &bayholdv1.BookPlanResponse{Job: writeJob(siteID, booked.Job), Bookings: writeBookings(siteID, booked.Bookings)}, err
}

func (s bookingService) Reserve(ctx context.Context, req *bayholdv1.ReserveRequest) (*bayholdv1.ReserveResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	r := workshop.Reservation{Reference: req.GetReference(), State: stateFromProto[req.GetState()], Note: req.GetNote()}
	for i, name := range req.GetResources() {
		ref, err := parseRef(fmt.Sprintf("resources[%d]", i), name, siteID)
		if err != nil {
			return nil, err
		}
		r.Refs = append(r.Refs, ref)
	}
	var fs fault.Fields
	r.During = readRange(&fs, "during", req.GetDuring())
	r.ExpiresAt = instant(&fs, "expire_time", req.GetExpireTime())
	if err := fs.Err("RESERVATION", "the reservation cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	booked, err := s.shop.Reserve(ctx, act, r)
	return &bayholdv1.ReserveResponse{Job: writeJob(siteID, booked.Job), Bookings: writeBookings(siteID, booked.Bookings)}, err
}

func (s bookingService) ConfirmJob(ctx context.Context, req *bayholdv1.ConfirmJobRequest) (*bayholdv1.ConfirmJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	job, err := s.shop.Confirm(ctx, act, id)
	return &bayholdv1.ConfirmJobResponse{Job: writeJob(siteID, job)}, err
}

func (s bookingService) CancelJob(ctx context.Context, req *bayholdv1.CancelJobRequest) (*bayholdv1.CancelJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	job, err := s.shop.Cancel(ctx, act, id, req.GetReason())
	return &bayholdv1.CancelJobResponse{Job: writeJob(siteID, job)}, err
}

func (s bookingService) GetBooking(ctx context.Context, req *bayholdv1.GetBookingRequest) (*bayholdv1.GetBookingResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), bookings)
	if err != nil {
		return nil, err
	}
	b, err := s.shop.Booking(ctx, siteID, id)
	return &bayholdv1.GetBookingResponse{Booking: writeBooking(siteID, b)}, err
}

func (s bookingService) ListBookings(ctx context.Context, req *bayholdv1.ListBookingsRequest) (*bayholdv1.ListBookingsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, span, err := openSpan(req, req.GetDuring(), req.GetShowCancelled())
	if err != nil {
		return nil, err
	}
	var ref *workshop.Ref
	if name := req.GetResource(); name != "" {
		r, err := parseRef("resource", name, siteID)
		if err != nil {
			return nil, err
		}
		ref = &r
	}
	var job int64
	if name := req.GetJob(); name != "" {
		if _, err := parseWithin("job", name, jobs, siteID); err != nil {
			return nil, err
		}
		if _, job, err = parseNumbered("job", name, jobs); err != nil {
			return nil, err
		}
	}
	list, err := s.shop.Bookings(ctx, siteID, span, ref, job)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(b site.Booking) string { return placeCursor(b.During.Start, b.ID) })
	return &bayholdv1.ListBookingsResponse{Bookings: writeBookings(siteID, list), NextPageToken: next}, nil
}

// openSpan opens a page of a list by start.
func openSpan(req listRequest, during *bayholdv1.TimeRange, all bool) (pager, workshop.Span, error) {
	p, err := openPage(req)
	if err != nil {
		return p, workshop.Span{}, err
	}
	var fs fault.Fields
	span := workshop.Span{During: readRange(&fs, "during", during), All: all, Limit: p.ask()}
	if err := fs.Err("DURING", "the time asked for cannot be read"); err != nil {
		return p, span, err
	}
	span.AfterStart, span.AfterID, err = p.place()
	return p, span, err
}

func writeBooking(siteID string, b site.Booking) *bayholdv1.Booking {
	return &bayholdv1.Booking{
		Name: numbered(siteID, bookings, b.ID), Job: numbered(siteID, jobs, b.Job), Reference: b.Reference,
		Resource: refName(siteID, workshop.Ref{Kind: b.Kind, ID: b.Resource}),
		During:   writeRange(b.During), State: stateToProto[b.State], ExpireTime: stamp(b.ExpiresAt), Steps: b.Steps,
	}
}

func writeBookings(siteID string, list []site.Booking) []*bayholdv1.Booking {
	out := make([]*bayholdv1.Booking, 0, len(list))
	for _, b := range list {
		out = append(out, writeBooking(siteID, b))
	}
	return out
}
