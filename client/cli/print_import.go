package cli

import (
	"fmt"
	"io"
	"strconv"
	"strings"

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

// shownFields is how much is told of a new thing; --output json tells all.
const shownFields = 6

// printChanges shows what would be taken in: what is new a line each, and of the
// rest what differs.
func printChanges(w io.Writer, resp *bayholdv1.ImportWorkshopResponse, width int) {
	if len(resp.GetChanges()) == 0 {
		return
	}
	t := table{cols: []column{
		{title: "kind", once: true}, {title: "thing", once: true}, {title: "what", wrap: true}, {title: "stands", wrap: true}, {title: "would be", wrap: true},
	}}
	news := false
	fmt.Fprintln(w)
	for _, c := range resp.GetChanges() {
		if c.GetAdded() {
			news = true
			writeText(w, fmt.Sprintf("new %s %s%s", c.GetKind(), c.GetId(), newFields(c.GetFields())), width)
			continue
		}
		for i, f := range c.GetFields() {
			before, after := f.GetBefore(), f.GetAfter()
			if before == after {
				after = "(other content)"
			}
			if i == 0 {
				t.add(c.GetKind(), c.GetId(), f.GetKey(), before, after)
			} else {
				t.add("", "", f.GetKey(), before, after)
			}
		}
	}
	if len(t.rows) > 0 {
		if news {
			fmt.Fprintln(w)
		}
		writeTable(w, t, width)
	}
	if n := resp.GetChangesLeftOut(); n > 0 {
		fmt.Fprintf(w, "and %d more that are not shown\n", n)
	}
}

// newFields tells the first fields of a new thing: ": name Bay 1; features lift".
func newFields(fields []*bayholdv1.ImportedField) string {
	if len(fields) == 0 {
		return ""
	}
	var said []string
	for _, f := range fields[:min(len(fields), shownFields)] {
		said = append(said, f.GetKey()+" "+f.GetAfter())
	}
	out := ": " + strings.Join(said, "; ")
	if n := len(fields) - shownFields; n > 0 {
		out += fmt.Sprintf("; and %d more", n)
	}
	return out
}

func count(n int32) string { return strconv.Itoa(int(n)) }
