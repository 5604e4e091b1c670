package rpc

import (
	"context"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/picture"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (s arrangementService) ProposeRepair(ctx context.Context, req *bayholdv1.ProposeRepairRequest) (*bayholdv1.ProposeRepairResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	q := workshop.RepairQuestion{Horizon: instant(&fs, "horizon_time", req.GetHorizonTime())}
	if o := req.GetOverrun(); o != nil {
		overrun, err := readOverrun("overrun", siteID, o)
		if err != nil {
			return nil, err
		}
		q.Overrun = &overrun
	}
	if o := req.GetOutage(); o != nil {
		ref, err := parseRef("outage.resource", o.GetResource(), siteID)
		if err != nil {
			return nil, err
		}
		q.Outage = &workshop.Outage{Ref: ref, During: readRange(&fs, "outage.during", o.GetDuring())}
	}
	if err := fs.Err("REPAIR", "the question cannot be read"); err != nil {
		return nil, err
	}
	repair, err := s.shop.ProposeRepair(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	var touched []hours.Range
	for _, b := range repair.Broken {
		touched = append(touched, b.During)
	}
	for _, j := range repair.Jobs {
		touched = append(touched, j.Planned)
	}
	drawn, err := drawAround(ctx, s.shop, siteID, req.GetPicture(), firstOf(touched...).Start, func(zone *time.Location, open []hours.Range) picture.Drawing {
		return s.pictures.Repair(zone, open, repair)
	})
	return &bayholdv1.ProposeRepairResponse{
		Broken: writeBookings(siteID, repair.Broken), Jobs: writeArranged(siteID, repair.Jobs),
		PromisesMoved: int32(repair.PromisesMoved), BookingsMoved: int32(repair.BookingsMoved), MinutesMoved: repair.MinutesMoved,
		Picture: drawn,
	}, err
}

var reliefToProto = map[workshop.ReliefKind]bayholdv1.Relief_Kind{
	workshop.ReliefOneMore:     bayholdv1.Relief_KIND_ONE_MORE,
	workshop.ReliefCalibration: bayholdv1.Relief_KIND_CALIBRATION,
	workshop.ReliefClosure:     bayholdv1.Relief_KIND_CLOSURE,
}

func (s planningService) ExplainJob(ctx context.Context, req *bayholdv1.ExplainJobRequest) (*bayholdv1.ExplainJobResponse, error) {
	siteID, ids, bay, err := question(req.GetParent(), req.GetProcedures(), req.GetBay())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	q := workshop.ExplainQuestion{
		FindQuestion: workshop.FindQuestion{
			Procedures: ids, Bay: bay,
			Earliest: instant(&fs, "earliest_time", req.GetEarliestTime()),
			Horizon:  instant(&fs, "horizon_time", req.GetHorizonTime()),
			Arrivals: readArrivals(&fs, "part_arrivals", req.GetPartArrivals()),
		},
		Start: instant(&fs, "start_time", req.GetStartTime()),
	}
	if err := fs.Err("EXPLAIN", "the question cannot be read"); err != nil {
		return nil, err
	}
	found, err := s.shop.Explain(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.ExplainJobResponse{
		HandBackTime: stamp(found.HandBack), SmallestSet: writeBlockers(siteID, found.Smallest),
		StartPossible: found.StartPossible, SmallestProved: found.SmallestProved,
	}
	for _, r := range found.Reliefs {
		m := &bayholdv1.Relief{
			Kind: reliefToProto[r.Kind], Need: r.Need, HandBackTime: stamp(r.HandBack), SoonerMinutes: int64(r.Sooner.Minutes()),
		}
		if r.Ref != nil {
			m.Resource = refName(siteID, *r.Ref)
		}
		out.Reliefs = append(out.Reliefs, m)
	}
	return out, nil
}
