package plan

import (
	"cmp"
	"context"
	"slices"
)

// GainKind says what change a Gain supposes.
type GainKind int32

// The changes that Explain tries.
const (
	// GainOneMore is one more unit that would do for some claims.
	GainOneMore GainKind = iota
	// GainExpiry is a calibration that does not lapse.
	GainExpiry
	// GainShut is a closure, an absence or a condition that is lifted.
	GainShut
)

var gainNames = [...]string{"ONE_MORE", "EXPIRY", "SHUT"}

// String is the kind's name in capitals.
func (k GainKind) String() string {
	if k < 0 || int(k) >= len(gainNames) {
		return "UNKNOWN"
	}
	return gainNames[k]
}

// Gain is how much sooner the hand-back would be with one thing changed.
type Gain struct {
	Kind GainKind
	// Claims are those that the change serves.
	Claims []int32
	// Unit is what is lifted from, -1 with GainOneMore; Ref is the closure's
	// number in the unit's Shut, -1 with other kinds.
	Unit, Ref int32
	// Finish is the earliest with the change, Sooner the minutes won: from
	// the horizon if there is no plan without it.
	Finish, Sooner Time
	// Proved says that both finishes are.
	Proved bool
}

// Explanation tells what binds.
type Explanation struct {
	// Base is the front with nothing changed, only its earliest plan.
	Base Front
	// Gains are the changes that help, the most helpful first.
	Gains []Gain
	// Cut says that the time ran out, or that there were too many changes
	// to try, before all were tried.
	Cut bool
}

// maxGains bounds the changes that are tried.
const maxGains = 400

// Explain tells for each resource that binds how much sooner the job would be
// finished with one more of it, and for each lapsing calibration and closure
// how much sooner without it, one change at a time. The options are Find's.
// The error is a fault of kind Invalid for an unsound problem.
func Explain(ctx context.Context, p *Problem, o FindOptions) (Explanation, error) {
	order, err := p.prepare()
	if err != nil {
		return Explanation{}, err
	}
	o.Points = 1
	ex := Explanation{Base: newFinder(ctx, p, order, o).find()}
	last := p.Horizon
	if len(ex.Base.Plans) > 0 {
		last = ex.Base.Plans[0].Finish
	}
	// Only a plan that ends sooner is of interest: most changes are refuted
	// by the first bounds then.
	if len(ex.Base.Plans) > 0 {
		if o.By = last - 1; o.By <= 0 {
			return ex, nil
		}
	}
	for i, g := range p.changes(last) {
		if i >= maxGains || ctx.Err() != nil {
			ex.Cut = true
			break
		}
		f := newFinder(ctx, p.with(g), order, o).quietly()
		if len(f.Plans) == 0 || f.Plans[0].Finish >= last {
			continue
		}
		g.Finish, g.Sooner = f.Plans[0].Finish, last-f.Plans[0].Finish
		g.Proved = f.Proved && (ex.Base.Proved || len(ex.Base.Impossible) > 0)
		ex.Gains = append(ex.Gains, g)
	}
	slices.SortStableFunc(ex.Gains, func(a, b Gain) int { return cmp.Compare(b.Sooner, a.Sooner) })
	return ex, nil
}

// changes lists what could help a plan that ends at last.
func (p *Problem) changes(last Time) []Gain {
	var out []Gain
	serves := make([][]int32, len(p.Units))
	for c := range p.Claims {
		cl := &p.Claims[c]
		for _, u := range cl.Eligible {
			serves[u] = append(serves[u], int32(c))
		}
		k := slices.IndexFunc(out, func(g Gain) bool {
			o := &p.Claims[g.Claims[0]]
			return o.Crew == cl.Crew && slices.Equal(o.Eligible, cl.Eligible)
		})
		if k >= 0 {
			out[k].Claims = append(out[k].Claims, int32(c))
		} else {
			out = append(out, Gain{Kind: GainOneMore, Claims: []int32{int32(c)}, Unit: -1, Ref: -1})
		}
	}
	for u := range p.Units {
		if len(serves[u]) == 0 {
			continue
		}
		if p.Units[u].Expiry < last {
			out = append(out, Gain{Kind: GainExpiry, Claims: serves[u], Unit: int32(u), Ref: -1})
		}
		var refs []int32
		for _, b := range p.Units[u].Shut {
			if b.Start < last && !slices.Contains(refs, b.Ref) {
				refs = append(refs, b.Ref)
				out = append(out, Gain{Kind: GainShut, Claims: serves[u], Unit: int32(u), Ref: b.Ref})
			}
		}
	}
	return out
}

// with makes the problem with one change.
func (p *Problem) with(g Gain) *Problem {
	q := *p
	q.Units = slices.Clone(p.Units)
	switch g.Kind {
	case GainExpiry:
		q.Units[g.Unit].Expiry = Never
	case GainShut:
		q.Units[g.Unit].Shut = without(q.Units[g.Unit].Shut, g.Ref)
	case GainOneMore:
		more := p.another(&p.Claims[g.Claims[0]])
		q.Units = append(q.Units, more)
		q.Claims = slices.Clone(p.Claims)
		for _, c := range g.Claims {
			q.Claims[c].Eligible = append(slices.Clip(q.Claims[c].Eligible), int32(len(p.Units)))
		}
	}
	return &q
}

// without drops the ranges with a number.
func without(bs []Blocked, ref int32) []Blocked {
	return slices.DeleteFunc(slices.Clone(bs), func(b Blocked) bool { return b.Ref == ref })
}

// another is one more unit for a claim: always there, but if it is a person
// only in the shifts of the one who has most of them.
func (p *Problem) another(c *Claim) Unit {
	u := Unit{ID: "\uffffone more", Open: []Window{{0, p.Horizon}}, Expiry: Never}
	if !c.Crew {
		return u
	}
	most := Time(-1)
	for _, e := range c.Eligible {
		sum := Time(0)
		for _, w := range until(mergeWindows(p.Units[e].Open), p.Horizon) {
			sum += w.End - w.Start
		}
		if sum > most {
			most, u.Open = sum, p.Units[e].Open
		}
	}
	return u
}
