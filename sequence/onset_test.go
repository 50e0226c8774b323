package sequence

import (
	"math"
	"math/rand/v2"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
)

// moved is a film of 10 kOhm that is moved by hand (demo data).
type moved struct {
	key      float64 // s, when it is known otherwise
	t0       float64 // s, when it is moved; NaN: it is not
	ohm, tau float64 // how far it goes, and how fast: Ohm, s
	drift    float64 // Ohm/s before, and on top of it
	wander   float64 // Ohm of a drift that ends, within 60 s
	interval float64 // s
	noise    float64 // Ohm, standard deviation
	linked   float64 // correlation of neighbouring noise
}

// readings are what is kept of it from 10 s before somebody is asked to 10 s after the
// key; with bad readings and other channels between them.
func (m moved) readings(r *rand.Rand) *onset {
	o, noise := newOnset(3), 0.0
	for at := r.Float64() * m.interval; at < m.key+10; at += m.interval {
		noise = m.linked*noise + math.Sqrt(1-m.linked*m.linked)*m.noise*r.NormFloat64()
		v := 10000 + m.drift*at + m.wander*math.Exp(-at/60) + noise
		if at > m.t0 {
			v += m.ohm * (1 - math.Exp(-(at-m.t0)/m.tau))
		}
		o.add(drivers.Reading{Channel: 3, At: clock.Instant(at * 1e9), Value: v})
		o.add(drivers.Reading{Channel: 3, At: clock.Instant(at * 1e9), Value: 0, Flag: drivers.Lost})
		o.add(drivers.Reading{Channel: 2, At: clock.Instant(at * 1e9), Value: -v})
	}
	return o
}

// An onset is found, and as well as it says: two thirds of them within the stated
// standard uncertainty, and hardly any beyond twice as much.
func TestOnset(t *testing.T) {
	usual := moved{key: 11.5, t0: 11.77, ohm: -1000, tau: 30, interval: 0.2, noise: 0.3}
	for name, change := range map[string]func(m *moved){
		"warm":                       func(*moved) {},
		"cold":                       func(m *moved) { m.ohm = 1200 },
		"fast":                       func(m *moved) { m.tau = 5 },
		"little":                     func(m *moved) { m.ohm = 150 },
		"a slow person":              func(m *moved) { m.key, m.t0 = 36.2, 35.9 },
		"a very slow person":         func(m *moved) { m.key, m.t0 = 1190.2, 1189.9 },
		"an early key":               func(m *moved) { m.t0 = 13.9 },
		"a late key":                 func(m *moved) { m.key, m.t0 = 26.2, 19.33 },
		"drifting":                   func(m *moved) { m.key, m.t0, m.drift = 31.2, 31.5, 8 },
		"drifting the other way":     func(m *moved) { m.key, m.t0, m.drift = 31.2, 31.5, -8 },
		"recovering from the last":   func(m *moved) { m.wander = 400 },
		"noisy":                      func(m *moved) { m.noise, m.drift = 3, 2 },
		"noise that hangs together":  func(m *moved) { m.noise, m.linked = 2, 0.7 },
		"a reading a second":         func(m *moved) { m.interval = 1 },
		"twenty-five a second":       func(m *moved) { m.interval = 0.04 },
		"slow, noisy and drifting":   func(m *moved) { m.key, m.t0, m.noise, m.drift, m.wander = 41.1, 41.4, 3, 8, 100 },
		"a channel without noise":    func(m *moved) { m.noise, m.drift = 0, 3 },
		"lifted, noisy and drifting": func(m *moved) { m.ohm, m.noise, m.drift, m.linked = 1200, 3, -8, 0.5 },
	} {
		t.Run(name, func(t *testing.T) {
			m := usual
			change(&m)
			seeds := 25
			if m.interval < 0.1 {
				seeds = 10 // it has many readings
			}
			within1, within2, worst := 0, 0, 0.0
			for seed := range uint64(seeds) {
				at, within, ok := m.readings(rand.New(rand.NewPCG(seed, 1))).fit(about(m.key))
				off, u := math.Abs(at.Seconds()-m.t0), within.Seconds()
				if !ok || u > math.Max(1, m.interval) {
					t.Fatalf("seed %d, onset at %g s: found %v at %g s within %g s", seed, m.t0, ok, at.Seconds(), u)
				}
				if off <= u {
					within1++
				}
				if off <= 2*u {
					within2++
				}
				worst = math.Max(worst, off/u)
			}
			t.Logf("%d of %d within u, %d within 2u, at worst %.2g u", within1, seeds, within2, worst)
			if within1 < seeds*60/100 || within2 < seeds*95/100 {
				t.Errorf("%d of %d are within the stated uncertainty, %d within twice as much, at worst %g times", within1, seeds, within2, worst)
			}
		})
	}
}

// about is as far round a moment as an onset is looked for.
func about(s float64) (from, to clock.Instant) {
	at := clock.Instant(s * 1e9)
	return at - reach, at + reach
}

// Where nothing moved there is no onset, and none is found where somebody moved the
// specimen long before or after the key.
func TestNoOnset(t *testing.T) {
	still := moved{key: 11.5, t0: math.NaN(), interval: 0.2, noise: 0.3}
	for name, change := range map[string]func(m *moved){
		"at rest":                   func(*moved) {},
		"without noise":             func(m *moved) { m.noise = 0 },
		"drifting without noise":    func(m *moved) { m.noise, m.drift = 0, 8 },
		"drifting":                  func(m *moved) { m.drift = 8 },
		"recovering from the last":  func(m *moved) { m.wander = 1000 },
		"after a slow person":       func(m *moved) { m.key, m.drift, m.wander = 41, -8, 1000 },
		"noise that hangs together": func(m *moved) { m.noise, m.linked, m.drift = 2, 0.9, 8 },
		"a reading a second":        func(m *moved) { m.interval, m.wander = 1, 1000 },
		"moved long before":         func(m *moved) { m.key, m.t0, m.ohm, m.tau = 60, 35, -1000, 30 },
		"too few readings":          func(m *moved) { m.interval, m.t0, m.ohm, m.tau = 2, 11.77, -1000, 30 },
	} {
		t.Run(name, func(t *testing.T) {
			m := still
			change(&m)
			for seed := range uint64(30) {
				if at, within, ok := m.readings(rand.New(rand.NewPCG(seed, 2))).fit(about(m.key)); ok {
					t.Errorf("seed %d: an onset at %g s within %g s", seed, at.Seconds(), within.Seconds())
				}
			}
		})
	}
}
