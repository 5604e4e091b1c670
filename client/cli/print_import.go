package cli

import (
	"fmt"
	"io"
	"strconv"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printImport says what an import changed, or would.
func (a *app) printImport(w io.Writer, resp *bayholdv1.ImportWorkshopResponse, dryRun bool) {
	var changes int32
	t := table{cols: []column{{title: "kind"}, {title: "added"}, {title: "changed"}, {title: "unchanged"}}}
	for _, c := range resp.GetCounts() {
		changes += c.GetAdded() + c.GetChanged()
		if c.GetAdded()+c.GetChanged()+c.GetUnchanged() == 0 {
			continue
		}
		t.add(c.GetKind(), count(c.GetAdded()), count(c.GetChanged()), count(c.GetUnchanged()))
	}
	site := id(resp.GetSite().GetName())
	switch {
	case dryRun:
		writeText(w, fmt.Sprintf("The files are in order. For site %s they would change this; nothing was written:", site), a.width())
	case changes == 0:
		fmt.Fprintf(w, "Site %s stands as the files say already; nothing was changed.\n", site)
	default:
		fmt.Fprintf(w, "Imported to site %s:\n", site)
	}
	writeTable(w, t, a.width())
	printChanges(w, resp, a.width())
	for _, n := range resp.GetNotices() {
		writeText(w, "Note: "+n, a.width())
	}
}

// printChanges shows what would be taken in: of what is new all that is said,
// of the rest what differs.
func printChanges(w io.Writer, resp *bayholdv1.ImportWorkshopResponse, width int) {
	if len(resp.GetChanges()) == 0 {
		return
	}
	t := table{cols: []column{
		{title: "change", once: true}, {title: "kind", once: true}, {title: "thing", once: true}, {title: "what", wrap: true}, {title: "stands", wrap: true}, {title: "would be", wrap: true},
	}}
	for _, c := range resp.GetChanges() {
		sign := "differs"
		if c.GetAdded() {
			sign = "new"
		}
		fields := c.GetFields()
		if len(fields) == 0 {
			t.add(sign, c.GetKind(), c.GetId(), "", "", "")
		}
		for i, f := range fields {
			before, after := f.GetBefore(), f.GetAfter()
			if before == after {
				after = "(other content)"
			}
			if i == 0 {
				t.add(sign, c.GetKind(), c.GetId(), f.GetKey(), before, after)
			} else {
				t.add("", "", "", f.GetKey(), before, after)
			}
		}
	}
	fmt.Fprintln(w)
	writeTable(w, t, width)
	if n := resp.GetChangesLeftOut(); n > 0 {
		fmt.Fprintf(w, "and %d more that are not shown\n", n)
	}
}

func count(n int32) string { return strconv.Itoa(int(n)) }
