package workshop

import (
	"fmt"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// yard is the site's resources as the planner sees them over a stretch of time.
type yard struct {
	epoch    time.Time // minute 0
	horizon  plan.Time
	zone     *time.Location
	revision int64
	units    []plan.Unit
	refs     []Ref              // of each unit
	skills   map[int32][]string // of technicians
	traits   map[int32][]string // features of bays
	types    map[int32]site.ToolType
	calib    map[int32]time.Time // end of calibration as it is written down
	retired  map[int32]bool      // tools that are out of use for good
	reasons  []reason            // by plan.Blocked.Ref
}

// reason is why a unit cannot be had for a while.
type reason struct {
	kind      BlockerKind
	text      string
	job       int64
	reference string
	until     time.Time // zero if nobody knows
}

// newYard lays out the state over [from, to), whole minutes.
func newYard(st store.State, from, to time.Time) (*yard, error) {
	zone, err := time.LoadLocation(st.Site.TimeZone)
	if err != nil {
		return nil, fault.New(fault.Precondition, "TIME_ZONE", "the site's time zone %q is not known to this machine: correct it, or install the zone database", st.Site.TimeZone).Because(err)
	}
	y := &yard{
		epoch: from, horizon: plan.Time(to.Sub(from) / time.Minute), zone: zone, revision: st.Site.Revision,
		skills: map[int32][]string{}, traits: map[int32][]string{},
		types: map[int32]site.ToolType{}, calib: map[int32]time.Time{}, retired: map[int32]bool{},
	}
	busy := map[Ref][]site.Booking{}
	for _, b := range st.Bookings {
		ref := Ref{Kind: b.Kind, ID: b.Resource}
		busy[ref] = append(busy[ref], b)
	}
	for _, b := range st.Bays {
		i := y.add(Ref{Kind: site.KindBay, ID: b.ID}, y.whole(), busy)
		y.traits[i] = b.Features
		for _, c := range b.Closures {
			y.shut(i, c.During, reason{kind: BlockerClosed, text: c.Reason, until: c.During.End})
		}
	}
	for _, t := range st.Technicians {
		open := y.windows(t.Shifts.Expand(zone, from, to))
		i := y.add(Ref{Kind: site.KindTechnician, ID: t.ID}, open, busy)
		y.skills[i] = t.Skills
		for _, c := range t.Absences {
			y.shut(i, c.During, reason{kind: BlockerAbsent, text: c.Reason, until: c.During.End})
		}
	}
	types := make(map[string]site.ToolType, len(st.ToolTypes))
	for _, t := range st.ToolTypes {
		types[t.ID] = t
	}
	out := make(map[string]site.Issue, len(st.Issues))
	for _, i := range st.Issues {
		out[i.Tool] = i
	}
	for _, t := range st.Tools {
		unit := y.addTool(t, types[t.Type], busy, st.Now)
		if i, ok := out[t.Tag]; ok {
			y.addIssue(unit, i, st.Now)
		}
	}
	for i := range y.units {
		slices.SortStableFunc(y.units[i].Shut, func(a, b plan.Blocked) int { return int(a.Start) - int(b.Start) })
	}
	return y, nil
}

func (y *yard) addTool(t site.Tool, kind site.ToolType, busy map[Ref][]site.Booking, now time.Time) int32 {
	i := y.add(Ref{Kind: site.KindTool, ID: t.Tag}, y.whole(), busy)
	y.types[i] = kind
	y.retired[i] = t.Condition == site.Retired
	if kind.Calibrated {
		y.calib[i] = t.CalibratedUntil
		y.units[i].Expiry = y.floor(t.CalibratedUntil) // calibration.Covers on whole minutes
	}
	if t.Condition == site.Serviceable {
		return i
	}
	// What it was used for before is done, whatever became of it since.
	end := now.Add(maxRange * 2)
	if (t.Condition == site.Quarantined || t.Condition == site.Away) && !t.ConditionUntil.IsZero() {
		end = t.ConditionUntil
	}
	y.shut(i, hours.Range{Start: now, End: end}, reason{
		kind: BlockerCondition, text: conditionText(t), until: t.ConditionUntil,
	})
	return i
}

// addIssue takes a tool away for as long as somebody has it without a booking,
// or late.
func (y *yard) addIssue(unit int32, i site.Issue, now time.Time) {
	away, ok := tooling.Away(i, now, y.zone)
	if !ok {
		return
	}
	why := reason{kind: BlockerOut, job: i.Job, reference: i.Reference, until: i.DueAt}
	why.text = fmt.Sprintf("is out with %s since %s, due back %s", i.Technician, y.local(i.IssuedAt), y.local(i.DueAt))
	if i.Late(now) {
		why.until = time.Time{}
		why.text = fmt.Sprintf("is still out with %s since %s, and was due back %s", i.Technician, y.local(i.IssuedAt), y.local(i.DueAt))
	}
	y.shut(unit, away, why)
}

func conditionText(t site.Tool) string {
	if t.ConditionNote == "" {
		return string(t.Condition)
	}
	return fmt.Sprintf("%s: %s", t.Condition, t.ConditionNote)
}

func (y *yard) add(ref Ref, open []plan.Window, busy map[Ref][]site.Booking) int32 {
	u := plan.Unit{ID: ref.ID, Open: open, Expiry: plan.Never, Place: ref.Kind == site.KindBay}
	for _, b := range busy[ref] {
		u.Busy = append(u.Busy, y.blocked(b.During, reason{
			kind: BlockerBooked, job: b.Job, reference: b.Reference, until: b.During.End,
		}))
	}
	y.units, y.refs = append(y.units, u), append(y.refs, ref)
	return int32(len(y.units) - 1)
}

// double adds a unit that stands for one as it was and is free for ever: what a
// job holds by its plan, and in truth no more.
func (y *yard) double(unit int32) int32 {
	y.units = append(y.units, plan.Unit{ID: y.units[unit].ID, Open: y.whole(), Expiry: plan.Never})
	y.refs = append(y.refs, y.refs[unit])
	double := int32(len(y.units) - 1)
	y.types[double] = y.types[unit]
	return double
}

func (y *yard) shut(unit int32, r hours.Range, why reason) {
	b := y.blocked(r, why)
	if b.Start < y.horizon && b.End > 0 {
		y.units[unit].Shut = append(y.units[unit].Shut, b)
	}
}

func (y *yard) blocked(r hours.Range, why reason) plan.Blocked {
	y.reasons = append(y.reasons, why)
	return plan.Blocked{
		Window: plan.Window{Start: y.floor(r.Start), End: y.ceil(r.End)},
		Ref:    int32(len(y.reasons) - 1),
	}
}

func (y *yard) whole() []plan.Window { return []plan.Window{{Start: 0, End: y.horizon}} }

func (y *yard) windows(ranges []hours.Range) []plan.Window {
	out := make([]plan.Window, 0, len(ranges))
	for _, r := range ranges {
		out = append(out, plan.Window{Start: y.ceil(r.Start), End: y.floor(r.End)})
	}
	return out
}

// floor and ceil put an instant on the yard's minutes. What lies outside the
// yard's time stays outside, however far away it is.
func (y *yard) floor(t time.Time) plan.Time { return y.minutes(t.Sub(y.epoch), 0) }

func (y *yard) ceil(t time.Time) plan.Time { return y.minutes(t.Sub(y.epoch), time.Minute-1) }

func (y *yard) minutes(d, round time.Duration) plan.Time {
	switch {
	case d < 0:
		return max(plan.Time(max(d, -maxRange*2)/time.Minute)-1, -2*366*24*60)
	case d > 2*maxRange:
		return y.horizon + 1
	}
	return plan.Time((d + round) / time.Minute)
}

// at is the instant of a minute.
func (y *yard) at(t plan.Time) time.Time { return y.epoch.Add(time.Duration(t) * time.Minute) }

func (y *yard) rangeOf(w plan.Window) hours.Range {
	return hours.Range{Start: y.at(w.Start), End: y.at(w.End)}
}

// holdable tells what keeps a unit from being held for a window, but for other
// bookings, which the database judges. Nothing is the answer of a unit that can be.
func (y *yard) holdable(unit int32, w plan.Window) []reason {
	var out []reason
	u := &y.units[unit]
	for _, s := range u.Shut {
		if s.Start < w.End && w.Start < s.End {
			out = append(out, y.reasons[s.Ref])
		}
	}
	if until, calibrated := y.calib[unit]; calibrated && !calibration.Covers(until, y.rangeOf(w)) {
		out = append(out, y.lapse(unit))
	}
	return out
}

func (y *yard) lapse(unit int32) reason {
	end := y.calib[unit]
	if end.IsZero() {
		return reason{kind: BlockerCalibration, text: "has no calibration"}
	}
	return reason{kind: BlockerCalibration, text: "goes out of calibration " + y.local(end)}
}

// local writes an instant as people of the site read it.
func (y *yard) local(t time.Time) string { return t.In(y.zone).Format("Mon 2006-01-02 15:04") }
