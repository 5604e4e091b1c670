package forecast

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Points is an author's estimate of a step in minutes: low, likely and high.
type Points struct{ Low, Likely, High float64 }

// Usual are the points of attended work for which one figure was given: nobody has
// said that it never varies. From a fifth less to three fifths more is a rule of
// this house, until records say better.
func Usual(likely float64) Points { return Points{0.8 * likely, likely, 1.6 * likely} }

// Records is what is known of one step: the author's points and the working
// minutes that it really took, pauses and closed hours left out, in the order in
// which they came.
type Records struct {
	Points  Points
	Minutes []float64
}

// DefaultK is the credibility constant where the records do not give one: so
// many records weigh as much as the author.
const DefaultK = 4

// Bounds of a credibility constant that comes from records.
const (
	minK, maxK = 1, 50
	leastSteps = 5 // with two records or more, before the records are asked
)

// Credibility is the weight Z = n/(n+k) of n records against the prior.
func Credibility(n int, k float64) float64 { return float64(n) / (float64(n) + k) }

// Learned is what records make of an estimate.
type Learned struct {
	N int
	// Z is the weight of the records, between 0 (the author's points stand) and
	// near 1.
	Z float64
	// Spread is what the step is expected to take next time: the author's PERT
	// distribution without records, else lognormal.
	Spread Spread
	// Typical is the median in minutes, Low and High the 5 % and 95 % points.
	Typical, Low, High float64
	// Own is the geometric mean of the records; 0 without any.
	Own float64
	// Ratio is Own over what the author's points would give; its interval is
	// that of Student's t on the logarithms, from two records on.
	Ratio, RatioLow, RatioHigh float64
	// Off says that the standard time is off: by a tenth or more, and no chance
	// finding.
	Off bool
	// Outliers are the records that lie far from the others, by index. They
	// count like all the others: somebody should look at them.
	Outliers []int
}

// prior is the author's spread on the logarithms of minutes.
func (p Points) prior() (mu, sigma float64) {
	s := Pert(p.Low, p.Likely, p.High)
	mean := math.Max(s.Mean(), 1)
	return logMoments(mean, s.StdDev())
}

// Learn blends records with the author's points. k is the credibility constant,
// from Constant or DefaultK.
//
// The author's variance on the logarithms is taken to be the sum of two: how far
// a step's true mean lies from the standard, and how its minutes spread about
// that mean, as 1 to k. That is Buehlmann's model, in which n/(n+k) is the best
// linear weight.
func Learn(r Records, k float64) Learned {
	mu0, sigma0 := r.Points.prior()
	out := Learned{N: len(r.Minutes), Z: Credibility(len(r.Minutes), k)}
	out.Spread = Pert(r.Points.Low, r.Points.Likely, r.Points.High)
	if out.N > 0 {
		logs := logsOf(r.Minutes)
		mean, within := stat.Mean(logs, nil), sigma0*sigma0*k/(k+1)
		between := sigma0 * sigma0 / (k + 1)
		if out.N > 1 {
			// The spread is learned too, with the same patience.
			within = (k*within + float64(out.N-1)*stat.Variance(logs, nil)) / (k + float64(out.N-1))
		}
		mu := out.Z*mean + (1-out.Z)*mu0
		out.Spread = LogNormal(mu, math.Sqrt(within+between*(1-out.Z)))
		out.Own = math.Exp(mean)
		out.compare(logs, mean, mu0)
		out.Outliers = Outliers(r.Minutes)
	}
	out.Typical, out.Low, out.High = out.Spread.Quantile(0.5), out.Spread.Quantile(0.05), out.Spread.Quantile(0.95)
	return out
}

// compare sets the records against the author's points.
func (l *Learned) compare(logs []float64, mean, mu0 float64) {
	l.Ratio = math.Exp(mean - mu0)
	l.RatioLow, l.RatioHigh = 0, math.Inf(1)
	n := float64(len(logs))
	if n < 2 {
		return
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile((1 + confidence) / 2)
	half := t * stat.StdErr(stat.StdDev(logs, nil), n)
	l.RatioLow, l.RatioHigh = math.Exp(mean-mu0-half), math.Exp(mean-mu0+half)
	l.Off = n >= 3 && math.Abs(l.Ratio-1) >= 0.1 && (l.RatioLow > 1 || l.RatioHigh < 1)
}

// logsOf takes logarithms; less than half a minute counts as half a minute.
func logsOf(minutes []float64) []float64 {
	out := make([]float64, len(minutes))
	for i, m := range minutes {
		out[i] = math.Log(math.Max(m, 0.5))
	}
	return out
}

// Constant estimates k = EPV/VHM from the records of many steps: the expected
// variance within a step over the variance of the steps' means about their
// standards, both on logarithms (Buehlmann and Straub's estimators for unequal
// numbers). It is DefaultK while fewer than five steps have two records, and
// stays within 1 and 50. known says whether the records decided.
func Constant(all []Records) (k float64, known bool) {
	var means, ns, within []float64
	var free float64
	for _, r := range all {
		if len(r.Minutes) < 2 {
			continue
		}
		mu0, _ := r.Points.prior()
		logs := logsOf(r.Minutes)
		n := float64(len(logs))
		means = append(means, stat.Mean(logs, nil)-mu0)
		ns = append(ns, n)
		within = append(within, (n-1)*stat.Variance(logs, nil))
		free += n - 1
	}
	if len(means) < leastSteps {
		return DefaultK, false
	}
	epv := floats.Sum(within) / free
	total := floats.Sum(ns)
	spread := total * stat.MomentAbout(2, means, stat.Mean(means, ns), ns)
	vhm := (spread - float64(len(means)-1)*epv) / (total - floats.Dot(ns, ns)/total)
	if vhm <= 0 {
		return maxK, true
	}
	return min(max(epv/vhm, minK), maxK), true
}

// farOut is the modified z-score from which a record counts as an outlier
// (Iglewicz and Hoaglin 1993).
const farOut = 3.5

// Outliers gives the records, by index, whose logarithms have a modified z-score
// above 3.5: 0.6745 times the distance from the median over the median of such
// distances. Fewer than five records have none. The median distance counts as
// five per cent at least, so that records that agree to the minute do not make an
// outlier of one that is two minutes longer.
func Outliers(minutes []float64) []int {
	if len(minutes) < 5 {
		return nil
	}
	logs := logsOf(minutes)
	mid := median(logs)
	away := make([]float64, len(logs))
	for i, x := range logs {
		away[i] = math.Abs(x - mid)
	}
	scale := math.Max(median(away), math.Log(1.05))
	var out []int
	for i, d := range away {
		if 0.6745*d/scale > farOut {
			out = append(out, i)
		}
	}
	return out
}

// median is the middle value, of an even number the mean of the two, which is none
// of gonum's kinds of quantile.
func median(xs []float64) float64 {
	s := slices.Clone(xs)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
