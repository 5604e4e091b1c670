package trail

import "fmt"

// Kind says what is wrong with a chain.
type Kind string

// What can be wrong.
const (
	// Altered is an event that is not what was sealed.
	Altered Kind = "ALTERED"
	// Missing is an event that is not there.
	Missing Kind = "MISSING"
	// Inserted is an event that was never sealed in that place.
	Inserted Kind = "INSERTED"
	// WrongOrder is an event that was sealed in another place.
	WrongOrder Kind = "WRONG_ORDER"
	// Truncated is a chain that ends before a checkpoint.
	Truncated Kind = "TRUNCATED"
	// Rewritten is a chain that is sound in itself and does not pass through a
	// checkpoint.
	Rewritten Kind = "REWRITTEN"
	// HeadAltered is a counter that tells another end than the events.
	HeadAltered Kind = "HEAD_ALTERED"
)

// Kinds are all of them.
var Kinds = []Kind{Altered, Missing, Inserted, WrongOrder, Truncated, Rewritten, HeadAltered}

// Break is the first place where a chain does not hold.
type Break struct {
	Kind     Kind
	Revision int64  // the first event that is wrong
	Message  string // a sentence for people
}

func breakAt(kind Kind, revision int64, format string, args ...any) *Break {
	return &Break{Kind: kind, Revision: revision, Message: fmt.Sprintf(format, args...)}
}

// Window is how many events Diagnose looks at to tell how a chain was broken.
const Window = 100

// Walk goes along rows, which are in the order of their revisions, for as far as
// the chain holds, and tells where it came to.
func Walk(from Checkpoint, rows []Row) Checkpoint {
	for _, r := range rows {
		if r.Revision != from.Revision+1 || !r.sound(from.Seal) {
			break
		}
		from = Checkpoint{r.Revision, r.Seal}
	}
	return from
}

// Against holds a part of a chain, from one checkpoint to another with all rows
// between, against a checkpoint that was kept elsewhere. Nil if there is nothing
// to say against it.
func Against(kept, from, to Checkpoint, rows []Row) *Break {
	var seal Seal
	switch {
	case kept.Revision == from.Revision:
		seal = from.Seal
	case kept.Revision < from.Revision || kept.Revision > to.Revision:
		return nil
	default:
		seal = rows[kept.Revision-from.Revision-1].Seal
	}
	if seal == kept.Seal {
		return nil
	}
	return breakAt(Rewritten, kept.Revision,
		"the checkpoint of revision %d does not lie on this chain: that event or one before it was written anew, and all later ones sealed again", kept.Revision)
}

// Short holds the end of a whole chain against a checkpoint that was kept
// elsewhere. Nil if the chain goes so far.
func Short(kept, end Checkpoint) *Break {
	if kept.Revision <= end.Revision {
		return nil
	}
	return breakAt(Truncated, end.Revision+1,
		"the log ends with event %d, and the checkpoint was taken at %d: the end was cut off", end.Revision, kept.Revision)
}

// Diagnose tells what is wrong after the place up to which a chain holds. rows
// are the next ones, Window of them if there are so many; head is what the
// counter tells. Nil if the chain ends there as it should.
func Diagnose(at Checkpoint, rows []Row, head Checkpoint) *Break {
	next := at.Revision + 1
	if len(rows) == 0 {
		return ending(at, head)
	}
	r := rows[0]
	switch {
	case r.Revision < next:
		return breakAt(Inserted, r.Revision, "there is an event %d, and events are numbered from 1", r.Revision)
	case r.Revision > head.Revision && next > head.Revision:
		return breakAt(Inserted, r.Revision, "event %d lies beyond the last one that was counted, %d", r.Revision, head.Revision)
	case r.Revision > next+1:
		return breakAt(Missing, next, "events %d to %d are missing", next, r.Revision-1)
	case r.Revision > next:
		return breakAt(Missing, next, "event %d is missing", next)
	}
	// Of two that changed places the second looks as if the first were put in.
	if was, found := elsewhere(r, at, rows); found {
		return breakAt(WrongOrder, next, "event %d stands where it does not belong: it was sealed as number %d", next, was)
	}
	if len(rows) > 1 && as(rows[1], next).sound(at.Seal) {
		return breakAt(Inserted, next, "event %d was put in: the one after it was sealed as number %d", next, next)
	}
	for gone := int64(1); len(rows) > 1 && gone <= Window; gone++ {
		if as(rows[1], rows[1].Revision+gone).sound(r.Seal) {
			return breakAt(Missing, next, "%d of the events from %d on are missing, and those after them were given other numbers", gone, next)
		}
	}
	if next == 1 {
		return breakAt(Altered, next, "event 1 is not what was sealed")
	}
	return breakAt(Altered, next, "event %d is not what was sealed after event %d: it was changed, or event %d was changed and sealed again", next, next-1, next-1)
}

// ending judges a chain that holds as far as there are events.
func ending(at, head Checkpoint) *Break {
	switch {
	case head.Revision > at.Revision:
		return breakAt(Missing, at.Revision+1, "the end is missing: events %d to %d", at.Revision+1, head.Revision)
	case head != at:
		return breakAt(HeadAltered, at.Revision, "the events end with number %d, and the counter tells another end, %d", at.Revision, head.Revision)
	}
	return nil
}

// elsewhere finds the number under which a row was sealed after one of the rows
// around it.
func elsewhere(r Row, at Checkpoint, rows []Row) (int64, bool) {
	before := []Seal{at.Seal}
	for _, o := range rows {
		before = append(before, o.Seal)
	}
	for n := range int64(len(rows)) {
		moved := as(r, at.Revision+1+n)
		for _, b := range before {
			if n > 0 && moved.sound(b) {
				return moved.Revision, true
			}
		}
	}
	return 0, false
}

// as is the row with another number.
func as(r Row, revision int64) Row {
	r.Revision = revision
	return r
}
