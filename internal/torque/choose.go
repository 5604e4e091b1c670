package torque

import (
	"cmp"
	"fmt"
	"slices"
)

// Tool is a wrench, a bar or a multiplier with what it can do, in newton metres.
type Tool struct {
	ID string
	// Min and Max bound what it can be set to: of a wrench the calibrated
	// range, of a multiplier what it may give out.
	Min, Max   float64
	Resolution float64 // smallest step of its scale; 0 if unknown
	Drive      string  // its square, "1/2in"; empty if unknown
	Length     float64 // millimetres from the drive to the centre of the grip; 0 if unknown
	// Ratio is output to input torque of a multiplier, as its maker states
	// it, losses included; 0 for a wrench.
	Ratio float64
	Input string // the square that drives a multiplier; empty if unknown
}

// Coupling is an adapter from one square drive to another, on one axis.
type Coupling struct {
	From, To string
	Max      float64 // newton metres; 0 if not rated
}

// Need is a tightening that wants a tool.
type Need struct {
	Stages    []Stage
	Peak      float64  // greatest torque the tool must bear; 0: the greatest stage
	Tolerance float64  // of the joint, as a fraction of the wanted torque; 0 if not stated
	Drive     string   // of the socket; empty: any
	Adapter   *Adapter // nil: the socket sits on the drive
}

// Choice is a tool that serves a need.
type Choice struct {
	Tool       string
	Multiplier string    // the multiplier it drives; empty if none
	Coupled    bool      // needs a coupling between drives
	Set        []float64 // what the tool is set to for each stage; 0 for angles

	resolution, reach float64
}

// Refusal is a tool that does not serve, and why.
type Refusal struct{ Tool, Why string }

// Choose lists the tools that serve a need, the best first: a wrench by itself
// before one with a multiplier, then the finest scale, then a drive that fits
// without a coupling, then the smallest range that covers, then the lowest id.
// The range is checked on what the tool is set to and bears, which an adapter
// or a multiplier changes, never on what the joint gets.
func Choose(tools []Tool, couplings []Coupling, need Need) ([]Choice, []Refusal) {
	var choices []Choice
	var refusals []Refusal
	weigh := func(wrench, multiplier Tool) {
		c, why := serves(wrench, multiplier, couplings, need)
		if why != "" {
			name := wrench.ID
			if multiplier.ID != "" {
				name += " with " + multiplier.ID
			}
			refusals = append(refusals, Refusal{name, why})
			return
		}
		choices = append(choices, c)
	}
	for _, w := range tools {
		if w.Ratio > 0 {
			continue
		}
		weigh(w, Tool{})
		for _, m := range tools {
			if m.Ratio > 0 {
				weigh(w, m)
			}
		}
	}
	slices.SortFunc(choices, func(a, b Choice) int {
		return cmp.Or(
			cmp.Compare(rank(a.Multiplier != ""), rank(b.Multiplier != "")),
			cmp.Compare(rank(a.resolution == 0), rank(b.resolution == 0)), // unknown last
			cmp.Compare(a.resolution, b.resolution),
			cmp.Compare(rank(a.Coupled), rank(b.Coupled)),
			cmp.Compare(a.reach, b.reach),
			cmp.Compare(a.Tool, b.Tool),
			cmp.Compare(a.Multiplier, b.Multiplier),
		)
	})
	return choices, refusals
}

// rank puts what is not so before what is.
func rank(so bool) int {
	if so {
		return 1
	}
	return 0
}

// serves tells how a wrench, driving a multiplier unless that has no id, does
// the work, or why it does not.
func serves(w, m Tool, couplings []Coupling, need Need) (Choice, string) {
	// share is the wrench's torque for one newton metre at the fastener.
	share := 1.0
	out := w
	c := Choice{Tool: w.ID, Multiplier: m.ID, resolution: w.Resolution, reach: w.Max}
	peak := greatest(need)
	switch {
	case m.ID != "":
		if need.Adapter != nil {
			return c, "a multiplier reacts on its foot: it takes no adapter"
		}
		if peak > m.Max {
			return c, fmt.Sprintf("the multiplier is rated for %s, the peak is %s", show(m.Max), show(peak))
		}
		share, out = 1/m.Ratio, m
		c.resolution *= m.Ratio
		c.reach = m.Max
		coupled, why := fitDrive(w.Drive, m.Input, couplings, peak*share)
		if why != "" {
			return c, why
		}
		c.Coupled = coupled
	case need.Adapter != nil:
		set, err := need.Adapter.Set(1, w.Length)
		if err != nil {
			return c, err.Error()
		}
		share = set
	}
	coupled, why := fitDrive(out.Drive, need.Drive, couplings, peak)
	if why != "" {
		return c, why
	}
	c.Coupled = c.Coupled || coupled
	if why := inRange(w, share, peak, c.resolution, need); why != "" {
		return c, why
	}
	for _, s := range need.Stages {
		c.Set = append(c.Set, s.Torque*share)
	}
	return c, ""
}

// inRange says what keeps a wrench from the stages and the peak of a need.
func inRange(w Tool, share, peak, resolution float64, need Need) string {
	if bears := peak * share; bears > w.Max {
		return fmt.Sprintf("it ends at %s, the peak on it is %s", show(w.Max), show(bears))
	}
	for _, s := range need.Stages {
		set := s.Torque * share
		switch {
		case s.Torque == 0:
		case set > w.Max:
			return fmt.Sprintf("it ends at %s and would be set to %s", show(w.Max), show(set))
		case set < w.Min:
			return fmt.Sprintf("it begins at %s and would be set to %s", show(w.Min), show(set))
		case need.Tolerance > 0 && resolution/2 > need.Tolerance*s.Torque:
			return fmt.Sprintf("its scale of %s is too coarse for %s ± %g %%",
				show(w.Resolution), show(s.Torque), 100*need.Tolerance)
		}
	}
	return ""
}

// fitDrive tells whether one square drives another directly or through a
// coupling that bears the load; an unknown square is taken to fit.
func fitDrive(from, to string, couplings []Coupling, load float64) (coupled bool, why string) {
	if from == to || from == "" || to == "" {
		return false, ""
	}
	for _, c := range couplings {
		if c.From == from && c.To == to && (c.Max == 0 || c.Max >= load) {
			return true, ""
		}
	}
	return false, fmt.Sprintf("its drive is %s, %s is needed, and no coupling bears %s", from, to, show(load))
}

// greatest is the most that the fastener asks of the tool.
func greatest(need Need) float64 {
	peak := need.Peak
	for _, s := range need.Stages {
		peak = max(peak, s.Torque)
	}
	return peak
}

func show(nm float64) string { return fmt.Sprintf("%.4g N·m", nm) }
