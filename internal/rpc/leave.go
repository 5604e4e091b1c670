package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type leaveService struct {
	bayholdv1.UnimplementedLeaveServiceServer
	shop *workshop.Workshop
}

func (s leaveService) FindLeaves(ctx context.Context, req *bayholdv1.FindLeavesRequest) (*bayholdv1.FindLeavesResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	q := workshop.LeaveQuestion{
		Tag: tag, Days: int(req.GetDays()), Most: int(req.GetMost()),
		From: readDay(&fs, "from_date", req.GetFromDate()), Until: readDay(&fs, "until_date", req.GetUntilDate()),
	}
	if err := fs.Err("LEAVE", "the question cannot be read"); err != nil {
		return nil, err
	}
	found, err := s.shop.FindLeaves(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.FindLeavesResponse{
		CalibratedUntil: stamp(found.CalibratedUntil), Starts: int32(found.Starts), LookedAt: int32(found.LookedAt),
	}
	for _, o := range found.Options {
		out.Leaves = append(out.Leaves, &bayholdv1.Leave{
			During: writeRange(o.During), Missing: writeRange(o.Missing), Hit: writeBookings(siteID, o.Hit),
			Unserved: int32(o.Harm.Unserved), BookingsMoved: int32(o.Harm.Moved), PromisesMoved: int32(o.Harm.Promises),
			MinutesMoved: o.Harm.Minutes, Swapped: int32(o.Harm.Swapped), Jobs: writeArranged(siteID, o.Jobs), Reasons: o.Reasons,
		})
	}
	return out, nil
}

// readDay reads a day that may be left out.
func readDay(fs *fault.Fields, path, text string) hours.Date {
	if text == "" {
		return hours.Date{}
	}
	d, err := hours.ParseDate(text)
	if err != nil {
		fs.Add(path, "%q is no date such as 2026-12-24", shorten(text))
	}
	return d
}

func (s leaveService) BookLeave(ctx context.Context, req *bayholdv1.BookLeaveRequest) (*bayholdv1.BookLeaveResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	arranged, err := readArranged(siteID, req.GetJobs())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	during := readRange(&fs, "during", req.GetDuring())
	if err := fs.Err("LEAVE", "the leave cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.BookLeave(ctx, act, tag, during, arranged, req.GetNote())
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.BookLeaveResponse{Booking: writeBooking(siteID, done.Booking)}
	for _, b := range done.Moved {
		out.Jobs = append(out.Jobs, &bayholdv1.ArrangedJob{
			Job: numbered(siteID, jobs, b.Job.ID), Reference: b.Job.Reference,
			Planned: writeRange(b.Job.Planned), PromiseTime: stamp(b.Job.Promise),
		})
	}
	return out, nil
}
