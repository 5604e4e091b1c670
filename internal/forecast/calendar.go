package forecast

import (
	"sort"

	"bayhold/internal/plan"
)

// Beyond is later than all that a simulation looks at.
const Beyond plan.Time = 1 << 30

// calendar is working time, with a running sum.
type calendar struct {
	windows []plan.Window // sorted, disjoint, none empty
	before  []plan.Time   // working minutes before each window
}

func newCalendar(windows []plan.Window) *calendar {
	c := &calendar{windows: windows, before: make([]plan.Time, len(windows))}
	sum := plan.Time(0)
	for i, w := range windows {
		c.before[i] = sum
		sum += w.End - w.Start
	}
	return c
}

// window is the index of the first window that ends after t.
func (c *calendar) window(t plan.Time) int {
	lo, hi := 0, len(c.windows)
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if c.windows[mid].End > t {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// first is the first working minute not before t.
func (c *calendar) first(t plan.Time) plan.Time {
	i := c.window(t)
	if i == len(c.windows) {
		return Beyond
	}
	return max(t, c.windows[i].Start)
}

// begin is the first minute not before t at which work can begin: with room for
// that many minutes if it must not be broken. Work that no window is long enough
// for begins with the first window.
func (c *calendar) begin(t plan.Time, unbroken bool, minutes plan.Time) plan.Time {
	i := c.window(t)
	if i == len(c.windows) {
		return Beyond
	}
	if unbroken {
		for k := i; k < len(c.windows); k++ {
			if at := max(t, c.windows[k].Start); c.windows[k].End-at >= minutes {
				return at
			}
		}
	}
	return max(t, c.windows[i].Start)
}

// finish is when work of that length is done that goes on from t.
func (c *calendar) finish(t, work plan.Time) plan.Time {
	if work <= 0 {
		return t
	}
	i := c.window(t)
	if i == len(c.windows) {
		return Beyond
	}
	target := c.before[i] + max(0, t-c.windows[i].Start) + work
	lo, hi := i, len(c.windows)
	for hi-lo > 1 {
		mid := int(uint(lo+hi) >> 1)
		if c.before[mid] < target {
			lo = mid
		} else {
			hi = mid
		}
	}
	end := c.windows[lo].Start + target - c.before[lo]
	if end > c.windows[lo].End {
		return Beyond
	}
	return end
}

// minutes is how much working time lies in a window.
func (c *calendar) minutes(w plan.Window) plan.Time { return c.until(w.End) - c.until(w.Start) }

// until is the working time before t.
func (c *calendar) until(t plan.Time) plan.Time {
	i := sort.Search(len(c.windows), func(i int) bool { return c.windows[i].Start >= t })
	if i == 0 {
		return 0
	}
	w := c.windows[i-1]
	return c.before[i-1] + min(t, w.End) - w.Start
}
