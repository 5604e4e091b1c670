package running

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestNoOrderOfCommandsBreaksAnything types commands in any order, sensible or
// not, and holds after each what must hold always.
func TestNoOrderOfCommandsBreaksAnything(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := newBench()
		for range rapid.IntRange(1, 60).Draw(t, "commands") {
			before := len(b.Record.Events)
			closed := b.Record.Closing != nil
			typed := b.anything(t)
			if len(b.Record.Events) > before && b.turnedLocked() {
				t.Fatalf("%s turned a locked engine", typed)
			}
			if closed && (len(b.Record.Events) != before || b.Record.Closing == nil) {
				t.Fatalf("%s changed a closed job", typed)
			}
			for _, broken := range b.broken() {
				t.Fatalf("after %s: %s", typed, broken)
			}
		}
	})
}

// anything types one command.
func (b *bench) anything(t *rapid.T) string {
	ids := make([]string, 0, len(b.Network.Steps))
	for _, s := range b.Network.Steps {
		ids = append(ids, s.ID)
	}
	step := rapid.SampledFrom(ids).Draw(t, "step")
	who := rapid.SampledFrom([]string{"ada", "ben", "cem"}).Draw(t, "who")
	boss := rapid.IntRange(0, 3).Draw(t, "boss") == 0
	b.now = b.now.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "minutes")) * time.Minute)
	verb := rapid.SampledFrom([]string{
		"start", "start", "start", "pause", "finish", "finish", "sign", "sign", "do", "do", "do", "measure", "tick", "correct", "waive", "tool", "close",
	}).Draw(t, "verb")
	switch verb {
	case "start":
		b.start(step, who, boss)
	case "pause":
		b.pause(step, who)
	case "finish":
		b.finish(step, who, boss)
	case "sign":
		b.sign(step, who)
	case "do": // as it should be, so that the job gets on
		for _, id := range b.Next(b.now) {
			step = id
		}
		b.start(step, who, boss)
		for _, c := range b.Network.Steps[b.Index(step)].Step.Checks {
			_ = b.measure(step, Measured{Check: c.ID, Unit: c.Unit, Value: 0.1 + 6.9*float64(len(c.Unit)/6), Yes: answer(c.Unit)})
		}
		_ = b.tick(step, "bolt", 2)
		for _, m := range []Measured{torqueOf(1, 1, 50), torqueOf(2, 1, 50), torqueOf(1, 2, 90), torqueOf(2, 2, 90)} {
			_ = b.measure(step, m)
		}
		b.finish(step, who, boss)
		b.sign(step, who)
	case "measure":
		_ = b.measure(step, torqueOf(rapid.IntRange(0, 3).Draw(t, "fastener"), rapid.IntRange(0, 3).Draw(t, "stage"), rapid.Float64Range(-10, 120).Draw(t, "value")))
	case "tick":
		f := rapid.SliceOfN(rapid.IntRange(0, 3), 0, 2).Draw(t, "fasteners")
		_ = b.tick(step, rapid.SampledFrom([]string{"bolt", "oil", "none"}).Draw(t, "part"), rapid.IntRange(-1, 3).Draw(t, "quantity"), f...)
	case "correct":
		b.correctAny(t)
	case "waive":
		if boss {
			b.waive(step)
		}
	case "tool":
		b.give(rapid.SampledFrom([]string{"LK-1", "TW-1"}).Draw(t, "tool"), rapid.Bool().Draw(t, "out"))
	case "close":
		b.close()
	}
	return verb + " " + step + " by " + who
}

// answer is yes to a question, nothing to a measurement.
func answer(unit string) *bool {
	if unit == "" {
		return yes(true)
	}
	return nil
}

func (b *bench) correctAny(t *rapid.T) {
	if len(b.Record.Readings) == 0 {
		return
	}
	old := b.Record.Readings[rapid.IntRange(0, len(b.Record.Readings)-1).Draw(t, "reading")]
	if slices.ContainsFunc(b.Record.Readings, func(r Reading) bool { return r.Corrects == old.ID }) {
		return // the store takes one correction of each
	}
	m := Measured{Value: rapid.Float64Range(0, 100).Draw(t, "corrected")}
	if old.Kind == Check && old.Unit == "" {
		m = Measured{Yes: yes(rapid.Bool().Draw(t, "answer"))}
	}
	if r, err := b.Correct(old, m, b.scene); err == nil {
		e := b.entry(old.Step, old.Technician)
		r.ID, r.RecordedAt = e.ID, e.RecordedAt
		b.Record.Readings = append(b.Record.Readings, r)
	}
}

// broken tells what must never be, from the record alone and not by the rules
// that let it in.
func (b *bench) broken() []string {
	var out []string
	lets := func(step string, run int, act Act, kinds ...BlockerKind) bool {
		return slices.ContainsFunc(b.Record.Overrides, func(o Override) bool {
			return o.Step == step && o.Run == run && o.Act == act &&
				slices.ContainsFunc(o.Against, func(a Blocker) bool { return slices.Contains(kinds, a.Kind) })
		})
	}
	ended := map[string]bool{} // finished at some time before, in the replay
	running := map[string]string{}
	for i, e := range b.Record.Events {
		at := b.Index(e.Step)
		switch e.Act {
		case Start:
			k := at - 1 // the nearest that is not waived
			for k >= 0 && b.waivedBy(b.Network.Steps[k].ID, e.At) {
				k--
			}
			if k >= 0 && !ended[b.Network.Steps[k].ID] && !lets(e.Step, e.Run, Start, Before, Unsigned) {
				out = append(out, e.Step+" was begun before "+b.Network.Steps[k].ID+" was done")
			}
			fallthrough
		case Resume:
			for other, who := range running {
				if who == e.Technician && b.State(other) != Waived && b.Network.Steps[at].Step.Mode != "UNATTENDED" && b.Network.Steps[b.Index(other)].Step.Mode != "UNATTENDED" &&
					!lets(e.Step, e.Run, Start, Busy) {
					out = append(out, who+" works at two steps at once")
				}
			}
			running[e.Step] = e.Technician
		case Pause, Finish:
			if running[e.Step] == "" {
				out = append(out, e.Step+" was ended without running")
			}
			delete(running, e.Step)
			ended[e.Step] = ended[e.Step] || e.Act == Finish
		}
		if i > 0 && e.At.Before(b.Record.Events[i-1].At) {
			out = append(out, "time runs backwards")
		}
	}
	return append(out, b.brokenEnds(lets)...)
}

func (b *bench) waivedBy(step string, at time.Time) bool {
	return slices.ContainsFunc(b.Record.Waivers, func(v Waiver) bool { return v.Step == step && !v.At.After(at) })
}

// brokenEnds looks at what is done: signed by different people, with all
// readings inside or let pass.
func (b *bench) brokenEnds(lets func(string, int, Act, ...BlockerKind) bool) []string {
	var out []string
	for _, s := range b.Network.Steps {
		if !b.Done(s.ID) || b.State(s.ID) == Waived {
			continue
		}
		who := map[string]bool{}
		for _, g := range b.Record.SignOffs {
			if g.Step == s.ID && g.Run == b.Run(s.ID) {
				who[g.Technician] = true
			}
		}
		if len(who) < Signers(s.Step) {
			out = append(out, s.ID+" is done with too few signatures")
		}
		last := map[string]Reading{}
		for _, r := range b.Record.Readings {
			if r.Step == s.ID && r.Run == b.Run(s.ID) && r.Kind == Check {
				last[r.CheckID] = r
			}
		}
		for _, c := range s.Step.Checks {
			r, there := last[c.ID]
			if (!there || r.Outside() && r.Corrects == 0) && s.Step.HoldPoint && !lets(s.ID, b.Run(s.ID), Finish, ReadingMissing, ReadingOutside) {
				out = append(out, s.ID+" is passed without its check "+c.ID)
			}
		}
	}
	if b.Record.Closing != nil {
		for _, s := range b.Network.Steps {
			if !b.Done(s.ID) {
				out = append(out, "closed with "+s.ID+" open")
			}
		}
	}
	return out
}

// turnedLocked tells whether the last event turns the engine while the locking
// set is out for the job, fitted and not taken off.
func (b *bench) turnedLocked() bool {
	events := b.Record.Events
	if last := events[len(events)-1]; last.Step != "w/start" || last.Act != Start && last.Act != Resume {
		return false
	}
	in, off := false, false
	for _, e := range events {
		in = in || e.Step == "w/locks-in"
		if e.Step == "w/locks-out" {
			off = e.Act == Finish
		}
	}
	return in && !off && b.State("w/locks-in") != Waived && b.scene.Tools["LK-1"].Issue != nil
}
