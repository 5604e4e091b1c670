package cli

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// purposeOf says what a tool is out for.
func purposeOf(i *bayholdv1.Issue) string {
	switch {
	case i.GetJob() == "":
		return "no booking"
	case i.GetReference() == "":
		return "job " + id(i.GetJob())
	default:
		return i.GetReference() + ", job " + id(i.GetJob())
	}
}

func (a *app) printIssued(w io.Writer, c clock, resp *bayholdv1.IssueToolsResponse) {
	t := table{cols: []column{{title: "tool"}, {title: "to"}, {title: "for", wrap: true}, {title: "bay", drop: 1}, {title: "due back"}}}
	for _, v := range resp.GetIssued() {
		i := v.GetIssue()
		t.add(id(i.GetTool()), id(i.GetTechnician()), purposeOf(i), id(i.GetBay()), c.at(i.GetDueTime()))
	}
	fmt.Fprintln(w, "Issued:")
	writeTable(w, t, a.width())
	for _, v := range resp.GetIssued() {
		tag := id(v.GetIssue().GetTool())
		if next := v.GetNextBooking(); next != nil {
			writeText(w, fmt.Sprintf("%s is booked for %s from then on.", tag, next.GetReference()), a.width())
		}
		if pieces := piecesText(v.GetPieces()); pieces != "" {
			writeText(w, fmt.Sprintf("%s is a set of %s: count it before use.", tag, pieces), a.width())
		}
	}
	a.printWarnings(w, resp.GetWarnings())
}

func (a *app) printWarnings(w io.Writer, list []string) {
	for _, s := range list {
		writeText(w, "Note: "+s+".", a.width())
	}
}

// piecesText lists pieces with their counts.
func piecesText(list []*bayholdv1.Piece) string {
	out := make([]string, 0, len(list))
	for _, p := range list {
		out = append(out, fmt.Sprintf("%d × %s", p.GetCount(), p.GetDisplayName()))
	}
	return strings.Join(out, ", ")
}

func (a *app) printReturned(w io.Writer, c clock, resp *bayholdv1.ReturnToolResponse) {
	i, t := resp.GetIssue(), resp.GetTool()
	back := fmt.Sprintf("%s is back from %s, out since %s.", id(i.GetTool()), id(i.GetTechnician()), c.at(i.GetOutSince()))
	if t.GetHome() != "" {
		back += " It belongs to " + t.GetHome() + "."
	}
	writeText(w, back, a.width())
	if freed := resp.GetFreedBooking(); freed != nil {
		writeText(w, fmt.Sprintf("The booking for %s ends %s instead of %s: the rest is free.", freed.GetReference(),
			c.at(freed.GetDuring().GetEnd()), c.at(resp.GetFreedUntil())), a.width())
	}
	if stands := resp.GetStandingBooking(); stands != nil {
		writeText(w, fmt.Sprintf("It stays booked for %s until %s.", stands.GetReference(), c.at(stands.GetDuring().GetEnd())), a.width())
	}
	if t.GetCondition() != bayholdv1.Condition_CONDITION_SERVICEABLE {
		writeText(w, fmt.Sprintf("It is %s now: %s.", condition(c, t), first(t.GetConditionNote(), "nobody said why")), a.width())
		a.printAffected(w, c, resp.GetAffectedBookings())
		a.printMend(w, c, t, resp.GetAffectedBookings())
	}
	a.printWarnings(w, resp.GetWarnings())
}

func (a *app) printHanded(w io.Writer, c clock, resp *bayholdv1.HandOverToolsResponse) {
	t := table{cols: []column{{title: "tool"}, {title: "from"}, {title: "to"}, {title: "for", wrap: true}, {title: "bay", drop: 1}, {title: "due back"}}}
	for _, v := range resp.GetHanded() {
		i := v.GetTo()
		t.add(id(i.GetTool()), id(v.GetFrom().GetTechnician()), id(i.GetTechnician()), purposeOf(i), id(i.GetBay()), c.at(i.GetDueTime()))
	}
	fmt.Fprintln(w, "Passed on:")
	writeTable(w, t, a.width())
	for _, v := range resp.GetHanded() {
		if b := v.GetFreedBooking(); b != nil {
			writeText(w, fmt.Sprintf("The booking of %s for %s ends %s: the rest is free.", id(b.GetResource()), b.GetReference(), c.at(b.GetDuring().GetEnd())), a.width())
		}
	}
	a.printWarnings(w, resp.GetWarnings())
}

// placeOf says where a tool is.
func placeOf(c clock, p *bayholdv1.PlacedTool) string {
	t, i := p.GetTool(), p.GetIssue()
	fit := t.GetCondition() == bayholdv1.Condition_CONDITION_SERVICEABLE
	where := first(t.GetHome(), "its place")
	if i != nil {
		where = "with " + id(i.GetTechnician())
		if i.GetBay() != "" {
			where += " in " + id(i.GetBay())
		}
	}
	switch {
	case fit:
		return where
	case i == nil && (t.GetCondition() == bayholdv1.Condition_CONDITION_AWAY || t.GetCondition() == bayholdv1.Condition_CONDITION_LOST):
		return condition(c, t) + noteOf(t)
	default:
		return where + "; " + condition(c, t) + noteOf(t)
	}
}

func noteOf(t *bayholdv1.Tool) string {
	if t.GetConditionNote() == "" {
		return ""
	}
	return ", " + t.GetConditionNote()
}

func (a *app) printPlaces(w io.Writer, c clock, req *bayholdv1.WhereAreToolsRequest, list []*bayholdv1.PlacedTool) {
	switch who := id(req.GetTechnician()); {
	case len(list) > 0:
	case req.GetLateOnly():
		fmt.Fprintln(w, strings.TrimRight("No tool is late "+with(who), " ")+".")
		return
	case req.GetOutOnly() || who != "":
		fmt.Fprintln(w, strings.TrimRight("No tool is out "+with(who), " ")+".")
		return
	default:
		a.none(w, "tools")
		return
	}
	t := table{cols: []column{
		{title: "tool"}, {title: "where", wrap: true}, {title: "for", wrap: true, drop: 1}, {title: "since"}, {title: "due back", wrap: true},
	}}
	for _, p := range list {
		i := p.GetIssue()
		if i == nil {
			t.add(id(p.GetTool().GetName()), placeOf(c, p), "", "", "")
			continue
		}
		due := c.at(i.GetDueTime())
		if i.GetLate() {
			due += " LATE"
		}
		t.add(id(i.GetTool()), placeOf(c, p), purposeOf(i), c.at(i.GetIssueTime()), due)
	}
	writeTable(w, t, a.width())
	for _, p := range list {
		for _, b := range p.GetWaitingBookings() {
			writeText(w, fmt.Sprintf("%s is waited for: %s has it booked %s.", id(p.GetTool().GetName()), b.GetReference(), c.rangeOf(b.GetDuring())), a.width())
		}
	}
}

func with(who string) string {
	if who == "" {
		return ""
	}
	return "with " + who
}

// happening is a line of a tool's history.
type happening struct {
	at        time.Time
	what, who string
}

func (a *app) printHistory(w io.Writer, c clock, tag string, resp *bayholdv1.GetToolHistoryResponse) {
	var list []happening
	for _, v := range resp.GetConditions() {
		what := enumWord(v.GetCondition().String(), "CONDITION_")
		if v.GetExpectedEnd() != nil {
			what += " to " + c.at(v.GetExpectedEnd())
		}
		if v.GetReason() != "" {
			what += ": " + v.GetReason()
		}
		list = append(list, happening{v.GetSince().AsTime(), what, v.GetActor()})
	}
	for _, i := range resp.GetIssues() {
		list = append(list, issueHappenings(i)...)
	}
	if len(list) == 0 {
		a.none(w, "entries about "+tag)
		return
	}
	slices.SortStableFunc(list, func(a, b happening) int { return cmp.Compare(b.at.UnixNano(), a.at.UnixNano()) })
	t := table{cols: []column{{title: "when"}, {title: "what", wrap: true}, {title: "written by", drop: 1}}}
	for _, h := range list {
		t.add(c.show(h.at), h.what, h.who)
	}
	writeTable(w, t, a.width())
}

// issueHappenings are an issue's beginning, and its end if the tool came back.
func issueHappenings(i *bayholdv1.Issue) []happening {
	what := "issued to "
	if !i.GetOutSince().AsTime().Equal(i.GetIssueTime().AsTime()) {
		what = "passed on to "
	}
	what += id(i.GetTechnician()) + " for " + purposeOf(i)
	if i.GetBay() != "" {
		what += ", " + id(i.GetBay())
	}
	out := []happening{{i.GetIssueTime().AsTime(), what, i.GetIssuedBy()}}
	if i.GetOutcome() != bayholdv1.Issue_OUTCOME_RETURNED {
		return out
	}
	back := "back from " + id(i.GetTechnician())
	for n, p := range i.GetCounted() {
		if n == 0 {
			back += ", counted "
		} else {
			back += ", "
		}
		back += fmt.Sprintf("%d × %s", p.GetCount(), p.GetDisplayName())
		if p.GetDamaged() > 0 {
			back += fmt.Sprintf(" (%d damaged)", p.GetDamaged())
		}
	}
	if i.GetNote() != "" {
		back += "; " + i.GetNote()
	}
	return append(out, happening{i.GetReturnTime().AsTime(), back, i.GetReturnedBy()})
}
