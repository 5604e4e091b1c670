package workshop

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// maxTightenings is how many tightenings may be taken in at once.
const maxTightenings = 10_000

// TakenIn is what became of tightenings that were to be taken in.
type TakenIn struct {
	New, Known int
	Touched    []TouchedFinding // open findings on which new ones bear
	Earlier    []string         // tools that fall due earlier for the cycles
}

// TouchedFinding is a finding on which a tightening bears that was taken in.
type TouchedFinding struct {
	Tool    string // asset tag
	Summary TraceSummary
}

// ImportTightenings takes in tightenings that were recorded elsewhere, all or
// none. One that is known by its source already is left as it is, if it is the
// same in every figure; Exists if it is not.
func (w *Workshop) ImportTightenings(ctx context.Context, act Act, list []store.TighteningRecord) (TakenIn, error) {
	if err := checkTightenings(list, w.Now()); err != nil {
		return TakenIn{}, err
	}
	tags := tagsIn(list)
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (TakenIn, error) {
		var out TakenIn
		tools, types, err := lockNamed(ctx, tx, list, tags)
		if err != nil {
			return out, err
		}
		fresh, err := unknown(ctx, tx.Reader, list, tags)
		if err != nil {
			return out, err
		}
		out.New, out.Known = len(fresh), len(list)-len(fresh)
		if len(fresh) == 0 {
			return out, nil
		}
		if err := tx.AddTightenings(ctx, fresh); err != nil {
			return out, err
		}
		touched := make([]string, 0, len(tags))
		for _, tag := range tags {
			touched = append(touched, "tools/"+tag)
		}
		tx.Log(store.Event{Kind: "tightenings.imported", Touched: touched, Details: map[string]any{"known": out.Known, "after": tally(fresh)}})
		after, err := recalibrateAll(ctx, tx, tools, types)
		if err != nil {
			return out, err
		}
		for _, t := range after {
			out.Earlier = append(out.Earlier, t.Tool.Tag)
		}
		out.Touched, err = touchedBy(ctx, tx, tools, types, fresh)
		return out, err
	})
}

// tally is what the log tells of tightenings that are new: how many of each tool,
// and of what time. Each of them is kept, and never changed.
func tally(list []store.TighteningRecord) map[string]any {
	type count struct {
		New         int
		First, Last time.Time
	}
	out := map[string]any{}
	for _, v := range list {
		c, ok := out["tools/"+v.Tool].(count)
		if at := v.Tightening.At; !ok || at.Before(c.First) {
			c.First = at
		}
		if at := v.Tightening.At; at.After(c.Last) {
			c.Last = at
		}
		c.New++
		out["tools/"+v.Tool] = c
	}
	return out
}

// tagsIn are the tools of tightenings, each once, in order.
func tagsIn(list []store.TighteningRecord) []string {
	tags := make([]string, 0, len(list))
	for _, v := range list {
		tags = append(tags, v.Tool)
	}
	slices.Sort(tags)
	return slices.Compact(tags)
}

func checkTightenings(list []store.TighteningRecord, now time.Time) error {
	var fs fault.Fields
	if len(list) == 0 || len(list) > maxTightenings {
		fs.Add("tightenings", "must be 1 to %d", maxTightenings)
	}
	seen := map[[2]string]int{}
	for i, v := range list {
		path := fmt.Sprintf("tightenings[%d]", i)
		x := v.Tightening
		key := [2]string{v.Tool, v.Source}
		if first, twice := seen[key]; twice {
			fs.Add(path+".source", "%s of %s stands twice, first at tightenings[%d]", v.Source, v.Tool, first)
		} else {
			seen[key] = i
		}
		checkText(&fs, path+".source", v.Source, true)
		for name, text := range map[string]string{
			"job": x.Job, "step": x.Step, "joint": x.Joint, "fastener": x.Fastener, "person": v.Person,
		} {
			checkText(&fs, path+"."+name, text, false)
		}
		if y := x.At.Year(); !x.At.IsZero() && (y < minYear || x.At.After(now)) {
			fs.Add(path+".time", "must lie between the year %d and now", minYear)
		}
		if x.Stage > math.MaxInt32 {
			fs.Add(path+".stage", "is too large")
		}
		if f := fault.Fault(x.Validate()); f != nil {
			for _, field := range f.Fields {
				fs.Add(path+"."+field.Path, "%s", field.Message)
			}
		}
	}
	return fs.Err("TIGHTENINGS", "the tightenings cannot be taken in; nothing was")
}

// lockNamed locks and reads the tools of tightenings. Invalid with each line
// that names no tool of the site, or one that needs no calibration.
func lockNamed(ctx context.Context, tx *store.Tx, list []store.TighteningRecord, tags []string) ([]site.Tool, map[string]site.ToolType, error) {
	types, err := typesByID(ctx, tx.Reader)
	if err != nil {
		return nil, nil, err
	}
	tools, err := tx.Tools(ctx, Page{}, tags...)
	if err != nil {
		return nil, nil, err
	}
	var fs fault.Fields
	for i, v := range list {
		path := fmt.Sprintf("tightenings[%d].tool", i)
		at := slices.IndexFunc(tools, func(t site.Tool) bool { return t.Tag == v.Tool })
		switch {
		case at < 0:
			fs.Add(path, "the site has no tool %q", v.Tool)
		case !types[tools[at].Type].Calibrated:
			fs.Add(path, "%s is of type %s, which needs no calibration", v.Tool, tools[at].Type)
		}
	}
	if err := fs.Err("TIGHTENINGS", "the tightenings cannot be taken in; nothing was"); err != nil {
		return nil, nil, err
	}
	if err := tx.Lock(ctx, toolRefs(tools)); err != nil {
		return nil, nil, err
	}
	tools, err = tx.Tools(ctx, Page{}, tags...)
	return tools, types, err
}

// unknown leaves out the tightenings that were taken in before. Exists with each
// that says something else by now.
func unknown(ctx context.Context, r store.Reader, list []store.TighteningRecord, tags []string) ([]store.TighteningRecord, error) {
	there, err := r.TighteningsBy(ctx, tags)
	if err != nil {
		return nil, err
	}
	known := map[[2]string]store.TighteningRecord{}
	for _, v := range there {
		if v.Source != "" {
			known[[2]string{v.Tool, v.Source}] = v
		}
	}
	var out []store.TighteningRecord
	var fs fault.Fields
	for i, v := range list {
		was, taken := known[[2]string{v.Tool, v.Source}]
		if !taken {
			out = append(out, v)
			continue
		}
		same := v
		same.Tightening.ID = was.Tightening.ID
		if same.Tightening.At = same.Tightening.At.UTC(); same != was {
			fs.Add(fmt.Sprintf("tightenings[%d].source", i), "%s of %s was taken in before and said something else: records are not changed, give a correction a source of its own", v.Source, v.Tool)
		}
	}
	if len(fs) > 0 {
		return nil, &fault.Error{
			Kind: fault.Exists, Reason: "TIGHTENINGS", Fields: fs, Message: "some of the tightenings are known and different; nothing was taken in",
		}
	}
	return out, nil
}

// touchedBy gives the findings among whose lines there are new tightenings.
func touchedBy(ctx context.Context, tx *store.Tx, tools []site.Tool, types map[string]site.ToolType, fresh []store.TighteningRecord) ([]TouchedFinding, error) {
	rs, err := readRecords(ctx, tx.Reader, tx.Now(), tagsOf(tools))
	if err != nil {
		return nil, err
	}
	isNew := map[[2]string]bool{}
	for _, v := range fresh {
		isNew[[2]string{v.Tool, v.Source}] = true
	}
	var out []TouchedFinding
	for _, t := range tools {
		for _, f := range rs.findings(t.Tag) {
			trace := rs.trace(t, types[t.Type], f)
			if slices.ContainsFunc(trace.Lines, func(l TraceLine) bool { return isNew[[2]string{t.Tag, l.Source}] }) {
				out = append(out, TouchedFinding{t.Tag, trace.Summary})
			}
		}
	}
	return out, nil
}
