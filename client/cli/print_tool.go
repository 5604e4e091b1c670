package cli

import (
	"fmt"
	"io"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) printToolTypes(w io.Writer, list []*bayholdv1.ToolType) {
	if len(list) == 0 {
		a.none(w, "tool types")
		return
	}
	t := table{cols: []column{
		{title: "type"},
		{title: "name", wrap: true},
		{title: "purpose"},
		{title: "families", wrap: true},
		{title: "torque"},
	}}
	for _, tt := range list {
		t.add(id(tt.GetName()), tt.GetDisplayName(), enumWord(tt.GetPurpose().String(), "PURPOSE_"),
			first(lines(tt.GetEngineFamilies()), "every one"), torqueRange(tt))
	}
	writeTable(w, t, a.width())
}

// torqueRange shows what a tool can tighten; nothing if it tightens nothing.
func torqueRange(t *bayholdv1.ToolType) string {
	switch low, high := t.GetTorqueMinNm(), t.GetTorqueMaxNm(); {
	case high == 0:
		return ""
	case low == 0:
		return fmt.Sprintf("to %g N·m", high)
	default:
		return fmt.Sprintf("%g-%g N·m", low, high)
	}
}

func (a *app) printToolType(w io.Writer, t *bayholdv1.ToolType) {
	pieces := strings.ReplaceAll(piecesText(t.GetPieces()), ", ", "\n")
	resolution := ""
	if t.GetResolutionNm() > 0 {
		resolution = fmt.Sprintf("%g N·m", t.GetResolutionNm())
	}
	length, ratio := "", ""
	if t.GetLengthMm() > 0 {
		length = fmt.Sprintf("%g mm from the drive to the grip", t.GetLengthMm())
	}
	if t.GetRatio() > 0 {
		ratio = fmt.Sprintf("%g : 1, output to input torque", t.GetRatio())
	}
	calibration, permitted := "not needed", ""
	if t.GetCalibrated() {
		calibration = "must be valid"
		if n := t.GetCalibrationMonths(); n > 0 {
			calibration += fmt.Sprintf(", for %d months", n)
		}
		if n := t.GetCalibrationCycles(); n > 0 {
			calibration += fmt.Sprintf(", for %d cycles", n)
		}
	}
	if t.GetPermissibleDeviation() > 0 {
		permitted = fmt.Sprintf("±%.4g %% of the reading", t.GetPermissibleDeviation()*100)
	}
	writeTable(w, facts(
		[2]string{"Type", id(t.GetName())},
		[2]string{"Name", t.GetDisplayName()},
		[2]string{"Purpose", enumWord(t.GetPurpose().String(), "PURPOSE_")},
		[2]string{"Families", first(ids(t.GetEngineFamilies()), "every one")},
		[2]string{"Torque", torqueRange(t)},
		[2]string{"Resolution", resolution},
		[2]string{"Drive", t.GetDrive()},
		[2]string{"Length", length},
		[2]string{"Ratio", ratio},
		[2]string{"Calibration", calibration},
		[2]string{"ISO 6789", strings.TrimSpace(t.GetIsoType() + " " + t.GetIsoClass())},
		[2]string{"Permitted", permitted},
		[2]string{"Pieces", pieces},
	), a.width())
}

// printTools prints a list of tools under a line that says which they are.
func (a *app) printTools(w io.Writer, c clock, req *bayholdv1.ListToolsRequest, resp *bayholdv1.ListToolsResponse) {
	var which []string
	if d := req.GetFreeDuring(); d != nil {
		which = append(which, "free "+c.rangeOf(d))
	}
	if ts := req.GetCalibrationEndsBy(); ts != nil {
		which = append(which, "out of calibration by "+c.at(ts))
	}
	if t := req.GetToolType(); t != "" {
		which = append(which, "of type "+id(t))
	}
	what := strings.TrimSpace("tools " + strings.Join(which, ", "))
	if len(resp.GetTools()) == 0 {
		a.none(w, what)
		return
	}
	if len(which) > 0 {
		writeText(w, strings.ToUpper(what[:1])+what[1:]+":", a.width())
	}
	t := table{cols: []column{
		{title: "tool"},
		{title: "type", wrap: true},
		{title: "condition", wrap: true},
		{title: "calibrated until"},
		{title: "home", drop: 1, wrap: true},
	}}
	for _, tool := range resp.GetTools() {
		state := condition(c, tool)
		if note := tool.GetConditionNote(); note != "" {
			state += ", " + note
		}
		t.add(id(tool.GetName()), id(tool.GetToolType()), state, c.at(tool.GetCalibratedUntil()), tool.GetHome())
	}
	writeTable(w, t, a.width())
	if req.GetCalibrationEndsBy() != nil {
		a.printAffected(w, c, resp.GetAffectedBookings())
	}
}

// condition shows a tool's condition, and until when if that is known.
func condition(c clock, t *bayholdv1.Tool) string {
	text := enumWord(t.GetCondition().String(), "CONDITION_")
	if t.GetConditionUntil() != nil {
		text += " to " + c.at(t.GetConditionUntil())
	}
	return text
}

func (a *app) printTool(w io.Writer, c clock, t *bayholdv1.Tool) {
	writeTable(w, facts(
		[2]string{"Tool", id(t.GetName())},
		[2]string{"Type", id(t.GetToolType())},
		[2]string{"Condition", condition(c, t)},
		[2]string{"Note", t.GetConditionNote()},
		[2]string{"Calibrated until", c.at(t.GetCalibratedUntil())},
		[2]string{"Missing", piecesText(t.GetMissing())},
		[2]string{"Damaged", piecesText(t.GetDamaged())},
		[2]string{"Home", t.GetHome()},
		[2]string{"Photo", t.GetPhotoUrl()},
	), a.width())
}

// printAffected prints the bookings that tools can no longer serve.
func (a *app) printAffected(w io.Writer, c clock, list []*bayholdv1.Booking) {
	fmt.Fprintln(w)
	if len(list) == 0 {
		fmt.Fprintln(w, "No booking is hit by it.")
		return
	}
	fmt.Fprintln(w, "Bookings hit by it:")
	writeTable(w, bookingTable(c, list), a.width())
}
