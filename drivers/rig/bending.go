package rig

import (
	"errors"
	"math"
	"slices"

	"dwell/drivers/bending"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// This file reads how a specimen is clamped into a stage, and what it is made of in the
// direction of its thickness.

// Bending is how the rig bends a specimen: a stage buckles a strip between two ends, or
// folds it between two plates; or a person lays it round rods.
type Bending struct {
	Stage        string       // "" for rods
	Ends         bending.Ends // how they are held: without a default, since it is a factor of two; "" for plates and rods
	GapM         float64      // between the plates at FlatAtM; 0 where there are none
	RodsM        []float64    // diameters; nil where there are none
	FreeLengthM  float64      // between the ends, when the strip lies flat; between the fixings on two plates
	FlatAtM      float64      // the position of the stage at which the strip lies flat, or the plates stand open; it is bent beyond
	Harmless     bool         // homing with a specimen clamped does it no harm
	UFreeLengthM float64      // standard uncertainties, like the next two
	UTravelM     float64
	URodM        float64  // of a diameter
	FlatSeen     *Contact // what reads a state, or a number, when the strip lies flat; nil for none
	Node         *yamltext.Node
}

// Fixture is the stage with a strip in it; not for rods.
func (b *Bending) Fixture(s bending.Strip) (bending.Fixture, error) {
	if b.GapM > 0 {
		return bending.NewFold(s, b.GapM)
	}
	return bending.NewBuckle(s, b.Ends)
}

// Uncertainty is that of a shape, as far as rig and specimen state it.
func (b *Bending) Uncertainty(of *Specimen) bending.Uncertainty {
	u := bending.Uncertainty{TravelM: b.UTravelM, FreeLengthM: b.UFreeLengthM, ThicknessM: of.Bent.UThicknessM, RodRadiusM: b.URodM / 2}
	for _, l := range of.stack() {
		u.ThicknessM = math.Hypot(u.ThicknessM, l.UThicknessM)
		u.Layers = append(u.Layers, bending.LayerUncertainty{ThicknessM: l.UThicknessM, ModulusPa: l.UModulusPa})
	}
	return u
}

// Unstated are the quantities whose uncertainty nobody states, and which therefore count as
// exact in every radius and strain.
func (b *Bending) Unstated(of *Specimen) (all []string) {
	u := b.Uncertainty(of)
	modulus := slices.ContainsFunc(u.Layers, func(l bending.LayerUncertainty) bool { return l.ModulusPa > 0 })
	for _, x := range []struct {
		name    string
		matters bool
		u       float64
	}{{"travel", b.RodsM == nil, u.TravelM}, {"free length", b.Ends != "", u.FreeLengthM}, {"rods", b.RodsM != nil, u.RodRadiusM}, {"thickness", true, u.ThicknessM}, {"modulus", !modulus, 0}} {
		if x.matters && x.u == 0 {
			all = append(all, x.name)
		}
	}
	return all
}

// Bent is what a specimen says of being bent.
type Bent struct {
	Facing  bending.Facing
	Current string // "along" the strip, or "across" it
	Bows    string // "up" or "down": the side to which the strip is nudged; a stage cannot choose

	UThicknessM float64 // standard uncertainty of the thickness of all layers together; 0 when none is stated
}

func (r *rigReader) bending(n *yamltext.Node) {
	has := func(key string) bool {
		return slices.ContainsFunc(r.entries(n), func(p yamltext.Pair) bool { return p.Key.Text == key })
	}
	var t map[string]*yamltext.Node
	switch { // what says how the strip is bent also says what else must be known
	case has("rods"):
		t = r.table(n, "!rods", "!free length", "uncertainty of rods")
	case has("plates apart"):
		t = r.table(n, "!stage", "!plates apart", "!open at", "!free length", "!homing", "uncertainty of travel")
	default:
		t = r.table(n, "!stage", "!ends", "!free length", "!flat at", "!homing", "flat seen by", "uncertainty of free length", "uncertainty of travel")
	}
	if t == nil {
		return
	}
	b := &Bending{FreeLengthM: r.positive(t["free length"], inMetre), Node: n,
		UFreeLengthM: r.positive(t["uncertainty of free length"], inMetre), UTravelM: r.positive(t["uncertainty of travel"], inMetre),
		URodM: r.positive(t["uncertainty of rods"], inMetre), GapM: r.positive(t["plates apart"], inMetre)}
	b.FlatAtM = r.value(t["flat at"], inMetre) + r.value(t["open at"], inMetre) // there is but one
	if seen := t["flat seen by"]; seen != nil {
		if k, ok := r.contact(seen); ok {
			b.FlatSeen = &k
		}
	}
	ends := []string{string(bending.Clamped), string(bending.Hinged)}
	if i := r.oneOf(t["ends"], "way to hold the ends of a strip", ends); i >= 0 {
		b.Ends = bending.Ends(ends[i])
	}
	for _, x := range r.items(t["rods"]) {
		if d := r.positive(x, inMetre); d > 0 {
			b.RodsM = append(b.RodsM, d)
		}
	}
	isMoved := b.Ends != "" || b.GapM > 0
	if isMoved = r.moved(b, t) && isMoved; b.FreeLengthM > 0 && (isMoved || len(b.RodsM) > 0) {
		r.rig.Bending = b
	}
}

// moved reads the stage of a fixture that has one.
func (r *rigReader) moved(b *Bending, t map[string]*yamltext.Node) bool {
	var stages []string
	for _, d := range r.rig.Instruments {
		if d.Profile.Kind == "stage" {
			stages = append(stages, d.Name)
		}
	}
	if i := r.oneOfBench(t["stage"], "stage of this rig", stages); i >= 0 {
		b.Stage = stages[i]
		r.reached(b, t)
	}
	b.Harmless = r.oneOf(t["homing"], "way to find the limit switch", []string{"harmless", "ask"}) == 0
	return b.Stage != ""
}

// reached refuses a place for flat, or for open plates, where the stage cannot go.
func (r *rigReader) reached(b *Bending, t map[string]*yamltext.Node) {
	p := r.rig.Instruments[r.rig.Instrument(b.Stage)].Profile
	for _, n := range []*yamltext.Node{t["flat at"], t["open at"]} {
		k := p.Set("position")
		if n == nil || k < 0 || b.FlatAtM >= p.Sets[k].Least && b.FlatAtM <= p.Sets[k].Most {
			continue
		}
		r.wrong(n, "%s cannot go to %s: it reaches from %s to %s", b.Stage, quantity.Near(b.FlatAtM, inMetre), quantity.Near(p.Sets[k].Least, inMetre), quantity.Near(p.Sets[k].Most, inMetre))
	}
}

// bent reads how a specimen is to be bent. Of the side that its film looks to, the side it
// bows to, and the side of the bend that the film is on, any two say the third.
func (r reader) bent(s *Specimen, n, face *yamltext.Node) {
	t := r.table(n, "!film faces", "!current", "!bows", "uncertainty of thickness")
	if t == nil {
		return
	}
	b := &Bent{UThicknessM: r.positive(t["uncertainty of thickness"], inMetre)}
	faces := []string{string(bending.Out), string(bending.In)}
	if i := r.oneOf(t["film faces"], "way for the film to face", faces); i >= 0 {
		b.Facing = bending.Facing(faces[i])
	}
	ways, sides := []string{"along", "across"}, []string{"up", "down"}
	if i := r.oneOf(t["current"], "way for the current to run", ways); i >= 0 {
		b.Current = ways[i]
	}
	if i := r.oneOf(t["bows"], "side to bow to", sides); i >= 0 {
		b.Bows = sides[i]
	}
	if s.Bent = b; b.Facing != "" && b.Bows != "" && s.FilmFace != "" {
		is, not := bending.In, bending.Out
		if s.FilmFace == b.Bows {
			is, not = not, is
		}
		if b.Facing != is {
			r.wrong(t["film faces"], "this cannot be: a film that looks %s, on a strip that bows %s, is on the %sside of the bend, not on the %sside", s.FilmFace, b.Bows, is, not).
				Note(r.doc, face, "where it looks stands here").Note(r.doc, t["bows"], "to which side the strip bows stands here").
				Hint("film faces: " + string(is) + ", or the other side under bows")
		}
	}
	if whole := t["uncertainty of thickness"]; whole != nil && slices.ContainsFunc(s.stack(), func(l Layer) bool { return l.UThicknessM > 0 }) {
		r.wrong(whole, "the uncertainty of the thickness is stated of layers already: either of each, or of all together")
	}
}

var (
	errNotBent = errors.New("it says nothing of bending: add bending: {film faces: out, current: along, bows: up}")
	errNoStack = errors.New("to work out a strain, thickness and modulus are needed of the film and of every layer, of one at least")
)

// BendingFilm is the film in its stack of layers: what its strain follows from. A film that
// nothing carries would lie on its own neutral plane, and no bend would strain it.
func (s *Specimen) BendingFilm() (bending.Film, error) {
	if s.Bent != nil && len(s.Layers) == 0 {
		return bending.Film{}, errNoStack
	}
	laminate, err := s.laminate(s.stack())
	if err != nil {
		return bending.Film{}, err
	}
	return laminate.Film(len(s.Layers), s.Bent.Facing)
}

// NeutralCover is how thick a cover would have to be to put the film on the neutral
// plane, where no bend strains it: one of the encapsulation that there is, or of what
// carries a bare film.
func (s *Specimen) NeutralCover() (of Layer, thicknessM float64, err error) {
	stack := s.bare()
	switch {
	case s.Encapsulant != nil:
		of = *s.Encapsulant
	case len(s.Layers) > 0:
		of = s.Layers[len(s.Layers)-1]
	default:
		return of, 0, errNoStack
	}
	laminate, err := s.laminate(stack)
	if err != nil {
		return of, 0, err
	}
	thicknessM, err = laminate.NeutralCover(len(s.Layers), of.ModulusPa, 0)
	return of, thicknessM, err
}

// bare is the stack without what covers the film.
func (s *Specimen) bare() []Layer {
	return append(append([]Layer(nil), s.Layers...), Layer{"film", s.ThicknessM, s.ModulusPa, s.UThicknessM, s.UModulusPa})
}

// stack is all layers, from below.
func (s *Specimen) stack() []Layer {
	all := s.bare()
	if s.Encapsulant != nil {
		all = append(all, *s.Encapsulant)
	}
	return all
}

func (s *Specimen) laminate(stack []Layer) (bending.Laminate, error) {
	if s.Bent == nil {
		return bending.Laminate{}, errNotBent
	}
	var layers []bending.Layer
	for _, l := range stack {
		if l.ThicknessM == 0 || l.ModulusPa == 0 {
			return bending.Laminate{}, errNoStack
		}
		layers = append(layers, bending.Layer{ThicknessM: l.ThicknessM, ModulusPa: l.ModulusPa})
	}
	return bending.NewLaminate(bending.Narrow, layers...)
}

// StrainBelow is the specimen's limit of strain, nil when it has none.
func (s *Specimen) StrainBelow() *Limit {
	for i := range s.Limits {
		if s.Limits[i].Channel == "strain" && s.Limits[i].Below != nil {
			return &s.Limits[i]
		}
	}
	return nil
}
