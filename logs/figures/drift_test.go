package figures

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestNoiseFigures(t *testing.T) {
	o, how := Origin{"element.resistance", "demo data"}, Sampling{Interval: 1, Integration: 0.02}
	all, err := Noise(o, "Ohm", ten, how)
	f := pick(t, all, err, "noise_rms", "about the mean")
	within(t, "s", f.Value, 0.012736649, 5e-10)
	within(t, "peak to peak", with(t, f, "peak to peak"), 0.043, 1e-9)
	within(t, "von Neumann", with(t, f, "von Neumann ratio"), 3.278082, 5e-7)
	within(t, "integration time", with(t, f, "integration time"), 0.02, 0)
	within(t, "detrended", pick(t, all, err, "noise_rms", "detrended").Value, 0.013440385, 5e-10)
	d := pick(t, all, err, "noise_rms", "successive differences")
	within(t, "successive differences", d.Value, 0.016306100, 5e-10)
	within(t, "u of 2·9²/26 degrees of freedom", d.U_std, d.Value/math.Sqrt(2*162./26), 1e-9)
	all, err = Resolution(o, f, 3.85, 0, "K")
	within(t, "3 s", pick(t, all, err, "resolution", "3 s").Value, 0.009924661, 5e-10)
	within(t, "1 s", pick(t, all, err, "resolution", "1 s").Value, 0.003308220, 5e-10)
	if _, err := Noise(o, "Ohm", ten, Sampling{}); err == nil {
		t.Error("noise without its interval: expected an error")
	}
	all, err = AllanFigures(o, "Ohm", ten, how)
	if len(all) != 2 || err != nil || with(t, all[1], "averaging time") != 2 {
		t.Errorf("%v %v", all, err)
	}
}

// TestJohnson: recomputed with k = 1.380649e-23 J/K (SI, exact).
func TestJohnson(t *testing.T) {
	for _, c := range []struct{ r, kelvin, bandwidth, want float64 }{{1e4, 298.15, 1, 1.283184319e-8}, {1e4, 298.15, 1e4, 1.283184319e-6},
		{1e3, 298.15, 1, 4.057785107e-9}, {1e6, 300, 1, 1.287159198e-7}} {
		near(t, "Johnson noise", JohnsonNoise(c.r, c.kelvin, c.bandwidth), c.want, 5e-10)
	}
	near(t, "temperature floor", JohnsonFloor(1e4, 298.15, 1, 1e-5, 0.04), 3.207960798e-6, 5e-10)
	// A mean over half a second has the bandwidth of 1 Hz.
	all, err := NoiseFloor(Origin{"element.resistance", "demo data"}, 1e4, 25, 0.5, -1e-5, 0.04, 0)
	near(t, "floor", pick(t, all, err, "noise_floor", "thermal, K").Value, 3.207960798e-6, 5e-10)
	near(t, "floor in Ohm", pick(t, all, err, "noise_floor", "thermal, Ohm").Value, 1.283184319e-8/1e-5, 5e-10)
	if _, err := NoiseFloor(Origin{}, 1e4, 25, 0, 1e-5, 0.04, 0); err == nil {
		t.Error("without an integration time: expected an error")
	}
}

// pink is noise of spectrum 1/f^κ as the sum of many relaxations, not the model the
// estimate uses: one decade of frequency after another with equal share.
func pink(rng *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for tau := 1.; tau < 30*float64(n); tau *= 3 {
		a := math.Exp(-1 / tau)
		v := rng.NormFloat64()
		for i := range x {
			v = a*v + math.Sqrt(1-a*a)*rng.NormFloat64()
			x[i] += v
		}
	}
	return x
}

// TestDriftCovers: a slope of zero under noise of several kinds (demo data). Plain least
// squares claims far too much under all but white noise.
func TestDriftCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	rng := rand.New(rand.NewPCG(3, 9))
	const n, seeds = 512, 200
	time, ones := make([]float64, n), make([]float64, n)
	for i := range time {
		time[i], ones[i] = 10*float64(i), 1
	}
	kinds := noises(len(stretches(time)))
	low, _ := binomialBand(seeds, 0.95, 0.999)
	for _, c := range []struct {
		name     string
		noise    func() []float64
		widest   float64 // of the mean half width over the one that truly holds 95 %
		plainMax int
	}{
		{"white", func() []float64 {
			x := make([]float64, n)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			return x
		}, 1.5, seeds},
		{"autoregressive", func() []float64 {
			x, v := make([]float64, n), rng.NormFloat64()/math.Sqrt(1-0.95*0.95)
			for i := range x {
				v = 0.95*v + rng.NormFloat64()
				x[i] = v
			}
			return x
		}, 3, seeds * 6 / 10},
		{"1/f", func() []float64 { return pink(rng, n) }, 2, seeds / 2},
		{"random walk", func() []float64 {
			x, v := make([]float64, n), 0.
			for i := range x {
				v += rng.NormFloat64()
				x[i] = v
			}
			return x
		}, 2, seeds / 2},
	} {
		covered, plain, width, square := 0, 0, 0., 0.
		for range seeds {
			y := c.noise()
			f, err := trendAmong(kinds, y, 1, ones, time)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(f.Value) <= f.Half {
				covered++
			}
			if math.Abs(f.Value) <= 1.96*f.Plain {
				plain++
			}
			width += f.Half / seeds
			square += f.Value * f.Value / seeds
		}
		share := width / (1.96 * math.Sqrt(square))
		t.Logf("%-14s covered %d of %d (at least %d), plain least squares %d; half width %.2f of what just holds", c.name, covered, seeds, low, plain, share)
		if covered < low || plain > c.plainMax || share > c.widest {
			t.Errorf("%s: %d of %d covered, plain %d, width %v", c.name, covered, seeds, plain, share)
		}
	}
}

// TestDriftCorrected: the film drifts by 50 ppm/h, its meter by 200 ppm/h, and the room's
// temperature by 1 K/h at 0.3 %/K (demo data).
func TestDriftCorrected(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	d := Record{Origin: Origin{"r", "demo data"}, UCheck: 1}
	for i := range 600 {
		h := float64(i) / 60
		room := 25 + h + 0.5*math.Sin(h*3)
		meter := 1 + 200e-6*h
		d.Time = append(d.Time, 60*float64(i))
		d.Temperature = append(d.Temperature, room)
		d.R = append(d.R, meter*(1000*(1+50e-6*h)*(1+0.003*(room-25))+0.01*rng.NormFloat64()))
		d.Check = append(d.Check, meter*100*(1+1e-6*rng.NormFloat64()))
	}
	all, err := Drift(d)
	for _, c := range []struct {
		flavour   string
		want, tol float64
	}{{"as measured", 3250, 200}, {"corrected for temperature", 250, 20}, {"against the check standard", 3050, 200}, {"against the check standard, corrected for temperature", 50, 5}} {
		f := pick(t, all, err, "drift", c.flavour)
		within(t, c.flavour, f.Value, c.want, c.tol)
		if c.flavour != "as measured" && !(f.Expanded >= 1.96 || c.flavour == "corrected for temperature") {
			t.Errorf("%s: U = %v is below that of the check standard itself", c.flavour, f.Expanded)
		}
	}
	d.Time[5] = d.Time[4]
	if _, err := Drift(d); err == nil {
		t.Error("time stands still: expected an error")
	}
}
