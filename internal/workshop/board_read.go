package workshop

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// How far ahead a board looks for what waits for a decision.
const (
	lapseAhead = 7 * 24 * time.Hour
	partsAhead = 3 * 24 * time.Hour
	maxOnBoard = 5000 // jobs read for one board
	maxBetween = 90 * 24 * time.Hour
)

// Board gives the week that a day lies in, Monday to Sunday in the site's zone.
// The
// zero day is today, or the next week when this one's work is over.
func (w *Workshop) Board(ctx context.Context, slug string, day time.Time) (Board, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Board, error) {
		m, err := w.newBoardMaker(ctx, r, day)
		if err != nil {
			return Board{}, err
		}
		m.bays()
		m.tools()
		m.people()
		m.notices()
		return m.board, nil
	})
}

// boardMaker lays a board out from one picture of the site.
type boardMaker struct {
	board    Board
	state    store.State
	yard     *yard
	unit     map[Ref]int32
	bookings map[Ref][]site.Booking // that touch the week, by start
	names    map[string]string      // of technicians
	byJob    map[int64][]site.Booking
	events   map[int64][]running.Event
	issues   map[string]site.Issue // what is out
}

// weekOf is the week that a day lies in.
func weekOf(day time.Time, zone *time.Location) hours.Range {
	d := hours.DateOf(day, zone)
	monday := d.AddDays(-((int(d.Weekday()) + 6) % 7))
	return hours.Range{Start: monday.At(0, zone), End: monday.AddDays(7).At(0, zone)}
}

func (w *Workshop) newBoardMaker(ctx context.Context, r store.Reader, day time.Time) (*boardMaker, error) {
	m := &boardMaker{
		unit: map[Ref]int32{}, bookings: map[Ref][]site.Booking{}, names: map[string]string{},
		byJob: map[int64][]site.Booking{}, issues: map[string]site.Issue{},
	}
	b := &m.board
	b.Now = w.Now()
	var err error
	if b.Site, err = r.Site(ctx); err != nil {
		return nil, err
	}
	if b.Zone, err = zoneOf(ctx, r); err != nil {
		return nil, err
	}
	if day.IsZero() {
		if day, err = busyDay(ctx, r, b.Now, b.Zone); err != nil {
			return nil, err
		}
	}
	var fs fault.Fields
	checkTime(&fs, "day", day.Truncate(time.Minute))
	if err := fs.Err("BOARD", "there is no board of that day"); err != nil {
		return nil, err
	}
	b.During = weekOf(day, b.Zone)
	return m, m.read(ctx, r)
}

// busyDay is now, or, when nobody works for the rest of the week, a day of the
// next: on a Friday night nobody looks at what was.
func busyDay(ctx context.Context, r store.Reader, now time.Time, zone *time.Location) (time.Time, error) {
	people, err := r.Technicians(ctx, Page{})
	if err != nil {
		return now, err
	}
	rest := hours.Range{Start: now, End: weekOf(now, zone).End}
	for _, t := range people {
		if len(t.Shifts.Expand(zone, rest.Start, rest.End)) > 0 {
			return now, nil
		}
	}
	if len(people) == 0 {
		return now, nil
	}
	return rest.End, nil
}

// read reads the week, and what lies so near that something must be decided.
func (m *boardMaker) read(ctx context.Context, r store.Reader) error {
	b := &m.board
	near := hours.Range{Start: b.Now.Truncate(time.Minute), End: b.Now.Truncate(time.Minute).Add(lapseAhead)}
	reach := hours.Range{Start: b.During.Start, End: b.During.End}
	// Of a week far from now the board tells nothing that is near: it would have
	// to read all that lies between.
	if near.Start.Sub(reach.End) < maxBetween && reach.Start.Sub(near.End) < maxBetween {
		reach = cover(reach, near)
	}
	var err error
	if m.state, err = r.State(ctx, b.Now, reach, nil); err != nil {
		return err
	}
	if m.yard, err = newYard(m.state, reach.Start, reach.End); err != nil {
		return err
	}
	for i, ref := range m.yard.refs {
		m.unit[ref] = int32(i)
	}
	for _, t := range m.state.Technicians {
		m.names[t.ID] = t.Name
	}
	for _, bk := range m.state.Bookings {
		ref := Ref{Kind: bk.Kind, ID: bk.Resource}
		m.bookings[ref] = append(m.bookings[ref], bk)
		m.byJob[bk.Job] = append(m.byJob[bk.Job], bk)
	}
	if err := m.readJobs(ctx, r, reach); err != nil {
		return err
	}
	open, err := r.Issues(ctx, store.IssueFilter{Open: true})
	for _, i := range open {
		m.issues[i.Tool] = i
	}
	return err
}

func (m *boardMaker) readJobs(ctx context.Context, r store.Reader, reach hours.Range) error {
	jobs, err := r.Jobs(ctx, store.JobFilter{Now: m.board.Now, During: reach, Limit: maxOnBoard})
	if err != nil {
		return err
	}
	// What should have left already and is not closed is late, however long ago.
	overdue, err := r.Jobs(ctx, store.JobFilter{
		Now: m.board.Now, During: hours.Range{Start: reach.Start.AddDate(0, 0, -28), End: reach.Start}, Limit: maxOnBoard,
	})
	if err != nil {
		return err
	}
	seen := map[int64]bool{}
	var ids []int64
	for _, j := range slices.Concat(jobs, overdue) {
		if !seen[j.ID] {
			seen[j.ID] = true
			ids = append(ids, j.ID)
		}
	}
	closed, err := r.JobsClosed(ctx, ids)
	if err != nil {
		return err
	}
	if m.events, err = r.EventsOfJobs(ctx, ids); err != nil {
		return err
	}
	titles, err := procedureTitles(ctx, r)
	if err != nil {
		return err
	}
	m.board.Jobs = map[int64]BoardJob{}
	for _, j := range slices.Concat(jobs, overdue) {
		job := BoardJob{Job: j, Title: titleOf(j, titles), Begun: len(m.events[j.ID]) > 0, Closed: closed[j.ID]}
		for _, bk := range m.byJob[j.ID] {
			if bk.Kind == site.KindBay {
				job.Bay = bk.Resource
			}
		}
		m.board.Jobs[j.ID] = job
	}
	return nil
}

func procedureTitles(ctx context.Context, r store.Reader) (map[string]string, error) {
	list, err := r.Procedures(ctx, Page{}, "")
	out := make(map[string]string, len(list))
	for _, p := range list {
		out[p.ID] = p.Title
	}
	return out, err
}

// titleOf says what is done to a vehicle: its note if there is one, else its
// procedures.
func titleOf(j site.Job, titles map[string]string) string {
	if j.Note != "" {
		return j.Note
	}
	var out []string
	for _, p := range j.Procedures {
		out = append(out, cmp.Or(titles[p.ID], p.ID))
	}
	return strings.Join(out, "; ")
}

// stays are the bookings of a resource that touch the week.
func (m *boardMaker) stays(ref Ref) []Stay {
	var out []Stay
	for _, b := range m.bookings[ref] {
		if b.During.Overlaps(m.board.During) {
			out = append(out, m.stay(ref, b))
		}
	}
	return out
}

func (m *boardMaker) stay(ref Ref, b site.Booking) Stay {
	out := Stay{Booking: b.ID, Job: b.Job, During: b.During}
	if b.During.End.After(m.board.Now) {
		for _, why := range m.yard.unfit(m.unit[ref], b.During) {
			out.Unfit = why.text
			break
		}
	}
	return out
}

// unfit tells what keeps a unit from being held for a time as far as the yard
// reaches. What is over by now was done, whatever became of the unit since.
func (y *yard) unfit(unit int32, r hours.Range) []reason {
	w := y.windows([]hours.Range{r})[0]
	w.Start, w.End = max(w.Start, 0), min(w.End, y.horizon)
	if w.Start >= w.End {
		return nil
	}
	return y.holdable(unit, w)
}

func (m *boardMaker) bays() {
	for _, bay := range m.state.Bays {
		out := BoardBay{Bay: bay}
		for _, s := range m.stays(Ref{Kind: site.KindBay, ID: bay.ID}) {
			st := BayStay{Stay: s}
			var worked []hours.Range
			for _, b := range m.byJob[s.Job] {
				if b.Kind == site.KindTechnician && b.During.Overlaps(m.board.During) {
					worked = append(worked, b.During)
					if name := cmp.Or(m.names[b.Resource], b.Resource); !slices.Contains(st.People, name) {
						st.People = append(st.People, name)
					}
				}
			}
			st.Worked = hours.Normalize(worked)
			out.Stays = append(out.Stays, st)
		}
		m.board.Bays = append(m.board.Bays, out)
	}
}

func (m *boardMaker) people() {
	var open []hours.Range
	for _, t := range m.state.Technicians {
		p := BoardPerson{Technician: t, Stays: m.stays(Ref{Kind: site.KindTechnician, ID: t.ID})}
		var away []hours.Range
		for _, a := range t.Absences {
			away = append(away, a.During)
		}
		shifts := t.Shifts.Expand(m.board.Zone, m.board.During.Start, m.board.During.End)
		open = append(open, shifts...)
		p.Shifts = hours.Subtract(shifts, hours.Normalize(away))
		for _, s := range p.Stays {
			if s.During.Has(m.board.Now) {
				p.On = s.Job
			}
		}
		m.board.People = append(m.board.People, p)
	}
	m.board.Open = hours.Normalize(open)
	m.doing()
}

// doing tells from the records who has begun which step and not ended it.
func (m *boardMaker) doing() {
	type at struct {
		job  int64
		step string
	}
	last := map[string]struct {
		at
		event running.Event
	}{}
	for job, events := range m.events {
		for _, e := range events {
			if e.Technician == "" {
				continue
			}
			if l, ok := last[e.Technician]; !ok || !e.At.Before(l.event.At) {
				last[e.Technician] = struct {
					at
					event running.Event
				}{at{job, e.Step}, e}
			}
		}
	}
	for i := range m.board.People {
		p := &m.board.People[i]
		l, ok := last[p.ID]
		if !ok || l.event.Act != running.Start && l.event.Act != running.Resume {
			continue
		}
		p.On, p.Doing = l.job, m.stepTitle(l.job, l.step)
	}
}

func (m *boardMaker) stepTitle(job int64, id string) string {
	for _, s := range m.board.Jobs[job].Steps {
		if s.ID == id {
			return s.Title
		}
	}
	return id
}

func (m *boardMaker) tools() {
	names := map[string]string{}
	for _, t := range m.state.ToolTypes {
		names[t.ID] = t.Name
	}
	scarce := m.scarceTypes()
	for _, t := range m.state.Tools {
		ref := Ref{Kind: site.KindTool, ID: t.Tag}
		out := BoardTool{Tool: t, Name: names[t.Type], Scarce: scarce[t.Type], Stays: m.stays(ref)}
		if i, ok := m.issues[t.Tag]; ok {
			out.Out = &i
		}
		for _, b := range m.bookings[ref] {
			s := m.stay(ref, b)
			switch {
			case b.During.Has(m.board.Now):
				out.Here = &s
			case b.During.Start.After(m.board.Now) && out.Next == nil:
				out.Next = &s
			}
		}
		out.Lapses, out.Why = m.lapses(ref)
		if t.Condition == site.Retired && out.Out == nil && len(out.Stays) == 0 {
			continue
		}
		if len(out.Stays) > 0 || out.Out != nil || len(out.Lapses) > 0 {
			m.board.Tools = append(m.board.Tools, out)
		}
	}
	slices.SortStableFunc(m.board.Tools, func(a, b BoardTool) int {
		return cmp.Compare(rank(a), rank(b))
	})
}

// rank puts scarce tools first, then those that move, then those that only
// cannot be had.
func rank(t BoardTool) int {
	switch {
	case t.Scarce && len(t.Stays) > 0:
		return 0
	case len(t.Stays) > 0 || t.Out != nil:
		return 1
	}
	return 2
}

// lapses tells when a tool cannot be had within the week for what is in itself.
func (m *boardMaker) lapses(ref Ref) (when []hours.Range, why string) {
	y, u := m.yard, m.unit[ref]
	for _, s := range y.units[u].Shut {
		if r := y.rangeOf(s.Window).Intersect(m.board.During); !r.Empty() {
			when, why = append(when, r), y.reasons[s.Ref].text
		}
	}
	if end := y.units[u].Expiry; end < y.horizon {
		if r := (hours.Range{Start: y.at(end), End: m.board.During.End}).Intersect(m.board.During); !r.Empty() {
			when = append(when, r)
			why = cmp.Or(why, y.lapse(u).text)
		}
	}
	return hours.Normalize(when), why
}

// scarceTypes tells of which types no tool can be had at some time of the week
// within working hours.
func (m *boardMaker) scarceTypes() map[string]bool {
	var left map[string][]hours.Range
	var open []hours.Range
	for _, t := range m.state.Technicians {
		open = append(open, t.Shifts.Expand(m.board.Zone, m.board.During.Start, m.board.During.End)...)
	}
	open = hours.Normalize(open)
	left = map[string][]hours.Range{} // when none of the type can be had
	for _, t := range m.state.Tools {
		if t.Condition == site.Retired {
			continue
		}
		ref := Ref{Kind: site.KindTool, ID: t.Tag}
		taken, _ := m.lapses(ref)
		for _, b := range m.bookings[ref] {
			taken = append(taken, b.During)
		}
		taken = hours.Normalize(taken)
		if before, ok := left[t.Type]; ok {
			taken = hours.Intersect(before, taken)
		}
		left[t.Type] = taken
	}
	out := map[string]bool{}
	for kind, taken := range left {
		out[kind] = len(hours.Intersect(taken, open)) > 0
	}
	return out
}

// notice makes one of a job.
func (m *boardMaker) notice(kind NoticeKind, job int64, at time.Time) Notice {
	j := m.board.Jobs[job]
	return Notice{Kind: kind, Job: job, Reference: cmp.Or(j.Reference, fmt.Sprint(job)), Bay: j.Bay, At: at}
}

// OpenHours tells when somebody is on shift, from a day before an instant to a
// month after it: the hours by which a picture is laid out.
func (w *Workshop) OpenHours(ctx context.Context, slug string, from time.Time) (*time.Location, []hours.Range, error) {
	var zone *time.Location
	open, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]hours.Range, error) {
		var err error
		if zone, err = zoneOf(ctx, r); err != nil {
			return nil, err
		}
		people, err := r.Technicians(ctx, Page{})
		var out []hours.Range
		for _, t := range people {
			out = append(out, t.Shifts.Expand(zone, from.AddDate(0, 0, -1), from.AddDate(0, 0, 30))...)
		}
		return hours.Normalize(out), err
	})
	return zone, open, err
}
