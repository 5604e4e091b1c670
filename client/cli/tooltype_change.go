package cli

import (
	"context"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// toolTypeFlags are what can be said of a tool type.
type toolTypeFlags struct {
	name, purpose, torque, drive, iso, permissible string
	families, pieces                               []string
	resolution, length, ratio                      float64
	calibrated                                     bool
	months, cycles                                 int32
}

// fieldOfToolType leads from flags to fields.
var fieldOfToolType = map[string]string{
	"name": "display_name", "purpose": "purpose", "torque": "torque_min_nm", "drive": "drive", "iso": "iso_type",
	"permissible": "permissible_deviation", "family": "engine_families", "piece": "pieces", "resolution": "resolution_nm",
	"length": "length_mm", "ratio": "ratio", "calibrated": "calibrated",
	"calibration-months": "calibration_months", "calibration-cycles": "calibration_cycles",
}

// define gives a command the flags.
func (f *toolTypeFlags) define(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.name, "name", "", "what people call it")
	fl.StringVar(&f.purpose, "purpose", "", "what it does: locking, tensioning, holding, aligning, drilling, torque, angle, lifting or other")
	fl.StringArrayVar(&f.families, "family", nil, "an engine `family` that it fits (default every one); none for every one")
	fl.StringVar(&f.torque, "torque", "", "the torques it tightens to, in N·m: `LOW-HIGH`")
	fl.Float64Var(&f.resolution, "resolution", 0, "the smallest step of its scale, in N·m")
	fl.StringVar(&f.drive, "drive", "", "its square drive, such as 1/2in")
	fl.Float64Var(&f.length, "length", 0, "from the drive to the centre of the grip, in mm")
	fl.Float64Var(&f.ratio, "ratio", 0, "of a multiplier: output to input torque")
	fl.BoolVar(&f.calibrated, "calibrated", false, "tools of it must be in calibration to be booked")
	fl.StringVar(&f.iso, "iso", "", `type and class by ISO 6789, such as "II A", or none`)
	fl.StringVar(&f.permissible, "permissible", "", "the greatest deviation permitted, such as 4% (default that of its class)")
	fl.Int32Var(&f.months, "calibration-months", 0, "how long a calibration holds (default the house rule)")
	fl.Int32Var(&f.cycles, "calibration-cycles", 0, "how many cycles a calibration holds (default the house rule)")
	fl.StringArrayVar(&f.pieces, "piece", nil, "`NAME=COUNT` of a piece of the set, or none")
}

// toolType makes the tool type that the flags tell of.
func (f *toolTypeFlags) toolType(p *place, word string) (*bayholdv1.ToolType, error) {
	name, err := p.name(toolTypes, word)
	if err != nil {
		return nil, err
	}
	t := &bayholdv1.ToolType{
		Name: name, DisplayName: f.name, ResolutionNm: f.resolution, Drive: f.drive, Calibrated: f.calibrated,
		LengthMm: f.length, Ratio: f.ratio, CalibrationMonths: f.months, CalibrationCycles: f.cycles,
	}
	if f.purpose != "" {
		value, ok := bayholdv1.Purpose_value["PURPOSE_"+strings.ToUpper(f.purpose)]
		if !ok || value == 0 {
			return nil, usage("--purpose is %q; it can be locking, tensioning, holding, aligning, drilling, torque, angle, lifting or other", f.purpose)
		}
		t.Purpose = bayholdv1.Purpose(value)
	}
	if len(f.families) != 1 || f.families[0] != "none" {
		if t.EngineFamilies, err = p.names(families, f.families); err != nil {
			return nil, err
		}
	}
	if t.Pieces, err = readPieces("--piece", f.pieces); err != nil {
		return nil, err
	}
	if f.iso != "" && f.iso != "none" {
		words := strings.Fields(strings.ToUpper(f.iso))
		if len(words) != 2 {
			return nil, usage(`--iso is %q; write type and class, such as "II A"`, f.iso)
		}
		t.IsoType, t.IsoClass = words[0], words[1]
	}
	if t.TorqueMinNm, t.TorqueMaxNm, err = readTorques(f.torque); err != nil {
		return nil, err
	}
	t.PermissibleDeviation, err = readShare(f.permissible)
	return t, err
}

// readTorques reads "40-200", with or without Nm behind it.
func readTorques(text string) (low, high float64, err error) {
	if text == "" || text == "none" {
		return 0, 0, nil
	}
	from, to, isRange := strings.Cut(strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(strings.TrimSpace(text), "Nm"), "N·m")), "-")
	if !isRange {
		to = from
	}
	low, errLow := strconv.ParseFloat(strings.TrimSpace(from), 64)
	high, errHigh := strconv.ParseFloat(strings.TrimSpace(to), 64)
	if errLow != nil || errHigh != nil || math.IsNaN(low) || math.IsNaN(high) {
		return 0, 0, usage("--torque is %q; write the least and the greatest torque in N·m, like 40-200", text)
	}
	return low, high, nil
}

// readShare reads "4%" or 0.04.
func readShare(text string) (float64, error) {
	if text == "" || text == "none" {
		return 0, nil
	}
	figure, percent := strings.CutSuffix(strings.TrimSpace(text), "%")
	x, err := strconv.ParseFloat(strings.TrimSpace(figure), 64)
	if percent {
		x /= 100
	}
	if err != nil || !(x > 0 && x <= 0.5) {
		return 0, usage("--permissible is %q; write such as 4%%, at most 50%%", text)
	}
	return x, nil
}

func (a *app) toolTypeAddCommand() *cobra.Command {
	var f toolTypeFlags
	cmd := a.command(verb{
		use: "add TYPE --name NAME --purpose PURPOSE", short: "Say what tools of a new type can do",
		long: `Say what tools of a new type can do. TYPE is its id: lower-case letters, digits
and dashes.`,
		example: `  bayhold tooltype add orlo-lock-set-2 --name "Locking set, Orlo, second kind" --purpose locking --family orlo-20 --piece "cam plate=2" --piece pin=1
  bayhold tooltype add tw-15-60 --name "Torque wrench 15 to 60" --purpose torque --torque 15-60 --iso "II A" --calibrated`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			t, err := f.toolType(p, args[0])
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.ToolService_CreateToolType_FullMethodName, &bayholdv1.CreateToolTypeRequest{},
				func(requestID string) (*bayholdv1.CreateToolTypeRequest, error) {
					return &bayholdv1.CreateToolTypeRequest{ToolType: t, RequestId: requestID}, nil
				}, p.Tools.CreateToolType)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printToolType(w, resp.GetToolType()) })
		},
	})
	f.define(cmd)
	require(cmd, "name", "purpose")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolTypeChangeCommand() *cobra.Command {
	var f toolTypeFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change TYPE", short: "Change what tools of a type can do",
		long: `Change a tool type; the answer lists the bookings that its tools can no longer
serve. A list that is given takes the place of the one before.`,
		example: `  bayhold tooltype change tw-40-200 --calibration-months 6
  bayhold tooltype change orlo-lock-set --piece "crank pin=1" --piece "cam bar=2"`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			mask, err := maskOf(cmd, fieldOfToolType)
			if err != nil {
				return err
			}
			for _, pair := range [][2]string{{"torque", "torque_max_nm"}, {"iso", "iso_class"}} {
				if cmd.Flags().Changed(pair[0]) {
					mask.Paths = append(mask.Paths, pair[1])
				}
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			t, err := f.toolType(p, args[0])
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.ToolService_UpdateToolType_FullMethodName, &bayholdv1.UpdateToolTypeRequest{},
				func(requestID string) (*bayholdv1.UpdateToolTypeRequest, error) {
					return &bayholdv1.UpdateToolTypeRequest{ToolType: t, UpdateMask: mask, RequestId: requestID}, nil
				}, p.Tools.UpdateToolType)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) {
				a.printToolType(w, resp.GetToolType())
				a.printAffected(w, p.clock, resp.GetAffectedBookings())
			})
		},
	})
	f.define(cmd)
	a.requestIDFlag(cmd)
	return cmd
}
