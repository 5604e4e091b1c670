package workshop

import (
	"context"
	"slices"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// PlaceQuery chooses tools by where they are.
type PlaceQuery struct {
	Page
	Tools      []string // only these; nil: all that are not RETIRED
	Out, Late  bool     // only what somebody has; and should have brought back
	Technician string   // only what they have
}

// PlacedTool is where a tool is.
type PlacedTool struct {
	Tool    site.Tool
	Issue   *site.Issue    // that is open; nil: it is at home, or where its condition says
	Waiting []site.Booking // of others, that wait for a tool that is late, by start
}

// WhereAreTools tells where tools are, by asset tag.
func (w *Workshop) WhereAreTools(ctx context.Context, slug string, q PlaceQuery) ([]PlacedTool, error) {
	var fs fault.Fields
	if len(q.Tools) > maxResources {
		fs.Add("tools", "must be %d at the most", maxResources)
	}
	if err := fs.Err("TOOLS", "the tools asked for cannot be found"); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]PlacedTool, error) {
		for _, tag := range q.Tools {
			if _, err := r.Tool(ctx, tag); err != nil {
				return nil, err
			}
		}
		if q.Technician != "" {
			if _, err := r.Technician(ctx, q.Technician); err != nil {
				return nil, err
			}
		}
		tools, err := r.Tools(ctx, Page{After: q.After}, q.Tools...)
		if err != nil {
			return nil, err
		}
		held, err := heldOf(ctx, r, q.Tools)
		if err != nil {
			return nil, err
		}
		var out []PlacedTool
		for _, t := range tools {
			if q.Limit > 0 && len(out) == q.Limit {
				break
			}
			p := PlacedTool{Tool: t}
			if i, ok := held[t.Tag]; ok {
				p.Issue = &i
			}
			if q.wants(p, w) {
				out = append(out, p)
			}
		}
		return out, w.waiting(ctx, r, out)
	})
}

func (q PlaceQuery) wants(p PlacedTool, w *Workshop) bool {
	switch {
	case p.Issue == nil:
		return !q.Out && !q.Late && q.Technician == "" && (q.Tools != nil || p.Tool.Condition != site.Retired)
	case q.Late && !p.Issue.Late(w.Now()):
		return false
	}
	return q.Technician == "" || q.Technician == p.Issue.Technician
}

// waiting fills in who waits for what is late: bookings of others that have
// begun, or will before the day is over.
func (w *Workshop) waiting(ctx context.Context, r store.Reader, places []PlacedTool) error {
	zone, err := zoneOf(ctx, r)
	if err != nil {
		return err
	}
	now := w.Now()
	late := map[string]*PlacedTool{}
	var refs []Ref
	for i := range places {
		if p := &places[i]; p.Issue != nil && p.Issue.Late(now) {
			late[p.Tool.Tag] = p
			refs = append(refs, Ref{Kind: site.KindTool, ID: p.Tool.Tag})
		}
	}
	if len(refs) == 0 {
		return nil
	}
	list, err := r.Bookings(ctx, store.BookingFilter{Now: now, Refs: refs, During: hours.Range{
		Start: now, End: tooling.AwayWhileLate(now, zone).End,
	}})
	for _, b := range list {
		p := late[b.Resource]
		if b.Job == 0 || b.Job != p.Issue.Job {
			p.Waiting = append(p.Waiting, b)
		}
	}
	return err
}

// ToolHistory is what became of a tool, the latest first.
type ToolHistory struct {
	Conditions []site.ToolCondition
	Issues     []site.Issue
}

// ToolHistory tells who had a tool and in which condition it was, at most limit
// entries of each.
func (w *Workshop) ToolHistory(ctx context.Context, slug, tag string, limit int) (ToolHistory, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (ToolHistory, error) {
		var out ToolHistory
		_, err := r.Tool(ctx, tag)
		if err != nil {
			return out, err
		}
		if out.Conditions, err = r.Conditions(ctx, tag, limit); err != nil {
			return out, err
		}
		out.Issues, err = r.Issues(ctx, store.IssueFilter{Tools: []string{tag}, Limit: limit})
		return out, err
	})
}

// withoutJobs takes what is out for jobs from among the issues: to a job that is
// planned anew, its own tools are at hand.
func withoutJobs(issues []site.Issue, jobs ...int64) []site.Issue {
	return slices.DeleteFunc(slices.Clone(issues), func(i site.Issue) bool {
		return i.Job != 0 && slices.Contains(jobs, i.Job)
	})
}
