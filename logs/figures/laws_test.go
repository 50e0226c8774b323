package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestSettleOfCurvedFilms: films one first-order lag behind a plate (demo data), whose R(T) is a
// thermistor's of 3950 K, or a straight line. However long and dense the holds are, the time
// constant is found, and no second one: the curvature of R(T) looks like one of half the first.
func TestSettleOfCurvedFilms(t *testing.T) {
	const tau, noise = 31.7, 0.005 // s, K
	thermistor := func(at float64) float64 { return 1e4 * math.Exp(3950*(1/(at+zeroCelsius)-1/298.15)) }
	metal := func(at float64) float64 { return 1000 + 3.15*(at-25) }
	stair := []float64{25, 35, 45, 55, 45, 35, 25}
	for _, c := range []struct {
		name        string
		law         func(float64) float64
		levels      []float64
		hold, every float64 // s
		plate       float64 // s, its own time constant
	}{
		{"thermistor, short holds", thermistor, stair, 120, 0.5, 2},
		{"thermistor, long and dense", thermistor, stair, 2400, 0.1, 8},
		{"thermistor, two levels", thermistor, []float64{25, 85, 25}, 1200, 0.5, 2},
		{"metal, short holds", metal, stair, 120, 0.5, 2},
		{"metal, long and dense", metal, stair, 7200, 0.5, 8},
		{"metal, two levels", metal, []float64{25, 85, 25}, 1200, 0.5, 2},
	} {
		rng := rand.New(rand.NewPCG(3, 4))
		plate, film := c.levels[0], c.levels[0]
		var x, temperature, r []float64
		for now := 0.; now < c.hold*float64(len(c.levels)); now += c.every {
			was := plate
			target := c.levels[int(now/c.hold)]
			plate = target + (plate-target)*math.Exp(-c.every/c.plate)
			film = lagged(film, was, plate, c.every/tau, math.Exp(-c.every/tau))
			x, temperature, r = append(x, now), append(temperature, plate+noise*rng.NormFloat64()), append(r, c.law(film+noise*rng.NormFloat64()))
		}
		found, err := Segments(x, temperature)
		if err != nil || len(found.Plateaus()) != len(c.levels) {
			t.Fatalf("%s: %v\n%s", c.name, err, found)
		}
		s, err := Settle(x, temperature, r, found.Plateaus(), 0)
		if err != nil || len(s.Tau) != 1 {
			t.Errorf("%s: one time constant expected, got %v: %v", c.name, s.Tau, err)
			continue
		}
		if u := s.Tau[0] * math.Sqrt(s.ULog[0][0]); math.Abs(s.Tau[0]-tau) > 3*u+0.001*tau || u > 0.002*tau {
			t.Errorf("%s: %.3f ± %.3f s, the film has %v s", c.name, s.Tau[0], 2*u, tau)
		}
		for _, h := range s.Holds {
			slope := (c.law(h.T+0.01) - c.law(h.T-0.01)) / 0.02
			if len(c.levels) > 3 {
				near(t, c.name+": slope", h.Slope, slope, 0.003)
			}
			if off := (h.Settled - c.law(h.T)) / slope; math.Abs(off) > 0.002 {
				t.Errorf("%s: settled at %.1f degC %.4f K from the truth", c.name, h.T, off)
			}
		}
	}
}

// TestTwoLevels: two levels of a film whose R(T) is neither law: what may be curvature is said.
func TestTwoLevels(t *testing.T) {
	const tau = 30. // s
	film := 25.
	var x, temperature, r []float64
	for now := 0.; now < 1800; now++ {
		target := 25.
		if now > 600 && now <= 1200 {
			target = 85
		}
		film += (target - film) * (1 - math.Exp(-1/tau))
		d := film - 25
		x, temperature, r = append(x, now), append(temperature, target), append(r, 1000+d+0.05*d*d+0.001*math.Sin(17*now))
	}
	s, err := Settle(x, temperature, r, []Segment{{From: 0, To: 600}, {From: 601, To: 1200}, {From: 1201, To: 1800}}, 0)
	if err != nil || len(s.Tau) != 2 {
		t.Fatalf("%v: %v", s.Tau, err)
	}
	if len(s.Notes) != 1 || !strings.Contains(s.Notes[0], "how R(T) bends") {
		t.Errorf("%q", s.Notes)
	}
}
