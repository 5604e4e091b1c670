package cli

import (
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// fixtureJobWithParts is a job whose parts stand in every way.
func fixtureJobWithParts() *bayholdv1.Job {
	return &bayholdv1.Job{
		Name: harbour + "/jobs/21", Reference: "R-21", EngineFamily: harbour + "/engineFamilies/orlo-20",
		Procedures: []*bayholdv1.ProcedureVersion{
			{Procedure: harbour + "/procedures/belt-orlo-20", Version: 2, NewestVersion: 3},
			{Procedure: harbour + "/procedures/pump-orlo-20", Version: 1, NewestVersion: 1},
			{Procedure: harbour + "/procedures/seal-orlo-20", Version: 4, NewestVersion: 2},
			{Procedure: harbour + "/procedures/old-orlo-20", Version: 1},
		},
		State: confirmed, Planned: during(ts(dec, 1, 8, 0), ts(dec, 2, 11, 0)), PromiseTime: ts(dec, 2, 16, 0),
		Steps: []*bayholdv1.JobStep{
			{Id: "cover/off", Title: "Take the cover off", During: during(ts(dec, 1, 8, 0), ts(dec, 1, 9, 30))},
			{Id: "belt/change", Title: "Change the belt", During: during(ts(dec, 1, 9, 30), ts(dec, 2, 9, 0))},
			{Id: "cover/on", Title: "Put the cover on with a new gasket", During: during(ts(dec, 2, 9, 0), ts(dec, 2, 11, 0))},
		},
		Parts: []*bayholdv1.JobPart{
			{Id: "belt-20", DisplayName: "Timing belt", Quantity: 1, State: expectedPart, ExpectedTime: ts(dec, 1, 11, 0), Steps: []string{"belt/change"}},
			{Id: "bolt-8", DisplayName: "Cover bolt", IfWorn: 6, State: bayholdv1.PartState_PART_STATE_ORDERED, Steps: []string{"cover/on"}},
			{Id: "gasket-20", DisplayName: "Gasket of the cover", Quantity: 1, State: expectedPart, ExpectedTime: ts(nov, 30, 0, 0), Steps: []string{"cover/on"}},
			{Id: "oil", DisplayName: "Oil in litres", Quantity: 4, IfWorn: 1, State: bayholdv1.PartState_PART_STATE_HERE},
			{Id: "pin", DisplayName: "Split pin", Quantity: 2, Steps: []string{"cover/off", "cover/on"}},
		},
	}
}

const expectedPart = bayholdv1.PartState_PART_STATE_EXPECTED

// fixtureArrivals are parts that a plan waits for.
func fixtureArrivals() []*bayholdv1.PartArrival {
	return []*bayholdv1.PartArrival{
		{Part: "belt-20", ExpectedTime: ts(dec, 1, 11, 0)}, {Part: "gasket-20", ExpectedTime: ts(dec, 2, 0, 0)},
	}
}

// fixturePartBlockers say that a job waits for its parts.
func fixturePartBlockers() []*bayholdv1.Blocker {
	return []*bayholdv1.Blocker{
		{
			Kind: bayholdv1.Blocker_KIND_PART, Step: "belt/change", StepTitle: "Change belt, tensioner and water pump",
			Need: "part Timing belt", UntilTime: ts(dec, 1, 11, 0), Message: "part belt-20 (Timing belt) is expected Tue 2026-12-01 11:00",
		},
		{
			Kind: bayholdv1.Blocker_KIND_PART, Step: "cover/on", StepTitle: "Put the cover on",
			Need: "part Gasket of the cover", UntilTime: ts(dec, 2, 0, 0), Message: "part gasket-20 (Gasket of the cover) is expected Wed 2026-12-02 00:00",
		},
	}
}

func amount(people, bay int32) *bayholdv1.WorkAmount {
	return &bayholdv1.WorkAmount{StepMinutes: bay, PeopleMinutes: people, BayMinutes: bay}
}

// fixtureWhileOpen is what could be done along, without a slot to fit.
func fixtureWhileOpen() []*bayholdv1.WhileOpen {
	name := func(s string) string { return harbour + "/procedures/" + s }
	return []*bayholdv1.WhileOpen{
		{
			Procedure: name("phasers-orlo-20"), Version: 1, DisplayName: "Both cam phasers renewed",
			Added: amount(130, 25), Alone: amount(691, 506), Saved: amount(561, 481),
			Parts: []*bayholdv1.PartLine{
				{Id: "phaser", DisplayName: "Cam phaser", IfWorn: 2}, {Id: "phaser-bolt", DisplayName: "Bolt of the cam phaser", Quantity: 2},
			},
			SharedParts: []*bayholdv1.PartLine{{Id: "gasket-20", DisplayName: "Gasket of the cover", Quantity: 1}},
		},
		{
			Procedure: name("idlers-orlo-20"), Version: 1, DisplayName: "Idlers and water pump renewed",
			Added: amount(35, 0), Alone: amount(300, 240), Saved: amount(265, 240),
			Parts: []*bayholdv1.PartLine{{Id: "pump", DisplayName: "Water pump", Quantity: 1}},
		},
		{
			Procedure: name("check-orlo-20"), Version: 2, DisplayName: "Valve timing checked",
			Added: amount(20, 20), Alone: amount(193, 163), Saved: amount(173, 143),
		},
		{
			Procedure: name("crank-seal-orlo-20"), Version: 1, DisplayName: "Front crank seal renewed",
			Added: amount(30, 0), Alone: amount(288, 218), Saved: amount(258, 218),
			SharedParts: []*bayholdv1.PartLine{{Id: "oil", DisplayName: "Oil in litres", Quantity: 4, IfWorn: 1}},
		},
		{
			Procedure: name("road-orlo-20"), Version: 1, DisplayName: "Road test with the covers off", Alone: amount(60, 60),
			Refused: "cover-off must be put back before road, and road needs it: the steps wait for each other",
		},
	}
}

// fixtureInSlot is what could be done along with a job that is booked: the
// first overruns its promise, the third and fourth have no room.
func fixtureInSlot() []*bayholdv1.WhileOpen {
	yes, no := true, false
	list := fixtureWhileOpen()
	list[0].FitsSlot, list[0].HandBackTime = &yes, ts(dec, 3, 9, 30)
	list[1].FitsSlot, list[1].HandBackTime = &yes, ts(dec, 2, 11, 35)
	list[2].FitsSlot, list[2].Blockers = &no, fixtureBlockers()[:2]
	list[3].FitsSlot, list[3].Blockers = &no, fixtureBlockers()[:2]
	return list
}

// noRoom takes the room away that was there.
func noRoom(list []*bayholdv1.WhileOpen) []*bayholdv1.WhileOpen {
	no := false
	for _, o := range list[:2] {
		o.FitsSlot, o.HandBackTime, o.Blockers = &no, nil, fixtureBlockers()[2:]
	}
	return list
}

const fixtureSheet = "JOB SHEET R-21\n\n 1 Take the cover off\n"

func fixtureDiff() *bayholdv1.DiffProcedureResponse {
	return &bayholdv1.DiffProcedureResponse{FromVersion: 1, ToVersion: 2, Changes: []*bayholdv1.ProcedureChange{
		{Field: "needs", Was: "cover-off", Is: "cover-off, sump-down", Message: "needs: cover-off, sump-down, was cover-off"},
		{Step: "lock", Field: "estimate", Was: "20 to 60, likely 30 min", Is: "20 to 45, likely 25 min", Message: "step lock: estimate"},
		{Step: "lock", Field: "hold_point", Is: "yes", Message: "step lock: hold_point: yes, was none"},
		{Step: "turn", Is: "Turn the engine by hand, twice", Message: "step turn added: Turn the engine by hand, twice"},
		{Step: "pulley", Was: "lock", Is: "turn", Message: "step pulley moved: after turn, was after lock"},
		{Step: "pulley", Field: "torque", Was: "1 fastener M18x1.5: 100 N·m + 180°", Is: "1 fastener M18x1.5: 100 N·m + 270°, with no pause between the stages", Message: "step pulley: torque"},
		{Step: "", Field: "title", Was: "Belt", Is: "Timing belt", Message: "title: Timing belt, was Belt"},
	}}
}

func fixtureFindings() []*bayholdv1.LintFinding {
	return []*bayholdv1.LintFinding{
		{File: "testdata/workshop.yaml", Line: 14, Rule: "caution-missing", Message: `procedure belt, step lock, cautions: it works by stored energy (its words: "tensioner"), and no caution STORED_ENERGY says so`},
		{File: "testdata/workshop.yaml", Line: 21, Rule: "no-wrench-covers", Fault: true, Message: "procedure belt, step pulley: no torque tool of the site covers 1000 N·m"},
		{File: "testdata/workshop.yaml", Rule: "unused-preparation", Message: "preparation sump-down is needed by nothing"},
		{Rule: "cycle", Fault: true, Message: "the steps lock and pulley wait for each other"},
	}
}

// fixtureFullSteps are steps that have everything a step can have.
func fixtureFullSteps() []*bayholdv1.Step {
	half, seven := 0.05, 7.0
	return []*bayholdv1.Step{
		{
			Id: "head-on", Title: "Fit gasket and head, tighten in stages",
			Instruction: "Oil the threads, not the seats. An interruption means new bolts.",
			Estimate:    &bayholdv1.Estimate{LowMinutes: 45, LikelyMinutes: 60, HighMinutes: 80},
			Unbroken:    true, JoinedToNext: true, WaitAfterMinutes: 90,
			Crew:  []*bayholdv1.Crew{{People: 2, Skills: []string{"engine", "lifting"}}},
			Tools: []*bayholdv1.ToolNeed{{ToolType: harbour + "/toolTypes/crane"}, {TorqueNm: 500}, {Purpose: "TORQUE", TorqueLowNm: 40, TorqueNm: 60}},
			Parts: []*bayholdv1.Part{{Id: "head-gasket", Title: "Head gasket", Quantity: 1, SingleUse: true}, {Id: "dowel", Title: "Dowel", Quantity: 2}, {Id: "sealant", Quantity: 1, SingleUse: true}},
			Torque: &bayholdv1.Torque{
				Fasteners: 10, Thread: "M11x1.5", PropertyClass: "10.9", SingleUse: true, Sequence: "from the middle outwards",
				Stages: []*bayholdv1.TorqueStage{{TorqueNm: 40}, {AngleDegrees: 90}, {AngleDegrees: 90}}, PeakNm: 180, Tolerance: 0.05,
				Drive: "1/2in", Adapter: &bayholdv1.TorqueAdapter{ExtensionMm: 50},
			},
			Checks: []*bayholdv1.Check{
				{Id: "flat", Title: "Distortion of the head", Unit: "mm", Min: new(float64), Max: &half},
				{Id: "count", Title: "Pieces of the set counted", Min: &seven, Max: &seven},
				{Id: "deep", Title: "Depth of the dowels", Unit: "mm", Min: &seven},
				{Id: "gap", Title: "Gap", Unit: "mm", Max: &half},
				{Id: "oil", Title: "Oil pressure", Unit: "bar"},
				{Id: "dry", Title: "No leaks"},
			},
			HoldPoint: true,
			Cautions: []*bayholdv1.Caution{
				{Signal: bayholdv1.Signal_SIGNAL_WARNING, Text: "The head weighs more than one person may lift: crane, and one who leads."},
				{Signal: bayholdv1.Signal_SIGNAL_NOTICE, Text: "No old bolt goes in again."},
			},
			After: []string{"faces-measured", "sump-down/pan-out"}, Before: []string{"lines-closed"},
			OnlyBefore: []string{harbour + "/preparations/ready"}, OnlyAfter: []string{harbour + "/preparations/chain-off"},
		},
		{Id: "cure", Title: "Let the sealant cure", Estimate: &bayholdv1.Estimate{LikelyMinutes: 60}, Unattended: true, Anytime: true},
		{
			Id: "lines-closed", Title: "Connect the lines", Estimate: &bayholdv1.Estimate{LikelyMinutes: 20},
			Crew:   []*bayholdv1.Crew{{People: 1}},
			Torque: &bayholdv1.Torque{Fasteners: 4, Stages: []*bayholdv1.TorqueStage{{TorqueNm: 24}}, Adapter: &bayholdv1.TorqueAdapter{ExtensionMm: -30, AngleDegrees: 45}},
		},
		{
			Id: "sensor-in", Title: "Fit the sensor", Estimate: &bayholdv1.Estimate{LikelyMinutes: 5}, Crew: []*bayholdv1.Crew{{People: 1}},
			Torque: &bayholdv1.Torque{Fasteners: 1, Thread: "M6", Stages: []*bayholdv1.TorqueStage{{TorqueNm: 9}}, Adapter: &bayholdv1.TorqueAdapter{ExtensionMm: 40, AngleDegrees: 90}},
		},
	}
}
