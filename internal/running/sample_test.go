package running

import (
	"slices"
	"time"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// noon is a day far from any clock change.
var noon = time.Date(2031, 5, 14, 12, 0, 0, 0, time.UTC)

const job = 7

// bench is a job at a bench: what was recorded, and the clock.
type bench struct {
	Work
	scene Scene
	now   time.Time
	id    int64
}

func one(skills ...string) []procedure.Crew { return []procedure.Crew{{People: 1, Skills: skills}} }

// newBench lays out a job of eight steps: a cover off, locks in, two bolts in
// torque and angle by two people, locks out, turns by hand as a hold point, the
// cover on with a cure, the first start.
func newBench() *bench {
	low, high := 7.0, 7.0
	gap := 0.3
	locks := procedure.ToolNeed{Type: "locks"}
	wrench := procedure.ToolNeed{Purpose: "TORQUE", Torque: 90, TorqueLow: 50}
	steps := []procedure.Step{
		{ID: "cover-off", Title: "Cover off", Crew: one()},
		{ID: "locks-in", Title: "Locks in", Crew: one("timing"), Tools: []procedure.ToolNeed{locks}},
		{ID: "bolts", Title: "Bolts", Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}, {People: 1}},
			Torque: &procedure.Torque{Fasteners: 2, SingleUse: true, Tolerance: 0.05,
				Stages: []procedure.Stage{{Torque: 50}, {Angle: 90}}},
			Parts: []procedure.Part{{ID: "bolt", Title: "Bolt", Quantity: 2, SingleUse: true}, {ID: "oil", Title: "Oil", Quantity: 1}}},
		{ID: "locks-out", Title: "Locks out", Crew: one("timing"), Tools: []procedure.ToolNeed{locks},
			Checks: []procedure.Check{{ID: "count", Title: "Pieces", Unit: "pieces", Min: &low, Max: &high}}},
		{ID: "turns", Title: "Two turns by hand", Crew: one("timing"), HoldPoint: true,
			Checks: []procedure.Check{{ID: "free", Title: "No resistance"}, {ID: "gap", Title: "Gap", Unit: "mm", Max: &gap}}},
		{ID: "cover-on", Title: "Cover on", Crew: one(), WaitAfter: 60},
		{ID: "cure", Title: "Look at the bead", Mode: procedure.Unattended},
		{ID: "start", Title: "First start", Crew: one(), TurnsEngine: true},
	}
	b := &bench{now: noon}
	b.Firm, b.Usual = true, Usual{Torque: 0.04, Angle: 5}
	for i, s := range steps {
		if s.Mode == "" {
			s.Mode = procedure.Attended
		}
		id := "w/" + s.ID
		b.Network.Steps = append(b.Network.Steps, procedure.NetStep{ID: id, Owner: "w", Step: s})
		b.Places = append(b.Places, site.JobStep{ID: id, Title: s.Title, Position: i})
		if i > 0 {
			b.Network.Arcs = append(b.Network.Arcs, procedure.Arc{From: i - 1, To: i, Lag: steps[i-1].WaitAfter})
		}
	}
	b.Network.Holds = []procedure.NetHold{
		{Tool: locks, Steps: []int{1, 3}, Preparation: "locked"}, {Tool: wrench, Steps: []int{2}},
	}
	issued := &site.Issue{Technician: "ada", Job: job}
	b.scene = Scene{
		Job: job, Bay: "bay-1", Elsewhere: map[string]string{}, Zone: time.UTC,
		Booked: map[string][]string{"w/locks-in": {"LK-1"}, "w/locks-out": {"LK-1"}, "w/bolts": {"TW-1"}},
		Tools: map[string]Tool{
			"LK-1": {Tool: site.Tool{Tag: "LK-1", Condition: site.Serviceable, Home: "Cabinet"},
				Type: site.ToolType{ID: "locks", Purpose: site.Locking}, Issue: issued},
			"TW-1": {Tool: site.Tool{Tag: "TW-1", Condition: site.Serviceable, CalibratedUntil: noon.AddDate(1, 0, 0)},
				Type: site.ToolType{ID: "tw", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 100, Calibrated: true, Length: 400}, Issue: issued},
			"TW-9": {Tool: site.Tool{Tag: "TW-9", Condition: site.Serviceable, CalibratedUntil: noon.AddDate(-1, 0, 0)},
				Type: site.ToolType{ID: "tw", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 100, Calibrated: true}},
			"AG-1": {Tool: site.Tool{Tag: "AG-1", Condition: site.Serviceable}, Type: site.ToolType{ID: "ag", Purpose: site.Angle}},
		},
		Technicians: map[string]site.Technician{
			"ada": {ID: "ada", Skills: []string{"engine", "timing"}}, "ben": {ID: "ben", Skills: []string{"timing"}}, "cem": {ID: "cem"},
		},
	}
	return b
}

func (b *bench) entry(step, who string) Entry {
	b.id++
	b.now = b.now.Add(time.Minute)
	return Entry{ID: b.id, Step: step, Run: b.Run(step), Technician: who, At: b.now, RecordedAt: b.now, Actor: who}
}

// start begins a step or goes on with it, letting pass what a manager may if
// boss is set; it gives what stood against it.
func (b *bench) start(step, who string, boss bool) []Blocker {
	against := b.MayStart(step, who, b.now, b.scene)
	if len(against) > 0 && (!boss || slices.ContainsFunc(against, Blocker.Final)) {
		return against
	}
	act, run := Start, b.Run(step)
	switch b.State(step) {
	case Paused:
		act = Resume
	case Finished:
		run++
	}
	e := Event{Entry: b.entry(step, who), Act: act}
	e.Run = run
	if len(against) > 0 {
		o := Override{Entry: e.Entry, Act: Start, Against: against}
		b.Record.Overrides = append(b.Record.Overrides, o)
	}
	b.Record.Events = append(b.Record.Events, e)
	return nil
}

func (b *bench) pause(step, who string) []Blocker {
	against := b.MayPause(step)
	if len(against) == 0 {
		b.Record.Events = append(b.Record.Events, Event{Entry: b.entry(step, who), Act: Pause})
	}
	return against
}

func (b *bench) finish(step, who string, boss bool) []Blocker {
	against := b.MayFinish(step)
	if len(against) > 0 && (!boss || slices.ContainsFunc(against, Blocker.Final)) {
		return against
	}
	e := Event{Entry: b.entry(step, who), Act: Finish}
	if len(against) > 0 {
		b.Record.Overrides = append(b.Record.Overrides, Override{Entry: e.Entry, Act: Finish, Against: against})
	}
	b.Record.Events = append(b.Record.Events, e)
	return nil
}

func (b *bench) sign(step, who string) []Blocker {
	against := b.MaySign(step, who)
	if len(against) == 0 {
		b.Record.SignOffs = append(b.Record.SignOffs, SignOff{Entry: b.entry(step, who), Seen: b.Newest(step)})
	}
	return against
}

func (b *bench) measure(step string, m Measured) error {
	if against := b.MayRecord(step); len(against) > 0 {
		return refused(against[0])
	}
	r, err := b.Judge(step, m, b.now, b.scene)
	if err != nil {
		return err
	}
	at := r
	r.Entry = b.entry(step, "ada")
	r.Note = at.Note
	b.Record.Readings = append(b.Record.Readings, r)
	return nil
}

func (b *bench) tick(step, part string, quantity int, fasteners ...int) error {
	p := PartUsed{Part: part, Quantity: quantity, Fasteners: fasteners}
	if err := b.MayUse(step, p); err != nil {
		return err
	}
	p.Entry = b.entry(step, "ada")
	b.Record.Parts = append(b.Record.Parts, p)
	return nil
}

func (b *bench) waive(step string) []Blocker {
	against := b.MayWaive(step)
	if len(against) == 0 {
		b.Record.Waivers = append(b.Record.Waivers, Waiver{b.entry(step, "")})
	}
	return against
}

func (b *bench) close() []Blocker {
	against := b.MayClose(b.scene)
	if len(against) == 0 {
		b.Record.Closing = &Closing{b.entry("", "")}
	}
	return against
}

// give issues a tool to the job, or takes it back.
func (b *bench) give(tag string, out bool) {
	t := b.scene.Tools[tag]
	t.Issue = nil
	if out {
		t.Issue = &site.Issue{Technician: "ada", Job: job, IssuedAt: b.now}
	}
	b.scene.Tools[tag] = t
}
