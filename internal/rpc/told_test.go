package rpc

import (
	"testing"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// What the events of each kind tell, written by hand: "changed" what was before
// and what is now; "filled" the same of what said nothing before; "new" a thing
// that was not there; "count" how much was done.
var kindTells = map[string]string{
	"site.made": "new", "site.changed": "changed", "site.imported": "count",
	"bay.added": "new", "bay.changed": "changed",
	"technician.added": "new", "technician.changed": "changed",
	"engine-family.added": "new", "engine-family.changed": "changed",
	"tool-type.added": "new", "tool-type.changed": "changed",
	"tool.added": "new", "tool.changed": "changed",
	"preparation.added": "new", "preparation.changed": "changed",
	"procedure.added": "new", "procedure.changed": "changed", "procedure.state": "changed",

	"user.added": "new", "user.changed": "changed",
	"token.made": "new", "token.revoked": "filled",
	"link.made": "new", "link.revoked": "filled",

	"calibration.policy": "changed", "tool.calibrated": "new", "tool.checked": "new", "tool.event": "new", "tool.interval": "changed",
	"tightenings.imported": "new", "trace.closed": "new", "tool.leave": "new",

	"job.reserved": "new", "job.booked": "new", "job.confirmed": "changed", "job.cancelled": "changed", "job.lapsed": "changed",
	"job.replaced": "changed", "job.moved": "changed", "job.part": "filled", "job.closed": "changed", "booking.ended": "changed",

	"tool.issued": "new", "tool.handed-over": "changed", "tool.returned": "filled",
	"step.started": "changed", "step.paused": "changed", "step.resumed": "changed", "step.finished": "changed", "step.waived": "changed",
	"step.signed": "new", "step.delayed": "new", "reading.recorded": "new", "reading.corrected": "changed", "part.used": "new",
}

// TestEveryEventTellsWhatChanged calls every method that changes something and
// holds each event that it leaves against the table.
func TestEveryEventTellsWhatChanged(t *testing.T) {
	t.Parallel()
	w := &walk{clients: small(t), t: t, walked: map[string]bool{}}
	w.all()
	for _, m := range everyMethod(t) {
		if mutating(m) && !w.walked[string(m.Name())] {
			t.Errorf("%s changes something and is not walked: add it to walk_test.go", m.FullName())
		}
	}
	seen := map[string]bool{}
	trail := bayholdv1.NewTrailServiceClient(w.conn)
	req := &bayholdv1.ShowTrailRequest{Parent: quay}
	for {
		page, err := trail.ShowTrail(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.GetEvents() {
			if e.GetActor() == "" || e.GetMethod() == "" || e.GetRequestId() == "" || e.GetEventTime() == nil || len(e.GetChanges()) == 0 {
				t.Errorf("%s does not tell who did what, when and how: %v", e.GetKind(), e)
			}
			tells, before := kindTells[e.GetKind()], false
			for _, ch := range e.GetChanges() {
				before = before || ch.GetBefore() != ""
			}
			_, says := e.GetDetails().GetFields()["before"]
			switch {
			case tells == "":
				t.Errorf("%s has no line in the table: write what it tells", e.GetKind())
			case tells == "filled" && !says, before && tells != "changed":
				t.Errorf("%s (%s) tells what was before: %v", e.GetKind(), tells, e)
			}
			seen[e.GetKind()] = seen[e.GetKind()] || before || tells != "changed"
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	for kind := range kindTells {
		if !seen[kind] {
			t.Errorf("no %s told what it should", kind)
		}
	}
	unharmed(t, w.clients)
}
