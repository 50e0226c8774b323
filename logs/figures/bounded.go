package figures

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// boundedSum is the distribution of a sum of independent errors, each of which lies anywhere
// within a bound of its own: of cells of equal width, the probability below the end of each.
type boundedSum struct {
	most  float64 // it never exceeds this
	below []float64
}

const cellsOfSum = 400

// sumOf convolves rectangular distributions, one after the other.
func sumOf(bounds []float64) boundedSum {
	s := boundedSum{below: make([]float64, cellsOfSum)}
	for _, a := range bounds {
		s.most += a
	}
	for i := range s.below {
		s.below[i] = min(1, max(0, 0.5+s.end(i)/(2*bounds[0])))
	}
	area := make([]float64, cellsOfSum+1) // under the curve, up to the end of a cell
	for _, a := range bounds[1:] {
		before := 0.
		for i, p := range s.below {
			area[i+1], before = area[i]+s.cell()*(before+p)/2, p
		}
		under := func(x float64) float64 {
			at := (x + s.most) / s.cell()
			switch i := int(math.Floor(at)); {
			case at <= 0:
				return 0
			case i >= cellsOfSum:
				return area[cellsOfSum] + x - s.most
			default:
				return area[i] + (at-float64(i))*(area[i+1]-area[i])
			}
		}
		for i := range s.below {
			s.below[i] = (under(s.end(i)+a) - under(s.end(i)-a)) / (2 * a)
		}
	}
	return s
}

func (s boundedSum) cell() float64     { return 2 * s.most / cellsOfSum }
func (s boundedSum) end(i int) float64 { return -s.most + s.cell()*float64(i+1) }
func (s boundedSum) deviation() (u float64) {
	before := 0.
	for i, p := range s.below {
		at := s.end(i) - s.cell()/2
		u, before = u+at*at*(p-before), p
	}
	return math.Sqrt(u)
}

// within is the half width of the interval that holds the sum, and a normal error of
// standard uncertainty u besides, at a level.
func (s boundedSum) within(level, u float64) float64 {
	up := (1 + level) / 2
	if u < s.cell() { // so little that it only makes all a little wider
		before := 0.
		for i, p := range s.below {
			if p >= up {
				own := s.deviation()
				return (s.end(i) - s.cell()*(p-up)/(p-before)) * math.Hypot(own, u) / own
			}
			before = p
		}
		return s.most
	}
	missing := func(y float64) float64 {
		p, before := 0., 0.
		for i, q := range s.below {
			if q > before {
				p += (q - before) * distuv.UnitNormal.CDF((y-s.end(i)+s.cell()/2)/u)
			}
			before = q
		}
		return p - up
	}
	return root(missing, 0, s.most+StudentT(level, math.Inf(1))*u)
}

// root is where a growing function passes zero, by false position, halving what an end has
// stayed at (Illinois; Dowell and Jarratt, BIT 11 (1971) 168, from memory).
func root(f func(float64) float64, low, high float64) (at float64) {
	below, above := f(low), f(high)
	for n, side := 0, 0; n < 100 && high-low > 1e-6*high; n++ {
		at = (low*above - high*below) / (above - below)
		switch y := f(at); {
		case math.Abs(y) < 1e-9 || at <= low || at >= high:
			return at
		case y < 0:
			if low, below = at, y; side < 0 {
				above /= 2
			}
			side = -1
		default:
			if high, above = at, y; side > 0 {
				below /= 2
			}
			side = 1
		}
	}
	return (low + high) / 2
}
