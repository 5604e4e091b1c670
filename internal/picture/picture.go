// Package picture draws stretches of time and shares of it: as lines of text for
// a terminal, and as SVG. It knows no workshop; internal/board says what is to
// be seen.
//
// A Chart is bands of rows on one axis of time. What a bar stands for is told by
// its Look, and each look has a shape of its own in text and in SVG, so that
// colour says nothing that is not said without it.
package picture

import (
	"time"

	"bayhold/internal/hours"
)

// Look says what a bar stands for, and so how it is drawn.
type Look string

// The looks.
const (
	Stands Look = "stands" // settled: filled
	Open   Look = "open"   // not settled: striped, with a broken edge
	Amiss  Look = "amiss"  // late, blocked or broken: crossed, with a heavy edge
	Shut   Look = "shut"   // cannot be had: hatched, without an edge
	Spare  Look = "spare"  // there to be had: faint
	Was    Look = "was"    // where it stood before: an empty outline
)

// Looks lists every look.
func Looks() []Look { return []Look{Stands, Open, Amiss, Shut, Spare, Was} }

// Chart is bands of rows on one axis.
type Chart struct {
	Title string
	About string // one sentence for those who do not see it
	Axis  Axis
	Now   time.Time // marked by a line; zero: not marked
	Bands []Band
}

// Band is rows that belong together.
type Band struct {
	Title string
	Tall  bool // its bars have room for two lines of text
	Rows  []Row
}

// Row is a thing with what happens to it. Bars that overlap are laid out one
// below the other.
type Row struct {
	Name string
	Note string // small, below the name
	Back []Bar  // behind the bars, without text: shifts, closures
	Bars []Bar
	Pins []Pin
}

// Bar is a stretch of time.
type Bar struct {
	ID     string // of what tells the same in words; empty: nothing does
	During hours.Range
	Look   Look
	Text   string // on the bar
	Note   string // small, below Text, where there is room; may have several lines
	Says   string // the whole in one sentence
	// Worked are the stretches within During in which something is done; they
	// are drawn as a ribbon along the foot of a tall bar.
	Worked []hours.Range
}

// Pin marks an instant.
type Pin struct {
	At     time.Time
	Text   string
	Missed bool // what it marks is not kept
	Says   string
}

// Drawing is what can be drawn: a Chart or Shares.
type Drawing interface {
	// Text writes it in lines, File as an SVG file that stands by itself.
	Text(p Print) string
	File(f Frame) (string, error)
}

// Explaining is the frame of a drawing that explains an answer: it is read on a
// screen or on paper.
func Explaining() Frame {
	return Frame{Width: 1200, Names: 300, Type: 26, Small: 14, Tall: 64, Thin: 26, Heading: true}
}
