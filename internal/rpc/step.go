package rpc

import (
	"bayhold/internal/procedure"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var procedureStateToProto = map[procedure.State]bayholdv1.ProcedureState{
	procedure.Draft:     bayholdv1.ProcedureState_PROCEDURE_STATE_DRAFT,
	procedure.Issued:    bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED,
	procedure.Withdrawn: bayholdv1.ProcedureState_PROCEDURE_STATE_WITHDRAWN,
}

var signalToProto = map[procedure.Signal]bayholdv1.Signal{
	procedure.Danger:  bayholdv1.Signal_SIGNAL_DANGER,
	procedure.Warning: bayholdv1.Signal_SIGNAL_WARNING,
	procedure.Cautn:   bayholdv1.Signal_SIGNAL_CAUTION,
	procedure.Notice:  bayholdv1.Signal_SIGNAL_NOTICE,
}

func writePreparation(siteID string, p procedure.Preparation) *bayholdv1.Preparation {
	out := &bayholdv1.Preparation{
		Name: nameOf(siteID, preparations, p.ID), DisplayName: p.Title,
		Needs: namesOf(siteID, preparations, p.Needs), Excludes: namesOf(siteID, preparations, p.Excludes),
		BayFeatures: p.BayFeatures, SetUp: writeSteps(siteID, p.SetUp), PutBack: writeSteps(siteID, p.PutBack),
		Cautions: writeCautions(p.Cautions),
	}
	if p.Family != "" {
		out.EngineFamily = nameOf(siteID, engineFamilies, p.Family)
	}
	for _, h := range p.Holds {
		out.Holds = append(out.Holds, &bayholdv1.PreparationHold{
			Tool: writeToolNeed(siteID, h.Tool), FromStep: h.From, ToStep: h.To,
		})
	}
	return out
}

func writeProcedure(siteID string, p procedure.Procedure) *bayholdv1.Procedure {
	return &bayholdv1.Procedure{
		Name: nameOf(siteID, procedures, p.ID), DisplayName: p.Title,
		EngineFamily: nameOf(siteID, engineFamilies, p.Family),
		Version:      int32(p.Version), State: procedureStateToProto[p.State],
		Needs: namesOf(siteID, preparations, p.Needs), BayFeatures: p.BayFeatures, Steps: writeSteps(siteID, p.Steps),
	}
}

func writeSteps(siteID string, list []procedure.Step) []*bayholdv1.Step {
	out := make([]*bayholdv1.Step, 0, len(list))
	for _, s := range list {
		out = append(out, writeStep(siteID, s))
	}
	return out
}

func writeStep(siteID string, s procedure.Step) *bayholdv1.Step {
	out := &bayholdv1.Step{
		Id: s.ID, Title: s.Title, Instruction: s.Instruction,
		Estimate: &bayholdv1.Estimate{
			LowMinutes: int32(s.Estimate.Low), LikelyMinutes: int32(s.Estimate.Likely), HighMinutes: int32(s.Estimate.High),
		},
		Unattended: s.Mode == procedure.Unattended, Unbroken: s.Unbroken, JoinedToNext: s.JoinedToNext,
		WaitAfterMinutes: int32(s.WaitAfter), Torque: writeTorque(s.Torque), HoldPoint: s.HoldPoint, TurnsEngine: s.TurnsEngine,
		Cautions: writeCautions(s.Cautions), After: s.After, Before: s.Before, Anytime: s.Anytime,
		OnlyBefore: namesOf(siteID, preparations, s.OnlyBefore), OnlyAfter: namesOf(siteID, preparations, s.OnlyAfter),
	}
	for _, c := range s.Crew {
		out.Crew = append(out.Crew, &bayholdv1.Crew{People: int32(c.People), Skills: c.Skills})
	}
	for _, n := range s.Tools {
		out.Tools = append(out.Tools, writeToolNeed(siteID, n))
	}
	for _, p := range s.Parts {
		out.Parts = append(out.Parts, &bayholdv1.Part{Id: p.ID, Title: p.Title, Quantity: int32(p.Quantity), SingleUse: p.SingleUse})
	}
	for _, c := range s.Checks {
		out.Checks = append(out.Checks, &bayholdv1.Check{Id: c.ID, Title: c.Title, Unit: c.Unit, Min: c.Min, Max: c.Max})
	}
	return out
}

func writeToolNeed(siteID string, n procedure.ToolNeed) *bayholdv1.ToolNeed {
	out := &bayholdv1.ToolNeed{Purpose: n.Purpose, TorqueNm: n.Torque, TorqueLowNm: n.TorqueLow, UntilStep: n.Until}
	if n.Type != "" {
		out.ToolType = nameOf(siteID, toolTypes, n.Type)
	}
	return out
}

func writeTorque(t *procedure.Torque) *bayholdv1.Torque {
	if t == nil {
		return nil
	}
	out := &bayholdv1.Torque{
		Fasteners: int32(t.Fasteners), Thread: t.Thread, PropertyClass: t.Class, SingleUse: t.SingleUse,
		Sequence: t.Sequence, PeakNm: t.Peak, Tolerance: t.Tolerance, Drive: t.Drive,
		Friction: t.Friction, AcceptedDoubts: t.Accepted,
	}
	if t.Adapter != nil {
		out.Adapter = &bayholdv1.TorqueAdapter{ExtensionMm: t.Adapter.Extension, AngleDegrees: t.Adapter.Angle}
	}
	for _, s := range t.Stages {
		out.Stages = append(out.Stages, &bayholdv1.TorqueStage{TorqueNm: s.Torque, AngleDegrees: s.Angle})
	}
	return out
}

func writeCautions(list []procedure.Caution) []*bayholdv1.Caution {
	out := make([]*bayholdv1.Caution, 0, len(list))
	for _, c := range list {
		out = append(out, &bayholdv1.Caution{Signal: signalToProto[c.Signal], Code: c.Code, Text: c.Text})
	}
	return out
}
