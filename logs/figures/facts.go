package figures

import (
	"fmt"
	"math"

	"dwell/drivers/quantity"
)

// Facts is what a run folder says of its bench and its specimen besides the readings:
// which channel is which, and how far each instrument is to be trusted.
type Facts struct {
	Plate         string               // the instrument that heats the specimen
	OnPlate       []string             // its channels, as the bench names them
	Meter         string               // the instrument that reads the resistance
	Stage         string               // what bends it, "" for none
	FlatAtM       float64              // where the stage stands when it lies flat
	StageAccel    float64              // m/s2, of the stage
	Position      string               // the channel of its position
	Unstated      []string             // what enters radius and strain, and of which nobody says how far it is to be trusted
	Thermometers  []Thermometer        // of the specimen: those beside the film first, then the plate's own
	Resistance    string               // channels, "" for none
	Voltage       string               //
	Current       string               //
	Promised      map[string][]Promise // by channel: accuracy as the instrument profile declares it
	Says          map[string]string    // by channel: which instrument, calibrated when
	Ages          map[string]Timing    // by channel: how old a value is that an instrument hands out
	Notes         []string             // what nobody has said of them
	LineHz        float64              // of the mains, in whose periods meters integrate
	ResolutionOhm float64              // step in which resistances are shown; 0: not known
	AirDegC       float64              // around the specimen
	Heaters       []Heater             // the instruments that heat
	Cooled        bool                 // they are cooled as well
	AtDegC        float64              // at which R0 is asked for
	ExpectedPerK  float64              // relative slope there, by the specimen's stated law
	Dimensions    map[string]quantity.Dimension

	// Curvature is that of the strip after a travel (m) from flat, 1/m, and the mean strain
	// of the film then; nil where nothing is bent by a travel.
	Curvature func(travelM float64) (perM, meanStrain float64, err error)
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
			all = append(all, Common{Name: channel + ", " + what, Kind: kind, U: Rectangular(bound), Says: "declared accuracy, rectangular; " + f.Says[channel], Bounded: true, Instrument: true})
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

// InClass is a thermometer somewhere inside the tolerance of its class, as one error: the
// same share of what the class allows at every temperature. perK is by how much the error
// may change with temperature where the class allows the same everywhere, as those of
// thermocouples do: no standard says how it goes on inside; 0 for no such change.
func InClass(channel string, within func(degC float64) float64, perK float64, says string) []Common {
	all := []Common{{Name: channel + ", class", Kind: TemperatureShare, U: Rectangular(1), Within: within, Says: says, Bounded: true, Instrument: true}}
	if perK > 0 {
		all = append(all, Common{Name: channel + ", slope", Kind: TemperatureGain, U: Rectangular(perK), Pivot: ReadoutDegC, Says: says, Bounded: true, Instrument: true})
	}
	return all
}

// ReadoutDegC is where the accuracy of what shows a temperature is taken.
const ReadoutDegC = 50.

// Readout is what the instrument that shows a temperature adds to it, as an offset. x is
// what it measures at 50 degC, in its own unit, and perK by how much that changes per
// kelvin there.
func Readout(channel string, promised []Promise, x, perK float64, says string) []Common {
	f := Facts{Promised: map[string][]Promise{channel: promised}}
	p, ok := f.promise(channel, math.Abs(x))
	bound := (p.OfReading*math.Abs(x) + p.Plus) / math.Abs(perK)
	if !ok || !(bound > 0) {
		return nil
	}
	return []Common{{Name: channel + ", instrument", Kind: TemperatureOffset, U: Rectangular(bound), Says: "declared accuracy, rectangular; " + says, Bounded: true, Instrument: true}}
}

// Film and plate: with no thermometer beside the film its temperature lies below the
// plate's by a share of the distance from the air. A bare slide with 5 to 20 W/(m2 K) to
// the air and 60 W/(m2 K) or more to the plate loses 2 to 25 %; common practice, no source.
const leastLost, mostLost = 0.02, 0.25
