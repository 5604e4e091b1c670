package hours

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// String is the day as ParseDate reads it.
func (d Date) String() string {
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day)
}

// String is the stretch as ParseStretch reads it.
func (s Stretch) String() string {
	end, next := s.End, ""
	if end > dayMinutes {
		end -= dayMinutes
		if end >= s.Start {
			next = "+1"
		}
	}
	return clock(s.Start) + "-" + clock(end) + next
}

func clock(minutes int) string {
	return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60)
}

// FormatStretches writes the stretches of a day as ParseStretches reads them.
func FormatStretches(day []Stretch) string {
	if len(day) == 0 {
		return "off"
	}
	parts := make([]string, len(day))
	for i, s := range day {
		parts[i] = s.String()
	}
	return strings.Join(parts, ", ")
}

// WeekdayName is a weekday as ParseWeekdays reads it and Validate names it.
func WeekdayName(d time.Weekday) string { return dayNames[d] }

// String writes the week for people, from Monday, days that are alike
// together: "mon-thu 08:00-17:00; fri 08:00-12:00". Days off are left out, and
// so are the exceptions.
func (p Pattern) String() string {
	var parts []string
	for i := 0; i < 7; {
		first := i
		day := p.Week[(i+1)%7]
		for i++; i < 7 && slices.Equal(p.Week[(i+1)%7], day); {
			i++
		}
		if len(day) == 0 {
			continue
		}
		name := dayNames[(first+1)%7]
		if i-first > 1 {
			name += "-" + dayNames[i%7]
		}
		parts = append(parts, name+" "+FormatStretches(day))
	}
	if len(parts) == 0 {
		return "off"
	}
	return strings.Join(parts, "; ")
}
