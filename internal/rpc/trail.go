package rpc

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/trail"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type trailService struct {
	bayholdv1.UnimplementedTrailServiceServer
	shop *workshop.Workshop
}

func (s trailService) VerifyTrail(ctx context.Context, req *bayholdv1.VerifyTrailRequest) (*bayholdv1.VerifyTrailResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	from := readCheckpoint(&fs, "after", req.GetAfter())
	kept := make([]trail.Checkpoint, 0, len(req.GetCheckpoints()))
	for i, c := range req.GetCheckpoints() {
		kept = append(kept, readCheckpoint(&fs, fmt.Sprintf("checkpoints[%d]", i), c))
	}
	if err := fs.Err("CHECKPOINT", "a checkpoint cannot be read"); err != nil {
		return nil, err
	}
	found, err := s.shop.VerifyTrail(ctx, siteID, from, kept)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.VerifyTrailResponse{
		Verified: writeCheckpoint(found.Verified), Head: writeCheckpoint(found.Head),
		Done: found.Done(), SealedLater: found.SealedLater,
	}
	if b := found.Break; b != nil {
		out.Break = &bayholdv1.TrailBreak{Kind: breakKinds[b.Kind], Revision: b.Revision, Message: b.Message}
	}
	return out, nil
}

var breakKinds = map[trail.Kind]bayholdv1.TrailBreakKind{
	trail.Altered:     bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_ALTERED,
	trail.Missing:     bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_MISSING,
	trail.Inserted:    bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_INSERTED,
	trail.WrongOrder:  bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_WRONG_ORDER,
	trail.Truncated:   bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_TRUNCATED,
	trail.Rewritten:   bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_REWRITTEN,
	trail.HeadAltered: bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_HEAD_ALTERED,
}

// readCheckpoint reads a checkpoint; absent is the beginning.
func readCheckpoint(fs *fault.Fields, path string, c *bayholdv1.TrailCheckpoint) trail.Checkpoint {
	if c == nil {
		return trail.Checkpoint{}
	}
	if c.GetRevision() < 0 {
		fs.Add(path+".revision", "must not be negative")
	}
	var seal trail.Seal
	if len(c.GetSeal()) != len(seal) {
		fs.Add(path+".seal", "must be %d bytes", len(seal))
		return trail.Checkpoint{}
	}
	return trail.Checkpoint{Revision: c.GetRevision(), Seal: trail.Seal(c.GetSeal())}
}

func writeCheckpoint(c trail.Checkpoint) *bayholdv1.TrailCheckpoint {
	return &bayholdv1.TrailCheckpoint{Revision: c.Revision, Seal: c.Seal[:]}
}

func (s trailService) ShowTrail(ctx context.Context, req *bayholdv1.ShowTrailRequest) (*bayholdv1.ShowTrailResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	f := workshop.TrailFilter{User: req.GetUser(), Limit: p.ask()}
	if f.Touching, err = readSubjects(siteID, req.GetSubjects()); err != nil {
		return nil, err
	}
	var fs fault.Fields
	f.From, f.Until = instant(&fs, "start_time", req.GetStartTime()), instant(&fs, "end_time", req.GetEndTime())
	if p.cursor != "" {
		if f.Before, err = strconv.ParseInt(p.cursor, 10, 64); err != nil || f.Before <= 0 {
			fs.Add("page_token", "does not belong to this list: start without a token")
		}
	}
	if err := fs.Err("TRAIL", "the trail cannot be read so"); err != nil {
		return nil, err
	}
	events, err := s.shop.ShowTrail(ctx, siteID, f)
	if err != nil {
		return nil, err
	}
	events, next := cut(p, events, func(e workshop.TrailEvent) string { return strconv.FormatInt(e.Revision, 10) })
	out := &bayholdv1.ShowTrailResponse{NextPageToken: next}
	for _, e := range events {
		m := writeEvent(siteID, &e.LoggedEvent)
		m.Token, m.Method = e.Token, e.Method
		for _, c := range e.Changes {
			m.Changes = append(m.Changes, &bayholdv1.EventChange{Path: c.Path, Before: c.Before, After: c.After})
		}
		out.Events = append(out.Events, m)
	}
	return out, nil
}

// readSubjects reads the names of what events must touch; nil for none.
func readSubjects(siteID string, names []string) ([]string, error) {
	var out []string
	for i, name := range names {
		subject, ok := strings.CutPrefix(name, within(siteID, ""))
		if parts := strings.Split(subject, "/"); !ok || len(parts) != 2 || !segment.MatchString(parts[1]) {
			return nil, badName(fmt.Sprintf("subjects[%d]", i), name, "sites/{site}/jobs/{job}, .../tools/{tool} and the like")
		}
		out = append(out, subject)
	}
	return out, nil
}
