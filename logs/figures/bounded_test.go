package figures

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestBoundedInputs: published intervals of 95 % of sums in which rectangular
// distributions stand out. All from memory, those of one distribution recomputed.
func TestBoundedInputs(t *testing.T) {
	box := func(u float64) Input { return Input{U: u, Sensitivity: 1, Type: "B", Bounded: true} }
	for _, c := range []struct {
		name            string
		level, half, to float64
		inputs          []Input
	}{
		{"one: 0.95 √3", 0.95, 0.95 * math.Sqrt(3), 1e-9, []Input{box(1)}},
		{"two alike, a triangle: √6 (1-√0.05)", 0.95, math.Sqrt(6) * (1 - math.Sqrt(0.05)), 1e-4, []Input{box(math.Sqrt(0.5)), box(math.Sqrt(0.5))}},
		// JCGM 101:2008, 9.2.3, table 3: ±3.88, where JCGM 100 has ±3.92.
		{"four alike", 0.95, 3.88, 0.005, []Input{box(1), box(1), box(1), box(1)}},
		// 9.2.4, table 4: ±17.0, where JCGM 100 has ±19.9.
		{"one of four ten times as wide", 0.95, 17.0, 0.05, []Input{box(1), box(1), box(1), box(10)}},
		// EA-4/02, S9: 0.05 V, by k = 1.65 for the one that stands out, the other neglected.
		{"multimeter", 0.95, 0.05, 0.001, []Input{box(0.029), {U: 0.0067, Sensitivity: 1}}},
		// EA-4/02, S10: a caliper, two rectangular inputs of half widths 50 and 25 um,
		// a trapezium of edge 0.33: k = 1.83.
		{"caliper", 0.95, 1.83 * math.Hypot(50, 25) / math.Sqrt(3), 0.15, []Input{box(50 / math.Sqrt(3)), box(25 / math.Sqrt(3))}},
		{"turned round and scaled", 0.95, 0.95 * math.Sqrt(3) * 6, 1e-9, []Input{{U: 2, Sensitivity: -3, Bounded: true}}},
	} {
		b, err := Combine("1", c.level, c.inputs)
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.name, b.Expanded, c.half, c.to)
		within(t, c.name+", k u", b.K*b.Combined, b.Expanded, 1e-12*c.half)
	}
	// Where nothing bounded counts for much, or none stands by itself, k is Student's.
	plain, _ := Combine("1", 0.95, []Input{{U: 1, DoF: 5, Sensitivity: 1}, box(0.1)})
	within(t, "little of it", plain.K, StudentT(0.95, 5), 1e-12)
	linked, _ := Combine("1", 0.95, []Input{box(1), box(1)}, Correlation{0, 1, 0.5})
	within(t, "correlated", linked.K, StudentT(0.95, math.Inf(1)), 1e-12)
	// The sum that holds for all of several is wider, and never beyond the bounds.
	for _, n := range []int{1, 2, 10, 100} {
		b, _ := Combine("1", 0.95, []Input{box(1)})
		b.forAll(n)
		within(t, "for all", b.Expanded, math.Pow(0.95, 1/float64(n))*math.Sqrt(3), 1e-9)
	}
}

// TestBoundedByDrawing: the interval of a mixture holds 95 in 100 draws, and no other share.
func TestBoundedByDrawing(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		bounds []float64 // standard uncertainties
		u      float64   // normal
	}{{[]float64{1}, 0.5}, {[]float64{1, 0.3}, 0.2}, {[]float64{1, 0.9, 0.8}, 0.005}, {[]float64{1}, 0.02}, {[]float64{1, 0.5}, 3}} {
		inputs := []Input{{U: c.u, Sensitivity: 1}}
		for _, u := range c.bounds {
			inputs = append(inputs, Input{U: u, Sensitivity: 1, Bounded: true})
		}
		b, err := Combine("1", 0.95, inputs)
		if err != nil {
			t.Fatal(err)
		}
		const n = 100_000
		off := make([]float64, n)
		for i := range off {
			sum := c.u * rng.NormFloat64()
			for _, u := range c.bounds {
				sum += u * math.Sqrt(3) * (2*rng.Float64() - 1)
			}
			off[i] = math.Abs(sum)
		}
		slices.Sort(off)
		held, _ := slices.BinarySearch(off, b.Expanded)
		within(t, "share of draws held", float64(held)/n, 0.95, 0.003) // over four standard deviations
	}
}

// TestDigits: two readings of one temperature on either side of where a display steps
// differ by a digit: hysteresis is never said to be known better. Rounding counts once: a
// display that goes to and fro between two digits adds no scatter.
func TestDigits(t *testing.T) {
	up := Curve{Origin: Origin{"r", "demo data"}, T: []float64{20, 25, 30, 35}, R: []float64{1000, 1050, 1100, 1150}, HalfDigit: 0.05}
	for range up.T {
		up.UT, up.UR = append(up.UT, Rectangular(0.05)), append(up.UR, 1e-3)
	}
	down := up
	down.T, down.R = []float64{30.1, 25, 20}, []float64{1100, 1050, 1000}
	down.UT, down.UR = up.UT[:3], up.UR[:3]
	all, err := Hysteresis(up, down)
	f := pick(t, all, err, "hysteresis", "largest, K")
	if f.Value < 0.05 || f.Value > f.Expanded || f.Expanded > 0.15 || len(f.Notes) == 0 {
		t.Errorf("hysteresis %v ± %v K (%v), of one digit", f.Value, f.Expanded, f.Notes)
	}
	if f.K*f.U_std != f.Expanded && math.Abs(f.K*f.U_std-f.Expanded) > 1e-12 || f.Budget.Expanded != f.Expanded {
		t.Errorf("k %v, u %v, U %v, and %v in the budget", f.K, f.U_std, f.Expanded, f.Budget.Expanded)
	}
	display := Thermometer{ResolutionK: 0.1}
	for _, c := range []struct {
		x      []float64
		rounds bool
	}{{[]float64{20.1, 20.2, 20.1}, true}, {[]float64{20.1, 20.1}, true}, {[]float64{20.1, 20.2, 20.3}, false}} {
		if display.rounds(c.x) != c.rounds {
			t.Errorf("%v: rounds is %v", c.x, !c.rounds)
		}
	}
}

// TestDifferenceOfBounded: a difference in which bounded errors cancel has the k of what is
// left.
func TestDifferenceOfBounded(t *testing.T) {
	b, err := Combine("1", 0.95, []Input{{Name: "gain", U: 1, Sensitivity: 1, Bounded: true, Instrument: true}, {U: 0.1, Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	f := Figure{Value: 1, U_std: b.Combined, K: b.K, Expanded: b.Expanded, Budget: &b}
	d := difference(f, f, true)
	within(t, "k of one", b.K, 1.65, 0.02)
	within(t, "u", d.U, 0.1*math.Sqrt2, 1e-9)
	within(t, "U", d.Expanded, 1.959964*0.1*math.Sqrt2, 1e-6)
}
