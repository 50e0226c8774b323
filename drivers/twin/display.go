package twin

import "math"

// DisplayModel is how a hotplate hands out a temperature: through a filter, and anew only
// so often. What is asked for in between is what was shown last.
type DisplayModel struct{ UpdateS, FilterS float64 }

// display is the constants of a DisplayModel on the grid.
type display struct {
	every  int64 // ticks between two values; 0 for what is true at the moment
	phase  int64 // tick of the first
	filter lag
}

// Display is what changes in one.
type Display struct{ Filtered, Shown float64 }

// newDisplay draws the phase: nobody knows it.
func newDisplay(m DisplayModel, seed uint64, what string) display {
	d := display{every: int64(math.Round(m.UpdateS / Grid.Seconds())), filter: newLag(m.FilterS, Grid.Seconds())}
	if d.every == 0 && m.FilterS > 0 {
		d.every = 1
	}
	if d.every > 0 {
		d.phase = int64(float64(float64(d.every) * (1 + Drawn(seed, what+" updates", 1/math.Sqrt(3))) / 2))
	}
	return d
}

// step takes what is true at a tick.
func (d *display) step(s *Display, tick int64, degC float64) {
	if d.every == 0 {
		return
	}
	before := s.Filtered
	if tick <= 1 || math.IsNaN(before) {
		before, s.Shown = degC, degC
	}
	s.Filtered = d.filter.step(before, degC, degC)
	if (tick-d.phase)%d.every == 0 {
		s.Shown = s.Filtered
	}
}

// PlateShown and ProbeShown are what the plate hands out of its own thermometer and of the
// one on the foil, which may be plugged into it.
func (w *World) PlateShown() float64 {
	if w.plateShown.every == 0 {
		return w.PlateSensor()
	}
	return w.state.PlateShown.Shown
}

func (w *World) ProbeShown() float64 {
	if w.probeShown.every == 0 {
		return w.probePlugged()
	}
	return w.state.ProbeShown.Shown
}

// show brings both to the present tick.
func (w *World) show() {
	s := &w.state
	if w.plateShown.every > 0 {
		w.plateShown.step(&s.PlateShown, s.Tick, w.PlateSensor())
	}
	if w.probeShown.every > 0 {
		w.probeShown.step(&s.ProbeShown, s.Tick, w.probePlugged())
	}
}

// probePlugged is the thermometer on the foil by the plate's input for it.
func (w *World) probePlugged() float64 {
	degC, _ := w.FoilThermometer()
	return degC + w.probeInput
}
