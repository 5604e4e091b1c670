// Package demo is the invented workshop that the server's demo plays on.
package demo

import "embed"

// Files are its workshop files.
//
//go:embed *.yaml
var Files embed.FS

// Records are what is recorded of its torque tools: commands in
// records/calibration.txt, and the files that they take. Where a file says
// "day-40", the day forty days before the demo is meant.
//
//go:embed records
var Records embed.FS
