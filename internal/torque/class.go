package torque

import (
	"maps"
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// Class is a property class of ISO 898-1.
type Class struct {
	Name string
	// Stresses in megapascals up to M16, and above.
	proof, tensile, yield [2]float64
}

// classes holds the stresses of ISO 898-1. 8.8, 10.9 and 12.9 agree with
// published tables of loads (see the tests); the others are from memory.
var classes = map[string]Class{
	"4.6":  {"4.6", [2]float64{225, 225}, [2]float64{400, 400}, [2]float64{240, 240}},
	"5.6":  {"5.6", [2]float64{280, 280}, [2]float64{500, 500}, [2]float64{300, 300}},
	"5.8":  {"5.8", [2]float64{380, 380}, [2]float64{520, 520}, [2]float64{420, 420}},
	"6.8":  {"6.8", [2]float64{440, 440}, [2]float64{600, 600}, [2]float64{480, 480}},
	"8.8":  {"8.8", [2]float64{580, 600}, [2]float64{800, 830}, [2]float64{640, 660}},
	"9.8":  {"9.8", [2]float64{650, 650}, [2]float64{900, 900}, [2]float64{720, 720}},
	"10.9": {"10.9", [2]float64{830, 830}, [2]float64{1040, 1040}, [2]float64{940, 940}},
	"12.9": {"12.9", [2]float64{970, 970}, [2]float64{1220, 1220}, [2]float64{1100, 1100}},
}

// ParseClass reads a property class: "10.9".
func ParseClass(s string) (Class, error) {
	c, ok := classes[strings.TrimSpace(s)]
	if !ok {
		return Class{}, fault.New(fault.Invalid, "UNKNOWN_CLASS", "%q is no property class of ISO 898-1: %s",
			clip(s), strings.Join(slices.Sorted(maps.Keys(classes)), ", "))
	}
	return c, nil
}

// size picks the column of the class table.
func size(t Thread) int {
	if t.Diameter > 16 {
		return 1
	}
	return 0
}

// ProofLoad is the load in newtons that a bolt bears without lasting change.
func (c Class) ProofLoad(t Thread) float64 { return t.nominalArea() * c.proof[size(t)] }

// TensileLoad is the least load in newtons at which a bolt breaks.
func (c Class) TensileLoad(t Thread) float64 { return t.nominalArea() * c.tensile[size(t)] }

// Yield is the least stress at which a bolt begins to yield, megapascals.
func (c Class) Yield(t Thread) float64 { return c.yield[size(t)] }
