package workshop

import (
	"bytes"
	"context"
	"math"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// RecordedCertificate is a certificate as it was recorded, and what follows.
type RecordedCertificate struct {
	Record   CertificateRecord
	Warnings []calibration.Warning
	Standing ToolCalibration
	Trace    *TraceSummary // if it was found out of tolerance
}

// RecordCertificate keeps a certificate of a tool and the paper that it came on,
// if there is one; judges it, and sets until when the tool is in calibration.
// Exists if the tool has one of that number.
func (w *Workshop) RecordCertificate(ctx context.Context, act Act, tag string, c calibration.Certificate, document []byte) (RecordedCertificate, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (RecordedCertificate, error) {
		var out RecordedCertificate
		tool, kind, err := lockCalibrated(ctx, tx, tag)
		if err != nil {
			return out, err
		}
		zone, err := zoneOf(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		var fs fault.Fields
		checkText(&fs, "number", c.Number, true)
		checkText(&fs, "laboratory", c.Laboratory, true)
		checkDocument(&fs, document)
		if y := c.Date.Year; y < minYear {
			fs.Add("date", "must lie in the year %d or later", minYear)
		}
		if err := fs.Err("BAD_CERTIFICATE", "the certificate cannot be taken as it stands"); err != nil {
			return out, err
		}
		rules, err := readRules(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		out.Warnings, err = c.Validate(measured(tool, kind), rules.policy(), hours.DateOf(tx.Now(), zone))
		if err != nil {
			return out, err
		}
		assessment, err := calibration.Assess(c, measured(tool, kind), rules.policy())
		if err != nil {
			return out, err
		}
		if out.Record, err = tx.AddCertificate(ctx, tag, c, assessment); err != nil {
			return out, err
		}
		if len(document) > 0 {
			if out.Record.DocumentHash, err = tx.AddDocument(ctx, out.Record.ID, document); err != nil {
				return out, err
			}
		}
		tx.Log(store.Event{Kind: "tool.calibrated", Subject: "tools/" + tag, Details: map[string]any{
			"certificate": c.Number, "date": c.Date, "verdict": assessment.Overall(),
		}})
		rs, err := readRecords(ctx, tx.Reader, tx.Now(), []string{tag})
		if err != nil {
			return out, err
		}
		out.Trace = rs.summary(tool, kind, certificateFinding(out.Record.ID))
		out.Standing, err = rs.recalibrate(ctx, tx, tool, kind, nil)
		return out, err
	})
}

// maxDocument bounds the paper of a certificate, in bytes.
const maxDocument = 5 << 20

func checkDocument(fs *fault.Fields, document []byte) {
	switch {
	case len(document) > maxDocument:
		fs.Add("document", "is larger than 5 MiB: scan it at a lower resolution")
	case len(document) > 0 && !bytes.HasPrefix(document, []byte("%PDF-")):
		fs.Add("document", "is no PDF")
	}
}

// RecordedCheck is an intermediate check as it was recorded, and what follows.
type RecordedCheck struct {
	Record   CheckRecord
	Standing ToolCalibration
	Rule     []string      // by which it was weighed, in words
	Trace    *TraceSummary // if it found the tool out of tolerance
}

// RecordCheck keeps an intermediate check of a tool, made on another tool of the
// site. Of the check's tester only the tag is read.
func (w *Workshop) RecordCheck(ctx context.Context, act Act, tag string, c calibration.Check) (RecordedCheck, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (RecordedCheck, error) {
		check := c
		out := RecordedCheck{}
		tool, kind, err := lockCalibrated(ctx, tx, tag)
		if err != nil {
			return out, err
		}
		var fs fault.Fields
		checkPast(&fs, "check.time", check.At, tx.Now())
		if check.Tester.Tag == tag {
			fs.Add("check.tester", "a tool cannot be checked on itself: name the tester")
		}
		if err := fs.Err("BAD_CHECK", "the check cannot be kept"); err != nil {
			return out, err
		}
		rules, err := readRules(ctx, tx.Reader)
		if err != nil {
			return out, err
		}
		out.Rule = rules.policy().Check.Text()
		if check.Tester, err = testerOf(ctx, tx.Reader, check.Tester.Tag, check.At, tx.Now()); err != nil {
			return out, err
		}
		result, err := rules.policy().Judge(check, measured(tool, kind))
		if err != nil {
			return out, err
		}
		out.Record = store.CheckRecord{Tool: tag, Check: check, Result: result}
		if out.Record.Check.ID, err = tx.AddCheck(ctx, out.Record); err != nil {
			return out, err
		}
		tx.Log(store.Event{Kind: "tool.checked", Subject: "tools/" + tag, Details: map[string]any{
			"good": result.Good, "failed": result.Failed,
		}})
		var event *calibration.Event
		if result.Failed {
			event = &calibration.Event{At: check.At, Kind: calibration.CheckFailed}
			if err := tx.AddToolEvent(ctx, ToolEvent{Tool: tag, Event: *event}); err != nil {
				return out, err
			}
		}
		rs, err := readRecords(ctx, tx.Reader, tx.Now(), []string{tag})
		if err != nil {
			return out, err
		}
		out.Trace = rs.summary(tool, kind, checkFinding(out.Record.Check.ID))
		out.Standing, err = rs.recalibrate(ctx, tx, tool, kind, event)
		return out, err
	})
}

// testerOf reads what a check at an instant rests on. A tester with certificates
// was in calibration if they say so; of another the date that was set counts.
func testerOf(ctx context.Context, r store.Reader, tag string, at, now time.Time) (calibration.Tester, error) {
	out := calibration.Tester{Tag: tag}
	t, err := r.Tool(ctx, tag)
	if err != nil {
		return out, err
	}
	kind, err := r.ToolType(ctx, t.Type)
	if err != nil {
		return out, err
	}
	rs, err := readRecords(ctx, r, now, []string{tag})
	if err != nil {
		return out, err
	}
	if out.Permissible, err = rs.rules.policy().Classes.Permissible(measured(t, kind)); err != nil {
		return out, err
	}
	if len(rs.certificates[tag]) == 0 {
		out.CalibratedUntil = t.CalibratedUntil
		return out, nil
	}
	for _, p := range calibration.Periods(rs.history(tag, kind), measured(t, kind), rs.first(tag, kind), rs.zone, now) {
		if p.During.Has(at) {
			out.CalibratedUntil = p.During.End
		}
	}
	return out, nil
}

// RecordToolEvent keeps what happened to a tool. With cycles it is a count of
// use and has no kind.
func (w *Workshop) RecordToolEvent(ctx context.Context, act Act, tag string, e ToolEvent) (ToolCalibration, error) {
	e.Tool = tag
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (ToolCalibration, error) {
		var out ToolCalibration
		tool, kind, err := lockCalibrated(ctx, tx, tag)
		if err != nil {
			return out, err
		}
		if err := checkToolEvent(e, tx.Now()); err != nil {
			return out, err
		}
		if err := tx.AddToolEvent(ctx, e); err != nil {
			return out, err
		}
		tx.Log(store.Event{Kind: "tool.event", Subject: "tools/" + tag, Details: e})
		return w.recalibrate(ctx, tx, tool, kind, &e.Event)
	})
}

// uncertified refuses to set by hand what follows from certificates.
func uncertified(ctx context.Context, r store.Reader, tag string) error {
	list, err := r.Certificates(ctx, store.CertificateFilter{Tools: []string{tag}, Limit: 1})
	if err == nil && len(list) > 0 {
		err = fault.New(fault.Precondition, "CERTIFIED",
			"until when tool %q is in calibration follows from its certificates: record a certificate, or what happened to it", tag)
	}
	return err
}

// maxCycles bounds one count of cycles.
const maxCycles = 1_000_000

func checkToolEvent(e ToolEvent, now time.Time) error {
	var fs fault.Fields
	checkPast(&fs, "event.time", e.Event.At, now)
	checkText(&fs, "event.note", e.Note, false)
	load, used := e.Event.Kind == calibration.Load, e.Event.Kind == ""
	switch torque := e.Event.Torque; {
	case load && !(torque > 0 && !math.IsInf(torque, 1)):
		fs.Add("event.torque_nm", "must be the torque of the load, above 0 N·m")
	case !load && torque != 0:
		fs.Add("event.torque_nm", "goes with a LOAD only: leave it out")
	}
	switch {
	case used && (e.Cycles < 1 || e.Cycles > maxCycles):
		fs.Add("event.cycles", "must be a count from 1 to %d", maxCycles)
	case !used && e.Cycles != 0:
		fs.Add("event.cycles", "goes with a USE only: leave it out")
	}
	return fs.Err("TOOL_EVENT", "what happened to the tool cannot be kept")
}

// checkPast notes what is wrong with an instant that has been.
func checkPast(fs *fault.Fields, path string, t, now time.Time) {
	checkTime(fs, path, t)
	if t.After(now) {
		fs.Add(path, "lies in the future: record it when it has happened")
	}
}

// lockCalibrated locks and reads a tool that needs calibration.
func lockCalibrated(ctx context.Context, tx *store.Tx, tag string) (site.Tool, site.ToolType, error) {
	if err := tx.Lock(ctx, []Ref{{Kind: site.KindTool, ID: tag}}); err != nil {
		return site.Tool{}, site.ToolType{}, err
	}
	return calibrated(ctx, tx.Reader, tag)
}

// calibrated reads a tool that needs calibration.
func calibrated(ctx context.Context, r store.Reader, tag string) (site.Tool, site.ToolType, error) {
	tool, err := r.Tool(ctx, tag)
	if err != nil {
		return tool, site.ToolType{}, err
	}
	kind, err := r.ToolType(ctx, tool.Type)
	if err == nil && !kind.Calibrated {
		err = fault.New(fault.Precondition, "NOT_CALIBRATED",
			"tool %q is of type %q, which needs no calibration: say that it does in the workshop file first", tag, kind.ID)
	}
	return tool, kind, err
}

func zoneOf(ctx context.Context, r store.Reader) (*time.Location, error) {
	at, err := r.Site(ctx)
	if err != nil {
		return nil, err
	}
	return time.LoadLocation(at.TimeZone)
}
