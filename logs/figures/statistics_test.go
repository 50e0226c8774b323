package figures

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// ten readings of demo data, with their results recomputed independently.
var ten = []float64{1000.012, 999.987, 1000.004, 999.995, 1000.021, 999.978, 1000.008, 1000.001, 999.990, 1000.004}

func TestNoiseNumbers(t *testing.T) {
	m := MomentsOf(ten)
	within(t, "mean", m.Mean, 1000, 1e-9)
	within(t, "s", m.S(), 0.012736649, 5e-10)
	_, s, err := Detrended(ten)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "detrended", s, 0.013440385, 5e-10)
	within(t, "successive differences", SuccessiveDifference(ten), 0.016306100, 5e-10)
	within(t, "von Neumann", VonNeumann(ten), 3.278082, 5e-7)
}

// TestAllan: the test data of NIST SP 1065, tables 30 and 31, with the published values.
func TestAllan(t *testing.T) {
	nine := []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}
	thousand := make([]float64, 1000)
	for i, n := 0, 1234567890; i < 1000; i++ {
		thousand[i] = float64(n) / 2147483647
		n = 16807 * n % 2147483647
	}
	for _, c := range []struct {
		x     []float64
		m     int // samples in an average
		step  int // from the beginning of one average to that of the next
		want  float64
		digit float64
	}{
		{nine, 1, 1, 91.22945, 5e-6}, {nine, 2, 2, 115.8082, 5e-5}, {nine, 2, 1, 85.95287, 5e-6},
		{thousand, 1, 1, 2.922319e-1, 5e-8}, {thousand, 10, 10, 9.965736e-2, 5e-9},
		{thousand, 100, 100, 3.897804e-2, 5e-9}, {thousand, 1, 1, 2.922319e-1, 5e-8},
		{thousand, 10, 1, 9.159953e-2, 5e-9}, {thousand, 100, 1, 3.241343e-2, 5e-9},
	} {
		a, err := allan(c.x, c.m, c.step)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "Allan deviation", a.Deviation, c.want, c.digit)
	}
	m := MomentsOf(nine)
	within(t, "s", m.S(), 100.9770, 5e-5)
	f, _ := LineFit(count(1, 9), nine)
	within(t, "slope", f.B[1], -10.2, 1e-9)
	m = MomentsOf(thousand)
	within(t, "mean", m.Mean, 4.897745e-1, 5e-8)
	within(t, "s", m.S(), 2.884664e-1, 5e-8)
	if _, err := allan(nine, 5, 5); err == nil {
		t.Error("two averages of 5 out of 9 values: expected an error")
	}
	// A constant far from zero has none: nothing may cancel.
	shifted := make([]float64, 9)
	for i, v := range nine {
		shifted[i] = 1e13 + v
	}
	a, _ := allan(shifted, 1, 1)
	within(t, "Allan deviation far from zero", a.Deviation, 91.22945, 5e-6)
}

// TestEffectiveSize: for an autoregressive series the size is n(1-a)/(1+a) (textbook).
func TestEffectiveSize(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, a := range []float64{0, 0.5, 0.9} {
		size := 0.
		const n, repeats = 4000, 20
		for range repeats {
			x := make([]float64, n)
			for i := 1; i < n; i++ {
				x[i] = a*x[i-1] + rng.NormFloat64()
			}
			size += EffectiveSize(x) / repeats
		}
		if want := n * (1 - a) / (1 + a); math.Abs(size/want-1) > 0.15 {
			t.Errorf("a = %v: expected %v, got %v", a, want, size)
		}
	}
	if s := EffectiveSize([]float64{1, 1, 1, 1, 1}); s != 5 {
		t.Errorf("a constant has size %v", s)
	}
}

// TestMeanErrorCovers: 95 % intervals of the mean of 200 autocorrelated readings cover
// zero about as often as they say, plain ones far less.
func TestMeanErrorCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const runs, n, a = 1000, 200, 0.8
	covered, plain := 0, 0
	for range runs {
		x := make([]float64, n)
		x[0] = rng.NormFloat64() / math.Sqrt(1-a*a)
		for i := 1; i < n; i++ {
			x[i] = a*x[i-1] + rng.NormFloat64()
		}
		mean, u, dof := MeanError(x)
		if math.Abs(mean) < StudentT(0.95, dof)*u {
			covered++
		}
		m := MomentsOf(x)
		if math.Abs(mean) < 1.97*m.S()/math.Sqrt(n) {
			plain++
		}
	}
	t.Logf("%d of %d intervals cover, plain ones %d", covered, runs, plain)
	if covered < 900 || covered > 985 || plain > 700 {
		t.Errorf("%d of %d cover, plain ones %d", covered, runs, plain)
	}
}

// TestFigure: never a number without the rest, and never one that is none.
func TestFigure(t *testing.T) {
	m := meaning{"tcr", "chord", "1/K", "what it is", "who says so"}
	o := Origin{"element", "rows 1 to 7"}
	b, err := Combine("1/K", 0.95, []Input{{Name: "r", Value: 1, Unit: "Ohm", U: 2e-5, Type: "A", Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := o.figure(m, 3.123456e-3, b, Given{"T1", 0, "degC"})
	if err != nil {
		t.Fatal(err)
	}
	s := f.Note("corrected").String()
	for _, says := range []string{"tcr of element (chord): 0.003123 ± 0.000039 1/K", "95 %", "what it is", "who says so", "rows 1 to 7", "T1 = 0 degC", "corrected"} {
		if !strings.Contains(s, says) {
			t.Errorf("expected %q in %s", says, s)
		}
	}
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var back map[string]any
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"figure", "channel", "value", "unit", "u", "k", "U", "definition", "source", "rows", "flavour", "budget"} {
		if _, ok := back[key]; !ok {
			t.Errorf("no %q in %s", key, text)
		}
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		if _, err := o.figure(m, bad, b); err == nil {
			t.Errorf("a value of %v: expected an error", bad)
		}
		if _, err := o.interval(m, 1, 1, 0, bad); err == nil {
			t.Errorf("a bound of %v: expected an error", bad)
		}
		if _, err := o.figure(m, 1, b, Given{"T", bad, "K"}); err == nil {
			t.Errorf("read with %v: expected an error", bad)
		}
	}
	for _, c := range []struct {
		v, u float64
		want string
	}{{1234.5678, 0.0123, "1234.568"}, {-0.004, 0.12, "0.00"}, {-0.006, 0.12, "-0.01"}, {1234.5678, 123, "1230"}, {0.5, 0, "0.5"}} {
		if got := number(c.v, digitsFor(c.u)); got != c.want {
			t.Errorf("%v ± %v: expected %s, got %s", c.v, c.u, c.want, got)
		}
	}
}
