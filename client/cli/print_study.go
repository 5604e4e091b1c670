package cli

import (
	"fmt"
	"io"
	"math"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// between shows an average of what cannot be negative with its interval.
func between(m *bayholdv1.Measure, digits int) string {
	return betweenSigned(&bayholdv1.Measure{Mean: m.GetMean(), Low: max(0, m.GetLow()), High: m.GetHigh()}, digits)
}

// betweenSigned shows an average with its interval.
func betweenSigned(m *bayholdv1.Measure, digits int) string {
	return fmt.Sprintf("%s (%s to %s)", unsigned(m.GetMean(), digits), unsigned(m.GetLow(), digits), unsigned(m.GetHigh(), digits))
}

// unsigned writes a number with so many digits, and no sign before nothing.
func unsigned(x float64, digits int) string {
	text := fmt.Sprintf("%.*f", digits, x)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// betweenPercent shows a share with its interval.
func betweenPercent(m *bayholdv1.Measure) string {
	return fmt.Sprintf("%s (%s to %s)", inPercent(m.GetMean()), inPercent(max(0, m.GetLow())), inPercent(min(1, m.GetHigh())))
}

func (a *app) printStudy(w io.Writer, s *bayholdv1.StudyOutcome, svg string) {
	t := table{cols: []column{{title: "asked for", wrap: true}, {title: "a week"}, {title: "when", wrap: true}}}
	for _, d := range s.GetDemand() {
		t.add(ids(d.GetProcedures()), fmt.Sprintf("%.3g", d.GetPerWeek()), first(asked(d), "at random"))
	}
	writeTable(w, t, a.width())
	if s.GetPast() != nil {
		fmt.Fprintln(w)
		writeText(w, pastWords(s.GetPast()), a.width())
	}
	fmt.Fprintln(w)
	writeText(w, fmt.Sprintf("%d weeks that count after %d that do not, %d replications; in brackets 95%% intervals. The workshop starts empty: jobs that are booked now do not count.",
		s.GetWeeks(), s.GetWarmUpWeeks(), s.GetReplications()), a.width())
	b := s.GetBase()
	if b.GetGrowing() {
		fmt.Fprintln(w)
		writeText(w, "The demand is more than the workshop can do: waits grow week by week, and the averages below only say how far it got.", a.width())
	}
	fmt.Fprintln(w)
	turned := ""
	if b.GetTurnedAway().GetMean() > 0 {
		turned = between(b.GetTurnedAway(), 1) + " jobs"
	}
	writeTable(w, facts(
		[2]string{"Jobs", between(b.GetJobs(), 0)},
		[2]string{"Wait to start", between(b.GetWaitDays(), 1) + " days"},
		[2]string{"Asked to hand-back", between(b.GetHandBackDays(), 1) + " days"},
		[2]string{"In the bay", between(b.GetBayDays(), 2) + " days"},
		[2]string{"Later than booked", betweenPercent(b.GetLateShare()) + " of jobs"},
		[2]string{"Late, over all jobs", between(b.GetLateDays(), 2) + " days"},
		[2]string{"Waiting or in a bay", between(b.GetInHouse(), 1) + " jobs"},
		[2]string{"Turned away", turned},
	), a.width())
	fmt.Fprintln(w)
	a.printUse(w, b)
	a.printVariants(w, s)
	if svg != "" {
		fmt.Fprintf(w, "\nPicture: %s\n", svg)
	}
}

// mostUsed is how many resources are listed.
const mostUsed = 12

// printUse lists the resources that are used most.
func (a *app) printUse(w io.Writer, s *bayholdv1.StudySummary) {
	t := table{cols: []column{{title: "resource", wrap: true}, {title: "used"}, {title: "", drop: 1}, {title: "held in vain"}}}
	for i, u := range s.GetResources() {
		if i == mostUsed {
			break
		}
		blocked := ""
		if u.GetBlocked() != nil {
			blocked = inPercent(u.GetBlocked().GetMean())
		}
		t.add(id(u.GetResource()), inPercent(u.GetUsed().GetMean()), bar(u.GetUsed().GetMean(), 24), blocked)
	}
	writeTable(w, t, a.width())
	if more := len(s.GetResources()) - mostUsed; more > 0 {
		fmt.Fprintf(w, "and %d that are used less\n", more)
	}
}

// printVariants ranks what was compared.
func (a *app) printVariants(w io.Writer, s *bayholdv1.StudyOutcome) {
	list := s.GetVariants()
	if len(list) == 0 {
		return
	}
	most := 0.0
	for _, v := range list {
		most = max(most, math.Abs(v.GetSavedDays().GetMean()))
	}
	fmt.Fprintln(w, "\nWaiting days saved over these weeks, all jobs together:")
	t := table{cols: []column{
		{title: "change", wrap: true}, {title: "saves"}, {title: "", drop: 2}, {title: "wait then"}, {title: "cost", drop: 3}, {title: "a day", drop: 4},
	}}
	for _, v := range list {
		cost, each := "", ""
		saved := v.GetSavedDays()
		if v.GetCost() > 0 {
			cost = grouped(int64(math.Round(v.GetCost())))
			if saved.GetLow() > 0 {
				each = fmt.Sprintf("%.0f", v.GetCost()/saved.GetMean())
			}
		}
		drawn := ""
		if most > 0 {
			drawn = bar(math.Abs(saved.GetMean())/most, 12)
			if saved.GetMean() < 0 {
				drawn = strings.ReplaceAll(drawn, "█", "▒")
			}
		}
		t.add(v.GetDisplayName(), betweenSigned(saved, 0), drawn, fmt.Sprintf("%.1f days", v.GetSummary().GetWaitDays().GetMean()), cost, each)
	}
	writeTable(w, t, a.width())
	writeText(w, "A change whose bracket holds zero may save nothing.", a.width())
}
