package plan

// Union gives the union of windows as a sorted list without touching or empty
// ones: the form that Common and Less take and give.
func Union(ws []Window) []Window { return mergeWindows(ws) }

// Common gives what two such lists have in common.
func Common(a, b []Window) []Window { return intersect(a, b) }

// Less gives what is left of one such list without the other.
func Less(from, away []Window) []Window { return subtract(from, away) }

// Working is when a unit can be at work: open and not shut, whatever is booked.
func (u *Unit) Working() []Window { return openOf(u) }

// Closed is when a unit is shut.
func (u *Unit) Closed() []Window { return ranges(u.Shut) }
