package sitefile

import "time"

// Bounds of what is read: generous for a workshop, small enough that no file
// can tie the service down.
const (
	MaxFiles  = 64
	MaxBytes  = 8 << 20 // of all files together
	MaxNodes  = 500_000 // of YAML, what aliases repeat counted each time
	MaxDepth  = 24      // of nested lists and maps
	MaxSteps  = 50_000  // of all preparations and procedures together
	MaxOwners = 2_000   // preparations and procedures together
	MaxMerged = 500_000 // steps, every procedure's counted with those of its preparations

	maxFaults = 100 // reported one by one; the rest is counted
	maxName   = 200 // characters of a name, title or reference
	maxText   = 4_000
	maxListed = 1_000
	maxClaims = 10_000
	maxTorque = 100_000 // newton metres

	maxRange = 366 * 24 * time.Hour // of a closure, absence or booking
)
