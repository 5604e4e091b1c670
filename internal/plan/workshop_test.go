package plan

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
)

// shop says what workshop to make up.
type shop struct {
	jobs, steps           int // steps of each job
	bays, people, tools   int
	bookings, days        int
	seed                  uint64
	longest, betweenSteps int // minutes of a step; one step in so many has a wait after it
}

// workshop makes up a workshop problem: bays, people of three skills with
// shifts, tools of which some lapse, bookings; jobs as networks of preparations
// that nest, with tools held between set-up and put-back.
func workshop(s shop) *Problem {
	r := rand.New(rand.NewPCG(s.seed, 11))
	p := &Problem{Horizon: Time(s.days * 1440)}
	var bays, people, tools []int32
	add := func(list *[]int32, u Unit) {
		*list = append(*list, int32(len(p.Units)))
		p.Units = append(p.Units, u)
	}
	for i := range s.bays {
		add(&bays, Unit{ID: fmt.Sprintf("bay-%02d", i), Open: []Window{{0, p.Horizon}}, Expiry: Never})
	}
	for i := range s.people {
		u := Unit{ID: fmt.Sprintf("person-%02d", i), Expiry: Never}
		late := Time(i%3) * 60
		for d := range Time(s.days) {
			if d%7 < 5 && r.IntN(25) > 0 {
				u.Open = append(u.Open, Window{d*1440 + 420 + late, d*1440 + 720}, Window{d*1440 + 765, d*1440 + 960 + late})
			}
		}
		add(&people, u)
	}
	for i := range s.tools {
		u := Unit{ID: fmt.Sprintf("tool-%03d", i), Open: []Window{{0, p.Horizon}}, Expiry: Never}
		if r.IntN(4) == 0 {
			u.Expiry = Time(r.IntN(s.days+10)) * 1440
		}
		add(&tools, u)
	}
	for b := range s.bookings {
		u := &p.Units[r.IntN(len(p.Units))]
		at := Time(r.IntN(s.days*24)) * 60
		w := Window{at, at + 60 + Time(r.IntN(8))*60}
		if !slices.ContainsFunc(u.Busy, func(o Blocked) bool { return overlaps(o.Window, w) }) {
			u.Busy = append(u.Busy, Blocked{w, int32(b)})
			slices.SortFunc(u.Busy, func(a, b Blocked) int { return int(a.Start) - int(b.Start) })
		}
	}
	for j := range s.jobs {
		due := Time(1+r.IntN(max(1, s.days*2/3))) * 1440
		p.Jobs = append(p.Jobs, Job{Due: due, Weight: float64(1 + r.IntN(3))})
		shopJob(r, p, s, int32(j), bays, people, tools)
	}
	return p
}

// shopJob adds one job: nested preparations around its own steps.
func shopJob(r *rand.Rand, p *Problem, s shop, job int32, bays, people, tools []int32) {
	first := int32(len(p.Steps))
	release := Time(0)
	if s.jobs > 1 {
		release = Time(r.IntN(max(1, s.days/3))) * 1440
	}
	depth := s.steps / 4
	for k := range s.steps {
		st := Step{Duration: Time(5 + 5*r.IntN(max(1, s.longest/5))), Release: release, Job: job, Unbroken: r.IntN(5) == 0}
		i := first + int32(k)
		if r.IntN(12) == 0 {
			st.Elapsed, st.Unbroken = true, false
		}
		p.Steps = append(p.Steps, st)
		if k > 0 {
			lag := Time(0)
			if r.IntN(s.betweenSteps) == 0 {
				lag = Time(30 + 30*r.IntN(6))
			}
			from := i - 1
			if k > 2 && k > depth && k < s.steps-depth && r.IntN(2) == 0 {
				from = i - 2 // beside the step before it
			}
			p.Arcs = append(p.Arcs, Arc{From: from, To: i, Lag: lag, Joined: lag == 0 && r.IntN(15) == 0 && from == i-1})
			if k == s.steps-depth {
				for b := first + int32(depth); b < i-1; b++ {
					p.Arcs = append(p.Arcs, Arc{From: b, To: i})
				}
			}
		}
		if !st.Elapsed {
			skill := int32(r.IntN(3))
			var able []int32
			for x, u := range people {
				if int32(x)%3 == skill || x%2 == 0 {
					able = append(able, u)
				}
			}
			n := int32(1)
			if r.IntN(8) == 0 && len(able) > 1 {
				n = 2
			}
			p.Claims = append(p.Claims, Claim{Steps: []int32{i}, Eligible: able, Count: n, Crew: true})
		}
		if r.IntN(2) == 0 && len(tools) > 0 {
			p.Claims = append(p.Claims, Claim{Steps: []int32{i}, Eligible: kind(r, tools), Count: 1})
		}
	}
	all := make([]int32, s.steps)
	for k := range all {
		all[k] = first + int32(k)
	}
	for k := range depth {
		if r.IntN(3) == 0 && len(tools) > 0 {
			p.Claims = append(p.Claims, Claim{Steps: slices.Clone(all[k : len(all)-k]), Eligible: kind(r, tools), Count: 1})
		}
	}
	p.Claims = append(p.Claims, Claim{Steps: all, Eligible: bays, Count: 1})
}

// kind gives the tools of one kind: every eighth, or fewer.
func kind(r *rand.Rand, tools []int32) []int32 {
	every := max(1, len(tools)/4)
	var out []int32
	for i := r.IntN(every); i < len(tools); i += every {
		out = append(out, tools[i])
	}
	return out
}

// merged is one merged job of 60 steps in a workshop of 8 bays, 200 tools and
// 1,000 standing bookings.
func merged(seed uint64) *Problem {
	return workshop(shop{jobs: 1, steps: 60, bays: 8, people: 10, tools: 200, bookings: 1000, days: 28, seed: seed, longest: 60, betweenSteps: 10})
}

func BenchmarkFindMergedJob(b *testing.B) {
	for _, points := range []int{1, 8} {
		b.Run(fmt.Sprint("points=", points), func(b *testing.B) {
			proved, plans, nodes := 0, 0, int64(0)
			for i := range b.N {
				f, err := Find(context.Background(), merged(uint64(i%50)), FindOptions{Points: points, Nodes: 20000})
				if err != nil {
					b.Fatal(err)
				}
				plans += len(f.Plans)
				nodes += f.Nodes
				if f.Proved {
					proved++
				}
			}
			b.ReportMetric(float64(proved)/float64(b.N), "proved/op")
			b.ReportMetric(float64(plans)/float64(b.N), "plans/op")
			b.ReportMetric(float64(nodes)/float64(b.N), "nodes/op")
		})
	}
}
