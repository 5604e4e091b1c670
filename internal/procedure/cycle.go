package procedure

import (
	"fmt"
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// cycle is the fault of a graph that has no order.
func (m *merger) cycle() error {
	if ring := m.graph.ring(false); ring != nil {
		return m.ringFault(ring)
	}
	// Every step could be done, but not with joined steps in one piece. The
	// ring leaves a joined run and comes back to it.
	var names []string
	for _, h := range m.graph.ring(true) {
		if int(h.node) < len(m.steps) {
			names = append(names, m.steps[h.node].ID)
		}
		if int(h.edge.to) < len(m.steps) {
			names = append(names, m.steps[h.edge.to].ID)
		}
	}
	return fault.New(fault.Invalid, "JOINED_APART",
		"joined steps leave no gap, yet the order puts other work between them: %s",
		strings.Join(compact(names), " → "))
}

// compact drops names that repeat the one before.
func compact(names []string) []string {
	var kept []string
	for _, n := range names {
		if len(kept) == 0 || kept[len(kept)-1] != n {
			kept = append(kept, n)
		}
	}
	return kept
}

// ringFault names the steps that wait for each other, and for each of them why
// the next comes after it.
func (m *merger) ringFault(ring []hop) error {
	start := -1
	for i, h := range ring {
		if int(h.node) < len(m.steps) {
			start = i
			break
		}
	}
	if start < 0 {
		return fault.New(fault.Invalid, "STEP_CYCLE",
			"these preparations wait for each other: %s", strings.Join(m.boundNames(ring), " → "))
	}
	ring = append(ring[start:], ring[:start]...)
	f := fault.New(fault.Invalid, "STEP_CYCLE", "")
	var names []string
	for i := 0; i < len(ring); {
		from := m.steps[ring[i].node].ID
		names = append(names, from)
		why := ring[i].edge.why
		for i++; i < len(ring) && int(ring[i].node) >= len(m.steps); i++ {
			why = max(why, ring[i].edge.why)
		}
		to := m.steps[ring[i%len(ring)].node].ID
		f.Fields = append(f.Fields, fault.Field{Path: from, Message: fmt.Sprintf("comes before %s: %s", to, why)})
	}
	f.Message = "these steps wait for each other: " + strings.Join(append(names, names[0]), " → ")
	if reason, what := m.misplaced(ring); reason != "" {
		f.Reason = reason
		f.Message = what + "; " + f.Message
	}
	return f
}

// misplaced says in the words of the trade what a ring means that passes the
// bounds of a preparation: the step that needs the state comes after its
// put-back, or before its set-up. It is empty for other rings.
func (m *merger) misplaced(ring []hop) (reason, what string) {
	at := func(which int32) (prep string, i int) {
		i = slices.IndexFunc(ring, func(h hop) bool {
			bound := m.bound(h.node)
			return bound >= 0 && bound < boundsOfPrep*int32(len(m.preps)) && bound%boundsOfPrep == which
		})
		if i >= 0 {
			prep = m.preps[m.bound(ring[i].node)/boundsOfPrep].ID
		}
		return prep, i
	}
	if p, i := at(ends); i >= 0 {
		return "PUT_BACK_EARLY", fmt.Sprintf("%s would be put back before %s, which needs it", p, m.stepFrom(ring, i, -1))
	}
	if p, i := at(stands); i >= 0 {
		return "SET_UP_LATE", fmt.Sprintf("%s would be set up after %s, which needs it", p, m.stepFrom(ring, i, 1))
	}
	return "", ""
}

// stepFrom is the nearest step on a ring, forwards or backwards from a hop. The
// ring has one.
func (m *merger) stepFrom(ring []hop, i, way int) string {
	for k := 1; k < len(ring); k++ {
		at := ring[(i+way*k+len(ring))%len(ring)].node
		if int(at) < len(m.steps) {
			return m.steps[at].ID
		}
	}
	return ""
}

// bound numbers the bounds from 0; a step has a number below.
func (m *merger) bound(node int32) int32 { return node - int32(len(m.steps)) }

// boundNames gives the preparations and procedures whose bounds lie on a ring.
func (m *merger) boundNames(ring []hop) []string {
	var names []string
	for _, h := range ring {
		bound, preps := m.bound(h.node), int32(len(m.preps))
		if k := bound / boundsOfPrep; k < preps {
			names = append(names, m.preps[k].ID)
		} else {
			names = append(names, m.procedures[(bound-boundsOfPrep*preps)/2])
		}
	}
	names = compact(names)
	return append(names, names[0])
}

// String says in words why one step comes before another.
func (r reason) String() string {
	return [...]string{
		boundary: "the ends of their lists",
		listed:   "they are listed in this order",
		named:    "after or before says so",
		joined:   "they are joined",
		needed:   "a preparation is set up before, and put back after, what needs it",
		placed:   "only_before or only_after says so",
		opposite: "preparations that exclude each other stand one after the other",
	}[r]
}
