package rpc

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/picture"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type planningService struct {
	bayholdv1.UnimplementedPlanningServiceServer
	shop     *workshop.Workshop
	pictures Pictures
}

// question reads what checking and finding have in common.
func question(parent string, names []string, bay string) (siteID string, ids []string, bayID string, err error) {
	if siteID, err = siteName("parent", parent); err != nil {
		return "", nil, "", err
	}
	if ids, err = idsOf("procedures", names, procedures, siteID); err != nil {
		return "", nil, "", err
	}
	if bay != "" {
		bayID, err = parseWithin("bay", bay, bays, siteID)
	}
	return siteID, ids, bayID, err
}

func (s planningService) CheckJob(ctx context.Context, req *bayholdv1.CheckJobRequest) (*bayholdv1.CheckJobResponse, error) {
	siteID, ids, bay, err := question(req.GetParent(), req.GetProcedures(), req.GetBay())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	q := workshop.CheckQuestion{
		Procedures: ids, Bay: bay,
		Start:    instant(&fs, "start_time", req.GetStartTime()),
		By:       instant(&fs, "hand_back_by", req.GetHandBackBy()),
		Arrivals: readArrivals(&fs, "part_arrivals", req.GetPartArrivals()),
	}
	if q.Replaces, err = readReplaced(siteID, req.GetReplacedJob()); err != nil {
		return nil, err
	}
	if err := fs.Err("CHECK", "the question cannot be read"); err != nil {
		return nil, err
	}
	answer, err := s.shop.Check(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	drawn, err := drawAround(ctx, s.shop, siteID, req.GetPicture(), q.Start, func(zone *time.Location, open []hours.Range) picture.Drawing {
		return s.pictures.Check(zone, open, answer)
	})
	return &bayholdv1.CheckJobResponse{
		Possible: answer.Possible, Plan: writePlan(siteID, answer.Plan),
		Blockers: writeBlockers(siteID, answer.Blockers), WaitingPlan: writePlan(siteID, answer.Waiting),
		AskedHandBackTime: stamp(answer.Asked), Picture: drawn,
	}, err
}

func (s planningService) FindPlans(ctx context.Context, req *bayholdv1.FindPlansRequest) (*bayholdv1.FindPlansResponse, error) {
	siteID, ids, bay, err := question(req.GetParent(), req.GetProcedures(), req.GetBay())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	q := workshop.FindQuestion{
		Procedures: ids, Bay: bay,
		Earliest: instant(&fs, "earliest_time", req.GetEarliestTime()),
		Horizon:  instant(&fs, "horizon_time", req.GetHorizonTime()),
		Arrivals: readArrivals(&fs, "part_arrivals", req.GetPartArrivals()), Confidence: req.GetPromiseConfidence(),
		Disturb: req.GetWithDisturbing(),
	}
	if q.Replaces, err = readReplaced(siteID, req.GetReplacedJob()); err != nil {
		return nil, err
	}
	if err := fs.Err("FIND", "the question cannot be read"); err != nil {
		return nil, err
	}
	answer, err := s.shop.Find(ctx, siteID, q)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.FindPlansResponse{
		Outcome: outcomeToProto[answer.Outcome], Blockers: writeBlockers(siteID, answer.Blockers),
	}
	for i := range answer.Options {
		o := &bayholdv1.PlanOption{Plan: writePlan(siteID, &answer.Options[i].Plan), PromiseTime: stamp(answer.Options[i].Promise)}
		if answer.Options[i].Earliest {
			o.Merits = append(o.Merits, bayholdv1.PlanOption_MERIT_EARLIEST_HAND_BACK)
		}
		if answer.Options[i].Shortest {
			o.Merits = append(o.Merits, bayholdv1.PlanOption_MERIT_FEWEST_BAY_HOURS)
		}
		out.Options = append(out.Options, o)
	}
	for i := range answer.Rooms {
		out.Disturbing = append(out.Disturbing, writeRoom(siteID, &answer.Rooms[i]))
	}
	var ranges []hours.Range
	for _, o := range answer.Options {
		ranges = append(ranges, o.Plan.During)
	}
	out.Picture, err = drawAround(ctx, s.shop, siteID, req.GetPicture(), firstOf(ranges...).Start, func(zone *time.Location, open []hours.Range) picture.Drawing {
		return s.pictures.Find(zone, open, answer)
	})
	return out, err
}

func writeRoom(siteID string, r *workshop.Room) *bayholdv1.PlanOption {
	out := &bayholdv1.PlanOption{Plan: writePlan(siteID, &r.Plan)}
	for _, j := range r.Disturbed {
		out.Disturbed = append(out.Disturbed, &bayholdv1.DisturbedJob{
			Job: numbered(siteID, jobs, j.Job), Reference: j.Reference, Planned: writeRange(j.Planned),
			Plan: writePlan(siteID, j.Plan), PromiseTime: stamp(j.Promise), PromiseMissed: j.Missed(),
		})
	}
	return out
}

// readReplaced reads the name of a job that a plan takes the place of, if any.
func readReplaced(siteID, name string) (int64, error) {
	if name == "" {
		return 0, nil
	}
	if _, err := parseWithin("replaced_job", name, jobs, siteID); err != nil {
		return 0, err
	}
	_, id, err := parseNumbered("replaced_job", name, jobs)
	return id, err
}

var outcomeToProto = map[workshop.Outcome]bayholdv1.FindPlansResponse_Outcome{
	workshop.Found:      bayholdv1.FindPlansResponse_OUTCOME_FOUND,
	workshop.Impossible: bayholdv1.FindPlansResponse_OUTCOME_IMPOSSIBLE,
	workshop.NotFound:   bayholdv1.FindPlansResponse_OUTCOME_NOT_FOUND,
}

func writePlan(siteID string, p *workshop.Plan) *bayholdv1.Plan {
	if p == nil {
		return nil
	}
	out := &bayholdv1.Plan{
		EngineFamily: nameOf(siteID, engineFamilies, p.Family), Bay: nameOf(siteID, bays, p.Bay),
		StartTime: stamp(p.During.Start), HandBackTime: stamp(p.During.End),
		Parts: writePartLines(p.Parts), Revision: p.Revision, BoundTime: stamp(p.Bound), Proved: p.Proved,
	}
	for _, a := range p.Arrivals {
		out.PartArrivals = append(out.PartArrivals, &bayholdv1.PartArrival{Part: a.Part, ExpectedTime: stamp(a.Expected)})
	}
	for _, pr := range p.Procedures {
		out.Procedures = append(out.Procedures, &bayholdv1.PlannedProcedure{
			Procedure: nameOf(siteID, procedures, pr.ID), Version: int32(pr.Version), DisplayName: pr.Title,
		})
	}
	for _, st := range p.Steps {
		out.Steps = append(out.Steps, &bayholdv1.PlannedStep{
			Id: st.ID, Title: st.Title, StartTime: stamp(st.During.Start), EndTime: stamp(st.During.End),
			Technicians: namesOf(siteID, technicians, st.Technicians), Tools: namesOf(siteID, tools, st.Tools),
		})
	}
	for _, b := range p.Bookings {
		out.Bookings = append(out.Bookings, &bayholdv1.PlannedBooking{
			Resource: refName(siteID, b.Ref), StartTime: stamp(b.During.Start), EndTime: stamp(b.During.End), Steps: b.Steps,
		})
	}
	return out
}

// readPlan reads a plan that is to be booked: what the workshop needs to judge
// it. Who does what is read off the bookings.
func readPlan(siteID string, p *bayholdv1.Plan) (workshop.Plan, error) {
	var out workshop.Plan
	var fs fault.Fields
	if p == nil {
		fs.Add("plan", "is missing: book a plan as it was answered")
	}
	for i, pr := range p.GetProcedures() {
		id, err := parseWithin(fmt.Sprintf("plan.procedures[%d]", i), pr.GetProcedure(), procedures, siteID)
		if err != nil {
			return out, err
		}
		out.Procedures = append(out.Procedures, workshop.PlannedProcedure{
			ProcedureRef: site.ProcedureRef{ID: id, Version: int(pr.GetVersion())},
		})
	}
	for i, st := range p.GetSteps() {
		at := fmt.Sprintf("plan.steps[%d]", i)
		out.Steps = append(out.Steps, workshop.PlannedStep{ID: st.GetId(), During: hours.Range{
			Start: instant(&fs, at+".start_time", st.GetStartTime()), End: instant(&fs, at+".end_time", st.GetEndTime()),
		}})
	}
	for i, b := range p.GetBookings() {
		at := fmt.Sprintf("plan.bookings[%d]", i)
		ref, err := parseRef(at+".resource", b.GetResource(), siteID)
		if err != nil {
			return out, err
		}
		out.Bookings = append(out.Bookings, workshop.PlannedBooking{Ref: ref, Steps: b.GetSteps(), During: hours.Range{
			Start: instant(&fs, at+".start_time", b.GetStartTime()), End: instant(&fs, at+".end_time", b.GetEndTime()),
		}})
	}
	out.Arrivals = readArrivals(&fs, "plan.part_arrivals", p.GetPartArrivals())
	return out, fs.Err("PLAN", "the plan cannot be read")
}

func readArrivals(fs *fault.Fields, field string, list []*bayholdv1.PartArrival) []workshop.Arrival {
	out := make([]workshop.Arrival, 0, len(list))
	for i, a := range list {
		at := fmt.Sprintf("%s[%d].expected_time", field, i)
		out = append(out, workshop.Arrival{Part: a.GetPart(), Expected: instant(fs, at, a.GetExpectedTime())})
	}
	return out
}

var blockerToProto = map[workshop.BlockerKind]bayholdv1.Blocker_Kind{
	workshop.BlockerBooked:      bayholdv1.Blocker_KIND_BOOKED,
	workshop.BlockerClosed:      bayholdv1.Blocker_KIND_CLOSED,
	workshop.BlockerAbsent:      bayholdv1.Blocker_KIND_ABSENT,
	workshop.BlockerOffShift:    bayholdv1.Blocker_KIND_OFF_SHIFT,
	workshop.BlockerCalibration: bayholdv1.Blocker_KIND_CALIBRATION,
	workshop.BlockerCondition:   bayholdv1.Blocker_KIND_CONDITION,
	workshop.BlockerSkill:       bayholdv1.Blocker_KIND_SKILL,
	workshop.BlockerTorqueRange: bayholdv1.Blocker_KIND_TORQUE_RANGE,
	workshop.BlockerNone:        bayholdv1.Blocker_KIND_NONE,
	workshop.BlockerSameJob:     bayholdv1.Blocker_KIND_SAME_JOB,
	workshop.BlockerTooLate:     bayholdv1.Blocker_KIND_TOO_LATE,
	workshop.BlockerPart:        bayholdv1.Blocker_KIND_PART,
	workshop.BlockerOut:         bayholdv1.Blocker_KIND_OUT,
}

func writeBlockers(siteID string, list []workshop.Blocker) []*bayholdv1.Blocker {
	out := make([]*bayholdv1.Blocker, 0, len(list))
	for _, b := range list {
		m := &bayholdv1.Blocker{
			Kind: blockerToProto[b.Kind], Step: b.Step, StepTitle: b.StepTitle, Need: b.Need,
			StartTime: stamp(b.During.Start), EndTime: stamp(b.During.End),
			Reference: b.Reference, UntilTime: stamp(b.Until), Message: b.Message,
		}
		if b.Ref != nil {
			m.Resource = refName(siteID, *b.Ref)
		}
		if b.Job != 0 {
			m.Job = numbered(siteID, jobs, b.Job)
		}
		out = append(out, m)
	}
	return out
}
