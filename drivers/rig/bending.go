package rig

import (
	"errors"

	"dwell/drivers/bending"
	"dwell/drivers/yamltext"
)

// This file reads how a specimen is clamped into a stage, and what it is made of in the
// direction of its thickness.

// Bending is how the rig bends a specimen.
type Bending struct {
	Stage        string
	Ends         bending.Ends // how they are held: without a default, since it is a factor of two
	FreeLengthM  float64      // between the clamps, when the strip lies flat
	UFreeLengthM float64      // its standard uncertainty, like the next one
	UTravelM     float64
	FlatAtM      float64 // the position of the stage at which the strip lies flat; it is bent beyond
	Harmless     bool    // homing with a specimen clamped does it no harm
	Node         *yamltext.Node
}

// Bent is what a specimen says of being bent.
type Bent struct {
	Facing  bending.Facing
	Current string // "along" the strip, or "across" it
	Bows    string // "up" or "down": the side to which the strip is nudged; a stage cannot choose
}

func (r *rigReader) bending(n *yamltext.Node) {
	t := r.table(n, "!stage", "!ends", "!free length", "!flat at", "!homing", "uncertainty of free length", "uncertainty of travel")
	if t == nil {
		return
	}
	b := &Bending{FreeLengthM: r.positive(t["free length"], inMetre), FlatAtM: r.value(t["flat at"], inMetre), Node: n}
	b.UFreeLengthM, b.UTravelM = r.positive(t["uncertainty of free length"], inMetre), r.positive(t["uncertainty of travel"], inMetre)
	var stages []string
	for _, d := range r.rig.Instruments {
		if d.Profile.Kind == "stage" {
			stages = append(stages, d.Name)
		}
	}
	if i := r.oneOfBench(t["stage"], "stage of this rig", stages); i >= 0 {
		b.Stage = stages[i]
	}
	ends := []string{string(bending.Clamped), string(bending.Hinged)}
	if i := r.oneOf(t["ends"], "way to hold the ends of a strip", ends); i >= 0 {
		b.Ends = bending.Ends(ends[i])
	}
	homing := []string{"harmless", "ask"}
	b.Harmless = r.oneOf(t["homing"], "way to find the limit switch", homing) == 0
	if b.Stage != "" && b.Ends != "" && b.FreeLengthM > 0 {
		r.rig.Bending = b
	}
}

func (r reader) bent(s *Specimen, n *yamltext.Node) {
	t := r.table(n, "!film faces", "!current", "!bows")
	if t == nil {
		return
	}
	b := &Bent{}
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
	s.Bent = b
}

var (
	errNotBent = errors.New("it says nothing of bending: add bending: {film faces: out, current: along, bows: up}")
	errNoStack = errors.New("to work out a strain, thickness and modulus are needed of the film and of every layer")
)

// BendingFilm is the film in its stack of layers: what its strain follows from.
func (s *Specimen) BendingFilm() (bending.Film, error) {
	if s.Bent == nil {
		return bending.Film{}, errNotBent
	}
	stack := append(append([]Layer(nil), s.Layers...), Layer{"film", s.ThicknessM, s.ModulusPa})
	if s.Encapsulant != nil {
		stack = append(stack, *s.Encapsulant)
	}
	var layers []bending.Layer
	for _, l := range stack {
		if l.ThicknessM == 0 || l.ModulusPa == 0 {
			return bending.Film{}, errNoStack
		}
		layers = append(layers, bending.Layer{ThicknessM: l.ThicknessM, ModulusPa: l.ModulusPa})
	}
	laminate, err := bending.NewLaminate(bending.Narrow, layers...)
	if err != nil {
		return bending.Film{}, err
	}
	return laminate.Film(len(s.Layers), s.Bent.Facing)
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
