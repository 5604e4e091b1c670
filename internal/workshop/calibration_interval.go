package workshop

import (
	"context"
	"math"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

func policyChanged(now store.DecidedPolicy) error {
	if now.At.IsZero() {
		return fault.New(fault.Precondition, "POLICY_CHANGED", "nobody has decided on a calibration policy yet: read the one that holds, and change that")
	}
	return fault.New(fault.Precondition, "POLICY_CHANGED",
		"%s has decided on another calibration policy in the meantime (%s): read the one that holds, and change that", now.Person, now.At.Format(time.RFC3339))
}

// Review is what the certificates of a tool say about its interval.
type Review struct {
	Proposals []calibration.Proposal // one a method
	Source    string                 // of the present interval, in words
}

// ReviewInterval tells what the certificates of a tool say about its interval
// in days, by each method; present 0 is the one that it has.
func (w *Workshop) ReviewInterval(ctx context.Context, slug, tag string, present float64) (Review, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Review, error) {
		_, kind, err := calibrated(ctx, r, tag)
		if err != nil {
			return Review{}, err
		}
		return review(ctx, r, tag, kind, present)
	})
}

func review(ctx context.Context, r store.Reader, tag string, kind site.ToolType, present float64) (Review, error) {
	out := Review{Source: "as asked"}
	list, err := r.Certificates(ctx, store.CertificateFilter{Tools: []string{tag}})
	if err != nil {
		return out, err
	}
	rules, err := readRules(ctx, r, tag)
	if err != nil {
		return out, err
	}
	if present == 0 {
		var rule calibration.DuePolicy
		rule, out.Source = rules.due(tag, kind)
		present = rule.IntervalDays()
	}
	results := resultsOf(list)
	for _, review := range []func(float64, []calibration.Result, calibration.ReviewPolicy) (calibration.Proposal, error){
		calibration.ReviewStaircase, calibration.ReviewByTest, calibration.ReviewExponential,
	} {
		p, err := review(present, results, rules.policy().Review)
		if err != nil {
			return out, err
		}
		out.Proposals = append(out.Proposals, p)
	}
	return out, nil
}

// resultsOf gives what each certificate found, by day, with the days since the
// one before.
func resultsOf(list []CertificateRecord) []calibration.Result {
	var out []calibration.Result
	for i, c := range list {
		interval := 0.0
		if i > 0 {
			before := list[i-1].Certificate.Date
			interval = c.Certificate.Date.At(0, time.UTC).Sub(before.At(0, time.UTC)).Hours() / 24
		}
		if result, ok := calibration.ResultOf(c.Certificate, c.Assessment, interval); ok {
			out = append(out, result)
		}
	}
	return out
}

// AppliedInterval is an interval that a tool was given.
type AppliedInterval struct {
	Proposal calibration.Proposal
	Days     int
	Standing ToolCalibration
}

// ApplyInterval gives a tool the interval that a review by a method proposes,
// rounded down to whole days. The review is made anew: Precondition if it
// proposes no change, or another one than the days that were seen.
func (w *Workshop) ApplyInterval(ctx context.Context, act Act, tag string, method calibration.Method, days int) (AppliedInterval, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (AppliedInterval, error) {
		var out AppliedInterval
		tool, kind, err := lockCalibrated(ctx, tx, tag)
		if err != nil {
			return out, err
		}
		made, err := review(ctx, tx.Reader, tag, kind, 0)
		if err != nil {
			return out, err
		}
		at := slices.IndexFunc(made.Proposals, func(p calibration.Proposal) bool { return p.Method == method })
		if at < 0 {
			return out, fault.New(fault.Invalid, "METHOD", "%q is no method of review", method)
		}
		out.Proposal = made.Proposals[at]
		out.Days = int(math.Floor(out.Proposal.Proposed))
		switch {
		case !out.Proposal.Changes():
			return out, fault.New(fault.Precondition, "NO_CHANGE",
				"%s proposes no change for %s: %s", methodWords[method], tag, out.Proposal.Why[len(out.Proposal.Why)-1])
		case out.Days != days:
			return out, fault.New(fault.Precondition, "PROPOSAL_CHANGED",
				"%s proposes %d days by now, not %d: look at the review again", methodWords[method], out.Days, days)
		}
		if err := tx.AddToolInterval(ctx, store.ToolInterval{
			Tool: tag, Days: out.Days, Proposal: out.Proposal, Person: act.Caller.User,
		}); err != nil {
			return out, err
		}
		tx.Log(store.Event{Kind: "tool.interval", Subject: "tools/" + tag, Details: map[string]any{
			"before": map[string]any{"Days": out.Proposal.Present}, "after": map[string]any{"Days": out.Days}, "proposal": out.Proposal,
		}})
		out.Standing, err = w.recalibrate(ctx, tx, tool, kind, nil)
		return out, err
	})
}
