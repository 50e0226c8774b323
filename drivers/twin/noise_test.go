package twin

import (
	"math"
	"testing"
)

// Reference outputs of SplitMix64, seeds 0 and 1234567, cited from memory.
func TestStreamIsSplitMix64(t *testing.T) {
	for i, want := range []uint64{0xe220a8397b1dcdaf, 0x6e789e6aa1b965f4, 0x06c45d188009454f, 0xf88bb8a8724c81ec} {
		if got := stream(0).at(int64(i)); got != want {
			t.Errorf("number %d of seed 0 is %#x, expected %#x", i, got, want)
		}
	}
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431} {
		if got := stream(1234567).at(int64(i)); got != want {
			t.Errorf("number %d of seed 1234567 is %d, expected %d", i, got, want)
		}
	}
}

// The quantile against the standard library's inverse error function, and against
// the test values printed with AS 241 (cited from memory).
func TestQuantile(t *testing.T) {
	for _, c := range []struct{ p, want float64 }{
		{0.25, -0.6744897501960817}, {0.001, -3.090232306167814}, {1e-20, -9.262340089798408}, {0.5, 0},
	} {
		near(t, "quantile", quantile(c.p), c.want, 1e-14)
	}
	for i := 1; i < 10_000; i++ {
		p := float64(i) / 10_000
		near(t, "quantile", quantile(p), math.Sqrt2*math.Erfinv(2*p-1), 1e-12)
	}
	if z := quantile(uniform(0)); !(z < -8 && z > -9) {
		t.Errorf("the least number is %g, expected it finite and beyond -8", z)
	}
	if quantile(uniform(0)) != -quantile(uniform(math.MaxUint64)) {
		t.Error("the least and the greatest number differ in size")
	}
}

// The stream's bits are part of the contract. Taken from this code on amd64.
func TestGoldenStream(t *testing.T) {
	s := newStream(1, noiseJohnson)
	for i, want := range []uint64{0xbfb538ce205cb6b0, 0xbffd2154160b1b81, 0xbffaf6cc2643384c} {
		if got := math.Float64bits(s.normal(int64(i))); got != want {
			t.Errorf("normal number %d has the bits %#x, expected %#x", i, got, want)
		}
	}
	f := newFlicker(1, 1)
	var sum uint64
	for tick := range int64(20_000) {
		sum = sum*31 + math.Float64bits(s.normal(tick))
		sum = sum*31 + math.Float64bits(f.at(tick*7))
	}
	if want := uint64(0x67956b1d7d6c635f); sum != want {
		t.Errorf("20,000 numbers have the sum %#x, expected %#x", sum, want)
	}
}

// Moments of 200,000 numbers, within five standard errors; neighbours, channels
// and seeds must not know of each other.
func TestNormalNumbers(t *testing.T) {
	const n = 200_000
	streams := []stream{newStream(1, 1), newStream(1, 2), newStream(2, 1), newStream(1, 1).sub(1)}
	var mean, square, third, next [4]float64
	var cross [4]float64
	for tick := range int64(n) {
		first := streams[0].normal(tick)
		for i, s := range streams {
			x := s.normal(tick)
			mean[i] += x / n
			square[i] += x * x / n
			third[i] += x * x * x / n
			next[i] += x * s.normal(tick+1) / n
			cross[i] += x * first / n
		}
	}
	root := math.Sqrt(n)
	for i := range streams {
		near(t, "mean", mean[i], 0, 5/root)
		near(t, "variance", square[i], 1, 5*math.Sqrt2/root)
		near(t, "third moment", third[i], 0, 5*math.Sqrt(15)/root)
		near(t, "correlation with the next", next[i], 0, 5/root)
		if i > 0 {
			near(t, "correlation with another stream", cross[i], 0, 5/root)
		}
	}
}

// allan is the overlapping Allan variance of equally spaced values, averaged over
// m of them (NIST SP 1065).
func allan(sums []float64, m int) float64 {
	total, n := 0.0, len(sums)-2*m
	for i := range n {
		d := (sums[i+2*m] - 2*sums[i+m] + sums[i]) / float64(m)
		total += d * d
	}
	return total / float64(2*n)
}

// Noise with the spectrum a/f has an Allan variance of 2 ln 2 a at every averaging
// time (NIST SP 1065); white noise would lose half at every doubling. The mean
// over seeds stands within 15 % over seven doublings.
func TestFlickerIsFlat(t *testing.T) {
	const amplitude, seeds, n = 3e-6, 12, 1 << 14
	var mean [7]float64
	for seed := range uint64(seeds) {
		f := newFlicker(seed, amplitude)
		sums := make([]float64, n+1)
		for tick := range n {
			sums[tick+1] = sums[tick] + f.at(int64(tick))
		}
		for k := range mean {
			mean[k] += allan(sums, 4<<k) / seeds
		}
	}
	for k, v := range mean {
		near(t, "Allan variance over 2 ln 2 a", v/(2*math.Ln2*amplitude*amplitude), 1, 0.15)
		t.Logf("over %d ticks: %.3f", 4<<k, v/(2*math.Ln2*amplitude*amplitude))
	}
}

// No tick is special: the jump at a power of two is that of any tick, two values
// for each octave that changes, sum of 2^-k octaves: 4 in units of one variance.
func TestFlickerHasNoSpecialTicks(t *testing.T) {
	const seeds = 400
	mean := 0.0
	for seed := range uint64(seeds) {
		f := newFlicker(seed, 1)
		jump := f.at(1<<16) - f.at(1<<16-1)
		mean += jump * jump / (math.Ln2 * seeds)
	}
	near(t, "mean square of the jump", mean, 4, 1.5)
}

// The values kept for speed never change the result.
func TestFlickerForgetsWhatWasAsked(t *testing.T) {
	f := newFlicker(7, 1)
	for _, tick := range []int64{0, 1, 1, 5_000_000, 3, 1 << 21, 2, 5_000_000, 0} {
		fresh := newFlicker(7, 1)
		if got, want := f.at(tick), fresh.at(tick); got != want {
			t.Errorf("at tick %d the noise is %g after other questions, %g before them", tick, got, want)
		}
	}
}

// A rectangular distribution of standard uncertainty u reaches u sqrt(3)
// (JCGM 100, 4.3.7).
func TestDrawn(t *testing.T) {
	const n, u = 20_000, 0.3
	sum, square, greatest := 0.0, 0.0, 0.0
	for seed := range uint64(n) {
		x := Drawn(seed, "plate sensor", u)
		sum += x / n
		square += x * x / n
		greatest = max(greatest, math.Abs(x))
	}
	near(t, "mean", sum, 0, 5*u/math.Sqrt(n))
	near(t, "standard deviation", math.Sqrt(square), u, 0.02*u)
	if limit := u * math.Sqrt(3); greatest > limit || greatest < 0.99*limit {
		t.Errorf("the greatest is %g, expected just below %g", greatest, limit)
	}
	if Drawn(1, "a", 1) == Drawn(1, "b", 1) || Drawn(1, "a", 1) != Drawn(1, "a", 1) {
		t.Error("a name must have its own error, and keep it")
	}
}

func BenchmarkNormal(b *testing.B) {
	s, sum := newStream(1, 1), 0.0
	tick := int64(0)
	for b.Loop() {
		sum += s.normal(tick)
		tick++
	}
	_ = sum
}
