package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) toolCommand() *cobra.Command {
	return a.group("tool", "Special tools on the shelf", "  bayhold tool list",
		a.toolListCommand(),
		a.command(verb{
			use: "show TOOL", short: "Show a tool by its asset tag", example: "  bayhold tool show LK-01",
			args: cobra.ExactArgs(1), run: a.toolShow,
		}),
		a.toolChangeCommand(),
		a.reserveCommand(tools, "tool", "LK-01", `--from "thu 8:00" --until "thu 16:00" --reference R-1041`),
	)
}

// toolListFlags narrow the list of tools.
type toolListFlags struct {
	free, calibrationUntil, toolType string
}

func (a *app) toolListCommand() *cobra.Command {
	var f toolListFlags
	cmd := a.command(verb{
		use: "list [--free FROM TO]", short: "List tools: all, those free, those due for calibration",
		long: `List tools. --free FROM TO lists those that can be booked for all of that time:
serviceable, in calibration to its end if they need it, and held by nobody. A
date alone is the start of that day for FROM and its end for TO.
--calibration-until DATE lists those that are out of calibration by the end of
that day, with the bookings that this hits.`,
		example: `  bayhold tool list --free "thu 8:00" "thu 16:00"
  bayhold tool list --calibration-until 2026-12-31
  bayhold tool list --type wrench-200`,
		args: cobra.MaximumNArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.toolList(ctx, f, args) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.free, "free", "", "only tools free from this `time` to TO")
	fl.StringVar(&f.calibrationUntil, "calibration-until", "", "only tools out of calibration by this `date`, its end")
	fl.StringVar(&f.toolType, "type", "", "only tools of this type")
	return cmd
}

// request makes the request that the flags mean.
func (f toolListFlags) request(a *app, p *place, args []string) (*bayholdv1.ListToolsRequest, error) {
	req := &bayholdv1.ListToolsRequest{Parent: p.site.GetName(), PageSize: pages}
	var err error
	switch {
	case f.free != "" && len(args) == 0:
		return nil, usage("--free needs two times: FROM and TO").try(`bayhold tool list --free "thu 8:00" "thu 16:00"`)
	case f.free == "" && len(args) == 1:
		return nil, usage("%q is left over: a time goes with --free FROM TO", args[0])
	case f.free != "":
		if req.FreeDuring, err = a.period(p.clock, f.free, args[0]); err != nil {
			return nil, err
		}
	}
	if f.calibrationUntil != "" {
		at, err := a.when(p.clock, "--calibration-until", f.calibrationUntil, dayEnd)
		if err != nil {
			return nil, err
		}
		req.CalibrationEndsBy = stamp(at)
	}
	req.ToolType, err = p.maybeName(toolTypes, f.toolType)
	return req, err
}

// listTools reads every tool that a request asks for.
func (p *place) listTools(ctx context.Context, req *bayholdv1.ListToolsRequest) (*bayholdv1.ListToolsResponse, error) {
	out := &bayholdv1.ListToolsResponse{}
	err := all(func(token string) (string, error) {
		req.PageToken = token
		page, err := p.Tools.ListTools(ctx, req)
		out.Tools = append(out.Tools, page.GetTools()...)
		out.AffectedBookings = append(out.AffectedBookings, page.GetAffectedBookings()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) toolList(ctx context.Context, f toolListFlags, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req, err := f.request(a, p, args)
	if err != nil {
		return err
	}
	out, err := p.listTools(ctx, req)
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printTools(w, p.clock, req, out) })
}

func (a *app) toolShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(tools, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Tools.GetTool(ctx, &bayholdv1.GetToolRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printTool(w, p.clock, resp.GetTool()) })
}

// toolFlags are what can be changed of a tool.
type toolFlags struct {
	condition, conditionUntil, conditionNote, calibratedUntil, home string
}

func (a *app) toolChangeCommand() *cobra.Command {
	var f toolFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change TOOL", short: "Change a tool's condition, calibration or place",
		long: `Change a tool; the answer lists the bookings that it can no longer serve.
Conditions are SERVICEABLE, UNSERVICEABLE, QUARANTINED, AWAY, LOST, RETIRED. A
new condition drops the old one's --condition-until and --condition-note unless
new ones are given. A date alone is the end of that day; "none" takes a time
away.`,
		example: `  bayhold tool change TW-03 --condition away --condition-until 2026-12-04 --condition-note "calibration"
  bayhold tool change TW-03 --condition serviceable --calibrated-until 2027-12-03`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.toolChange(ctx, cmd, &f, args[0]) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.condition, "condition", "", "the `condition` it is in now")
	fl.StringVar(&f.conditionUntil, "condition-until", "", "`time` at which that is expected to end, or none")
	fl.StringVar(&f.conditionNote, "condition-note", "", "why it is in that condition")
	fl.StringVar(&f.calibratedUntil, "calibrated-until", "", "`time` until which it is in calibration, or none")
	fl.StringVar(&f.home, "home", "", "bay or shelf where it is kept")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolChange(ctx context.Context, cmd *cobra.Command, f *toolFlags, word string) error {
	mask, err := maskOf(cmd, map[string]string{
		"condition": "condition", "condition-until": "condition_until", "condition-note": "condition_note",
		"calibrated-until": "calibrated_until", "home": "home",
	})
	if err != nil {
		return err
	}
	if f.condition != "" {
		// What was said of the old condition does not hold for the new one.
		mask.Paths = append(mask.Paths, "condition_until", "condition_note")
		mask.Normalize()
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	tool, err := f.tool(a, p, word)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.ToolService_UpdateTool_FullMethodName, &bayholdv1.UpdateToolRequest{},
		func(requestID string) (*bayholdv1.UpdateToolRequest, error) {
			return &bayholdv1.UpdateToolRequest{Tool: tool, UpdateMask: mask, RequestId: requestID}, nil
		}, p.Tools.UpdateTool)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		a.printTool(w, p.clock, resp.GetTool())
		a.printAffected(w, p.clock, resp.GetAffectedBookings())
	})
}

// tool makes the tool with its new values.
func (f *toolFlags) tool(a *app, p *place, word string) (*bayholdv1.Tool, error) {
	name, err := p.name(tools, word)
	if err != nil {
		return nil, err
	}
	t := &bayholdv1.Tool{Name: name, ConditionNote: f.conditionNote, Home: f.home}
	if f.condition != "" {
		value, ok := bayholdv1.Condition_value["CONDITION_"+strings.ToUpper(f.condition)]
		if !ok || value == 0 {
			return nil, usage("--condition is %q; it can be serviceable, unserviceable, quarantined, away, lost or retired", f.condition)
		}
		t.Condition = bayholdv1.Condition(value)
	}
	if t.ConditionUntil, err = a.whenOrNone(p.clock, "--condition-until", f.conditionUntil); err != nil {
		return nil, err
	}
	t.CalibratedUntil, err = a.whenOrNone(p.clock, "--calibrated-until", f.calibratedUntil)
	return t, err
}

// whenOrNone reads a time; nothing from an empty text and from "none".
func (a *app) whenOrNone(c clock, flag, text string) (*timestamppb.Timestamp, error) {
	if text == "" || strings.EqualFold(text, "none") {
		return nil, nil
	}
	at, err := a.when(c, flag, text, dayEnd)
	if err != nil {
		return nil, err
	}
	return stamp(at), nil
}
