package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// TestOhmic: demo data, results recomputed independently.
func TestOhmic(t *testing.T) {
	s := Sweep{Origin: Origin{"element.current", "demo data"}, V: []float64{-1, -.75, -.5, -.25, .25, .5, .75, 1},
		I: []float64{-1.0021e-3, -.7510e-3, -.5003e-3, -.2500e-3, .2501e-3, .5004e-3, .7513e-3, 1.0026e-3}}
	all, err := Ohmic(s)
	f := pick(t, all, err, "resistance", "slope of the sweep")
	within(t, "R", f.Value, 998.189949, 5e-7)
	within(t, "slope", 1/f.Value, 1.001813333e-3, 5e-13)
	within(t, "intercept", with(t, f, "intercept"), 1.25e-7, 1e-15)
	within(t, "R2", with(t, f, "R squared"), 0.999999557783, 5e-13)
	f = pick(t, all, err, "ohmic", "residual")
	within(t, "residual", f.Value, 0.033005770, 5e-10)
	within(t, "residual in A", with(t, f, "largest distance"), 6.616667e-7, 5e-14)
	f = pick(t, all, err, "ohmic", "chord spread")
	within(t, "chord spread", f.Value, 0.259635680, 5e-10)
	within(t, "k for all 28 pairs", f.K, StudentT(math.Pow(0.95, 1./28), 6), 1e-9)
	f = pick(t, all, err, "ohmic", "asymmetry")
	within(t, "asymmetry", f.Value, 0.0498828, 5e-8)
	within(t, "at", with(t, f, "voltage"), 1, 0)
	f = pick(t, all, err, "ohmic", "exponent, both signs")
	within(t, "exponent", f.Value, 1.001498933, 5e-10)
	within(t, "its u", f.U_std, 0.000245692, 5e-10)
	within(t, "positive", pick(t, all, err, "ohmic", "exponent, positive").Value, 1.001535204, 5e-10)
	within(t, "negative", pick(t, all, err, "ohmic", "exponent, negative").Value, 1.001462663, 5e-10)
	f = pick(t, all, err, "ohmic", "cubic")
	within(t, "cubic", f.Value, 2.138216e-3, 5e-10)
	within(t, "G", with(t, f, "G"), 1.000236027e-3, 5e-13)
	s.V[3], s.I[3] = 0, 1e-9
	all, err = Ohmic(s)
	if err != nil || len(all[0].Notes) == 0 {
		t.Errorf("a point at zero: %v, %v", err, all)
	}
}

// With the source at zero, a meter reads its offsets: they are no chord of 130 kOhm.
func TestOhmicAtZeroCurrent(t *testing.T) {
	s := Sweep{Origin: Origin{"element.current", "demo data"}, V: []float64{-0.1064882, -0.0532813, -6.43e-5, 0.0531312, 0.1063368},
		I: []float64{-9.995685e-6, -4.99688e-6, -4.91e-10, 5.00073e-6, 9.999535e-6}}
	all, err := Ohmic(s)
	if f := pick(t, all, err, "ohmic", "exponent, both signs"); math.Abs(f.Value-1) > 0.002 {
		t.Errorf("exponent %v, expected 1", f.Value)
	}
	if f := pick(t, all, err, "ohmic", "chord spread"); f.Value > 0.5 {
		t.Errorf("chords differ by %v %%, expected 0.5 %% at most", f.Value)
	}
}

func TestReversal(t *testing.T) {
	o := Origin{"element.resistance", "demo data"}
	all, err := Reversal(o, []float64{0.1003215, -0.1003095}, 1e-4, 1e-7, 1e-4)
	f := pick(t, all, err, "resistance", "two-point reversal")
	within(t, "R", f.Value, 1003.155, 1e-9)
	within(t, "u", f.U_std, math.Hypot(1e-7/math.Sqrt2/1e-4, 1e-4*1003.155), 1e-6)
	within(t, "thermal voltage", pick(t, all, err, "thermal_voltage", "two-point reversal").Value, 6e-6, 1e-15)
	all, err = Reversal(o, []float64{0.100031, -0.100019, 0.100035}, 1e-4, 1e-7, 0)
	f = pick(t, all, err, "resistance", "three-point reversal")
	within(t, "R", f.Value, 1000.26, 1e-9)
	within(t, "u", f.U_std, math.Sqrt(6)*1e-7/4e-4, 1e-12)
	// Of a sweep, three readings at the largest current where they alternate, else two.
	sweep := Sweep{Origin: o, I: []float64{5e-5, 1e-4, -1e-4, 1e-4}, V: []float64{0.05003, 0.100031, -0.100019, 0.100035}}
	all, err = sweep.reversed()
	within(t, "R of a sweep", pick(t, all, err, "resistance", "three-point reversal").Value, 1000.26, 1e-9)
	sweep = Sweep{Origin: o, I: []float64{-1e-4, -5e-5, 5e-5, 1e-4}, V: []float64{-0.1003095, -0.05015, 0.05016, 0.1003215}}
	all, err = sweep.reversed()
	within(t, "R of a sweep", pick(t, all, err, "resistance", "two-point reversal").Value, 1003.155, 1e-9)
	within(t, "thermal voltage of a sweep", pick(t, all, err, "thermal_voltage", "two-point reversal").Value, 6e-6, 1e-15)
	sweep.I[3] = 0.7e-4 // the other sign is missing
	sweep.I[2] = 0.2e-4
	if all, err := sweep.reversed(); err == nil {
		t.Errorf("no current with both signs: %v", all)
	}
}

func TestTransferLength(t *testing.T) {
	o := Origin{"pads", "demo data"}
	d := []float64{5e-6, 10e-6, 20e-6, 40e-6, 80e-6}
	r := []float64{27.6, 52.4, 102.7, 202.3, 402.5}
	f, _ := LineFit(d, r)
	near(t, "slope", f.B[1], 4.998790323e6, 1e-10)
	all, err := TransferLength(o, d, r, 100e-6, 1e-7)
	within(t, "Rc", pick(t, all, err, "contact_resistance", "transfer length").Value, 1.268750, 5e-7)
	within(t, "R2", with(t, all[0], "R squared"), 0.999998982773, 5e-13)
	within(t, "Rsh", pick(t, all, err, "sheet_resistance", "transfer length").Value, 499.879032, 5e-7)
	near(t, "LT", pick(t, all, err, "transfer_length", "intercept").Value, 2.538114e-7, 2e-7)
	near(t, "rho", pick(t, all, err, "contact_resistivity", "transfer length").Value, 3.220232e-7, 2e-7)
	within(t, "u(Rc)", all[0].U_std, f.U(0)/2, 1e-12)
	all, err = TransferLength(o, d, []float64{27.5, 52.5, 102.5, 202.5, 402.5}, 100e-6, 0)
	near(t, "Rc, noise-free", pick(t, all, err, "contact_resistance", "transfer length").Value, 1.25, 1e-9)
	near(t, "Rsh, noise-free", pick(t, all, err, "sheet_resistance", "transfer length").Value, 500, 1e-9)
	near(t, "LT, noise-free", pick(t, all, err, "transfer_length", "intercept").Value, 0.25e-6, 1e-9)
	near(t, "rho, noise-free", pick(t, all, err, "contact_resistivity", "transfer length").Value, 3.125e-7, 1e-9)
}

// A contact does not have less than nothing: where the line says so, only the sheet is told,
// and where it says hardly more than nothing, no square of that.
func TestTransferLengthBelowNothing(t *testing.T) {
	o := Origin{"pads", "demo data"}
	d := []float64{50e-6, 100e-6, 200e-6, 400e-6, 800e-6}
	for _, c := range []struct {
		name  string
		r     []float64
		given []string
		says  string
	}{
		{"well below", []float64{20.16, 60.13, 140.04, 299.92, 620.06}, []string{"sheet_resistance"}, "no contact has less than nothing"},
		{"none to be told", []float64{40.16, 79.93, 160.04, 319.72, 640.06}, []string{"contact_resistance", "sheet_resistance", "transfer_length"}, "cannot be told from nothing"},
		{"some", []float64{60.16, 100.13, 180.04, 339.92, 660.06}, []string{"contact_resistance", "sheet_resistance", "transfer_length", "contact_resistivity"}, ""},
	} {
		all, err := TransferLength(o, d, c.r, 1e-3, 0)
		if err != nil {
			t.Fatal(err)
		}
		notes := strings.Join(all[0].Notes, "; ")
		if got := Names(all); !slices.Equal(got, c.given) || !strings.Contains(notes, c.says) || (c.says == "") != (notes == "") {
			t.Errorf("%s: %v, notes %q", c.name, got, notes)
		}
	}
}

func TestSelfHeating(t *testing.T) {
	all, err := SelfHeating(Origin{"element", "demo data"}, Heated{1000.05, 1e-4, 0.01}, Heated{1005.00, 1e-3, 0.01}, 3.1e-3, 1e-5)
	within(t, "slope", pick(t, all, err, "self_heating", "resistance per power").Value, 4974.876872, 5e-7)
	within(t, "R0", pick(t, all, err, "r0", "no power").Value, 1000.000248744, 5e-10)
	f := pick(t, all, err, "self_heating", "temperature rise")
	within(t, "rise", f.Value, 1.612822585, 5e-10)
	near(t, "its u", f.U_std, math.Hypot(1.6128*1e-5/3.1e-3, 0.01*math.Sqrt2*1.01/3.1), 0.01)
	within(t, "dissipation factor", pick(t, all, err, "self_heating", "dissipation factor").Value, 6.231311550e-4, 5e-14)
	within(t, "rise per power", pick(t, all, err, "self_heating", "temperature rise per power").Value, 1.604798592, 5e-10)
}

func TestBending(t *testing.T) {
	o := Origin{"element.resistance", "demo data"}
	strain, change := []float64{0, .001, .002, .003, .004}, []float64{0, .0021, .0039, .0062, .0080}
	all, err := GaugeFactor(o, strain, change, nil, 0.01, 3.1e-3)
	f := pick(t, all, err, "gauge_factor", "through zero")
	within(t, "through zero", f.Value, 2.016666667, 5e-10)
	within(t, "temperature that looks alike", with(t, f, "temperature change that looks like the largest bending"), 2.580645161, 5e-10)
	if !(f.U_std > 0.02) {
		t.Errorf("u = %v leaves the strain's own out", f.U_std)
	}
	within(t, "free line", pick(t, all, err, "gauge_factor", "free line").Value, 2.01, 1e-9)
	// Resistances that scatter less than they are uncertain by: what random draws make of both slopes.
	rng, uR := rand.New(rand.NewPCG(4, 7)), []float64{5e-4, 5e-4, 4e-4, 5e-4, 6e-4}
	var slopes [2][]float64
	for range 20000 {
		drawn := make([]float64, len(change))
		first := 1 + uR[0]*rng.NormFloat64()
		for i := 1; i < len(drawn); i++ {
			drawn[i] = (1+2*strain[i])*(1+uR[i]*rng.NormFloat64())/first - 1
		}
		zero, _ := OriginFit(strain, drawn)
		line, _ := LineFit(strain, drawn)
		slopes[0], slopes[1] = append(slopes[0], zero.B[0]), append(slopes[1], line.B[1])
	}
	all, err = GaugeFactor(o, strain, []float64{0, .002, .004, .006, .008}, uR, 0, 3.1e-3)
	for i, flavour := range []string{"through zero", "free line"} {
		_, u, _ := MeanError(slopes[i])
		near(t, "u of the slope "+flavour, pick(t, all, err, "gauge_factor", flavour).U_std, u*math.Sqrt(float64(len(slopes[i]))), 0.03)
	}
	f, err = BendResponse(o, 1000, 0.1, 1008, 0.1, 0.005)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "bend response", f.Value, 0.8, 1e-9)
	near(t, "its u", f.U_std, 0.01*math.Sqrt2, 0.01)
}

func TestCyclesToThreshold(t *testing.T) {
	o := Origin{"element.resistance", "demo data"}
	n, change := []float64{1, 10, 100, 1e3, 2e3, 5e3, 1e4}, []float64{.1, .3, .6, 2, 4, 9, 22}
	for _, c := range []struct{ threshold, linear, logarithmic float64 }{
		{10, 5384.615385, 5273.830382}, {5, 2600, 2402.248868}, {20, 9230.769231, 8988.509732}} {
		all, err := CyclesToThreshold(o, n, change, nil, 0.1, 0.1, c.threshold)
		f := pick(t, all, err, "cycles_to_threshold", "linear in cycles")
		within(t, "linear", f.Value, c.linear, 5e-7)
		if f.U_std < 100/math.Sqrt(3) {
			t.Errorf("u = %v: readings thousands of cycles apart know more than that", f.U_std)
		}
		if *f.Low > 5e3 || *f.High < 5e3 || f.Censored {
			t.Errorf("limits %v to %v do not reach the readings on both sides", *f.Low, *f.High)
		}
		within(t, "logarithmic", pick(t, all, err, "cycles_to_threshold", "linear in log cycles").Value, c.logarithmic, 5e-7)
	}
	all, err := CyclesToThreshold(o, n, change, nil, 0.1, 0.1, 30)
	if f := pick(t, all, err, "cycles_to_threshold", "censored"); !f.Censored || f.Value != 1e4 || len(f.Notes) == 0 {
		t.Errorf("never reached: %+v", f)
	}
	// Cycles that may have been made before the reading at 5000, and do not count.
	plain, _ := CyclesToThreshold(o, n, change, nil, 0.1, 0.1, 5)
	wide, err := CyclesToThreshold(o, n, change, []float64{0, 0, 0, 0, 0, 100, 300}, 0.1, 0.1, 5)
	a, b := pick(t, plain, nil, "cycles_to_threshold", "linear in cycles"), pick(t, wide, err, "cycles_to_threshold", "linear in cycles")
	if b.Value != a.Value || *b.Low != *a.Low || math.Abs(*b.High-*a.High-100) > 1e-9 || math.Abs(b.U_std*b.U_std-a.U_std*a.U_std-100*100/3.) > 1e-6*b.U_std*b.U_std {
		t.Errorf("with 100 cycles that may have been made: %+v, without: %+v", b, a)
	}
	if _, err := CyclesToThreshold(o, n, change, nil, 0.1, 0.1, 0.05); err == nil {
		t.Error("reached before the first reading: expected an error")
	}
}

// TestFilmThatWentOpen: one that goes open before it is read above a threshold has passed it,
// and not outlived its run. Demo data.
func TestFilmThatWentOpen(t *testing.T) {
	c := &computer{}
	c.R.Channel, c.Facts.FlatAtM, c.Facts.StageAccel = "element.resistance", 0.001, 0.5
	c.fails, c.story.cycles = isOpen, 371
	c.failed = &failure{at: 1058, open: true, why: isOpen, from: 350, to: 371, in: &block{from: 1050, first: 0.001, bent: 0.006, speed: 0.05}}
	var all []held
	for _, n := range []float64{0, 100, 200, 300} {
		all = append(all, held{shape: shape{from: n, to: n, position: 0.001, cycles: n}, r: 1000 + n/4, u: 0.1})
	}
	c.wear(all)
	const value = 350 + 8/0.4 // s a cycle: twice 100 ms to its full speed and back, and 5 mm at 50 mm/s
	told := map[string]bool{}
	for _, f := range c.Figures {
		limit, _ := f.with("threshold")
		told[fmt.Sprintf("%s, %s, %g", f.Figure, f.Flavour, limit)] = true
		if f.Flavour == wentOpen && (math.Abs(f.Value-value) > 1e-9 || *f.Low != 300 || *f.High != 371 || f.Censored) {
			t.Errorf("%g %%: %v (%v to %v)", limit, f.Value, *f.Low, *f.High)
		}
	}
	for _, want := range []string{"cycles_to_threshold, linear in cycles, 5", "cycles_to_threshold, went open, 10", "cycles_to_threshold, went open, 20", "cycles_to_failure, it is open, 0"} {
		if !told[want] {
			t.Errorf("no %s in %v", want, told)
		}
	}
	if life, f := lifeOf(c.Figures, 20); f == nil || life.Survived || math.Abs(life.Cycles-value) > 1e-9 {
		t.Errorf("its life is %+v", life)
	}
}

// Lieblein and Zelen, J. Res. NBS 57 (1956) 273, lives of ball bearings in 10⁶
// revolutions (data from memory; published 2.102 and 81.88, from memory). Another print
// has 48.48 for 48.40.
func bearings(seventh float64) (lives []Life) {
	for _, x := range []float64{17.88, 28.92, 33.00, 41.52, 42.12, 45.60, seventh, 51.84, 51.96, 54.12, 55.56, 67.80, 68.64, 68.64, 68.88, 84.12,
		93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40} {
		lives = append(lives, Life{Cycles: x})
	}
	return lives
}

func TestWeibull(t *testing.T) {
	w, err := FitWeibull(bearings(48.40))
	if err != nil {
		t.Fatal(err)
	}
	within(t, "shape", w.Shape, 2.10184686, 5e-9)
	within(t, "its u", w.UShape, 0.32865733, 5e-9)
	within(t, "scale", w.Scale, 81.87455872, 5e-9)
	within(t, "its u", w.UScale, 8.6009265, 5e-8)
	within(t, "ln L", w.LogLikelihood, -113.69195909, 5e-9)
	within(t, "B10", w.Quantile(0.1), 28.065089, 5e-7)
	within(t, "B50", w.Quantile(0.5), 68.773033, 5e-7)
	other, _ := FitWeibull(bearings(48.48))
	within(t, "shape, 48.48", other.Shape, 2.10205888, 5e-9)
	within(t, "scale, 48.48", other.Scale, 81.87833405, 5e-9)
	within(t, "ln L, 48.48", other.LogLikelihood, -113.69129093, 5e-9)
	// NIST/SEMATECH e-Handbook, 8.4.1.3: 10 failures and 10 taken out at 500 h; published
	// scale 606.5280, shape 1.7208, ln L 75.135 (sign left out there), AIC 154.27.
	var lives []Life
	time := 0.
	for _, x := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386} {
		lives = append(lives, Life{Cycles: x}, Life{Cycles: 500, Survived: true})
		time += x + 500
	}
	if w, err = FitWeibull(lives); err != nil {
		t.Fatal(err)
	}
	within(t, "scale, published", w.Scale, 606.5280, 6e-4)
	within(t, "scale", w.Scale, 606.52755800, 5e-8)
	within(t, "shape", w.Shape, 1.72079726, 5e-9)
	within(t, "u(shape)", w.UShape, 0.5021506, 5e-8)
	within(t, "u(scale)", w.UScale, 124.91066, 5e-6)
	within(t, "ln L", w.LogLikelihood, -75.13461816, 5e-9)
	within(t, "AIC", 4-2*w.LogLikelihood, 154.269236, 5e-7)
	within(t, "mean life of the exponential law", time/10, 777.1, 1e-9)
	all, err := WeibullFigures(Origin{"array", "demo data"}, lives)
	f := pick(t, all, err, "weibull_shape", "maximum likelihood")
	// The limits are where the likelihood has fallen by 1.9207 (χ² tables, from memory).
	for _, b := range []float64{*f.Low, *f.High} {
		within(t, "fall of the likelihood", w.LogLikelihood-w.likelihood(b, w.scaleFor(b)), 1.9207, 1e-4)
	}
	f = pick(t, all, err, "weibull_scale", "maximum likelihood")
	if !(*f.Low > 400 && *f.Low < 606 && *f.High > 700 && *f.High < 1200) {
		t.Errorf("limits of the scale: %v to %v", *f.Low, *f.High)
	}
	f = pick(t, all, err, "weibull_b50", "maximum likelihood")
	if !(*f.Low < f.Value && f.Value < *f.High) {
		t.Errorf("%v is not between %v and %v", f.Value, *f.Low, *f.High)
	}
	if _, err := FitWeibull([]Life{{5, false}, {7, true}}); err == nil {
		t.Error("one failure: expected an error")
	}
}

// TestFatigueLaw: log-log fit in the form of ASTM E739 (from memory), demo data.
func TestFatigueLaw(t *testing.T) {
	var x, y []float64
	for _, p := range [][2]float64{{.02, 1200}, {.015, 2300}, {.01, 5900}, {.007, 13500}, {.005, 29000}} {
		x, y = append(x, math.Log10(p[0])), append(y, math.Log10(p[1]))
	}
	f, err := LineFit(x, y)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "A", f.B[0], -0.835768733, 5e-10)
	within(t, "B", f.B[1], -2.303214001, 5e-10)
	within(t, "s", f.S, 0.002928383, 5e-10)
	n, _ := f.At(1, math.Log10(.008))
	within(t, "N(.008)", math.Pow(10, n), 9859.70, 5e-3)
}

// TestTwoLessFour: demo data. What the film does of itself, straight on, is no part of the
// step, nor is what comes half a minute after it; where the change took long, there is no
// figure.
func TestTwoLessFour(t *testing.T) {
	run := func(gap, change float64) (f Figure, c *computer) {
		c = &computer{}
		c.R = Series{Channel: "element.resistance", Unit: "Ohm"}
		rng := rand.New(rand.NewPCG(7, 7))
		for i := range 240 {
			at, step := float64(i)/2, 0.
			if at >= 60 {
				at, step = at+gap, 31
			}
			r := 9700 - 0.05*at + step + 0.05*rng.NormFloat64()
			if at > 100 {
				r += change
			}
			c.R.Time, c.R.Y = append(c.R.Time, at), append(c.R.Y, r)
		}
		c.contacts([]stay{{from: 0, to: 60, target: 30, wires: "4"}, {from: 60 + gap, to: 120 + gap, target: 30, wires: "2"}})
		if len(c.Figures) > 0 {
			f = c.Figures[0]
		}
		return f, c
	}
	for gap, change := range map[float64]float64{0: 0, 1: 5, 3: 0} { // what is later than 30 s counts for nothing
		f, c := run(gap, change)
		if f.Unit != "Ohm" || math.Abs(f.Value-31) > f.Expanded || f.Expanded > 0.3 {
			t.Errorf("gap %v s: %v ± %v %s, %v; expected 31 Ohm", gap, f.Value, f.Expanded, f.Unit, c.LeftOut)
		}
	}
	if _, c := run(11, 0); len(c.Figures) != 0 || len(c.LeftOut) != 1 {
		t.Errorf("a change that took 11 s: %v", c.Figures)
	}
}

// TestExponentLessOffset: an offset of the meter of 3 mV in 20 is no part of an exponent,
// and 1 % of a cube still is.
func TestExponentLessOffset(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	for _, cube := range []float64{0, 0.01} {
		var s Sweep
		for _, i := range []float64{-10e-6, -6e-6, -2e-6, 2e-6, 6e-6, 10e-6} {
			x := i / 10e-6
			s.V, s.I = append(s.V, 1e4*i*(1+cube*x*x)+3e-3+1e-7*rng.NormFloat64()), append(s.I, i)
		}
		raw, err := Ohmic(s)
		off := math.Abs(pick(t, raw, err, "ohmic", "exponent, both signs").Value - 1)
		f := pick(t, s.lessOffset(), nil, "ohmic", "exponent, both signs")
		within(t, "V0", with(t, f, "V0"), 3e-3, 1e-6)
		switch {
		case cube == 0 && !(math.Abs(f.Value-1) < f.Expanded && f.Expanded < off/50):
			t.Errorf("exponent %v ± %v, off by %v without the correction", f.Value, f.Expanded, off)
		case cube > 0 && math.Abs(f.Value-1) < 1e-3:
			t.Errorf("exponent %v: the cube is lost", f.Value)
		}
	}
}
