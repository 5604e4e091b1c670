package workshop

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// ExplainQuestion asks what binds a job; with Start, what keeps that start from
// being possible.
type ExplainQuestion struct {
	FindQuestion
	Start time.Time // zero: none was refused
}

// ReliefKind says what sort of change a Relief is.
type ReliefKind string

// The kinds of relief.
const (
	ReliefOneMore     ReliefKind = "ONE_MORE"
	ReliefCalibration ReliefKind = "CALIBRATION"
	ReliefClosure     ReliefKind = "CLOSURE"
)

// Relief is a change that would help.
type Relief struct {
	Kind     ReliefKind
	Need     string // in words
	Ref      *Ref   // whose limit is lifted; nil for one more
	HandBack time.Time
	Sooner   time.Duration
}

// Explanation tells what binds a job.
type Explanation struct {
	HandBack time.Time // earliest, as things stand; zero if there is none
	Reliefs  []Relief  // the most helpful first
	// Smallest is, for a refused start, a set of blockers whose lifting makes
	// it possible; none if it is possible, or if lifting does not help.
	Smallest       []Blocker
	StartPossible  bool // as it is
	SmallestProved bool // no smaller set would do
}

// Explain tells, for each resource that binds, how much sooner the earliest
// hand-back would be with one more of it, or with its calibration or closure
// lifted; and for a refused start the smallest set of blockers in its way.
func (w *Workshop) Explain(ctx context.Context, slug string, q ExplainQuestion) (Explanation, error) {
	from, err := w.window(&q.FindQuestion)
	if err != nil {
		return Explanation{}, err
	}
	if !q.Start.IsZero() {
		var fs fault.Fields
		checkRange(&fs, "start_time", q.Start, q.Horizon)
		if q.Start.Before(from) {
			fs.Add("start_time", "must not lie before the earliest time")
		}
		if err := fs.Err("EXPLAIN", "the question cannot be answered"); err != nil {
			return Explanation{}, err
		}
	}
	z, _, err := w.pose(ctx, slug, wanted{ids: q.Procedures, bay: q.Bay, arrivals: q.Arrivals, from: from, to: q.Horizon})
	if err != nil {
		return Explanation{}, err
	}
	search, cancel := context.WithTimeout(ctx, 2*thinking)
	defer cancel()
	found, err := plan.Explain(search, &z.problem, plan.FindOptions{})
	if err != nil {
		return Explanation{}, err
	}
	var out Explanation
	if len(found.Base.Plans) > 0 {
		out.HandBack = z.at(found.Base.Plans[0].Finish)
	}
	for _, g := range found.Gains {
		if g.Kind == plan.GainOneMore && z.claims[g.Claims[0]].kind == kindPart {
			continue // a part on its way is told as what is lifted
		}
		out.Reliefs = append(out.Reliefs, z.relief(g))
	}
	if !q.Start.IsZero() {
		lift, err := plan.Unblock(search, &z.problem, z.floor(q.Start), plan.Never)
		if err != nil {
			return out, err
		}
		out.Smallest, out.SmallestProved = z.blockers(lift.Blockers, nil), lift.Smallest
		out.StartPossible = lift.Plan != nil && len(lift.Blockers) == 0
	}
	return out, nil
}

func (z *puzzle) relief(g plan.Gain) Relief {
	out := Relief{HandBack: z.at(g.Finish), Sooner: time.Duration(g.Sooner) * time.Minute}
	if len(g.Claims) > 0 {
		out.Need = z.claims[g.Claims[0]].need
	}
	switch g.Kind {
	case plan.GainOneMore:
		out.Kind = ReliefOneMore
		return out
	case plan.GainExpiry:
		out.Kind = ReliefCalibration
	case plan.GainShut:
		out.Kind = ReliefClosure
		if g.Ref >= 0 {
			out.Need = fmt.Sprintf("%s: %s", out.Need, z.reasons[g.Ref].text)
		}
	}
	if g.Unit >= 0 && z.refs[g.Unit].Kind != kindPart {
		ref := z.refs[g.Unit]
		out.Ref = &ref
	}
	return out
}
