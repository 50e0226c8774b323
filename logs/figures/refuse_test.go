package figures

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestHopelessInput gives every figure slices that are short, of different lengths,
// constant, huge, or no numbers: it is an error or a sound figure, and never a panic.
func TestHopelessInput(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	values := []float64{0, 0, 1, 1, -1, 25, 25, 35, 1e-300, 1e300, math.NaN(), math.Inf(1), -273.15, 1000, 1031}
	some := func(n int) []float64 {
		x := make([]float64, n)
		steady := rng.IntN(3) == 0
		for i := range x {
			if x[i] = values[rng.IntN(len(values))]; steady {
				x[i] = float64(i) * 10
			}
		}
		return x
	}
	one := func() float64 { return values[rng.IntN(len(values))] }
	o := Origin{"r", "made up"}
	var answered, refused int
	check := func(all []Figure, err error) {
		if err != nil {
			refused++
			return
		}
		for _, f := range all {
			if answered++; f.check() != nil || f.Definition == "" || f.Source == "" || f.Unit == "" || f.String() == "" {
				t.Errorf("%+v", f)
			}
		}
	}
	single := func(f Figure, err error) { check([]Figure{f}, err) }
	for range 800 {
		n := rng.IntN(14)
		m := n
		if rng.IntN(10) == 0 {
			m = rng.IntN(14)
		}
		c := Curve{Origin: o, T: some(n), R: some(m)}
		if rng.IntN(2) == 0 {
			c.UR, c.UT = some(n), some(m)
		}
		if rng.IntN(3) == 0 {
			c.Common = []Common{{Kind: Kind(rng.IntN(6)), U: one(), Pivot: one()}}
		}
		check(R0(c, one()))
		check(Sensitivity(c, one()))
		check(TCR(c, one(), one(), one()))
		check(BValue(c, one(), one()))
		check(SteinhartHartFigures(c))
		check(Linearity(c))
		check(LinearityOfMeans(c, Curve{Origin: o, T: some(n), R: some(n), UR: some(n)}))
		check(Hysteresis(c, Curve{Origin: o, T: some(n), R: some(n), UR: some(n)}))
		check(Repeatability(o, "Ohm", some(n), some(m)))
		check(Reproducibility(o, "Ohm", some(n), some(m)))
		tr := Transient{Origin: o, Name: "response", Unit: "K", Time: some(n), Y: some(m), Start: one(), Base: one(), Final: one(), Noise: 1}
		check(Response(tr))
		check(FirstOrder(tr))
		single(Settling(tr, one()))
		check(Noise(o, "Ohm", some(n), Sampling{Interval: one()}))
		check(AllanFigures(o, "Ohm", some(n), Sampling{Interval: one()}))
		check(Resolution(o, Figure{Value: one(), U_std: one()}, one(), one(), "K"))
		check(Drift(Record{Origin: o, Time: some(n), R: some(m), Temperature: some(n), Check: some(n)}))
		check(Ohmic(Sweep{Origin: o, V: some(n), I: some(m), UI: one()}))
		check(NoiseFloor(o, one(), one(), one(), one(), one(), one()))
		single(InversePrediction(c, one(), 1))
		check(Reversal(o, some(n), one(), one(), one()))
		check(TransferLength(o, some(n), some(m), one(), one()))
		check(SelfHeating(o, Heated{one(), one(), one()}, Heated{one(), one(), one()}, one(), one()))
		check(GaugeFactor(o, some(n), some(m), nil, one(), one()))
		single(BendResponse(o, one(), one(), one(), one(), one()))
		check(CyclesToThreshold(o, some(n), some(m), nil, one(), one(), one()))
		var lives []Life
		for _, x := range some(n) {
			lives = append(lives, Life{x, rng.IntN(3) == 0})
		}
		check(WeibullFigures(o, lives))
		x, y := some(n), some(m)
		if f, err := Segments(x, y); err == nil {
			if _, err := Settle(x, y, some(m), f.Segments, 0); err == nil {
				answered++
			}
		}
		a, b := Series{Channel: "a", Time: some(n), Y: some(m)}, Series{Channel: "b", Time: some(n), Y: some(n)}
		if l, err := LagBetween(a, b, one(), one()); err == nil {
			single(LagFigure(o, l))
		}
	}
	t.Logf("%d figures, %d refusals", answered, refused)
	if answered < 1000 || refused < 5000 {
		t.Errorf("%d figures and %d refusals do not try much", answered, refused)
	}
}
