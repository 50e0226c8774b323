package twin

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers/clock"
	"dwell/drivers/convert"
)

// FilmModel is the printed film under test and how it is contacted. It has no
// hysteresis of its own with temperature: what shows one is thermal lag or drift.
type FilmModel struct {
	R25Ohm       float64 // resistance at 25 degC
	BK           float64 // B of R = R25 exp(B (1/T - 1/298.15 K)), kelvin
	PerK         float64 // or, with no B, a of R = R25 (1 + a (t - 25 degC)), 1/K
	ContactOhm   float64 // each of the two contacts
	LeadOhm      float64 // each of the two leads
	DriftPerHour float64 // relative
	Flicker      float64 // relative 1/f noise: S_R/R^2 = Flicker^2 / f
	EMFVPerK     float64 // thermal voltage per kelvin between film and ambient
	HeatedAreaM2 float64 // over which the film's power enters the slab
}

// Resistances of a broken and of a bridged film.
const (
	openOhm  = 1e12 // leakage of cables and foil, common order of magnitude, no source
	shortOhm = 0.01
)

// boltzmann constant in J/K, exact by definition of the kelvin.
const boltzmann = 1.380649e-23

// SourceMode is what a source holds.
type SourceMode uint8

// A source is off, or holds current, or holds voltage.
const (
	SourceOff SourceMode = iota
	SourceCurrent
	SourceVoltage
)

// Source is what a source-meter does to the film.
type Source struct {
	Mode       SourceMode
	Level      float64 // A or V, with its sign
	Compliance float64 // limit of the other one, V or A, without sign
	// FourWire senses at the film's own electrodes, so that neither contacts nor
	// leads are measured; level and compliance hold at the sense terminals.
	FourWire bool
}

// Electrical is the state at the meter's sense terminals. InCompliance says that
// the limit holds, not the level.
type Electrical struct {
	Volts, Amps  float64
	InCompliance bool
}

// solve finds the state of a source on a resistance in series with a voltage.
func (s Source) solve(ohm, emf float64) Electrical {
	limit := math.Abs(s.Compliance)
	switch s.Mode {
	case SourceCurrent:
		volts := float64(s.Level*ohm) + emf
		if math.Abs(volts) <= limit {
			return Electrical{volts, s.Level, false}
		}
		volts = math.Copysign(limit, volts)
		return Electrical{volts, (volts - emf) / ohm, true}
	case SourceVoltage:
		amps := (s.Level - emf) / ohm
		if math.Abs(amps) <= limit {
			return Electrical{s.Level, amps, false}
		}
		amps = math.Copysign(limit, amps)
		return Electrical{float64(amps*ohm) + emf, amps, true}
	}
	return Electrical{}
}

// film is the constants of a FilmModel.
type film struct {
	FilmModel
	law     convert.Thermistor
	johnson stream
	flicker flicker
}

func newFilm(m FilmModel, seed uint64) (film, error) {
	if !(m.R25Ohm > 0 && isFinite(m.R25Ohm, m.BK, m.PerK) && (m.BK == 0 || m.PerK == 0) && m.ContactOhm >= 0 && m.LeadOhm >= 0 && m.Flicker >= 0 && m.HeatedAreaM2 > 0) {
		return film{}, fmt.Errorf("the film: expected positive resistance and area, one law, nothing else negative, got %+v", m)
	}
	return film{m, convert.Thermistor{R25Ohm: m.R25Ohm, BK: m.BK}, newStream(seed, noiseJohnson), newFlicker(seed, m.Flicker)}, nil
}

func isFinite(all ...float64) bool {
	return !slices.ContainsFunc(all, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
}

// ohm is the film's resistance at a temperature, without drift and noise.
func (f *film) ohm(degC float64, faults Faults) float64 {
	switch {
	case faults.FilmOpen:
		return openOhm
	case faults.FilmShort:
		return shortOhm
	}
	if f.PerK != 0 { // a straight line ends somewhere; what comes after it is no film
		return max(float64(f.R25Ohm*(1+float64(f.PerK*(degC-25)))), shortOhm)
	}
	ohm, err := f.law.Resistance(degC)
	if err != nil { // a slab never gets there; an open film is the honest stand-in
		return openOhm
	}
	return ohm
}

// series is what lies between the sense terminals besides the film.
func (f *film) series(s Source) float64 {
	if s.FourWire {
		return 0
	}
	return float64(2 * (f.ContactOhm + f.LeadOhm))
}

// watts is the power that a source puts into the film.
func (f *film) watts(s Source, degC, bent float64, faults Faults) float64 {
	if s.Mode == SourceOff {
		return 0
	}
	s = faults.gained(s)
	ohm := float64(bent * f.ohm(degC, faults))
	amps := s.solve(ohm+f.series(s), 0).Amps
	return float64(amps * amps * ohm)
}

// johnsonVolts is the noise of a resistance, averaged over a time t: the average
// has the bandwidth 1/(2t), so the voltage is sqrt(4 k T R / (2t)).
func johnsonVolts(ohm, degC, t_s float64) float64 {
	return math.Sqrt(4 * boltzmann * (degC + 273.15) * ohm / (2 * t_s))
}

// electrical is one reading that ends at an instant, of a film that is bent.
func (f *film) electrical(s Source, degC, ambient, bent float64, faults Faults, at, integration clock.Instant) Electrical {
	if s.Mode == SourceOff {
		return Electrical{}
	}
	s = faults.gained(s)
	integration = max(integration, clock.Microsecond)
	ohm := float64(bent * f.ohm(degC, faults))
	emf := float64(f.EMFVPerK * (degC - ambient))
	whole := !faults.FilmOpen && !faults.FilmShort
	if whole {
		hours := at.Seconds() / 3600
		ohm = float64(ohm * (1 + float64(f.DriftPerHour*hours) + f.flicker.at(int64(at/Grid))))
	}
	ohm += f.series(s)
	if whole {
		noise := f.johnson.sub(uint64(integration)).normal(int64(at / integration))
		emf += float64(johnsonVolts(ohm, degC, integration.Seconds()) * noise)
	}
	return s.solve(ohm, emf)
}
