package rpc

import (
	"context"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type intervalService struct {
	bayholdv1.UnimplementedIntervalServiceServer
	shop *workshop.Workshop
}

func (s intervalService) GetCalibrationPolicy(ctx context.Context, req *bayholdv1.GetCalibrationPolicyRequest) (*bayholdv1.GetCalibrationPolicyResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	found, err := s.shop.CalibrationPolicy(ctx, siteID)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.GetCalibrationPolicyResponse{Policy: writePolicy(found.Policy), Person: found.Person, Time: stamp(found.At)}, nil
}

func (s intervalService) SetCalibrationPolicy(ctx context.Context, req *bayholdv1.SetCalibrationPolicyRequest) (*bayholdv1.SetCalibrationPolicyResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	previous := instant(&fs, "previous_time", req.GetPreviousTime())
	if req.GetPolicy() == nil {
		fs.Add("policy", "is missing")
	}
	if err := fs.Err("BAD_CALIBRATION_POLICY", "the calibration policy cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.SetCalibrationPolicy(ctx, act, readPolicy(req.GetPolicy()), previous)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.SetCalibrationPolicyResponse{Policy: writePolicy(done.Policy)}
	for _, t := range done.Changed {
		out.Changed = append(out.Changed, writeStanding(siteID, t))
	}
	return out, nil
}

var methodFromProto = inverse(methodToProto)

func (s intervalService) ApplyInterval(ctx context.Context, req *bayholdv1.ApplyIntervalRequest) (*bayholdv1.ApplyIntervalResponse, error) {
	siteID, tag, err := parse("name", req.GetName(), tools)
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	done, err := s.shop.ApplyInterval(ctx, act, tag, methodFromProto[req.GetMethod()], int(req.GetDays()))
	if err != nil {
		return nil, err
	}
	return &bayholdv1.ApplyIntervalResponse{
		Proposal: writeProposal(done.Proposal), Days: int32(done.Days),
		Standing: writeStanding(siteID, done.Standing), Tool: writeTool(siteID, done.Standing.Tool),
	}, nil
}

func readPolicy(m *bayholdv1.CalibrationPolicy) calibration.Policy {
	d, c, r := m.GetDue(), m.GetCheck(), m.GetReview()
	out := calibration.Policy{
		Classes: calibration.ClassTable{Split: m.GetClasses().GetSplitNm(), Source: m.GetClasses().GetSource()},
		Air:     calibration.Air{Coldest: m.GetAir().GetColdestC(), Warmest: m.GetAir().GetWarmestC(), Humidity: m.GetAir().GetHumidity()},
		Due: calibration.DuePolicy{
			Months: int(d.GetMonths()), Days: int(d.GetDays()), Cycles: int(d.GetCycles()), FromFirstUse: d.GetFromFirstUse(),
			ShelfMonths: int(d.GetShelfMonths()), Overload: d.GetOverload(),
		},
		Check: calibration.CheckPolicy{Readings: int(c.GetReadings()), TesterRatio: c.GetTesterRatio(), Reach: c.GetReach()},
		Review: calibration.ReviewPolicy{
			Floor: r.GetFloorDays(), Cap: r.GetCapDays(), LeastFactor: r.GetLeastFactor(), GreatestFactor: r.GetGreatestFactor(),
			GrowWithin: r.GetGrowWithin(), Grow: r.GetGrow(), Shrink: r.GetShrink(), Target: r.GetTarget(),
			Confidence: r.GetConfidence(), LeastResults: int(r.GetLeastResults()), Near: r.GetNear(),
		},
		Joint: calibration.JointPolicy{Torque: m.GetJoint().GetTorque(), Angle: m.GetJoint().GetAngleDeg()},
	}
	for _, k := range d.GetEarly() {
		out.Due.Early = append(out.Due.Early, calibration.EventKind(k))
	}
	for _, x := range m.GetClasses().GetClasses() {
		out.Classes.Classes = append(out.Classes.Classes, calibration.Class{
			Kind: calibration.Kind(x.GetType()), Class: x.GetClass(), Title: x.GetTitle(),
			Small: x.GetSmall(), Large: x.GetLarge(), Readings: int(x.GetReadings()),
		})
	}
	return out
}

func writePolicy(p calibration.Policy) *bayholdv1.CalibrationPolicy {
	d, c, r := p.Due, p.Check, p.Review
	out := &bayholdv1.CalibrationPolicy{
		Classes: &bayholdv1.ClassTable{SplitNm: p.Classes.Split, Source: p.Classes.Source},
		Air:     &bayholdv1.UsualAir{ColdestC: p.Air.Coldest, WarmestC: p.Air.Warmest, Humidity: p.Air.Humidity},
		Due: &bayholdv1.DuePolicy{
			Months: int32(d.Months), Days: int32(d.Days), Cycles: int32(d.Cycles), FromFirstUse: d.FromFirstUse,
			ShelfMonths: int32(d.ShelfMonths), Overload: d.Overload,
		},
		Check: &bayholdv1.CheckPolicy{Readings: int32(c.Readings), TesterRatio: c.TesterRatio, Reach: c.Reach},
		Review: &bayholdv1.ReviewPolicy{
			FloorDays: r.Floor, CapDays: r.Cap, LeastFactor: r.LeastFactor, GreatestFactor: r.GreatestFactor,
			GrowWithin: r.GrowWithin, Grow: r.Grow, Shrink: r.Shrink, Target: r.Target,
			Confidence: r.Confidence, LeastResults: int32(r.LeastResults), Near: r.Near,
		},
		Joint: &bayholdv1.JointPolicy{Torque: p.Joint.Torque, AngleDeg: p.Joint.Angle},
	}
	for _, k := range d.Early {
		out.Due.Early = append(out.Due.Early, string(k))
	}
	for _, x := range p.Classes.Classes {
		out.Classes.Classes = append(out.Classes.Classes, &bayholdv1.ToolClass{
			Type: string(x.Kind), Class: x.Class, Title: x.Title, Small: x.Small, Large: x.Large, Readings: int32(x.Readings),
		})
	}
	return out
}
