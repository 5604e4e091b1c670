// Package procedure is the work on an engine family: preparations that bring
// the engine into a state and back, procedures that need such states, and the
// merging of several procedures into one network of steps.
//
// # Merging
//
// Library.Merge takes the closure of the preparations that its procedures need,
// so that each is set up once and put back once, and orders all steps by the
// rules told there. The order is kept as a graph whose nodes are the steps and,
// for every preparation and procedure, bounds: moments such as "the cover is
// off". A bound stands between everything before it and everything after it,
// so that a hundred steps that need the cover off cost a hundred edges and not
// a hundred times the steps of its set-up. One topological sort with a heap
// finds an order or a cycle; then the bounds are taken out and leave arcs
// between steps. In all that is n log n in the steps, as long as no great
// number of steps that are free of order meets another: then the arcs
// themselves are many, and past a bound the work is refused.
//
// Steps joined without a gap are one piece in that order, so nothing can come
// between them. Preparations that exclude each other are ordered after all else
// is known: where only one order is left it is taken, and what is still open is
// tried, with the lower id first.
//
// # Tools
//
// A network lists every tool of the job as a hold: the steps from the earliest
// to the latest of which it stays with the job. A preparation's tools are held
// from its set-up to its put-back; a step's own for that step or until a later
// one of its list. A step that names the type of a tool which is on the engine
// anyway uses that very tool. A step that tightens needs a tool for it, which
// Step.Needs derives from the stages and the peak where the author names none.
//
// # Checking
//
// Faults are what cannot be accepted, and an importer refuses; Lint adds advice
// drawn from the practice of the trade: locks that come off early, dangers
// without a caution, hold points without a check. Both carry the line of the
// file that the work was read from.
package procedure
