package cli

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// progress tells how a search gets on: on a terminal in one line that is
// written over, elsewhere in a line for an improvement, one a second at most.
type progress struct {
	w       io.Writer // nil: say nothing
	rewrite bool
	now     func() time.Time

	began, said time.Time
	best        *bayholdv1.ArrangeJobsResponse
	shown       string // what stands in the line
}

// newProgress begins to count the time. Scripts that read JSON find nothing
// beside it on standard error.
func (a *app) newProgress() *progress {
	p := &progress{w: a.streams.Err, rewrite: a.streams.Terminal && a.env("TERM") != "dumb", now: a.now, began: a.now()}
	if a.machine() && !p.rewrite {
		p.w = nil
	}
	p.tick()
	return p
}

// improved tells of a better answer.
func (p *progress) improved(best *bayholdv1.ArrangeJobsResponse) {
	first := p.best == nil
	p.best = best
	switch {
	case p.w == nil:
	case p.rewrite:
		p.write(p.line())
	case first || p.now().Sub(p.said) >= time.Second:
		p.said = p.now()
		fmt.Fprintln(p.w, p.line())
	}
}

// tick keeps the time in the line going.
func (p *progress) tick() {
	if p.w != nil && p.rewrite {
		p.write(p.line())
	}
}

// close takes the line away, so that the answer stands alone.
func (p *progress) close() {
	if p.w != nil && p.rewrite {
		p.write("")
		fmt.Fprint(p.w, "\r")
	}
}

// write puts text over what stands in the line.
func (p *progress) write(text string) {
	if text == p.shown {
		return
	}
	fmt.Fprint(p.w, "\r"+text+strings.Repeat(" ", max(0, textWidth(p.shown)-textWidth(text))))
	p.shown = text
}

// line says how long the search has taken, how much it has looked at and what
// it has come to.
func (p *progress) line() string {
	text := fmt.Sprintf("%4.0f s", math.Floor(p.now().Sub(p.began).Seconds()))
	if p.best == nil {
		return text + "  searching"
	}
	text += fmt.Sprintf("  %s schedules  %s min late, bound %s", grouped(p.best.GetSchedules()),
		grouped(wholeMinutes(p.best.GetLateMinutes())), grouped(wholeMinutes(p.best.GetLateBoundMinutes())))
	if n := len(homeless(p.best.GetJobs())); n > 0 {
		text += fmt.Sprintf("  %d without a place", n)
	}
	return text
}

// lateness says how late the jobs of an arrangement are in all, and how far
// from the best that is at the most.
func lateness(r *bayholdv1.ArrangeJobsResponse) string {
	late, bound := wholeMinutes(r.GetLateMinutes()), wholeMinutes(r.GetLateBoundMinutes())
	switch {
	case late == 0:
		return "0 min late"
	case bound >= late:
		return grouped(late) + " min late, none has less"
	}
	return fmt.Sprintf("%s min late, none has less than %s", grouped(late), grouped(bound))
}

// wholeMinutes rounds minutes that weights may have made fractions of.
func wholeMinutes(m float64) int64 { return int64(math.Round(m)) }

// grouped writes a number with its thousands apart.
func grouped(n int64) string {
	digits := strconv.FormatInt(n, 10)
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + "," + digits[i:]
	}
	return digits
}
