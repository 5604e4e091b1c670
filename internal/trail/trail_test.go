package trail

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// chain seals rows one after the other, numbered from 1.
func chain(rows []Row) []Row {
	var last Seal
	for i := range rows {
		rows[i].Revision = int64(i) + 1
		rows[i].Seal = rows[i].After(last)
		last = rows[i].Seal
	}
	return rows
}

func anyRow(t *rapid.T) Row {
	text := rapid.StringN(0, 5, -1)
	return Row{
		Site: 7, At: rapid.Int64().Draw(t, "at"), Actor: text.Draw(t, "actor"), Token: text.Draw(t, "token"), Method: text.Draw(t, "method"),
		Kind: text.Draw(t, "kind"), Subject: text.Draw(t, "subject"), Touched: rapid.SliceOfN(text, 0, 3).Draw(t, "touched"),
		Request: [16]byte(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "request")), Details: text.Draw(t, "details"),
	}
}

func anyChain(t *rapid.T) []Row {
	return chain(rapid.SliceOfN(rapid.Custom(anyRow), 1, 12).Draw(t, "rows"))
}

func end(rows []Row) Checkpoint {
	if len(rows) == 0 {
		return Checkpoint{}
	}
	return Checkpoint{rows[len(rows)-1].Revision, rows[len(rows)-1].Seal}
}

func look(rows []Row, head Checkpoint) *Break {
	at := Walk(Checkpoint{}, rows)
	return Diagnose(at, rows[at.Revision:], head)
}

// TestAnHonestChainHolds in one go, and in pieces that go on where the one before
// came to.
func TestAnHonestChainHolds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := anyChain(t)
		if b := look(rows, end(rows)); b != nil {
			t.Fatalf("%+v", *b)
		}
		cut := rapid.IntRange(0, len(rows)).Draw(t, "cut")
		half := Walk(Checkpoint{}, rows[:cut])
		if got := Walk(half, rows[cut:]); got != end(rows) {
			t.Fatalf("in pieces it goes to %v, want %v", got, end(rows))
		}
		kept := Checkpoint{rows[cut/2].Revision, rows[cut/2].Seal}
		if b := Against(kept, Checkpoint{}, end(rows), rows); b != nil {
			t.Fatalf("its own checkpoint: %+v", *b)
		}
	})
}

// TestEveryForgeryIsFound at or before the place where it was made.
func TestEveryForgeryIsFound(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := anyChain(t)
		head := end(rows)
		i := rapid.IntRange(0, len(rows)-1).Draw(t, "place")
		forged := slices.Clone(rows)
		switch rapid.SampledFrom([]string{"alter", "delete", "insert", "swap", "cut"}).Draw(t, "how") {
		case "alter":
			other := anyRow(t)
			other.Revision, other.Seal = rows[i].Revision, rows[i].Seal
			if cmp.Equal(other, rows[i]) {
				t.Skip("the same")
			}
			forged[i] = other
		case "delete":
			forged = slices.Delete(forged, i, i+1)
		case "insert":
			other := anyRow(t)
			other.Revision = rows[i].Revision
			forged = slices.Insert(forged, i, other)
			for k := i + 1; k < len(forged); k++ {
				forged[k].Revision++
			}
		case "swap":
			k := rapid.IntRange(0, len(rows)-1).Draw(t, "other")
			if k == i {
				t.Skip("with itself")
			}
			forged[i], forged[k] = forged[k], forged[i]
			forged[i].Revision, forged[k].Revision = rows[i].Revision, rows[k].Revision
			i = min(i, k)
		case "cut":
			forged = forged[:i]
		}
		b := look(forged, head)
		if b == nil {
			t.Fatal("it is not found")
		}
		if b.Revision > rows[i].Revision {
			t.Fatalf("it is found at %d (%s), after %d where it was made", b.Revision, b.Message, rows[i].Revision)
		}
	})
}

// TestSealedAnewIsFoundAgainstACheckpoint has somebody alter an event and seal
// everything after it again.
func TestSealedAnewIsFoundAgainstACheckpoint(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := anyChain(t)
		kept := rapid.IntRange(0, len(rows)-1).Draw(t, "kept")
		checkpoint := Checkpoint{rows[kept].Revision, rows[kept].Seal}
		forged := slices.Clone(rows)
		forged[rapid.IntRange(0, kept).Draw(t, "place")].Actor += "x"
		chain(forged)
		if b := look(forged, end(forged)); b != nil {
			t.Fatalf("by itself it is sound, and told as %+v", *b)
		}
		if b := Against(checkpoint, Checkpoint{}, end(forged), forged); b == nil || b.Kind != Rewritten {
			t.Fatalf("against a checkpoint: %+v", b)
		}
		if b := Short(checkpoint, Checkpoint{Revision: checkpoint.Revision - 1}); b == nil || b.Kind != Truncated {
			t.Fatalf("cut off before it: %+v", b)
		}
	})
}

// TestNothingMovesBetweenColumns: columns that read the same one after the other
// are sealed differently.
func TestNothingMovesBetweenColumns(t *testing.T) {
	t.Parallel()
	seen := map[Seal]string{}
	for name, r := range map[string]Row{
		"as it is": {Actor: "ab", Token: "c", Touched: []string{"d", "e"}, Details: "f"},
		"actor":    {Actor: "abc", Touched: []string{"d", "e"}, Details: "f"},
		"touched":  {Actor: "ab", Token: "c", Touched: []string{"de"}, Details: "f"},
		"details":  {Actor: "ab", Token: "c", Touched: []string{"d"}, Details: "ef"},
		"method":   {Actor: "ab", Method: "c", Touched: []string{"d", "e"}, Details: "f"},
	} {
		s := r.After(Seal{})
		if other, is := seen[s]; is {
			t.Errorf("%s and %s have one seal", name, other)
		}
		seen[s] = name
	}
}

func TestChanges(t *testing.T) {
	t.Parallel()
	for details, want := range map[string][]Change{
		`{"before": {"Home": "a", "Note": "", "Until": "0001-01-01T00:00:00Z", "N": 1}, "after": {"Home": "b", "Note": "x", "N": 1}, "why": "so"}`: {
			{"Home", "a", "b"}, {"Note", "", "x"}, {"why", "", "so"},
		},
		`{"from": "TENTATIVE", "to": "CONFIRMED"}`:             {{"", "TENTATIVE", "CONFIRMED"}},
		`{"after": {"ID": "n"}}`:                               {{"ID", "", "n"}},
		`{"before": {"List": [1, 2]}, "after": {"List": [1]}}`: {{"List[1]", "2", ""}},
		`[{"Noun": "bays", "Made": 2}]`:                        {{"[0].Made", "", "2"}, {"[0].Noun", "", "bays"}},
		`{"before": {"S": [{"ID": "a", "N": 1}, {"ID": "b", "N": 1}]}, "after": {"S": [{"ID": "new"}, {"ID": "a", "N": 2}]}}`: {
			{"S[a].N", "1", "2"}, {"S[b].ID", "b", ""}, {"S[b].N", "1", ""}, {"S[new].ID", "", "new"},
		},
		// What is the same in another order is no less a change.
		`{"before": {"S": [{"ID": "a"}, {"ID": "b", "N": 1}]}, "after": {"S": [{"ID": "b", "N": 2}, {"ID": "a"}]}}`: {
			{"S.Items[b].N", "1", "2"}, {"S.Order[0]", "a", "b"}, {"S.Order[1]", "b", "a"},
		},
		`null`:   nil,
		`"word"`: {{"", "", "word"}},
	} {
		var v any
		if err := json.Unmarshal([]byte(details), &v); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, Changes(v)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", details, diff)
		}
	}
}

// TestDiffering holds, for any two values, that what they differ in is told as
// completely as if both were told whole.
func TestDiffering(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		before, after := drawJSON(t, 3), drawJSON(t, 3)
		b, a := Differing(before, after)
		if equal := reflect.DeepEqual(before, after); equal != (b == nil && a == nil) {
			t.Fatalf("told %v and %v", b, a)
		}
		if diff := cmp.Diff(compare(flatten(before), flatten(after)), compare(flatten(b), flatten(a))); diff != "" {
			t.Fatalf("told %v and %v (-whole +told):\n%s", b, a, diff)
		}
	})
}

// drawJSON makes a value as JSON has them, so many levels deep. Lists of things
// with ids are in the order of the ids.
func drawJSON(t *rapid.T, depth int) any {
	kind := rapid.IntRange(0, 6).Draw(t, "kind")
	if depth == 0 {
		kind %= 3
	}
	some := func() int { return rapid.IntRange(0, 3).Draw(t, "how many") }
	switch kind {
	case 0:
		return float64(rapid.IntRange(0, 2).Draw(t, "number"))
	case 1:
		return rapid.SampledFrom([]string{"", "x", "y"}).Draw(t, "text")
	case 2:
		return nil
	case 3:
		list := []any{}
		for range some() {
			list = append(list, drawJSON(t, depth-1))
		}
		return list
	case 4, 5:
		list := []any{}
		for _, id := range []string{"a", "b", "c"} {
			if rapid.Bool().Draw(t, "there") {
				list = append(list, map[string]any{"ID": id, "V": drawJSON(t, depth-1)})
			}
		}
		return list
	default:
		m := map[string]any{}
		for range some() {
			m[rapid.SampledFrom([]string{"K", "L", "M"}).Draw(t, "key")] = drawJSON(t, depth-1)
		}
		return m
	}
}

// FuzzChanges holds that whatever JSON the log holds can be shown.
func FuzzChanges(f *testing.F) {
	f.Add(`{"before": 1, "after": {"before": []}}`)
	f.Add(`{"from": null, "to": [[[]]]}`)
	f.Add(strings.Repeat("[", 200) + strings.Repeat("]", 200))
	f.Fuzz(func(t *testing.T, text string) {
		var v any
		if json.Unmarshal([]byte(text), &v) != nil {
			return
		}
		for _, c := range Changes(v) {
			if c.Before == c.After {
				t.Errorf("%q did not change", c.Path)
			}
		}
	})
}
