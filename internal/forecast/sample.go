package forecast

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"bayhold/internal/plan"
)

// Sample is simulated instants, sorted.
type Sample []plan.Time

// Between is an estimate with the interval that holds the true value with 95 %
// confidence, as far as the number of runs goes.
type Between struct{ At, Low, High plan.Time }

// confidence of every interval that the package gives.
const confidence = 0.95

// Quantile is the instant by which a share p of the runs was done. Its interval
// is made of order statistics: the number of runs before the true quantile is
// binomial, whatever the distribution (David and Nagaraja, Order Statistics,
// 7.1).
func (s Sample) Quantile(p float64) Between {
	n := len(s)
	at := func(rank int) plan.Time { return s[min(max(rank, 1), n)-1] }
	b := distuv.Binomial{N: float64(n), P: p}
	tail := (1 - confidence) / 2
	// The interval [X(r), X(q)] misses below if the count is below r, above if
	// it is q or more.
	r := sort.Search(n, func(k int) bool { return b.CDF(float64(k)) > tail }) // P(count < r) <= tail
	q := sort.Search(n+1, func(k int) bool { return 1-b.CDF(float64(k-1)) <= tail })
	return Between{At: at(int(math.Ceil(p*float64(n) - 1e-9))), Low: at(r), High: at(q)}
}

// By is the chance of being done by an instant.
func (s Sample) By(t plan.Time) Proportion {
	return Share(sort.Search(len(s), func(i int) bool { return s[i] > t }), len(s))
}

// Mean is the average instant; false if some run did not end in the time looked
// at.
func (s Sample) Mean() (float64, bool) {
	sum := 0.0
	for _, t := range s {
		sum += float64(t)
	}
	return sum / float64(len(s)), s[len(s)-1] < Beyond
}

// Proportion is a share with its 95 % interval.
type Proportion struct {
	Count, Of        int
	Share, Low, High float64
}

// Share is the proportion of k in n, with the interval of Clopper and Pearson
// (1934), which is never too narrow.
func Share(k, n int) Proportion {
	p := Proportion{Count: k, Of: n, High: 1}
	if n == 0 {
		return p
	}
	p.Share = float64(k) / float64(n)
	tail := (1 - confidence) / 2
	if k > 0 {
		p.Low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(tail)
	}
	if k < n {
		p.High = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - tail)
	}
	return p
}

// Rate is how often something happens in a unit of time that happened n times in
// so many of them, at random: with the exact interval of Garwood (1936).
func Rate(n int, units float64) Measure {
	m := Measure{Mean: float64(n) / units}
	tail := (1 - confidence) / 2
	if n > 0 {
		m.Low = distuv.Gamma{Alpha: float64(n), Beta: units}.Quantile(tail)
	}
	m.High = distuv.Gamma{Alpha: float64(n + 1), Beta: units}.Quantile(1 - tail)
	return m
}
