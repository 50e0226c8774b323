package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dwell/drivers/convert"
	"dwell/drivers/quantity"
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
	f := factsOf(bench, specimen)
	id, err := r.IdentityIfWhole()
	if err != nil {
		return f, fmt.Errorf("%s: %w", r.Dir(), err)
	}
	f.Notes = append(f.Notes, outdated(bench, id.StartUTC)...)
	return f, nil
}

// outdated says which instruments were calibrated too long ago for what their makers
// promise, which is usually for a year (common practice, no source).
func outdated(bench *rig.Rig, startUTC string) (notes []string) {
	start, err := time.Parse(time.RFC3339Nano, startUTC)
	if err != nil {
		return nil
	}
	for _, d := range bench.Instruments {
		day, err := time.Parse(time.DateOnly, d.Calibrated)
		if err == nil && len(d.Profile.Accuracies) > 0 && day.AddDate(1, 0, 1).Before(start) {
			notes = append(notes, fmt.Sprintf("%s was calibrated on %s, more than a year before the run: its declared accuracy counts as if it still held", d.Name, d.Calibrated))
		}
	}
	return notes
}

func factsOf(r *rig.Rig, s *rig.Specimen) figures.Facts {
	f := figures.Facts{Resistance: r.Place.Resistance, Voltage: r.Place.Voltage, Current: r.Place.Current,
		Promised: map[string][]figures.Promise{}, Says: map[string]string{}, Ages: map[string]figures.Timing{}, Dimensions: map[string]quantity.Dimension{}, AirDegC: r.AmbientDegC, AtDegC: s.AtDegC, ExpectedPerK: s.Law.PerK}
	if on := r.Instrument(r.Place.On); on >= 0 && r.Instruments[on].Profile.Set("temperature") >= 0 {
		f.Plate = r.Place.On
	}
	if s.Law.BK != 0 {
		f.ExpectedPerK = figures.Slope(s.Law.BK, s.AtDegC)
	}
	f.Heaters, f.Cooled = heatersOf(r), r.Cooling != "none"
	if r.Bending != nil {
		f.Stage, f.FlatAtM = r.Bending.Stage, r.Bending.FlatAtM
		if s.Bent != nil {
			f.Unstated = r.Bending.Unstated(s)
		}
		stageFacts(&f, r, s)
	}
	for _, c := range r.Channels {
		d := r.Instruments[c.Instrument]
		f.Says[c.Name], f.Dimensions[c.Name] = calibration(d), c.Unit.Dim
		if c.Through == "" {
			f.Promised[c.Name] = promisesOf(d.Profile, c.Quantity)
		}
		if age := d.Profile.Queries[c.Query].Fields[c.Field].Age; age != (rig.Age{}) {
			f.Ages[c.Name] = figures.Timing{Update: age.Updates.Seconds(), Integration: age.Averages.Seconds(), Filter: age.Filter.Seconds()}
		}
		if d.Name == f.Plate {
			f.OnPlate = append(f.OnPlate, c.Name)
		}
		if c.Name == f.Resistance {
			f.Meter, f.LineHz = d.Name, d.Profile.LineHz
		}
		if slices.Contains(r.Place.Temperature, c.Name) {
			t, notes := thermometerOf(r, c)
			f.Thermometers, f.Notes = append(f.Thermometers, t), append(f.Notes, notes...)
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

// heatersOf are the instruments that heat, with their own thermometers.
func heatersOf(r *rig.Rig) (all []figures.Heater) {
	for _, c := range r.Channels {
		d := r.Instruments[c.Instrument]
		if c.Quantity != "temperature" || c.Through != "" || d.Profile.Set("heat") < 0 || d.Profile.Set("temperature") < 0 {
			continue
		}
		h := figures.Heater{Name: d.Name, Channel: c.Name, DisplayK: c.Display}
		for _, p := range promisesOf(d.Profile, c.Quantity) {
			h.WithinK = max(h.WithinK, p.Plus)
		}
		all = append(all, h)
	}
	return all
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
// place is read beside the film.
func thermometerOf(r *rig.Rig, c rig.Channel) (t figures.Thermometer, notes []string) {
	d := r.Instruments[c.Instrument]
	t = figures.Thermometer{Channel: c.Name, ResolutionK: c.Display,
		BesideFilm: !(d.Name == r.Place.On && c.Quantity == "temperature")}
	class, says := c.Class, "the rig names its class"
	if class == nil && t.BesideFilm {
		if assumed, err := convert.ToleranceByName(usual(c.Through)); err == nil {
			class, says = &assumed, "assumed: the rig names no class"
		} else {
			notes = append(notes, c.Name+": nothing says how far its thermometer is to be trusted (thermometer, in the rig file): its own error is in no uncertainty")
		}
	}
	if class != nil {
		perK := 0.
		if class.Least > 0 {
			perK = class.PerK
		}
		t.Errors = append(t.Errors, figures.InClass(c.Name, class.At, perK, class.Name+", "+says+"; rectangular")...)
	}
	if x, perK, ok := c.PerKelvin(figures.ReadoutDegC); ok {
		t.Errors = append(t.Errors, figures.Readout(c.Name, promisesOf(d.Profile, c.Quantity), x, perK, calibration(d))...)
	}
	return t, notes
}

// usual is the class of a thermometer that nobody has named: the wider of the usual ones.
func usual(through string) string {
	kind, _, _ := strings.Cut(through, " junction ")
	switch {
	case strings.HasPrefix(kind, "thermocouple"):
		return kind + " class 2"
	case strings.HasPrefix(kind, "ntc"):
		return ""
	}
	return "platinum class B"
}

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
