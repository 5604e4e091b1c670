// Package gate bounds how much heavy work goes on at once, and shares it fairly:
// sites take turns, and within a site its callers do, so that one who asks for
// much waits behind their own work and not before everybody else's.
package gate

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"bayhold/internal/fault"
)

// Options say how much may go on and wait.
type Options struct {
	Slots     int // at once, over all sites
	PerSite   int // at once of one site
	Queue     int // waiting of one site
	PerCaller int // waiting of one caller
}

// Gate lets callers in.
type Gate struct {
	opts Options

	mu      sync.Mutex
	running int
	sites   map[string]*queue
	turn    []*queue      // sites with somebody waiting, the next first
	usual   time.Duration // how long work takes, the last ones counting most
}

// queue is what waits of one site.
type queue struct {
	name    string
	running int
	waiting int
	callers map[string]*line
	turn    []*line // callers who wait, the next first
}

// line is what waits of one caller, the oldest first.
type line struct {
	name    string
	tickets []*ticket
}

// ticket is one who waits; in is closed when they may go in.
type ticket struct{ in chan struct{} }

// Before anything is known, work is taken to last so long.
const guess = time.Second

// New makes a gate.
func New(o Options) *Gate {
	return &Gate{opts: o, sites: map[string]*queue{}, usual: guess}
}

// Waiting tells how many wait and how many are in.
func (g *Gate) Waiting() (waiting, running int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, q := range g.sites {
		waiting += q.waiting
	}
	return waiting, g.running
}

// Enter waits until it is a caller's turn, and gives what they must call when
// they are done. Exhausted, with when to try again, if too much waits already,
// or if the time that ctx allows is over before the turn comes, or would be.
func (g *Gate) Enter(ctx context.Context, site, caller string) (leave func(), err error) {
	t := &ticket{in: make(chan struct{})}
	if err := g.enqueue(ctx, site, caller, t); err != nil {
		return nil, err
	}
	select {
	case <-t.in:
	case <-ctx.Done():
		if !g.giveUp(site, caller, t) {
			break // the turn came at the same moment
		}
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			return nil, busy(g.wait(site, caller), "the planners were at work for others for as long as this call may take")
		}
		return nil, fault.New(fault.Canceled, "CANCELED", "the call was given up").Because(ctx.Err())
	}
	began := time.Now()
	return sync.OnceFunc(func() { g.leave(site, time.Since(began)) }), nil
}

func (g *Gate) enqueue(ctx context.Context, site, caller string, t *ticket) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.push(site, caller, t)
	g.dispatch()
	select {
	case <-t.in:
		return nil
	default:
	}
	q := g.sites[site]
	wait := g.waitOf(q, caller, len(q.callers[caller].tickets)-1)
	deadline, bounded := ctx.Deadline()
	switch {
	case len(q.callers[caller].tickets) > g.opts.PerCaller:
		g.remove(site, caller, t)
		return busy(wait, "%d of your calls wait for a planner already", g.opts.PerCaller)
	case q.waiting > g.opts.Queue:
		g.remove(site, caller, t)
		return busy(wait, "%d calls wait for a planner already", g.opts.Queue)
	case bounded && time.Now().Add(wait).After(deadline):
		g.remove(site, caller, t)
		return busy(wait, "the planners are at work for others, and the time for this call would be over before its turn")
	}
	return nil
}

func busy(wait time.Duration, format string, args ...any) error {
	f := fault.New(fault.Exhausted, "PLANNERS_BUSY", format+": try again in a while, or allow more time", args...)
	f.After = max(wait, time.Second)
	return f
}

func (g *Gate) push(site, caller string, t *ticket) {
	q := g.sites[site]
	if q == nil {
		q = &queue{name: site, callers: map[string]*line{}}
		g.sites[site] = q
	}
	l := q.callers[caller]
	if l == nil {
		l = &line{name: caller}
		q.callers[caller] = l
		q.turn = append(q.turn, l)
	}
	if q.waiting == 0 {
		g.turn = append(g.turn, q)
	}
	l.tickets = append(l.tickets, t)
	q.waiting++
}

// dispatch lets in whoever's turn it is, while there is room.
func (g *Gate) dispatch() {
	for g.running < g.opts.Slots {
		next := slices.IndexFunc(g.turn, func(q *queue) bool { return q.running < g.opts.PerSite })
		if next < 0 {
			return
		}
		q := g.turn[next]
		l := q.turn[0]
		t := l.tickets[0]
		// Both go to the end of their turns; remove drops who has nothing left.
		g.turn = append(slices.Delete(g.turn, next, next+1), q)
		q.turn = append(slices.Delete(q.turn, 0, 1), l)
		q.running++
		g.running++
		g.remove(q.name, l.name, t)
		close(t.in)
	}
}

// remove takes a ticket out of its line, and what is empty then.
func (g *Gate) remove(site, caller string, t *ticket) bool {
	q := g.sites[site]
	if q == nil || q.callers[caller] == nil {
		return false
	}
	l := q.callers[caller]
	i := slices.Index(l.tickets, t)
	if i < 0 {
		return false
	}
	l.tickets = slices.Delete(l.tickets, i, i+1)
	q.waiting--
	if len(l.tickets) == 0 {
		delete(q.callers, caller)
		q.turn = slices.DeleteFunc(q.turn, func(o *line) bool { return o == l })
	}
	if q.waiting == 0 {
		g.turn = slices.DeleteFunc(g.turn, func(o *queue) bool { return o == q })
		if q.running == 0 {
			delete(g.sites, site)
		}
	}
	return true
}

func (g *Gate) giveUp(site, caller string, t *ticket) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.remove(site, caller, t)
}

func (g *Gate) leave(site string, took time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.usual += (took - g.usual) / 5
	q := g.sites[site]
	q.running--
	g.running--
	if q.running == 0 && q.waiting == 0 {
		delete(g.sites, site)
	}
	g.dispatch()
}

// wait estimates how long a caller who came now would wait.
func (g *Gate) wait(site, caller string) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	q := g.sites[site]
	if q == nil {
		return g.usual
	}
	own := 0
	if l := q.callers[caller]; l != nil {
		own = len(l.tickets)
	}
	return g.waitOf(q, caller, own)
}

// waitOf estimates how long one waits who has own tickets before this one: each
// other caller of the site has at most one turn more than they.
func (g *Gate) waitOf(q *queue, caller string, own int) time.Duration {
	ahead := own
	for name, l := range q.callers {
		if name != caller {
			ahead += min(len(l.tickets), own+1)
		}
	}
	slots := min(g.opts.Slots, g.opts.PerSite)
	return time.Duration(ahead/slots+1) * g.usual
}
