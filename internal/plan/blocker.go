package plan

// BlockKind says in what way something stands in the way.
type BlockKind int32

// The kinds of blockers.
const (
	// BlockBusy is a booking of the unit; Until is its end.
	BlockBusy BlockKind = iota
	// BlockShut is an absence, a closure or a condition; Until is its end.
	BlockShut
	// BlockExpiry is a calibration that lapses before the hold ends; Until
	// is when it lapses.
	BlockExpiry
	// BlockNotOpen is a unit that is not there at that time; Until is when
	// it next is, Never if not again.
	BlockNotOpen
	// BlockNoEligible is a claim for which too few units would do at all.
	BlockNoEligible
	// BlockContention is a claim that its units could serve, were they not
	// wanted by others of the blockers of this kind at the same time.
	BlockContention
	// BlockLate is a step that ends too late even in an empty workshop;
	// Until is when.
	BlockLate
)

var blockNames = [...]string{"BUSY", "SHUT", "EXPIRY", "NOT_OPEN", "NO_ELIGIBLE", "CONTENTION", "LATE"}

// String is the kind's name in capitals.
func (k BlockKind) String() string {
	if k < 0 || int(k) >= len(blockNames) {
		return "UNKNOWN"
	}
	return blockNames[k]
}

// Blocker is one reason why a step cannot stand where it was asked for.
type Blocker struct {
	Kind BlockKind
	// Step is the first step of the claim in time, Claim the claim that is
	// not served, Unit the unit that could have: indices into the problem; -1
	// where none is meant.
	Step, Claim, Unit int32
	// Ref is the reason's number in the unit's Blocked; -1 if there is none.
	Ref   int32
	Until Time
}

// maxRefs bounds the bookings told of one unit.
const maxRefs = 16

// bars tells what keeps a unit from serving a claim over a range; nil if
// nothing does. work is what a crew works in the range; nil for holds.
func (p *Problem) bars(claim, step, unit int32, at Window, work []Window) []Blocker {
	if at.Start >= at.End {
		return nil
	}
	var out []Blocker
	u := &p.Units[unit]
	add := func(k BlockKind, ref int32, until Time) {
		if len(out) < maxRefs {
			out = append(out, Blocker{k, step, claim, unit, ref, until})
		}
	}
	if work == nil {
		work = []Window{at}
	}
	for _, b := range u.Busy {
		if overlaps(b.Window, at) {
			add(BlockBusy, b.Ref, b.End)
		}
	}
	for _, b := range u.Shut {
		if len(intersect(work, mergeWindows([]Window{b.Window}))) > 0 {
			add(BlockShut, b.Ref, b.End)
		}
	}
	if at.End > u.Expiry {
		add(BlockExpiry, -1, u.Expiry)
	}
	if missing := subtract(work, mergeWindows(u.Open)); len(missing) > 0 {
		next := Never
		for _, o := range u.Open {
			if o.End > missing[0].Start && o.Start < o.End {
				next = min(next, max(o.Start, missing[0].Start))
			}
		}
		add(BlockNotOpen, -1, next)
	}
	return out
}

// stepOf is the step of a claim that starts first in a placement.
func (p *Problem) stepOf(claim int, pl *Plan) int32 {
	first := p.Claims[claim].Steps[0]
	for _, s := range p.Claims[claim].Steps {
		if pl.Steps[s].Start < pl.Steps[first].Start {
			first = s
		}
	}
	return first
}
