package procedure

import (
	"fmt"
	"reflect"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestDiff(t *testing.T) {
	was := Procedure{
		ID: "chain", Title: "Timing chain", Family: "e1", Version: 1, State: Issued, Needs: []string{"locked"},
		Steps: []Step{
			step("open", 30), step("off", 60), step("clean", 10),
			step("on", 60, func(s *Step) {
				s.Torque = &Torque{Fasteners: 4, Thread: "M10", Stages: []Stage{{Torque: 40}, {Angle: 90}}, Peak: 200}
				s.Tools = []ToolNeed{{Type: "tw"}}
			}),
			step("close", 30),
		},
	}
	is := was
	is.Version, is.State = 2, Draft
	is.Needs = []string{"locked", "drained"}
	is.Steps = []Step{
		was.Steps[0], was.Steps[2], was.Steps[1], was.Steps[3], step("look", 5),
	}
	is.Steps[3].Estimate = Estimate{50, 60, 90}
	is.Steps[3].Torque = &Torque{Fasteners: 4, Thread: "M10", SingleUse: true, Stages: []Stage{{Torque: 50}, {Angle: 90}}, Peak: 200}
	is.Steps[3].Tools = nil
	is.Steps[3].Checks = []Check{{ID: "gap", Title: "Gap", Unit: "mm", Min: ptr(0.2), Max: ptr(0.3)}}
	is.Steps[3].Crew = []Crew{{People: 2, Skills: []string{"engine"}}}
	want := []string{
		"needs: locked, drained, was locked",
		"step clean moved: after open, was after off",
		"step on: estimate: 50 to 90, likely 60 min, was 60 min",
		"step on: crew: 2 with engine, was 1 with engine",
		"step on: tools: none, was tw",
		"step on: torque: 4 fasteners M10, single-use: 50 N·m + 90°, peak 200 N·m, was 4 fasteners M10: 40 N·m + 90°, peak 200 N·m",
		"step on: checks: gap (Gap): 0.2 to 0.3 mm, was none",
		"step look added: look",
		"step close removed: close",
	}
	var got []string
	for _, c := range Diff(was, is) {
		got = append(got, c.String())
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("changes (-want +got):\n%s", diff)
	}
}

// Whatever part of a step changes, the difference tells it.
func TestDiffSeesEveryField(t *testing.T) {
	full := func() Step {
		return step("s", 10, func(s *Step) {
			s.Crew, s.Tools, s.Parts = []Crew{{1, nil}}, []ToolNeed{{Type: "t"}}, []Part{{ID: "p"}}
			s.Torque = &Torque{Stages: []Stage{{Torque: 5}}}
			s.Checks, s.Cautions = []Check{{ID: "c"}}, []Caution{{Text: "x"}}
		})
	}
	kinds := reflect.TypeFor[Step]()
	for i := range kinds.NumField() {
		name := kinds.Field(i).Name
		changed := full()
		v := reflect.ValueOf(&changed).Elem().Field(i)
		v.Set(reflect.Zero(v.Type()))
		if v.IsZero() {
			switch v.Kind() {
			case reflect.Bool:
				v.SetBool(true)
			case reflect.Int:
				v.SetInt(7)
			case reflect.String:
				v.SetString("x")
			case reflect.Slice:
				if v.Type().Elem().Kind() == reflect.String {
					v.Set(reflect.ValueOf([]string{"x"}))
				}
			}
		}
		before := Procedure{Steps: []Step{full()}}
		after := Procedure{Steps: []Step{changed}}
		told := len(Diff(before, after)) > 0
		if want := name != "Line"; told != want {
			t.Errorf("%s: told %v", name, told)
		}
	}
}

func TestDiffOfAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(label string) Procedure {
			p := Procedure{ID: "p"}
			ids := rapid.Permutation([]string{"a", "b", "c", "d", "e", "f"}).Draw(t, label)
			for _, id := range ids[:rapid.IntRange(0, len(ids)).Draw(t, label+" length")] {
				p.Steps = append(p.Steps, step(id, 5))
			}
			return p
		}
		was, is := draw("was"), draw("is")
		if changes := Diff(was, was); len(changes) > 0 {
			t.Fatalf("nothing changed, and %v", changes)
		}
		changes := Diff(was, is)
		// Take away the removed and the moved, put in what was added: what
		// stays must have kept its order, and nothing is told twice.
		told := map[string]ChangeKind{}
		for _, c := range changes {
			if _, twice := told[c.Step]; twice {
				t.Fatalf("%s is told twice: %v", c.Step, changes)
			}
			told[c.Step] = c.Kind
		}
		still := func(p Procedure) []string {
			var ids []string
			for _, s := range p.Steps {
				if told[s.ID] == "" {
					ids = append(ids, s.ID)
				}
			}
			return ids
		}
		if diff := cmp.Diff(still(was), still(is)); diff != "" {
			t.Fatalf("%v hides:\n%s", changes, diff)
		}
		has := func(p Procedure, id string) bool {
			return slices.ContainsFunc(p.Steps, func(s Step) bool { return s.ID == id })
		}
		for id, kind := range told {
			if fmt.Sprint(has(was, id), has(is, id)) != map[ChangeKind]string{
				Added: "false true", Removed: "true false", Moved: "true true",
			}[kind] {
				t.Fatalf("%s is %s", id, kind)
			}
		}
	})
}
