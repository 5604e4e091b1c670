package cli

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// tighteningColumns are those of tightenings in CSV.
var tighteningColumns = []string{
	"tool", "source", "time", "job", "step", "joint", "fastener", "stage", "wanted", "angle", "set", "ratio",
	"tolerance", "direction", "person",
}

func (a *app) calibrationTighteningsCommand() *cobra.Command {
	cmd := a.command(verb{
		use: "import FILE", short: "Take in tightenings that were recorded elsewhere",
		long: `Take in tightenings from a CSV file with a row of titles (RFC 4180), all or
none; every faulty line is told. They count as cycles of their tool, and a
reverse trace follows them. The columns, of which all but the first three and
one of wanted and angle may be left out:

  tool       asset tag
  source     id where it was recorded, unique for the tool: what is known by it
             is not taken in twice
  time       2026-11-20 08:30, or 2026-11-20T08:30:00+01:00
  job, step, joint, fastener, person      in the words of whoever recorded them
  stage      1 is the first (default 1)
  wanted     torque at the joint in N·m      angle   degrees, of an angle stage
  set        what the tool was set to in N·m (default what gives the wanted)
  ratio      torque at the joint over the tool's, with an adapter or multiplier
  tolerance  of the joint: 10 %, or 0.1
  direction  cw or ccw (default cw)`,
		example: `  bayhold calibration tightenings import deploy/guide/sheets/tightenings.csv`,
		args:    cobra.ExactArgs(1),
		run:     func(ctx context.Context, args []string) error { return a.importTightenings(ctx, args[0]) },
	})
	a.requestIDFlag(cmd)
	return a.group("tightenings", "Tightenings that were recorded elsewhere", `  bayhold calibration tightenings import deploy/guide/sheets/tightenings.csv`, cmd)
}

func (a *app) importTightenings(ctx context.Context, path string) error {
	body, err := a.readFile(path)
	if err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	list, lines, err := p.readTightenings(path, body)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.TraceService_ImportTightenings_FullMethodName, &bayholdv1.ImportTighteningsRequest{},
		func(requestID string) (*bayholdv1.ImportTighteningsRequest, error) {
			return &bayholdv1.ImportTighteningsRequest{Parent: p.site.GetName(), Tightenings: list, RequestId: requestID}, nil
		}, p.Traces.ImportTightenings)
	if err != nil {
		return onLines(err, "tightenings[", path, lines)
	}
	return a.answer(resp, func(w io.Writer) { a.printTakenIn(w, p.clock, resp) })
}

// readTightenings reads a file, or says what is wrong with each of its lines.
func (p *place) readTightenings(path string, body []byte) ([]*bayholdv1.ImportedTightening, []int, error) {
	rows, faults := readCSV(path, body, tighteningColumns)
	if len(rows) == 0 && len(faults.fields) == 0 {
		faults.add(1, "there are no tightenings: write one row for each")
	}
	var out []*bayholdv1.ImportedTightening
	var lines []int
	for _, row := range rows {
		name, err := p.name(tools, row.get("tool"))
		faults.check(row.line, err)
		out = append(out, &bayholdv1.ImportedTightening{Tool: name, Tightening: p.readTightening(row, faults)})
		lines = append(lines, row.line)
	}
	return out, lines, faults.problem()
}

func (p *place) readTightening(row csvRow, faults *csvFaults) *bayholdv1.Tightening {
	m := &bayholdv1.Tightening{
		Source: row.get("source"), Job: row.get("job"), Step: row.get("step"), Joint: row.get("joint"),
		Fastener: row.get("fastener"), Person: row.get("person"), Stage: 1,
	}
	if at, err := time.Parse(time.RFC3339, row.get("time")); err == nil {
		m.Time = stamp(at) // to the second: a tool's memory has no whole minutes
	} else if at, err := p.clock.read(row.get("time"), dayStart); err != nil {
		faults.add(row.line, "time: %s", err)
	} else {
		m.Time = stamp(at.at)
	}
	if text := row.get("stage"); text != "" {
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil {
			faults.add(row.line, "stage: %q is no count", text)
		}
		m.Stage = int32(n)
	}
	for _, cell := range []struct {
		title string
		into  *float64
	}{{"wanted", &m.WantedNm}, {"angle", &m.AngleDeg}, {"set", &m.SetNm}, {"ratio", &m.Ratio}, {"tolerance", &m.Tolerance}} {
		text := row.get(cell.title)
		if text == "" {
			continue
		}
		x, relative, err := share(cell.title, text)
		switch {
		case err != nil:
			faults.check(row.line, err)
		case relative && cell.title != "tolerance":
			faults.add(row.line, "%s: %q must be a figure, no percentage", cell.title, text)
		}
		*cell.into = x
	}
	switch strings.ToLower(row.get("direction")) {
	case "", "cw", "clockwise":
	case "ccw", "counterclockwise":
		m.Counterclockwise = true
	default:
		faults.add(row.line, "direction is %q; it can be cw or ccw", row.get("direction"))
	}
	return m
}

// onLines gives what the server says of the entries of a list the lines of the
// file that they stand in.
func onLines(err error, prefix, path string, lines []int) error {
	p := asProblem(err)
	for i, at := range p.fields {
		rest, ok := strings.CutPrefix(at.Field, prefix)
		number, what, ended := strings.Cut(rest, "]")
		n, bad := strconv.Atoi(number)
		if ok && ended && bad == nil && n >= 0 && n < len(lines) {
			p.fields[i].Field = strings.TrimSpace(fmt.Sprintf("%s:%d %s", path, lines[n], strings.TrimPrefix(what, ".")))
		}
	}
	return p
}

func (a *app) printTakenIn(w io.Writer, c clock, resp *bayholdv1.ImportTighteningsResponse) {
	fmt.Fprintf(w, "%s taken in", counted(int(resp.GetTakenIn()), "tightening", "tightenings"))
	if n := resp.GetKnown(); n > 0 {
		fmt.Fprintf(w, ", %d known already", n)
	}
	fmt.Fprintln(w, ".")
	for _, name := range resp.GetToolsDueEarlier() {
		fmt.Fprintf(w, "%s falls due at another time now: bayhold calibration due\n", id(name))
	}
	for _, t := range resp.GetTouched() {
		fmt.Fprintln(w)
		a.printSummary(w, c, id(t.GetTool()), t.GetSummary())
	}
}
