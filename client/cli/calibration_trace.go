package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	"bayhold/internal/csvfile"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// findingFlags say which finding is meant.
type findingFlags struct{ certificate, check string }

func (f *findingFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.certificate, "certificate", "", "`number` of the certificate that found the tool out of tolerance (default the latest finding)")
	cmd.Flags().StringVar(&f.check, "check", "", "`number` of the intermediate check that did")
}

// finding names it as the contract does.
func (f *findingFlags) finding() (string, error) {
	switch {
	case f.certificate != "" && f.check != "":
		return "", usage("--certificate and --check do not go together")
	case f.check != "":
		return "checks/" + strings.TrimPrefix(f.check, "checks/"), nil
	}
	return f.certificate, nil
}

func (a *app) calibrationTraceCommand() *cobra.Command {
	var f findingFlags
	var openOnly bool
	var to string
	cmd := a.command(verb{
		use: "trace TOOL", short: "Follow a tool found out of tolerance back to what it tightened",
		long: `List every tightening of a tool since it was last known good: by a certificate
as it was left, or by an intermediate check that counts. Beside each stands the
torque that the joint will really have had, at the deviation that was found
between the points of the certificate, and whether the joint is still inside its
own tolerance. --csv writes the lines to a file, --output json the whole answer.
Close lines with "bayhold calibration close".`,
		example: `  bayhold calibration trace TW-100-2
  bayhold calibration trace TW-100-2 --certificate HM-2301 --csv trace.csv
  bayhold calibration trace TW-100-2 --open`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			finding, err := f.finding()
			if err != nil {
				return err
			}
			return a.trace(ctx, args[0], finding, openOnly, to)
		},
	})
	f.register(cmd)
	cmd.Flags().BoolVar(&openOnly, "open", false, "only lines about which nothing was decided")
	cmd.Flags().StringVar(&to, "csv", "", "write the lines to this new `file` as CSV")
	return cmd
}

func (a *app) trace(ctx context.Context, tool, finding string, openOnly bool, to string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(tools, tool)
	if err != nil {
		return err
	}
	resp, err := p.Traces.TraceTool(ctx, &bayholdv1.TraceToolRequest{Name: name, Finding: finding})
	if err != nil {
		return err
	}
	if openOnly {
		var open []*bayholdv1.TraceLine
		for _, l := range resp.GetLines() {
			if l.GetDecision() == nil {
				open = append(open, l)
			}
		}
		resp.Lines = open
	}
	if to != "" {
		if err := writeTraceCSV(to, id(name), resp); err != nil {
			return err
		}
	}
	return a.answer(resp, func(w io.Writer) {
		a.printTrace(w, p.clock, id(name), resp)
		if to != "" {
			fmt.Fprintf(w, "\nThe lines are in %s.\n", to)
		}
	})
}

// writeTraceCSV writes the lines of a trace to a file that is not there yet, as
// RFC 4180 has it.
func writeTraceCSV(path, tool string, resp *bayholdv1.TraceToolResponse) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fileProblem("write", path, err)
	}
	w := csvfile.NewWriter(file)
	rows := [][]string{{
		"tool", "finding", "line", "source", "time", "job", "step", "joint", "fastener", "stage", "direction", "person",
		"wanted_nm", "tolerance", "angle_deg", "set_nm", "deviation", "torque_nm", "least_nm", "greatest_nm", "impact",
		"good_by", "notes", "decision", "note", "decided_by", "decided_at",
	}}
	for _, l := range resp.GetLines() {
		t, d := l.GetTightening(), l.GetDecision()
		rows = append(rows, []string{
			tool, resp.GetSummary().GetTitle(), t.GetId(), t.GetSource(), t.GetTime().AsTime().Format(time.RFC3339),
			t.GetJob(), t.GetStep(), t.GetJoint(), t.GetFastener(), fmt.Sprint(t.GetStage()), directionWord(t.GetCounterclockwise()), t.GetPerson(),
			exactly(t.GetWantedNm()), exactly(t.GetTolerance()), exactly(t.GetAngleDeg()), exactly(t.GetSetNm()), exactly(l.GetDeviation()),
			exactly(l.GetTorqueNm()), exactly(l.GetLeastNm()), exactly(l.GetGreatestNm()), impactName(l.GetImpact()),
			l.GetGoodBy(), strings.Join(l.GetNotes(), "; "), answerName(d.GetAnswer()), d.GetNote(), d.GetPerson(), when(d),
		})
	}
	if err := errors.Join(w.WriteAll(rows), file.Close()); err != nil {
		return fileProblem("write", path, err)
	}
	return nil
}

func when(d *bayholdv1.TraceDecision) string {
	if d.GetTime() == nil {
		return ""
	}
	return d.GetTime().AsTime().Format(time.RFC3339)
}

// exactly writes a figure for programs; nothing for one that is not there.
func exactly(x float64) string {
	if x == 0 {
		return ""
	}
	return fmt.Sprintf("%.7g", x)
}

func directionWord(counterclockwise bool) string {
	if counterclockwise {
		return "ccw"
	}
	return "cw"
}

func impactName(i bayholdv1.TraceImpact) string {
	return strings.TrimPrefix(i.String(), "TRACE_IMPACT_")
}

func answerName(x bayholdv1.TraceAnswer) string {
	if x == 0 {
		return ""
	}
	return strings.TrimPrefix(x.String(), "TRACE_ANSWER_")
}

func (a *app) calibrationCloseCommand() *cobra.Command {
	var f findingFlags
	var as, note, impact string
	cmd := a.command(verb{
		use: "close TOOL (LINE... | --impact I) --as DECISION --note N", short: "Close lines of a reverse trace with a decision",
		long: `Keep a decision about lines of a reverse trace, with who decided, and when. A
line is named as "bayhold calibration trace" shows it; --impact stands for all
open lines of that impact: inside, outside, doubtful or not-judged. The decision
is accepted (the joint may stay as it is), rechecked (checked and found good),
corrected (done again) or out-of-reach (the vehicle could not be had). A later
decision about a line stands in the place of the one before; both are kept.`,
		example: `  bayhold calibration close TW-100-2 tightenings/7 --as rechecked --note "checked on 3 Dec, 121 N·m"
  bayhold calibration close TW-100-2 --impact inside --as accepted --note "inside the joint's tolerance"`,
		args: cobra.MinimumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			finding, err := f.finding()
			if err != nil {
				return err
			}
			answer := bayholdv1.TraceAnswer_value["TRACE_ANSWER_"+strings.ToUpper(strings.ReplaceAll(as, "-", "_"))]
			switch {
			case answer == 0:
				return usage("--as is %q; it can be accepted, rechecked, corrected or out-of-reach", as)
			case note == "":
				return usage("--note is missing: say why, whoever reads it later was not there")
			case (len(args) == 1) == (impact == ""):
				return usage("name the lines, or --impact: one of the two").try("bayhold calibration trace %s --open", args[0])
			}
			return a.closeLines(ctx, args[0], finding, args[1:], impact, &bayholdv1.TraceDecision{
				Answer: bayholdv1.TraceAnswer(answer), Note: note,
			})
		},
	})
	f.register(cmd)
	cmd.Flags().StringVar(&as, "as", "", "the `decision`: accepted, rechecked, corrected or out-of-reach")
	cmd.Flags().StringVar(&note, "note", "", "why")
	cmd.Flags().StringVar(&impact, "impact", "", "all open lines of this `impact`")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) closeLines(ctx context.Context, tool, finding string, lines []string, impact string, d *bayholdv1.TraceDecision) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(tools, tool)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.TraceService_CloseTraceLines_FullMethodName, &bayholdv1.CloseTraceLinesRequest{},
		func(requestID string) (*bayholdv1.CloseTraceLinesRequest, error) {
			if impact != "" {
				if lines, err = p.openLines(ctx, name, finding, impact); err != nil {
					return nil, err
				}
			}
			return &bayholdv1.CloseTraceLinesRequest{Name: name, Finding: finding, Lines: lines, Decision: d, RequestId: requestID}, nil
		}, p.Traces.CloseTraceLines)
	if err != nil {
		if wrong := asProblem(err); wrong.code == codes.NotFound || wrong.code == codes.InvalidArgument {
			return wrong.try("%s", a.again("calibration", "trace", id(name), "--open"))
		}
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		fmt.Fprintf(w, "%s closed: %s.\n", counted(len(resp.GetLines()), "line", "lines"), strings.ToLower(enumWord(d.GetAnswer().String(), "TRACE_ANSWER_")))
		a.printSummary(w, p.clock, id(name), resp.GetSummary())
	})
}

// openLines are the open lines of a trace with an impact.
func (p *place) openLines(ctx context.Context, name, finding, impact string) ([]string, error) {
	want := bayholdv1.TraceImpact_value["TRACE_IMPACT_"+strings.ToUpper(strings.ReplaceAll(impact, "-", "_"))]
	if want == 0 {
		return nil, usage("--impact is %q; it can be inside, outside, doubtful or not-judged", impact)
	}
	found, err := p.Traces.TraceTool(ctx, &bayholdv1.TraceToolRequest{Name: name, Finding: finding})
	if err != nil {
		return nil, err
	}
	var out []string
	for _, l := range found.GetLines() {
		if l.GetDecision() == nil && l.GetImpact() == bayholdv1.TraceImpact(want) {
			out = append(out, l.GetTightening().GetId())
		}
	}
	if len(out) == 0 {
		return nil, usage("no open line of that trace is %s", impact)
	}
	return out, nil
}
