package rpc

import (
	"bayhold/internal/procedure"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var stepStateToProto = map[running.State]bayholdv1.StepState{
	running.Open:     bayholdv1.StepState_STEP_STATE_OPEN,
	running.Running:  bayholdv1.StepState_STEP_STATE_RUNNING,
	running.Paused:   bayholdv1.StepState_STEP_STATE_PAUSED,
	running.Finished: bayholdv1.StepState_STEP_STATE_FINISHED,
	running.Waived:   bayholdv1.StepState_STEP_STATE_WAIVED,
}

var stepEventToProto = map[running.Act]bayholdv1.StepEventKind{
	running.Start:  bayholdv1.StepEventKind_STEP_EVENT_KIND_START,
	running.Pause:  bayholdv1.StepEventKind_STEP_EVENT_KIND_PAUSE,
	running.Resume: bayholdv1.StepEventKind_STEP_EVENT_KIND_RESUME,
	running.Finish: bayholdv1.StepEventKind_STEP_EVENT_KIND_FINISH,
}

var readingKindToProto = map[running.ReadingKind]bayholdv1.ReadingKind{
	running.Torque: bayholdv1.ReadingKind_READING_KIND_TORQUE,
	running.Angle:  bayholdv1.ReadingKind_READING_KIND_ANGLE,
	running.Check:  bayholdv1.ReadingKind_READING_KIND_CHECK,
}

// against gives the kind of a reason: the enum has the same words.
func against(kind running.BlockerKind) bayholdv1.RecordBlockerKind {
	return bayholdv1.RecordBlockerKind(bayholdv1.RecordBlockerKind_value["RECORD_BLOCKER_KIND_"+string(kind)])
}

// optional makes a name of an id, if there is one.
func optional(siteID, collection, id string) string {
	if id == "" {
		return ""
	}
	return nameOf(siteID, collection, id)
}

func writeAgainst(siteID string, list []running.Blocker) []*bayholdv1.RecordBlocker {
	out := make([]*bayholdv1.RecordBlocker, 0, len(list))
	for _, b := range list {
		out = append(out, &bayholdv1.RecordBlocker{
			Kind: against(b.Kind), Step: b.Step, Tool: optional(siteID, tools, b.Tool), UntilTime: stamp(b.Until),
			Message: b.Message, Final: b.Final(),
		})
	}
	return out
}

func writeOutcome(siteID string, r workshop.Recorded) *bayholdv1.StepOutcome {
	return &bayholdv1.StepOutcome{
		Job: writeJob(siteID, r.Job), Step: r.Step, Title: r.Title, State: stepStateToProto[r.State], Unsigned: int32(r.Unsigned),
		Overridden: writeAgainst(siteID, r.Overridden), Freed: writeBookings(siteID, r.Freed), LateMinutes: int32(r.Late), NextSteps: r.Next,
	}
}

// writeReadings writes readings, each with the one that took its place.
func writeReadings(siteID string, list []running.Reading) []*bayholdv1.Reading {
	by := map[int64]int64{}
	for _, r := range list {
		if r.Corrects != 0 {
			by[r.Corrects] = r.ID
		}
	}
	out := make([]*bayholdv1.Reading, 0, len(list))
	for _, r := range list {
		out = append(out, &bayholdv1.Reading{
			Id: r.ID, Step: r.Step, Run: int32(r.Run), Kind: readingKindToProto[r.Kind], Fastener: int32(r.Fastener), Stage: int32(r.Stage),
			Attempt: int32(r.Attempt), Check: r.CheckID, Unit: r.Unit, Value: r.Value, Wanted: r.Wanted, Low: r.Low, High: r.High,
			Outside: r.Outside(), SetNm: r.Set, Tool: optional(siteID, tools, r.Tool), Certificate: r.Certificate,
			CalibratedUntil: stamp(r.CalibratedUntil), Technician: optional(siteID, technicians, r.Technician),
			ActTime: stamp(r.At), RecordTime: stamp(r.RecordedAt), Actor: r.Actor, Corrects: r.Corrects, CorrectedBy: by[r.ID], Note: r.Note,
		})
	}
	return out
}

func writePartUsed(siteID string, p running.PartUsed) *bayholdv1.PartUsed {
	return &bayholdv1.PartUsed{
		Part: p.Part, Quantity: int32(p.Quantity), Fasteners: numbers32(p.Fasteners), Lot: p.Lot, Step: p.Step, Run: int32(p.Run),
		Technician: optional(siteID, technicians, p.Technician), ActTime: stamp(p.At), RecordTime: stamp(p.RecordedAt), Actor: p.Actor,
	}
}

func writePartsUsed(siteID string, list []running.PartUsed) []*bayholdv1.PartUsed {
	out := make([]*bayholdv1.PartUsed, 0, len(list))
	for _, p := range list {
		out = append(out, writePartUsed(siteID, p))
	}
	return out
}

func numbers32(list []int) []int32 {
	out := make([]int32, 0, len(list))
	for _, n := range list {
		out = append(out, int32(n))
	}
	return out
}

func writeSignOffs(siteID string, list []running.SignOff) []*bayholdv1.SignOff {
	out := make([]*bayholdv1.SignOff, 0, len(list))
	for _, s := range list {
		out = append(out, &bayholdv1.SignOff{
			Technician: optional(siteID, technicians, s.Technician), ActTime: stamp(s.At), RecordTime: stamp(s.RecordedAt),
			Actor: s.Actor, Note: s.Note, Run: int32(s.Run), SeenReading: s.Seen,
		})
	}
	return out
}

func writeToolPlaces(siteID string, list []workshop.ToolPlace) []*bayholdv1.ToolPlace {
	out := make([]*bayholdv1.ToolPlace, 0, len(list))
	for _, t := range list {
		p := &bayholdv1.ToolPlace{
			Tool: nameOf(siteID, tools, t.Tag), DisplayName: t.Name, Home: t.Home, Technician: optional(siteID, technicians, t.With),
			Bay: optional(siteID, bays, t.Bay), Condition: conditionToProto[t.Condition],
		}
		if t.Job != 0 {
			p.Job = numbered(siteID, jobs, t.Job)
		}
		if t.Calibrated {
			p.CalibratedUntil = stamp(t.CalibratedUntil)
		}
		out = append(out, p)
	}
	return out
}

func writeStepView(siteID string, v workshop.StepView) *bayholdv1.GetStepResponse {
	out := &bayholdv1.GetStepResponse{
		Step: v.Line.ID, Work: writeStep(siteID, v.Line.Step), Number: int32(v.Line.Number), Owner: v.Line.Owner, Reference: v.Job.Reference,
		Bay: v.Bay, During: writeRange(v.Line.During), Cautions: writeCautions(v.Line.Cautions), People: v.Line.People,
		Tools: writeToolPlaces(siteID, v.Tools), State: stepStateToProto[v.State], Run: int32(v.Run),
		StartTime: stamp(v.Course.Start), FinishTime: stamp(v.Course.Finish), SignOffs: writeSignOffs(siteID, v.Signs),
		Unsigned: int32(v.Unsigned), Readings: writeReadings(siteID, v.Readings), Parts: writePartsUsed(siteID, v.Parts),
		InterruptedFasteners: numbers32(v.Interrupted), Blockers: writeAgainst(siteID, v.Against),
	}
	w := v.Line.Wrench
	if w == nil {
		return out
	}
	out.Wrench, out.SettingProblem, out.DrivesMultiplier = optional(siteID, tools, w.Tag), w.Problem, w.Driven
	for i, s := range v.Line.Step.Torque.Stages {
		if i < len(w.Set) {
			out.Settings = append(out.Settings, &bayholdv1.ToolSetting{
				Stage: torque.Format([]procedure.Stage{s}, torque.NewtonMetre), SetNm: w.Set[i],
			})
		}
	}
	return out
}

func writeDay(siteID string, d workshop.Day) *bayholdv1.GetDayResponse {
	out := &bayholdv1.GetDayResponse{
		Technician: nameOf(siteID, technicians, d.Technician.ID), DisplayName: d.Technician.Name, Day: d.Date.String(),
	}
	for _, r := range d.Shift {
		out.Shifts = append(out.Shifts, writeRange(r))
	}
	for _, s := range d.Steps {
		out.Steps = append(out.Steps, &bayholdv1.DayStep{
			Job: numbered(siteID, jobs, s.Job), Reference: s.Reference, Step: s.Step, Title: s.Title, During: writeRange(s.During),
			State: stepStateToProto[s.State], Bay: optional(siteID, bays, s.Bay), Partners: s.Partners, Tools: writeToolPlaces(siteID, s.Tools),
			Parts: writeJob(siteID, site.Job{Parts: s.Parts}).Parts, HoldPoint: s.HoldPoint, Minutes: int32(s.Minutes),
			Blockers: writeAgainst(siteID, s.Against),
		})
	}
	return out
}

func writeRecord(siteID string, r workshop.JobRecord) *bayholdv1.JobRecord {
	out := &bayholdv1.JobRecord{Job: writeJob(siteID, r.Job), Bay: r.Bay}
	if c := r.Closing; c != nil {
		out.CloseTime, out.ClosedBy, out.CloseNote = stamp(c.At), c.Actor, c.Note
	}
	for i, s := range r.Steps {
		out.Steps = append(out.Steps, writeStepRecord(siteID, r.Lines[i], s))
	}
	for _, t := range r.Tools {
		out.Tools = append(out.Tools, writeToolRecord(siteID, t))
	}
	return out
}

func writeStepRecord(siteID string, l workshop.SheetLine, s workshop.StepRecorded) *bayholdv1.StepRecord {
	out := &bayholdv1.StepRecord{
		Step: s.ID, Title: l.Step.Title, During: writeRange(l.During), State: stepStateToProto[s.State], Unsigned: int32(s.Unsigned),
		SignOffs: writeSignOffs(siteID, s.SignOffs), Readings: writeReadings(siteID, s.Readings), Parts: writePartsUsed(siteID, s.Parts),
	}
	for _, e := range s.Events {
		out.Events = append(out.Events, &bayholdv1.StepEvent{
			Kind: stepEventToProto[e.Act], Technician: optional(siteID, technicians, e.Technician), ActTime: stamp(e.At),
			RecordTime: stamp(e.RecordedAt), Actor: e.Actor, Note: e.Note, Run: int32(e.Run),
			Planned: &bayholdv1.TimeRange{Start: stamp(e.PlannedStart), End: stamp(e.PlannedEnd)},
		})
	}
	for _, o := range s.Overrides {
		out.Overrides = append(out.Overrides, &bayholdv1.StepOverride{
			Kind: stepEventToProto[o.Act], Against: writeAgainst(siteID, o.Against), Reason: o.Note, Actor: o.Actor,
			ActTime: stamp(o.At), RecordTime: stamp(o.RecordedAt), Run: int32(o.Run),
		})
	}
	for _, d := range s.Delays {
		out.Delays = append(out.Delays, &bayholdv1.StepDelay{
			ExtraMinutes: int32(d.Minutes), Reason: d.Note, Technician: optional(siteID, technicians, d.Technician), Actor: d.Actor,
			ActTime: stamp(d.At), RecordTime: stamp(d.RecordedAt),
		})
	}
	if v := s.Waiver; v != nil {
		out.Waiver = &bayholdv1.StepWaiver{Reason: v.Note, Actor: v.Actor, ActTime: stamp(v.At), RecordTime: stamp(v.RecordedAt)}
	}
	return out
}

func writeToolRecord(siteID string, t workshop.ToolUsed) *bayholdv1.ToolRecord {
	out := &bayholdv1.ToolRecord{Tool: nameOf(siteID, tools, t.Tag), DisplayName: t.Name}
	for _, u := range t.Uses {
		out.Uses = append(out.Uses, &bayholdv1.ToolUse{
			During: &bayholdv1.TimeRange{Start: stamp(u.First), End: stamp(u.Last)}, Readings: int32(u.Readings), Certificate: u.Certificate,
			Laboratory: u.Laboratory, Day: u.Day, CalibratedUntil: stamp(u.CalibratedUntil), DocumentSha256: u.Document,
		})
	}
	for _, i := range t.Issues {
		out.Held = append(out.Held, &bayholdv1.ToolHeld{
			Technician: nameOf(siteID, technicians, i.Technician), IssueTime: stamp(i.IssuedAt), ReturnTime: stamp(i.ReturnedAt),
		})
	}
	return out
}
