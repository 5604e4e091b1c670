package cli

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// toolFlags are what can be said of a tool.
type toolFlags struct {
	toolType, condition, conditionUntil, conditionNote, calibratedUntil, home, photo string

	missing, damaged []string
	complete, repair bool
}

// fieldOfTool leads from flags to fields.
var fieldOfTool = map[string]string{
	"type": "tool_type", "condition": "condition", "condition-until": "condition_until", "condition-note": "condition_note",
	"calibrated-until": "calibrated_until", "home": "home", "photo": "photo_url", "missing": "missing", "damaged": "damaged",
}

// define gives a command the flags.
func (f *toolFlags) define(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.toolType, "type", "", "the tool `type` that it is of")
	fl.StringVar(&f.condition, "condition", "", "the `condition` it is in now")
	fl.StringVar(&f.conditionUntil, "condition-until", "", "`time` at which that is expected to end, or none")
	fl.StringVar(&f.conditionNote, "condition-note", "", "why it is in that condition")
	fl.StringVar(&f.calibratedUntil, "calibrated-until", "", "`time` until which it is in calibration, or none")
	fl.StringVar(&f.home, "home", "", "bay or shelf where it is kept")
	fl.StringVar(&f.photo, "photo", "", "https `address` of a photo or drawing")
	fl.StringArrayVar(&f.missing, "missing", nil, "`NAME=COUNT` of a piece that is missing, or none")
	fl.StringArrayVar(&f.damaged, "damaged", nil, "`NAME=COUNT` of a piece that is not fit, or none")
}

func (a *app) toolChangeCommand() *cobra.Command {
	var f toolFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change TOOL", short: "Change a tool's condition, calibration, pieces or place",
		long: `Change a tool; the answer lists the bookings that it can no longer serve, and
how to mend that; --repair proposes the mending at once.

Conditions are SERVICEABLE, UNSERVICEABLE, QUARANTINED, AWAY, LOST, RETIRED. All
but the first need a --condition-note that says why; QUARANTINED and AWAY need a
--condition-until as well. A new condition drops what was said of the old one. A
date alone is the end of that day; "none" takes a time or the pieces away. What
lacks a piece is SERVICEABLE again with --complete only: all pieces are there
and fit.`,
		example: `  bayhold tool change TW-100-2 --condition away --condition-until +2w --condition-note calibration
  bayhold tool change LS-TARN-2 --condition serviceable --complete
  bayhold tool change LS-ORLO-1 --home "Cabinet B" --photo https://files.example.org/ls-orlo-1.jpg`,
		args: cobra.MaximumNArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.toolChange(ctx, cmd, &f, args) },
	})
	f.define(cmd)
	cmd.Flags().BoolVar(&f.complete, "complete", false, "all pieces of the set are there and fit")
	cmd.Flags().BoolVar(&f.repair, "repair", false, "propose at once how to mend what the change breaks")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolChange(ctx context.Context, cmd *cobra.Command, f *toolFlags, args []string) error {
	flags := fieldOfTool
	if f.complete {
		if len(f.missing)+len(f.damaged) > 0 {
			return usage("--complete says that nothing is missing or damaged: leave out --missing and --damaged")
		}
		flags = map[string]string{"complete": "missing"}
		for k, v := range fieldOfTool {
			flags[k] = v
		}
	}
	mask, err := maskOf(cmd, flags)
	if err != nil {
		return err
	}
	if f.complete {
		mask.Paths = append(mask.Paths, "damaged")
	}
	if f.condition != "" {
		// What was said of the old condition does not hold for the new one.
		mask.Paths = append(mask.Paths, "condition_until", "condition_note")
	}
	mask.Normalize()
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := a.toolNamed(p, args)
	if err != nil {
		return err
	}
	return a.updateTool(ctx, p, f, name, mask)
}

// updateTool changes a tool and tells what that breaks.
func (a *app) updateTool(ctx context.Context, p *place, f *toolFlags, name string, mask *fieldmaskpb.FieldMask) error {
	if f.repair && (a.machine() || a.request != "") {
		return usage("--repair goes neither with JSON nor with --request-id: ask bayhold job repair").try("bayhold job repair --help")
	}
	tool, err := f.tool(a, p, name)
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
	err = a.answer(resp, func(w io.Writer) {
		a.printTool(w, p.clock, resp.GetTool())
		a.printAffected(w, p.clock, resp.GetAffectedBookings())
		if !f.repair {
			a.printMend(w, p.clock, resp.GetTool(), resp.GetAffectedBookings())
		}
	})
	if err == nil && f.repair {
		err = a.mend(ctx, p, resp.GetTool(), resp.GetAffectedBookings())
	}
	return err
}

// tool makes the tool with its new values.
func (f *toolFlags) tool(a *app, p *place, name string) (*bayholdv1.Tool, error) {
	t := &bayholdv1.Tool{Name: name, ConditionNote: f.conditionNote, Home: f.home, PhotoUrl: f.photo}
	var err error
	if t.ToolType, err = p.maybeName(toolTypes, f.toolType); err != nil {
		return nil, err
	}
	if f.condition != "" {
		value, ok := bayholdv1.Condition_value["CONDITION_"+strings.ToUpper(f.condition)]
		if !ok || value == 0 {
			return nil, usage("--condition is %q; it can be serviceable, unserviceable, quarantined, away, lost or retired", f.condition)
		}
		t.Condition = bayholdv1.Condition(value)
	}
	if t.Missing, err = readPieces("--missing", f.missing); err != nil {
		return nil, err
	}
	if t.Damaged, err = readPieces("--damaged", f.damaged); err != nil {
		return nil, err
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

func (a *app) toolAddCommand() *cobra.Command {
	var f toolFlags
	cmd := a.command(verb{
		use: "add TOOL --type TYPE", short: "Put a tool on the shelf",
		long: `Put a tool on the shelf. TOOL is its asset tag: capital letters, digits and
dashes, as they are engraved on it or stand in its barcode. It is SERVICEABLE
unless --condition says otherwise.`,
		example: `  bayhold tool add LS-ORLO-2 --type orlo-lock-set --home "Cabinet A1"
  bayhold tool add TW-200-3 --type tw-40-200 --calibrated-until 2029-03-31`,
		args: cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := a.toolNamed(p, args)
			if err != nil {
				return err
			}
			tool, err := f.tool(a, p, name)
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.ToolService_CreateTool_FullMethodName, &bayholdv1.CreateToolRequest{},
				func(requestID string) (*bayholdv1.CreateToolRequest, error) {
					return &bayholdv1.CreateToolRequest{Tool: tool, RequestId: requestID}, nil
				}, p.Tools.CreateTool)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printTool(w, p.clock, resp.GetTool()) })
		},
	})
	f.define(cmd)
	require(cmd, "type")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolRetireCommand() *cobra.Command {
	f := toolFlags{condition: "retired"}
	cmd := a.command(verb{
		use: "retire TOOL --reason REASON", short: "Take a tool out of use for good",
		long: `Take a tool out of use for good. It keeps its history and its tag; the answer
lists the bookings that it can no longer serve, and how to mend that; --repair
proposes the mending at once.`,
		example: `  bayhold tool retire DJ-1 --reason "bush worn"
  bayhold tool retire OG-1 --reason "bush worn" --repair`,
		args: cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := a.toolNamed(p, args)
			if err != nil {
				return err
			}
			mask := &fieldmaskpb.FieldMask{Paths: []string{"condition", "condition_note", "condition_until"}}
			return a.updateTool(ctx, p, &f, name, mask)
		},
	})
	cmd.Flags().StringVar(&f.conditionNote, "reason", "", "why")
	cmd.Flags().BoolVar(&f.repair, "repair", false, "propose at once how to mend what it breaks")
	require(cmd, "reason")
	a.requestIDFlag(cmd)
	return cmd
}

// outage gives the question what it breaks that a tool cannot be had: until its
// condition ends, or for as long as a repair looks ahead.
func outage(c clock, t *bayholdv1.Tool) *repairFlags {
	until := c.now.Add(8 * 7 * 24 * time.Hour).Truncate(time.Minute)
	if t.GetConditionUntil() != nil {
		until = t.GetConditionUntil().AsTime()
	}
	return &repairFlags{out: tools + "/" + id(t.GetName()), until: c.typed(until)}
}

// printMend tells the command that proposes how to mend what a tool breaks.
func (a *app) printMend(w io.Writer, c clock, t *bayholdv1.Tool, affected []*bayholdv1.Booking) {
	if len(affected) == 0 {
		return
	}
	f := outage(c, t)
	fmt.Fprintln(w, "\nHow it could be mended:")
	fmt.Fprintln(w, "  "+a.again("job", "repair", "--out", f.out, "--until", f.until))
}

// mend proposes how to mend what a tool breaks.
func (a *app) mend(ctx context.Context, p *place, t *bayholdv1.Tool, affected []*bayholdv1.Booking) error {
	if len(affected) == 0 {
		return nil
	}
	fmt.Fprintln(a.streams.Out)
	a.notes = nil // told already
	return a.jobRepair(ctx, outage(p.clock, t))
}
