package tooling

import (
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// Bounds of what is said of a tool type; those of workshop files.
const (
	maxName   = 200     // characters of a name
	maxDrive  = 32      // characters of a drive
	maxPieces = 1_000   // sorts of piece in a set
	maxCount  = 10_000  // of one sort
	maxTorque = 100_000 // newton metres
	maxLength = 5_000   // millimetres
	maxRatio  = 200     // of a multiplier

	// MaxMonths and MaxCycles bound how long a calibration may hold.
	MaxMonths, MaxCycles = 240, 1_000_000
)

// isoForm is a type and a class of ISO 6789.
var isoForm = regexp.MustCompile(`^II? [A-G]$`)

// CheckType notes what is wrong with a tool type but for its id and families.
func CheckType(fs *fault.Fields, t site.ToolType) {
	checkWords(fs, "display_name", t.Name, maxName, true)
	checkWords(fs, "drive", t.Drive, maxDrive, false)
	if !slices.Contains(site.Purposes(), t.Purpose) {
		fs.Add("purpose", "must be one of %v", site.Purposes())
	}
	checkNumbers(fs, t)
	checkTorque(fs, t)
	if t.CalibrationMonths < 0 || t.CalibrationMonths > MaxMonths {
		fs.Add("calibration_months", "must be from 0 to %d", MaxMonths)
	}
	if t.CalibrationCycles < 0 || t.CalibrationCycles > MaxCycles {
		fs.Add("calibration_cycles", "must be from 0 to %d", MaxCycles)
	}
	checkSet(fs, t.Pieces)
}

// checkTorque notes what does not go together with what a tool does. A tester of
// torque tools, of purpose OTHER, has a range and a permissible deviation too.
func checkTorque(fs *fault.Fields, t site.ToolType) {
	torque, tester := t.Purpose == site.Torque, t.Purpose == site.Other
	ranged := t.TorqueMin != 0 || t.TorqueMax != 0
	switch {
	case (torque || tester && ranged) && !(t.TorqueMin > 0 && t.TorqueMin <= t.TorqueMax && t.TorqueMax <= maxTorque):
		fs.Add("torque_max_nm", "must be a range above 0 and up to %d N·m, the lower torque first", maxTorque)
	case !torque && !tester && ranged:
		fs.Add("torque_max_nm", "belongs to tools of purpose TORQUE, and to testers of purpose OTHER, not to %s", t.Purpose)
	case !torque && !tester && t.Permissible != 0:
		fs.Add("permissible_deviation", "belongs to tools of purpose TORQUE, and to testers of purpose OTHER, not to %s", t.Purpose)
	case !torque && (t.ISOType != "" || t.ISOClass != ""):
		fs.Add("iso_type", "belongs to tools of purpose TORQUE only, not to %s", t.Purpose)
	case (t.ISOType != "" || t.ISOClass != "") && !isoForm.MatchString(t.ISOType+" "+t.ISOClass):
		fs.Add("iso_type", "type and class are no such of ISO 6789: give such as I and D, or II and A")
	}
}

// checkNumbers notes numbers that are none, or out of their bounds.
func checkNumbers(fs *fault.Fields, t site.ToolType) {
	for _, n := range []struct {
		path   string
		x, max float64
	}{
		{"torque_min_nm", t.TorqueMin, maxTorque}, {"torque_max_nm", t.TorqueMax, maxTorque},
		{"resolution_nm", t.Resolution, maxTorque}, {"length_mm", t.Length, maxLength},
		{"ratio", t.Ratio, maxRatio}, {"permissible_deviation", t.Permissible, 0.5},
	} {
		if math.IsNaN(n.x) || n.x < 0 || n.x > n.max {
			fs.Add(n.path, "must be a number from 0 to %g", n.max)
		}
	}
}

func checkSet(fs *fault.Fields, set []site.Piece) {
	if len(set) > maxPieces {
		fs.Add("pieces", "must not be more than %d sorts", maxPieces)
	}
	seen := map[string]bool{}
	for _, p := range set {
		if why := PieceName(p.Name); why != "" {
			fs.Add("pieces", "%q %s", clip(p.Name), why)
		}
		if p.Count < 1 || p.Count > maxCount {
			fs.Add("pieces", "%q: a count must be from 1 to %d", clip(p.Name), maxCount)
		}
		if seen[p.Name] {
			fs.Add("pieces", "%q stands twice", clip(p.Name))
		}
		seen[p.Name] = true
	}
}

// PieceName says what is wrong with the name of a piece; empty if nothing. It
// stands on one line and has neither = nor ;, by which lists of counted pieces
// are written.
func PieceName(name string) string {
	switch {
	case name == "" || strings.TrimSpace(name) != name || utf8.RuneCountInString(name) > maxName || !utf8.ValidString(name):
		return "cannot be: a piece has a name of 1 to 200 characters, no space first or last"
	case strings.ContainsAny(name, "=;") || strings.ContainsFunc(name, unicode.IsControl):
		return "cannot be: a piece has a name that stands on one line and has neither = nor ;"
	}
	return ""
}

// checkWords notes what is wrong with words for people that stand on one line.
func checkWords(fs *fault.Fields, path, s string, limit int, required bool) {
	switch {
	case required && strings.TrimSpace(s) == "":
		fs.Add(path, "is missing")
	case strings.TrimSpace(s) != s:
		fs.Add(path, "must not begin or end with a space")
	case utf8.RuneCountInString(s) > limit:
		fs.Add(path, "must not be longer than %d characters", limit)
	case !utf8.ValidString(s) || strings.ContainsFunc(s, unicode.IsControl):
		fs.Add(path, "must be text in UTF-8 that stands on one line")
	}
}
