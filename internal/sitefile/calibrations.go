package sitefile

import (
	"strconv"
	"strings"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

// Calibration is what files say of the calibration of a tool: a certificate, or
// just until when it holds.
type Calibration struct {
	Tool        string // asset tag
	Until       time.Time
	Certificate *calibration.Certificate // nil without readings
	places      map[string]string
	place       string
}

// Place tells where a part of it stands in the files; path is the certificate's
// own, such as "points[2].found", or empty for the whole.
func (c Calibration) Place(path string) string {
	for ; path != ""; path = path[:max(strings.LastIndexAny(path, ".["), 0)] {
		if at, ok := c.places[path]; ok {
			return at
		}
	}
	return c.place
}

// maxCalibrationMonths bounds how long a calibration may be said to hold.
const maxCalibrationMonths = 240

func (r *reader) readCalibrations(w *Workshop, lists []value) {
	const certificate = "calibration"
	for _, v := range items(lists) {
		o, ok := v.object("tool", "until", "date", "months", "number", "laboratory", "rule", "temperature", "humidity",
			"uncertainty", "k", "unit", "points")
		if !ok {
			continue
		}
		tool := o.need("tool", "write the asset tag")
		c := Calibration{Tool: tool.assetTag(), place: tool.where(), places: make(map[string]string)}
		r.refer(aTool, c.Tool, tool)
		key := c.Tool
		if o.get("points").present() {
			c.Certificate = o.certificate(&c)
			key += " " + c.Certificate.Number
			for _, k := range []string{"until", "months"} {
				if v := o.get(k); v.present() {
					v.fault("until when it holds follows from the readings: take this out")
				}
			}
		} else {
			c.Until = o.calibratedUntil()
		}
		if c.Tool != "" && r.define(certificate, key, tool) {
			w.Calibrations = append(w.Calibrations, c)
		}
	}
}

// calibratedUntil reads until when a tool is in calibration: the last day, or
// the day of the calibration and how many months it holds.
func (o object) calibratedUntil() time.Time {
	until, date, months := o.get("until"), o.get("date"), o.get("months")
	if until.present() {
		if months.present() {
			months.fault("until says how long it holds already: take one of the two out")
		}
		return until.moment(true)
	}
	n := months.integer(1, maxCalibrationMonths)
	day := date.moment(false)
	switch {
	case !date.present() && !months.present():
		until.fault("is missing: write the last day on which it holds")
	case !date.present():
		date.fault("is missing: from which day do the months count?")
	case !months.present():
		months.fault("is missing: how many months does the calibration hold?")
	case !day.IsZero():
		from := hours.DateOf(day, o.r.zone)
		last := hours.DateOf(time.Date(from.Year, from.Month+time.Month(n), 1, 12, 0, 0, 0, time.UTC), time.UTC)
		// The 31st of a month that has fewer days is its last.
		for d := from.Day; d > 0; d-- {
			if last.Day = d; last.Valid() {
				break
			}
		}
		return last.AddDays(1).At(0, o.r.zone)
	}
	return time.Time{}
}

// certificate reads one with its readings.
func (o object) certificate(c *Calibration) *calibration.Certificate {
	out := &calibration.Certificate{
		Number:     o.need("number", "write the laboratory's number").text(maxName),
		Laboratory: o.need("laboratory", "write who calibrated").text(maxName),
		Rule:       calibration.SimpleAcceptance,
	}
	if day := o.need("date", "write the day of the measurement").moment(false); !day.IsZero() {
		out.Date = hours.DateOf(day, o.r.zone)
	}
	if v := o.get("rule"); v.present() {
		names := []string{"simple-acceptance", "guard-band", "four-way"}
		out.Rule = calibration.Rule(strings.ToUpper(strings.ReplaceAll(choice(v, names), "-", "_")))
	}
	if v := o.get("temperature"); v.present() {
		t := v.number(-50, 100)
		out.Environment.Temperature = &t
	}
	if v := o.get("humidity"); v.present() {
		h, relative := v.share()
		if !relative && h > 1 {
			h /= 100
		}
		out.Environment.Humidity = &h
	}
	if v := o.get("unit"); v.present() {
		switch s, _ := v.scalar(); folded(s) {
		case "nm", "n·m", "n.m", "n m", "":
		default:
			v.fault("%q: readings must be in newton metres, as the laboratory measured them; convert none by hand", clip(s))
		}
	}
	for _, k := range []string{"number", "laboratory", "date", "rule", "temperature", "humidity"} {
		path := k
		if k == "temperature" || k == "humidity" {
			path = "environment." + k
		}
		c.places[path] = o.get(k).where()
	}
	for _, e := range o.get("points").bounded(calibration.MaxPoints) {
		p, ok := e.object("torque", "direction", "found", "left", "uncertainty", "k")
		if !ok {
			continue
		}
		path := "points[" + strconv.Itoa(len(out.Points)) + "]"
		c.places[path] = p.where()
		c.places[path+".nominal"] = p.get("torque").where()
		c.places[path+".as_found"] = p.get("found").where()
		c.places[path+".as_left"] = p.get("left").where()
		c.places[path+".uncertainty"] = p.get("uncertainty").where()
		out.Points = append(out.Points, p.point(o))
	}
	return out
}

// point reads what was measured at one torque; the uncertainty is that of the
// certificate, unless the point has its own.
func (o object) point(whole object) calibration.Point {
	out := calibration.Point{
		Nominal:   o.need("torque", "write what the tool was set to, in newton metres").plainTorque(),
		Direction: calibration.Clockwise,
		AsFound:   o.need("found", "write the readings as found").readings(),
		AsLeft:    o.get("left").readings(),
	}
	if v := o.get("direction"); v.present() {
		switch choice(v, []string{"cw", "clockwise", "ccw", "counterclockwise"}) {
		case "ccw", "counterclockwise":
			out.Direction = calibration.Counterclockwise
		}
	}
	u, k := o.get("uncertainty"), o.get("k")
	if !u.present() {
		u = whole.get("uncertainty")
	}
	if !k.present() {
		k = whole.get("k")
	}
	if u.present() {
		out.Uncertainty.Amount, out.Uncertainty.Relative = u.share()
		out.Uncertainty.K = 2
		if k.present() {
			out.Uncertainty.K = k.number(0.1, 10)
		}
	}
	return out
}

// share reads a number, or a percentage as a fraction; a unit of newton metres
// may stand behind it.
func (v value) share() (x float64, relative bool) {
	s, ok := v.scalar()
	if !ok {
		return 0, false
	}
	bare, relative := strings.CutSuffix(strings.TrimSpace(s), "%")
	for _, unit := range []string{"Nm", "N·m"} {
		bare = strings.TrimSuffix(strings.TrimSpace(bare), unit)
	}
	x, ok = parseNumber(strings.TrimSpace(bare))
	if !ok || x < 0 {
		v.fault("%q is no such figure: write one such as 1 %% or 0.4 Nm", clip(s))
		return 0, relative
	}
	if relative {
		x /= 100
	}
	return x, relative
}

// plainTorque reads newton metres.
func (v value) plainTorque() float64 {
	list := v.readings()
	if len(list) > 1 {
		v.fault("there is one torque a point: write one row for each")
	}
	if len(list) == 0 {
		return 0
	}
	return list[0]
}

// readings reads numbers in newton metres: a list, or with spaces or semicolons
// between them.
func (v value) readings() []float64 {
	var out []float64
	for _, e := range v.bounded(maxListed) {
		s, ok := e.scalar()
		if !ok {
			continue
		}
		for word := range strings.FieldsSeq(strings.ReplaceAll(s, ";", " ")) {
			if word == "Nm" || word == "N·m" {
				continue
			}
			x, ok := parseNumber(strings.TrimSuffix(word, "Nm"))
			if !ok {
				e.fault("%q is no number in newton metres: write such as 99.6 100.2", clip(word))
				continue
			}
			out = append(out, x)
		}
	}
	return out
}
