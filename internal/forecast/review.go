package forecast

// Kept is one promise that was made with a stated confidence, and whether it
// held.
type Kept struct {
	Confidence float64 // between 0 and 1
	Held       bool
}

// Band is the promises of a range of confidence.
type Band struct {
	From, To float64 // of the confidence; To is outside but for 1
	// Promised is the average confidence of the promises.
	Promised float64
	Kept     Proportion
	Verdict  Verdict
}

// Verdict says what a band shows.
type Verdict string

// The verdicts on a band.
const (
	TooFew   Verdict = "TOO_FEW"  // no judgement: fewer than leastKept
	Honest   Verdict = "HONEST"   // what was promised lies within the interval
	TooBold  Verdict = "TOO_BOLD" // fewer were kept than promised
	TooTimid Verdict = "TOO_TIMID"
)

// LeastKept is how many promises a band needs before it is judged: with fewer,
// the interval is some forty points wide.
const LeastKept = 20

// bandEdges part the confidences about those that people ask for.
var bandEdges = []float64{0, 0.45, 0.65, 0.75, 0.85, 0.925, 1}

// Review holds promises against what was kept, band by band; bands without
// promises are left out. The last result is all of them together.
func Review(all []Kept) (bands []Band, whole Band) {
	for i := 1; i < len(bandEdges); i++ {
		b := Band{From: bandEdges[i-1], To: bandEdges[i]}
		in := func(c float64) bool { return c >= b.From && (c < b.To || b.To == 1) }
		if b.count(all, in); b.Kept.Of > 0 {
			bands = append(bands, b)
		}
	}
	whole = Band{To: 1}
	whole.count(all, func(float64) bool { return true })
	return bands, whole
}

func (b *Band) count(all []Kept, in func(float64) bool) {
	n, held, sum := 0, 0, 0.0
	for _, k := range all {
		if !in(k.Confidence) {
			continue
		}
		n++
		sum += k.Confidence
		if k.Held {
			held++
		}
	}
	b.Kept = Share(held, n)
	if n > 0 {
		b.Promised = sum / float64(n)
	}
	switch {
	case n < LeastKept:
		b.Verdict = TooFew
	case b.Promised > b.Kept.High:
		b.Verdict = TooBold
	case b.Promised < b.Kept.Low:
		b.Verdict = TooTimid
	default:
		b.Verdict = Honest
	}
}
