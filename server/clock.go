package main

import (
	"log/slog"
	"os"
	"time"

	"bayhold/internal/fault"
)

// skewVariable sets the server's clock off by a duration such as 1h or -30m. It
// is for tests that want to see what a wrong clock does, and for nothing else.
const skewVariable = "BAYHOLD_CLOCK_SKEW"

// clockSkew is what skewVariable says, 0 if it is not set.
func clockSkew(log *slog.Logger) (time.Duration, error) {
	text := os.Getenv(skewVariable)
	if text == "" {
		return 0, nil
	}
	skew, err := time.ParseDuration(text)
	if err != nil {
		return 0, fault.New(fault.Invalid, "CLOCK_SKEW", "%s is %q, which is no duration: unset it, it is for tests", skewVariable, text).Because(err)
	}
	log.Warn("the clock is set off on purpose: unset "+skewVariable+" unless this is a test", "by", skew.String())
	return skew, nil
}

// off is a clock that is off by skew.
func off(now func() time.Time, skew time.Duration) func() time.Time {
	return func() time.Time { return now().Add(skew) }
}
