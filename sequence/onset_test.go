package sequence

import (
	"math"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
)

// An exponential that sets in at a known moment between two readings, with noise
// (demo data), is found within its stated uncertainty, times three; noise alone is no
// onset.
func TestOnset(t *testing.T) {
	noise := uint64(1)
	uniform := func() float64 { // a linear congruential generator is random enough here
		noise = noise*6364136223846793005 + 1442695040888963407
		return float64(noise>>11)/(1<<53) - 0.5
	}
	for _, tau := range []float64{5, 15, 30} {
		for _, ohm := range []float64{-1000, 300} {
			for _, t0 := range []float64{10.03, 10.1, 11.77, 150.4} {
				o := newOnset(3)
				for at := 0.0; at < t0+10; at += 0.2 {
					v := 10000 + uniform()
					if at > t0 {
						v += ohm * (1 - math.Exp(-(at-t0)/tau))
					}
					o.add(drivers.Reading{Channel: 3, At: clock.Instant(at * 1e9), Value: v})
					o.add(drivers.Reading{Channel: 3, At: clock.Instant(at * 1e9), Value: 0, Flag: drivers.Lost})
					o.add(drivers.Reading{Channel: 2, At: clock.Instant(at * 1e9), Value: -v})
				}
				at, within, ok := o.fit()
				if !ok || math.Abs(at.Seconds()-t0) > 3*within.Seconds() || within > clock.Second/2 {
					t.Errorf("onset at %g s (tau %g s, %g Ohm): found %v at %.3f s within %.3f s", t0, tau, ohm, ok, at.Seconds(), within.Seconds())
				}
			}
		}
	}
	o := newOnset(0)
	for at := 0.0; at < 20; at += 0.2 {
		o.add(drivers.Reading{At: clock.Instant(at * 1e9), Value: 10000 + uniform()})
	}
	if at, _, ok := o.fit(); ok {
		t.Errorf("an onset in noise, at %.3f s", at.Seconds())
	}
}
