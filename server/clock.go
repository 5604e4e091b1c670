package main

import (
	"log/slog"
	"time"

	"bayhold/internal/clock"
	"bayhold/internal/fault"
)

// clockSkew is how far the clock is to be off, of which it warns.
func clockSkew(log *slog.Logger) (time.Duration, error) {
	skew, err := clock.Skew()
	if err != nil {
		return 0, fault.New(fault.Invalid, "CLOCK_SKEW", "%v", err)
	}
	if skew != 0 {
		log.Warn("the clock is set off on purpose: unset "+clock.Variable+" unless this is a test", "by", skew.String())
	}
	return skew, nil
}
