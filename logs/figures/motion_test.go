package figures

import (
	"math"
	"math/rand/v2"
	"testing"
)

// reported is what a stage with these cycles says of itself every so often: to the
// micrometre, and a little before or after the moment that is written down.
func reported(m motion, every, jitter float64, r *rand.Rand) (t, position []float64) {
	for at := m.began - every; at < m.began+m.cycles*m.period+every; at += every {
		x, _, _, _ := m.at(at + jitter*(2*r.Float64()-1))
		t, position = append(t, at), append(position, math.Round(x*1e6)/1e6)
	}
	return t, position
}

// Demo data: phase, period and rest of stages, slow and fast, that rest at the ends or
// not, come out of what they say of themselves, to what a jitter of 3 ms allows.
func TestMotionIsFound(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ period, rest, cycles, every float64 }{
		{10, 0, 5, 0.2}, {10, 0.4, 5, 0.2}, {1, 0, 20, 0.11}, {1.13, 0.06, 20, 0.11}, {1.06, 0.03, 100, 0.37}, {0.6, 0, 100, 0.11}, {100, 3, 1, 1},
	} {
		truth := motion{first: 0.2e-3, bent: 11.49e-3, accel: 0.5, began: 17.3, period: c.period, rest: c.rest, cycles: c.cycles}
		at, position := reported(truth, c.every, 3e-3, r)
		start := truth
		start.began, start.rest, start.period = 17.25, 0, c.period-2*c.rest
		m, err := fitMotion(start, truth.began+c.period*c.cycles+0.1, at, position)
		if err != nil {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		if math.Abs(m.began-truth.began) > 4e-3 || math.Abs(m.period-c.period) > 4e-3/c.cycles || math.Abs(m.rest-c.rest) > 8e-3 {
			t.Errorf("%+v: began %v, period %v, rest %v", c, m.began, m.period, m.rest)
		}
		for x := truth.began; x < truth.began+c.period*c.cycles; x += c.period / 41 {
			a, speed, _, _ := truth.at(x)
			b, _, _, _ := m.at(x)
			if math.Abs(a-b) > 4e-3*speed+0.1e-3 {
				t.Fatalf("%+v: at %v s the stage is at %v m, the model says %v", c, x, a, b)
			}
		}
		if m.uBegan > 3e-3 || m.residual > 3e-3*0.05 {
			t.Errorf("%+v: u %v s, residual %v m", c, m.uBegan, m.residual)
		}
	}
}

// A stage that does something else, or was asked too seldom, has no motion.
func TestNoMotion(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	m := motion{first: 0.2e-3, bent: 11.49e-3, accel: 0.5, began: 2, period: 1, cycles: 10}
	at, position := reported(m, 0.11, 0, r)
	if _, err := fitMotion(m, 12, at[:11], position[:11]); err == nil {
		t.Error("eleven positions have a motion")
	}
	for i := range position {
		position[i] = m.first
	}
	if _, err := fitMotion(m, 12, at, position); err == nil {
		t.Error("a stage that stands has a motion")
	}
	for i := range position {
		position[i] = m.first + (m.bent-m.first)*r.Float64()
	}
	if _, err := fitMotion(m, 12, at, position); err == nil {
		t.Error("a stage that is anywhere has a motion")
	}
}
