package plan

import (
	"context"
	"encoding/binary"
	"strings"
	"testing"

	"bayhold/internal/fault"
)

func TestCheckRefusesUnsoundProblems(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Problem)
		want   string // part of the error
	}{
		{"nothing to place", func(p *Problem) { *p = Problem{Horizon: 10} }, "none to place"},
		{"no horizon", func(p *Problem) { p.Horizon = 0 }, "horizon"},
		{"cycle", func(p *Problem) { p.Arcs = append(p.Arcs, Arc{From: 3, To: 1}) }, "steps [1 2 3] come before themselves"},
		{"own cycle", func(p *Problem) { p.Arcs = append(p.Arcs, Arc{From: 2, To: 2}) }, "steps [2] come before themselves"},
		{"negative duration", func(p *Problem) { p.Steps[1].Duration = -1 }, "steps[1].duration"},
		{"negative lag", func(p *Problem) { p.Arcs[0].Lag = -1 }, "arcs[0].lag"},
		{"arc to nowhere", func(p *Problem) { p.Arcs[0].To = 99 }, "arcs[0]"},
		{"unbroken longer than shifts", func(p *Problem) { p.Steps[2].Duration = 241 }, "steps[2].duration"},
		{"nobody eligible", func(p *Problem) { p.Claims[0].Eligible = nil }, "claims[0].eligible"},
		{"too few eligible", func(p *Problem) { p.Claims[0].Count = 3 }, "claims[0].eligible: 3 of 2"},
		{"eligible twice", func(p *Problem) { p.Claims[0].Eligible = []int32{1, 1} }, "not ascending"},
		{"unknown unit", func(p *Problem) { p.Claims[0].Eligible = []int32{1, 99} }, "there is no unit 99"},
		{"crew for two steps", func(p *Problem) { p.Claims[3].Steps = []int32{0, 1} }, "a crew is for one step"},
		{"crew in elapsed time", func(p *Problem) { p.Steps[0].Elapsed = true }, "takes no crew"},
		{"step twice in a claim", func(p *Problem) { p.Claims[0].Steps = []int32{0, 0} }, "stands twice"},
		{"range upside down", func(p *Problem) { p.Units[0].Open = []Window{{5, 4}} }, "ends before it starts"},
		{"windows overlap", func(p *Problem) { p.Units[0].Open = []Window{{0, 9}, {8, 12}} }, "overlaps"},
		{"bookings not sorted", func(p *Problem) {
			p.Units[0].Busy = []Blocked{{Window{5, 6}, 0}, {Window{1, 2}, 0}}
		}, "starts before"},
		{"unknown job", func(p *Problem) { p.Steps[0].Job = 1 }, "there is no job 1"},
		{"too many steps", func(p *Problem) { p.Steps = make([]Step, maxSteps+1) }, "more than"},
		{"pool too small", func(p *Problem) {
			p.Pools, p.Uses = []Pool{{1}}, []Use{{Amount: 2}}
		}, "uses[0].amount"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := day()
			c.change(p)
			err := p.Check()
			if fault.KindOf(err) != fault.Invalid || err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want an invalid fault with %q", err, c.want)
			}
		})
	}
	if err := day().Check(); err != nil {
		t.Errorf("a sound problem: %v", err)
	}
}

// FuzzProblem reads a problem from bytes: whatever it says, it is refused or
// answered, and the answer is sound.
func FuzzProblem(f *testing.F) {
	f.Add([]byte{10, 3, 2, 1, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Add([]byte("\xff\x00\x01some bytes that mean little\x80\x7f"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p := decodeProblem(data)
		front, err := Find(context.Background(), p, FindOptions{Nodes: 200, Points: 3})
		if err != nil && fault.KindOf(err) != fault.Invalid {
			t.Fatal(err)
		}
		for i := range front.Plans {
			if v := Validate(p, &front.Plans[i]); v != nil {
				t.Fatalf("%+v", v)
			}
		}
		if c, err := Check(context.Background(), p, 3, 0); err == nil && !c.OK && len(c.Blockers) == 0 {
			t.Fatal("refused without a blocker")
		}
	})
}

// decodeProblem makes a problem out of any bytes, mostly an unsound one.
func decodeProblem(data []byte) *Problem {
	next := func() int32 {
		if len(data) == 0 {
			return 0
		}
		b := data[0]
		data = data[1:]
		if b == 0xff && len(data) >= 4 {
			v := int32(binary.LittleEndian.Uint32(data))
			data = data[4:]
			return v
		}
		return int32(b%32) - int32(b/224)
	}
	count := func(most int32) int { return int(max(0, next()) % (most + 1)) }
	p := &Problem{Horizon: Time(next() + 10)}
	p.Units = make([]Unit, count(4))
	for i := range p.Units {
		u := &p.Units[i]
		u.Expiry = Time(next()) + 8
		for range count(3) {
			s := Time(next())
			u.Open = append(u.Open, Window{s, s + Time(next())})
		}
		for range count(2) {
			s := Time(next())
			u.Busy = append(u.Busy, Blocked{Window{s, s + Time(next())}, 0})
		}
	}
	p.Steps = make([]Step, count(6))
	for i := range p.Steps {
		p.Steps[i] = Step{Duration: Time(next()), Release: Time(next() / 4), Unbroken: next() > 20}
	}
	for range count(6) {
		p.Arcs = append(p.Arcs, Arc{From: next() % 8, To: next() % 8, Lag: Time(next() / 8), Joined: next() > 24})
	}
	for range count(5) {
		c := Claim{Count: next()%3 + 1, Crew: next() > 12}
		for range 1 + count(2) {
			c.Steps = append(c.Steps, next()%8)
		}
		for range count(3) {
			c.Eligible = append(c.Eligible, next()%6)
		}
		p.Claims = append(p.Claims, c)
	}
	return p
}
