package procedure

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/fault"
)

// pick draws some of the items, each with one chance in n.
func pick(t *rapid.T, items []string, n int, label string) []string {
	var picked []string
	for _, it := range items {
		if rapid.IntRange(1, n).Draw(t, label) == 1 {
			picked = append(picked, it)
		}
	}
	return picked
}

// drawSteps draws a list of steps that may name each other, steps of other
// owners and preparations.
func drawSteps(t *rapid.T, prefix string, least int, preps, far []string) []Step {
	n := rapid.IntRange(least, 5).Draw(t, prefix+" steps")
	var ids []string
	steps := make([]Step, n)
	for i := range steps {
		id := fmt.Sprintf("%s%d", prefix, i)
		s := step(id, rapid.IntRange(1, 60).Draw(t, "minutes"))
		s.Anytime = rapid.IntRange(1, 5).Draw(t, "anytime") == 1
		s.After = pick(t, ids, 6, "after")
		if rapid.IntRange(1, 12).Draw(t, "far") == 1 && len(far) > 0 {
			s.After = append(s.After, rapid.SampledFrom(far).Draw(t, "owner")+"/a0")
		}
		s.JoinedToNext = i < n-1 && rapid.IntRange(1, 6).Draw(t, "joined") == 1
		if !s.JoinedToNext {
			s.WaitAfter = rapid.SampledFrom([]int{0, 0, 0, 30}).Draw(t, "wait")
		}
		s.OnlyBefore = pick(t, preps, 15, "only before")
		s.OnlyAfter = pick(t, preps, 15, "only after")
		if rapid.IntRange(1, 4).Draw(t, "tool") == 1 {
			s.Tools = []ToolNeed{{Type: rapid.SampledFrom([]string{"t0", "t1"}).Draw(t, "type")}}
		}
		if rapid.IntRange(1, 4).Draw(t, "part") == 1 {
			s.Parts = []Part{{ID: "p", Title: "P", Quantity: 2, SingleUse: true}}
		}
		steps[i] = s
		ids = append(ids, id)
	}
	return steps
}

// drawLibrary draws a library; most, not all, of its procedures can be merged.
func drawLibrary(t *rapid.T) (Library, []string) {
	lib := Library{Preparations: map[string]Preparation{}, Procedures: map[string]Procedure{}}
	var preps, procs []string
	owners := []string{"proc0", "proc1", "prep0"}
	for i := range rapid.IntRange(0, 5).Draw(t, "preparations") {
		id := fmt.Sprintf("prep%d", i)
		p := Preparation{
			ID: id, Title: id, Needs: pick(t, preps, 2, "needs"),
			SetUp:   drawSteps(t, "a", 0, nil, nil),
			PutBack: drawSteps(t, "b", 0, nil, nil),
		}
		p.Excludes = slices.DeleteFunc(pick(t, preps, 4, "excludes"), func(q string) bool { return slices.Contains(p.Needs, q) })
		if rapid.Bool().Draw(t, "hold") {
			p.Holds = []Hold{{Tool: ToolNeed{Type: fmt.Sprintf("t%d", i)}}}
		}
		lib.Preparations[id] = p
		preps = append(preps, id)
	}
	for i := range rapid.IntRange(1, 4).Draw(t, "procedures") {
		id := fmt.Sprintf("proc%d", i)
		lib.Procedures[id] = Procedure{
			ID: id, Title: id, Family: "e1", State: Issued, Needs: pick(t, preps, 3, "needs"),
			Steps: drawSteps(t, "a", 1, preps, owners),
		}
		procs = append(procs, id)
	}
	return lib, procs
}

// oppositePairs lists, of the closure, the pairs that exclude each other.
func oppositePairs(lib Library, closure []string) [][2]string {
	var pairs [][2]string
	for _, p := range closure {
		for _, q := range lib.Preparations[p].Excludes {
			if slices.Contains(closure, q) {
				pairs = append(pairs, [2]string{p, q})
			}
		}
	}
	return pairs
}

// inOrder is the library with each pair's order stated by only_after, the bit
// of the pair saying which comes first, and nothing excluded any more.
func inOrder(lib Library, pairs [][2]string, ways int) Library {
	after := make(map[string][]string)
	for k, pair := range pairs {
		first, second := pair[0], pair[1]
		if ways>>k&1 == 1 {
			first, second = second, first
		}
		after[second] = append(after[second], first)
	}
	stated := Library{Preparations: make(map[string]Preparation), Procedures: lib.Procedures}
	for id, p := range lib.Preparations {
		p.Excludes = nil
		p.SetUp = slices.Clone(p.SetUp)
		for i := range p.SetUp {
			p.SetUp[i].OnlyAfter = append(slices.Clone(p.SetUp[i].OnlyAfter), after[id]...)
		}
		stated.Preparations[id] = p
	}
	return stated
}

func TestOppositesAreRefusedOnlyIfNoOrderWorks(t *testing.T) {
	refused := 0
	rapid.Check(t, func(t *rapid.T) {
		lib, procs := drawLibrary(t)
		for id, p := range lib.Preparations { // an order needs steps to be stated on
			p.SetUp = append(p.SetUp, step("a9", 1))
			p.PutBack = append(p.PutBack, step("b9", 1))
			lib.Preparations[id] = p
		}
		_, err := lib.Merge(procs)
		f := fault.Fault(err)
		closure, _ := lib.closure(neededBy(lib, procs))
		pairs := oppositePairs(lib, closure)
		if len(pairs) == 0 || len(pairs) > 6 || (f != nil && f.Reason != "OPPOSITE_NEEDS") {
			return
		}
		works := false
		for ways := range 1 << len(pairs) {
			_, err := inOrder(lib, pairs, ways).Merge(procs)
			works = works || err == nil
		}
		if works != (err == nil) {
			t.Fatalf("an order works: %v, and merging says %v", works, err)
		}
		if !works {
			refused++
		}
	})
	t.Logf("%d refused", refused)
}

// reach tells, for every step, which steps come before it.
func reach(n Network) [][]bool {
	before := make([][]bool, len(n.Steps))
	for i := range before {
		before[i] = make([]bool, len(n.Steps))
	}
	for _, a := range n.Arcs { // sorted by From, and From < To
		before[a.To][a.From] = true
	}
	for to := range n.Steps {
		for mid := to - 1; mid >= 0; mid-- {
			if !before[to][mid] {
				continue
			}
			for from := range mid {
				before[to][from] = before[to][from] || before[mid][from]
			}
		}
	}
	return before
}

// Associative and commutative in effect: any order, any repetition, any grouping.
func TestMergeDependsOnNothingButTheSet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lib, procs := drawLibrary(t)
		net, err := lib.Merge(procs)
		shuffled := rapid.Permutation(append(procs, procs[0])).Draw(t, "shuffled")
		again, err2 := lib.Merge(shuffled)
		if fmt.Sprint(err) != fmt.Sprint(err2) {
			t.Fatalf("%v, in another order %v", err, err2)
		}
		if diff := cmp.Diff(net, again); diff != "" {
			t.Fatalf("another order changes the network:\n%s", diff)
		}
		if err != nil {
			return
		}
		// (A + B) + C = A + (B + C): a network knows its procedures, and
		// merging goes on from those.
		cut := rapid.IntRange(1, len(procs)).Draw(t, "cut")
		left, err := lib.Merge(procs[:cut])
		if err != nil {
			t.Fatalf("the whole can be merged, a part cannot: %v", err)
		}
		joined, err := lib.Merge(append(left.Procedures, procs[cut:]...))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(net, joined); diff != "" {
			t.Fatalf("merging in two acts changes the network:\n%s", diff)
		}
	})
}

func TestMergedNetworksAreSound(t *testing.T) {
	merged, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		lib, procs := drawLibrary(t)
		net, err := lib.Merge(procs)
		if err != nil {
			refused++
			soundRefusal(t, lib, err)
			return
		}
		merged++
		soundArcs(t, lib, net)
		before := reach(net)
		soundPreparations(t, lib, net, before)
		soundHolds(t, lib, net, before)
		soundAmounts(t, lib, net)
	})
	t.Logf("%d merged, %d refused", merged, refused)
	if merged == 0 || refused == 0 {
		t.Error("the libraries drawn are all of one kind")
	}
}

// soundRefusal checks that a refusal is one of those promised, and that the
// steps on a cycle do follow from each other.
func soundRefusal(t *rapid.T, lib Library, err error) {
	f := fault.Fault(err)
	if f == nil || f.Kind != fault.Invalid {
		t.Fatalf("%v is no Invalid fault", err)
	}
	switch f.Reason {
	case "STEP_CYCLE", "PUT_BACK_EARLY", "SET_UP_LATE":
		for i, field := range f.Fields {
			next := f.Fields[(i+1)%len(f.Fields)].Path
			if !strings.HasPrefix(field.Message, "comes before "+next+":") {
				t.Fatalf("%s %s, and the next on the cycle is %s", field.Path, field.Message, next)
			}
			if !strings.Contains(f.Message, field.Path) {
				t.Fatalf("%q does not name %s", f.Message, field.Path)
			}
		}
	case "OPPOSITE_NEEDS", "JOINED_APART", "BAD_STEP_REFERENCE":
	default:
		t.Fatalf("unexpected reason %s: %v", f.Reason, err)
	}
}

// soundArcs checks the form of the network and every order that steps state.
func soundArcs(t *rapid.T, lib Library, net Network) {
	at := make(map[string]int)
	for i, s := range net.Steps {
		if _, twice := at[s.ID]; twice {
			t.Fatalf("%s is there twice", s.ID)
		}
		at[s.ID] = i
	}
	for i, a := range net.Arcs {
		if a.From >= a.To || a.From < 0 || a.To >= len(net.Steps) {
			t.Fatalf("arc %d → %d is not in order", a.From, a.To)
		}
		if a.Lag != net.Steps[a.From].Step.WaitAfter {
			t.Fatalf("arc from %s has lag %d", net.Steps[a.From].ID, a.Lag)
		}
		if i > 0 && net.Arcs[i-1].From == a.From && net.Arcs[i-1].To >= a.To {
			t.Fatal("arcs are not sorted, or one is there twice")
		}
		if a.Joined && (a.To != a.From+1 || !net.Steps[a.From].Step.JoinedToNext) {
			t.Fatalf("%s and %s are joined", net.Steps[a.From].ID, net.Steps[a.To].ID)
		}
	}
	want := 0
	for _, id := range net.Procedures {
		want += len(lib.Procedures[id].Steps)
	}
	closure, _ := lib.closure(neededBy(lib, net.Procedures))
	for _, id := range closure {
		want += len(lib.Preparations[id].SetUp) + len(lib.Preparations[id].PutBack)
	}
	if len(net.Steps) != want {
		t.Fatalf("%d steps, want %d", len(net.Steps), want)
	}
}

func neededBy(lib Library, procs []string) []string {
	var needs []string
	for _, id := range procs {
		needs = append(needs, lib.Procedures[id].Needs...)
	}
	return needs
}

// ofOwner lists the places of an owner's steps whose id has the prefix.
func ofOwner(net Network, owner, prefix string) []int {
	var places []int
	for i, s := range net.Steps {
		if s.Owner == owner && strings.HasPrefix(s.Step.ID, prefix) {
			places = append(places, i)
		}
	}
	return places
}

// soundPreparations checks the rules of set-up and put-back by definition, on
// the transitive order of the network.
func soundPreparations(t *rapid.T, lib Library, net Network, before [][]bool) {
	all := func(firsts, seconds []int, what string, args ...any) {
		for _, a := range firsts {
			for _, b := range seconds {
				if !before[b][a] {
					t.Fatalf("%s is not before %s: %s", net.Steps[a].ID, net.Steps[b].ID, fmt.Sprintf(what, args...))
				}
			}
		}
	}
	closure, _ := lib.closure(neededBy(lib, net.Procedures))
	for _, p := range closure {
		setUp, putBack := ofOwner(net, p, "a"), ofOwner(net, p, "b")
		all(setUp, putBack, "set-up and put-back of %s", p)
		for _, q := range lib.Preparations[p].Needs {
			all(ofOwner(net, q, "a"), setUp, "%s needs %s", p, q)
			all(putBack, ofOwner(net, q, "b"), "put-back is the reverse of set-up")
		}
		for _, q := range lib.Preparations[p].Excludes {
			if !slices.Contains(closure, q) {
				continue
			}
			first := append(slices.Clone(setUp), putBack...)
			second := append(ofOwner(net, q, "a"), ofOwner(net, q, "b")...)
			if len(first) == 0 || len(second) == 0 {
				continue
			}
			if before[first[0]][second[0]] {
				first, second = second, first
			}
			all(first, second, "%s excludes %s", p, q)
		}
	}
	for i, s := range net.Steps {
		for _, p := range s.Step.OnlyBefore {
			if slices.Contains(closure, p) {
				all([]int{i}, ofOwner(net, p, ""), "only before %s", p)
			}
		}
		for _, p := range s.Step.OnlyAfter {
			if slices.Contains(closure, p) {
				all(ofOwner(net, p, ""), []int{i}, "only after %s", p)
			}
		}
		for _, p := range lib.Procedures[s.Owner].Needs {
			placed := append(slices.Clone(s.Step.OnlyBefore), s.Step.OnlyAfter...)
			stands, _ := lib.closure([]string{p})
			if slices.ContainsFunc(placed, func(q string) bool { return slices.Contains(stands, q) }) {
				continue // it does without p
			}
			all(ofOwner(net, p, "a"), []int{i}, "needs %s", p)
			all([]int{i}, ofOwner(net, p, "b"), "needs %s", p)
		}
	}
}

// soundHolds checks that a preparation's tools are held while any step needs
// the state, and that no step's tool is forgotten.
func soundHolds(t *rapid.T, lib Library, net Network, before [][]bool) {
	for _, h := range net.Holds {
		if len(h.Steps) == 0 || !slices.IsSorted(h.Steps) {
			t.Fatalf("hold of %s over %v", h.Tool, h.Steps)
		}
		p := lib.Preparations[h.Preparation]
		if h.Preparation == "" || len(p.SetUp) == 0 {
			continue
		}
		for i, s := range net.Steps {
			if !slices.Contains(lib.Procedures[s.Owner].Needs, p.ID) || len(s.Step.OnlyBefore)+len(s.Step.OnlyAfter) > 0 {
				continue
			}
			first := slices.ContainsFunc(h.Steps, func(k int) bool { return before[i][k] })
			last := slices.ContainsFunc(h.Steps, func(k int) bool { return k == i || before[k][i] })
			if !first || !last {
				t.Fatalf("%s needs %s, whose tool is held over %v only", s.ID, p.ID, h.Steps)
			}
		}
	}
	for i, s := range net.Steps {
		for _, n := range s.Step.Tools {
			if !slices.ContainsFunc(net.Holds, func(h NetHold) bool { return h.Tool.Type == n.Type && slices.Contains(h.Steps, i) }) {
				t.Fatalf("%s needs %s, which no hold has", s.ID, n)
			}
		}
	}
}

// soundAmounts compares the merged work with that of the procedures alone:
// never more than their sum, never less than the greatest.
func soundAmounts(t *rapid.T, lib Library, net Network) {
	var sum, most Work
	parts := 0
	for _, id := range net.Procedures {
		alone, err := lib.Merge([]string{id})
		if err != nil {
			return
		}
		w := alone.Work()
		sum.Steps.Likely += w.Steps.Likely
		sum.People += w.People
		most.Steps.Likely = max(most.Steps.Likely, w.Steps.Likely)
		most.People = max(most.People, w.People)
		most.Longest = max(most.Longest, w.Longest)
		for _, l := range alone.Parts() {
			parts += l.Quantity
		}
	}
	w := net.Work()
	if w.Steps.Likely > sum.Steps.Likely || w.People > sum.People {
		t.Fatalf("merged %+v is more than the sum %+v", w, sum)
	}
	if w.Steps.Likely < most.Steps.Likely || w.People < most.People || w.Longest < most.Longest {
		t.Fatalf("merged %+v is less than the greatest %+v", w, most)
	}
	for _, l := range net.Parts() {
		if l.Quantity > parts || l.Quantity != 2*len(l.Steps) {
			t.Fatalf("parts %+v of %d", l, parts)
		}
	}
}

// mangle spoils a library in some of the ways in which a file can be wrong.
func mangle(t *rapid.T, lib Library) {
	for id, p := range lib.Procedures {
		i := rapid.IntRange(0, len(p.Steps)-1).Draw(t, "step")
		s := &p.Steps[i]
		switch rapid.IntRange(0, 9).Draw(t, "damage") {
		case 0:
			s.ID = p.Steps[0].ID
		case 1:
			s.ID = rapid.String().Draw(t, "id")
		case 2:
			s.After = []string{rapid.SampledFrom([]string{"", "/", "prep0/", "/a0", "a0/a0/a0", s.ID}).Draw(t, "after")}
		case 3:
			s.JoinedToNext = true
		case 4:
			s.OnlyAfter = append(s.OnlyAfter, "prep0", "prep1", "nowhere")
		case 5:
			s.Tools = append(s.Tools, ToolNeed{Type: "t0", Until: "a1"}, ToolNeed{Type: "t0", Until: s.ID})
		case 6:
			s.Torque = &Torque{Stages: []Stage{{Torque: rapid.Float64().Draw(t, "torque")}}, Thread: rapid.String().Draw(t, "thread")}
		case 7:
			p.Needs = append(p.Needs, p.ID)
		case 8:
			p.Steps = nil
		}
		lib.Procedures[id] = p
	}
	for id, p := range lib.Preparations {
		switch rapid.IntRange(0, 9).Draw(t, "damage") {
		case 0:
			p.Needs = append(p.Needs, id)
		case 1:
			p.Excludes = append(p.Excludes, id, "prep0")
		case 2:
			p.Holds = append(p.Holds, Hold{From: "x", To: "y"})
		case 3:
			p.SetUp, p.PutBack = nil, nil
		case 4:
			p.PutBack = append(p.PutBack, p.SetUp...)
		}
		lib.Preparations[id] = p
	}
}

// anyLibrary checks a library that may be spoiled: nothing panics, what the
// checks let through can be merged, and what merges is in order.
func anyLibrary(t *rapid.T) {
	lib, procs := drawLibrary(t)
	if rapid.Bool().Draw(t, "mangled") {
		mangle(t, lib)
	}
	lib.Lint()
	if lib.Validate() == nil {
		for _, id := range procs {
			if _, err := lib.Merge([]string{id}); err != nil {
				t.Fatalf("%s is sound, and %v", id, err)
			}
		}
	}
	net, err := lib.Merge(procs)
	if err != nil {
		if fault.KindOf(err) != fault.Invalid {
			t.Fatal(err)
		}
		return
	}
	soundArcs(t, lib, net)
}

func TestSpoiledLibraries(t *testing.T) { rapid.Check(t, anyLibrary) }

// FuzzMerge lets the fuzzer choose what the property draws.
func FuzzMerge(f *testing.F) { f.Fuzz(rapid.MakeFuzz(anyLibrary)) }
