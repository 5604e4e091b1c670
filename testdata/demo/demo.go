// Package demo is the invented workshop that the server's demo plays on.
package demo

import "embed"

// Files are its workshop files.
//
//go:embed *.yaml
var Files embed.FS
