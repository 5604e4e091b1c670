package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"bayhold/client/cli"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/workshop"
)

// The job that the demo runs from the counter to the end, in last week.
const (
	ranProcedure = "velde-belt-kit"
	ranReference = "W-2090"
)

// demoClock is the clock of the demo's server and of its commands. It can be set
// back, and forward to no later than now, so that a job of days is over in
// seconds; nothing that is recorded by it lies ahead.
type demoClock struct {
	skew time.Duration // of the machine's clock, in tests
	back atomic.Int64
}

// present is the time that it is.
func (c *demoClock) present() time.Time { return time.Now().Add(c.skew) }

// Now tells the time that the demo goes by.
func (c *demoClock) Now() time.Time { return c.present().Add(-time.Duration(c.back.Load())) }

// set lets it be a time that is over; it never runs ahead of the real one.
func (c *demoClock) set(t time.Time) { c.back.Store(int64(max(0, c.present().Sub(t)))) }

// ran is the job that the demo runs.
type ran struct {
	*show
	id    int64
	drawn []string // tools
}

// runJob books a job in last week, draws its tools, does its steps, has one of
// them run over, and closes it, all at the speed of the machine. The clock is
// right again afterwards.
func (s *show) runJob() error {
	monday, err := lastMonday(s.clock.present())
	if err != nil {
		return err
	}
	defer s.clock.set(s.clock.present())
	s.clock.set(monday.Add(-10 * time.Minute))
	fmt.Fprint(s.out, "\n--- A job from the counter to its end. The clock of this server is set back to\nMonday of last week, and from now on runs from act to act.\n")
	at := func(t time.Time) string { return t.Format("2006-01-02 15:04") }
	if err := s.act(scene{"A belt kit is booked for eight o'clock, with a hand-back promised for four.", manager,
		[]string{"job", "book", "--reference", ranReference, "--procedure", ranProcedure, "--from", at(monday), "--promise", at(monday.Add(8 * time.Hour))}, "", exitDone}); err != nil {
		return err
	}
	r := &ran{show: s}
	if r.id, err = r.find(monday); err != nil {
		return err
	}
	rec, err := s.shop.JobRecord(s.ctx, demoSite, r.id)
	if err != nil {
		return err
	}
	first := r.people(rec, rec.Lines[0].ID)[0]
	for _, c := range []scene{
		{"What is the first technician's day?", manager, []string{"my", "day", "--as", first, "--day", monday.Format("2006-01-02")}, "", exitDone},
		{"Somebody is too quick with the locking pins, and learns every reason why not:", manager,
			[]string{"step", "start", r.step("locks-in"), "--as", r.people(rec, find(rec, "locks-in"))[0]}, "", exitAtOdds},
		{"The tools are drawn against the job.", manager, append([]string{"tool", "issue", "--to", first, "--job", fmt.Sprint(r.id)}, r.tags(rec)...), "", exitDone},
	} {
		if err := s.act(c); err != nil {
			return err
		}
	}
	r.drawn = r.tags(rec)
	fmt.Fprintln(s.out, "\n--- The steps are done one after the other, each begun, recorded and finished as\na technician would.")
	if err := r.steps(); err != nil {
		return err
	}
	return r.end()
}

// find is the number of the job.
func (r *ran) find(monday time.Time) (int64, error) {
	list, err := r.shop.Jobs(r.ctx, demoSite, workshop.Span{During: hours.Range{Start: monday.UTC(), End: monday.UTC().Add(time.Hour)}})
	for _, j := range list {
		if j.Reference == ranReference {
			return j.ID, nil
		}
	}
	if err == nil {
		err = fault.New(fault.Internal, "DEMO", "the demo went astray: it does not find the job %s that it booked", ranReference)
	}
	return 0, err
}

// step names a step of the job as people type it.
func (r *ran) step(id string) string { return fmt.Sprintf("%d/%s", r.id, id) }

// find gives the whole id of a step by its last part.
func find(rec workshop.JobRecord, last string) string {
	for _, l := range rec.Lines {
		if strings.HasSuffix(l.ID, "/"+last) {
			return l.ID
		}
	}
	return last
}

// people are the technicians of a step, by their ids.
func (r *ran) people(rec workshop.JobRecord, step string) []string {
	var out []string
	i := slices.IndexFunc(rec.Lines, func(l workshop.SheetLine) bool { return l.ID == step })
	for id, name := range rec.Names {
		if i >= 0 && slices.Contains(rec.Lines[i].People, name) {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	if len(out) == 0 {
		out = []string{technicianID}
	}
	return out
}

// tags are the tools that are booked for the job.
func (r *ran) tags(rec workshop.JobRecord) []string {
	var out []string
	for _, s := range rec.Spans {
		if !slices.Contains(out, s.Tag) {
			out = append(out, s.Tag)
		}
	}
	return out
}

// steps does every step of the job where it stands in time.
func (r *ran) steps() error {
	for {
		rec, err := r.shop.JobRecord(r.ctx, demoSite, r.id)
		if err != nil {
			return err
		}
		next := -1
		for i, l := range rec.Lines {
			open := rec.Steps[i].State == running.Open
			if open && (next < 0 || l.During.Start.Before(rec.Lines[next].During.Start)) {
				next = i
			}
		}
		if next < 0 {
			return nil
		}
		if err := r.do(rec, rec.Lines[next]); err != nil {
			return err
		}
	}
}

// do does one step: it is begun when it should be, recorded, signed, finished.
func (r *ran) do(rec workshop.JobRecord, l workshop.SheetLine) error {
	name, who := r.step(l.ID), r.people(rec, l.ID)
	if l.During.Start.After(r.clock.Now()) {
		r.clock.set(l.During.Start)
	}
	for _, tag := range r.tags(rec) {
		if slices.Contains(r.drawn, tag) {
			continue
		}
		r.drawn = append(r.drawn, tag) // a repair took another one
		if err := r.quiet("tool", "issue", tag, "--to", who[0], "--job", fmt.Sprint(r.id)); err != nil {
			return err
		}
	}
	if err := r.quiet("step", "start", name, "--as", who[0]); err != nil {
		return err
	}
	if strings.HasSuffix(l.ID, "/idlers-swapped") {
		if err := r.overrun(l, who[0]); err != nil {
			return err
		}
	}
	r.clock.set(r.ends(l))
	for _, p := range l.Step.Parts {
		if !p.SingleUse {
			continue
		}
		if err := r.quiet("step", "part", name, fmt.Sprintf("%s=%d", p.ID, p.Quantity), "--as", who[0]); err != nil {
			return err
		}
	}
	if err := r.measure(l, name, who[0]); err != nil {
		return err
	}
	if err := r.quiet("step", "finish", name, "--as", who[0]); err != nil {
		return err
	}
	for i := range running.Signers(l.Step) {
		if err := r.quiet("step", "sign", name, "--as", who[i%len(who)]); err != nil {
			return err
		}
	}
	fmt.Fprintf(r.out, "%s  %-12s  %s\n", r.clock.Now().In(rec.Zone).Format("Mon 15:04"), who[0], l.Step.Title)
	return nil
}

// ends is when a step ends by the plan as it is now.
func (r *ran) ends(l workshop.SheetLine) time.Time {
	rec, err := r.shop.JobRecord(r.ctx, demoSite, r.id)
	if err != nil {
		return l.During.End
	}
	i := slices.IndexFunc(rec.Lines, func(o workshop.SheetLine) bool { return o.ID == l.ID })
	return rec.Lines[i].During.End
}

// overrun lets a step take longer, and shows what that breaks.
func (r *ran) overrun(l workshop.SheetLine, who string) error {
	r.clock.set(r.clock.Now().Add(15 * time.Minute))
	for _, c := range []scene{
		{"How was that to be tightened?", manager, []string{"step", "show", r.step("idlers-swapped"), "--as", who}, "", exitDone},
		{"A bolt will not move. What does that break, and whom must the manager ring?", manager,
			[]string{"job", "delay", r.step("idlers-swapped"), "+5h", "--as", who, "--reason", "a bolt will not move", "--book"}, "", exitDone},
	} {
		if err := r.act(c); err != nil {
			return err
		}
	}
	fmt.Fprintln(r.out)
	return nil
}

// measure records checks and tightenings; at the turns by hand a check fails
// first, and bars the way until it is put right.
func (r *ran) measure(l workshop.SheetLine, name, who string) error {
	if strings.HasSuffix(l.ID, "/hand-turns") {
		short := r.step("hand-turns")
		for _, c := range []scene{
			{"A hold point. A pin does not drop in: that is kept, and nobody passes.", manager,
				[]string{"step", "check", short, "pins-drop-in=no", "--as", who, "--note", "pump pin two teeth off"}, "", exitDone},
			{"", manager, []string{"step", "finish", short, "--as", who}, "", exitAtOdds},
		} {
			if err := r.act(c); err != nil {
				return err
			}
		}
		fmt.Fprintln(r.out, "\n(The belt is set anew; then everything is as it should be.)")
	}
	if len(l.Step.Checks) > 0 {
		args := []string{"step", "check", name, "--as", who}
		for _, c := range l.Step.Checks {
			value := c.ID + "=yes"
			if c.Unit != "" {
				value = fmt.Sprintf("%s=%g%s", c.ID, middle(c.Min, c.Max), c.Unit)
			}
			args = append(args, value)
		}
		if err := r.quiet(args...); err != nil {
			return err
		}
	}
	if l.Step.Torque == nil {
		return nil
	}
	return r.quiet("step", "read", name, "--clicked", "--as", who)
}

// middle is a value inside limits.
func middle(low, high *float64) float64 {
	switch {
	case low != nil && high != nil:
		return (*low + *high) / 2
	case low != nil:
		return *low
	case high != nil:
		return *high
	}
	return 1
}

// quiet runs a command that the show does not print; one that fails is printed.
func (r *ran) quiet(args ...string) error {
	var out bytes.Buffer
	env := map[string]string{"BAYHOLD_SERVER": r.server, "XDG_STATE_HOME": r.dir, "BAYHOLD_TOKEN": r.tokens[manager]}
	code := cli.Run(r.ctx, args, cli.Streams{In: strings.NewReader(""), Out: &out, Err: &out}, func(key string) string { return env[key] }, r.clock.Now)
	if code == exitDone {
		return r.ctx.Err()
	}
	_, _ = io.Copy(os.Stdout, &out)
	return fault.New(fault.Internal, "DEMO", "the demo went astray: %q ended with %d", strings.Join(args, " "), code)
}

// end brings the tools back, closes the job and keeps its record.
func (r *ran) end() error {
	for _, c := range []scene{
		{"Everything is done and signed; the tools are still out.", manager, []string{"job", "close", fmt.Sprint(r.id)}, "", exitAtOdds},
		{"They are counted and back,", manager, append([]string{"tool", "return", "--complete", "--done"}, r.drawn...), "", exitDone},
		{"and the job is over.", manager, []string{"job", "close", fmt.Sprint(r.id), "--note", "handed over"}, "", exitDone},
	} {
		if err := r.act(c); err != nil {
			return err
		}
	}
	fmt.Fprintf(r.out, "\n(bayhold job record %d tells later who did what, with which tool under which\ncertificate. The clock is right again.)\n", r.id)
	return nil
}

// lastMonday is eight o'clock on Monday of last week.
func lastMonday(now time.Time) (time.Time, error) {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return now, err
	}
	now = now.In(zone)
	monday := now.AddDate(0, 0, -7-(int(now.Weekday())+6)%7)
	return time.Date(monday.Year(), monday.Month(), monday.Day(), 8, 0, 0, 0, zone), nil
}
