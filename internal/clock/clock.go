// Package clock lets tests set the clock of a program off.
package clock

import (
	"fmt"
	"os"
	"time"
)

// Variable sets a clock off by a duration such as 1h or -30m. It is for tests
// that want another day or see what a wrong clock does, and for nothing else.
const Variable = "BAYHOLD_CLOCK_SKEW"

// Skew is what Variable says, 0 if it is not set.
func Skew() (time.Duration, error) {
	text := os.Getenv(Variable)
	if text == "" {
		return 0, nil
	}
	skew, err := time.ParseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%s is %q, which is no duration: unset it, it is for tests", Variable, text)
	}
	return skew, nil
}

// Off is a clock that is off by skew.
func Off(now func() time.Time, skew time.Duration) func() time.Time {
	return func() time.Time { return now().Add(skew) }
}
