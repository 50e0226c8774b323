package twin

import (
	"math"
	"testing"

	"dwell/drivers/clock"
)

// warming is a world on its way up, whose plate shows a new value every 2 s.
func warming(t *testing.T, seed uint64, shows DisplayModel) *World {
	t.Helper()
	w := newTestWorld(t, func(s *Scene) {
		quiet(s)
		s.Seed, s.Shows[0] = seed, shows
	})
	w.SetPlateTarget(110)
	w.SetHeater(true)
	w.Advance(10 * clock.Second)
	return w
}

// What is shown is what was true when it was renewed, whoever asks, and how often.
func TestADisplayIsRenewedNowAndThen(t *testing.T) {
	phases := map[int64]bool{}
	for seed := range uint64(8) {
		w, seldom := warming(t, seed, DisplayModel{UpdateS: 2}), warming(t, seed, DisplayModel{UpdateS: 2})
		var changed []int64
		last := w.PlateShown()
		for w.state.Tick < 300 {
			w.Advance(w.Now() + Grid)
			if shown := w.PlateShown(); shown != last {
				if shown != w.PlateSensor() {
					t.Fatalf("tick %d: shows %v, is %v", w.state.Tick, shown, w.PlateSensor())
				}
				changed, last = append(changed, w.state.Tick), shown
			}
		}
		seldom.Advance(w.Now())
		if seldom.PlateShown() != w.PlateShown() {
			t.Errorf("asked seldom it shows %v, asked often %v", seldom.PlateShown(), w.PlateShown())
		}
		for i := 1; i < len(changed); i++ {
			if changed[i]-changed[i-1] != 20 {
				t.Errorf("renewed at ticks %v, expected every 20", changed)
			}
		}
		phases[changed[0]%20] = true
	}
	if len(phases) < 4 {
		t.Errorf("%d benches, and only %d phases", 8, len(phases))
	}
}

// A filter of 3 s lags behind a steady ramp by 3 s times its rate.
func TestADisplayFilters(t *testing.T) {
	w := warming(t, 1, DisplayModel{FilterS: 3})
	w.Advance(17 * clock.Second)
	earlier := w.PlateSensor()
	w.Advance(20 * clock.Second)
	if rate := (w.PlateSensor() - earlier) / 3; math.Abs(w.PlateShown()-earlier) > 0.25*rate {
		t.Errorf("at %.3f K/s: shows %.3f degC, and 3 s before it was %.3f degC", rate, w.PlateShown(), earlier)
	}
}
