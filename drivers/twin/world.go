package twin

import (
	"math"

	"dwell/drivers/clock"
	"dwell/drivers/convert"
)

// Advance lets the world go on to an instant; an earlier one changes nothing.
// What is done to the bench happens at the instant last advanced to.
func (w *World) Advance(to clock.Instant) {
	s := &w.state
	if to <= s.Now {
		return
	}
	s.Now = to
	for last := int64(to / Grid); s.Tick < last; {
		w.step()
	}
}

// step moves the world from one tick to the next.
func (w *World) step() {
	s := &w.state
	start := w.PlateSurface()
	w.plate.step(&s.Plate, s.Tick, &s.Faults)
	s.drift()
	s.Tick++
	before := w.top()
	w.settle(clock.Instant(s.Tick)*Grid, start, w.PlateSurface())
	after := w.top()
	if s.Faults.FoilOff {
		before, after = w.ambient, w.ambient
	}
	probe := s.Probe
	s.Probe = w.probe.step(probe, before, after)
	s.ProbeSlope = (s.Probe - probe) / Grid.Seconds()
	w.show()
}

// settle solves the slab up to an instant, over which the plate's surface goes
// from one temperature to another.
func (w *World) settle(to clock.Instant, plateStart, plateEnd float64) {
	s := &w.state
	span := to - s.SlabAt
	if span <= 0 {
		return
	}
	w.count(to)
	around := w.surroundings(plateStart, plateEnd)
	around.heat = s.Joules / float64(span.Seconds()*w.film.HeatedAreaM2)
	film := w.top()
	if span == Grid {
		w.slab.step(&w.full, &s.Slab, around)
	} else {
		part := w.stepper(span)
		w.slab.step(&part, &s.Slab, around)
	}
	s.Slope = (w.top() - film) / span.Seconds()
	s.SlabAt, s.Joules = to, 0
}

// surroundings are what the slab's faces meet at its place.
func (w *World) surroundings(plateStart, plateEnd float64) surroundings {
	f := w.faces[w.state.Place]
	around := surroundings{below: f.below, above: f.above, belowStart: w.ambient, belowEnd: w.ambient, aboveDegC: w.ambient}
	switch w.state.Place {
	case OnPlate:
		around.belowStart, around.belowEnd = plateStart, plateEnd
	case ColdBlock:
		around.belowStart, around.belowEnd, around.aboveDegC = w.block, w.block, w.block
	}
	return around
}

func (w *World) stepper(span clock.Instant) stepper {
	f := w.faces[w.state.Place]
	return w.slab.stepper(span.Seconds(), f.below, f.above)
}

// count adds the energy that the source has put into the film since it was last
// counted, at the film's temperature of the last tick.
func (w *World) count(to clock.Instant) {
	s := &w.state
	bent, faults := w.wear(to)
	if watts := w.film.watts(s.Source, w.top(), bent, faults); watts != 0 {
		s.Joules += float64(watts * (to - s.PoweredAt).Seconds())
	}
	s.PoweredAt = to
}

// top is the film's temperature where the slab is solved.
func (w *World) top() float64 { return w.state.Slab[w.slab.nodes-1] }

// Now is the instant last advanced to.
func (w *World) Now() clock.Instant { return w.state.Now }

// SetHeater switches the plate's heating function; the heater follows at the
// next tick.
func (w *World) SetHeater(on bool) { w.state.Plate.On = on }

// HeaterOn says what SetHeater said last; Heating whether the heater has power.
func (w *World) HeaterOn() bool { return w.state.Plate.On }

// Heating says whether the heater has power now, by whatever cause.
func (w *World) Heating() bool { return w.HeaterPercent() > 0 }

// HeaterPercent is the power at the heater, of full power.
func (w *World) HeaterPercent() float64 {
	return w.plate.power(&w.state.Plate, &w.state.Faults)
}

// SetPlateTarget gives the plate's controller a set value; heating or not.
func (w *World) SetPlateTarget(degC float64) {
	w.state.Plate.TargetDegC, w.state.Plate.ToldDegC = degC, degC
}

// PlateTarget is the set value.
func (w *World) PlateTarget() float64 { return w.state.Plate.TargetDegC }

// CutOut says whether the over-temperature circuit has opened.
func (w *World) CutOut() bool { return w.state.Plate.CutOut }

// CloseCutOut is a person's hand on the over-temperature circuit's button.
func (w *World) CloseCutOut() { w.state.Plate.CutOut = false }

// PlateSensor is what the plate's own thermometer reads in degC: with its lag,
// its error for life, and the noise of the conversion at the last tick.
func (w *World) PlateSensor() float64 {
	return w.plate.reading(&w.state.Plate, w.state.Tick, &w.state.Faults)
}

// PlateSurface is the true temperature of the surface, in degC, at the last tick.
func (w *World) PlateSurface() float64 { return w.plate.ambient + w.state.Plate.Excess }

// FilmTemperature is the true temperature of the film, in degC, now.
func (w *World) FilmTemperature() float64 { return w.filmAt(w.state.Now) }

// filmAt goes on from the last solution as the last step went: between two ticks
// that is right to second order, and asking changes nothing.
func (w *World) filmAt(t clock.Instant) float64 {
	return w.top() + float64(w.state.Slope*(t-w.state.SlabAt).Seconds())
}

// FoilThermometer is the Pt100 on the foil: what it shows, in degC with its
// error for life, and its resistance in ohm.
func (w *World) FoilThermometer() (degC, ohm float64) {
	s := &w.state
	true_degC := s.Probe + float64(s.ProbeSlope*(s.Now-clock.Instant(s.Tick)*Grid).Seconds())
	degC = true_degC + float64(w.probeShare*w.probeClass.At(true_degC)) + s.FoilDriftK
	if s.Faults.FoilFrozen {
		degC = s.FoilHeldDegC
	}
	switch {
	case s.Faults.FoilOpen:
		return math.NaN(), openOhm
	case s.Faults.FoilShort:
		return math.NaN(), shortOhm
	}
	ohm, err := convert.Platinum{R0Ohm: 100}.Resistance(degC)
	if err != nil { // outside -200 to 850 degC it would be destroyed
		return math.NaN(), openOhm
	}
	return degC, ohm
}

// Where says where the slab is.
func (w *World) Where() Place { return w.state.Place }

// Move takes the slab to a place, at this very instant.
func (w *World) Move(to Place) {
	s := &w.state
	surface := w.PlateSurface()
	w.settle(s.Now, surface, surface)
	s.Place, s.Slope = min(to, ColdBlock), 0
	w.full = w.stepper(Grid)
}

// SetSource connects a source to the film, at this very instant.
func (w *World) SetSource(source Source) {
	w.count(w.state.Now)
	w.state.Source = source
}

// Source is what is connected.
func (w *World) Source() Source { return w.state.Source }

// Electrical is what a meter finds at its sense terminals, averaged over an
// integration time that ends at an instant, to which the world advances. Noise is
// one value an integration time: asking more often does not average it away.
func (w *World) Electrical(at, integration clock.Instant) Electrical {
	w.Advance(at)
	s := &w.state
	bent, faults := w.wear(at - integration/2)
	return w.film.electrical(s.Source, w.filmAt(at-integration/2), w.ambient, bent, faults, at, integration)
}

// wear is what bending has done to the film, together with its faults.
func (w *World) wear(at clock.Instant) (bent float64, faults Faults) {
	bent, open := w.bent(at)
	faults = w.state.Faults
	if open && !faults.FilmShort {
		faults.FilmOpen, bent = true, 1
	}
	return bent, faults
}
