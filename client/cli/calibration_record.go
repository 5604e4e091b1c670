package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

const pointSyntax = `A point is TORQUE: READINGS, all in newton metres, such as "100: 99.6 100.2";
"100: 104.5 104 > 100.1 100" adds the readings after adjustment, and
"100 ccw: 99.6" was turned counterclockwise.`

func (a *app) calibrationRecordCommand() *cobra.Command {
	var f certificateFile
	var points []string
	var humidity, temperature, document string
	cmd := a.command(verb{
		use: "record FILE | --tool TOOL --number NUMBER ...", short: "Record a certificate; the tool's calibration follows from it",
		long: `Record a certificate from a YAML or a CSV file, "-" for YAML on standard input,
or from flags. The answer judges every reading, and lists the bookings that the
tool can no longer serve. If it was found out of tolerance, the answer says how
many tightenings that puts in doubt. A file looks like this; humidity,
temperature, direction, left and uncertainty may be left out:

  tool: TW-03
  number: HM-4711
  laboratory: Harbour Metrology
  date: 2026-11-20
  rule: simple-acceptance      # or guard-band, four-way
  temperature: 21.5            # degrees Celsius
  humidity: 45 %
  uncertainty: 1 %             # expanded; of the reading, or 0.4 Nm
  k: 2
  points:
    - {torque: 40, found: [39.8, 40.1, 40.2], left: [40, 40, 40.1]}
    - {torque: 200, direction: counterclockwise, found: [198, 199, 201]}

A file that ends in .csv has a row of titles (RFC 4180) and one row a point.
What is said of the whole certificate stands in the first row; readings have
spaces between them. All but tool to rule, torque and found may be left out:

  tool,number,laboratory,date,rule,uncertainty,torque,direction,found,left
  TW-03,HM-4711,Harbour Lab,2026-11-20,four-way,1 %,40,cw,39.8 40.1,40 40
  ,,,,,1 %,200,ccw,198 199,200 199.9

Further columns: k, temperature, humidity, unit (N·m is the only one taken).

` + pointSyntax,
		example: `  bayhold calibration record deploy/guide/sheets/HM-4711.yaml
  bayhold calibration record deploy/guide/sheets/HM-4712.csv
  bayhold calibration record --tool TW-200-2 --number HM-4713 --laboratory "Harbour Metrology" --date 2026-11-20 --point "100: 99.6 100.2"`,
		args: cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			switch given := f.Tool != "" || f.Number != "" || len(points) > 0; {
			case len(args) == 1 && given:
				return usage("the certificate comes from a file or from flags, not from both")
			case len(args) == 1:
				read, err := a.readCertificate(args[0])
				if err != nil {
					return err
				}
				return a.recordCertificate(ctx, read, document)
			case !given:
				return usage("a FILE is needed, or --tool, --number, --laboratory, --date and --point").
					try("bayhold calibration record HM-4711.yaml")
			}
			f.Humidity, f.Temperature = humidity, temperature
			for _, text := range points {
				point, err := readPoint(text)
				if err != nil {
					return err
				}
				f.Points = append(f.Points, point)
			}
			return a.recordCertificate(ctx, f, document)
		},
	})
	fl := cmd.Flags()
	fl.StringVar(&f.Tool, "tool", "", "asset tag of the tool")
	fl.StringVar(&f.Number, "number", "", "the laboratory's number")
	fl.StringVar(&f.Laboratory, "laboratory", "", "who calibrated")
	fl.StringVar(&f.Date, "date", "", "`day` of the measurement, 2026-11-20")
	fl.StringVar(&f.Rule, "rule", "simple-acceptance", "decision `rule`: simple-acceptance, guard-band or four-way")
	fl.StringVar(&temperature, "temperature", "", "of the air, in `degrees` Celsius")
	fl.StringVar(&humidity, "humidity", "", "of the air, `45%`")
	fl.StringVar(&f.Uncertainty, "uncertainty", "", "expanded `uncertainty`: 1 %, or 0.4 Nm")
	fl.StringVar(&f.K, "k", "", "coverage `factor` (default 2)")
	fl.StringArrayVar(&points, "point", nil, "`point` with its readings; may be repeated")
	fl.StringVar(&document, "document", "", "keep this PDF `file` with it, 5 MiB at most")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) recordCertificate(ctx context.Context, f certificateFile, document string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	parent, err := p.name(tools, f.Tool)
	if err != nil {
		return err
	}
	certificate, err := f.message()
	if err != nil {
		return err
	}
	var paper []byte
	if document != "" {
		if paper, err = a.readFile(document); err != nil {
			return err
		}
	}
	resp, err := act(ctx, a, bayholdv1.CalibrationService_RecordCertificate_FullMethodName, &bayholdv1.RecordCertificateRequest{},
		func(requestID string) (*bayholdv1.RecordCertificateRequest, error) {
			return &bayholdv1.RecordCertificateRequest{Parent: parent, Certificate: certificate, RequestId: requestID, Document: paper}, nil
		}, p.Calibration.RecordCertificate)
	if err != nil {
		return f.located(err)
	}
	return a.answer(resp, func(w io.Writer) { a.printRecorded(w, p.clock, resp) })
}

func (a *app) calibrationCheckCommand() *cobra.Command {
	var tester, at string
	var points []string
	cmd := a.command(verb{
		use: "check TOOL --on TESTER --point POINT ...", short: "Record an intermediate check on the shop's own tester",
		long: `Record a quick check of a tool between two calibrations. By which rule it counts
as proof stands in the answer, and in "bayhold calibration policy show"; a
reading out of tolerance on a tester in order puts the tool out of calibration.

` + pointSyntax,
		example: `  bayhold calibration check TW-200-2 --on TT-1 --point "100: 99.6 100.2 100.1"`,
		args:    cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			if tester == "" || len(points) == 0 {
				return usage("--on and --point are both needed").
					try(`bayhold calibration check %s --on TE-01 --point "100: 99.6 100.2 100.1"`, args[0])
			}
			return a.recordCheck(ctx, args[0], tester, at, points)
		},
	})
	fl := cmd.Flags()
	fl.StringVar(&tester, "on", "", "asset `tag` of the tester")
	fl.StringVar(&at, "at", "", "`time` of the check (default now)")
	fl.StringArrayVar(&points, "point", nil, "`point` with its readings; may be repeated")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) recordCheck(ctx context.Context, tool, tester, at string, points []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	parent, err := p.name(tools, tool)
	if err != nil {
		return err
	}
	check := &bayholdv1.IntermediateCheck{}
	if check.Tester, err = p.name(tools, tester); err != nil {
		return err
	}
	when, err := a.past(p.clock, "--at", at)
	if err != nil {
		return err
	}
	check.Time = stamp(when)
	for _, text := range points {
		point, err := readPoint(text)
		if err != nil {
			return err
		}
		m, err := point.message("", "")
		if err != nil {
			return err
		}
		check.Points = append(check.Points, m)
	}
	resp, err := act(ctx, a, bayholdv1.CalibrationService_RecordCheck_FullMethodName, &bayholdv1.RecordCheckRequest{},
		func(requestID string) (*bayholdv1.RecordCheckRequest, error) {
			return &bayholdv1.RecordCheckRequest{Parent: parent, Check: check, RequestId: requestID}, nil
		}, p.Calibration.RecordCheck)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printChecked(w, p.clock, resp) })
}

func (a *app) calibrationEventCommand() *cobra.Command {
	var at, note string
	var torque float64
	var cycles int32
	cmd := a.command(verb{
		use: "event TOOL KIND", short: "Record a drop, damage, repair or load, or a count of cycles",
		long: `Record what happened to a tool. By the usual policy a drop, damage or a repair
puts it out of calibration, and so does a load beyond 125 % of its greatest
torque. "use" with --cycles counts cycles that are recorded nowhere else:
tightenings of jobs, and those taken in, are counted by themselves.`,
		example: `  bayhold calibration event TW-200-2 drop --at "yesterday 8:30" --note "fell off the trolley"
  bayhold calibration event TW-200-2 load --torque 260
  bayhold calibration event TW-200-2 use --cycles 120`,
		args: cobra.ExactArgs(2),
		run: func(ctx context.Context, args []string) error {
			value, ok := bayholdv1.ToolEventKind_value["TOOL_EVENT_KIND_"+strings.ToUpper(args[1])]
			if !ok || value == 0 {
				return usage("%q is nothing that happens to a tool; it can be drop, damage, repair, load or use", args[1])
			}
			return a.recordToolEvent(ctx, args[0], at, &bayholdv1.ToolEvent{
				Kind: bayholdv1.ToolEventKind(value), TorqueNm: torque, Cycles: cycles, Note: note,
			})
		},
	})
	fl := cmd.Flags()
	fl.StringVar(&at, "at", "", "`time` when it happened (default now)")
	fl.Float64Var(&torque, "torque", 0, "of a load, in `newton metres`")
	fl.Int32Var(&cycles, "cycles", 0, "of a use, how many")
	fl.StringVar(&note, "note", "", "what happened, for people")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) recordToolEvent(ctx context.Context, tool, at string, e *bayholdv1.ToolEvent) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	parent, err := p.name(tools, tool)
	if err != nil {
		return err
	}
	when, err := a.past(p.clock, "--at", at)
	if err != nil {
		return err
	}
	e.Time = stamp(when)
	resp, err := act(ctx, a, bayholdv1.CalibrationService_RecordToolEvent_FullMethodName, &bayholdv1.RecordToolEventRequest{},
		func(requestID string) (*bayholdv1.RecordToolEventRequest, error) {
			return &bayholdv1.RecordToolEventRequest{Parent: parent, Event: e, RequestId: requestID}, nil
		}, p.Calibration.RecordToolEvent)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printCalibrated(w, p.clock, resp.GetStanding()) })
}
