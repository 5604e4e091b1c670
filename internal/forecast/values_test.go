package forecast

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"bayhold/internal/plan"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.6f, want %.6f", what, got, want)
	}
}

// PERT: mean (a+4m+b)/6 and shapes 1+4(m-a)/(b-a), 1+4(b-m)/(b-a) as in
// Malcolm, Roseboom, Clark and Fazar (1959) and every text since; 5/8/14 has
// mean 8.5. The standard deviation is the beta's own, sqrt((mean-a)(b-mean)/7);
// the rule of thumb (b-a)/6 is 1.5 there.
func TestPertValues(t *testing.T) {
	s := Pert(5, 8, 14)
	near(t, "mean of 5/8/14", s.Mean(), 8.5, 1e-12)
	near(t, "deviation of 5/8/14", s.StdDev(), math.Sqrt(3.5*5.5/7), 1e-12)
	near(t, "shape", s.dist.(distuv.Beta).Alpha, 1+4*3.0/9, 1e-12)
	near(t, "shape", s.dist.(distuv.Beta).Beta, 1+4*6.0/9, 1e-12)
	near(t, "mean of 2/4/12", Pert(2, 4, 12).Mean(), 5, 1e-12)
	// Symmetric: beta(3, 3) over 6 minutes, where the two formulae are nearest.
	near(t, "deviation of 0/3/6", Pert(0, 3, 6).StdDev(), 6*math.Sqrt(1.0/28), 1e-12)
	// The chain of the worked example has a mean of 17.83 and, by normal theory, an
	// 80 % point of 19.26 with a deviation of 1.69.
	near(t, "80 % point of the chain", distuv.Normal{Mu: 17.83, Sigma: 1.69}.Quantile(0.8), 19.2569, 5e-3)
	if got := Pert(7, 7, 7); got.Mean() != 7 || got.StdDev() != 0 || got.Quantile(0.9) != 7 || got.CDF(6.9) != 0 || got.CDF(7) != 1 {
		t.Errorf("7/7/7 is %+v", got)
	}
}

// Lognormal: MIL-HDBK-338B, 5.6.2.1; its example has theta .65879 and sigma
// 1.11435 (from memory), the values below follow from these by the formulae
// exp(mu + sigma^2/2) and exp(mu + z sigma), with the z of its tables: 1.282 and
// 1.645.
func TestLogNormalValues(t *testing.T) {
	s := LogNormal(0.65879, 1.11435)
	near(t, "mean", s.Mean(), 3.5955, 5e-4)
	near(t, "median", s.Quantile(0.5), 1.9325, 5e-4)
	near(t, "90 %", s.Quantile(0.9), 8.0638, 5e-3)
	near(t, "95 %", s.Quantile(0.95), 12.0842, 3e-3)
	near(t, "done in 20 h", s.CDF(20), 0.98201, 1e-5)
	h := LogNormal(math.Log(4), 0.4)
	near(t, "mean of median 4, sigma .4", h.Mean(), 4.33315, 1e-5)
	near(t, "deviation", h.StdDev(), 1.80496, 1e-5)
	near(t, "80 %", h.Quantile(0.8), 5.60099, 1e-5)
	near(t, "90 %", h.Quantile(0.9), 6.67864, 1e-5)
	near(t, "95 %", h.Quantile(0.95), 7.72325, 1e-5)
	mu, sigma := logMoments(6, 0.35*6)
	near(t, "mu of mean 6, cv .35", mu, 1.733980, 1e-6)
	near(t, "sigma", sigma, 0.339939, 1e-6)
	m := LogNormalOf(6, 0.35)
	near(t, "median", m.Quantile(0.5), 5.66315, 1e-5)
	near(t, "80 %", m.Quantile(0.8), 7.53893, 1e-5)
	near(t, "90 %", m.Quantile(0.9), 8.75504, 1e-5)
	// Standard normal points of MIL-HDBK-338, table 5.3.2.1-1.
	for p, z := range map[float64]float64{0.8: 0.8416, 0.85: 1.036, 0.9: 1.282, 0.95: 1.645, 0.99: 2.326} {
		near(t, "z", distuv.UnitNormal.Quantile(p), z, 5e-4)
	}
}

// The table that draws are read from stays close to the distribution, and never
// falls.
func TestTables(t *testing.T) {
	for _, s := range []Spread{
		Pert(5, 8, 14), Pert(10, 10, 100), Pert(10, 100, 100), Pert(59, 60, 61), LogNormal(4, 0.3), LogNormal(4, 1.2),
		Of(distuv.Exponential{Rate: 1.0 / 60}), Of(distuv.Gamma{Alpha: 4, Beta: 0.1}),
	} {
		tab := newTable(s.dist)
		width := s.Quantile(0.999) - s.Quantile(0.001)
		before := math.Inf(-1)
		sum, sq := 0.0, 0.0
		const n = 20_000
		for i := range n {
			u := (float64(i) + 0.5) / n
			x := s.low + s.scale*tab.at(u)
			if s.log {
				x = math.Exp(x)
			}
			near(t, "quantile", x, s.Quantile(u), max(0.01*width, 0.02*math.Abs(x)))
			if x < before {
				t.Fatalf("falls at %v", u)
			}
			before = x
			sum, sq = sum+x, sq+x*x
		}
		mean := sum / n
		near(t, "mean", mean, s.Mean(), 0.002*s.Mean())
		near(t, "deviation", math.Sqrt(sq/n-mean*mean), s.StdDev(), 0.03*s.StdDev())
	}
}

// Credibility: Z = n/(n+k), k = EPV/VHM (Buehlmann 1967). The example with EPV
// 25,000 and VHM 5,000 has k 5, Z .50 at five records; the table for k 5 has
// 16.7, 37.5, 66.7 and 83.3 % at 1, 3, 10 and 25.
func TestCredibilityValues(t *testing.T) {
	for n, z := range map[int]float64{1: 0.167, 3: 0.375, 5: 0.5, 10: 0.667, 25: 0.833} {
		near(t, "Z", Credibility(n, 25_000.0/5_000), z, 5e-4)
	}
	// Standard 6.0 h, four records of 7.5 h on average, k 4: 6.75 h on hours. On
	// logarithms, which is what Learn works on, the geometric mean of 6 and 7.5.
	near(t, "blend on hours", Credibility(4, 4)*7.5+(1-Credibility(4, 4))*6, 6.75, 1e-12)
	l := Learn(Records{Points: Points{360, 360, 360}, Minutes: []float64{450, 450, 450, 450}}, 4)
	near(t, "blend on logarithms", l.Typical, math.Sqrt(360*450), 1e-6)
	near(t, "Z", l.Z, 0.5, 1e-12)
	near(t, "ratio", l.Ratio, 1.25, 1e-9)
}

// Clopper and Pearson's interval for 8 of 10 is .4439 to .9748 (their tables,
// and any text that gives the example); none or all of n has (alpha/2)^(1/n).
func TestShares(t *testing.T) {
	p := Share(8, 10)
	near(t, "low", p.Low, 0.4439, 1e-4)
	near(t, "high", p.High, 0.9748, 1e-4)
	near(t, "high of 0 in 20", Share(0, 20).High, 1-math.Pow(0.025, 1.0/20), 1e-9)
	near(t, "low of 20 in 20", Share(20, 20).Low, math.Pow(0.025, 1.0/20), 1e-9)
	if p := Share(0, 0); p.Low != 0 || p.High != 1 {
		t.Errorf("nothing known: %+v", p)
	}
}

// Garwood's exact 95 % limits of a Poisson mean, as tables of them print: 0.025
// to 5.572 for 1 counted, 4.795 to 18.390 for 10, and up to 3.689 for none.
func TestRates(t *testing.T) {
	for _, w := range []struct{ n, low, high float64 }{{0, 0, 3.689}, {1, 0.0253, 5.572}, {10, 4.795, 18.390}} {
		r := Rate(int(w.n), 4)
		near(t, "rate", r.Mean, w.n/4, 1e-12)
		near(t, "low", 4*r.Low, w.low, 1e-3)
		near(t, "high", 4*r.High, w.high, 1e-3)
	}
}

// The distribution-free 95 % interval for a median of 100 is from the 40th to
// the 61st value (Conover, Practical Nonparametric Statistics, 3.2; exact
// binomial).
func TestQuantileRanks(t *testing.T) {
	s := make(Sample, 100)
	for i := range s {
		s[i] = plan.Time(i + 1)
	}
	got := s.Quantile(0.5)
	if got.At != 50 || got.Low != 40 || got.High != 61 {
		t.Errorf("%+v", got)
	}
	if got := s.Quantile(0.95); got.At != 95 || got.Low > 91 || got.High < 99 {
		t.Errorf("%+v", got)
	}
	if p := s.By(80); p.Count != 80 || p.Share != 0.8 {
		t.Errorf("%+v", p)
	}
}
