package board

import (
	"cmp"
	"fmt"

	"bayhold/internal/workshop"
)

// notice is a line of what is late or waits for a decision.
type notice struct {
	Mark string // a letter that stands for its kind
	Job  string // reference; empty if it is about a tool alone
	Bay  string
	Text string
	When string
}

// marks are the letters of the kinds of notice, and what they stand for.
var marks = map[workshop.NoticeKind]struct{ letter, word string }{
	workshop.NoticePromise: {"P", "promise"},
	workshop.NoticeStep:    {"S", "step"},
	workshop.NoticeJob:     {"H", "hand-back"},
	workshop.NoticeReturn:  {"R", "return"},
	workshop.NoticeLapse:   {"L", "lapses"},
	workshop.NoticeParts:   {"T", "parts"},
	workshop.NoticeUnfit:   {"U", "cannot stand"},
}

func (w week) lines(list []workshop.Notice) []notice {
	out := make([]notice, 0, len(list))
	for _, n := range list {
		l := notice{Mark: marks[n.Kind].letter, Job: clean(n.Reference), Bay: n.Bay, When: w.short(n.At)}
		what := clean(n.What)
		switch n.Kind {
		case workshop.NoticePromise:
			l.Text = fmt.Sprintf("promised %s, planned until %s: move it, or tell the customer", w.short(n.At), w.short(n.Then))
		case workshop.NoticeStep:
			l.Text = fmt.Sprintf("%q should have been done by %s", what, w.short(n.At))
		case workshop.NoticeJob:
			l.Text = fmt.Sprintf("should have been handed back %s; still to do: %q", w.short(n.At), what)
		case workshop.NoticeReturn:
			l.Text = fmt.Sprintf("%s was due back %s; %s has it", clean(n.Ref.ID), w.short(n.At), clean(n.Who))
		case workshop.NoticeLapse:
			l.Text = fmt.Sprintf("tentative, lapses %s: confirm it or let it go", w.short(n.At))
		case workshop.NoticeParts:
			l.Text = fmt.Sprintf("not here: %s; the step that needs it begins %s", what, w.short(n.At))
		case workshop.NoticeUnfit:
			l.Text = fmt.Sprintf("%s booked from %s: %s", cmp.Or(clean(n.Ref.ID), "a resource"), w.short(n.At), what)
		}
		out = append(out, l)
	}
	return out
}
