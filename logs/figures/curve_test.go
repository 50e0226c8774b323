package figures

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Demo data of a film between 25 and 85 degC; all results were recomputed independently.
var (
	setT    = []float64{25, 35, 45, 55, 65, 75, 85}
	setUp   = []float64{1000.0, 1030.9, 1062.4, 1094.2, 1125.1, 1157.4, 1189.0}
	setDown = []float64{1000.6, 1032.3, 1064.2, 1096.3, 1127.0, 1158.3, 1189.0}
)

func setCurve(r []float64, u float64) Curve {
	c := Curve{Origin: Origin{"element.resistance", "demo data"}, T: setT, R: r}
	if u > 0 {
		for range r {
			c.UR, c.UT = append(c.UR, u), append(c.UT, 0)
		}
	}
	return c
}

// pick finds a figure by name and flavour.
func pick(t *testing.T, all []Figure, err error, figure, flavour string) Figure {
	t.Helper()
	if err != nil {
		t.Fatalf("%s (%s): %v", figure, flavour, err)
	}
	for _, f := range all {
		if f.Figure == figure && f.Flavour == flavour {
			if f.Definition == "" || f.Source == "" || f.Unit == "" || !(f.U_std >= 0) || f.Level != 0.95 || f.check() != nil {
				t.Errorf("%s (%s) is incomplete: %+v", figure, flavour, f)
			}
			return f
		}
	}
	t.Fatalf("no %s (%s) among %d figures", figure, flavour, len(all))
	return Figure{}
}

func with(t *testing.T, f Figure, name string) float64 {
	t.Helper()
	for _, g := range f.With {
		if g.Name == name {
			return g.Value
		}
	}
	t.Fatalf("%s (%s) says nothing of %q", f.Figure, f.Flavour, name)
	return 0
}

func TestLineOfSet(t *testing.T) {
	f, err := LineFit(setT, setUp)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "a", f.B[0], 920.755357143, 5e-10)
	within(t, "b", f.B[1], 3.1525, 1e-12)
	within(t, "s", f.S, 0.379379192, 5e-10)
	within(t, "s_a", f.U(0), 0.419589662, 5e-10)
	within(t, "s_b", f.U(1), 0.007169593, 5e-10)
	within(t, "R2", f.R2, 0.999974139461, 5e-13)
	both := make([]float64, len(setT))
	for i := range both {
		both[i] = (setUp[i] + setDown[i]) / 2
	}
	f, _ = LineFit(setT, both)
	within(t, "a of the mean", f.B[0], 921.641964286, 5e-10)
	within(t, "b of the mean", f.B[1], 3.147678571, 5e-10)
	worst := 0.
	for _, r := range f.Residuals {
		worst = max(worst, math.Abs(r))
	}
	within(t, "deviation of the mean", worst, 0.485714286, 5e-10)
	low, high := extremes(both)
	within(t, "in % of span", 100*worst/(high-low), 0.257400257, 5e-10)
	for _, c := range []struct {
		m int
		u float64
	}{{1, 0.128720732}, {4, 0.075546806}} {
		f, err := InversePrediction(setCurve(setUp, 0), 1100, c.m)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "inverse prediction", f.Value, 56.857935879, 5e-10)
		within(t, "its u", f.U_std, c.u, 5e-10)
	}
	// A meter that reads all resistances wrong in the same way leads back to the same
	// temperature; a thermometer does not.
	c := setCurve(setUp, 0)
	c.Common = []Common{{Name: "gain", Kind: ResistanceGain, U: 0.01}, {Name: "leads", Kind: ResistanceOffset, U: 10}}
	g, err := InversePrediction(c, 1100, 1)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "u with a meter that is off", g.U_std, 0.128720732, 5e-9)
	c.Common = []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 0.3}}
	if g, err = InversePrediction(c, 1100, 1); err != nil {
		t.Fatal(err)
	}
	within(t, "u with a thermometer that is off", g.U_std, math.Hypot(0.128720732, 0.3), 5e-9)
}

func TestSensitivityFlavours(t *testing.T) {
	all, err := Sensitivity(setCurve(setUp, 0), 25)
	for _, c := range []struct {
		flavour string
		want    float64
	}{
		{"end points over R at the lowest temperature", 0.315},
		{"fitted slope over measured R0", 0.31525},
		{"fitted slope over fitted R0", 0.315386292},
		{"fitted slope over fitted R at 0 degC", 0.342381934},
		{"fitted slope over mean R", 0.288125082},
	} {
		f := pick(t, all, err, "sensitivity", c.flavour)
		within(t, c.flavour, f.Value, c.want, 5e-10)
		within(t, c.flavour+": k of 5 degrees of freedom", f.K, 2.5706, 5e-5)
	}
	// The slope's uncertainty is s_b, the mean's s/√7; the two errors are independent.
	f := pick(t, all, err, "sensitivity", "fitted slope over mean R")
	within(t, "u", f.U_std, 100*math.Hypot(0.007169593, 3.1525/1094.142857*0.379379192/math.Sqrt(7))/1094.142857, 2e-9)
	if _, err := Sensitivity(setCurve(setUp, 0), 20); err != nil {
		t.Errorf("no point at 20 degC, but the fits have values: %v", err)
	}
	all, _ = Sensitivity(setCurve(setUp, 0), 20)
	if len(all) != 4 || !strings.Contains(strings.Join(all[0].Notes, ""), "no point within 1 K of 20 degC") {
		t.Errorf("what is missing is not said: %v", all)
	}
}

// TestSensitivityUncertainty: end points R1 1000.0 (u .05), R2 1189.0 (.06), T1 25 (.15),
// T2 85 (.25), recomputed independently: a common thermometer error cancels.
func TestSensitivityUncertainty(t *testing.T) {
	inputs := []Input{{Name: "R1", Value: 1000, U: 0.05}, {Name: "R2", Value: 1189, U: 0.06}, {Name: "T1", Value: 25, U: 0.15}, {Name: "T2", Value: 85, U: 0.25}}
	f := func(x []float64) (float64, error) { return (x[1] - x[0]) / (x[0] * (x[3] - x[2])), nil }
	s, b, err := Propagate("1/K", 0.95, inputs, f)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "S", s, 0.315e-2, 1e-12)
	for i, c := range []float64{-9.908333e-7, 1.0e-6, 7.875e-6, -1.3125e-5} {
		near(t, inputs[i].Name, b.Inputs[i].Contribution(), c, 2e-5) // differences over ±u, not derivatives
	}
	near(t, "u", b.Combined, 1.537084906e-5, 2e-5)
	near(t, "relative", b.Combined/s, 0.004880, 2e-4)
	_, b, _ = Propagate("1/K", 0.95, inputs, f, Correlation{2, 3, 1})
	near(t, "u, temperatures correlated", b.Combined, 5.435462e-6, 1e-4)
	// The same through a curve: an offset common to both cancels altogether.
	c := Curve{Origin: Origin{"r", "demo data"}, T: []float64{25, 85}, R: []float64{1000, 1189}, UT: []float64{0.15, 0.25}, UR: []float64{0.05, 0.06}}
	all, err := Sensitivity(c, 25)
	near(t, "u of the figure", pick(t, all, err, "sensitivity", "end points over R at the lowest temperature").U_std, 1.537084906e-3, 2e-5)
	c.UT = nil
	c.Common = []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 0.2}}
	all, err = Sensitivity(c, 25)
	near(t, "with a common offset", pick(t, all, err, "sensitivity", "end points over R at the lowest temperature").U_std, 100*math.Hypot(9.908333e-7, 1e-6), 1e-5)
	// The line's value at 25 degC moves with the offset, and with it what divides the slope.
	near(t, "over fitted R0", pick(t, all, err, "sensitivity", "fitted slope over fitted R0").U_std, 100*math.Hypot(math.Hypot(9.908333e-7, 1e-6), 3.15*3.15/1e6*0.2), 1e-3)
	c.Common = []Common{{Name: "meter", Kind: ResistanceGain, U: 0.01}}
	all, err = Sensitivity(c, 25)
	near(t, "with a common gain", pick(t, all, err, "sensitivity", "fitted slope over fitted R0").U_std, 100*math.Hypot(9.908333e-7, 1e-6), 1e-3)
}

// TestOnFilm: a plate at 85 degC in air of 25 keeps a film 1 to 1.5 K lower (the stack of a
// glass slide and polyimide, recomputed independently: 1.04 K, with contact 1.32 K).
func TestOnFilm(t *testing.T) {
	c := setCurve(setUp, 0)
	film, err := c.OnFilm(25, 1./60, 1.5/60)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "temperature", film.T[6], 85-1.25, 1e-12)
	within(t, "of the plate is untouched", c.T[6], 85, 0)
	all, err := Sensitivity(film, 25)
	f := pick(t, all, err, "sensitivity", "fitted slope over fitted R0")
	share := 1.25 / 60
	within(t, "sensitivity", f.Value, 0.315386292/(1-share), 1e-8)
	near(t, "share of the offset in its u", f.Budget.Inputs[1].Contribution(), -f.Value*0.25/60/math.Sqrt(3)/(1-share), 1e-3)
	if _, err := c.OnFilm(25, 0.1, 0.05); err == nil {
		t.Error("bounds the wrong way round: expected an error")
	}
}

// TestDegreesOfFreedom: two readings known by 3 degrees of freedom each give 6 where they
// count alike (Welch and Satterthwaite), and k of Student's t.
func TestDegreesOfFreedom(t *testing.T) {
	c := Curve{Origin: Origin{"r", "demo data"}, T: []float64{25, 85}, R: []float64{1e6, 1e6 + 1}, UR: []float64{1, 1}, DoF: []float64{3, 3}}
	all, err := TCR(c, 25, 85)
	f := pick(t, all, err, "tcr", "chord")
	within(t, "degrees of freedom", f.Budget.DoF, 6, 1e-3)
	within(t, "k", f.K, 2.4469, 5e-5)
}

func TestTCR(t *testing.T) {
	f, err := quadraticAt(setT, setUp, 25)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "r0", f.B[0], 999.907142857, 5e-10)
	within(t, "r1", f.B[1], 3.11178571429, 5e-12)
	near(t, "r2", f.B[2], 6.78571428572e-4, 1e-10)
	all, err := TCR(setCurve(setUp, 0), 25, 85, 25, 55, 85)
	if err != nil || len(all) != 4 {
		t.Fatal(all, err)
	}
	within(t, "chord", all[0].Value, 3.15e-3, 1e-12)
	for i, want := range []float64{3.112074693e-3, 2.881965757e-3, 2.685501117e-3} {
		within(t, "local", all[i+1].Value, want, 5e-13)
	}
	// Pt100 after IEC 60751:2008, 4.2: R = 100(1+At+Bt²) Ohm, A = 3.9083e-3, B = -5.775e-7.
	pt := Curve{Origin: Origin{"pt", "computed"}, T: []float64{0, 25, 50, 100}}
	for _, v := range pt.T {
		pt.R, pt.UR = append(pt.R, 100*(1+3.9083e-3*v-5.775e-7*v*v)), append(pt.UR, 1e-4)
	}
	all, err = TCR(pt, 0, 100, 0, 25, 50, 100)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{3.85055e-3, 3.908300e-3, 3.535277853e-3, 3.224993902e-3, 2.738375010e-3} {
		within(t, all[i].Flavour+" of platinum", all[i].Value, want, 6e-13)
	}
}

func TestR0(t *testing.T) {
	all, err := R0(setCurve(setUp, 0), 25)
	within(t, "measured", pick(t, all, err, "r0", "measured").Value, 1000, 1e-9)
	within(t, "line", pick(t, all, err, "r0", "fitted line").Value, 920.755357143+25*3.1525, 1e-8)
	within(t, "quadratic", pick(t, all, err, "r0", "fitted quadratic").Value, 999.907142857, 5e-10)
	c := setCurve(setUp, 0.1)
	c.Common = []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 0.1}}
	all, err = R0(c, 25)
	near(t, "u of the measured one", pick(t, all, err, "r0", "measured").U_std, math.Hypot(0.1, 0.1*3.11), 1e-3)
	c.Common = []Common{{Name: "meter", Kind: ResistanceGain, U: 1e-3}, {Name: "leads", Kind: ResistanceOffset, U: 0.5}}
	all, err = R0(c, 25)
	near(t, "u with a meter and leads", pick(t, all, err, "r0", "measured").U_std, math.Hypot(math.Hypot(0.1, 1), 0.5), 1e-6)
	steep := setCurve([]float64{100, 200, 400, 800, 1600, 3200, 6400}, 0.1) // a line through it is below zero at 25 degC
	for figure, of := range map[string]func(Curve, float64) ([]Figure, error){"r0, fitted line": R0, "sensitivity, fitted slope over fitted R0": Sensitivity} {
		all, err := of(steep, 25)
		if err != nil || !strings.Contains(strings.Join(all[0].Notes, "\n"), "not given: "+figure+": ") || !strings.Contains(all[0].Notes[0], "R0 comes to -982.1") {
			t.Errorf("%s below zero: %v, %q", figure, err, all)
		}
		for _, f := range all {
			if f.Figure+", "+f.Flavour == figure {
				t.Errorf("%s below zero is a figure: %v", figure, f)
			}
		}
	}
	one := Curve{Origin: Origin{"r", "row 1"}, T: []float64{25}, R: []float64{1000}}
	if _, err := R0(one, 25); err == nil || !strings.Contains(err.Error(), "give the uncertainty, or more points") {
		t.Errorf("one row: %v", err)
	}
	constant := Curve{Origin: Origin{"r", "rows"}, T: []float64{25, 25, 25}, R: []float64{1, 2, 3}}
	if _, err := Sensitivity(constant, 25); err == nil || !strings.Contains(err.Error(), "25 degC at all 3 points") {
		t.Errorf("constant temperature: %v", err)
	}
	constant.R[1] = math.NaN()
	if _, err := TCR(constant, 25, 30); err == nil || !strings.Contains(err.Error(), "NaN") {
		t.Errorf("NaN: %v", err)
	}
}

// TestThermistor: B-model and Steinhart–Hart points recomputed independently.
func TestThermistor(t *testing.T) {
	for _, c := range []struct{ t2, r2, b float64 }{{85, 1070.6, 3976.516644}, {50, 3588, 3950.196107}, {100, 695, 3955.368433}} {
		all, err := BValue(Curve{Origin: Origin{"r", "demo data"}, T: []float64{25, c.t2}, R: []float64{10000, c.r2}, UR: []float64{1, 1}}, 25, c.t2)
		within(t, "B", pick(t, all, err, "b_value", "two points").Value, c.b, 5e-7)
	}
	f, err := SteinhartHart([]float64{0, 25, 50}, []float64{32650, 10000, 3603})
	if err != nil || f.DoF != 0 {
		t.Fatal(f, err)
	}
	near(t, "a", f.B[0], 1.125256672108e-3, 5e-11)
	near(t, "b", f.B[1], 2.347204472978e-4, 5e-11)
	near(t, "c", f.B[2], 8.563052731505e-8, 5e-10)
	c := Curve{Origin: Origin{"r", "computed"}}
	for v := -20.; v <= 100; v += 10 {
		c.T, c.R = append(c.T, v), append(c.R, 10000*math.Exp(3950*(1/(v+273.15)-1/298.15)))
	}
	c.UR = make([]float64, len(c.R))
	for i, r := range c.R {
		c.UR[i] = 1e-4 * r
	}
	all, err := BValue(c, 30, 80)
	f2 := pick(t, all, err, "b_value", "fitted")
	within(t, "fitted B", f2.Value, 3950, 1e-6)
	if !(f2.U_std > 0.01 && f2.U_std < 0.5) {
		t.Errorf("u(B) = %v", f2.U_std)
	}
	all, err = SteinhartHartFigures(c)
	near(t, "b of an exponential", pick(t, all, err, "steinhart_hart_b", "least squares").Value, 1/3950., 1e-9)
}

// largestHolds draws the errors of seven points known to 0.1 Ohm: the largest error of
// their distances from a line stays within U in 95 of 100, no more and no less.
func largestHolds(t *testing.T, f Figure, line conformity) {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 6))
	truth, _ := line.from(setT, setUp)
	const n = 4000
	held := 0
	for range n {
		r := slices.Clone(setUp)
		for i := range r {
			r[i] += 0.1 * rng.NormFloat64()
		}
		off, _ := line.from(setT, r)
		worst := 0.
		for i := range off {
			worst = max(worst, math.Abs(off[i]-truth[i]))
		}
		if worst <= f.Expanded*189/100 {
			held++
		}
	}
	within(t, line.name+": share of draws held", float64(held)/n, 0.95, 0.018) // some four standard deviations of this and of the figure's own draws
}

func TestLinearityFlavours(t *testing.T) {
	all, err := Linearity(setCurve(setUp, 0.1))
	for _, c := range []struct {
		flavour        string
		percent, digit float64
		ohm            float64
	}{
		{"independent", 0.238095, 5e-7, 0.45}, {"least squares", 0.300454, 5e-7, 0.567857143},
		{"terminal-based", 0.476190, 5e-7, 0.9}, {"zero-based", 0.285714, 5e-7, 0.54},
		{"zero-based, least squares", 0.318042, 5e-7, 0.601099},
	} {
		f := pick(t, all, err, "linearity", c.flavour)
		within(t, c.flavour, f.Value, c.percent, c.digit)
		within(t, c.flavour+" in Ohm", math.Abs(with(t, f, "largest deviation")), c.ohm, 6e-7)
		within(t, c.flavour+" span", with(t, f, "span"), 189, 1e-9)
		// Seven intervals together, of points known to 0.1 Ohm: the line's share is less than that
		// again. They hang together, so that less than for seven independent ones (Šidák) will do.
		if least, most := StudentT(0.95, math.Inf(1)), StudentT(math.Pow(0.95, 1./7), math.Inf(1)); f.K < least || f.K > most || !(f.U_std > 0.03 && f.U_std < 0.12) {
			t.Errorf("%s: u = %v, k = %v, expected %v to %v", c.flavour, f.U_std, f.K, least, most)
		}
	}
	largestHolds(t, pick(t, all, err, "linearity", "least squares"), conformities[4])
	largestHolds(t, pick(t, all, err, "linearity", "terminal-based"), conformities[1])
	within(t, "terminal-based at", with(t, pick(t, all, err, "linearity", "terminal-based"), "at"), 65, 0)
	a, b, d, err := MinimaxLine(setT, setUp)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "minimax offset", a, 920.8, 1e-9)
	within(t, "minimax slope", b, 3.15, 1e-12)
	within(t, "minimax deviation", d, 0.45, 1e-9)
	m, _ := zeroBased(setT, setUp)
	within(t, "zero-based slope", m, 3.141, 1e-9)
	z, _ := OriginFit(shifted(setT, 25), shifted(setUp, 1000))
	within(t, "zero-based least-squares slope", z.B[0], 3.142527473, 5e-10)
	if _, err := Linearity(setCurve(setUp, 0)); err == nil {
		t.Error("linearity without the uncertainty of the resistances: expected an error")
	}
}

// TestLinearityOfMeans: of the same set, both directions; the least-squares value is
// recomputed independently.
func TestLinearityOfMeans(t *testing.T) {
	all, err := LinearityOfMeans(setCurve(setUp, 0.1), setCurve(setDown, 0.1))
	f := pick(t, all, err, "linearity", "least squares, means of both directions")
	within(t, "in %", f.Value, 0.257400257, 5e-9)
	within(t, "largest", math.Abs(with(t, f, "largest deviation")), 0.485714286, 5e-9)
	if len(all) != 5 {
		t.Errorf("%d flavours", len(all))
	}
	// Where the way turns there is one value: its mean is itself.
	turned := setCurve(setDown, 0.1)
	turned.T, turned.R, turned.UT, turned.UR = turned.T[:6], turned.R[:6], turned.UT[:6], turned.UR[:6]
	all, err = LinearityOfMeans(setCurve(setUp, 0.1), turned)
	within(t, "with one value at the top", pick(t, all, err, "linearity", "least squares, means of both directions").Value, 0.257400257, 5e-9)
	short := Curve{Origin: Origin{"r", "demo data"}, T: []float64{25, 25.5}, R: []float64{1000, 1001}, UR: []float64{1, 1}}
	if all, err := LinearityOfMeans(setCurve(setUp, 0.1), short); err == nil {
		t.Errorf("one temperature in both directions, and the top: %v", all)
	}
}

func TestHysteresis(t *testing.T) {
	all, err := Hysteresis(setCurve(setUp, 0.1), setCurve(setDown, 0.1))
	f := pick(t, all, err, "hysteresis", "largest, %")
	within(t, "in %", f.Value, 1.111111, 5e-7)
	within(t, "in Ohm", with(t, f, "largest deviation"), 2.1, 1e-9)
	within(t, "at", with(t, f, "at"), 55, 0)
	within(t, "u in %", f.U_std, 100*0.1*math.Sqrt2/189, 1e-6)
	within(t, "in K", pick(t, all, err, "hysteresis", "largest, K").Value, 0.666137986, 5e-10)
	f = pick(t, all, err, "hysteresis", "largest, Ohm")
	within(t, "in Ohm", f.Value, 2.1, 1e-9)
	within(t, "u in Ohm", f.U_std, 0.1*math.Sqrt2, 1e-6)
	f = pick(t, all, err, "return_to_start", "relative to R0")
	within(t, "return to start", f.Value, 0.06, 1e-9)
	within(t, "in Ohm", with(t, f, "difference"), 0.6, 1e-9)
	within(t, "in K", with(t, f, "divided by the slope of the way up"), 0.190325139, 5e-10)
	// A thermometer that reads wrong reads wrong both ways.
	up, down := setCurve(setUp, 0.1), setCurve(setDown, 0.1)
	up.Common = []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 1}}
	down.Common = up.Common
	all, err = Hysteresis(up, down)
	within(t, "u with a thermometer off by 1 K", pick(t, all, err, "hysteresis", "largest, Ohm").U_std, 0.1*math.Sqrt2, 1e-6)
	// A way down at slightly other temperatures is reduced to those of the way up.
	moved := down
	moved.T, moved.R = nil, nil
	for i := range setT {
		moved.T = append(moved.T, setT[i]+0.5)
		moved.R = append(moved.R, setDown[i]+0.5*3.15)
	}
	all, err = Hysteresis(up, moved)
	within(t, "reduced", pick(t, all, err, "hysteresis", "largest, Ohm").Value, 2.1, 0.03)

	all, err = Hysteresis(setCurve(setUp, 0.1), setCurve(setDown, 0.1))
	f = pick(t, all, err, "hysteresis", "mid-range, Ohm")
	within(t, "mid-range", f.Value, 2.1, 1e-9)
	within(t, "at", with(t, f, "temperature"), 55, 0)
	f = pick(t, all, err, "hysteresis", "mid-range, K")
	within(t, "mid-range in K", f.Value, 0.666137986, 5e-10)
	within(t, "its u", f.U_std, 0.1*math.Sqrt2/3.1525, 1e-9)
}

// TestPrecision: demo data; ISO 5725-2 formulas, recomputed independently.
func TestPrecision(t *testing.T) {
	o := Origin{"element.resistance", "demo data"}
	groups := [][]float64{{1015.2, 1015.5, 1015.1, 1015.4}, {1078.3, 1078.1, 1078.6, 1078.2}, {1141.0, 1141.4, 1141.3, 1140.9}}
	for i, want := range []float64{0.182574186, 0.216024690, 0.238047614} {
		m := MomentsOf(groups[i])
		within(t, "s_j", m.S(), want, 5e-10)
	}
	all, err := Repeatability(o, "Ohm", groups...)
	f := pick(t, all, err, "repeatability", "standard deviation")
	within(t, "s_r", f.Value, 0.213437475, 5e-10)
	// χ² quantiles of 9 degrees of freedom, 19.0228 and 2.7004 (tables, from memory).
	within(t, "low", *f.Low, 0.213437475*math.Sqrt(9/19.0228), 1e-5)
	within(t, "high", *f.High, 0.213437475*math.Sqrt(9/2.7004), 1e-5)
	within(t, "r", pick(t, all, err, "repeatability", "limit, 2.8 s_r").Value, 0.597624929, 5e-10)
	within(t, "r, unrounded", pick(t, all, err, "repeatability", "limit, 1.96√2 s_r").Value, 0.591618496, 5e-10)
	all, err = Reproducibility(o, "Ohm", []float64{10.1, 10.3, 10.2, 10.2}, []float64{10.5, 10.4, 10.6, 10.5}, []float64{10.0, 10.1, 9.9, 10.2})
	within(t, "s_r", pick(t, all, err, "repeatability", "standard deviation").Value, 0.1, 1e-9)
	within(t, "s_L", pick(t, all, err, "reproducibility", "between specimens").Value, 0.223606798, 5e-10)
	within(t, "s_R", pick(t, all, err, "reproducibility", "standard deviation").Value, 0.244948974, 5e-10)
	// Unequal rows: n is (Σn - Σn²/Σn)/(p-1), recomputed apart.
	all, err = Reproducibility(o, "Ohm", []float64{10.1, 10.3, 10.2, 10.2}, []float64{10.5, 10.4}, []float64{10.0, 10.1, 9.9})
	within(t, "s_L of unequal rows", pick(t, all, err, "reproducibility", "between specimens").Value, 0.199036139, 5e-10)
	within(t, "s_R of unequal rows", pick(t, all, err, "reproducibility", "standard deviation").Value, 0.217060786, 5e-10)
	if _, err := Reproducibility(o, "Ohm", []float64{1}, []float64{2}, []float64{3}); err == nil {
		t.Error("nothing repeated: expected an error")
	}
	if _, err := Repeatability(o, "Ohm", []float64{1}, []float64{2}); err == nil {
		t.Error("nothing repeated: expected an error")
	}
}

// TestTwoPointsKnowTheirSlope: what a thermometer is wrong by counts with the slope of two
// points too: 0.3 K times 10 Ohm/K.
func TestTwoPointsKnowTheirSlope(t *testing.T) {
	c := Curve{Origin: Origin{"R", "two plateaus"}, T: []float64{25, 35}, R: []float64{1000, 1100}, UR: []float64{0.1, 0.1},
		Common: []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 0.3}}}
	all, err := R0(c, 25)
	f := pick(t, all, err, "r0", "measured")
	if math.Abs(f.Value-1000) > 1e-9 || math.Abs(f.U_std-math.Hypot(3, 0.1)) > 0.01 {
		t.Errorf("R0 %v, u %v", f.Value, f.U_std)
	}
}
