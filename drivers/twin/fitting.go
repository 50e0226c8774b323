package twin

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers/rig"
)

// New is the virtual counterpart of a rig with a specimen on its plate: a device
// for every instrument whose profile names a virtual one, whatever its port. The
// same seed gives the same bytes.
func New(r *rig.Rig, s *rig.Specimen, seed uint64) (*Bench, error) {
	scene, err := sceneOf(r, s, seed)
	if err != nil {
		return nil, err
	}
	w, err := NewWorld(scene)
	if err != nil {
		return nil, err
	}
	var instruments []fitted
	for _, d := range r.Instruments {
		if d.Profile.Twin == "" {
			continue
		}
		f := fitted{name: d.Name, firmware: d.Profile.Twin, line: d.Profile.Line, lineHz: d.Profile.LineHz,
			rearOhm: r.Scene["check standard"].Value, driftPerHour: r.Scene["meter drift per hour"].Value}
		for _, a := range d.Profile.Accuracies {
			f.accuracies = append(f.accuracies, accuracyOf(a))
		}
		instruments = append(instruments, f)
	}
	return assemble(w, instruments, seed)
}

func accuracyOf(a rig.Accuracy) accuracy {
	x := accuracy{quantity: a.Quantity, upTo: a.UpTo, ofReading: a.OfReading, plus: a.Plus}
	if a.OfRange != 0 {
		x.plus += float64(a.OfRange * a.UpTo)
	}
	return x
}

// sceneOf is the default scene as far as rig and specimen say nothing else.
func sceneOf(r *rig.Rig, s *rig.Specimen, seed uint64) (Scene, error) {
	scene := Default()
	scene.Seed = seed
	scene.AmbientDegC, scene.BlockDegC = r.AmbientDegC, r.AmbientDegC
	slide, foil := &scene.Layers[0], &scene.Layers[len(scene.Layers)-1]
	for _, o := range []struct {
		key   string
		field *float64
	}{
		{"ambient", &scene.AmbientDegC},
		{"glass thickness", &slide.ThicknessM},
		{"foil thickness", &foil.ThicknessM},
		{"contact conductance", &scene.ContactWPerM2K},
		{"top conductance", &scene.OnPlateWPerM2K},
		{"still air conductance", &scene.StillAirWPerM2K},
		{"moving air conductance", &scene.MovingAirWPerM2K},
		{"cold block conductance", &scene.BlockWPerM2K},
		{"cold block temperature", &scene.BlockDegC},
		{"contact resistance", &scene.Film.ContactOhm},
		{"lead resistance", &scene.Film.LeadOhm},
		{"gauge factor", &scene.Strip.GaugeFactor},
		{"strain play", &scene.Strip.PlayStrain},
		{"film cracks after", &scene.Strip.CrackCycles},
	} {
		if q, ok := r.Scene[o.key]; ok {
			*o.field = q.Value
		}
	}
	for _, d := range r.Instruments {
		plateOf(&scene, d.Profile)
	}
	for _, c := range r.Channels {
		if c.Class != nil && !(r.Instruments[c.Instrument].Profile.Kind == "hotplate" && c.Quantity == "temperature") {
			scene.Foil.Class = *c.Class
		}
	}
	if s == nil {
		return scene, nil
	}
	if err := filmOf(&scene.Film, s); err != nil {
		return scene, err
	}
	if err := stripOf(&scene.Strip, r, s); err != nil {
		return scene, err
	}
	layersOf(&scene, s)
	return scene, nil
}

// stripOf puts the specimen into what the rig bends it with, if it has that.
func stripOf(m *StripModel, r *rig.Rig, s *rig.Specimen) error {
	b := r.Bending
	if b == nil || s.Bent == nil {
		return nil
	}
	film, err := s.BendingFilm()
	if err != nil {
		return fmt.Errorf("specimen %s: %w", s.ID, err)
	}
	m.Ends, m.GapM, m.Rods = b.Ends, b.GapM, b.RodsM != nil
	m.FreeLengthM, m.FlatAtM, m.Film = b.FreeLengthM, b.FlatAtM, film
	if s.Bent.Current == "along" {
		m.SensorM = s.LengthM
	} else {
		m.SensorM = s.WidthM
	}
	return nil
}

// spareGain is how much more a heater can do than its stated rate asks for: the
// rate must still hold some way above ambient, where the plate loses heat. Demo
// data.
const spareGain = 1.5

// plateOf lets the virtual plate be what the instrument's profile says of it.
func plateOf(scene *Scene, p *rig.Profile) {
	if p.Kind != "hotplate" || p.Twin == "" {
		return
	}
	for i, shown := range [...]string{"temperature", "probe"} {
		if q, f, ok := p.Measured(shown); ok {
			age := p.Queries[q].Fields[f].Age
			scene.Shows[i] = DisplayModel{UpdateS: age.Updates.Seconds(), FilterS: age.Filter.Seconds()}
		}
	}
	m := &scene.Plate
	for _, a := range p.Accuracies {
		switch a.Quantity {
		case "temperature":
			m.SensorLimitK = a.Plus
		case "probe":
			scene.Foil.InputWithinK = a.Plus
		}
	}
	if h := p.Heating; h != nil {
		m.TimeConstantS, m.DeadTimeS = h.CoolingS, h.DeadS
		m.GainKPerPercent = max(m.GainKPerPercent, float64(spareGain*h.RateKPerS*h.CoolingS/100))
	}
}

// filmOf takes the film's law from the specimen. Both laws are written from 25 degC here.
func filmOf(m *FilmModel, s *rig.Specimen) error {
	m.BK, m.PerK = s.Law.BK, 0
	m.R25Ohm = s.ExpectedOhm(25)
	if !(m.R25Ohm > 0) || math.IsInf(m.R25Ohm, 0) {
		return fmt.Errorf("specimen %s: by its law its resistance at 25 degC is %g Ohm", s.ID, m.R25Ohm)
	}
	if m.BK == 0 {
		m.PerK = s.Law.PerK * (s.R0Ohm / m.R25Ohm)
	}
	return nil
}

// material is its names, and its numbers in W/(m K), kg/m3 and J/(kg K).
type material struct {
	names                                []string
	conductivity, density, specific_heat float64
}

// materials that specimens are made of, with sources: glass as in Incropera and
// DeWitt table A.3 and data sheets; polyimide from a maker's data sheet; PET and
// PEN from review tables and supplier data, mid-range, partly from memory.
var materials = []material{
	{[]string{"glass", "soda-lime glass"}, 1.4, 2500, 750},
	{[]string{"polyimide", "PI"}, 0.12, 1420, 1090},
	{[]string{"PET"}, 0.24, 1390, 1250},
	{[]string{"PEN"}, 0.18, 1360, 1150},
}

// layersOf puts the specimen's layers on the slide of the bench. A specimen that
// has glass of its own needs no slide. The film is on the upper face.
func layersOf(scene *Scene, s *rig.Specimen) {
	if len(s.Layers) == 0 {
		return
	}
	slide, joint := scene.Layers[0], scene.Layers[len(scene.Layers)-1].ContactBelowWPerM2K
	layers := []Layer{slide}
	for i, l := range s.Layers {
		made, glass := layerOf(l)
		if i == 0 && glass {
			layers = layers[:0]
		} else if i == 0 {
			made.ContactBelowWPerM2K = joint
		}
		layers = append(layers, made)
	}
	scene.Layers = layers
}

// thinnestCell is the least thickness worth a cell of its own: heat crosses this
// much of glass in a tick of the world.
const thinnestCell = 300e-6

// layerOf is a layer in numbers. What is in no table is taken for PET, as foils of
// polymer differ little from one another.
func layerOf(l rig.Layer) (made Layer, glass bool) {
	at := slices.IndexFunc(materials, func(m material) bool { return slices.Contains(m.names, l.Of) })
	if at < 0 {
		at = slices.IndexFunc(materials, func(m material) bool { return m.names[0] == "PET" })
	}
	m := materials[at]
	cells := int(math.Ceil(l.ThicknessM / thinnestCell))
	return Layer{ThicknessM: l.ThicknessM, ConductivityWPerMK: m.conductivity, DensityKgPerM3: m.density,
		HeatCapacityJPerKgK: m.specific_heat, Cells: min(max(cells, 1), 8)}, at == 0
}
