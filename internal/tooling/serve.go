package tooling

import (
	"bayhold/internal/calibration"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// Serves tells whether a tool may be held for a time, bookings and issues aside:
// it is fit for work, or expected to be by then, and in calibration to the end
// if it needs that.
func Serves(t site.Tool, kind site.ToolType, during hours.Range) bool {
	if kind.Calibrated && !calibration.Covers(t.CalibratedUntil, during) {
		return false
	}
	switch t.Condition {
	case site.Serviceable:
		return true
	case site.Quarantined, site.Away:
		return !t.ConditionUntil.IsZero() && !during.Start.Before(t.ConditionUntil)
	}
	return false
}
