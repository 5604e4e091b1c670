package workshop

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Bounds of the own time of a record. Clocks of two machines differ a little;
// work without a connection is sent within days.
const (
	maxAhead  = 5 * time.Minute
	maxBehind = 14 * 24 * time.Hour
)

// Told is who tells what was done, and when it was.
type Told struct {
	Technician string    // slug; empty: nobody's own name
	At         time.Time // own time of the record; zero: now
	Note       string
}

// check notes what is wrong with it, and fills in the time.
func (t *Told) check(act Act, now time.Time) error {
	var fs fault.Fields
	if t.At.IsZero() {
		t.At = now
	}
	t.At = t.At.UTC().Truncate(time.Microsecond)
	switch {
	case t.At.After(now.Add(maxAhead)):
		fs.Add("at", "lies ahead (it is %s now): is this machine's clock right?", now.Format(time.RFC3339))
	case t.At.Before(now.Add(-maxBehind)):
		fs.Add("at", "is more than 14 days ago: a record is sent within that")
	}
	checkText(&fs, "note", t.Note, false)
	if err := fs.Err("RECORD", "it cannot be recorded so"); err != nil {
		return err
	}
	if t.Technician == "" {
		t.Technician = act.Caller.Technician
	}
	return access.OwnName(act.Caller, t.Technician)
}

// entry is the line of a record that it makes.
func (t Told) entry(act Act, step string, run int) running.Entry {
	return running.Entry{Step: step, Run: run, Technician: t.Technician, At: t.At, Actor: act.Caller.User, Note: t.Note}
}

// managed refuses what only a manager may do.
func managed(act Act, what string) error {
	if act.Caller.Site == "" || act.Caller.Has(access.Manager) {
		return nil
	}
	return fault.New(fault.Forbidden, "ROLE", "only a manager may %s: ask one", what)
}

// bench is one job as those at the engine see it.
type bench struct {
	running.Work
	scene    running.Scene
	job      site.Job
	bookings []site.Booking
	// before and after are what the act at hand changes, for the log.
	before, after map[string]any
}

// bench reads a job with what was recorded of it and what is around it.
func (w *Workshop) bench(ctx context.Context, r store.Reader, job site.Job, now time.Time) (*bench, error) {
	b := &bench{job: job, before: map[string]any{}, after: map[string]any{}}
	net, err := networkOf(ctx, r, job)
	if err != nil {
		return nil, err
	}
	b.Network, b.Places, b.Firm = net, job.Steps, job.State == site.Confirmed
	if b.Record, err = r.Record(ctx, job.ID); err != nil {
		return nil, err
	}
	rules, err := readRules(ctx, r)
	if err != nil {
		return nil, err
	}
	b.Usual = running.Usual(rules.policy().Joint)
	if b.bookings, err = r.Bookings(ctx, store.BookingFilter{Job: job.ID, Now: now}); err != nil {
		return nil, err
	}
	b.scene = running.Scene{
		Job: job.ID, Booked: map[string][]string{}, Tools: map[string]running.Tool{},
		Technicians: map[string]site.Technician{}, Elsewhere: map[string]string{},
	}
	s, err := r.Site(ctx)
	if err != nil {
		return nil, err
	}
	if b.scene.Zone, err = time.LoadLocation(s.TimeZone); err != nil {
		return nil, err
	}
	for _, k := range b.bookings {
		switch k.Kind {
		case site.KindBay:
			b.scene.Bay = k.Resource
		case site.KindTool:
			for _, step := range k.Steps {
				if !slices.Contains(b.scene.Booked[step], k.Resource) {
					b.scene.Booked[step] = append(b.scene.Booked[step], k.Resource)
				}
			}
		}
	}
	if err := b.people(ctx, r); err != nil {
		return nil, err
	}
	return b, b.tools(ctx, r)
}

// tools reads every tool with who has it.
func (b *bench) tools(ctx context.Context, r store.Reader) error {
	types, err := typesByID(ctx, r)
	if err != nil {
		return err
	}
	tools, err := r.Tools(ctx, Page{})
	if err != nil {
		return err
	}
	for _, t := range tools {
		b.scene.Tools[t.Tag] = running.Tool{Tool: t, Type: types[t.Type]}
	}
	out, err := r.Issues(ctx, store.IssueFilter{Open: true})
	for _, i := range out {
		t := b.scene.Tools[i.Tool]
		t.Issue = &i
		b.scene.Tools[i.Tool] = t
	}
	return err
}

// people reads the technicians, and who works on what step of another job.
func (b *bench) people(ctx context.Context, r store.Reader) error {
	list, err := r.Technicians(ctx, Page{})
	if err != nil {
		return err
	}
	for _, t := range list {
		b.scene.Technicians[t.ID] = t
	}
	busy, err := r.RunningSteps(ctx, "")
	if err != nil {
		return err
	}
	nets := map[int64]procedure.Network{}
	for _, s := range busy {
		if s.Job == b.job.ID || s.Technician == "" {
			continue
		}
		if _, read := nets[s.Job]; !read {
			if nets[s.Job], err = r.Work(ctx, s.Job); err != nil {
				return err
			}
		}
		other := running.Work{Network: nets[s.Job]}
		if i := other.Index(s.Step); i >= 0 && nets[s.Job].Steps[i].Step.Mode != procedure.Unattended {
			b.scene.Elsewhere[s.Technician] = fmt.Sprintf("%d/%s", s.Job, s.Step)
		}
	}
	return nil
}

// step finds a step by its id, by its last part, or by what either begins with,
// if one step only does.
func (b *bench) step(word string) (string, error) {
	var matches []string
	for _, s := range b.Network.Steps {
		short := s.ID[strings.LastIndex(s.ID, "/")+1:]
		if s.ID == word || short == word && b.only(short) {
			return s.ID, nil
		}
		if strings.HasPrefix(s.ID, word) || strings.HasPrefix(short, word) {
			matches = append(matches, s.ID)
		}
	}
	switch {
	case len(matches) == 1 && word != "":
		return matches[0], nil
	case len(matches) > 1 && word != "":
		f := fault.New(fault.Invalid, "STEP", "job %d has %d steps that begin with %q: type more of it", b.job.ID, len(matches), word)
		for _, id := range matches {
			f.Fields = append(f.Fields, fault.Field{Path: "step", Message: id})
		}
		return "", f
	}
	return "", fault.New(fault.NotFound, "NOT_FOUND", "job %d has no step %q: look at the job to see its steps", b.job.ID, word)
}

// only tells whether one step alone has that last part.
func (b *bench) only(short string) bool {
	n := 0
	for _, s := range b.Network.Steps {
		if strings.HasSuffix(s.ID, "/"+short) {
			n++
		}
	}
	return n == 1
}

// refusal is the fault that names each reason; nil if there is none.
func refusal(what string, against []running.Blocker) error {
	if len(against) == 0 {
		return nil
	}
	reason := "AGAINST"
	if len(against) == 1 {
		reason = string(against[0].Kind)
	}
	f := fault.New(fault.Precondition, reason, "%s", what)
	for _, b := range against {
		f.Fields = append(f.Fields, fault.Field{Path: string(b.Kind), Message: b.Message})
	}
	return f
}

// inOrder refuses a record whose own time lies before what was recorded of the
// step already: somebody else recorded something meanwhile.
func (b *bench) inOrder(step string, at time.Time) error {
	for _, e := range b.Record.Events {
		if e.Step == step && at.Before(e.At) {
			return fault.New(fault.Precondition, "OUT_OF_ORDER",
				"%s of job %d: %s recorded %s at %s, which is later than the %s of this record: look at the step, and settle it with them",
				step, b.job.ID, e.Actor, strings.ToLower(string(e.Act)), b.clock(e.At), b.clock(at))
		}
	}
	return nil
}

func (b *bench) clock(t time.Time) string { return t.In(b.scene.Zone).Format("Mon 02 Jan 15:04:05") }

// place is where a step stands in the plan.
func (b *bench) place(step string) hours.Range {
	for _, p := range b.job.Steps {
		if p.ID == step {
			return p.During
		}
	}
	return hours.Range{}
}

// move puts a step where it really was, and lets the job reach to there.
func (b *bench) move(ctx context.Context, tx *store.Tx, step string, during hours.Range) error {
	steps := slices.Clone(b.job.Steps)
	for i := range steps {
		if steps[i].ID == step {
			steps[i].During = during
		}
	}
	planned := b.job.Planned
	if during.Start.Before(planned.Start) {
		planned.Start = during.Start
	}
	if during.End.After(planned.End) {
		planned.End = during.End
	}
	b.tell("Steps."+step, b.place(step), during)
	b.tell("Planned", b.job.Planned, planned)
	b.job.Steps, b.job.Planned, b.Places = steps, planned, steps
	return tx.SetPlaces(ctx, b.job.ID, planned, steps)
}

// tell notes for the log what an act changes; nil is what is not there.
func (b *bench) tell(what string, was, is any) {
	if was != nil {
		b.before[what] = was
	}
	if is != nil {
		b.after[what] = is
	}
}

// log notes an event of the job, with the technician and tools that it touches
// and what was told before.
func (b *bench) log(tx *store.Tx, kind string, touched []string, details map[string]any) {
	details["reference"] = b.job.Reference
	if len(b.before)+len(b.after) > 0 {
		details["before"], details["after"] = b.before, b.after
	}
	tx.Log(store.Event{Kind: kind, Subject: fmt.Sprintf("jobs/%d", b.job.ID), Touched: touched, Details: details})
}

// touching names the technician of a record, and tools.
func touching(technician string, tags ...string) []string {
	var out []string
	if technician != "" {
		out = append(out, store.ResourceSubject(site.KindTechnician, technician))
	}
	for _, tag := range tags {
		if tag != "" {
			out = append(out, store.ResourceSubject(site.KindTool, tag))
		}
	}
	return out
}
