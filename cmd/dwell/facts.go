package main

import (
	"fmt"
	"slices"

	"dwell/drivers/rig"
	"dwell/logs"
	"dwell/logs/figures"
)

// runFacts is what the rig and the specimen in a run folder say that figures need.
func runFacts(r *logs.Run) (figures.Facts, error) {
	bench, err := keptRig(r, nil)
	if err != nil {
		return figures.Facts{}, fmt.Errorf("%s: the rig of the run: %w", r.Dir(), err)
	}
	specimen, err := keptSpecimen(r, nil)
	if err != nil {
		return figures.Facts{}, fmt.Errorf("%s: the specimen of the run: %w", r.Dir(), err)
	}
	return factsOf(bench, specimen), nil
}

func factsOf(r *rig.Rig, s *rig.Specimen) figures.Facts {
	f := figures.Facts{Plate: r.Place.On, Resistance: r.Place.Resistance, Voltage: r.Place.Voltage, Current: r.Place.Current,
		Promised: map[string][]figures.Promise{}, Says: map[string]string{}, AirDegC: r.AmbientDegC, AtDegC: s.AtDegC, ExpectedPerK: s.Law.PerK}
	if s.Law.BK != 0 {
		f.ExpectedPerK = figures.Slope(s.Law.BK, s.AtDegC)
	}
	if r.Bending != nil {
		f.Stage, f.FlatAtM = r.Bending.Stage, r.Bending.FlatAtM
	}
	for _, c := range r.Channels {
		d := r.Instruments[c.Instrument]
		f.Says[c.Name] = calibration(d)
		if c.Through == "" {
			f.Promised[c.Name] = promisesOf(d.Profile, c.Quantity)
		}
		if d.Name == f.Plate {
			f.OnPlate = append(f.OnPlate, c.Name)
		}
		if c.Name == f.Resistance {
			f.Meter, f.LineHz = d.Name, d.Profile.LineHz
		}
		if slices.Contains(r.Place.Temperature, c.Name) {
			f.Thermometers = append(f.Thermometers, thermometerOf(r, c))
		}
	}
	slices.SortStableFunc(f.Thermometers, func(a, b figures.Thermometer) int {
		switch {
		case a.BesideFilm == b.BesideFilm:
			return 0
		case a.BesideFilm:
			return -1
		}
		return 1
	})
	return f
}

func calibration(d rig.Description) string {
	text := d.Name + " (" + d.Profile.Name
	if d.Serial != "" {
		text += ", " + d.Serial
	}
	if d.Calibrated == "" {
		return text + "), no date of calibration is stated"
	}
	return text + "), calibrated " + d.Calibrated
}

// thermometerOf: the plate's own temperature is the plate's; every other of the specimen's
// place is read beside the film, by a thermometer whose class no file states.
func thermometerOf(r *rig.Rig, c rig.Channel) figures.Thermometer {
	d := r.Instruments[c.Instrument]
	t := figures.Thermometer{Channel: c.Name, ResolutionK: c.Display,
		BesideFilm: !(d.Name == r.Place.On && c.Quantity == "temperature")}
	says := calibration(d)
	if t.BesideFilm {
		t.Errors = append(t.Errors, figures.Platinum("B", c.Name+", class", "IEC 60751 class B assumed: no class is stated"))
	}
	t.Errors = append(t.Errors, figures.Readout(c.Name, promisesOf(d.Profile, c.Quantity), platinum[c.Through], says)...)
	return t
}

// platinum is the resistance at 0 degC of a thermometer that a channel is read through.
var platinum = map[string]float64{"pt100": 100, "pt1000": 1000}

func promisesOf(p *rig.Profile, quantity string) (all []figures.Promise) {
	for _, a := range p.Accuracies {
		if a.Quantity != quantity {
			continue
		}
		x := figures.Promise{UpTo: a.UpTo, OfReading: a.OfReading, Plus: a.Plus}
		if a.OfRange != 0 { // only a range that has an end has a share
			x.Plus += a.OfRange * a.UpTo
		}
		all = append(all, x)
	}
	return all
}
