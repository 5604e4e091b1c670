package workshop

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// monday is 07:00 in Lisbon on the Monday that the tests begin on.
var monday = time.Date(2031, 5, 12, 6, 0, 0, 0, time.UTC)

// local is a time of the small workshop's zone, an hour ahead of UTC in May.
func local(day, hour, minute int) time.Time {
	return time.Date(2031, 5, day, hour-1, minute, 0, 0, time.UTC)
}

// small opens the workshop of testdata/small.yaml.
func small(t *testing.T) *Workshop {
	t.Helper()
	w, _ := smallTwice(t)
	return w
}

// smallTwice opens it on two servers.
func smallTwice(t *testing.T) (w, other *Workshop) {
	t.Helper()
	db := pgtest.New(t)
	for _, each := range []**Workshop{&w, &other} {
		s, err := store.Open(t.Context(), db.URL)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.Close)
		*each = New(s, func() time.Time { return monday })
	}
	if _, err := w.Import(t.Context(), act("import"), intake(t)); err != nil {
		t.Fatal(err)
	}
	return w, other
}

func intake(t *testing.T) Intake {
	t.Helper()
	content, err := os.ReadFile("testdata/small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return Intake{Files: []File{{Name: "small.yaml", Content: content}}}
}

func act(method string) Act {
	return Act{Site: "quay", RequestID: uuid.New(), Method: method, Caller: access.Caller{User: "test", Roles: access.Roles}}
}

// find gives the options of a job, which there must be.
func find(t *testing.T, w *Workshop, q FindQuestion) []Option {
	t.Helper()
	answer, err := w.Find(t.Context(), "quay", q)
	if err != nil {
		t.Fatal(err)
	}
	if answer.Outcome != Found {
		t.Fatalf("outcome %s: %+v", answer.Outcome, answer.Blockers)
	}
	return answer.Options
}

func order(reference string, p Plan) Order {
	return Order{Reference: reference, Plan: p, State: site.Confirmed}
}

// judge has every plan that is booked pass the planner's validator: Book does,
// and refuses those that do not.
func book(t *testing.T, w *Workshop, reference string, p Plan) (Booked, error) {
	t.Helper()
	return w.Book(context.WithoutCancel(t.Context()), act("book"), order(reference, p))
}

func wantKind(t *testing.T, err error, kind fault.Kind, reason string) {
	t.Helper()
	f := fault.Fault(err)
	if f == nil || f.Kind != kind || f.Reason != reason {
		t.Errorf("got %v, want %s %s", err, kind, reason)
	}
}
