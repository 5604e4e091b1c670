package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// IssueFilter chooses issues of tools.
type IssueFilter struct {
	Tools      []string // only of these, by asset tag; nil: of all
	Technician string   // only to this one; empty: to all
	Job        int64    // only for this one; 0: for all
	Open       bool     // only of what is out
	Limit      int      // at the most; 0: all
}

// Issues reads issues, the latest first.
func (r Reader) Issues(ctx context.Context, f IssueFilter) ([]site.Issue, error) {
	return r.issues(f).all(ctx, r.tx)
}

func (r Reader) issues(f IssueFilter) ask[site.Issue] {
	return asking(`
		SELECT i.issue_id, x.slug, p.slug, COALESCE(b.slug, ''), COALESCE(i.job_id, 0), COALESCE(j.reference, ''), COALESCE(k.booking_id, 0),
			i.out_since, i.issued_at, i.issued_by, i.due_at, COALESCE(i.follows, 0),
			i.returned_at, i.returned_by, i.outcome, i.pieces, i.note
		FROM tool_issue i
		JOIN resource x ON x.site_id = i.site_id AND x.resource_id = i.resource_id
		JOIN resource p ON p.site_id = i.site_id AND p.resource_id = i.technician_id
		LEFT JOIN resource b ON b.site_id = i.site_id AND b.resource_id = i.bay_id
		LEFT JOIN job j ON j.site_id = i.site_id AND j.job_id = i.job_id
		LEFT JOIN booking k ON k.site_id = i.site_id AND k.booking_id = i.booking_id AND k.state <> 'CANCELLED'
		WHERE i.site_id = $1
			AND ($2::text[] IS NULL OR x.slug = ANY ($2))
			AND ($3 = '' OR p.slug = $3)
			AND ($4::bigint = 0 OR i.job_id = $4::bigint)
			AND (NOT $5 OR i.returned_at IS NULL)
		ORDER BY i.issued_at DESC, i.issue_id DESC LIMIT $6`,
		[]any{r.siteID, f.Tools, f.Technician, f.Job, f.Open, Page{Limit: f.Limit}.limit()}, func(row pgx.CollectableRow) (site.Issue, error) {
			var v site.Issue
			var returned *time.Time
			var counted []byte
			if err := row.Scan(&v.ID, &v.Tool, &v.Technician, &v.Bay, &v.Job, &v.Reference, &v.Booking,
				&v.OutSince, &v.IssuedAt, &v.IssuedBy, &v.DueAt, &v.Follows,
				&returned, &v.ReturnedBy, &v.Outcome, &counted, &v.Note); err != nil {
				return v, err
			}
			v.OutSince, v.IssuedAt, v.DueAt, v.ReturnedAt = v.OutSince.UTC(), v.IssuedAt.UTC(), v.DueAt.UTC(), instant(returned)
			var err error
			v.Counted, err = listOf[site.CountedPiece](counted)
			return v, err
		})
}

// OpenIssue reads the open issue of a tool; false if it is not out.
func (r Reader) OpenIssue(ctx context.Context, tag string) (site.Issue, bool, error) {
	list, err := r.Issues(ctx, IssueFilter{Tools: []string{tag}, Open: true})
	if err != nil || len(list) == 0 {
		return site.Issue{}, false, err
	}
	return list[0], true, nil
}

// AddIssue writes that a tool is with a technician from now on, and gives the
// issue its id. The caller has locked tool, technician and bay. LostRace if it is out already.
func (t *Tx) AddIssue(ctx context.Context, v site.Issue) (site.Issue, error) {
	refs := []Ref{{site.KindTool, v.Tool}, {site.KindTechnician, v.Technician}}
	if v.Bay != "" {
		refs = append(refs, Ref{site.KindBay, v.Bay})
	}
	ids, err := t.lock(ctx, refs)
	if err != nil {
		return v, err
	}
	v.IssuedBy = t.actor
	err = t.tx.QueryRow(ctx, `
		INSERT INTO tool_issue (site_id, resource_id, technician_id, bay_id, job_id, booking_id, out_since, issued_at, issued_by, due_at, follows, note)
		VALUES ($1, $2, $3, NULLIF($4::bigint, 0), NULLIF($5::bigint, 0), NULLIF($6::bigint, 0), $7, $8, $9, $10, NULLIF($11::bigint, 0), $12)
		ON CONFLICT (site_id, resource_id) WHERE returned_at IS NULL DO NOTHING
		RETURNING issue_id`,
		t.siteID, ids[refs[0]], ids[refs[1]], ids[Ref{site.KindBay, v.Bay}], v.Job, v.Booking,
		v.OutSince, v.IssuedAt, v.IssuedBy, v.DueAt, v.Follows, v.Note).Scan(&v.ID)
	if errors.Is(err, pgx.ErrNoRows) {
		err = fault.New(fault.LostRace, "ALREADY_ISSUED", "tool %q was issued to somebody else at this moment: look where it is", v.Tool)
	}
	return v, err
}

// CloseIssue writes how an open issue ended: its outcome, what was counted and
// by whom it was written down. It never ends before it began, although the
// server that wrote the beginning may have had a faster clock. The caller has
// locked the tool.
func (t *Tx) CloseIssue(ctx context.Context, v site.Issue) (site.Issue, error) {
	v.ReturnedAt, v.ReturnedBy = t.now, t.actor
	if v.ReturnedAt.Before(v.IssuedAt) {
		v.ReturnedAt = v.IssuedAt
	}
	counted, err := json.Marshal(some(v.Counted))
	if err != nil {
		return v, err
	}
	tag, err := t.tx.Exec(ctx, `
		UPDATE tool_issue SET returned_at = $3, returned_by = $4, outcome = $5, pieces = $6, note = $7
		WHERE site_id = $1 AND issue_id = $2 AND returned_at IS NULL`,
		t.siteID, v.ID, v.ReturnedAt, v.ReturnedBy, v.Outcome, json.RawMessage(counted), v.Note)
	if err == nil && tag.RowsAffected() == 0 {
		err = fault.New(fault.LostRace, "NOT_ISSUED", "tool %q was given back by somebody else at this moment: look where it is", v.Tool)
	}
	return v, err
}

// CutBooking ends a booking earlier than it was written. The caller has locked
// its resource and has made sure that it begins before.
func (t *Tx) CutBooking(ctx context.Context, id int64, end time.Time) error {
	_, err := t.tx.Exec(ctx, `
		UPDATE booking SET during = tstzrange(lower(during), $3::timestamptz)
		WHERE site_id = $1 AND booking_id = $2 AND upper(during) > $3::timestamptz`, t.siteID, id, end)
	return err
}

// followBookings lets what is out for a job that was moved be due when its
// bookings end now.
func (t *Tx) followBookings(ctx context.Context, job int64) error {
	_, err := t.tx.Exec(ctx, `
		UPDATE tool_issue i SET booking_id = b.booking_id, due_at = b.due
		FROM (
			SELECT DISTINCT ON (resource_id) resource_id, booking_id, upper(during) AS due FROM booking
			WHERE site_id = $1 AND job_id = $2 AND state <> 'CANCELLED' AND upper(during) > $3
			ORDER BY resource_id, lower(during)) AS b
		WHERE i.site_id = $1 AND i.job_id = $2 AND i.returned_at IS NULL AND i.resource_id = b.resource_id`,
		t.siteID, job, t.now)
	return err
}
