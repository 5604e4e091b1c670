package cli

import (
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// closureFlags are the flags that add a closure (or absence) and take time
// out of those that stand.
type closureFlags struct {
	addFlag, cutFlag string
	add, cut, reason string
}

func (f *closureFlags) register(cmd *cobra.Command, add, cut, what string) {
	f.addFlag, f.cutFlag = add, cut
	cmd.Flags().StringVar(&f.add, add, "", `add a `+what+`: "FROM .. UNTIL"`)
	cmd.Flags().StringVar(&f.cut, cut, "", `take this time out of every `+what+`: "FROM .. UNTIL"`)
	cmd.Flags().StringVar(&f.reason, "reason", "", "why, for --"+add)
}

// closureEdit is a change of closures, read and understood.
type closureEdit struct {
	add, cut *bayholdv1.TimeRange
	reason   string
}

func (e closureEdit) any() bool { return e.add != nil || e.cut != nil }

// parse reads the flags.
func (f *closureFlags) parse(a *app, c clock) (closureEdit, error) {
	var e closureEdit
	var err error
	if e.add, err = a.fromUntil(c, f.addFlag, f.add); err != nil {
		return e, err
	}
	if e.cut, err = a.fromUntil(c, f.cutFlag, f.cut); err != nil {
		return e, err
	}
	if f.reason != "" && e.add == nil {
		return e, usage("--reason goes with --%s", f.addFlag)
	}
	e.reason = f.reason
	return e, nil
}

// fromUntil reads "FROM .. UNTIL", or one day; nothing from an empty text.
func (a *app) fromUntil(c clock, flag, text string) (*bayholdv1.TimeRange, error) {
	if text == "" {
		return nil, nil
	}
	from, until, ok := strings.Cut(text, "..")
	if !ok {
		until = from
	}
	during, err := a.period(c, strings.TrimSpace(from), strings.TrimSpace(until))
	if err != nil && !ok {
		return nil, usage(`--%s is %q; write it like "tue 8:00 .. tue 12:00", or one day like 2026-12-01`, flag, text)
	}
	return during, err
}

// apply gives the closures after the change: the time to cut is taken out
// first, then the new closure is added.
func (e closureEdit) apply(list []*bayholdv1.Closure) []*bayholdv1.Closure {
	var out []*bayholdv1.Closure
	for _, c := range list {
		out = append(out, cut(c, e.cut)...)
	}
	if e.add != nil {
		out = append(out, &bayholdv1.Closure{During: e.add, Reason: e.reason})
	}
	slices.SortStableFunc(out, func(a, b *bayholdv1.Closure) int {
		return a.GetDuring().GetStart().AsTime().Compare(b.GetDuring().GetStart().AsTime())
	})
	return out
}

// cut gives what is left of a closure without a range: none, one or two.
func cut(c *bayholdv1.Closure, gone *bayholdv1.TimeRange) []*bayholdv1.Closure {
	if gone == nil {
		return []*bayholdv1.Closure{c}
	}
	var out []*bayholdv1.Closure
	keep := func(from, until time.Time) {
		if from.Before(until) {
			out = append(out, &bayholdv1.Closure{
				During: &bayholdv1.TimeRange{Start: stamp(from), End: stamp(until)}, Reason: c.GetReason(),
			})
		}
	}
	start, end := c.GetDuring().GetStart().AsTime(), c.GetDuring().GetEnd().AsTime()
	from, until := gone.GetStart().AsTime(), gone.GetEnd().AsTime()
	keep(start, earlier(end, from))
	keep(later(start, until), end)
	return out
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
