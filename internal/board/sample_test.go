package board

import (
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
)

var lisbon = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		panic(err)
	}
	return zone
}()

// may is a time of May 2031 in Lisbon, which is an hour before UTC then.
func may(day, hour, minute int) time.Time {
	return time.Date(2031, 5, day, hour-1, minute, 0, 0, time.UTC)
}

func during(day, hour, minute, length int) hours.Range {
	start := may(day, hour, minute)
	return hours.Range{Start: start, End: start.Add(time.Duration(length) * time.Minute)}
}

// sample is a sheet that has everything a sheet can have. All invented.
func sample() workshop.Sheet {
	ref := site.ProcedureRef{ID: "chain", Version: 1}
	return workshop.Sheet{
		Site: site.Site{ID: "quay", Name: "Quay Engines"}, Zone: lisbon, Printed: may(9, 16, 30),
		Job: site.Job{
			ID: 12, Reference: "W-600", EngineFamily: "brill-four", Procedures: []site.ProcedureRef{ref}, State: site.Tentative,
			Planned: hours.Range{Start: may(12, 8, 0), End: may(13, 15, 0)}, Promise: may(13, 17, 0), ExpiresAt: may(11, 12, 0),
			Note: "Customer waits for a call before the cover comes off", Parts: sampleParts(),
		},
		Family: "Brill four", Bay: "Bay 1, two-post lift",
		Procedures: []workshop.PlannedProcedure{{ProcedureRef: ref, Title: "Renew the timing chain"}},
		Newest:     map[string]int{"chain": 2},
		Lines:      append(stripping(), fitting()...),
		Spans:      sampleSpans(),
	}
}

func sampleParts() []site.JobPart {
	return []site.JobPart{
		{ID: "cam-bolt", Title: "Cam bolt", Quantity: 6, State: site.PartHere, Steps: []string{"chain/cam-bolts"}},
		{ID: "chain-kit", Title: "Chain with guides", Quantity: 1, State: site.PartExpected, Expected: may(13, 10, 0), Steps: []string{"chain/cam-bolts"}},
		{ID: "crank-bolt", Title: "Crank bolt", Quantity: 1, State: site.PartOrdered, Steps: []string{"chain/crank-bolt"}},
		{ID: "gasket", Title: "Gasket of the timing cover", IfWorn: 1, Steps: []string{"cover-off/remove", "cover-off/refit"}},
	}
}

func sampleSpans() []workshop.SheetSpan {
	return []workshop.SheetSpan{
		{
			Tag: "LK-1", Name: "Brill locking set", Home: "Cabinet A", During: hours.Range{Start: may(12, 9, 0), End: may(13, 14, 0)},
			Pieces: []site.Piece{{Name: "crank pin", Count: 1}, {Name: "cam plate", Count: 2}}, Condition: site.Serviceable,
		},
		{Tag: "TW-1", Name: "Torque wrench 40-200", Home: "Cabinet D", During: during(13, 9, 0, 30), Condition: site.Serviceable, Calibrated: true, CalibratedUntil: may(22, 9, 45)},
		{Tag: "MU-1", Name: "Torque multiplier", During: during(13, 9, 30, 45), Condition: site.Quarantined, Calibrated: true, CalibratedUntil: may(13, 10, 0)},
		{Tag: "TW-1", Name: "Torque wrench 40-200", Home: "Cabinet D", During: during(13, 14, 0, 60), Condition: site.Serviceable, Calibrated: true, CalibratedUntil: may(22, 9, 45)},
		{Tag: "TW-9", Name: "Torque wrench 5-25", Home: "Cabinet D", During: during(13, 14, 0, 60), Condition: site.Serviceable, Calibrated: true},
	}
}

// stripping are the steps of the first day.
func stripping() []workshop.SheetLine {
	return []workshop.SheetLine{
		{
			Number: 1, ID: "cover-off/remove", Owner: "Timing cover off", Part: workshop.SetUp, During: during(12, 8, 0, 60),
			Step: procedure.Step{
				ID: "remove", Title: "Take the timing cover off", Estimate: procedure.Estimate{Low: 40, Likely: 60, High: 90},
				Instruction: "Longest bolt at the top.\nNothing is levered against the sealing face of the cover or of the block.",
				Mode:        procedure.Attended, Crew: []procedure.Crew{{People: 1, Skills: []string{"engine"}}},
				Parts: []procedure.Part{{ID: "gasket", Title: "Gasket of the timing cover", Quantity: 1}},
			},
			Cautions: []procedure.Caution{
				{Signal: procedure.Danger, Code: "LIFT_SUPPORT", Text: "Never under a load that a jack alone holds: stands under the maker's lifting points, before anything else."},
				{Signal: procedure.Warning, Code: "HOT", Text: "Let the engine cool."},
				{Signal: procedure.Cautn, Text: "Edges of the cover are sharp."},
				{Signal: procedure.Notice, Text: "Keep dirt out of the oil pan."},
			},
			People: []string{"Cem"}, Sign: 1,
		},
		{
			Number: 2, ID: "locked/fit-locks", Owner: "Valve timing locked", Part: workshop.SetUp, During: during(12, 16, 30, 17*60),
			Step: procedure.Step{
				ID: "fit-locks", Title: "Fit the locking set", Estimate: procedure.Estimate{Low: 60, Likely: 60, High: 60}, Mode: procedure.Attended,
				Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}},
				Checks: []procedure.Check{
					{ID: "in", Title: "Every lock goes in without force"}, {ID: "gap", Title: "Gap at the plate", Unit: "mm", Max: new(0.05)},
				},
			},
			People: []string{"Ada"}, Tools: []string{"LK-1"}, Sign: 1,
		},
	}
}

// fitting are the steps of the second day.
func fitting() []workshop.SheetLine {
	return []workshop.SheetLine{
		{
			Number: 3, ID: "chain/cam-bolts", Owner: "Renew the timing chain", During: during(13, 9, 0, 30), JoinedTo: 4,
			Step: procedure.Step{
				ID: "cam-bolts", Title: "Tighten the cam bolts", Estimate: procedure.Estimate{Low: 20, Likely: 30, High: 45}, Mode: procedure.Attended,
				Unbroken: true, JoinedToNext: true, Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}},
				Parts: []procedure.Part{{ID: "cam-bolt", Title: "Cam bolt", Quantity: 6, SingleUse: true}},
				Torque: &procedure.Torque{
					Fasteners: 6, Thread: "M10x1.25", Class: "10.9", SingleUse: true, Sequence: "crosswise from the middle outwards", Drive: "1/2in",
					Stages: []torque.Stage{{Torque: 100}, {Angle: 90}}, Tolerance: 0.1, Adapter: &torque.Adapter{Extension: 50, Angle: 0},
				},
			},
			// T·L/(L+E) with T 100 N·m, L 400 mm, E 50 mm is 88.89 N·m.
			Wrench: &workshop.SheetWrench{Tag: "TW-1", Name: "Torque wrench 40-200", Set: []float64{100 * 400 / 450., 0}},
			People: []string{"Ada"}, Tools: []string{"TW-1"}, Sign: 1,
		},
		{
			Number: 4, ID: "chain/crank-bolt", Owner: "Renew the timing chain", During: during(13, 9, 30, 45),
			Step: procedure.Step{
				ID: "crank-bolt", Title: "Tighten the crank bolt against the holder", Estimate: procedure.Estimate{Low: 30, Likely: 45, High: 60},
				Mode: procedure.Attended, Unbroken: true, Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}, {People: 1}},
				Parts:  []procedure.Part{{ID: "crank-bolt", Title: "Crank bolt", Quantity: 1, SingleUse: true}},
				Torque: &procedure.Torque{Fasteners: 1, Thread: "M16x1.5", Class: "10.9", Stages: []torque.Stage{{Torque: 100}, {Angle: 270}}, Peak: 500},
				Checks: []procedure.Check{{ID: "angle", Title: "Angle reached in one go", Unit: "°", Min: new(265.), Max: new(275.)}},
			},
			Cautions: []procedure.Caution{{Signal: procedure.Warning, Code: "TWO_PERSON", Text: "One holds against the turn; both stand clear of the bar's swing."}},
			Wrench:   &workshop.SheetWrench{Tag: "MU-1", Name: "Torque multiplier", Set: []float64{20, 0}, Driven: true, Ratio: 5},
			People:   []string{"Ada", "Cem"}, Tools: []string{"MU-1"}, Sign: 2,
		},
		{
			Number: 5, ID: "locked/take-locks-off", Owner: "Valve timing locked", Part: workshop.PutBack, During: during(13, 10, 15, 15),
			Step: procedure.Step{
				ID: "take-locks-off", Title: "Take the locking set off and count it", Estimate: procedure.Estimate{Low: 10, Likely: 15, High: 20},
				Mode: procedure.Attended, WaitAfter: 150, HoldPoint: true, Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}},
				Checks: []procedure.Check{{ID: "pieces", Title: "Pieces counted", Unit: "pieces", Min: new(3.), Max: new(3.)}, {ID: "turns", Title: "Two turns by hand without resistance"}},
			},
			HoldPoint: true, People: []string{"Ada"}, Tools: []string{"LK-1"}, Sign: 1,
		},
		{
			Number: 6, ID: "cover-off/cure", Owner: "Timing cover off", Part: workshop.PutBack, During: during(13, 13, 0, 60),
			Step: procedure.Step{ID: "cure", Title: "Let the sealant cure", Estimate: procedure.Estimate{Low: 60, Likely: 60, High: 60}, Mode: procedure.Unattended},
		},
		{
			Number: 7, ID: "cover-off/refit", Owner: "Timing cover off", Part: workshop.PutBack, During: during(13, 14, 0, 60),
			Step: procedure.Step{
				ID: "refit", Title: "Refit the timing cover", Estimate: procedure.Estimate{Low: 60, Likely: 60, High: 60}, Mode: procedure.Attended,
				Crew:   []procedure.Crew{{People: 1}},
				Torque: &procedure.Torque{Fasteners: 22, Thread: "M6x1", Class: "8.8", Stages: []torque.Stage{{Torque: 10}}},
			},
			Wrench: &workshop.SheetWrench{Tag: "TW-1", Name: "Torque wrench 40-200", Problem: "it begins at 40 N·m and would be set to 10 N·m"},
			People: []string{"Cem"}, Tools: []string{"TW-1", "TW-9"}, Sign: 1,
		},
	}
}
