package forecast

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"
)

// Dist is a distribution of gonum/stat/distuv, as far as it is needed here.
// Its value must be comparable, so that equal ones can share a table.
type Dist interface {
	Quantile(p float64) float64
	CDF(x float64) float64
	Mean() float64
	StdDev() float64
}

// Spread is how long a step may take, in minutes: a distribution that is
// stretched and moved, of the minutes themselves or of their logarithms.
type Spread struct {
	dist       Dist // nil: always low
	low, scale float64
	log        bool
}

// Fixed is a step that always takes that long.
func Fixed(minutes float64) Spread { return Spread{low: minutes} }

// Of is any distribution of minutes.
func Of(d Dist) Spread { return Spread{dist: d, scale: 1} }

// Pert is the PERT-beta distribution of three points: low and high bound it,
// likely is its mode, and its mean is (low + 4 likely + high) / 6. Points out of
// order are put in order.
func Pert(low, likely, high float64) Spread {
	low, high = min(low, likely), max(high, likely)
	if high <= low {
		return Fixed(likely)
	}
	// The same proportions are the same shape, to the last bit: it has its table
	// but once.
	rise := math.Round(4e12*(likely-low)/(high-low)) / 1e12
	return Spread{dist: distuv.Beta{Alpha: 1 + rise, Beta: 5 - rise}, low: low, scale: high - low}
}

// LogNormal is the distribution of minutes whose logarithms have that mean and
// standard deviation.
func LogNormal(mu, sigma float64) Spread {
	if sigma <= 0 {
		return Fixed(math.Exp(mu))
	}
	return Spread{dist: distuv.UnitNormal, low: mu, scale: sigma, log: true}
}

// logNormal is the distribution of a spread of logarithms.
func (s Spread) logNormal() distuv.LogNormal { return distuv.LogNormal{Mu: s.low, Sigma: s.scale} }

// LogNormalOf is the lognormal distribution with that mean and coefficient of
// variation.
func LogNormalOf(mean, cv float64) Spread {
	mu, sigma := logMoments(mean, cv*mean)
	return LogNormal(mu, sigma)
}

// logMoments gives the mean and standard deviation of the logarithm of a
// lognormal value with that mean and standard deviation.
func logMoments(mean, sd float64) (mu, sigma float64) {
	v := math.Log1p(sd * sd / (mean * mean))
	return math.Log(mean) - v/2, math.Sqrt(v)
}

// Mean is the expected number of minutes.
func (s Spread) Mean() float64 {
	if s.dist == nil {
		return s.low
	}
	if s.log {
		return s.logNormal().Mean()
	}
	return s.low + s.scale*s.dist.Mean()
}

// StdDev is the standard deviation in minutes.
func (s Spread) StdDev() float64 {
	if s.dist == nil {
		return 0
	}
	if s.log {
		return s.logNormal().StdDev()
	}
	return s.scale * s.dist.StdDev()
}

// Quantile is the number of minutes that it does not exceed with probability p.
func (s Spread) Quantile(p float64) float64 {
	if s.dist == nil {
		return s.low
	}
	if s.log {
		return s.logNormal().Quantile(p)
	}
	return s.low + s.scale*s.dist.Quantile(p)
}

// CDF is the probability that it takes no longer than that many minutes.
func (s Spread) CDF(minutes float64) float64 {
	if s.dist == nil {
		if minutes < s.low {
			return 0
		}
		return 1
	}
	if s.log {
		return s.logNormal().CDF(minutes)
	}
	return s.dist.CDF((minutes - s.low) / s.scale)
}

// The inverse of a distribution function is tabled: in cells of equal
// probability, finer ones in the two outermost; only what lies beyond those is
// worked out anew. Drawing by inversion makes longer draws of one uniform number
// longer minutes, which is what common random numbers need.
const (
	cells = 128
	fine  = 32
)

// table draws from a distribution.
type table struct {
	dist      Dist
	main      [cells + 1]float64
	low, high [fine + 1]float64
}

func newTable(d Dist) *table {
	t := &table{dist: d}
	for i := 1; i < cells; i++ {
		t.main[i] = d.Quantile(float64(i) / cells)
	}
	for i := 1; i <= fine; i++ {
		t.low[i] = d.Quantile(float64(i) / (cells * fine))
		t.high[fine-i] = d.Quantile(1 - float64(i)/(cells*fine))
	}
	return t
}

// at is the value of the distribution at probability u, 0 < u < 1.
func (t *table) at(u float64) float64 {
	x := u * cells
	i := int(x)
	switch i {
	case 0:
		return t.within(&t.low, x*fine, u, 0)
	case cells - 1:
		return t.within(&t.high, (x-(cells-1))*fine, u, fine-1)
	}
	f := x - float64(i)
	return t.main[i] + f*(t.main[i+1]-t.main[i])
}

// within reads an outermost cell: x counts its fine cells, of which the last
// one outwards has no table.
func (t *table) within(tab *[fine + 1]float64, x, u float64, open int) float64 {
	i := int(x)
	if i == open {
		return t.dist.Quantile(u)
	}
	return tab[i] + (x-float64(i))*(tab[i+1]-tab[i])
}

// shelf keeps tables, which cost some hundred evaluations of an inverse, from one
// simulation to the next.
type shelf struct {
	mu sync.Mutex
	by map[Dist]*table
}

// mostTables is how many are kept; a table has 1.5 kB.
const mostTables = 4096

var tables = shelf{by: map[Dist]*table{}}

// of gives the table of a spread; nil if it is always the same.
func (sh *shelf) of(s Spread) *table {
	if s.dist == nil {
		return nil
	}
	sh.mu.Lock()
	t := sh.by[s.dist]
	sh.mu.Unlock()
	if t != nil {
		return t
	}
	t = newTable(s.dist) // two may make it at once: it comes out the same
	sh.mu.Lock()
	defer sh.mu.Unlock()
	if len(sh.by) >= mostTables {
		clear(sh.by)
	}
	sh.by[s.dist] = t
	return t
}
