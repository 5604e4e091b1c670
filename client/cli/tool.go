package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) toolCommand() *cobra.Command {
	return a.group("tool", "Special tools on the shelf", "  bayhold tool list",
		a.toolListCommand(),
		a.command(verb{
			use: "show TOOL", short: "Show a tool by its asset tag", example: `  bayhold tool show LS-ORLO-1`,
			args: cobra.MaximumNArgs(1), run: a.toolShow,
		}),
		a.toolWhereCommand(), a.toolHistoryCommand(),
		a.toolIssueCommand(), a.toolReturnCommand(), a.toolHandOverCommand(),
		a.toolAddCommand(), a.toolChangeCommand(), a.toolRetireCommand(),
		a.toolImportCommand(), a.toolExportCommand(),
		a.reserveCommand(tools, "tool", "LS-VELDE-1", `--from "2029-03-08 8:00" --until "2029-03-08 16:00" --reference W-3010`),
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
  bayhold tool list --calibration-until +30d
  bayhold tool list --type tw-40-200`,
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
	name, err := a.toolNamed(p, args)
	if err != nil {
		return err
	}
	resp, err := p.Tools.GetTool(ctx, &bayholdv1.GetToolRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printTool(w, p.clock, resp.GetTool()) })
}
