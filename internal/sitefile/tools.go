package sitefile

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/tooling"
	"bayhold/internal/torque"
)

func (r *reader) readToolTypes(w *Workshop, lists []value) {
	for _, v := range items(lists) {
		o, ok := v.object("id", "name", "purpose", "families", "torque", "resolution", "drive", "calibrated", "pieces", "length", "ratio",
			"iso", "permissible", "calibration_months", "calibration_cycles")
		if !ok {
			continue
		}
		id := o.need("id", idAdvice)
		t := site.ToolType{
			ID: id.slug(), Name: o.title("name"),
			Purpose:     choice(o.need("purpose", "write one of LOCKING, TENSIONING, HOLDING, ALIGNING, DRILLING, TORQUE, ANGLE, LIFTING, OTHER"), site.Purposes()),
			Families:    o.get("families").families(),
			Resolution:  o.get("resolution").newtonMetres(),
			Drive:       o.get("drive").text(32),
			Calibrated:  o.get("calibrated").flag(),
			Pieces:      o.get("pieces").pieces(),
			Length:      o.get("length").number(0, 5_000),
			Ratio:       o.get("ratio").number(0, 200),
			Permissible: o.get("permissible").percentage(),

			CalibrationMonths: o.get("calibration_months").integer(1, tooling.MaxMonths),
			CalibrationCycles: o.get("calibration_cycles").integer(1, tooling.MaxCycles),
		}
		t.ISOType, t.ISOClass = o.get("iso").isoClass()
		span := o.get("torque")
		t.TorqueMin, t.TorqueMax = span.torqueRange()
		switch {
		case t.Purpose == site.Torque && !span.present():
			span.fault("is missing: a tool of purpose TORQUE has a range such as 40-200 Nm")
		case !tightens(t.Purpose) && !tests(t.Purpose) && span.present():
			span.fault("belongs to tools of purpose TORQUE, and to testers of purpose OTHER, not to %s", t.Purpose)
		}
		if v := o.get("iso"); v.present() && !tightens(t.Purpose) {
			v.fault("belongs to tools of purpose TORQUE only, not %s", t.Purpose)
		}
		if v := o.get("permissible"); v.present() && !tightens(t.Purpose) && !tests(t.Purpose) {
			v.fault("belongs to tools of purpose TORQUE, and to testers of purpose OTHER, not to %s", t.Purpose)
		}
		if r.define(aToolType, t.ID, id) {
			w.ToolTypes = append(w.ToolTypes, t)
		}
	}
}

// tightens tells whether a tool of a purpose has a torque; one whose purpose is
// at fault is not told so again.
func tightens(p site.Purpose) bool { return p == site.Torque || p == "" }

// tests tells whether a tool of a purpose may be a tester of torque tools, which
// has a range and a permissible deviation and tightens nothing.
func tests(p site.Purpose) bool { return p == site.Other }

// isoForm is a type and a class of ISO 6789.
var isoForm = regexp.MustCompile(`^(II?) ([A-G])$`)

// isoClass reads a type and a class of ISO 6789: "II A".
func (v value) isoClass() (kind, class string) {
	s, ok := v.scalar()
	if !ok {
		return "", ""
	}
	m := isoForm.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil {
		v.fault("%q is no type and class of ISO 6789: write such as I D or II A", clip(s))
		return "", ""
	}
	return m[1], m[2]
}

// families reads the engine families that something fits.
func (v value) families() []string {
	out := v.slugs()
	for _, e := range v.list() {
		if e.node != nil && slices.Contains(out, e.node.Value) {
			v.r.refer(aFamily, e.node.Value, e)
		}
	}
	return out
}

// pieces reads what a set consists of, each with its count.
func (v value) pieces() []site.Piece {
	if !v.present() {
		return nil
	}
	o, ok := v.mapping()
	if !ok {
		return nil
	}
	var out []site.Piece
	for _, p := range v.pairs() {
		f, ok := o.fields[p.key.Value]
		if !ok || f.at != p.key {
			continue // no key, or one that stood before
		}
		name := strings.TrimSpace(p.key.Value)
		f.name = v.name + ", " + f.name
		if why := tooling.PieceName(name); why != "" {
			f.fault("%q %s", clip(name), why)
			continue
		}
		if !f.present() {
			f.fault("how many are there? write a number")
			continue
		}
		out = append(out, site.Piece{Name: name, Count: f.integer(1, 10_000)})
	}
	return out
}

// newtonMetres reads one torque: "120 Nm", "90 lbf·ft", or "120" for newton metres.
func (v value) newtonMetres() float64 {
	s, ok := v.scalar()
	if !ok {
		return 0
	}
	nm, ok := parseTorque(s)
	if !ok {
		v.fault("%q is no torque: write one such as 120 Nm, more than 0 and at most %d Nm", clip(s), maxTorque)
	}
	return nm
}

func parseTorque(s string) (float64, bool) {
	if _, err := strconv.ParseFloat(strings.TrimSpace(s), 64); err == nil {
		s += " Nm"
	}
	stages, err := torque.Parse(s)
	if err != nil || len(stages) != 1 || stages[0].Torque == 0 || stages[0].Torque > maxTorque {
		return 0, false
	}
	return stages[0].Torque, true
}

// torqueRange reads "40-200 Nm"; a single torque is a range of its own.
func (v value) torqueRange() (low, high float64) {
	s, ok := v.scalar()
	if !ok {
		return 0, 0
	}
	from, to, isRange := strings.Cut(s, "-")
	if !isRange {
		nm := v.newtonMetres()
		return nm, nm
	}
	high, okHigh := parseTorque(to)
	unit := strings.TrimLeft(strings.TrimSpace(to), "0123456789.")
	low, okLow := parseTorque(strings.TrimSpace(from) + unit)
	switch {
	case !okLow || !okHigh:
		v.fault("%q is no range of torques: write one such as 40-200 Nm", clip(s))
		return 0, 0
	case low > high:
		v.fault("%q ends below its beginning: write the lower torque first", clip(s))
		return high, low
	}
	return low, high
}

func (r *reader) readTools(w *Workshop, lists []value) {
	for _, v := range items(lists) {
		o, ok := v.object("tag", "type", "condition", "condition_until", "note", "calibrated_until", "home", "photo", "missing", "damaged")
		if !ok {
			continue
		}
		tag, kind := o.need("tag", "write the asset tag, such as TW-200-1"), o.need("type", "write the id of its tool type")
		t := site.Tool{
			Tag: tag.assetTag(), Type: kind.slug(),
			Condition:       choice(o.get("condition"), site.Conditions()),
			ConditionUntil:  o.get("condition_until").moment(true),
			ConditionNote:   o.get("note").text(maxText),
			CalibratedUntil: o.get("calibrated_until").moment(true),
			Home:            o.get("home").text(maxName),
			PhotoURL:        o.get("photo").address(),
			Missing:         o.get("missing").pieces(),
			Damaged:         o.get("damaged").pieces(),
		}
		if t.Condition == "" {
			t.Condition = site.Serviceable
		}
		r.refer(aToolType, t.Type, kind)
		if until := o.get("condition_until"); until.present() && t.Condition != site.Quarantined && t.Condition != site.Away {
			until.fault("goes with the conditions QUARANTINED and AWAY only: this tool is %s", t.Condition)
		}
		r.readLacking(w, t, o)
		if r.define(aTool, t.Tag, tag) {
			w.Tools = append(w.Tools, t)
			if !slices.ContainsFunc(conditionKeys, func(key string) bool { return o.get(key).present() }) {
				w.Unjudged = append(w.Unjudged, t.Tag)
			}
		}
	}
}

// conditionKeys are what a file says of the state that a tool is in.
var conditionKeys = []string{"condition", "condition_until", "note", "missing", "damaged"}

// readLacking judges the pieces that a tool is said to lack.
func (r *reader) readLacking(w *Workshop, t site.Tool, o object) {
	at := o.get("missing")
	if !at.present() {
		at = o.get("damaged")
	}
	if !at.present() {
		return
	}
	var set []site.Piece
	known := false
	for _, kind := range slices.Concat(r.known.ToolTypes, w.ToolTypes) {
		if kind.ID == t.Type {
			set, known = kind.Pieces, true
		}
	}
	if !known {
		return // told already
	}
	var fs fault.Fields
	tooling.CheckLacking(&fs, set, t.Missing, t.Damaged)
	for _, f := range fs {
		o.get(f.Path).fault("%s", f.Message)
	}
	if lack := tooling.Lacking(t.Missing, t.Damaged); t.Condition == site.Serviceable && lack != "" {
		at.fault("a tool that lacks something cannot be SERVICEABLE: %s", lack)
	}
}

// address reads the https address of a photo.
func (v value) address() string {
	s, ok := v.scalar()
	if !ok {
		return ""
	}
	if why := tooling.PhotoURL(s); why != "" {
		v.fault("%q %s", clip(s), why)
	}
	return s
}

// assetTag reads what is engraved on a tool.
func (v value) assetTag() string {
	s, ok := v.scalar()
	if ok && !tagForm.MatchString(s) {
		v.fault("%q is no asset tag: capital letters, digits and dashes, 1 to 32 of them, no dash first", clip(s))
		return clip(s)
	}
	return s
}

// message is what a fault says, without what belongs in a log.
func message(err error) string {
	if f := fault.Fault(err); f != nil {
		return f.Message
	}
	return err.Error()
}
