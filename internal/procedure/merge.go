package procedure

import (
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// Merge makes one network of the work of several procedures of one engine
// family, with the preparations that they need, each once:
//
//   - a preparation is set up after those it needs, and put back before them;
//   - a procedure's own steps lie between: after the set-up of all it needs,
//     before the put-back of any of them;
//   - after, before, only_before and only_after add order; those that name
//     work which is not part of this job add none;
//   - preparations that exclude each other stand one after the other.
//
// Steps come in an order in which they can be done, joined steps next to each
// other, set-up as early and put-back as late as the arcs allow. The result
// depends on which procedures are named and on nothing else: not on their
// order, nor on naming one twice.
//
// Work that cannot be ordered is an Invalid fault: STEP_CYCLE names the steps
// that wait for each other, PUT_BACK_EARLY and SET_UP_LATE also the preparation
// that would not stand when a step needs it, PREPARATION_CYCLE the preparations that need each
// other, OPPOSITE_NEEDS the preparations that exclude each other and cannot be
// ordered, JOINED_APART the joined steps that another must come between.
func (l Library) Merge(ids []string) (Network, error) {
	m := &merger{lib: l}
	if err := m.gather(ids); err != nil {
		return Network{}, err
	}
	m.link()
	if err := m.faults.Err("BAD_STEP_REFERENCE", "the steps of this job do not fit together"); err != nil {
		return Network{}, err
	}
	if err := m.separate(); err != nil {
		return Network{}, err
	}
	sorted := m.graph.order()
	if len(sorted) < len(m.graph.out) {
		return Network{}, m.cycle()
	}
	net := Network{
		Family:      m.family,
		Procedures:  m.procedures,
		BayFeatures: m.features(),
		Steps:       make([]NetStep, 0, len(m.steps)),
	}
	position := make([]int32, len(m.steps)) // of each step in the network
	for _, u := range sorted {
		if int(u) < len(m.steps) {
			position[u] = int32(len(net.Steps))
			net.Steps = append(net.Steps, m.steps[u])
		}
	}
	arcs, err := m.arcs(sorted, position)
	if err != nil {
		return Network{}, err
	}
	net.Arcs = arcs
	net.Holds = m.holds(position)
	net.Cautions = m.cautions(net)
	return net, nil
}

// list is one list of steps: the set-up or the put-back of a preparation, or
// the steps of a procedure.
type list struct {
	owner string
	first int32 // node of its first step
	steps []Step
	enter int32 // bound that its first steps come after
	leave int32 // bound that its last steps come before
	// needs numbers the preparations that the steps of a procedure need, in
	// those that the steps stand in: the same, or the one they belong to.
	needs, in []int32
	// free holds, for the steps that do without one of needs, the rest.
	free map[int][]int32
}

// index is the place in the list of a node, or -1.
func (l *list) index(node int32) int {
	if node < l.first || int(node-l.first) >= len(l.steps) {
		return -1
	}
	return int(node - l.first)
}

// node is the node of the step at an index of the list.
func (l *list) node(i int) int32 { return l.first + int32(i) }

// The bounds of a preparation, in the order of time.
const (
	begins int32 = iota // its set-up may begin
	stands              // it is set up
	ends                // its put-back may begin
	gone                // it is put back
	boundsOfPrep
)

// prep is a preparation of the job with its bounds.
type prep struct {
	Preparation
	begins, stands, ends, gone int32
	setUp, putBack             *list
}

// merger is a merge under way.
type merger struct {
	lib        Library
	family     string
	procedures []string
	preps      []prep
	number     map[string]int32 // of a preparation in preps
	lists      []*list          // set-ups, procedures, put-backs
	steps      []NetStep        // by node
	graph      *graph
	bearers    *bearers
	byOwner    map[string]map[string]int32 // node of a step by owner and id
	// last holds, for each preparation, the steps that directly precede its
	// put-back; arcs fills it.
	last   [][]int32
	faults fault.Fields
}

// gather collects the procedures, their preparations and steps, and numbers
// the nodes: set-up steps, own steps, put-back steps, then bounds.
func (m *merger) gather(ids []string) error {
	if len(ids) == 0 {
		return fault.New(fault.Invalid, "NO_PROCEDURE", "a job needs at least one procedure")
	}
	m.procedures = slices.Clone(ids)
	slices.Sort(m.procedures)
	m.procedures = slices.Compact(m.procedures)
	var needs []string
	for _, id := range m.procedures {
		p, ok := m.lib.Procedures[id]
		if !ok {
			return fault.New(fault.NotFound, "PROCEDURE_NOT_FOUND", "there is no procedure %q", id)
		}
		needs = append(needs, p.Needs...)
	}
	closure, err := m.lib.closure(needs)
	if err != nil {
		return err
	}
	if err := m.oneFamily(closure); err != nil {
		return err
	}
	m.number = make(map[string]int32, len(closure))
	for i, id := range closure {
		m.number[id] = int32(i)
		m.preps = append(m.preps, prep{Preparation: m.lib.Preparations[id]})
	}
	return m.enumerate(closure)
}

// oneFamily checks that all the work is on one engine family.
func (m *merger) oneFamily(closure []string) error {
	first := m.procedures[0]
	m.family = m.lib.Procedures[first].Family
	for _, id := range m.procedures[1:] {
		if f := m.lib.Procedures[id].Family; f != m.family {
			return fault.New(fault.Invalid, "FAMILIES_DIFFER",
				"procedure %s is for engine family %s, %s for %s: one job is on one engine",
				first, m.family, id, f)
		}
	}
	for _, id := range closure {
		if f := m.lib.Preparations[id].Family; f != "" && f != m.family {
			return fault.New(fault.Invalid, "FAMILIES_DIFFER",
				"preparation %s is for engine family %s, procedure %s for %s", id, f, first, m.family)
		}
	}
	return nil
}

// enumerate numbers steps and bounds, and finds the needs of every owner.
func (m *merger) enumerate(closure []string) error {
	for i := range m.preps {
		m.preps[i].setUp = m.addList(closure[i], m.preps[i].SetUp)
	}
	own := len(m.lists)
	for _, id := range m.procedures {
		if _, taken := m.number[id]; taken {
			return fault.New(fault.Invalid, "OWNER_ID_TAKEN",
				"%q is the id of a procedure and of a preparation: one must be renamed", id)
		}
		m.addList(id, m.lib.Procedures[id].Steps)
	}
	for i := range m.preps {
		m.preps[i].putBack = m.addList(closure[i], m.preps[i].PutBack)
	}
	total := 0
	for _, l := range m.lists {
		total += len(l.steps)
	}
	if total == 0 {
		return fault.New(fault.Invalid, "NO_STEP", "these procedures have no step")
	}
	if total > MaxMergedSteps {
		return fault.New(fault.Exhausted, "TOO_MANY_STEPS",
			"the job would have %d steps, more than the %d that one job may have", total, MaxMergedSteps)
	}
	m.steps = make([]NetStep, 0, total)
	m.byOwner = make(map[string]map[string]int32, len(m.lists))
	for _, l := range m.lists {
		m.addSteps(l)
	}
	m.bind(m.lists[own : own+len(m.procedures)])
	return nil
}

// bind gives every list its bounds and its needs. own are the lists of the
// procedures.
func (m *merger) bind(own []*list) {
	bound := int32(len(m.steps))
	m.graph = newGraph(len(m.steps), int(boundsOfPrep)*len(m.preps)+2*len(own))
	needs := make([][]int32, len(m.preps))
	for i := range m.preps {
		p := &m.preps[i]
		p.begins, p.stands, p.ends, p.gone = bound+begins, bound+stands, bound+ends, bound+gone
		p.setUp.enter, p.setUp.leave = p.begins, p.stands
		p.putBack.enter, p.putBack.leave = p.ends, p.gone
		p.setUp.in, p.putBack.in = []int32{int32(i)}, []int32{int32(i)}
		needs[i] = m.numbers(p.Needs)
		bound += boundsOfPrep
	}
	m.bearers = newBearers(needs, 1_000_000)
	for i, l := range own {
		l.enter, l.leave = bound, bound+1
		l.needs = m.numbers(m.lib.Procedures[m.procedures[i]].Needs)
		l.in = l.needs
		bound += 2
	}
}

func (m *merger) addList(owner string, steps []Step) *list {
	l := &list{owner: owner, steps: steps}
	m.lists = append(m.lists, l)
	return l
}

// addSteps numbers the steps of a list.
func (m *merger) addSteps(l *list) {
	l.first = int32(len(m.steps))
	ids := m.byOwner[l.owner]
	if ids == nil {
		ids = make(map[string]int32, len(l.steps))
		m.byOwner[l.owner] = ids
	}
	for i, s := range l.steps {
		id := l.owner + "/" + s.ID
		if _, taken := ids[s.ID]; taken {
			m.faults.Add(id, "two steps of %s have this id", l.owner)
		}
		ids[s.ID] = l.node(i)
		m.steps = append(m.steps, NetStep{ID: id, Owner: l.owner, Step: s})
	}
}

// numbers gives the numbers of preparations that are part of the job.
func (m *merger) numbers(ids []string) []int32 {
	var ns []int32
	for _, id := range ids {
		if n, ok := m.number[id]; ok {
			ns = append(ns, n)
		}
	}
	return ns
}

// features is what the bay must have for all of the work, sorted.
func (m *merger) features() []string {
	var fs []string
	for _, p := range m.preps {
		fs = append(fs, p.BayFeatures...)
	}
	for _, id := range m.procedures {
		fs = append(fs, m.lib.Procedures[id].BayFeatures...)
	}
	slices.Sort(fs)
	return slices.Compact(fs)
}

// find gives the node of a step named by one of owner: "step" of its own or
// "other/step". It is -1 for work that is not part of the job.
func (m *merger) find(owner, ref string) (node int32, ok bool) {
	if other, step, far := strings.Cut(ref, "/"); far {
		ids, present := m.byOwner[other]
		if !present {
			return -1, true
		}
		node, ok = ids[step]
		return node, ok
	}
	node, ok = m.byOwner[owner][ref]
	return node, ok
}
