package figures

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Moments gathers mean and variance in one pass without cancellation (Welford 1962).
type Moments struct {
	N    int
	Mean float64
	sum  float64 // of squared deviations
}

// Add takes one value in.
func (m *Moments) Add(x float64) {
	m.N++
	d := x - m.Mean
	m.Mean += d / float64(m.N)
	m.sum += d * (x - m.Mean)
}

// SumOfSquares is the sum of squared deviations from the mean.
func (m Moments) SumOfSquares() float64 { return m.sum }

// S is the standard deviation with n-1, NaN for fewer than two values.
func (m Moments) S() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.sum / float64(m.N-1))
}

// MomentsOf goes through a slice.
func MomentsOf(x []float64) Moments {
	var m Moments
	for _, v := range x {
		m.Add(v)
	}
	return m
}

// autocorrelation is the sum of products of deviations from the mean that lie so far apart,
// over the sum of their squares. NaN when x does not vary.
func autocorrelation(x []float64, mean float64, lag int) float64 {
	var product, square float64
	for i, v := range x {
		square += (v - mean) * (v - mean)
		if i+lag < len(x) {
			product += (v - mean) * (x[i+lag] - mean)
		}
	}
	return product / square
}

// SuccessiveDifference is the standard deviation estimated from neighbours,
// √(Σd²/(2(n-1))): blind to slow drift, right for white noise only.
func SuccessiveDifference(x []float64) float64 {
	sum := 0.
	for i := 1; i < len(x); i++ {
		sum += (x[i] - x[i-1]) * (x[i] - x[i-1])
	}
	return math.Sqrt(sum / float64(2*(len(x)-1)))
}

// VonNeumann is the ratio of the mean square successive difference, Σd²/(n-1), to the
// variance with n-1: near 2 for white noise, far below for drift.
func VonNeumann(x []float64) float64 {
	s, m := SuccessiveDifference(x), MomentsOf(x)
	return 2 * s * s / (m.S() * m.S())
}

// Detrended is x without its least-squares line over the index, and the standard
// deviation of the rest with n-2.
func Detrended(x []float64) (rest []float64, s float64, err error) {
	index := make([]float64, len(x))
	for i := range index {
		index[i] = float64(i)
	}
	f, err := LineFit(index, x)
	return f.Residuals, f.S, err
}

// EffectiveSize is how many independent values have a mean as uncertain as that of the
// n values of x. The correlations are summed in pairs as long as a pair is positive
// (Geyer, Statist. Sci. 7 (1992) 473, from memory): n/(1+2Σρ). It never exceeds n and
// is at least 1. Under noise that grows towards low frequencies without end (1/f) no
// finite stretch tells the whole: then it is too large.
func EffectiveSize(x []float64) float64 {
	n, mean := len(x), MomentsOf(x).Mean
	if n < 4 {
		return float64(max(1, n))
	}
	sum, last := 0., math.Inf(1)
	for lag := 1; lag+1 <= n/2; lag += 2 {
		pair := autocorrelation(x, mean, lag) + autocorrelation(x, mean, lag+1)
		if !(pair > 0) { // NaN too: x does not vary
			break
		}
		last = min(last, pair) // correlations of noise do not grow with the lag
		sum += last
	}
	return max(1, float64(n)/(1+2*sum))
}

// MeanError is the mean of a stretch of readings with its standard uncertainty, which
// respects that neighbours are alike, and its degrees of freedom.
func MeanError(x []float64) (mean, u, dof float64) {
	m, size := MomentsOf(x), EffectiveSize(x)
	if m.N < 2 || size < 2 {
		return m.Mean, math.NaN(), 0
	}
	// The sample's own mean hides part of the variance of correlated values.
	s := m.S() * math.Sqrt(float64(m.N-1)/float64(m.N)*size/(size-1))
	return m.Mean, s / math.Sqrt(size), size - 1
}

// StudentT is the quantile of Student's distribution at a two-sided level: the factor k
// for which ±k u covers level. Infinite degrees of freedom give the normal quantile.
func StudentT(level, dof float64) float64 {
	p := (1 + level) / 2
	if math.IsInf(dof, 1) || dof > 1e7 {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(p)
}

// everyOne is the level at which m intervals must hold each, so that all hold together at
// a level (Šidák, J. Amer. Statist. Assoc. 62 (1967) 626, from memory: right when the
// errors are independent, too much when they are correlated).
func everyOne(level float64, m int) float64 { return math.Pow(level, 1/float64(max(1, m))) }

// median leaves x as it is. NaN for none.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
