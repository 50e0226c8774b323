package convert

import (
	"math"
	"math/big"
	"testing"
)

// ulps is how many floats lie between got and want, as far as rounding sees it.
func ulps(got, want float64) float64 {
	if got == want {
		return 0
	}
	unit := math.Nextafter(math.Abs(want), math.Inf(1)) - math.Abs(want)
	return math.Abs(got-want) / unit
}

// The standard library is the independent check; it is itself right to one
// unit in the last place.
func TestExpAndLogAgainstTheStandardLibrary(t *testing.T) {
	worst := 0.0
	for i := -700_000; i <= 700_000; i += 7 {
		x := float64(i) / 1000.3
		if d := ulps(Exp(x), math.Exp(x)); d > worst {
			worst = d
			if d > 2 {
				t.Fatalf("Exp(%g) is %g, expected %g: %g units in the last place", x, Exp(x), math.Exp(x), d)
			}
		}
	}
	t.Logf("Exp: at most %.2f units", worst)
	worst = 0
	for i := range 200_000 {
		for _, x := range []float64{math.Ldexp(1+float64(i)/200_001, i%2000-1000), 0.4 + float64(i)/100_000} {
			if d := ulps(Log(x), math.Log(x)); d > worst {
				worst = d
				if d > 2 {
					t.Fatalf("Log(%g) is %g, expected %g: %g units in the last place", x, Log(x), math.Log(x), d)
				}
			}
		}
	}
	t.Logf("Log: at most %.2f units", worst)
}

// exactly returns e to the x to some 100 digits, rounded to float64: the series
// in big numbers, after 2^64 halvings of x.
func exactly(x float64) float64 {
	const precision = 500
	number := func(v float64) *big.Float { return new(big.Float).SetPrec(precision).SetFloat64(v) }
	small := number(x)
	small.SetMantExp(small, -64)
	sum, term := number(1), number(1)
	for i := range 12 {
		term.Quo(term.Mul(term, small), number(float64(i+1)))
		sum.Add(sum, term)
	}
	for range 64 {
		sum.Mul(sum, sum)
	}
	v, _ := sum.Float64()
	return v
}

// A unit in the last place is promised; half a unit is what rounding alone costs.
func TestExpAndLogAgainstBigNumbers(t *testing.T) {
	for i := -700; i <= 700; i++ {
		x := float64(i) * 0.98765
		if d := ulps(Exp(x), exactly(x)); d > 1 {
			t.Errorf("Exp(%g) is %g, expected %g", x, Exp(x), exactly(x))
		}
		// ln(e^x) = x; e^x, being rounded, moves its logarithm by a rounding of 1.
		if y := exactly(x); math.Abs(Log(y)-x) > 1.2e-16+math.Abs(x)*2.3e-16 {
			t.Errorf("Log(%g) is %g, expected %g", y, Log(y), x)
		}
	}
}

func TestExpAndLogAtTheEdges(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct{ got, want float64 }{
		{Exp(0), 1}, {Exp(inf), inf}, {Exp(-inf), 0}, {Exp(710), inf}, {Exp(-746), 0},
		{Exp(709.78), math.Exp(709.78)}, {Exp(-745), 5e-324}, {Exp(-720), math.Exp(-720)},
		{Log(1), 0}, {Log(0), -inf}, {Log(inf), inf}, {Log(5e-324), -1074 * math.Ln2}, {Log(2), math.Ln2},
	} {
		if c.got != c.want && ulps(c.got, c.want) > 1 {
			t.Errorf("got %g, expected %g", c.got, c.want)
		}
	}
	for _, x := range []float64{Exp(nan), Log(nan), Log(-1)} {
		if x == x {
			t.Errorf("got %g, expected NaN", x)
		}
	}
}

// The bits are part of the contract: a run repeated on another processor must
// find the same. They were taken from this code on amd64 without fused
// multiply-add.
func TestGoldenBits(t *testing.T) {
	for _, c := range []struct {
		name string
		got  float64
		want uint64
	}{
		{"Exp(1)", Exp(1), 0x4005bf0a8b145769},
		{"Exp(-0.7)", Exp(-0.7), 0x3fdfc80db9dd5542},
		{"Exp(12.34)", Exp(12.34), 0x410be9af9dcff5f0},
		{"Exp(-345.6)", Exp(-345.6), 0x20c52df10f35391f},
		{"Log(10)", Log(10), 0x40026bb1bbb55516},
		{"Log(0.7)", Log(0.7), 0xbfd6d3c324e13f50},
		{"Log(1e-300)", Log(1e-300), 0xc085963447f87fb5},
		{"Log(1.0001)", Log(1.0001), 0x3f1a368d0657fcd4},
	} {
		if got := math.Float64bits(c.got); got != c.want {
			t.Errorf("%s has the bits %#x, expected %#x", c.name, got, c.want)
		}
	}
	// All of many: a sum of bits sees a change in any of them.
	var sum uint64
	for i := range 10_000 {
		x := float64(i-5000) / 37
		sum = sum*31 + math.Float64bits(Exp(x))
		sum = sum*31 + math.Float64bits(Log(float64(i+1)/73))
	}
	if want := uint64(0x6445e694ffa3efcb); sum != want {
		t.Errorf("10,000 values have the sum %#x, expected %#x", sum, want)
	}
}

func BenchmarkExp(b *testing.B) {
	x, sum := 0.3, 0.0
	for b.Loop() {
		sum += Exp(x)
		x = -x
	}
	_ = sum
}

func BenchmarkLog(b *testing.B) {
	x, sum := 0.3, 0.0
	for b.Loop() {
		sum += Log(x)
		x = 3.1 - x
	}
	_ = sum
}
