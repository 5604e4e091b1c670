package cli

import (
	"context"
	"io"
	"regexp"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// readFlags say what was measured with.
type readFlags struct {
	recordFlags
	tool, gauge string
	clicked     bool
}

func (a *app) stepReadCommand() *cobra.Command {
	var f readFlags
	cmd := a.command(verb{
		use: "read JOB/STEP [FASTENERS:STAGE=VALUE ...]", short: "Record what fasteners were tightened to",
		long: `Record torques and angles, per fastener and stage, in the order in which they
were made: 1-4:1=45Nm 1-4:2=90deg. Torques are those at the fastener, in newton
metres unless another unit is written (lbf-ft, lbf-in, kgf-m); angles are
degrees of that stage. --clicked records every stage of every fastener as
wanted: the wrench was set and gave its signal. The wrench is the one that is
booked unless --tool names another; --gauge names what measured the angle.
Values outside are kept and flagged.`,
		example: `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker
  bayhold step finish 17/battery-off --as tove-anker
  bayhold tool issue TW-010-1 --to tove-anker --job 17
  bayhold step start 17/solenoids-swapped --as tove-anker
  bayhold step read 17/solenoids-swapped --clicked --tool TW-010-1 --as tove-anker
  bayhold step read 17/solenoids-swapped 1-2:1=9Nm --tool TW-010-1 --as tove-anker`,
		args: cobra.MinimumNArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.stepRead(ctx, &f, args[0], args[1:]) },
	})
	a.recordFlags(cmd, &f.recordFlags)
	cmd.Flags().StringVar(&f.tool, "tool", "", "`tool` that tightened (default the booked one)")
	cmd.Flags().StringVar(&f.gauge, "gauge", "", "`tool` that measured angles (default the one that tightened)")
	cmd.Flags().BoolVar(&f.clicked, "clicked", false, "every stage of every fastener as wanted")
	cmd.Flags().StringVar(&f.note, "note", "", "for the record")
	return cmd
}

var readingForm = regexp.MustCompile(`^([0-9][0-9,-]*):([0-9]+)=([0-9.]+)\s*(.*)$`)

// torqueFactors are one of each unit of torque in newton metres (NIST SP 811,
// appendix B: exact definitions of pound-force, inch and kilogram-force).
var torqueFactors = map[string]float64{
	"": 1, "nm": 1,
	"lbfft": 4.4482216152605 * 12 * 0.0254, "ftlbf": 4.4482216152605 * 12 * 0.0254,
	"lbfin": 4.4482216152605 * 0.0254, "inlbf": 4.4482216152605 * 0.0254,
	"kgfm": 9.80665, "mkgf": 9.80665,
}

// plainUnit is a unit without what may stand between its parts.
func plainUnit(s string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case '·', '-', ' ', '.', '*':
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// readReading reads "1-4:2=90deg".
func readReading(text string) (fasteners []int32, stage int32, value float64, angle bool, err error) {
	m := readingForm.FindStringSubmatch(text)
	bad := func() error {
		return usage("%q is no reading; write fasteners, stage and value, like 1-4:1=45Nm or 2:2=90deg", text).try("bayhold step read --help")
	}
	if m == nil {
		return nil, 0, 0, false, bad()
	}
	if fasteners, err = readFasteners(m[1]); err != nil {
		return nil, 0, 0, false, err
	}
	n, nErr := strconv.ParseInt(m[2], 10, 32)
	value, vErr := strconv.ParseFloat(m[3], 64)
	if nErr != nil || vErr != nil {
		return nil, 0, 0, false, bad()
	}
	unit := plainUnit(m[4])
	switch factor, torque := torqueFactors[unit]; {
	case unit == "°" || unit == "deg" || unit == "degrees":
		return fasteners, int32(n), value, true, nil
	case torque:
		return fasteners, int32(n), value * factor, false, nil
	}
	return nil, 0, 0, false, usage("%q: %q is no unit of torque or angle: Nm, lbf-ft, lbf-in, kgf-m or deg", text, m[4])
}

// readFasteners reads "1-4,7".
func readFasteners(text string) ([]int32, error) {
	var out []int32
	for _, part := range strings.Split(text, ",") {
		from, to, isRange := strings.Cut(part, "-")
		if !isRange {
			to = from
		}
		first, err := strconv.ParseInt(from, 10, 32)
		last, lastErr := strconv.ParseInt(to, 10, 32)
		if err != nil || lastErr != nil || first < 1 || last < first || last-first > 2000 {
			return nil, usage("%q are no fasteners; write numbers such as 1-4,7", text)
		}
		for f := first; f <= last; f++ {
			out = append(out, int32(f))
		}
	}
	return out, nil
}

func (a *app) stepRead(ctx context.Context, f *readFlags, word string, words []string) error {
	if f.clicked == (len(words) > 0) {
		return usage("what was measured? give readings such as 1-4:1=45Nm, or --clicked").try("bayhold step read --help")
	}
	t, err := a.aim(ctx, word, &f.recordFlags)
	if err != nil {
		return err
	}
	view, err := a.viewFor(ctx, t, f.clicked || f.tool == "", "name the tool with --tool, and the readings")
	if err != nil {
		return err
	}
	tool, err := t.maybeName(tools, f.tool)
	if err != nil {
		return err
	}
	tool = first(tool, view.GetWrench())
	gauge, err := t.maybeName(tools, f.gauge)
	if err != nil {
		return err
	}
	gauge = first(gauge, tool)
	req := &bayholdv1.RecordReadingsRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, RequestId: t.id}
	add := func(fasteners []int32, stage int32, value float64, angle bool) {
		with := tool
		if angle {
			with = gauge
		}
		for _, n := range fasteners {
			req.Measurements = append(req.Measurements, &bayholdv1.Measurement{Fastener: n, Stage: stage, Value: value, Tool: with, Note: f.note})
		}
	}
	for _, w := range words {
		fasteners, stage, value, angle, err := readReading(w)
		if err != nil {
			return err
		}
		add(fasteners, stage, value, angle)
	}
	if f.clicked {
		work := view.GetWork().GetTorque()
		if work == nil {
			return usage("%s tightens nothing", view.GetStep()).try("%s", a.again("step", "show", word))
		}
		all := make([]int32, work.GetFasteners())
		for i := range all {
			all[i] = int32(i) + 1
		}
		for i, s := range work.GetStages() {
			add(all, int32(i)+1, s.GetTorqueNm()+s.GetAngleDegrees(), s.GetAngleDegrees() > 0)
		}
	}
	return a.sendReadings(ctx, t, req)
}

// viewFor reads a step if something must be looked up in it; without a
// connection that has to be typed.
func (a *app) viewFor(ctx context.Context, t target, wanted bool, otherwise string) (*bayholdv1.GetStepResponse, error) {
	if !wanted {
		return nil, nil
	}
	if t.offline == nil {
		view, err := t.Records.GetStep(ctx, &bayholdv1.GetStepRequest{Name: t.job, Step: t.step, Technician: t.technician})
		if err == nil {
			return view, nil
		}
		if !unreachable(err) {
			return nil, err
		}
	}
	return nil, usage("the server cannot be reached, so that nothing can be looked up: %s", otherwise)
}

func (a *app) sendReadings(ctx context.Context, t target, req *bayholdv1.RecordReadingsRequest) error {
	method, resp := bayholdv1.RecordService_RecordReadings_FullMethodName, &bayholdv1.RecordReadingsResponse{}
	if err := a.send(ctx, t.place, method, t.job, "step read "+id(t.job)+"/"+t.step, req, resp); err != nil {
		return a.refusedStep(err, t)
	}
	return a.answer(resp, func(w io.Writer) { a.printReadings(w, t.clock, resp.GetReadings(), resp.GetLacking()) })
}

func (a *app) stepCheckCommand() *cobra.Command {
	var f readFlags
	cmd := a.command(verb{
		use: "check JOB/STEP CHECK=VALUE ...", short: "Record the checks of a step",
		long: `Record checks: a question is answered yes or no, what is measured with its value
and unit, gap=0.25mm. Without its unit it is taken to be in the check's own,
which takes a connection to look up. A value outside is kept, flagged, and bars
the way until it is put right.`,
		example: `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step check 17/solenoids-read no-codes=yes --as tove-anker  # refused: it is not begun`,
		args: cobra.MinimumNArgs(2),
		run:  func(ctx context.Context, args []string) error { return a.stepCheck(ctx, &f, args[0], args[1:]) },
	})
	a.recordFlags(cmd, &f.recordFlags)
	cmd.Flags().StringVar(&f.tool, "tool", "", "`tool` that measured")
	cmd.Flags().StringVar(&f.note, "note", "", "for the record")
	return cmd
}

var valueForm = regexp.MustCompile(`^(-?[0-9.]+)\s*(.*)$`)

// readCheck reads "gap=0.25mm" or "free=yes"; bare tells that a value has no unit.
func readCheck(text string) (m *bayholdv1.Measurement, bare bool, err error) {
	name, value, ok := strings.Cut(text, "=")
	if !ok || name == "" || value == "" {
		return nil, false, usage("%q is no check; write its id and what was found, like free=yes or gap=0.25mm", text)
	}
	m = &bayholdv1.Measurement{Check: name}
	switch strings.ToLower(value) {
	case "yes", "y":
		m.Yes = new(bool)
		*m.Yes = true
		return m, false, nil
	case "no", "n":
		m.Yes = new(bool)
		return m, false, nil
	}
	parts := valueForm.FindStringSubmatch(value)
	if parts == nil {
		return nil, false, usage("%q: %q is neither yes nor no nor a value", text, value)
	}
	if m.Value, err = strconv.ParseFloat(parts[1], 64); err != nil {
		return nil, false, usage("%q: %q is no value", text, parts[1])
	}
	m.Unit = parts[2]
	return m, m.Unit == "", nil
}

func (a *app) stepCheck(ctx context.Context, f *readFlags, word string, words []string) error {
	t, err := a.aim(ctx, word, &f.recordFlags)
	if err != nil {
		return err
	}
	tool, err := t.maybeName(tools, f.tool)
	if err != nil {
		return err
	}
	req := &bayholdv1.RecordReadingsRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, RequestId: t.id}
	lookUp := false
	for _, w := range words {
		m, bare, err := readCheck(w)
		if err != nil {
			return err
		}
		lookUp = lookUp || bare
		m.Tool, m.Note = tool, f.note
		req.Measurements = append(req.Measurements, m)
	}
	view, err := a.viewFor(ctx, t, lookUp, "write values with their units")
	if err != nil {
		return err
	}
	for _, m := range req.GetMeasurements() {
		for _, c := range view.GetWork().GetChecks() {
			if m.Yes == nil && m.GetUnit() == "" && c.GetId() == m.GetCheck() {
				m.Unit = c.GetUnit()
			}
		}
	}
	return a.sendReadings(ctx, t, req)
}

func (a *app) stepPartCommand() *cobra.Command {
	var f recordFlags
	var lot, fasteners string
	cmd := a.command(verb{
		use: "part JOB/STEP PART[=QUANTITY]", short: "Tick a part as fitted, new",
		long: `Tick parts that were fitted, new. --fasteners names those that they replace,
whose tightening was interrupted.`,
		example: `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker
  bayhold step finish 17/battery-off --as tove-anker
  bayhold tool issue TW-010-1 --to tove-anker --job 17
  bayhold step start 17/solenoids-swapped --as tove-anker
  bayhold step part 17/solenoids-swapped orlo-vvt-solenoid=1 --as tove-anker
  bayhold step part 17/solenoids-swapped orlo-vvt-solenoid=1 --lot L7 --as tove-anker`,
		args: cobra.ExactArgs(2),
		run: func(ctx context.Context, args []string) error {
			return a.stepPart(ctx, &f, args[0], args[1], lot, fasteners)
		},
	})
	a.recordFlags(cmd, &f)
	cmd.Flags().StringVar(&lot, "lot", "", "batch or serial number")
	cmd.Flags().StringVar(&fasteners, "fasteners", "", "`numbers` of the fasteners that they replace, like 3,4")
	return cmd
}

func (a *app) stepPart(ctx context.Context, f *recordFlags, word, what, lot, fasteners string) error {
	part, many, counted := strings.Cut(what, "=")
	quantity := int64(1)
	if counted {
		var err error
		if quantity, err = strconv.ParseInt(many, 10, 32); err != nil {
			return usage("%q: %q is no quantity", what, many)
		}
	}
	t, err := a.aim(ctx, word, f)
	if err != nil {
		return err
	}
	req := &bayholdv1.TickPartRequest{
		Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, Part: part, Quantity: int32(quantity), Lot: lot, RequestId: t.id,
	}
	if fasteners != "" {
		if req.Fasteners, err = readFasteners(fasteners); err != nil {
			return err
		}
	}
	resp := &bayholdv1.TickPartResponse{}
	if err := a.send(ctx, t.place, bayholdv1.RecordService_TickPart_FullMethodName, t.job, "step part "+id(t.job)+"/"+t.step+" "+what, req, resp); err != nil {
		return a.refusedStep(err, t)
	}
	return a.answer(resp, func(w io.Writer) { a.printTicked(w, resp) })
}

func (a *app) stepCorrectCommand() *cobra.Command {
	var f readFlags
	cmd := a.command(verb{
		use: "correct JOB READING VALUE --note WHY", short: "Record what takes the place of a reading",
		long: `Record what is right instead of a reading, by its number; step show tells the
numbers. Both are kept, and signatures under the step are taken back.`,
		example: `  bayhold step correct 13 10 yes --note "looked again"  # refused: job 13 is closed`,
		args:    cobra.ExactArgs(3),
		run:     func(ctx context.Context, args []string) error { return a.stepCorrect(ctx, &f, args) },
	})
	a.recordFlags(cmd, &f.recordFlags)
	cmd.Flags().StringVar(&f.tool, "tool", "", "`tool` that it was, if that was wrong")
	cmd.Flags().StringVar(&f.note, "note", "", "why")
	return cmd
}

func (a *app) stepCorrect(ctx context.Context, f *readFlags, args []string) error {
	reading, err := strconv.ParseInt(args[1], 10, 64)
	if err != nil || reading < 1 {
		return usage("%q is no number of a reading", args[1]).try("%s", a.again("step", "show", args[0]+"/STEP"))
	}
	m, _, err := readCheck("x=" + args[2])
	if err != nil {
		return err
	}
	m.Check, m.Note = "", f.note
	if factor, torque := torqueFactors[plainUnit(m.GetUnit())]; torque && m.GetUnit() != "" {
		m.Value, m.Unit = m.GetValue()*factor, "N·m"
	}
	t, err := a.aimAt(ctx, args[0], "", &f.recordFlags)
	if err != nil {
		return err
	}
	if m.Tool, err = t.maybeName(tools, f.tool); err != nil {
		return err
	}
	req := &bayholdv1.CorrectReadingRequest{
		Name: t.job, Reading: reading, Technician: t.technician, ActTime: t.at, Measurement: m, RequestId: t.id,
	}
	resp := &bayholdv1.CorrectReadingResponse{}
	if err := a.send(ctx, t.place, bayholdv1.RecordService_CorrectReading_FullMethodName, t.job, "step correct "+strings.Join(args, " "), req, resp); err != nil {
		return a.refusedStep(err, t)
	}
	return a.answer(resp, func(w io.Writer) {
		a.printReadings(w, t.clock, []*bayholdv1.Reading{resp.GetReading()}, resp.GetLacking())
	})
}
