package figures

import (
	"math"
	"strings"
	"testing"
)

// TestStudentT: JCGM 100:2008, table G.2 (from memory, recomputed independently).
func TestStudentT(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct{ level, dof, k float64 }{
		{0.95, 1, 12.7062}, {0.95, 2, 4.3027}, {0.95, 3, 3.1824}, {0.95, 4, 2.7764}, {0.95, 5, 2.5706}, {0.95, 6, 2.4469},
		{0.95, 7, 2.3646}, {0.95, 8, 2.3060}, {0.95, 9, 2.2622}, {0.95, 10, 2.2281}, {0.95, 12, 2.1788}, {0.95, 16, 2.1199},
		{0.95, 20, 2.0860}, {0.95, 30, 2.0423}, {0.95, 50, 2.0086}, {0.95, 100, 1.9840}, {0.95, inf, 1.959964},
		{0.9545, 1, 13.9678}, {0.9545, 2, 4.5266}, {0.9545, 3, 3.3068}, {0.9545, 4, 2.8693}, {0.9545, 5, 2.6487},
		{0.9545, 10, 2.2837}, {0.9545, 20, 2.1330}, {0.9545, inf, 2.0000}, {0.99, 16, 2.9208},
	} {
		within(t, "k", StudentT(c.level, c.dof), c.k, 0.6e-4)
	}
	within(t, "k of H.3", StudentT(0.95, 9), 2.262157, 5e-7)
}

// TestGaugeBlock is example H.1 of JCGM 100:2008 (inputs from memory; results
// recomputed, beside the published ones).
func TestGaugeBlock(t *testing.T) {
	// The comparator's part is a combination itself.
	d, err := Combine("nm", 0.95, []Input{
		{Name: "repeated observations", U: 5.8, DoF: 24, Sensitivity: 1},
		{Name: "comparator, random", U: 3.9, DoF: 5, Sensitivity: 1},
		{Name: "comparator, systematic", U: 6.7, DoF: 8, Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "u(d)", d.Combined, 9.682, 5e-4)
	// Published with u(d) rounded to 9.7 nm: 9.7⁴/(5.8⁴/24+3.9⁴/5+6.7⁴/8) = 25.638.
	within(t, "nu(d)", d.DoF*math.Pow(9.7/d.Combined, 4), 25.638, 5e-3)
	b, err := Combine("nm", 0.99, []Input{
		{Name: "standard's calibration", U: 25, Type: "B", DoF: 18, Sensitivity: 1},
		{Name: "measured difference", U: 9.7, Type: "A", DoF: 25.6, Sensitivity: 1},
		{Name: "difference of expansion", U: 2.9, Type: "B", DoF: 50, Sensitivity: 1},
		{Name: "difference of temperature", U: 16.6, Type: "B", DoF: 2, Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "u", b.Combined, 31.671, 5e-4) // published 32
	within(t, "nu", b.DoF, 16.76, 5e-3)      // published 16.7, truncated to 16
	within(t, "k", b.K, 2.9208, 5e-5)        // of 16
	within(t, "U", b.Expanded, 92.5, 0.05)   // k u; published 93
	within(t, "U from the published u", b.K*32, 93.5, 0.05)
	within(t, "with second-order terms", math.Hypot(b.Combined, 11.7), 33.76, 5e-3) // published 34
	if s := b.String(); !strings.Contains(s, "combined u = 31.7 nm") || strings.Count(s, "\n") != 6 {
		t.Errorf("the table:\n%s", s)
	}
}

// TestFactors is the example of JCGM 100:2008, G.4.2 (published 1.03 %, 19.0, 2.155 %).
func TestFactors(t *testing.T) {
	b, err := Combine("%", 0.95, []Input{{U: 0.25, DoF: 9, Sensitivity: 1}, {U: 0.57, DoF: 4, Sensitivity: 1}, {U: 0.82, DoF: 14, Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "u", b.Combined, 1.0295, 5e-5)
	within(t, "nu", b.DoF, 18.999, 5e-4)
	within(t, "k", b.K, 2.093, 5e-4)
	within(t, "U", b.Expanded, 2.155, 5e-4)
}

// TestImpedance is example H.2 of JCGM 100:2008: one set of readings of voltage,
// current and phase, of which three results are computed (data from memory).
func TestImpedance(t *testing.T) {
	v := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	i := []float64{0.019663, 0.019639, 0.019640, 0.019685, 0.019678}
	phi := []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
	means, correlation := together(v, i, phi)
	for _, c := range []struct {
		a, b int
		r    float64
	}{{0, 1, -0.3553}, {0, 2, 0.8576}, {1, 2, -0.6451}} {
		within(t, "correlation of the inputs", correlation(c.a, c.b).R, c.r, 5e-5)
	}
	results := []func(x []float64) (float64, error){
		func(x []float64) (float64, error) { return x[0] / x[1] * math.Cos(x[2]), nil },
		func(x []float64) (float64, error) { return x[0] / x[1] * math.Sin(x[2]), nil },
		func(x []float64) (float64, error) { return x[0] / x[1], nil },
	}
	var budgets []Budget
	for n, c := range []struct{ y, u, published, publishedU float64 }{
		{127.73217, 0.07107, 127.732, 0.071}, {219.84651, 0.29558, 219.847, 0.295}, {254.25970, 0.23634, 254.260, 0.236}} {
		y, b, err := Propagate("Ohm", 0.95, means, results[n], correlation(0, 1), correlation(0, 2), correlation(1, 2))
		if err != nil {
			t.Fatal(err)
		}
		budgets = append(budgets, b)
		within(t, "y, approach 1", y, c.y, 5e-6)
		within(t, "u, approach 1", b.Combined, c.u, 5e-6)
		within(t, "published y", y, c.published, 6e-4)
		within(t, "published u", b.Combined, c.publishedU, 6e-4)
	}
	all := []Correlation{correlation(0, 1), correlation(0, 2), correlation(1, 2)}
	for _, c := range []struct {
		a, b         int
		r, published float64
	}{{0, 1, -0.5884, -0.588}, {0, 2, -0.4853, -0.485}, {1, 2, 0.9925, 0.993}} {
		r := resultCorrelation(budgets[c.a], budgets[c.b], all...)
		within(t, "correlation of the results", r, c.r, 5e-5)
		within(t, "published correlation", r, c.published, 6e-4)
	}
	for n, c := range [][2]float64{{127.73163, 0.07127}, {219.84689, 0.29549}, {254.26005, 0.23625}} { // approach 2: set by set
		var m Moments
		for k := range v {
			y, _ := results[n]([]float64{v[k], i[k], phi[k]})
			m.Add(y)
		}
		within(t, "y, approach 2", m.Mean, c[0], 5e-6)
		within(t, "u, approach 2", m.S()/math.Sqrt(5), c[1], 5e-6)
	}
}

// together makes inputs of quantities read in the same moments: their means, the
// standard uncertainties of these, and the correlation coefficients of their errors
// (JCGM 100, 5.2.3). All series have the same length.
func together(series ...[]float64) (means []Input, correlation func(a, b int) Correlation) {
	moments := make([]Moments, len(series))
	for i, x := range series {
		moments[i] = MomentsOf(x)
		n := float64(moments[i].N)
		means = append(means, Input{Value: moments[i].Mean, U: moments[i].S() / math.Sqrt(n), Type: "A", DoF: n - 1})
	}
	return means, func(a, b int) Correlation {
		sum := 0.
		for k := range min(len(series[a]), len(series[b])) {
			sum += (series[a][k] - moments[a].Mean) * (series[b][k] - moments[b].Mean)
		}
		return Correlation{a, b, sum / math.Sqrt(moments[a].sum*moments[b].sum)}
	}
}

// resultCorrelation is the correlation coefficient of two results computed from the
// same inputs (JCGM 100, F.1.2.3).
func resultCorrelation(a, b Budget, correlations ...Correlation) float64 {
	sum := 0.
	for i := range a.Inputs {
		sum += a.Inputs[i].Contribution() * b.Inputs[i].Contribution()
	}
	for _, r := range correlations {
		sum += r.R * (a.Inputs[r.A].Contribution()*b.Inputs[r.B].Contribution() + a.Inputs[r.B].Contribution()*b.Inputs[r.A].Contribution())
	}
	return sum / (a.Combined * b.Combined)
}

// TestThermometerCalibration is example H.3 of JCGM 100:2008, table H.6 (data as
// published; results published and recomputed).
func TestThermometerCalibration(t *testing.T) {
	temperature := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	b := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	predicted := []float64{-0.1679, -0.1668, -0.1657, -0.1646, -0.1635, -0.1625, -0.1614, -0.1603, -0.1592, -0.1581, -0.1570}
	rest := []float64{-0.0031, -0.0022, -0.0003, 0.0056, -0.0005, -0.0025, 0.0054, 0.0033, 0.0002, -0.0029, -0.0030}
	theta, sum, squares, products := make([]float64, 11), 0., 0., 0.
	for k, v := range temperature {
		theta[k] = v - 20
		sum += theta[k]
		squares += theta[k] * theta[k]
		products += theta[k] * b[k]
	}
	within(t, "sum of theta", sum, 44.093, 1e-9)
	within(t, "sum of squares", squares, 204.164191, 1e-6)
	within(t, "sum of b theta", products, -7.10326, 5e-6)
	within(t, "D", 11*squares-sum*sum, 301.613452, 5e-6)
	f, err := LineFit(theta, b)
	if err != nil {
		t.Fatal(err)
	}
	for k := range theta {
		y, _ := f.At(1, theta[k])
		within(t, "predicted", y, predicted[k], 6e-5)
		within(t, "rest", f.Residuals[k], rest[k], 6e-5)
	}
	for _, c := range []struct {
		what                                  string
		got, recomputed, last, published, ulp float64
	}{
		{"y1", f.B[0], -0.17120379, 5e-9, -0.1712, 5e-5},
		{"u(y1)", f.U(0), 0.00287760, 5e-9, 0.0029, 5e-5},
		{"y2", f.B[1], 0.00218270, 5e-9, 0.00218, 5e-6},
		{"u(y2)", f.U(1), 0.00066794, 5e-9, 0.00067, 5e-6},
		{"r(y1,y2)", f.Correlation(0, 1), -0.930430, 5e-7, -0.930, 5e-4},
		{"s", f.S, 0.00349756, 5e-9, 0.0035, 5e-5},
	} {
		within(t, c.what, c.got, c.recomputed, c.last)
		within(t, c.what+" as published", c.got, c.published, c.ulp)
	}
	y, u := f.At(1, 10)
	within(t, "b(30 degC)", y, -0.14937681, 5e-9) // published -0.1494
	within(t, "u(b(30 degC))", u, 0.00413860, 5e-9)
	within(t, "U(30 degC)", StudentT(0.95, float64(f.DoF))*u, 0.009362154, 5e-9)
	within(t, "mean temperature", 20+sum/11, 24.008455, 5e-7)
	y, u = f.At(1, sum/11)
	within(t, "b at the mean", y, -0.16245455, 5e-9)
	within(t, "u at the mean", u, 0.00105456, 5e-9)
	// JCGM 100, H.3.6: the correlation of intercept and slope must be carried.
	budget, err := Combine("degC", 0.95, []Input{{U: f.U(0), DoF: 9, Sensitivity: 1}, {U: f.U(1), DoF: 9, Sensitivity: 10}}, Correlation{0, 1, f.Correlation(0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "u by the budget", budget.Combined, 0.00413860, 5e-9)
	within(t, "nu by the budget", budget.DoF, 9, 1e-9)
}

func TestBudgetRefuses(t *testing.T) {
	good := Input{U: 1, Sensitivity: 1}
	for name, f := range map[string]func() (Budget, error){
		"level":            func() (Budget, error) { return Combine("K", 1, []Input{good}) },
		"negative u":       func() (Budget, error) { return Combine("K", 0.95, []Input{{U: -1}}) },
		"NaN":              func() (Budget, error) { return Combine("K", 0.95, []Input{{U: math.NaN(), Sensitivity: 1}}) },
		"place":            func() (Budget, error) { return Combine("K", 0.95, []Input{good}, Correlation{0, 1, 0.5}) },
		"itself":           func() (Budget, error) { return Combine("K", 0.95, []Input{good}, Correlation{0, 0, 1}) },
		"coefficient of 2": func() (Budget, error) { return Combine("K", 0.95, []Input{good, good}, Correlation{0, 1, 2}) },
	} {
		if _, err := f(); err == nil {
			t.Errorf("%s: expected an error", name)
		}
	}
}
