package cli

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// inPercent shows a share in whole per cent; what is not quite none or all says so.
func inPercent(share float64) string {
	switch p := 100 * share; {
	case p > 0 && p < 1:
		return "<1%"
	case p > 99 && p < 100:
		return ">99%"
	default:
		return fmt.Sprintf("%.0f%%", p)
	}
}

// probability shows a probability as it was asked for.
func probability(p float64) string {
	return strconv.FormatFloat(math.Round(p*1e5)/1e3, 'f', -1, 64) + "%"
}

// chance shows a share that was counted, with its interval where that is wide
// enough to matter.
func chance(p *bayholdv1.Proportion) string {
	if p == nil {
		return ""
	}
	if p.GetHigh()-p.GetLow() < 0.02 {
		return inPercent(p.GetShare())
	}
	return fmt.Sprintf("%s (%s to %s)", inPercent(p.GetShare()), inPercent(p.GetLow()), inPercent(p.GetHigh()))
}

func (a *app) printForecast(w io.Writer, c clock, f *bayholdv1.JobForecast) {
	what := "The plan"
	if f.GetJob() != "" {
		what = fmt.Sprintf("Job %s, %s", id(f.GetJob()), f.GetReference())
	}
	writeText(w, fmt.Sprintf("%s: planned hand-back %s; in %s it is done by then.", what, c.at(f.GetPlannedTime()), chance(f.GetPlannedChance())+" of the runs"), a.width())
	fmt.Fprintln(w)
	t := table{cols: []column{{title: "chance"}, {title: "handed back by"}, {title: "give or take", drop: 1}}}
	others := f.GetTakeOver().GetPercentiles()
	if others != nil {
		t.cols = append(t.cols, column{title: "if others take over", drop: 2})
	}
	for i, p := range f.GetPercentiles() {
		row := []string{probability(p.GetProbability()), handBack(c, p), giveOrTake(p)}
		if i < len(others) {
			row = append(row, handBack(c, others[i]))
		}
		t.add(row...)
	}
	writeTable(w, t, a.width())
	if f.GetPromiseTime() != nil {
		fmt.Fprintln(w)
		words := fmt.Sprintf("Promised %s: holds with %s", c.at(f.GetPromiseTime()), chance(f.GetPromiseChance()))
		if o := f.GetTakeOver().GetPromiseChance(); o != nil {
			words += fmt.Sprintf("; with %s if others take over", chance(o))
		}
		writeText(w, words+".", a.width())
	}
	if others != nil {
		writeText(w, "Who does what stays as planned; if others take over: whoever has the skills and is free sooner does a step, in the order of the plan.", a.width())
	}
	if steps := f.GetDecidingSteps(); len(steps) > 0 {
		fmt.Fprintln(w, "\nWhat decides it, by how often it is on the chain that does:")
		writeTable(w, decidingTable(f), a.width())
	}
	fmt.Fprintln(w)
	writeText(w, fmt.Sprintf("Played %s times; of %s that are not done, %s drawn from records.",
		grouped(int64(f.GetRuns())), counted(int(f.GetOpenSteps()), "step", "steps"), isAre(f.GetRecordedSteps())), a.width())
}

func isAre(n int32) string {
	switch n {
	case 0:
		return "none is"
	case 1:
		return "1 is"
	}
	return fmt.Sprintf("%d are", n)
}

// handBack shows when a percentile is reached.
func handBack(c clock, p *bayholdv1.HandBackPercentile) string {
	if p.GetHandBackTime() == nil {
		return "later than looked at"
	}
	return c.at(p.GetHandBackTime())
}

// giveOrTake shows how far the number of runs leaves a percentile open: the wider
// side of its interval.
func giveOrTake(p *bayholdv1.HandBackPercentile) string {
	if p.GetHandBackTime() == nil || p.GetLowTime() == nil || p.GetHighTime() == nil {
		return ""
	}
	at := p.GetHandBackTime().AsTime()
	return hours(max(at.Sub(p.GetLowTime().AsTime()), p.GetHighTime().AsTime().Sub(at)).Round(time.Minute))
}

func decidingTable(f *bayholdv1.JobForecast) table {
	t := table{cols: []column{{title: "share"}, {title: "", drop: 2}, {title: "step", wrap: true}, {title: "of", drop: 1, wrap: true}}}
	for _, s := range f.GetDecidingSteps() {
		of := ""
		if s.GetJob() != f.GetJob() {
			of = fmt.Sprintf("job %s, %s", id(s.GetJob()), s.GetReference())
		}
		t.add(inPercent(s.GetShare()), bar(s.GetShare(), 20), first(s.GetTitle(), s.GetStep()), of)
	}
	return t
}

// bar draws a share of so many columns.
func bar(share float64, width int) string {
	n := int(math.Round(min(max(share, 0), 1) * float64(width)))
	if n == 0 {
		return ""
	}
	return strings.Repeat("█", n)
}

func (a *app) printSiteForecast(w io.Writer, c clock, resp *bayholdv1.ForecastSiteResponse) {
	if len(resp.GetJobs()) == 0 {
		fmt.Fprintln(w, "No job stands.")
		return
	}
	t := table{cols: []column{{title: "job"}, {title: "reference", wrap: true}, {title: "planned", drop: 2}}}
	for _, p := range resp.GetJobs()[0].GetPercentiles() {
		t.cols = append(t.cols, column{title: probability(p.GetProbability())})
	}
	t.cols = append(t.cols, column{title: "promise", drop: 1}, column{title: "holds", drop: 1})
	for _, f := range resp.GetJobs() {
		row := []string{id(f.GetJob()), f.GetReference(), c.at(f.GetPlannedTime())}
		for _, p := range f.GetPercentiles() {
			row = append(row, handBack(c, p))
		}
		t.add(append(row, c.at(f.GetPromiseTime()), percentOf(f.GetPromiseChance()))...)
	}
	writeTable(w, t, a.width())
	fmt.Fprintf(w, "\nPlayed %s times.\n", grouped(int64(resp.GetJobs()[0].GetRuns())))
}

func percentOf(p *bayholdv1.Proportion) string {
	if p == nil {
		return ""
	}
	return inPercent(p.GetShare())
}

func (a *app) printPromises(w io.Writer, resp *bayholdv1.ReviewPromisesResponse) {
	if resp.GetWhole().GetKept().GetOf() == 0 {
		writeText(w, "Nothing to judge: no promise with a stated confidence fell due whose job was closed.", a.width())
	} else {
		t := table{cols: []column{{title: "confidence"}, {title: "promises"}, {title: "promised"}, {title: "kept"}, {title: "95% interval"}, {title: "", wrap: true}}}
		for _, b := range append(resp.GetBands(), resp.GetWhole()) {
			name := fmt.Sprintf("%s to %s", probability(b.GetFrom()), probability(b.GetTo()))
			if b == resp.GetWhole() {
				name = "all"
			}
			k := b.GetKept()
			t.add(name, strconv.FormatInt(k.GetOf(), 10), inPercent(b.GetPromised()), inPercent(k.GetShare()),
				fmt.Sprintf("%s to %s", inPercent(k.GetLow()), inPercent(k.GetHigh())), promiseVerdict(b.GetVerdict()))
		}
		writeTable(w, t, a.width())
	}
	if n := int(resp.GetUnrecorded()); n > 0 {
		fmt.Fprintln(w)
		writeText(w, fmt.Sprintf("Not counted: %s whose job is not closed; nobody knows whether it was kept.", counted(n, "promise", "promises")), a.width())
	}
	if n := int(resp.GetUnstated()); n > 0 {
		fmt.Fprintln(w)
		writeText(w, fmt.Sprintf("Not counted: %s made without a stated confidence.", counted(n, "promise", "promises")), a.width())
	}
}

// promiseVerdict says what a band shows.
func promiseVerdict(v bayholdv1.PromiseBand_Verdict) string {
	switch v {
	case bayholdv1.PromiseBand_VERDICT_TOO_FEW:
		return "too few to judge"
	case bayholdv1.PromiseBand_VERDICT_HONEST:
		return "as promised"
	case bayholdv1.PromiseBand_VERDICT_TOO_BOLD:
		return "kept less often than promised"
	case bayholdv1.PromiseBand_VERDICT_TOO_TIMID:
		return "kept more often than promised"
	}
	return ""
}

func (a *app) printTimes(w io.Writer, c clock, resp *bayholdv1.GetProcedureTimesResponse, records bool) {
	t := table{cols: []column{
		{title: "step", wrap: true}, {title: "estimate"}, {title: "n"}, {title: "Z", drop: 2}, {title: "typical"},
		{title: "90% within", drop: 1}, {title: "records/estimate", drop: 3}, {title: ""},
	}}
	off, outliers := 0, 0
	for _, s := range resp.GetSteps() {
		ratio := ""
		if s.GetCount() > 0 {
			ratio = fmt.Sprintf("%.2f", s.GetRatio())
		}
		if s.GetRatioHigh() > 0 {
			ratio += fmt.Sprintf(" (%.2f to %.2f)", s.GetRatioLow(), s.GetRatioHigh())
		}
		mark := ""
		if s.GetOff() {
			mark = "off"
			off++
		}
		t.add(first(s.GetTitle(), s.GetStep()), fmt.Sprintf("%d/%d/%d", s.GetLowMinutes(), s.GetLikelyMinutes(), s.GetHighMinutes()),
			count(s.GetCount()), fmt.Sprintf("%.2f", s.GetCredibility()), fmt.Sprintf("%.0f min", s.GetTypicalMinutes()),
			fmt.Sprintf("%.0f to %.0f", s.GetTypicalLowMinutes(), s.GetTypicalHighMinutes()), ratio, mark)
		for _, r := range s.GetRecords() {
			if r.GetOutlier() {
				outliers++
			}
			if records || r.GetOutlier() {
				note := ""
				if r.GetOutlier() {
					note = "; far from the others, counts too"
				}
				t.section(fmt.Sprintf("    job %s, %s: %.0f min%s", id(r.GetJob()), c.at(r.GetStartTime()), r.GetMinutes(), note))
			}
		}
	}
	writeTable(w, t, a.width())
	fmt.Fprintln(w)
	source := "a usual value, until five steps have two records"
	if resp.GetConstantFromRecords() {
		source = "from the records of the site"
	}
	writeText(w, fmt.Sprintf("Z = n/(n+k) with k = %.1f, %s.", resp.GetCredibilityConstant(), source), a.width())
	if off > 0 {
		writeText(w, fmt.Sprintf("%s off. Forecasts go by the records already; for plans, enter new minutes in a new version and issue it.",
			counted(off, "estimate is", "estimates are")), a.width())
	}
	if outliers > 0 {
		writeText(w, fmt.Sprintf("%s far from the others: look whether something was left running.", counted(outliers, "record lies", "records lie")), a.width())
	}
}
