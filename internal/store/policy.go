package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/calibration"
)

// DecidedPolicy is a calibration policy with who decided on it, and when.
type DecidedPolicy struct {
	Policy calibration.Policy
	Person string
	At     time.Time
}

// CalibrationPolicies reads every policy that a site has had, the first one
// first; none if nobody ever decided on one.
func (r Reader) CalibrationPolicies(ctx context.Context) ([]DecidedPolicy, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT body, decided_by, decided_at FROM calibration_policy
		WHERE site_id = $1 ORDER BY decided_at, policy_id`, r.siteID)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (DecidedPolicy, error) {
		var v DecidedPolicy
		var body []byte
		if err := row.Scan(&body, &v.Person, &v.At); err != nil {
			return v, err
		}
		v.At = v.At.UTC()
		v.Policy.Joint = calibration.DefaultPolicy().Joint // one of before there was a say in it
		return v, json.Unmarshal(body, &v.Policy)
	})
}

// AddCalibrationPolicy puts a policy in the place of the one that holds.
func (t *Tx) AddCalibrationPolicy(ctx context.Context, p calibration.Policy, person string) error {
	body, err := json.Marshal(p)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, "INSERT INTO calibration_policy (site_id, body, decided_by, decided_at) VALUES ($1, $2, $3, $4)",
		t.siteID, json.RawMessage(body), person, t.now)
	return err
}

// ToolInterval is an interval of a tool's own.
type ToolInterval struct {
	Tool     string // asset tag
	Days     int
	Proposal calibration.Proposal // that it comes from
	Person   string
	At       time.Time
}

// ToolIntervals reads the intervals that tools have been given, by time.
func (r Reader) ToolIntervals(ctx context.Context, tags []string) ([]ToolInterval, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT x.slug, i.days, i.proposal, i.decided_by, i.decided_at
		FROM tool_interval i JOIN resource x ON x.site_id = i.site_id AND x.resource_id = i.resource_id
		WHERE i.site_id = $1 AND x.slug = ANY ($2)
		ORDER BY i.decided_at, i.interval_id`, r.siteID, tags)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (ToolInterval, error) {
		var v ToolInterval
		var proposal []byte
		if err := row.Scan(&v.Tool, &v.Days, &proposal, &v.Person, &v.At); err != nil {
			return v, err
		}
		v.At = v.At.UTC()
		return v, json.Unmarshal(proposal, &v.Proposal)
	})
}

// AddToolInterval gives a tool, which the caller has locked, another interval.
func (t *Tx) AddToolInterval(ctx context.Context, v ToolInterval) error {
	id, err := t.toolID(ctx, v.Tool)
	if err != nil {
		return err
	}
	proposal, err := json.Marshal(v.Proposal)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO tool_interval (site_id, resource_id, days, proposal, decided_by, decided_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		t.siteID, id, v.Days, json.RawMessage(proposal), v.Person, t.now)
	return err
}
