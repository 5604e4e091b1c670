package torque

import (
	"math"

	"bayhold/internal/fault"
)

// Adapter is a crow-foot or extension that moves the fastener away from the
// wrench's drive. A straight extension along the axis of the drive moves
// nothing and needs no correction.
type Adapter struct {
	// Extension is the length from the drive's centre to the fastener's, in
	// millimetres; less than 0 where it points back along the handle.
	Extension float64
	// Angle is between the extension and the line of the handle, in degrees:
	// 0 straight on, 90 square to it, 180 back.
	Angle float64
}

// Set is what a wrench of a length is set to so that the fastener gets the
// wanted torque through the adapter: T·L/(L+E·cos α). The length is from the
// centre of the drive to the centre of the grip, in millimetres.
func (a Adapter) Set(want, length float64) (float64, error) {
	lever, err := a.lever(length)
	if err != nil {
		return 0, err
	}
	return want * length / lever, nil
}

// Applied is what the fastener gets from a wrench that is set to a torque.
func (a Adapter) Applied(set, length float64) (float64, error) {
	lever, err := a.lever(length)
	if err != nil {
		return 0, err
	}
	return set * lever / length, nil
}

// lever is the length from the grip to the fastener along the handle.
func (a Adapter) lever(length float64) (float64, error) {
	if !(length > 0) || math.IsInf(length, 0) {
		return 0, fault.New(fault.Invalid, "WRENCH_LENGTH",
			"with an adapter the wrench's length must be known: from the drive to the centre of the grip, in millimetres")
	}
	lever := length + a.Extension*cosine(a.Angle)
	// Close to 0 the grip is over the fastener: the slightest shift of the hand
	// would change the torque without bounds.
	if !(lever > length*1e-6) || math.IsInf(lever, 0) {
		return 0, fault.New(fault.Invalid, "ADAPTER_TOO_FAR_BACK",
			"an adapter that points back %.0f mm along a wrench of %.0f mm leaves no lever", length-lever, length)
	}
	return lever, nil
}

// cosine is exact at right angles, where an adapter changes nothing.
func cosine(degrees float64) float64 {
	switch math.Mod(math.Abs(degrees), 360) {
	case 90, 270:
		return 0
	}
	return math.Cos(degrees * math.Pi / 180)
}
