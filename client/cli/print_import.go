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
}

func count(n int32) string { return strconv.Itoa(int(n)) }
