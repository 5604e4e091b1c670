package workshop

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// houseRules are what calibration is judged by in a site: its policies, the
// first one first, and the intervals that its tools have been given.
type houseRules struct {
	policies  []store.DecidedPolicy
	intervals map[string][]store.ToolInterval // by asset tag, by time
}

// readRules reads the policies of a site, and the intervals of tools.
func readRules(ctx context.Context, r store.Reader, tags ...string) (houseRules, error) {
	out := houseRules{intervals: map[string][]store.ToolInterval{}}
	var err error
	if out.policies, err = r.CalibrationPolicies(ctx); err != nil || len(tags) == 0 {
		return out, err
	}
	list, err := r.ToolIntervals(ctx, tags)
	for _, i := range list {
		out.intervals[i.Tool] = append(out.intervals[i.Tool], i)
	}
	return out, err
}

// decided is the policy that holds; nobody decided on the program's own.
func (h houseRules) decided() store.DecidedPolicy {
	if len(h.policies) == 0 {
		return store.DecidedPolicy{Policy: calibration.DefaultPolicy()}
	}
	return h.policies[len(h.policies)-1]
}

// policy is the policy that holds.
func (h houseRules) policy() calibration.Policy { return h.decided().Policy }

// timeline is how long a calibration of a tool lasted at first, and what was
// decided since. recorded is when its first certificate was written down, zero
// if there is none: a first policy that somebody had decided on by then speaks
// for the time before it too, which the certificate may be from. Until then the
// program's own held.
func (h houseRules) timeline(tag string, kind site.ToolType, recorded time.Time) (calibration.DuePolicy, []calibration.Term) {
	policies, intervals := h.policies, h.intervals[tag]
	rule, days := typeRule(calibration.DefaultPolicy().Due, kind), 0
	if len(policies) > 0 && (recorded.IsZero() || !policies[0].At.After(recorded)) {
		rule, policies = typeRule(policies[0].Policy.Due, kind), policies[1:]
	}
	first := rule
	var out []calibration.Term
	add := func(at time.Time) {
		term := calibration.Term{From: at, Policy: rule}
		if days > 0 {
			term.Policy = rule.WithInterval(days)
		}
		out = append(out, term)
	}
	for len(policies)+len(intervals) > 0 {
		if len(intervals) == 0 || len(policies) > 0 && !intervals[0].At.Before(policies[0].At) {
			rule = typeRule(policies[0].Policy.Due, kind)
			add(policies[0].At)
			policies = policies[1:]
			continue
		}
		days = intervals[0].Days
		add(intervals[0].At)
		intervals = intervals[1:]
	}
	return first, out
}

// due is how long a calibration of a tool lasts now, and where that comes from.
func (h houseRules) due(tag string, kind site.ToolType) (calibration.DuePolicy, string) {
	rule := typeRule(h.policy().Due, kind)
	if own := h.intervals[tag]; len(own) > 0 {
		last := own[len(own)-1]
		return rule.WithInterval(last.Days), fmt.Sprintf("decided by %s on %s, from %s",
			cmp.Or(last.Person, "somebody"), last.At.Format(time.DateOnly), methodWords[last.Proposal.Method])
	}
	if kind.CalibrationMonths > 0 {
		return rule, "of type " + kind.ID
	}
	return rule, "of the site's policy"
}

var methodWords = map[calibration.Method]string{
	calibration.Staircase: "the staircase", calibration.IntervalTest: "the interval test", calibration.Exponential: "the exponential model",
}

// typeRule is a due policy, but for what the type of tool says itself.
func typeRule(rule calibration.DuePolicy, kind site.ToolType) calibration.DuePolicy {
	if kind.CalibrationMonths > 0 {
		rule.Months, rule.Days = kind.CalibrationMonths, 0
	}
	if kind.CalibrationCycles > 0 {
		rule.Cycles = kind.CalibrationCycles
	}
	return rule
}

// CalibrationPolicy is the policy of a site that holds, with who decided on it.
func (w *Workshop) CalibrationPolicy(ctx context.Context, slug string) (store.DecidedPolicy, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (store.DecidedPolicy, error) {
		rules, err := readRules(ctx, r)
		return rules.decided(), err
	})
}

// ChangedPolicy is a policy that was decided on, and the tools that fall due at
// another time by it.
type ChangedPolicy struct {
	Policy  calibration.Policy
	Changed []ToolCalibration
}

// SetCalibrationPolicy puts a policy in the place of the one that was decided on
// at previous, zero if nobody did. Precondition if there is another one by now.
func (w *Workshop) SetCalibrationPolicy(ctx context.Context, act Act, p calibration.Policy, previous time.Time) (ChangedPolicy, error) {
	out := ChangedPolicy{Policy: p}
	if p.Joint == (calibration.JointPolicy{}) { // as from a client that does not know of it
		now, err := w.CalibrationPolicy(ctx, act.Site)
		if err != nil {
			return out, err
		}
		p.Joint = now.Policy.Joint // or it has been changed meanwhile, which is refused
	}
	if err := p.Validate(); err != nil {
		return out, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (ChangedPolicy, error) {
		out := ChangedPolicy{Policy: p}
		tools, _, err := calibratedTools(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		// Every tool at once: the policy bears on each of them.
		if err := tx.Lock(ctx, toolRefs(tools)); err != nil {
			return out, err
		}
		tools, types, err := calibratedTools(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		rules, err := readRules(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		was := rules.decided()
		if !was.At.Equal(previous) {
			return out, policyChanged(was)
		}
		if err := tx.AddCalibrationPolicy(ctx, p, act.Caller.User); err != nil {
			return out, err
		}
		tx.Log(changed("calibration.policy", "", was.Policy, p))
		out.Changed, err = recalibrateAll(ctx, tx, tools, types)
		return out, err
	})
}

func toolRefs(tools []site.Tool) []Ref {
	refs := make([]Ref, 0, len(tools))
	for _, t := range tools {
		refs = append(refs, Ref{Kind: site.KindTool, ID: t.Tag})
	}
	return refs
}

// calibratedTools reads the tools that need calibration and are not retired.
func calibratedTools(ctx context.Context, r store.Reader) ([]site.Tool, map[string]site.ToolType, error) {
	tools, err := r.Tools(ctx, Page{})
	if err != nil {
		return nil, nil, err
	}
	types, err := typesByID(ctx, r)
	return slices.DeleteFunc(tools, func(t site.Tool) bool {
		return !types[t.Type].Calibrated || t.Condition == site.Retired
	}), types, err
}
