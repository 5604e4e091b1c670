package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// CertificateRecord is a certificate as it was recorded.
type CertificateRecord struct {
	ID          int64
	Tool        string // asset tag
	Certificate calibration.Certificate
	Assessment  calibration.Assessment // as it was judged then
	RecordedAt  time.Time
	// DocumentHash is the SHA-256 of the paper that is kept with it, in
	// hexadecimal; empty if none is.
	DocumentHash string
}

// CertificateFilter chooses certificates.
type CertificateFilter struct {
	Tools []string // only of these tools; nil: of all
	ID    int64    // only this one; 0: all
	// From and Until bound their days, Until left out; zero dates do not.
	From, Until hours.Date
	// AfterDay and AfterID continue a list behind that certificate.
	AfterDay hours.Date
	AfterID  int64
	Limit    int // at the most; 0: all
}

// Certificates reads certificates by day.
func (r Reader) Certificates(ctx context.Context, f CertificateFilter) ([]CertificateRecord, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT c.certificate_id, x.slug, c.body, c.assessment, c.recorded_at, COALESCE(encode(d.sha256, 'hex'), '')
		FROM certificate c JOIN resource x ON x.site_id = c.site_id AND x.resource_id = c.resource_id
		LEFT JOIN certificate_document d ON d.site_id = c.site_id AND d.certificate_id = c.certificate_id
		WHERE c.site_id = $1
			AND ($2::text[] IS NULL OR x.slug = ANY ($2))
			AND ($3::bigint = 0 OR c.certificate_id = $3::bigint)
			AND ($4::date IS NULL OR c.day >= $4::date)
			AND ($5::date IS NULL OR c.day < $5::date)
			AND ($6::date IS NULL OR (c.day, c.certificate_id) > ($6::date, $7::bigint))
		ORDER BY c.day, c.certificate_id LIMIT $8`,
		r.siteID, f.Tools, f.ID, nullableDay(f.From), nullableDay(f.Until), nullableDay(f.AfterDay), f.AfterID,
		Page{Limit: f.Limit}.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (CertificateRecord, error) {
		var v CertificateRecord
		var body, assessment []byte
		if err := row.Scan(&v.ID, &v.Tool, &body, &assessment, &v.RecordedAt, &v.DocumentHash); err != nil {
			return v, err
		}
		v.RecordedAt = v.RecordedAt.UTC()
		if err := json.Unmarshal(body, &v.Certificate); err != nil {
			return v, err
		}
		return v, json.Unmarshal(assessment, &v.Assessment)
	})
}

// AddCertificate records a certificate of a tool that the caller has locked.
// Exists if the tool has one of that number.
func (t *Tx) AddCertificate(ctx context.Context, tag string, c calibration.Certificate, a calibration.Assessment) (CertificateRecord, error) {
	out := CertificateRecord{Tool: tag, Certificate: c, Assessment: a, RecordedAt: t.now}
	id, err := t.toolID(ctx, tag)
	if err != nil {
		return out, err
	}
	var taken bool
	err = t.tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM certificate WHERE site_id = $1 AND resource_id = $2 AND number = $3)",
		t.siteID, id, c.Number).Scan(&taken)
	if err != nil {
		return out, err
	}
	if taken {
		return out, fault.New(fault.Exists, "CERTIFICATE", "tool %q has a certificate %q already: look at it before recording another", tag, c.Number)
	}
	body, assessment, err := twoJSON(c, a)
	if err != nil {
		return out, err
	}
	err = t.tx.QueryRow(ctx, `
		INSERT INTO certificate (site_id, resource_id, number, day, body, assessment, recorded_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING certificate_id`,
		t.siteID, id, c.Number, nullableDay(c.Date), body, assessment, t.now).Scan(&out.ID)
	return out, err
}

// AddDocument keeps the paper of a certificate that was recorded in this
// transaction, and gives its hash.
func (t *Tx) AddDocument(ctx context.Context, certificate int64, content []byte) (string, error) {
	sum := sha256.Sum256(content)
	_, err := t.tx.Exec(ctx, `
		INSERT INTO certificate_document (site_id, certificate_id, sha256, content) VALUES ($1, $2, $3, $4)`,
		t.siteID, certificate, sum[:], content)
	return hex.EncodeToString(sum[:]), err
}

// Document reads the paper of a certificate; nil if none is kept.
func (r Reader) Document(ctx context.Context, certificate int64) ([]byte, error) {
	var out []byte
	err := r.tx.QueryRow(ctx, "SELECT content FROM certificate_document WHERE site_id = $1 AND certificate_id = $2",
		r.siteID, certificate).Scan(&out)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return out, err
}

// CheckRecord is an intermediate check as it was recorded.
type CheckRecord struct {
	Tool   string // asset tag
	Check  calibration.Check
	Result calibration.CheckResult // as it was judged then
}

// Checks reads the intermediate checks of tools by time.
func (r Reader) Checks(ctx context.Context, tags []string) ([]CheckRecord, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT c.check_id, x.slug, c.body, c.result
		FROM calibration_check c JOIN resource x ON x.site_id = c.site_id AND x.resource_id = c.resource_id
		WHERE c.site_id = $1 AND x.slug = ANY ($2)
		ORDER BY c.at, c.check_id`, r.siteID, tags)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (CheckRecord, error) {
		var v CheckRecord
		var id int64
		var body, result []byte
		if err := row.Scan(&id, &v.Tool, &body, &result); err != nil {
			return v, err
		}
		if err := json.Unmarshal(body, &v.Check); err != nil {
			return v, err
		}
		v.Check.ID = strconv.FormatInt(id, 10)
		return v, json.Unmarshal(result, &v.Result)
	})
}

// AddCheck records an intermediate check of a tool that the caller has locked,
// and gives its id.
func (t *Tx) AddCheck(ctx context.Context, v CheckRecord) (string, error) {
	id, err := t.toolID(ctx, v.Tool)
	if err != nil {
		return "", err
	}
	body, result, err := twoJSON(v.Check, v.Result)
	if err != nil {
		return "", err
	}
	var row int64
	err = t.tx.QueryRow(ctx, `
		INSERT INTO calibration_check (site_id, resource_id, at, body, result) VALUES ($1, $2, $3, $4, $5) RETURNING check_id`,
		t.siteID, id, v.Check.At, body, result).Scan(&row)
	return strconv.FormatInt(row, 10), err
}

// ToolEvent is what happened to a tool apart from its calibration. One with
// cycles is a count of use, and has no kind.
type ToolEvent struct {
	Tool   string // asset tag
	Event  calibration.Event
	Cycles int
	Note   string
}

// kindUse marks a count of cycles among the events.
const kindUse calibration.EventKind = "USE"

// ToolEvents reads what happened to tools, by time.
func (r Reader) ToolEvents(ctx context.Context, tags []string) ([]ToolEvent, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT x.slug, e.at, e.kind, e.torque_nm, e.cycles, e.note
		FROM tool_event e JOIN resource x ON x.site_id = e.site_id AND x.resource_id = e.resource_id
		WHERE e.site_id = $1 AND x.slug = ANY ($2)
		ORDER BY e.at, e.tool_event_id`, r.siteID, tags)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (ToolEvent, error) {
		var v ToolEvent
		err := row.Scan(&v.Tool, &v.Event.At, &v.Event.Kind, &v.Event.Torque, &v.Cycles, &v.Note)
		v.Event.At = v.Event.At.UTC()
		if v.Event.Kind == kindUse {
			v.Event.Kind = ""
		}
		return v, err
	})
}

// AddToolEvent records what happened to a tool that the caller has locked.
func (t *Tx) AddToolEvent(ctx context.Context, v ToolEvent) error {
	id, err := t.toolID(ctx, v.Tool)
	if err != nil {
		return err
	}
	if v.Event.Kind == "" {
		v.Event.Kind = kindUse
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO tool_event (site_id, resource_id, at, kind, torque_nm, cycles, note) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		t.siteID, id, v.Event.At, v.Event.Kind, v.Event.Torque, v.Cycles, v.Note)
	return err
}

// toolID gives the resource id of a tool.
func (t *Tx) toolID(ctx context.Context, tag string) (int64, error) {
	ref := Ref{Kind: site.KindTool, ID: tag}
	ids, err := t.lock(ctx, []Ref{ref})
	return ids[ref], err
}

func twoJSON(a, b any) (first, second json.RawMessage, err error) {
	if first, err = json.Marshal(a); err != nil {
		return nil, nil, err
	}
	second, err = json.Marshal(b)
	return first, second, err
}

// nullableDay writes a day; the zero day is NULL.
func nullableDay(d hours.Date) *time.Time {
	if d == (hours.Date{}) {
		return nil
	}
	t := d.At(0, time.UTC)
	return &t
}
