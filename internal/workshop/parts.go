package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// kindPart marks what stands for a part among the planner's units. A part is
// nothing that can be booked.
const kindPart site.Kind = "PART"

// Arrival says when a part is expected: no step that needs it starts before.
type Arrival struct {
	Part     string
	Expected time.Time
}

// claimParts has each step that needs a part wait until it is there. To the
// planner a part on its way is a unit that is shut until then, one for each
// step, since parts are not shared.
func (z *puzzle) claimParts(arrivals []Arrival) error {
	z.arrivals = arrivals
	lines := z.network.Parts()
	var fs fault.Fields
	seen := map[string]bool{}
	for i, a := range arrivals {
		path := fmt.Sprintf("part_arrivals[%d]", i)
		checkTime(&fs, path+".expected_time", a.Expected)
		at := slices.IndexFunc(lines, func(l procedure.PartLine) bool { return l.ID == a.Part })
		switch {
		case at < 0:
			fs.Add(path+".part", "%q is not on the parts list of these procedures", a.Part)
			continue
		case seen[a.Part]:
			fs.Add(path+".part", "%q is named twice", a.Part)
		}
		seen[a.Part] = true
		for _, step := range lines[at].Steps {
			z.awaitPart(lines[at], int32(step), a.Expected)
		}
	}
	return fs.Err("PARTS", "the parts cannot be used")
}

func (z *puzzle) awaitPart(line procedure.PartLine, step int32, expected time.Time) {
	unit := z.yard.add(Ref{Kind: kindPart, ID: line.ID}, z.whole(), nil)
	z.shut(unit, hours.Range{Start: z.epoch, End: expected}, reason{
		kind: BlockerPart, until: expected, text: fmt.Sprintf("part %s (%s) is expected %s", line.ID, line.Title, z.local(expected)),
	})
	z.add(plan.Claim{Steps: []int32{step}, Eligible: []int32{unit}, Count: 1},
		claim{kind: kindPart, need: "part " + line.Title})
}

// jobParts is the parts list of a job that is being booked.
func jobParts(net procedure.Network, arrivals []Arrival) []site.JobPart {
	lines := net.Parts()
	out := make([]site.JobPart, 0, len(lines))
	for _, l := range lines {
		p := site.JobPart{ID: l.ID, Title: l.Title, Quantity: l.Quantity, IfWorn: l.IfWorn}
		for _, s := range l.Steps {
			p.Steps = append(p.Steps, net.Steps[s].ID)
		}
		for _, a := range arrivals {
			if a.Part == l.ID {
				p.State, p.Expected = site.PartExpected, a.Expected
			}
		}
		out = append(out, p)
	}
	return out
}

// MarkedPart is a job after one of its parts was marked.
type MarkedPart struct {
	Job      site.Job
	Affected []site.JobStep // need the part and are planned before it is expected
}

// MarkPart says where a part of a job stands; an empty state takes back what was
// said. The steps that it comes too late for are told, not moved.
func (w *Workshop) MarkPart(ctx context.Context, act Act, job int64, part string, state site.PartState, expected time.Time) (MarkedPart, error) {
	var fs fault.Fields
	if state == site.PartExpected {
		checkTime(&fs, "expected_time", expected)
	} else if !expected.IsZero() {
		fs.Add("expected_time", "goes with EXPECTED only: leave it out")
	}
	if err := fs.Err("PART", "the part cannot be marked so"); err != nil {
		return MarkedPart{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (MarkedPart, error) {
		var out MarkedPart
		var err error
		if out.Job, err = tx.LockJob(ctx, job); err != nil {
			return out, err
		}
		at := slices.IndexFunc(out.Job.Parts, func(p site.JobPart) bool { return p.ID == part })
		if at < 0 {
			return out, fault.New(fault.NotFound, "NOT_FOUND", "job %d has no part %q on its list", job, part)
		}
		p := &out.Job.Parts[at]
		before := *p
		p.State, p.Expected = state, expected
		for _, s := range out.Job.Steps {
			if slices.Contains(p.Steps, s.ID) && s.During.Start.Before(expected) {
				out.Affected = append(out.Affected, s)
			}
		}
		tx.Log(changed("job.part", fmt.Sprintf("jobs/%d", job), before, *p))
		return out, tx.SetJobParts(ctx, job, out.Job.Parts)
	})
}
