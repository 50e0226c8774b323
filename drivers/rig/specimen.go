package rig

import (
	"cmp"
	"math"

	"dwell/drivers/convert"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// Specimen is what is under test, as its file says.
type Specimen struct {
	ID          string
	Description string
	R0Ohm       float64 // expected, at AtDegC
	AtDegC      float64
	BandRel     float64 // it is the specimen on the bench if its resistance lies within this part of the expected one
	Law         Law
	Layers      []Layer // from below, the film not counted
	FilmFace    string  // "up" or "down": where the printed face of the foil looks
	Encapsulant *Layer  // nil for a bare film
	WidthM      float64 // of the film between its electrodes; 0 when not stated
	LengthM     float64
	ThicknessM  float64 // of the film; 0 when not stated, like its modulus
	ModulusPa   float64
	UThicknessM float64 // their standard uncertainties; 0 when not stated
	UModulusPa  float64
	Bent        *Bent   // nil when nothing is said of bending
	Array       *Array  // nil for one that is no element of an array
	Limits      []Limit // Channel is "temperature", "power", "current", "voltage", "energy" (over a whole run) or "strain"
	Doc         *yamltext.Document
}

// Array is the place of an element among others on one foil, counted from 1.
type Array struct {
	Foil        string
	Row, Column int
}

// Law is how the film's resistance follows temperature: one of the two is not zero.
type Law struct {
	BK    float64 // R = R0 exp(B (1/T - 1/T0)), kelvin (IEC 60539-1)
	PerK  float64 // R = R0 (1 + a (t - t0))
	given bool
}

// Layer is one layer of the specimen.
type Layer struct {
	Of         string
	ThicknessM float64
	ModulusPa  float64 // 0 when not stated

	UThicknessM, UModulusPa float64 // standard uncertainties; 0 when not stated
}

// specimenLimits are the quantities that a specimen can have limits on.
var specimenLimits = map[string]quantity.Dimension{"temperature": inDegC, "power": inWatt, "current": inAmpere, "voltage": inVolt,
	"energy": inJoule, "strain": plain}

// LoadSpecimen reads a specimen file and adds everything wrong with it to m.
func LoadSpecimen(doc *yamltext.Document, m *yamltext.Mistakes) *Specimen {
	s := &Specimen{Doc: doc}
	if doc.Root == nil {
		return s
	}
	r := reader{doc, m}
	t := r.table(doc.Root, "!format", "!specimen", "description", "!film", "layers", "film face", "encapsulation", "bending", "array", "limits")
	r.edition(t["format"])
	s.ID, s.Description = r.text(t["specimen"]), r.text(t["description"])
	r.film(s, t["film"])
	for _, n := range r.items(t["layers"]) {
		s.Layers = append(s.Layers, r.layer(n))
	}
	faces := []string{"up", "down"}
	if i := r.oneOf(t["film face"], "way for the film to face", faces); i >= 0 {
		s.FilmFace = faces[i]
	}
	if n := t["encapsulation"]; n != nil && n.Text != "none" {
		l := r.layer(n)
		s.Encapsulant = &l
	}
	r.bent(s, t["bending"], t["film face"])
	if n := t["array"]; n != nil {
		const most = 1000 // elements in a line
		a := r.table(n, "!foil", "!row", "!column")
		s.Array = &Array{r.text(a["foil"]), r.whole(a["row"], 1, most), r.whole(a["column"], 1, most)}
	}
	for _, pair := range r.entries(t["limits"]) {
		dim, known := specimenLimits[pair.Key.Text]
		if !known {
			r.unknown(pair.Key, "limit of a specimen", pair.Key.Text, []string{"temperature", "power", "current", "voltage", "energy", "strain"})
			r.limit(pair, anything)
			continue
		}
		l := r.limit(pair, dim)
		if l.Channel == "strain" && (l.Below == nil || !(*l.Below > 0) || l.Above != nil || l.LastingNs != 0) {
			r.wrong(pair.Value, "the strain has but a limit below which it stays, the same in tension and in compression").Hint("strain: {below: 1.5 %}")
		}
		if l.Channel == "energy" && (l.Above != nil || l.LastingNs != 0) {
			r.wrong(pair.Value, "the energy of a whole run has but a limit below which it stays")
		}
		s.Limits = append(s.Limits, l)
	}
	return s
}

func (r reader) film(s *Specimen, n *yamltext.Node) {
	t := r.table(n, "!resistance", "!at", "!within", "B value", "temperature coefficient", "width", "length", "thickness", "modulus", "uncertainty of thickness", "uncertainty of modulus")
	s.R0Ohm, s.BandRel = r.positive(t["resistance"], inOhm), r.positive(t["within"], plain)
	at, isKnown := r.quantity(t["at"], inDegC)
	s.AtDegC = at.Value
	isKnown = isKnown && s.AtDegC > absoluteZeroDegC && s.BandRel > 0 && s.BandRel < 1
	if s.BandRel >= 1 {
		r.wrong(t["within"], "a band of 100 %% or more lets everything pass").Hint("write it as in 20 %")
	}
	if s.AtDegC <= absoluteZeroDegC && t["at"] != nil {
		r.wrong(t["at"], "nothing is that cold")
	}
	if b := t["B value"]; b != nil {
		v, ok := r.quantity(b, inKelvin)
		s.Law.BK, s.Law.given, isKnown = v.Value, true, isKnown && ok
	}
	if a := t["temperature coefficient"]; a != nil {
		if s.Law.given {
			r.wrong(a, "either a B value or a temperature coefficient is expected here, not both").Note(r.doc, t["B value"], "the other one")
		}
		v, ok := r.quantity(a, perKelvin)
		s.Law.PerK, s.Law.given, isKnown = v.Value, true, isKnown && ok
	}
	if names := []string{"B value", "temperature coefficient"}; !s.Law.given && t != nil && len(t) == len(n.Pairs) &&
		!yamltext.IsMisspelt(n, names, names[0]) && !yamltext.IsMisspelt(n, names, names[1]) {
		r.wrong(n, "how the resistance follows temperature is missing").Hint("add B value: 3950 K, or temperature coefficient: 0.3 %/K")
	}
	if !isKnown || !s.Law.given {
		s.R0Ohm = 0 // nothing is expected then
	} else if at25 := s.ExpectedOhm(25); s.R0Ohm > 0 && !(at25 > 0 && at25 <= math.MaxFloat64) {
		r.wrong(cmp.Or(t["B value"], t["temperature coefficient"]), "by this law nothing can have its resistance at 25 degC: %g Ohm", at25)
	}
	if t["width"] != nil {
		s.WidthM = r.positive(t["width"], inMetre)
	}
	if t["length"] != nil {
		s.LengthM = r.positive(t["length"], inMetre)
	}
	s.ThicknessM, s.ModulusPa = r.positive(t["thickness"], inMetre), r.positive(t["modulus"], inPascal)
	s.UThicknessM, s.UModulusPa = r.positive(t["uncertainty of thickness"], inMetre), r.positive(t["uncertainty of modulus"], inPascal)
}

func (r reader) layer(n *yamltext.Node) Layer {
	t := r.table(n, "!of", "!thickness", "modulus", "uncertainty of thickness", "uncertainty of modulus")
	l := Layer{Of: r.text(t["of"]), ThicknessM: r.positive(t["thickness"], inMetre),
		UThicknessM: r.positive(t["uncertainty of thickness"], inMetre), UModulusPa: r.positive(t["uncertainty of modulus"], inPascal)}
	if t["modulus"] != nil {
		l.ModulusPa = r.positive(t["modulus"], inPascal)
	}
	return l
}

// absoluteZeroDegC is exact by definition of the degree Celsius.
const absoluteZeroDegC = -273.15

// ExpectedOhm is the resistance to expect at a temperature.
func (s *Specimen) ExpectedOhm(degC float64) float64 {
	if s.Law.BK != 0 {
		inverse := 1/(degC-absoluteZeroDegC) - 1/(s.AtDegC-absoluteZeroDegC)
		return s.R0Ohm * convert.Exp(s.Law.BK*inverse)
	}
	return s.R0Ohm * (1 + float64(s.Law.PerK*(degC-s.AtDegC)))
}
