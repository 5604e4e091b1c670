package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (s planningService) ListWhileOpen(ctx context.Context, req *bayholdv1.ListWhileOpenRequest) (*bayholdv1.ListWhileOpenResponse, error) {
	siteID, ids, _, err := question(req.GetParent(), req.GetProcedures(), "")
	if err != nil {
		return nil, err
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
	if (job != 0) == (len(ids) > 0) {
		var fs fault.Fields
		fs.Add("procedures", "name either procedures or a booked job")
		return nil, fs.Err("WHILE_OPEN", "the question cannot be answered")
	}
	list, err := s.shop.WhileOpen(ctx, siteID, ids, job)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.ListWhileOpenResponse{}
	for _, a := range list {
		out.Candidates = append(out.Candidates, writeAlong(siteID, a))
	}
	return out, nil
}

func writeAlong(siteID string, a workshop.Along) *bayholdv1.WhileOpen {
	out := &bayholdv1.WhileOpen{
		Procedure: nameOf(siteID, procedures, a.Procedure), Version: int32(a.Version), DisplayName: a.Title,
		Added: writeWork(a.Added), Alone: writeWork(a.Alone), Saved: writeWork(a.Saved),
		Parts: writePartLines(a.Parts), SharedParts: writePartLines(a.PartsOnce), BayFeatures: a.BayFeatures,
	}
	if a.Refused != nil {
		out.Refused = a.Refused.Error()
	}
	if a.Slot != nil {
		out.FitsSlot = &a.Slot.Fits
		out.HandBackTime = stamp(a.Slot.HandBack)
		out.Blockers = writeBlockers(siteID, a.Slot.Blockers)
	}
	return out
}

func writeWork(w procedure.Work) *bayholdv1.WorkAmount {
	return &bayholdv1.WorkAmount{
		StepMinutes: int32(w.Steps.Likely), PeopleMinutes: int32(w.People), BayMinutes: int32(w.Longest),
	}
}

func writePartLines(list []procedure.PartLine) []*bayholdv1.PartLine {
	out := make([]*bayholdv1.PartLine, 0, len(list))
	for _, l := range list {
		out = append(out, &bayholdv1.PartLine{Id: l.ID, DisplayName: l.Title, Quantity: int32(l.Quantity), IfWorn: int32(l.IfWorn)})
	}
	return out
}
