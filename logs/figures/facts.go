package figures

import (
	"fmt"
	"math"
)

// Facts is what a run folder says of its bench and its specimen besides the readings:
// which channel is which, and how far each instrument is to be trusted.
type Facts struct {
	Plate        string               // the instrument that heats the specimen
	OnPlate      []string             // its channels, as the bench names them
	Meter        string               // the instrument that reads the resistance
	Stage        string               // what bends it, "" for none
	FlatAtM      float64              // where the stage stands when it lies flat
	Thermometers []Thermometer        // of the specimen: those beside the film first, then the plate's own
	Resistance   string               // channels, "" for none
	Voltage      string               //
	Current      string               //
	Promised     map[string][]Promise // by channel: accuracy as the instrument profile declares it
	Says         map[string]string    // by channel: which instrument, calibrated when
	LineHz       float64              // of the mains, in whose periods meters integrate
	AirDegC      float64              // around the specimen
	AtDegC       float64              // at which R0 is asked for
	ExpectedPerK float64              // relative slope there, by the specimen's stated law
}

// Thermometer is a channel that stands for the film's temperature.
type Thermometer struct {
	Channel     string
	BesideFilm  bool     // else it reads the plate, and the film is cooler by what it loses to the air
	MayLead     bool     // nobody knows where it lies: the film may follow it slowly, and a lag is looked for
	Errors      []Common // in the same way for all its readings
	ResolutionK float64  // step of what it shows
}

// asRead tells whether film and thermometer have one temperature at each moment.
func (t Thermometer) asRead() bool { return t.BesideFilm && !t.MayLead }

// Promise is the declared accuracy of a quantity up to a range: a bound.
type Promise struct{ UpTo, OfReading, Plus float64 }

// promise is what is declared for a value. Meters use a range a little beyond its name
// (5 %, common practice, no source): near its end either range may be in use, and the
// worse promise counts.
func (f Facts) promise(channel string, size float64) (worst Promise, ok bool) {
	for _, beyond := range [...]float64{1, 1.05} {
		best := Promise{UpTo: math.Inf(1)}
		found := false
		for _, p := range f.Promised[channel] {
			if p.UpTo*beyond >= size && p.UpTo <= best.UpTo {
				best, found = p, true
			}
		}
		if found && (!ok || best.OfReading*size+best.Plus > worst.OfReading*size+worst.Plus) {
			worst, ok = best, true
		}
	}
	return worst, ok
}

// meterErrors are the errors common to all resistances read at one current. With the
// current reversed, offsets cancel. Declared accuracies are bounds: rectangular.
func (f Facts) meterErrors(r, current float64, reversed bool) (all []Common, notes []string) {
	add := func(channel string, kind Kind, what string, bound float64) {
		if bound > 0 {
			all = append(all, Common{Name: channel + ", " + what, Kind: kind, U: Rectangular(bound), Says: "declared accuracy, rectangular; " + f.Says[channel], Instrument: true})
		}
	}
	if p, ok := f.promise(f.Resistance, r); ok {
		add(f.Resistance, ResistanceGain, "gain", p.OfReading)
		add(f.Resistance, ResistanceOffset, "offset", p.Plus)
		return all, nil
	}
	v, okV := f.promise(f.Voltage, math.Abs(r*current))
	i, okI := f.promise(f.Current, math.Abs(current))
	if !okV || !okI || !(math.Abs(current) > 0) {
		return nil, []string{fmt.Sprintf("%s: no accuracy is declared for the meter (or its current is not known): its own errors are in no uncertainty", f.Resistance)}
	}
	add(f.Voltage, ResistanceGain, "gain", v.OfReading)
	add(f.Current, ResistanceGain, "gain", i.OfReading)
	if !reversed {
		add(f.Voltage, ResistanceOffset, "offset", v.Plus/math.Abs(current))
		add(f.Current, ResistanceGain, "offset", i.Plus/math.Abs(current))
	}
	return all, nil
}

// Platinum is the tolerance of a resistance thermometer of IEC 60751, class "A" or "B", as
// one error: 0.15 K + 0.002 |t| or 0.30 K + 0.005 |t|, with one share of it for every
// temperature above 0 degC.
func Platinum(class, name, says string) Common {
	at0, perK := 0.30, 0.005
	if class == "A" {
		at0, perK = 0.15, 0.002
	}
	return Common{Name: name, Kind: TemperatureGain, U: Rectangular(perK), Pivot: -at0 / perK, Says: says, Instrument: true}
}

// alphaPlatinum is the mean of dR/dT over R at 0 degC from 0 to 100 degC (IEC 60751), 1/K.
const alphaPlatinum = 3.85e-3

// Readout is what the instrument that shows a temperature adds to it, as an offset: what
// is promised of a temperature at 50 degC, or, with r0, of the resistance of a platinum
// thermometer that has r0 (Ohm) at 0 degC.
func Readout(channel string, promised []Promise, r0 float64, says string) []Common {
	f := Facts{Promised: map[string][]Promise{channel: promised}}
	size, perUnit := 50., 1.
	if r0 > 0 {
		size, perUnit = r0*(1+alphaPlatinum*50), 1/(r0*alphaPlatinum)
	}
	p, ok := f.promise(channel, size)
	if !ok || p.OfReading*size+p.Plus == 0 {
		return nil
	}
	return []Common{{Name: channel + ", instrument", Kind: TemperatureOffset, U: Rectangular((p.OfReading*size + p.Plus) * perUnit),
		Says: "declared accuracy, rectangular; " + says, Instrument: true}}
}

// Film and plate: with no thermometer beside the film its temperature lies below the
// plate's by a share of the distance from the air. A bare slide with 5 to 20 W/(m2 K) to
// the air and 60 W/(m2 K) or more to the plate loses 2 to 25 %; common practice, no source.
const leastLost, mostLost = 0.0, 0.25
