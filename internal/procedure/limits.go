package procedure

import "bayhold/internal/torque"

// Bounds of what is accepted: generous for a workshop, small enough that no
// single input can tie the service down.
const (
	MaxSteps       = 5_000   // in one procedure, and in each list of a preparation
	MaxMergedSteps = 100_000 // in one network
	MaxMinutes     = 100_000 // of an estimate or a wait
	MaxPeople      = 20      // at one step
	MaxListed      = 200     // needs, tools, parts, checks, cautions ... of one thing
	MaxTorque      = torque.MaxTorque
	MaxTitle       = 200   // characters of a title or name
	MaxText        = 4_000 // characters of an instruction or caution
	MaxID          = 64    // characters of an id

	// maxArcs bounds a network. Steps of one list that are free of order meet
	// every unordered step of the next list, so a few thousand of them on
	// both sides would make millions of arcs: such work needs an order.
	maxArcs = 2_000_000
	// maxOpposites bounds the pairs of preparations of one job that exclude
	// each other.
	maxOpposites = 256
)
