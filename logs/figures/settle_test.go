package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// bench is a virtual film on a plate (demo data), and what it knows of itself.
type bench struct {
	hold, dt       float64 // s
	rate, plateTau float64 // K/s and s: the plate's ramps, and how it follows them
	tau, slow      float64 // s: the film's lags; the slow one with the given share
	share          float64
	noiseR, noiseT float64 // Ohm, K
	correlation    float64 // of neighbouring errors of R
	hysteresis     float64 // Ohm on the way down, largest in the middle
}

func (b bench) resistance(t float64, down bool) float64 {
	r := 1000 + 3.15*(t-25) + 7e-4*(t-25)*(t-25)
	if down {
		x := (t - 55) / 30
		r += b.hysteresis * (1 - x*x)
	}
	return r
}

// record is the staircase 25, 35 … 85 … 25 degC as measured.
func (b bench) record(rng *rand.Rand) (t, temperature, r []float64) {
	const step = 0.25
	target, plate, fast, slow, e := 25., 25., 25., 25., 0.
	now, every := 0., int(math.Round(b.dt/step))
	tick := func(down bool) {
		plate += (target - plate) * (1 - math.Exp(-step/b.plateTau))
		fast += (plate - fast) * (1 - math.Exp(-step/b.tau))
		film := fast
		if b.share > 0 {
			slow += (plate - slow) * (1 - math.Exp(-step/b.slow))
			film = (1-b.share)*fast + b.share*slow
		}
		if now += step; int(math.Round(now/step))%every == 0 {
			e = b.correlation*e + math.Sqrt(1-b.correlation*b.correlation)*b.noiseR*rng.NormFloat64()
			t, temperature, r = append(t, now), append(temperature, plate+b.noiseT*rng.NormFloat64()), append(r, b.resistance(film, down)+e)
		}
	}
	for k, level := range []float64{25, 35, 45, 55, 65, 75, 85, 75, 65, 55, 45, 35, 25} {
		for target != level {
			target += math.Copysign(min(b.rate*step, math.Abs(level-target)), level-target)
			tick(k > 6)
		}
		for s := 0.; s < b.hold; s += step {
			tick(k > 6)
		}
	}
	return t, temperature, r
}

// TestSettleCovers: 2-minute holds, film 31.7 s behind the plate (t90 = 73 s), so that 2 %
// of each step are left. What was read off shows hysteresis that is not there; with the
// lag taken out the 95 % intervals cover the truth within the binomial 99.9 % band.
func TestSettleCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	base := bench{hold: 120, dt: 2, rate: 10. / 60, plateTau: 8, tau: 31.7, noiseR: 0.05, noiseT: 0.01}
	type result struct {
		covered int
		width   float64
	}
	for _, c := range []struct {
		name   string
		change func(b *bench)
		seeds  int
		seen   bool // hysteresis as read off is false in nearly all seeds
		wide   float64
	}{
		{"one lag", func(*bench) {}, 200, true, 0.2},
		{"one lag, hysteresis 1 Ohm", func(b *bench) { b.hysteresis = 1 }, 50, true, 0.2},
		{"one lag, correlated noise", func(b *bench) { b.correlation = 0.8 }, 50, true, 0.6},
		{"two lags", func(b *bench) { b.slow, b.share, b.tau, b.hold = 45, 0.4, 12, 180 }, 30, true, 0.6},
	} {
		if testing.Short() { // the band widens with it
			c.seeds = 30
		}
		b := base
		c.change(&b)
		rng := rand.New(rand.NewPCG(11, 12))
		results := map[string]*result{}
		count := func(name string, error, half float64) {
			if results[name] == nil {
				results[name] = &result{}
			}
			results[name].width += half / float64(c.seeds)
			if math.Abs(error) <= half {
				results[name].covered++
			}
		}
		lags := map[int]int{}
		for range c.seeds {
			x, temperature, r := b.record(rng)
			found, err := Segments(x, temperature)
			if err != nil || len(found.Plateaus()) != 13 {
				t.Fatalf("%s: %v\n%s", c.name, err, found)
			}
			s, err := Settle(x, temperature, r, found.Plateaus(), 0)
			if err != nil {
				t.Fatal(err)
			}
			lags[len(s.Tau)]++
			all, err := SettleFigures(Origin{"film", "demo data"}, s)
			before, after := pick(t, all, err, "hysteresis", "largest, Ohm, as read off"), pick(t, all, err, "hysteresis", "largest, Ohm, lag taken out")
			count("hysteresis, as read off", before.Value-b.hysteresis, before.Expanded)
			count("hysteresis, lag taken out", after.Value-b.hysteresis, after.Expanded)
			if b.share == 0 && len(s.Tau) == 1 {
				f := pick(t, all, err, "lag_tau", "1 of 1")
				count("tau", f.Value-b.tau, f.Expanded)
			}
			up, _, err := s.Branches(Origin{"film", "demo data"}, true)
			if err != nil {
				t.Fatal(err)
			}
			f, err := up.figure(meaning{"settled", "", "Ohm", "", ""}, func(_, r []float64) (float64, error) { return r[3], nil })
			slope := s.Holds[3].Slope
			if err != nil {
				t.Fatal(err)
			}
			count("settled value at 55 degC", f.Value-b.resistance(up.T[3], false), StudentT(0.95, s.DoF)*math.Hypot(f.U_std, slope*up.UT[3]))
		}
		low, high := binomialBand(c.seeds, 0.95, 0.999)
		t.Logf("%s: %v", c.name, lags)
		for name, r := range results {
			t.Logf("  %-28s %d of %d covered (band %d to %d), mean half width %.4f", name, r.covered, c.seeds, low, high, r.width)
			if name == "hysteresis, as read off" {
				if c.seen && r.covered > c.seeds/10 {
					t.Errorf("%s: as read off, %d of %d cover: the test shows nothing", c.name, r.covered, c.seeds)
				}
				continue
			}
			if r.covered < low || name != "tau" && r.width > c.wide {
				t.Errorf("%s: %s: %d of %d covered, at least %d expected; half width %v", c.name, name, r.covered, c.seeds, low, r.width)
			}
		}
	}
}

// TestSettleEdges: a thermometer on the film sees no lag, and what cannot be told is said.
func TestSettleEdges(t *testing.T) {
	b := bench{hold: 120, dt: 2, rate: 10. / 60, plateTau: 8, tau: 0.01, noiseR: 0.05, noiseT: 0.01}
	x, temperature, r := b.record(rand.New(rand.NewPCG(5, 5)))
	found, err := Segments(x, temperature)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Settle(x, temperature, r, found.Plateaus(), 0)
	if err != nil || len(s.Tau) != 0 {
		t.Fatalf("a film without lag: %v, %v", s.Tau, err)
	}
	all, err := SettleFigures(Origin{"film", "demo data"}, s)
	f := pick(t, all, err, "hysteresis", "largest, Ohm, lag taken out")
	if f.Value > f.Expanded || f.Expanded > 0.1 {
		t.Errorf("hysteresis of none: %v ± %v", f.Value, f.Expanded)
	}
	if f := pick(t, all, err, "not_settled", "largest"); f.Value > 1e-9 {
		t.Errorf("something remained without a lag: %v", f.Value)
	}
	// With t90 of 73 s (tau 31.7 s) over 2 % of a step are left after 2 minutes.
	b.tau, b.noiseR, b.noiseT, b.plateTau, b.dt = 31.7, 0.01, 0, 0.5, 1
	x, temperature, r = b.record(rand.New(rand.NewPCG(5, 6)))
	if found, err = Segments(x, temperature); err != nil {
		t.Fatal(err)
	}
	if s, err = Settle(x, temperature, r, found.Plateaus(), 0); err != nil || len(s.Tau) != 1 {
		t.Fatalf("%v, %v", s.Tau, err)
	}
	h := s.Holds[4]
	if h.AtRest() {
		t.Errorf("%+v is taken for settled", h)
	}
	// A ramp of 1/6 K/s over 60 s leaves the film tau/6 (1-exp(-60/tau)) K behind, and a
	// little of the step before; the hold is 120 s.
	behind := 31.7 / 6 * (1 - math.Exp(-60/31.7)) * math.Exp(-120/31.7)
	near(t, "what remained", -h.Remained, h.Slope*behind, 0.03)

	flat := make([]float64, len(x))
	for i := range flat {
		flat[i] = 25 + 0.01*float64(i%3)
	}
	if _, err := Settle(x, flat, r, []Segment{{To: 50}, {From: 60, To: 120}}, 0); err == nil || !strings.Contains(err.Error(), "without a change of temperature") {
		t.Errorf("constant temperature: %v", err)
	}
	if s, err := Settle(x, temperature, r, []Segment{{To: 50}, {From: 60, To: 65}}, 0); err == nil || len(s.Notes) != 1 {
		t.Errorf("one plateau and a short one: %v, %v", err, s.Notes)
	}
}

// TestRemainedBehindAPlateUnderWay: a film behind a plate that itself comes to each level
// slowly, so that the plate still moves within the plateau. Truth is the step response of
// two first-order lags in series, 1 - (a exp(-t/a) - b exp(-t/b))/(a - b) (Seborg, Edgar,
// Mellichamp, Process Dynamics and Control, overdamped second-order process; from memory).
func TestRemainedBehindAPlateUnderWay(t *testing.T) {
	const film, perKelvin, noiseR, noiseT = 31.7, 4., 0.01, 0.005 // s, Ohm/K, Ohm, K
	const seeds = 20
	levels := []float64{20, 25, 30, 35, 40, 35, 30, 25, 20}
	for _, plate := range []float64{10, 20, 40} { // s
		hold := 120 + 3*plate
		at := func(now float64) (onPlate, onFilm float64) {
			onPlate, onFilm = levels[0], levels[0]
			for k := 1; k < len(levels) && now >= float64(k)*hold; k++ {
				x, step := now-float64(k)*hold, levels[k]-levels[k-1]
				onPlate += step * (1 - math.Exp(-x/plate))
				onFilm += step * (1 - (film*math.Exp(-x/film)-plate*math.Exp(-x/plate))/(film-plate))
			}
			return onPlate, onFilm
		}
		covered, held, unsettled, still, least := 0, 0, 0, 0, math.Inf(1)
		for seed := range uint64(seeds) {
			rng := rand.New(rand.NewPCG(7, seed))
			var x, temperature, r []float64
			for now := 0.; now < hold*float64(len(levels)); now++ {
				p, f := at(now)
				x, temperature, r = append(x, now), append(temperature, p+noiseT*rng.NormFloat64()), append(r, 1000+perKelvin*(f-25)+noiseR*rng.NormFloat64())
			}
			found, err := Segments(x, temperature)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Settle(x, temperature, r, found.Plateaus(), 0)
			if err != nil || len(s.Holds) != len(levels) {
				t.Fatalf("%d holds: %v", len(s.Holds), err)
			}
			if s.Holds[0].AtRest() { // nothing moved yet
				still++
			}
			for _, h := range s.Holds[1:] {
				p, f := at(x[h.To-1])
				truth := perKelvin * (f - p)
				if held++; math.Abs(h.Remained-truth) <= 2*h.URemained {
					covered++
				}
				if !h.AtRest() {
					unsettled++
				}
				least = min(least, math.Abs(truth))
				if math.Abs(h.Remained-truth) > 0.2*math.Abs(truth)+2*noiseR {
					t.Errorf("plate %v s, to %.0f s: remained %.4f ± %.4f Ohm, in truth %.4f", plate, h.End, h.Remained, 2*h.URemained, truth)
				}
			}
		}
		t.Logf("plate %v s: %d of %d covered, %d not settled; at least %.3f Ohm remained", plate, covered, held, unsettled, least)
		if low, _ := binomialBand(held, 0.95, 0.999); covered < low || unsettled < held*9/10 {
			t.Errorf("plate %v s: %d of %d covered (at least %d expected), %d not settled, all should be", plate, covered, held, low, unsettled)
		}
		if low, _ := binomialBand(seeds, 0.95, 0.999); still < low {
			t.Errorf("plate %v s: where nothing had moved, %d of %d are at rest, at least %d expected", plate, still, seeds, low)
		}
	}
	if h := (Hold{Remained: 7.2e-6, URemained: 1.6e-6, Noise: 0.01}); !h.AtRest() {
		t.Errorf("%v Ohm are taken for not settled, and a reading scatters by %v Ohm", h.Remained, h.Noise)
	}
}
