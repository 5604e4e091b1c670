package workshop

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Limits of a question about leaves.
const (
	maxLeave      = 90 // days
	maxLeaveReach = 26 * 7
	usualReach    = 8 * 7
	usualLeaves   = 5
	maxLeaves     = 100
)

// LeaveQuestion asks when a tool could be away for calibration.
type LeaveQuestion struct {
	Tag         string
	Days        int        // whole ones, the first included
	From, Until hours.Date // of the first day; zero: today, and eight weeks later
	Most        int        // answers; 0: 5
}

func (q *LeaveQuestion) check(today hours.Date) error {
	q.Most = cmp.Or(q.Most, usualLeaves)
	if q.From == (hours.Date{}) {
		q.From = today
	}
	if q.Until == (hours.Date{}) {
		q.Until = q.From.AddDays(usualReach)
	}
	var fs fault.Fields
	if q.Days < 1 || q.Days > maxLeave {
		fs.Add("days", "must be 1 to %d", maxLeave)
	}
	if q.Most < 1 || q.Most > maxLeaves {
		fs.Add("most", "must be 1 to %d", maxLeaves)
	}
	switch {
	case !q.From.Valid() || !q.Until.Valid():
		fs.Add("from_date", "must be days such as 2026-12-01")
	case q.From.Compare(today) < 0:
		fs.Add("from_date", "%s has been: today is %s", q.From, today)
	case q.Until.Compare(q.From) < 0:
		fs.Add("until_date", "must not lie before %s", q.From)
	case q.From.AddDays(maxLeaveReach).Compare(q.Until) < 0:
		fs.Add("until_date", "must lie within %d days of %s", maxLeaveReach, q.From)
	}
	return fs.Err("LEAVE", "the question cannot be answered")
}

// LeaveOption is a time for a tool to be away, and what that does.
type LeaveOption struct {
	calibration.Leave
	Missing hours.Range    // for which it is missed
	Hit     []site.Booking // of it in that time, by start
	Jobs    []ArrangedJob  // that change
	Reasons []string       // in words
}

// because adds a reason, once.
func (o *LeaveOption) because(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(o.Reasons, text) {
		o.Reasons = append(o.Reasons, text)
	}
}

// LeaveAnswer is when a tool could be away, the best first.
type LeaveAnswer struct {
	Options          []LeaveOption
	CalibratedUntil  time.Time
	Starts, LookedAt int
}

// FindLeaves tells when a tool could be away for calibration with the least harm
// to what is booked. It writes nothing. Where the time is up before every start
// was looked at, those with the fewest bookings in the way have been.
func (w *Workshop) FindLeaves(ctx context.Context, slug string, q LeaveQuestion) (LeaveAnswer, error) {
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*leaveSearch, error) { return w.newLeaveSearch(ctx, r, q) })
	if err != nil {
		return LeaveAnswer{}, err
	}
	search, cancel := context.WithTimeout(ctx, 3*thinking)
	defer cancel()
	if err := s.look(search); err != nil {
		return LeaveAnswer{}, err
	}
	return s.answer(), ctx.Err()
}

// leaveSearch looks at one start after the other.
type leaveSearch struct {
	*mender
	q        LeaveQuestion
	now      time.Time
	tool     site.Tool
	unit     int32 // of the tool
	twin     int32 // the tool as it comes back: in calibration
	bookings []site.Booking
	leaves   map[int64]bool // jobs by which tools are away
	whole    *plan.Plan     // what stands
	unwell   map[int]bool
	options  []LeaveOption
	known    []bool // options whose harm is known
}

func (w *Workshop) newLeaveSearch(ctx context.Context, r store.Reader, q LeaveQuestion) (*leaveSearch, error) {
	s := &leaveSearch{now: minuteUp(w.Now()), unit: -1}
	zone, err := zoneOf(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := q.check(hours.DateOf(s.now, zone)); err != nil {
		return nil, err
	}
	s.q = q
	if s.tool, _, err = calibrated(ctx, r, q.Tag); err != nil {
		return nil, err
	}
	if s.tool.Condition == site.Retired || s.tool.Condition == site.Lost {
		return nil, fault.New(fault.Precondition, "CONDITION", "tool %q is %s: it cannot be sent away", q.Tag, s.tool.Condition)
	}
	horizon := q.Until.AddDays(q.Days).At(0, zone).Add(lookAhead).UTC()
	if s.bookings, err = r.Bookings(ctx, store.BookingFilter{
		Now: s.now, Refs: []Ref{{Kind: site.KindTool, ID: q.Tag}}, During: hours.Range{Start: s.now, End: horizon},
	}); err != nil {
		return nil, err
	}
	if s.leaves, err = r.LeaveJobs(ctx); err != nil {
		return nil, err
	}
	if s.mender, err = w.newMender(ctx, r, RepairQuestion{Horizon: horizon}); err != nil {
		return nil, err
	}
	s.prepare()
	for _, l := range calibration.Leaves(q.From, q.Until, q.Days, zone, s.now, s.open) {
		l.During = hours.Range{Start: l.During.Start.UTC(), End: l.During.End.UTC()}
		o := LeaveOption{Leave: l, Missing: l.Missing(s.tool.CalibratedUntil, s.now)}
		for _, b := range s.bookings {
			if b.During.Start.Before(o.Missing.End) && o.Missing.Start.Before(b.During.End) {
				o.Hit = append(o.Hit, b)
			}
		}
		s.options = append(s.options, o)
	}
	return s, nil
}

// prepare finds the tool among the units, gives it a twin, and notes the jobs
// that cannot stand even without the leave.
func (s *leaveSearch) prepare() {
	f := s.fleet
	for i, ref := range f.refs {
		if ref == (Ref{Kind: site.KindTool, ID: s.q.Tag}) {
			s.unit = int32(i)
		}
	}
	twin := f.units[s.unit]
	twin.Expiry = plan.Never
	f.units, f.refs = append(f.units, twin), append(f.refs, f.refs[s.unit])
	s.twin = int32(len(f.units) - 1)
	f.types[s.twin] = f.types[s.unit]
	s.whole = f.whole(s.standing)
	s.unwell = map[int]bool{}
	for _, v := range plan.Validate(&f.problem, s.whole) {
		if v.Unit != int(s.unit) || v.Rule != "EXPIRY" {
			s.unwell[s.jobOf(v)] = true
		}
	}
}

// jobOf tells which job a violation is about; -1 for none.
func (s *leaveSearch) jobOf(v plan.Violation) int {
	p := &s.fleet.problem
	switch {
	case v.Step >= 0:
		return int(p.Steps[v.Step].Job)
	case v.Claim >= 0:
		return int(p.Steps[p.Claims[v.Claim].Steps[0]].Job)
	}
	return -1
}

// open tells whether a technician is there on a day to hand the tool over.
func (s *leaveSearch) open(day hours.Date) bool {
	f := s.fleet
	from, to := f.ceil(day.At(0, f.zone)), f.floor(day.AddDays(1).At(0, f.zone))
	for i, ref := range f.refs {
		if ref.Kind != site.KindTechnician {
			continue
		}
		for _, w := range f.units[i].Open {
			w.Start, w.End = max(w.Start, from), min(w.End, to)
			if w.Start < w.End && !slices.ContainsFunc(f.units[i].Shut, func(b plan.Blocked) bool {
				return b.Start <= w.Start && w.End <= b.End
			}) {
				return true
			}
		}
	}
	return false
}

// look works out the harm of the options: of those without a booking in the way
// at once, of the others one by one until there is no time left.
func (s *leaveSearch) look(ctx context.Context) error {
	s.known = make([]bool, len(s.options))
	clean := 0
	var order []int
	for i := range s.options {
		if len(s.options[i].Hit) == 0 {
			s.known[i] = true
			clean++
		} else {
			order = append(order, i)
		}
	}
	if clean >= s.q.Most {
		return nil // the others are no better, whatever their harm is
	}
	due := s.tool.CalibratedUntil
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(len(s.options[a].Hit), len(s.options[b].Hit)),
			cmp.Compare(s.options[a].Waste(due), s.options[b].Waste(due)))
	})
	for n, i := range order {
		if n > 0 && ctx.Err() != nil {
			return nil
		}
		if err := s.weigh(ctx, &s.options[i]); err != nil {
			return err
		}
		// What was broken off half-way tells too much harm; of one start that
		// is better than no answer.
		s.known[i] = n == 0 && clean == 0 || ctx.Err() == nil
	}
	return nil
}

// answer gives the best options whose harm is known.
func (s *leaveSearch) answer() LeaveAnswer {
	out := LeaveAnswer{CalibratedUntil: s.tool.CalibratedUntil, Starts: len(s.options)}
	for i, o := range s.options {
		if s.known[i] {
			out.Options = append(out.Options, o)
		}
	}
	out.LookedAt = len(out.Options)
	better := calibration.CompareLeaves(s.tool.CalibratedUntil)
	slices.SortStableFunc(out.Options, func(a, b LeaveOption) int { return better(a.Leave, b.Leave) })
	out.Options = out.Options[:min(len(out.Options), s.q.Most)]
	for i := range out.Options {
		out.Options[i].Reasons = append(s.explain(out.Options[i]), out.Options[i].Reasons...)
	}
	return out
}

// explain says in words what an option does.
func (s *leaveSearch) explain(o LeaveOption) []string {
	var out []string
	due := s.tool.CalibratedUntil
	switch days := int(o.Waste(due).Hours() / 24); {
	case days == 0 && !due.IsZero():
		out = append(out, "it leaves as its calibration ends")
	case due.IsZero() || !due.After(s.now):
		out = append(out, "it is out of calibration: nothing can be booked with it until it is back")
	case due.Before(o.During.Start):
		out = append(out, fmt.Sprintf("its calibration ends %d days before it leaves, and it lies idle from then", days))
	default:
		out = append(out, fmt.Sprintf("it leaves %d days before its calibration ends", days))
	}
	if len(o.Hit) == 0 {
		return append(out, "no booking of it falls into that time")
	}
	return append(out, fmt.Sprintf("bookings of it in that time: %d; bookings taken over by another tool at the same time: %d, moved in time: %d, without a substitute: %d",
		len(o.Hit), o.Harm.Swapped, o.Harm.Moved, o.Harm.Unserved))
}

// weigh asks the planner what becomes of the jobs if the tool is missing.
func (s *leaveSearch) weigh(ctx context.Context, o *LeaveOption) error {
	for _, b := range o.Hit {
		if len(b.Steps) == 0 {
			o.Harm.Unserved++
			if s.leaves[b.Job] {
				o.because("it is booked to be away already, until %s (job %d)", s.fleet.local(b.During.End), b.Job)
				continue
			}
			o.because("%s has reserved this tool as such, until %s: ask whether another one will do", b.Reference, s.fleet.local(b.During.End))
		}
	}
	if len(s.jobs) == 0 {
		return nil
	}
	p, standing := s.without(o)
	res, err := plan.Ripple(ctx, p, plan.RippleOptions{Standing: standing, Now: s.fleet.ceil(s.now)})
	if err != nil {
		return err
	}
	for i, placed := range s.fleet.split(&res.Plan, res.Unplaced) {
		s.add(o, i, placed)
	}
	for _, job := range res.Promises {
		if !s.aside(o, int(job)) {
			o.Harm.Promises++
		}
	}
	return nil
}

// without is what stands, put to the planner with the tool missing for a time
// and back in calibration after it.
func (s *leaveSearch) without(o *LeaveOption) (*plan.Problem, *plan.Plan) {
	p := s.fleet.problem
	p.Units = slices.Clone(s.fleet.units)
	p.Claims = slices.Clone(p.Claims)
	standing := *s.whole
	standing.Units = slices.Clone(s.whole.Units)
	back := s.fleet.ceil(o.During.End)
	gone := plan.Blocked{Window: plan.Window{Start: s.fleet.floor(o.Missing.Start), End: back}}
	shut := append(slices.Clone(p.Units[s.unit].Shut), gone)
	slices.SortStableFunc(shut, func(a, b plan.Blocked) int { return cmp.Compare(a.Start, b.Start) })
	p.Units[s.unit].Shut = shut
	p.Units[s.twin].Open = []plan.Window{{Start: min(back, p.Horizon), End: p.Horizon}}
	for c := range p.Claims {
		if slices.Contains(standing.Units[c], s.unit) && p.Hold(c, s.whole).Start >= back {
			p.Claims[c].Eligible = []int32{s.twin}
			standing.Units[c] = []int32{s.twin}
		}
	}
	return &p, &standing
}

// aside tells whether a job is none of the leave's: it could not stand anyway,
// and the tool does not serve it in that time.
func (s *leaveSearch) aside(o *LeaveOption, job int) bool {
	return s.unwell[job] && !slices.ContainsFunc(o.Hit, func(b site.Booking) bool { return b.Job == s.jobs[job].ID })
}

// add adds what becomes of a job to the harm of an option.
func (s *leaveSearch) add(o *LeaveOption, job int, placed *plan.Plan) {
	if s.aside(o, job) {
		return
	}
	j := s.jobs[job]
	if placed == nil {
		lost := 0
		for _, b := range o.Hit {
			if b.Job == j.ID {
				lost++
			}
		}
		o.Harm.Unserved += max(lost, 1)
		o.because("%s (job %d) has no place without it", j.Reference, j.ID)
		return
	}
	z := s.fleet.parts[job]
	proposed := z.describe(placed, s.works[job].procedures)
	now := z.judgement(Order{}, proposed).bookings
	gone, more := difference(s.held[job], now)
	if len(gone)+len(more) == 0 {
		return
	}
	o.Jobs = append(o.Jobs, ArrangedJob{Job: j.ID, Reference: j.Reference, Plan: &proposed, Planned: j.Planned, Promise: j.Promise, Moved: true})
	for _, b := range gone {
		at := slices.IndexFunc(more, func(n site.Booking) bool {
			return n.Kind == b.Kind && n.During == b.During && slices.Equal(n.Steps, b.Steps)
		})
		if at < 0 {
			o.Harm.Moved++
			continue
		}
		o.Harm.Swapped++
		o.because("%s takes the place of %s for %s (job %d)", more[at].Resource, b.Resource, j.Reference, j.ID)
	}
	for i, at := range placed.Steps {
		o.Harm.Minutes += int64(max(at.Start-s.standing[job].Steps[i].Start, s.standing[job].Steps[i].Start-at.Start))
	}
}
