package plan

import "testing"

// FuzzProject holds that whatever a file of the published sets holds, it is
// refused, or makes a problem that can be laid out.
func FuzzProject(f *testing.F) {
	f.Add("PRECEDENCE RELATIONS:\njobnr. #modes #successors successors\n1 1 1 2\n2 1 0\nREQUESTS/DURATIONS:\njobnr. mode duration R 1\n1 1 0 0\n2 1 3 2\nRESOURCEAVAILABILITIES:\n  R 1\n 4\n", false)
	f.Add("2 1\n4\n0 0 1 2\n3 2 0\n", true)
	f.Add("2 1\n4\n0 0 -1\n3 2 0\n", true)
	f.Add("99999999999 1", true)
	f.Add("PRECEDENCE\n1 1 -2", false)
	f.Fuzz(func(t *testing.T, text string, patterson bool) {
		read := parseSM
		if patterson {
			read = parsePatterson
		}
		pr, err := read(text)
		if err != nil || len(pr.duration) > 200 {
			return
		}
		for _, d := range pr.duration {
			if d < 0 || d > 1<<20 {
				return // the planner's own bounds are another target's business
			}
		}
		if p := pr.problem(); len(p.Steps) != len(pr.duration) {
			t.Errorf("%d steps of %d", len(p.Steps), len(pr.duration))
		}
	})
}
