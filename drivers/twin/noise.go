package twin

import (
	"math"

	"dwell/drivers/convert"
)

// golden is the odd number nearest 2^64 over the golden ratio, the stride of
// SplitMix64 (Steele, Lea, Flood, OOPSLA 2014).
const golden = 0x9e3779b97f4a7c15

// scramble is the output function of SplitMix64: every bit of x moves about half
// of the bits of the result.
func scramble(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// Channels of noise. A number must never be given to another channel, or old
// runs could not be repeated.
const (
	noisePlate uint64 = iota + 1
	noiseJohnson
	noiseFlicker // this and the next 63, one an octave
)

// stream is a sequence of random numbers that can be read at any place: the
// number at a tick depends on seed, channel and tick, never on what was asked
// before.
type stream uint64

func newStream(seed, channel uint64) stream { return stream(scramble(seed + channel*golden)) }

// sub is another stream, for a parameter that makes its own noise.
func (s stream) sub(parameter uint64) stream { return stream(scramble(uint64(s) + parameter*golden)) }

func (s stream) at(tick int64) uint64 { return scramble(uint64(s) + (uint64(tick)+1)*golden) }

// normal is a number of the standard normal distribution.
func (s stream) normal(tick int64) float64 { return quantile(uniform(s.at(tick))) }

// uniform is between 0 and 1, never either: 52 bits and a half are exact.
func uniform(bits uint64) float64 { return float64((float64(bits>>12) + 0.5) * 0x1p-52) }

// horner is a polynomial in ascending powers, each product rounded on its own.
func horner(c *[8]float64, x float64) float64 {
	low := c[0] + float64(x*(c[1]+float64(x*(c[2]+float64(x*c[3])))))
	high := c[4] + float64(x*(c[5]+float64(x*(c[6]+float64(x*c[7])))))
	x2 := x * x
	return low + float64(high*float64(x2*x2))
}

// Coefficients of the normal distribution's quantile, routine PPND16 of
// algorithm AS 241 (Wichura, Applied Statistics 37 (1988) 477), good to 1e-16.
var (
	middleTop = [8]float64{3.3871328727963666080e0, 1.3314166789178437745e+2, 1.9715909503065514427e+3, 1.3731693765509461125e+4,
		4.5921953931549871457e+4, 6.7265770927008700853e+4, 3.3430575583588128105e+4, 2.5090809287301226727e+3}
	middleBottom = [8]float64{1, 4.2313330701600911252e+1, 6.8718700749205790830e+2, 5.3941960214247511077e+3,
		2.1213794301586595867e+4, 3.9307895800092710610e+4, 2.8729085735721942674e+4, 5.2264952788528545610e+3}
	sideTop = [8]float64{1.42343711074968357734e0, 4.63033784615654529590e0, 5.76949722146069140550e0, 3.64784832476320460504e0,
		1.27045825245236838258e0, 2.41780725177450611770e-1, 2.27238449892691845833e-2, 7.74545014278341407640e-4}
	sideBottom = [8]float64{1, 2.05319162663775882187e0, 1.67638483018380384940e0, 6.89767334985100004550e-1,
		1.48103976427480074590e-1, 1.51986665636164571966e-2, 5.47593808499534494600e-4, 1.05075007164441684324e-9}
	farTop = [8]float64{6.65790464350110377720e0, 5.46378491116411436990e0, 1.78482653991729133580e0, 2.96560571828504891230e-1,
		2.65321895265761230930e-2, 1.24266094738807843860e-3, 2.71155556874348757815e-5, 2.01033439929228813265e-7}
	farBottom = [8]float64{1, 5.99832206555887937690e-1, 1.36929880922735805310e-1, 1.48753612908506148525e-2,
		7.86869131145613259100e-4, 1.84631831751005468180e-5, 1.42151175831644588870e-7, 2.04426310338993978564e-15}
)

// quantile returns the z that a standard normal number stays below with
// probability p, 0 < p < 1.
func quantile(p float64) float64 {
	q := p - 0.5
	if math.Abs(q) <= 0.425 {
		r := 0.180625 - float64(q*q)
		return q * horner(&middleTop, r) / horner(&middleBottom, r)
	}
	r := math.Sqrt(-convert.Log(min(p, 1-p)))
	var z float64
	if r <= 5 {
		z = horner(&sideTop, r-1.6) / horner(&sideBottom, r-1.6)
	} else {
		z = horner(&farTop, r-5) / horner(&farBottom, r-5)
	}
	return math.Copysign(z, q)
}

// octaves of flicker noise: from the grid of 0.1 s to 2^20 of it, 29 h.
const octaves = 21

// flicker is noise whose power falls as 1/f: octave k holds a random value for
// 2^k ticks, which is how the noise of a conductor is thought to come about,
// from traps with lifetimes spread evenly over the decades (McWhorter). The
// octaves change at places of their own, or all would jump together at powers of
// two. The values last used are kept for speed; they never change the result.
//
// Held values of variance v with period P have the spectrum 2 v P sinc^2(pi f P);
// summed over the octaves that is (v / ln 2) / f.
type flicker struct {
	streams [octaves]stream
	offset  [octaves]int64
	held    [octaves]int64
	value   [octaves]float64
	octave  float64 // standard deviation of one octave
}

// newFlicker makes noise with the spectrum amplitude^2 / f.
func newFlicker(seed uint64, amplitude float64) flicker {
	f := flicker{octave: amplitude * math.Sqrt(math.Ln2)}
	for k := range octaves {
		f.streams[k] = newStream(seed, noiseFlicker+uint64(k))
		f.offset[k] = int64(f.streams[k].at(-1) & (1<<k - 1))
		f.held[k] = math.MinInt64
	}
	return f
}

// at is the noise at a tick, 0 or later.
func (f *flicker) at(tick int64) float64 {
	sum := 0.0
	for k := range octaves {
		if index := (tick + f.offset[k]) >> k; index != f.held[k] {
			f.held[k], f.value[k] = index, f.streams[k].normal(index)
		}
		sum += f.value[k]
	}
	return float64(sum * f.octave)
}

// Drawn is an error that an instrument has for life: the same for the same seed
// and name, of the given standard uncertainty. Declared accuracies are limits
// a, so the distribution is rectangular (JCGM 100, 4.3.7): an accuracy of plus
// or minus a has the standard uncertainty a/sqrt(3), and is never exceeded.
func Drawn(seed uint64, what string, standardUncertainty float64) float64 {
	name := uint64(0xcbf29ce484222325) // FNV-1a
	for i := range len(what) {
		name = (name ^ uint64(what[i])) * 0x100000001b3
	}
	side := float64(2*uniform(newStream(seed, name).at(0))) - 1
	return float64(side * standardUncertainty * math.Sqrt(3))
}
