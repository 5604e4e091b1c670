package running

import (
	"cmp"
	"slices"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// Work is one job with what was recorded of it.
type Work struct {
	Network procedure.Network
	Places  []site.JobStep // where its steps stand in time
	Firm    bool           // whether the job is CONFIRMED
	Record  Record
	Usual   Usual // by which tightenings are judged whose step states no tolerance
}

// State is where a step stands.
type State string

// The states of a step.
const (
	Open     State = "OPEN" // not begun
	Running  State = "RUNNING"
	Paused   State = "PAUSED"
	Finished State = "FINISHED"
	Waived   State = "WAIVED"
)

// States lists every state.
func States() []State { return []State{Open, Running, Paused, Finished, Waived} }

// after gives the state that an act leads to.
var after = map[Act]State{Start: Running, Resume: Running, Pause: Paused, Finish: Finished}

// Index is the place of a step in the network; -1 if the job has no such step.
func (w Work) Index(step string) int {
	return slices.IndexFunc(w.Network.Steps, func(s procedure.NetStep) bool { return s.ID == step })
}

// State tells where a step stands.
func (w Work) State(step string) State {
	for _, v := range w.Record.Waivers {
		if v.Step == step {
			return Waived
		}
	}
	if last := w.last(step); last != nil {
		return after[last.Act]
	}
	return Open
}

// last is the last event of a step; nil if it was not begun.
func (w Work) last(step string) *Event {
	for i := len(w.Record.Events) - 1; i >= 0; i-- {
		if w.Record.Events[i].Step == step {
			return &w.Record.Events[i]
		}
	}
	return nil
}

// Run is the number of the run that a step is in, from 1; the coming one if it
// was not begun.
func (w Work) Run(step string) int {
	run := 1
	for _, e := range w.Record.Events {
		if e.Step == step {
			run = max(run, e.Run)
		}
	}
	return run
}

// Course is how the last run of a step went.
type Course struct {
	Start, Finish time.Time // Finish is zero while it is not finished
	// Worked are the stretches between pauses; the last one ends at Finish, or
	// is open, with a zero end, while the step runs.
	Worked []hours.Range
	// Technician began it.
	Technician string
}

// Course tells how the last run of a step went; zero if it was not begun.
func (w Work) Course(step string) Course {
	return CourseOf(w.Record.Events, step, w.Run(step))
}

// CourseOf tells how a run of a step went, from the events of its job.
func CourseOf(events []Event, step string, run int) Course {
	var out Course
	for _, e := range events {
		if e.Step != step || e.Run != run {
			continue
		}
		switch e.Act {
		case Start:
			out = Course{Start: e.At, Technician: e.Technician, Worked: []hours.Range{{Start: e.At}}}
		case Resume:
			out.Worked = append(out.Worked, hours.Range{Start: e.At})
		case Pause, Finish:
			if n := len(out.Worked); n > 0 && out.Worked[n-1].End.IsZero() {
				out.Worked[n-1].End = e.At
			}
			if e.Act == Finish {
				out.Finish = e.At
			}
		}
	}
	out.Worked = slices.DeleteFunc(out.Worked, func(r hours.Range) bool { return !r.End.IsZero() && r.Empty() })
	return out
}

// Signers is how many different people sign a step: everybody of a crew of two
// or more, and one at a hold point.
func Signers(s procedure.Step) int {
	people := 0
	for _, c := range s.Crew {
		people += c.People
	}
	switch {
	case people >= 2:
		return people
	case s.HoldPoint:
		return 1
	}
	return 0
}

// Signatures are those under the last run of a step that stand: one a person,
// none older than the last reading.
func (w Work) Signatures(step string) []SignOff {
	run := w.Run(step)
	seen := w.Newest(step)
	var out []SignOff
	for _, s := range w.Record.SignOffs {
		if s.Step != step || s.Run != run || s.Seen < seen {
			continue
		}
		if !slices.ContainsFunc(out, func(o SignOff) bool { return o.Technician == s.Technician }) {
			out = append(out, s)
		}
	}
	return out
}

// Newest is the last reading of a step's last run: what a signature sees; 0 if it
// has none.
func (w Work) Newest(step string) int64 {
	run, newest := w.Run(step), int64(0)
	for _, r := range w.Record.Readings {
		if r.Step == step && r.Run == run {
			newest = max(newest, r.ID)
		}
	}
	return newest
}

// Unsigned is how many signatures a step still lacks.
func (w Work) Unsigned(step string) int {
	i := w.Index(step)
	if i < 0 || w.State(step) == Waived {
		return 0
	}
	return max(0, Signers(w.Network.Steps[i].Step)-len(w.Signatures(step)))
}

// Done tells whether what follows a step may build on it: it is finished and
// signed, or waived.
func (w Work) Done(step string) bool {
	switch w.State(step) {
	case Waived:
		return true
	case Finished:
		return w.Unsigned(step) == 0
	}
	return false
}

// Progress is how far a job is.
type Progress struct {
	Steps, Done int
	Running     []string // ids of steps that run or are paused
	Closed      bool
}

// Progress tells how far the job is.
func (w Work) Progress() Progress {
	out := Progress{Steps: len(w.Network.Steps), Closed: w.Record.Closing != nil}
	for _, s := range w.Network.Steps {
		switch w.State(s.ID) {
		case Running, Paused:
			out.Running = append(out.Running, s.ID)
		case Finished, Waived:
			out.Done++
		}
	}
	return out
}

// order gives the steps by where they stand in time.
func (w Work) order() []string {
	places := slices.Clone(w.Places)
	slices.SortStableFunc(places, func(a, b site.JobStep) int { return cmp.Compare(a.Position, b.Position) })
	out := make([]string, 0, len(places))
	for _, p := range places {
		out = append(out, p.ID)
	}
	return out
}

// Next are the steps that nothing of the job itself stands against, in order.
func (w Work) Next(at time.Time) []string {
	var out []string
	for _, id := range w.order() {
		if w.State(id) == Open && len(w.against(id, at)) == 0 {
			out = append(out, id)
		}
	}
	return out
}
