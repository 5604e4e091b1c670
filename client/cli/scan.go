package cli

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Bounds of what is read line by line.
const (
	maxScanned = 100
	maxLine    = 1_000
)

// scanned gives the asset tags that a command is about: its words; for "-" the
// lines of standard input; without any, what is typed or scanned at a terminal
// until an empty line.
func (a *app) scanned(args []string) ([]string, error) {
	var out []string
	switch {
	case len(args) == 0 && !a.streams.Keyboard:
		return nil, usage("which tool? give its asset tag, or - to read tags from standard input").try("bayhold %s %s --help", a.noun, a.verb)
	case len(args) == 0:
		fmt.Fprintln(a.streams.Err, "Scan the tools' tags, one a line; an empty line ends.")
	case len(args) == 1 && args[0] == "-":
	default:
		return args, nil
	}
	prompting := len(args) == 0
	for {
		if prompting {
			fmt.Fprint(a.streams.Err, "tag: ")
		}
		line, err := a.line()
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if line != "" {
			out = append(out, line)
		}
		if len(out) > maxScanned {
			return nil, usage("more than %d tags: give them in parts", maxScanned)
		}
		if err != nil || line == "" && prompting {
			break
		}
	}
	if len(out) == 0 {
		return nil, usage("no tag was given")
	}
	return out, nil
}

// scannedOne is scanned for a command that is about one tool.
func (a *app) scannedOne(args []string) (string, error) {
	if len(args) == 0 && a.streams.Keyboard {
		fmt.Fprint(a.streams.Err, "Scan the tool's tag: ")
		line, err := a.line()
		if line == "" && (err == nil || errors.Is(err, io.EOF)) {
			err = usage("no tag was given")
		}
		if line != "" {
			err = nil
		}
		return line, err
	}
	list, err := a.scanned(args)
	if err == nil && len(list) > 1 {
		err = usage("this is about one tool, and %d tags were given", len(list))
	}
	if err != nil {
		return "", err
	}
	return list[0], nil
}

// line reads a line of standard input without the white space around it, which
// is all that a hand scanner may add.
func (a *app) line() (string, error) {
	if a.lines == nil {
		a.lines = bufio.NewReaderSize(a.streams.In, maxLine)
	}
	raw, tooLong, err := a.lines.ReadLine()
	switch {
	case tooLong:
		return "", usage("a line is longer than %d bytes: that is no asset tag", maxLine)
	case !utf8.Valid(raw):
		return "", usage("a line is not valid UTF-8: that is no asset tag")
	}
	return strings.TrimSpace(string(raw)), err
}
