package procedure

import "slices"

// The codes of cautions that lint knows to ask for. What general authorities
// say stands beside each; the wording is the author's.
const (
	// LiftSupport: never rely on a jack alone; stands, pins, hard level
	// ground, the maker's lift points (HSE, motor vehicle repair: under-vehicle work).
	LiftSupport = "LIFT_SUPPORT"
	// CogShift: taking off an engine, gearbox or subframe moves the centre of
	// gravity; support before removing (HSE HSG261; the sentence from memory).
	CogShift = "COG_SHIFT"
	// FuelPressure: petrol or diesel under high pressure; engine off, wait,
	// crack unions behind a rag, never feel for leaks (from memory, general).
	FuelPressure = "FUEL_PRESSURE"
	// BatteryIsolate: negative terminal first (common practice).
	BatteryIsolate = "BATTERY_ISOLATE"
	// Hot: hot engine, exhaust or coolant (common practice).
	Hot = "HOT"
	// StoredEnergy: springs and hydraulic tensioners: pin before release,
	// release slowly (common practice).
	StoredEnergy = "STORED_ENERGY"
	// Eye: swarf when drilling or grinding, springs: goggles (common practice).
	Eye = "EYE"
	// Fumes: running an engine indoors: exhaust extraction (HSE, motor vehicle repair).
	Fumes = "FUMES"
	// TwoPerson: heavy parts: two people, one leads (HSE INDG434, accident example).
	TwoPerson = "TWO_PERSON"
	// LocksOut: every locking tool out and counted before the engine is
	// cranked (common practice).
	LocksOut = "LOCKS_OUT"
	// HandTurns: two full turns of the crank by hand before the first start;
	// stop on any resistance (common practice).
	HandTurns = "HAND_TURNS"
	// Chemical: sealants, solvents, brake cleaner (common practice).
	Chemical = "CHEMICAL"
)

// Codes lists every known code.
func Codes() []string {
	return []string{
		LiftSupport, CogShift, FuelPressure, BatteryIsolate, Hot, StoredEnergy,
		Eye, Fumes, TwoPerson, LocksOut, HandTurns, Chemical,
	}
}

// Signals lists the signal words, most serious first.
func Signals() []Signal { return []Signal{Danger, Warning, Cautn, Notice} }

// NetCaution is a caution and the step before which it is said.
type NetCaution struct {
	Step    int    // index into Network.Steps
	From    string // id of the preparation whose caution it is; empty: the step's own
	Caution Caution
}

// cautions lists what must be said, in the order of the steps: those of a
// preparation before its first step, then the step's own; the most serious
// first, and nothing twice before one step.
func (m *merger) cautions(net Network) []NetCaution {
	owned := make(map[string][]Caution)
	for _, p := range m.preps {
		owned[p.ID] = p.Cautions
	}
	var all []NetCaution
	for i, s := range net.Steps {
		first := len(all)
		add := func(from string, cs []Caution) {
			for _, c := range cs {
				said := slices.ContainsFunc(all[first:], func(n NetCaution) bool { return n.Caution == c })
				if !said {
					all = append(all, NetCaution{Step: i, From: from, Caution: c})
				}
			}
		}
		add(s.Owner, owned[s.Owner])
		delete(owned, s.Owner)
		add("", s.Step.Cautions)
		slices.SortStableFunc(all[first:], func(a, b NetCaution) int {
			return a.Caution.Signal.rank() - b.Caution.Signal.rank()
		})
	}
	return all
}

// rank puts the most serious signal word first.
func (s Signal) rank() int {
	if i := slices.Index(Signals(), s); i >= 0 {
		return i
	}
	return len(Signals())
}
