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

// readings are what is kept of it from 10 s before somebody is asked to 17.5 s after
// the key; with bad readings and other channels between them.
func (m moved) readings(r *rand.Rand) *onset {
	o, noise := newOnset(3), 0.0
	for at := r.Float64() * m.interval; at < m.key+17.5; at += m.interval {
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

// sought is from just before somebody was asked to some seconds after the key.
func (m moved) sought() (from, to clock.Instant) {
	return clock.Instant(10e9) - soon, clock.Instant(m.key*1e9) + late
}

// An onset is found, and as well as it says: two thirds of them within the stated
// standard uncertainty, and hardly any beyond twice as much.
func TestOnset(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
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
		"a very late key":            func(m *moved) { m.key, m.t0 = 37.2, 12.1 },
		"a very early key":           func(m *moved) { m.t0 = 19.4 },
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
				at, within, found, _ := m.readings(rand.New(rand.NewPCG(seed, 1))).fit(m.sought())
				off, u := math.Abs(at.Seconds()-m.t0), within.Seconds()
				if !found || u > math.Max(1, m.interval) {
					t.Fatalf("seed %d, onset at %g s: found %v at %g s within %g s", seed, m.t0, found, at.Seconds(), u)
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

// The key may come up to 25 s too late or up to 8 s too soon: the onset is as well known.
func TestOnsetWhereverTheKeyIs(t *testing.T) {
	const seeds = 60
	within1, within2 := 0, 0
	for seed := range uint64(seeds) {
		r := rand.New(rand.NewPCG(seed, 3))
		m := moved{t0: 19 + r.Float64(), ohm: 1200, tau: 20, drift: 16 * (r.Float64() - 0.5), wander: 400 * r.Float64(), interval: 0.2, noise: 1, linked: 0.5}
		if seed%2 == 0 {
			m.ohm = -1000
		}
		m.key = m.t0 - 8 + 33*float64(seed)/(seeds-1)
		at, within, _, clear := m.readings(r).fit(m.sought())
		off, u := math.Abs(at.Seconds()-m.t0), within.Seconds()
		if !clear || u > 1 {
			t.Errorf("seed %d, key at %g s, onset at %g s: clear %v at %g s within %g s", seed, m.key, m.t0, clear, at.Seconds(), u)
		}
		if off <= u {
			within1++
		}
		if off <= 2*u {
			within2++
		}
	}
	if within1 < seeds*60/100 || within2 < seeds*95/100 {
		t.Errorf("of %d, %d are within the stated uncertainty, %d within twice as much", seeds, within1, within2)
	}
}

// Where nothing moved there is no onset, and none is found where somebody moved the
// specimen before it was asked for. Noise that hangs together seldom looks like one, and a
// doubtful one far from the key does not count.
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
		"moved before it was asked": func(m *moved) { m.key, m.t0, m.ohm, m.tau = 60, 5, -1000, 30 },
		"too few readings":          func(m *moved) { m.interval, m.t0, m.ohm, m.tau = 3, 11.77, -1000, 30 },
	} {
		t.Run(name, func(t *testing.T) {
			m := still
			change(&m)
			for seed := range uint64(30) {
				at, within, found, clear := m.readings(rand.New(rand.NewPCG(seed, 2))).fit(m.sought())
				if clear || found && math.Abs(at.Seconds()-m.key) <= apart.Seconds() {
					t.Errorf("seed %d: an onset at %g s within %g s", seed, at.Seconds(), within.Seconds())
				}
			}
		})
	}
}
