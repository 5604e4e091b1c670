package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// stateText says where a step stands.
func stateText(s bayholdv1.StepState) string {
	switch s {
	case bayholdv1.StepState_STEP_STATE_OPEN:
		return "not begun"
	case bayholdv1.StepState_STEP_STATE_FINISHED:
		return "done"
	default:
		return strings.ToLower(strings.TrimPrefix(s.String(), "STEP_STATE_"))
	}
}

// printOutcome says how a step stands after an act.
func (a *app) printOutcome(w io.Writer, c clock, method string, o *bayholdv1.StepOutcome) {
	job := id(o.GetJob().GetName())
	name := job + "/" + o.GetStep()
	if method == bayholdv1.RecordService_CloseJob_FullMethodName {
		writeText(w, fmt.Sprintf("Job %s (%s) is closed: handed back %s.", job, o.GetJob().GetReference(),
			c.show(o.GetJob().GetPlanned().GetEnd().AsTime())), a.width())
		if p := o.GetJob().GetPromiseTime(); p != nil {
			writeText(w, promiseKept(c, p.AsTime(), o.GetJob().GetPlanned().GetEnd().AsTime()), a.width())
		}
		a.printFreed(w, c, o.GetFreed())
		return
	}
	what := stateText(o.GetState())
	if method == bayholdv1.RecordService_SignStep_FullMethodName {
		what = "signed, and " + what
	}
	writeText(w, fmt.Sprintf("%s (%s) is %s.", name, o.GetTitle(), what), a.width())
	if n := int(o.GetUnsigned()); n > 0 && o.GetState() == bayholdv1.StepState_STEP_STATE_FINISHED {
		writeText(w, fmt.Sprintf("It lacks %s: %s", counted(n, "signature", "signatures"), a.again("step", "sign", name)), a.width())
	}
	if len(o.GetOverridden()) > 0 {
		fmt.Fprintln(w, "Let pass, and recorded as such:")
		a.printReasons(w, o.GetOverridden())
	}
	switch late := time.Duration(o.GetLateMinutes()) * time.Minute; {
	case method != bayholdv1.RecordService_FinishStep_FullMethodName:
	case late > 0:
		writeText(w, fmt.Sprintf("That is %s later than planned. What it breaks: %s", hours(late), a.again("job", "repair", "--now")), a.width())
	case late < 0:
		writeText(w, fmt.Sprintf("That is %s earlier than planned.", hours(-late)), a.width())
	}
	a.printFreed(w, c, o.GetFreed())
	if next := o.GetNextSteps(); len(next) > 0 && o.GetState() != bayholdv1.StepState_STEP_STATE_RUNNING {
		fmt.Fprintln(w, "Next:")
		for _, n := range next {
			fmt.Fprintf(w, "  %s\n", a.again("step", "start", job+"/"+n))
		}
	}
}

func promiseKept(c clock, promise, back time.Time) string {
	if back.After(promise) {
		return fmt.Sprintf("Promised was %s: %s late.", c.show(promise), hours(back.Sub(promise)))
	}
	return fmt.Sprintf("Promised was %s: kept.", c.show(promise))
}

// printFreed lists what is free sooner than it was booked.
func (a *app) printFreed(w io.Writer, c clock, list []*bayholdv1.Booking) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w, "Free from now on:")
	t := table{bare: true, cols: []column{{}, {}}}
	for _, b := range list {
		t.add(id(b.GetResource()), "was booked "+c.rangeOf(b.GetDuring()))
	}
	writeTable(w, t, a.width())
}

// readingText says what was measured: "fastener 3, stage 1".
func readingText(r *bayholdv1.Reading) string {
	if r.GetKind() == bayholdv1.ReadingKind_READING_KIND_CHECK {
		return r.GetCheck()
	}
	text := fmt.Sprintf("fastener %d, stage %d", r.GetFastener(), r.GetStage())
	if r.GetAttempt() > 1 {
		text += fmt.Sprintf(", no. %d there", r.GetAttempt())
	}
	return text
}

// valueText is the value with its unit.
func valueText(r *bayholdv1.Reading) string {
	if r.GetKind() == bayholdv1.ReadingKind_READING_KIND_CHECK && r.GetUnit() == "" {
		if r.GetValue() == 1 {
			return "yes"
		}
		return "no"
	}
	return fmt.Sprintf("%.6g %s", r.GetValue(), r.GetUnit())
}

// limitsText says what is inside.
func limitsText(r *bayholdv1.Reading) string {
	switch {
	case r.GetUnit() == "" && r.GetKind() == bayholdv1.ReadingKind_READING_KIND_CHECK:
		return "yes"
	case r.Low != nil && r.High != nil:
		return fmt.Sprintf("%.6g to %.6g", r.GetLow(), r.GetHigh())
	case r.Low != nil:
		return fmt.Sprintf("at least %.6g", r.GetLow())
	case r.High != nil:
		return fmt.Sprintf("at most %.6g", r.GetHigh())
	}
	return ""
}

// readingTable lists readings with their numbers.
func readingTable(c clock, list []*bayholdv1.Reading) table {
	t := table{cols: []column{
		{title: "no."}, {title: "what", wrap: true}, {title: "found"}, {title: "inside"}, {title: ""}, {title: "tool"}, {title: "who", drop: 2}, {title: "when", drop: 1},
	}}
	for _, r := range list {
		mark := ""
		switch {
		case r.GetCorrectedBy() != 0:
			mark = fmt.Sprintf("corrected by %d", r.GetCorrectedBy())
		case r.GetOutside():
			mark = "OUTSIDE"
		case r.GetCorrects() != 0:
			mark = fmt.Sprintf("corrects %d", r.GetCorrects())
		}
		t.add(fmt.Sprint(r.GetId()), readingText(r), valueText(r), limitsText(r), mark, id(r.GetTool()), id(r.GetTechnician()), c.at(r.GetActTime()))
	}
	return t
}

func (a *app) printReadings(w io.Writer, c clock, list []*bayholdv1.Reading, lacking []*bayholdv1.RecordBlocker) {
	writeTable(w, readingTable(c, list), a.width())
	a.printLacking(w, lacking)
}

func (a *app) printTicked(w io.Writer, r *bayholdv1.TickPartResponse) {
	p := r.GetPart()
	text := fmt.Sprintf("%d × %s fitted, new.", p.GetQuantity(), p.GetPart())
	if len(p.GetFasteners()) > 0 {
		text += fmt.Sprintf(" They take the place of %s.", counted(len(p.GetFasteners()), "interrupted fastener", "interrupted fasteners"))
	}
	writeText(w, text, a.width())
	a.printLacking(w, r.GetLacking())
}

// printStepView prints a step as the one who does it wants to see it: cautions
// first.
func (a *app) printStepView(w io.Writer, c clock, job string, v *bayholdv1.GetStepResponse) {
	a.printCautions(w, v.GetCautions())
	if len(v.GetCautions()) > 0 {
		fmt.Fprintln(w)
	}
	state := stateText(v.GetState())
	if v.GetRun() > 1 {
		state += fmt.Sprintf(", run %d", v.GetRun())
	}
	writeText(w, fmt.Sprintf("%s/%s: %s (%s)", job, v.GetStep(), v.GetWork().GetTitle(), state), a.width())
	facts := table{bare: true, cols: []column{{}, {}, {wrap: true}}}
	add := func(name, value string) {
		if value != "" {
			facts.add("", name, value)
		}
	}
	add("For", strings.TrimSpace(v.GetReference()+", "+v.GetBay()))
	add("Part of", v.GetOwner())
	add("When", c.rangeOf(v.GetDuring()))
	add("Planned for", strings.Join(v.GetPeople(), ", "))
	if v.GetStartTime() != nil {
		add("Begun", c.at(v.GetStartTime()))
	}
	if v.GetFinishTime() != nil {
		add("Finished", c.at(v.GetFinishTime()))
	}
	writeTable(w, facts, a.width())
	writeTable(w, stepDetails(v.GetWork()), a.width())
	a.printSettings(w, v)
	a.printToolPlaces(w, c, v.GetTools())
	a.printStepDone(w, c, v)
	if len(v.GetBlockers()) > 0 {
		what := "It cannot begin:"
		if v.GetState() == bayholdv1.StepState_STEP_STATE_RUNNING {
			what = "Before it can be finished:"
		}
		fmt.Fprintln(w, "\n"+what)
		a.printReasons(w, v.GetBlockers())
	}
}

// printSettings says what the booked wrench is set to.
func (a *app) printSettings(w io.Writer, v *bayholdv1.GetStepResponse) {
	switch {
	case v.GetSettingProblem() != "":
		writeText(w, "  NO SET VALUE: "+v.GetSettingProblem(), a.width())
	case len(v.GetSettings()) > 0:
		what := "Set " + id(v.GetWrench()) + " to"
		if v.GetDrivesMultiplier() {
			what = "Drive " + id(v.GetWrench()) + " with"
		}
		t := table{bare: true, cols: []column{{}, {}, {}, {}}}
		for i, s := range v.GetSettings() {
			set := "by the angle gauge"
			if s.GetSetNm() > 0 {
				set = fmt.Sprintf("%s N·m", rounded(s.GetSetNm()))
			}
			t.add("", what, set, fmt.Sprintf("for stage %d, %s", i+1, s.GetStage()))
			what = ""
		}
		writeTable(w, t, a.width())
	}
}

// rounded writes a setting with no more digits than a scale has.
func rounded(nm float64) string {
	if nm < 10 {
		return fmt.Sprintf("%.2f", nm)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", nm), ".0")
}

// placeText says where a tool is.
func placeText(t *bayholdv1.ToolPlace) string {
	switch {
	case t.GetTechnician() == "":
		return "in its place: " + first(t.GetHome(), "not said")
	case t.GetJob() != "":
		return "with " + id(t.GetTechnician()) + " for job " + id(t.GetJob())
	case t.GetBay() != "":
		return "with " + id(t.GetTechnician()) + " in " + id(t.GetBay())
	}
	return "with " + id(t.GetTechnician())
}

func (a *app) printToolPlaces(w io.Writer, c clock, list []*bayholdv1.ToolPlace) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w, "\nTools:")
	t := table{bare: true, cols: []column{{}, {wrap: true}, {wrap: true}, {drop: 1}}}
	for _, p := range list {
		until := ""
		if p.GetCalibratedUntil() != nil {
			until = "calibrated to " + c.at(p.GetCalibratedUntil())
		}
		t.add(id(p.GetTool()), p.GetDisplayName(), placeText(p), until)
	}
	writeTable(w, t, a.width())
}

// printStepDone prints what was recorded of a step.
func (a *app) printStepDone(w io.Writer, c clock, v *bayholdv1.GetStepResponse) {
	if len(v.GetReadings()) > 0 {
		fmt.Fprintln(w, "\nMeasured:")
		writeTable(w, readingTable(c, v.GetReadings()), a.width())
	}
	if len(v.GetParts()) > 0 {
		fmt.Fprintln(w, "\nFitted:")
		t := table{bare: true, cols: []column{{wrap: true}, {}, {}}}
		for _, p := range v.GetParts() {
			t.add(fmt.Sprintf("%d × %s", p.GetQuantity(), p.GetPart()), first(p.GetLot(), "-"), c.at(p.GetActTime()))
		}
		writeTable(w, t, a.width())
	}
	for _, s := range v.GetSignOffs() {
		fmt.Fprintf(w, "Signed by %s %s\n", id(s.GetTechnician()), c.at(s.GetActTime()))
	}
	if n := int(v.GetUnsigned()); n > 0 && v.GetState() != bayholdv1.StepState_STEP_STATE_OPEN {
		fmt.Fprintf(w, "It lacks %s.\n", counted(n, "signature", "signatures"))
	}
	if n := len(v.GetInterruptedFasteners()); n > 0 {
		writeText(w, fmt.Sprintf("INTERRUPTED: %s must be replaced by new ones.", counted(n, "fastener", "fasteners")), a.width())
	}
}
