package cli

import (
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// arrivals reads parts with the times they are expected at: "ID=TIME". A date
// alone is the start of that day, as with every time that says from when on:
// whoever knows the hour of the delivery gives it.
func (a *app) arrivals(c clock, list []string) ([]*bayholdv1.PartArrival, error) {
	var out []*bayholdv1.PartArrival
	for _, text := range list {
		part, expected, ok := strings.Cut(text, "=")
		part = strings.TrimSpace(part)
		if !ok || part == "" {
			return nil, usage(`--part is %q; write the part's id and when it is expected, like belt-20="thu 10:00"`, text)
		}
		at, err := a.when(c, "--part "+part, expected, dayStart)
		if err != nil {
			return nil, err
		}
		out = append(out, &bayholdv1.PartArrival{Part: part, ExpectedTime: stamp(at)})
	}
	return out, nil
}

// unknownPart says where the ids of parts are found, if one was not known.
func (a *app) unknownPart(err error, f *workFlags) error {
	if err == nil {
		return nil
	}
	p := asProblem(err)
	if p.reason != "PARTS" {
		return err
	}
	for _, name := range f.procedures {
		p.try("%s", a.again("procedure", "show", id(name)))
	}
	return p.try("%s for each that it needs", a.again("preparation", "show", "PREPARATION"))
}

// partWords gives the flags that say the same again.
func partWords(c clock, list []*bayholdv1.PartArrival) []string {
	var out []string
	for _, p := range list {
		out = append(out, "--part", p.GetPart()+"="+c.typed(p.GetExpectedTime().AsTime()))
	}
	return out
}

// arrivalLines shows the parts that a plan waits for, one a line.
func arrivalLines(c clock, list []*bayholdv1.PartArrival) string {
	out := make([]string, len(list))
	for i, p := range list {
		out[i] = p.GetPart() + ", expected " + c.arrival(p.GetExpectedTime())
	}
	return strings.Join(out, "\n")
}

// arrival shows when a part is expected: the start of a day as that day.
func (c clock) arrival(ts *timestamppb.Timestamp) string {
	at := ts.AsTime()
	if at.Equal(c.midnight(dateOf(at.In(c.zone)))) {
		return c.day(at)
	}
	return c.show(at)
}

// partLate tells whether a part is expected only after work that needs it was
// to begin.
func partLate(p *bayholdv1.JobPart, needed time.Time) bool {
	return p.GetState() == bayholdv1.PartState_PART_STATE_EXPECTED && !needed.IsZero() && needed.Before(p.GetExpectedTime().AsTime())
}
