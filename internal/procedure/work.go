package procedure

// Work is how much a network asks for, in minutes.
type Work struct {
	Steps   Estimate // the minutes of all steps together
	People  int      // likely minutes of people: of two at one step twice
	Longest int      // likely minutes of the longest way through it, waits included
}

// Work adds up what the network asks for. Longest is what it would take with
// every person and tool at hand and nobody going home: the least time in a bay.
func (n Network) Work() Work {
	var w Work
	ends := make([]int, len(n.Steps))
	arc := 0
	starts := make([]int, len(n.Steps))
	for i, s := range n.Steps {
		e := s.Step.Estimate
		w.Steps.Low += e.Low
		w.Steps.Likely += e.Likely
		w.Steps.High += e.High
		for _, c := range s.Step.Crew {
			w.People += c.People * e.Likely
		}
		ends[i] = starts[i] + e.Likely
		w.Longest = max(w.Longest, ends[i])
		for ; arc < len(n.Arcs) && n.Arcs[arc].From == i; arc++ {
			a := n.Arcs[arc]
			starts[a.To] = max(starts[a.To], ends[i]+a.Lag)
		}
	}
	return w
}
