package figures

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// TestStepTable: demo data with results recomputed independently.
func TestStepTable(t *testing.T) {
	tr := Transient{Origin: Origin{"film.temperature", "demo data"}, Name: "response", Unit: "degC", Time: count(0, 10),
		Y: []float64{20, 20, 32, 50, 62, 70, 75, 77.5, 79, 79.5, 80}, Start: 1, Base: 20, Final: 80}
	all, err := Response(tr)
	for _, c := range []struct {
		name string
		want float64
	}{{"t10", 0.5}, {"t50", 2}, {"t63", 2.660602794}, {"t90", 4.8}} {
		within(t, c.name, pick(t, all, err, "response_"+c.name, "interpolated").Value, c.want, 5e-10)
	}
	within(t, "rise", pick(t, all, err, "response_rise", "10-90 %").Value, 4.3, 1e-9)
	f, err := Settling(tr, 1)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "settling", f.Value, 7, 1e-9)
	tr.Name = "recovery" // the same on the falling edge
	tr.Base, tr.Final = 80, 20
	for i := range tr.Y {
		tr.Y[i] = 100 - tr.Y[i]
	}
	all, err = Response(tr)
	within(t, "recovery", pick(t, all, err, "recovery_t90", "interpolated").Value, 4.8, 1e-9)
	tr.Final = 19
	if _, err := Settling(tr, 0.5); err == nil || !strings.Contains(err.Error(), "has not settled") {
		t.Errorf("not settled: %v", err)
	}
}

// firstOrderStep is 25 to 85 with τ = 0.45 s.
func firstOrderStep(dt float64) Transient {
	tr := Transient{Origin: Origin{"film", "computed"}, Name: "response", Unit: "degC", Base: 25, Final: 85}
	for i := 0; float64(i)*dt <= 4; i++ {
		x := float64(i) * dt
		tr.Time, tr.Y = append(tr.Time, x), append(tr.Y, 85-60*math.Exp(-x/0.45))
	}
	return tr
}

// TestFirstOrder: closed forms; what a detector on 0.1 s samples returns was recomputed
// independently.
func TestFirstOrder(t *testing.T) {
	all, err := Response(firstOrderStep(0.1))
	for _, c := range []struct {
		name        string
		want, truth float64
	}{{"t50", 0.313114844, 0.311916231}, {"t63", 0.452774924, 0.45}, {"t90", 1.038752162, 1.036163292}} {
		f := pick(t, all, err, "response_"+c.name, "interpolated")
		within(t, c.name, f.Value, c.want, 5e-10)
		if math.Abs(f.Value-c.truth) > f.Expanded {
			t.Errorf("%s: the bias of sampling, %v, is not within ± %v", c.name, f.Value-c.truth, f.Expanded)
		}
	}
	all, err = Response(firstOrderStep(1e-4))
	for _, c := range []struct {
		name string
		want float64
	}{{"t10", 0.047412232}, {"t50", 0.311916231}, {"t63", 0.45}, {"t90", 1.036163292}, {"t95", 1.348079523}, {"t99", 2.072326584}} {
		within(t, c.name, pick(t, all, err, "response_"+c.name, "interpolated").Value, c.want, 1e-8)
	}
	within(t, "rise", pick(t, all, err, "response_rise", "10-90 %").Value, 0.988751060, 1e-8)
	f, err := Settling(firstOrderStep(1e-4), 0.5)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "settling", f.Value, 2.154371284, 1e-8)
	all, err = FirstOrder(firstOrderStep(0.1))
	within(t, "fitted tau", pick(t, all, err, "response_tau", "first-order fit").Value, 0.45, 1e-9)
	within(t, "fitted t90", pick(t, all, err, "response_t90", "first-order fit").Value, 1.036163292, 1e-8)
	// IEC 60539-1 (from memory): cooling 85 to 25, τ_c is the time to 47.1 °C, 85-0.632·60 = 47.08.
	within(t, "level of τ_c", 85-60*0.632, 47.08, 1e-12)
}

// TestCourseOfNoFirstOrder: two lags in series (20 s and 8 s, demo data) are no first order. The
// fit's own beginning is not given, and its tau holds those that other parts of the course say.
func TestCourseOfNoFirstOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 4))
	for _, c := range []struct {
		name  string
		b     float64 // s
		given []string
	}{
		{"one lag", 0, []string{"response_tau", "response_delay", "response_t63", "response_t90"}},
		{"two lags", 8, []string{"response_tau"}},
	} {
		tr := Transient{Origin: Origin{"film", "demo data"}, Name: "response", Unit: "Ohm", Base: 10000, Final: 9000, Noise: 0.1, UStart: 0.1}
		for i := range 1200 {
			x := float64(i)/5 - 5
			y := 0.
			if x > 0 {
				y = 1 - (20*math.Exp(-x/20)-c.b*math.Exp(-x/max(c.b, 1e-3)))/(20-c.b)
			}
			tr.Time, tr.Y = append(tr.Time, x), append(tr.Y, 10000-1000*y+0.1*rng.NormFloat64())
		}
		all, err := FirstOrder(tr)
		if err != nil {
			t.Fatal(err)
		}
		notes := strings.Join(all[0].Notes, "; ")
		if got := Names(all); !slices.Equal(got, c.given) || strings.Contains(notes, "the course is not first order") != (c.b > 0) {
			t.Errorf("%s: %v, %s", c.name, got, notes)
		}
		if tau := all[0]; math.Abs(tau.Value-20) > tau.Expanded {
			t.Errorf("%s: %s: the last lag is 20 s", c.name, tau)
		}
	}
}

// TestResponseCovers: with a delay of 0.3 s and noise, 95 % intervals of fit and of
// interpolation cover the truth within the binomial 99.9 % band of 300 seeds (demo data).
func TestResponseCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const seeds, noise, tau, delay = 300, 0.2, 2., 0.3
	covered, width := map[string]int{}, map[string]float64{}
	truth := map[string]float64{"response_tau first-order fit": tau, "response_t63 first-order fit": tau + delay,
		"response_t90 first-order fit": delay + tau*math.Ln10, "response_t63 interpolated": tau + delay, "response_t90 interpolated": delay + tau*math.Ln10}
	for range seeds {
		tr := Transient{Origin: Origin{"film", "demo data"}, Name: "response", Unit: "degC", Base: 25, Final: 35, Noise: noise}
		for i := -20; i <= 300; i++ {
			x := float64(i) * 0.1
			y := 25.
			if x > delay {
				y = 35 - 10*math.Exp(-(x-delay)/tau)
			}
			tr.Time, tr.Y = append(tr.Time, x), append(tr.Y, y+noise*rng.NormFloat64())
		}
		base, final := MomentsOf(tr.Y[:20]), MomentsOf(tr.Y[220:])
		tr.Base, tr.UBase, tr.Final, tr.UFinal = base.Mean, noise/math.Sqrt(20), final.Mean, noise/math.Sqrt(101)
		all, err := FirstOrder(tr)
		if err != nil {
			t.Fatal(err)
		}
		more, err := Response(tr)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range append(all, more...) {
			name := f.Figure + " " + f.Flavour
			width[name] += f.Expanded / seeds
			if want, ok := truth[name]; ok && math.Abs(f.Value-want) <= f.Expanded {
				covered[name]++
			}
		}
	}
	for name, want := range truth {
		low, high := binomialBand(seeds, 0.95, 0.999)
		if strings.HasSuffix(name, "interpolated") {
			high = seeds // bounds are in it
		}
		t.Logf("%-32s truth %.4f covered %d of %d (band %d to %d), mean half width %.4f", name, want, covered[name], seeds, low, high, width[name])
		if covered[name] < low || covered[name] > high {
			t.Errorf("%s: %d of %d intervals cover", name, covered[name], seeds)
		}
	}
	if w := width["response_tau first-order fit"]; !(w < 0.1*tau) || !(width["response_t90 interpolated"] < 2) {
		t.Errorf("half widths %v are no measurement", width)
	}
}

// binomialBand is the range of counts that holds with the probability level, of n
// independent cases of probability p, by exact summation.
func binomialBand(n int, p, level float64) (low, high int) {
	tail := (1 - level) / 2
	mass := make([]float64, n+1)
	for k := range mass {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(k + 1))
		c, _ := math.Lgamma(float64(n - k + 1))
		mass[k] = math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log(1-p))
	}
	for sum := mass[0]; sum < tail; sum += mass[low] {
		low++
	}
	high = n
	for sum := mass[n]; sum < tail; sum += mass[high] {
		high--
	}
	return low, high
}
