package plan

import (
	"fmt"
	"math/rand/v2"
	"slices"
)

// tiny makes a random problem small enough to be searched in full: up to five
// steps, two bays, three tools, three people, spans, waits, pauses, expiry.
func tiny(seed uint64) *Problem {
	r := rand.New(rand.NewPCG(seed, 7))
	p := &Problem{Horizon: Time(10 + r.IntN(8)), Jobs: []Job{{Due: Never, Weight: 1}}}
	bays := tinyUnits(r, p, "bay", 1+r.IntN(2), false)
	tools := tinyUnits(r, p, "tool", r.IntN(4), false)
	people := tinyUnits(r, p, "person", 1+r.IntN(3), true)
	n := 1 + r.IntN(5)
	for range n {
		p.Steps = append(p.Steps, Step{Duration: Time(r.IntN(4)), Unbroken: r.IntN(3) == 0, Release: Time(max(0, r.IntN(8)-5))})
	}
	for j := range n {
		for i := range j {
			if r.IntN(3) == 0 {
				p.Arcs = append(p.Arcs, Arc{From: int32(i), To: int32(j), Lag: Time(max(0, r.IntN(5)-2)), Joined: r.IntN(5) == 0})
			}
		}
	}
	if r.IntN(4) > 0 {
		all := make([]int32, n)
		for i := range all {
			all[i] = int32(i)
		}
		p.Claims = append(p.Claims, Claim{Steps: all, Eligible: bays, Count: 1})
	}
	for range r.IntN(3) {
		if len(tools) > 0 {
			p.Claims = append(p.Claims, Claim{Steps: some(r, n), Eligible: subset(r, tools), Count: 1})
		}
	}
	for c := range p.Claims {
		if r.IntN(6) == 0 && len(p.Claims[c].Eligible) > 1 {
			p.Claims[c].Count = 2
		}
	}
	for i := range n {
		if r.IntN(4) == 0 {
			p.Steps[i].Elapsed = r.IntN(2) == 0
			continue
		}
		for range 1 + r.IntN(6)/5 {
			e := subset(r, people)
			p.Claims = append(p.Claims, Claim{Steps: []int32{int32(i)}, Eligible: e, Count: int32(1 + r.IntN(len(e)+1)/len(e)*min(1, len(e)-1)), Crew: true})
		}
	}
	if r.IntN(4) == 0 {
		p.Pools = []Pool{{Capacity: 2}}
		for i := range n {
			p.Uses = append(p.Uses, Use{Step: int32(i), Amount: int32(r.IntN(3))})
		}
	}
	if r.IntN(12) == 0 {
		k := r.IntN(n)
		p.Steps[k].Frozen, p.Steps[k].At = true, Time(r.IntN(6))
	}
	return p
}

func tinyUnits(r *rand.Rand, p *Problem, kind string, n int, shifts bool) []int32 {
	var out []int32
	for i := range n {
		u := Unit{ID: fmt.Sprint(kind, i), Open: []Window{{0, p.Horizon}}, Expiry: Never}
		if shifts {
			u.Open = nil
			for t := Time(r.IntN(3)); t < p.Horizon; {
				e := t + 2 + Time(r.IntN(5))
				u.Open = append(u.Open, Window{t, min(e, p.Horizon)})
				t = e + Time(r.IntN(3))
			}
		}
		if r.IntN(4) == 0 {
			s := Time(r.IntN(int(p.Horizon)))
			u.Busy = append(u.Busy, Blocked{Window{s, s + 1 + Time(r.IntN(4))}, 1})
		}
		if r.IntN(5) == 0 {
			s := Time(r.IntN(int(p.Horizon)))
			u.Shut = append(u.Shut, Blocked{Window{s, s + 1 + Time(r.IntN(3))}, 2})
		}
		if r.IntN(4) == 0 {
			u.Expiry = p.Horizon/3 + Time(r.IntN(int(p.Horizon)))
		}
		out = append(out, int32(len(p.Units)))
		p.Units = append(p.Units, u)
	}
	return out
}

// some gives a few step numbers, at least one.
func some(r *rand.Rand, n int) []int32 {
	var out []int32
	for i := range n {
		if r.IntN(2) == 0 {
			out = append(out, int32(i))
		}
	}
	if len(out) == 0 {
		out = []int32{int32(r.IntN(n))}
	}
	return out
}

// subset gives a few of the units, at least one, ascending.
func subset(r *rand.Rand, units []int32) []int32 {
	var out []int32
	for _, k := range some(r, len(units)) {
		out = append(out, units[k])
	}
	slices.Sort(out)
	return out
}
