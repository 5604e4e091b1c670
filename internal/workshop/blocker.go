package workshop

import (
	"fmt"
	"slices"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
)

// BlockerKind says what sort of reason keeps a step from its place.
type BlockerKind string

// The kinds of blocker.
const (
	BlockerBooked      BlockerKind = "BOOKED"       // another job has booked it
	BlockerClosed      BlockerKind = "CLOSED"       // the bay is closed
	BlockerAbsent      BlockerKind = "ABSENT"       // the technician is absent
	BlockerOffShift    BlockerKind = "OFF_SHIFT"    // the technician is not on shift
	BlockerCalibration BlockerKind = "CALIBRATION"  // lapses before the end of the span
	BlockerCondition   BlockerKind = "CONDITION"    // the tool's condition does not allow it
	BlockerSkill       BlockerKind = "SKILL"        // nobody has the skills, or not enough people
	BlockerTorqueRange BlockerKind = "TORQUE_RANGE" // no tool's range covers the torque
	BlockerNone        BlockerKind = "NONE"         // the site has no such tool or bay
	BlockerSameJob     BlockerKind = "SAME_JOB"     // another step of the job needs it then
	BlockerPart        BlockerKind = "PART"         // a part is not expected by then
	BlockerOut         BlockerKind = "OUT"          // somebody has the tool without a booking, or late
	BlockerTooLate     BlockerKind = "TOO_LATE"     // ends too late even in an otherwise empty workshop
)

// BlockerKinds lists every kind.
func BlockerKinds() []BlockerKind {
	return []BlockerKind{
		BlockerBooked, BlockerClosed, BlockerAbsent, BlockerOffShift, BlockerCalibration,
		BlockerCondition, BlockerSkill, BlockerTorqueRange, BlockerNone, BlockerSameJob, BlockerTooLate, BlockerPart, BlockerOut,
	}
}

// Blocker is one reason why a step cannot stand where it was asked for.
type Blocker struct {
	Kind      BlockerKind
	Step      string // id of the first step of the span; empty for the bay
	StepTitle string
	Need      string      // what was needed, in words
	Ref       *Ref        // what cannot be had; nil if the site has none
	During    hours.Range // when it was asked for; zero if it can never be had
	Job       int64       // that holds it; 0 if none does
	Reference string      // of that job
	Until     time.Time   // how long the reason lasts; zero if nobody knows
	Message   string
}

// blockers tells the planner's reasons in the words of the site. Bookings for the
// same job, each of which begins when the one before it ends, are one reason that
// lasts to the end of the last.
func (z *puzzle) blockers(list []plan.Blocker, nominal *plan.Plan) []Blocker {
	out := make([]Blocker, 0, len(list))
	for i, b := range list {
		if i > 0 && z.goesOn(list[i-1], b) {
			out = out[:len(out)-1]
		}
		out = append(out, z.blocker(b, nominal))
	}
	return out
}

// goesOn tells whether two reasons are bookings in a row for the same job.
func (z *puzzle) goesOn(a, b plan.Blocker) bool {
	if a.Kind != plan.BlockBusy || b.Kind != plan.BlockBusy || a.Claim != b.Claim || a.Step != b.Step || a.Unit != b.Unit || a.Ref < 0 || b.Ref < 0 {
		return false
	}
	job := z.reasons[a.Ref].job
	return job != 0 && job == z.reasons[b.Ref].job && slices.ContainsFunc(z.problem.Units[b.Unit].Busy, func(at plan.Blocked) bool {
		return at.Ref == b.Ref && at.Start == a.Until
	})
}

func (z *puzzle) blocker(b plan.Blocker, nominal *plan.Plan) Blocker {
	var out Blocker
	if b.Claim >= 0 {
		c := z.claims[b.Claim]
		out.Need = c.need
		if c.kind != site.KindBay && b.Step >= 0 {
			out.Step, out.StepTitle = z.network.Steps[b.Step].ID, z.network.Steps[b.Step].Step.Title
		}
		if nominal != nil {
			out.During = z.rangeOf(z.problem.Hold(int(b.Claim), nominal))
		}
	} else if b.Step >= 0 {
		out.Step, out.StepTitle = z.network.Steps[b.Step].ID, z.network.Steps[b.Step].Step.Title
		if nominal != nil {
			out.During = z.rangeOf(nominal.Steps[b.Step])
		}
	}
	why := z.why(b)
	out.Kind, out.Job, out.Reference, out.Until = why.kind, why.job, why.reference, why.until
	out.Message = z.sentence(why)
	if b.Unit >= 0 && z.refs[b.Unit].Kind != kindPart {
		ref := z.refs[b.Unit]
		out.Ref = &ref
		out.Message = ref.ID + " " + out.Message
	}
	return out
}

// why turns a reason of the planner into one of the site.
func (z *puzzle) why(b plan.Blocker) reason {
	switch b.Kind {
	case plan.BlockBusy, plan.BlockShut:
		if b.Ref >= 0 {
			return z.reasons[b.Ref]
		}
	case plan.BlockExpiry:
		return z.lapse(b.Unit)
	case plan.BlockNotOpen:
		why := reason{kind: BlockerOffShift, text: "is not on shift for all of it"}
		if b.Until < z.horizon {
			why.until = z.at(b.Until)
		}
		return why
	case plan.BlockNoEligible:
		return z.never(b.Claim)
	case plan.BlockLate:
		return reason{kind: BlockerTooLate, until: z.at(b.Until),
			text: "the work itself takes until " + z.local(z.at(b.Until)) + ", even with everything free"}
	}
	return reason{kind: BlockerSameJob, text: "is needed by another step of the same job at that time"}
}

// never says why too few of the site's resources could ever serve a claim.
func (z *puzzle) never(i int32) reason {
	c, have := z.claims[i], len(z.problem.Claims[i].Eligible)
	switch {
	case c.kind == site.KindTechnician && have > 0:
		return reason{kind: BlockerSkill, text: fmt.Sprintf("only %d of the %d people needed have these skills", have, z.problem.Claims[i].Count)}
	case c.kind == site.KindTechnician:
		return reason{kind: BlockerSkill, text: "nobody at the site has these skills"}
	case c.kind == site.KindBay:
		return reason{kind: BlockerNone, text: "no bay of the site fits"}
	case c.torque:
		return reason{kind: BlockerTorqueRange, text: "no tool of the site covers this torque: it takes a multiplier or bar that is rated for it"}
	}
	return reason{kind: BlockerNone, text: "the site has no such tool that fits this engine family"}
}
