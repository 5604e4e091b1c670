package workshop

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"bayhold/internal/running"
	"bayhold/internal/site"
)

// notices finds what is late and what waits for a decision.
func (m *boardMaker) notices() {
	b := &m.board
	for _, id := range slices.Sorted(maps.Keys(b.Jobs)) {
		m.lateJob(id)
		m.waitJob(id)
	}
	for _, tag := range slices.Sorted(maps.Keys(m.issues)) {
		if i := m.issues[tag]; i.DueAt.Before(b.Now) {
			n := m.notice(NoticeReturn, i.Job, i.DueAt)
			n.Ref, n.Who, n.Reference, n.Bay = &Ref{Kind: site.KindTool, ID: tag}, cmp.Or(m.names[i.Technician], i.Technician), i.Reference, i.Bay
			b.Late = append(b.Late, n)
		}
	}
	m.unfit()
	byTime := func(a, b Notice) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Job, b.Job), cmp.Compare(a.Kind, b.Kind))
	}
	slices.SortStableFunc(b.Late, byTime)
	slices.SortStableFunc(b.Wait, byTime)
}

// lateJob tells whether a job is behind. Without a record nobody knows what was
// done, and nothing is called late that may be finished.
func (m *boardMaker) lateJob(id int64) {
	b := &m.board
	j := b.Jobs[id]
	if j.Closed || !j.Begun {
		return
	}
	if step, ok := m.behind(id); ok {
		n := m.notice(NoticeStep, id, step.During.End)
		n.What = step.Title
		if !j.Planned.End.After(b.Now) {
			n.Kind, n.At = NoticeJob, j.Planned.End
		}
		b.Late = append(b.Late, n)
		j.Late = true
		b.Jobs[id] = j
	}
}

// behind finds the step that should have been finished the longest ago.
func (m *boardMaker) behind(id int64) (site.JobStep, bool) {
	done := map[string]bool{}
	for _, e := range m.events[id] {
		done[e.Step] = e.Act == running.Finish
	}
	var out site.JobStep
	found := false
	for _, s := range m.board.Jobs[id].Steps {
		if !done[s.ID] && !s.During.End.After(m.board.Now) && (!found || s.During.End.Before(out.During.End)) {
			out, found = s, true
		}
	}
	return out, found
}

// waitJob tells what must be decided about a job.
func (m *boardMaker) waitJob(id int64) {
	b := &m.board
	j := b.Jobs[id]
	if j.Closed || !j.Planned.End.After(b.Now) {
		return
	}
	if j.State == site.Tentative && j.ExpiresAt.Sub(b.Now) <= lapseAhead {
		b.Wait = append(b.Wait, m.notice(NoticeLapse, id, j.ExpiresAt))
	}
	if !j.Promise.IsZero() && j.Planned.End.After(j.Promise) {
		n := m.notice(NoticePromise, id, j.Promise)
		n.Then = j.Planned.End
		b.Wait = append(b.Wait, n)
		j.Late = true
		b.Jobs[id] = j
	}
	if n, ok := m.missing(id); ok {
		b.Wait = append(b.Wait, n)
	}
}

// missing tells of the parts that are not here and that a step needs soon, or
// before they are expected.
func (m *boardMaker) missing(id int64) (Notice, bool) {
	j := m.board.Jobs[id]
	var names []string
	var first time.Time
	for _, p := range j.Parts {
		needed := neededAt(j.Job, p)
		if p.State == site.PartHere || p.Quantity == 0 || needed.IsZero() || needed.Before(m.board.Now) {
			continue
		}
		tooLate := p.State == site.PartExpected && p.Expected.After(needed)
		unknown := p.State != site.PartExpected && needed.Sub(m.board.Now) <= partsAhead
		if tooLate || unknown {
			names = append(names, cmp.Or(p.Title, p.ID))
			if first.IsZero() || needed.Before(first) {
				first = needed
			}
		}
	}
	if len(names) == 0 {
		return Notice{}, false
	}
	n := m.notice(NoticeParts, id, first)
	n.What = strings.Join(names, ", ")
	if len(names) > 2 {
		n.What = fmt.Sprintf("%s and %d more parts", names[0], len(names)-1)
	}
	return n, true
}

// neededAt is when the first step that needs a part begins.
func neededAt(j site.Job, p site.JobPart) time.Time {
	var out time.Time
	for _, s := range j.Steps {
		if slices.Contains(p.Steps, s.ID) && (out.IsZero() || s.During.Start.Before(out)) {
			out = s.During.Start
		}
	}
	return out
}

// unfit tells of the bookings that cannot stand, of each job and resource once.
func (m *boardMaker) unfit() {
	type of struct {
		job int64
		ref Ref
	}
	seen := map[of]bool{}
	for _, bk := range m.state.Bookings {
		ref := Ref{Kind: bk.Kind, ID: bk.Resource}
		if seen[of{bk.Job, ref}] || m.board.Jobs[bk.Job].Closed {
			continue
		}
		if s := m.stay(ref, bk); s.Unfit != "" {
			seen[of{bk.Job, ref}] = true
			n := m.notice(NoticeUnfit, bk.Job, bk.During.Start)
			n.Ref, n.What, n.Reference = &ref, s.Unfit, cmp.Or(n.Reference, bk.Reference)
			m.board.Wait = append(m.board.Wait, n)
		}
	}
}
