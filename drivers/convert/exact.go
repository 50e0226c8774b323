// Package convert turns the readings of thermometers into temperatures and
// back: platinum resistors, thermocouples, thermistors. It holds pure numbers:
// no state, no clock, no device; a rig names its conversions by the text that
// ByName reads.
//
// Values are in coherent SI units (ohm, volt, kelvin), temperatures in degC.
// Outside the range of the law a value is an error, never an extrapolation.
//
// The same bits must come out on every processor. math.Exp and math.Log differ
// by processor, and a compiler may fuse a product into the sum it feeds, so
// this room has its own Exp and Log, and every product that feeds a sum is
// rounded on its own: float64(a*b) + c. That holds across statements and
// inlined calls too: a product kept in a variable or returned is rounded as well.
package convert

import "math"

// ln2 in two parts: the high one has 32 trailing zero bits, so that its product
// with any exponent of a float64 is exact.
const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = math.Ln2 - ln2High
	log2e   = math.Log2E
)

// Exp returns e to the x, within one unit in the last place, with the same bits
// everywhere.
//
// x = k ln2 + r with |r| <= ln2/2; e^r by its power series up to r^13/13!, of
// which the rest is below 5e-18; then k goes into the exponent.
func Exp(x float64) float64 {
	switch {
	case x != x:
		return x
	case x > 709.782712893384: // ln of the greatest float64
		return math.Inf(1)
	case x < -745.1332191019412: // ln of half the smallest
		return 0
	}
	k := math.Floor(float64(x*log2e) + 0.5)
	r := (x - float64(k*ln2High)) - float64(k*ln2Low)

	// The series, summed in pairs: all products of a row are independent.
	r2 := r * r
	r4 := r2 * r2
	c2 := 1./2 + float64(r*(1./6))
	c4 := 1./24 + float64(r*(1./120))
	c6 := 1./720 + float64(r*(1./5040))
	c8 := 1./40320 + float64(r*(1./362880))
	c10 := 1./3628800 + float64(r*(1./39916800))
	c12 := 1./479001600 + float64(r*(1./6227020800))
	c2 += float64(c4 * r2)
	c6 += float64(c8 * r2)
	c10 += float64(c12 * r2)
	c6 += float64(c10 * r4)
	c2 += float64(c6 * r4)
	y := 1 + r
	return scale(y+((r-(y-1))+float64(c2*r2)), int(k)) // r-(y-1): what rounding took from y
}

// scale returns y times 2^k, for y near 1.
func scale(y float64, k int) float64 {
	switch {
	case k > 1023:
		return float64(y * 2 * math.Float64frombits(uint64(1023+1023)<<52))
	case k < -1022: // the result is below the normal numbers: one rounding, at the end
		return float64(y * math.Float64frombits(uint64(k+64+1023)<<52) * 0x1p-64)
	}
	return float64(y * math.Float64frombits(uint64(k+1023)<<52))
}

// Log returns the natural logarithm of x, within one unit in the last place,
// with the same bits everywhere: NaN below zero, -Inf at zero.
//
// x = 2^k (1+f) with 1+f between sqrt(1/2) and sqrt(2). With s = f/(2+f),
// ln(1+f) = 2s + s R, R = 2 (s^2/3 + s^4/5 + ...), up to s^20/21, of which the
// rest is below 1e-18; and 2s = f - s f, which keeps what f has of digits.
func Log(x float64) float64 {
	switch {
	case x != x || x > math.MaxFloat64:
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	k := -1023
	if x < 0x1p-1022 {
		x *= 0x1p54
		k -= 54
	}
	bits := math.Float64bits(x)
	k += int(bits >> 52)
	m := math.Float64frombits(bits&(1<<52-1) | 1023<<52)
	if m > math.Sqrt2 {
		m /= 2
		k++
	}
	f := m - 1
	s := f / (2 + f)
	z := s * s
	z2 := z * z
	z4 := z2 * z2
	c1 := 2./3 + float64(z*(2./5))
	c3 := 2./7 + float64(z*(2./9))
	c5 := 2./11 + float64(z*(2./13))
	c7 := 2./15 + float64(z*(2./17))
	c9 := 2./19 + float64(z*(2./21))
	c1 += float64(c3 * z2)
	c5 += float64(c7 * z2)
	c5 += float64(c9 * z4)
	c1 += float64(c5 * z4)
	rest := float64(c1 * z)
	half := float64(f * f / 2)
	// f - s f = f - half + s half
	return float64(float64(k)*ln2High) -
		((half - (float64(s*(half+rest)) + float64(float64(k)*ln2Low))) - f)
}
