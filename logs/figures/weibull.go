package figures

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Life is what a specimen survived: until it failed, or until it was taken out alive.
type Life struct {
	Cycles   float64
	Survived bool // right censored
}

// Weibull is the distribution of lives, F(x) = 1 - exp(-(x/Scale)^Shape), fitted by
// maximum likelihood with censoring.
type Weibull struct {
	Shape, Scale    float64
	UShape, UScale  float64 // from the observed information
	LogLikelihood   float64
	Failures, Lives int

	lives []Life
}

// FitWeibull needs two different failures.
func FitWeibull(lives []Life) (Weibull, error) {
	w := Weibull{Lives: len(lives), lives: lives}
	low, high := math.Inf(1), 0.
	for i, l := range lives {
		if !(l.Cycles > 0) || math.IsInf(l.Cycles, 0) {
			return w, fmt.Errorf("life %d is %v: it must be above zero", i+1, l.Cycles)
		}
		if !l.Survived {
			w.Failures++
			low, high = min(low, l.Cycles), max(high, l.Cycles)
		}
	}
	if w.Failures == 0 {
		return w, fmt.Errorf("none of %d specimens has failed: two different lives are needed", len(lives))
	}
	if w.Failures < 2 || low == high {
		return w, fmt.Errorf("%d of %d specimens failed, after %.4g to %.4g: two different ones are needed", w.Failures, len(lives), low, high)
	}
	// The profile of the likelihood in the shape has one maximum: its slope falls.
	slope := func(b float64) float64 {
		s0, s1 := w.sums(b)
		mean := 0.
		for _, l := range lives {
			if !l.Survived {
				mean += math.Log(l.Cycles) / float64(w.Failures)
			}
		}
		return s1/s0 - 1/b - mean
	}
	from, to := 1e-3, 1.
	for slope(to) < 0 {
		if to *= 2; to > 1e6 {
			return w, errors.New("the lives are too alike for a shape")
		}
	}
	for range 200 {
		if w.Shape = (from + to) / 2; slope(w.Shape) < 0 {
			from = w.Shape
		} else {
			to = w.Shape
		}
	}
	w.Scale = w.scaleFor(w.Shape)
	w.LogLikelihood = w.likelihood(w.Shape, w.Scale)
	w.UShape, w.UScale = w.information()
	return w, nil
}

// sums are Σz and Σz ln x, z = (x/longest)^b over all lives, so that no power
// overflows.
func (w Weibull) sums(b float64) (s0, s1 float64) {
	longest := math.Log(w.longest())
	for _, l := range w.lives {
		x := math.Log(l.Cycles)
		z := math.Exp(b * (x - longest))
		s0, s1 = s0+z, s1+z*x
	}
	return s0, s1
}

func (w Weibull) longest() (most float64) {
	for _, l := range w.lives {
		most = max(most, l.Cycles)
	}
	return most
}

func (w Weibull) scaleFor(shape float64) float64 {
	s0, _ := w.sums(shape)
	return w.longest() * math.Pow(s0/float64(w.Failures), 1/shape)
}

func (w Weibull) likelihood(shape, scale float64) (sum float64) {
	for _, l := range w.lives {
		z := shape * math.Log(l.Cycles/scale)
		sum -= math.Exp(z)
		if !l.Survived {
			sum += math.Log(shape) + z - math.Log(l.Cycles)
		}
	}
	return sum
}

// information gives standard uncertainties from the second derivatives.
func (w Weibull) information() (uShape, uScale float64) {
	var bb, be, ee float64
	b, e := w.Shape, w.Scale
	for _, l := range w.lives {
		y := math.Log(l.Cycles / e)
		z := math.Exp(b * y)
		bb += z * y * y
		be -= z * (1 + b*y) / e
		ee += z * b * (b + 1) / (e * e)
	}
	r := float64(w.Failures)
	bb += r / (b * b)
	be += r / e
	ee -= r * b / (e * e)
	d := bb*ee - be*be
	return math.Sqrt(ee / d), math.Sqrt(bb / d)
}

// Quantile is the number of cycles after which a share of specimens has failed.
func (w Weibull) Quantile(share float64) float64 {
	return w.Scale * math.Pow(-math.Log1p(-share), 1/w.Shape)
}

// limits are where the profile of the likelihood has fallen by half the 95 % quantile of
// χ² with one degree of freedom.
func (w Weibull) limits(at float64, profile func(v float64) float64) (low, high float64) {
	floor := w.LogLikelihood - distuv.ChiSquared{K: 1}.Quantile(Level95)/2
	edge := func(factor float64) float64 {
		inside, outside := at, at*factor
		for n := 0; profile(outside) > floor && n < 200; n++ {
			inside, outside = outside, outside*factor
		}
		for range 100 {
			if middle := math.Sqrt(inside * outside); profile(middle) > floor {
				inside = middle
			} else {
				outside = middle
			}
		}
		return outside
	}
	return edge(1 / 1.5), edge(1.5)
}

// bestShape is the shape that explains the lives best for a given scale.
func (w Weibull) bestShape(scale float64) float64 {
	slope := func(b float64) (sum float64) {
		for _, l := range w.lives {
			y := math.Log(l.Cycles / scale)
			sum -= math.Exp(b*y) * y
			if !l.Survived {
				sum += 1/b + y
			}
		}
		return sum
	}
	from, to := 1e-3, 1.
	for slope(to) > 0 && to < 1e6 {
		to *= 2
	}
	for range 100 {
		if middle := (from + to) / 2; slope(middle) > 0 {
			from = middle
		} else {
			to = middle
		}
	}
	return (from + to) / 2
}

// WeibullFigures are shape and scale with likelihood-ratio limits, and the cycles after
// which 10 % and half have failed.
func WeibullFigures(o Origin, lives []Life) ([]Figure, error) {
	w, err := FitWeibull(lives)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	var l list
	counts := []Given{{"failures", float64(w.Failures), "1"}, {"specimens", float64(w.Lives), "1"}, {"ln likelihood", w.LogLikelihood, "1"}}
	const source = "maximum likelihood with right censoring (NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3); limits by likelihood ratio"
	const law = " of F(x) = 1 - exp(-(x/scale)^shape)"
	low, high := w.limits(w.Shape, func(b float64) float64 { return w.likelihood(b, w.scaleFor(b)) })
	l.add(o.interval(meaning{"weibull_shape", "maximum likelihood", "1", "shape" + law, source}, w.Shape, w.UShape, low, high, counts...))
	low, high = w.limits(w.Scale, func(e float64) float64 { return w.likelihood(w.bestShape(e), e) })
	l.add(o.interval(meaning{"weibull_scale", "maximum likelihood", "cycles", "scale" + law, source}, w.Scale, w.UScale, low, high, counts...))
	for _, share := range [...]float64{0.1, 0.5} {
		// In terms of the quantile the scale is q / (-ln(1-share))^(1/shape).
		at := w.Quantile(share)
		low, high := w.limits(at, func(q float64) float64 { return w.quantileProfile(q, share) })
		u := (high - low) / (2 * StudentT(Level95, math.Inf(1)))
		l.add(o.interval(meaning{fmt.Sprintf("weibull_b%.0f", 100*share), "maximum likelihood", "cycles",
			fmt.Sprintf("cycles after which %.0f %% have failed,%s", 100*share, law), source + "; u a quarter of their width"}, at, u, low, high, counts...))
	}
	return l.done()
}

// quantileProfile is the greatest likelihood for a given quantile, by golden section over
// the logarithm of the shape.
func (w Weibull) quantileProfile(q, share float64) float64 {
	at := func(lnShape float64) float64 {
		b := math.Exp(lnShape)
		return w.likelihood(b, q/math.Pow(-math.Log1p(-share), 1/b))
	}
	const golden = 0.6180339887498949
	from, to := math.Log(w.Shape)-3, math.Log(w.Shape)+3
	a, b := to-golden*(to-from), from+golden*(to-from)
	fa, fb := at(a), at(b)
	for range 60 {
		if fa > fb {
			to, b, fb = b, a, fa
			a = to - golden*(to-from)
			fa = at(a)
		} else {
			from, a, fa = a, b, fb
			b = from + golden*(to-from)
			fb = at(b)
		}
	}
	return max(fa, fb)
}
