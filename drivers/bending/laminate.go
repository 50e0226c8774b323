package bending

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// onPlane is how near to the neutral plane, in thicknesses, counts as on it.
const onPlane = 1e-9

// Layer of a stack. The Poisson ratio counts in wide strips only.
type Layer struct {
	ThicknessM   float64
	ModulusPa    float64 // Young's modulus
	PoissonRatio float64
}

// Width says whether a strip can curve across its width.
type Width string

const (
	// Narrow strips do, and bend with E.
	Narrow Width = "narrow"
	// Wide strips do not (plane strain), and bend with E/(1-nu^2).
	Wide Width = "wide"
)

// Laminate is a stack of layers that stick together. Depths in it count from its
// back face, that of the first layer, towards its front.
type Laminate struct {
	layers     []Layer
	width      Width
	thicknessM float64
	stretch    float64 // of all layers, N per m of width
	neutralM   float64
	stiffness  float64
}

// NewLaminate stacks layers from the back to the front. With the cover of an
// encapsulated film as the last layer or without it, these are two laminates.
func NewLaminate(w Width, layers ...Layer) (Laminate, error) {
	if len(layers) == 0 {
		return Laminate{}, fmt.Errorf("a laminate of no layers has no strain: give at least one, from the back to the front")
	}
	l := Laminate{layers: slices.Clone(layers), width: w}
	stretch, moment := 0.0, 0.0 // sums of E t and E t y
	for i, layer := range layers {
		if !(layer.ThicknessM >= thinnest && layer.ThicknessM <= thickest) {
			return Laminate{}, fmt.Errorf("layer %d from the back: a thickness of %s is outside the %s to %s allowed: check its unit",
				i+1, mm(layer.ThicknessM), mm(thinnest), mm(thickest))
		}
		modulus, err := l.modulus(layer)
		if err != nil {
			return Laminate{}, fmt.Errorf("layer %d from the back: %w", i+1, err)
		}
		weight := float64(modulus * layer.ThicknessM)
		stretch += weight
		moment += float64(weight * (l.thicknessM + layer.ThicknessM/2))
		l.thicknessM += layer.ThicknessM
	}
	l.neutralM, l.stretch = moment/stretch, stretch
	back := 0.0
	for _, layer := range layers {
		modulus, _ := l.modulus(layer) // checked above
		t, off := layer.ThicknessM, back+layer.ThicknessM/2-l.neutralM
		l.stiffness += float64(float64(modulus*t) * (float64(t*t)/12 + float64(off*off)))
		back += t
	}
	return l, nil
}

// modulus with which a layer bends.
func (l Laminate) modulus(layer Layer) (float64, error) {
	if !(layer.ModulusPa >= 1 && layer.ModulusPa <= 1e13) {
		return 0, fmt.Errorf("a modulus of %g Pa is outside the 1 to 1e13 Pa allowed: check its unit", layer.ModulusPa)
	}
	switch nu := layer.PoissonRatio; {
	case l.width == Narrow && nu >= 0 && nu <= 0.5:
		return layer.ModulusPa, nil
	case l.width == Wide && nu > 0 && nu <= 0.5:
		return layer.ModulusPa / (1 - float64(nu*nu)), nil
	case l.width == Narrow || l.width == Wide:
		return 0, fmt.Errorf("a Poisson ratio of %g is outside the 0 to 0.5 allowed, in a wide strip without the 0: give the material's own", nu)
	}
	return 0, fmt.Errorf("the strip's width is %q, expected %q or %q (against its radius times its thickness)", l.width, Narrow, Wide)
}

// ThicknessM of all layers.
func (l Laminate) ThicknessM() float64 { return l.thicknessM }

// NeutralM is the depth of the plane that bending leaves unstretched.
func (l Laminate) NeutralM() float64 { return l.neutralM }

// StiffnessNm is the bending stiffness per width, in N m^2 per m.
func (l Laminate) StiffnessNm() float64 { return l.stiffness }

// Facing says where the film's side of a laminate, its front, lies in the bend.
type Facing string

const (
	// Out is the outer side: what lies before the neutral plane is in tension.
	Out Facing = "out"
	// In is the inner side: what lies before the neutral plane is in compression.
	In Facing = "in"
)

// Strain at a depth, positive in tension.
func (l Laminate) Strain(depthM, curvaturePerM float64, f Facing) (float64, error) {
	off := depthM - l.neutralM
	switch {
	case l.layers == nil:
		return 0, errNoLayers
	case !(depthM >= 0 && depthM <= l.thicknessM):
		return 0, fmt.Errorf("a depth of %s is outside a laminate of %s: count from the back face", mm(depthM), mm(l.thicknessM))
	case f == In:
		off = -off
	case f != Out:
		return 0, fmt.Errorf("the film faces %q, expected %q (outer side, tension) or %q (inner side, compression)", f, Out, In)
	}
	// The faces are as far from the neutral plane as anything: they may not be
	// bent beyond a point.
	if reach := math.Max(l.neutralM, l.thicknessM-l.neutralM); !(math.Abs(curvaturePerM) <= 1/reach) {
		return 0, fmt.Errorf("a curvature of %g per m is outside the -%.6g to %.6g per m that a laminate of %s can have: ask for a greater radius",
			curvaturePerM, 1/reach, 1/reach, mm(l.thicknessM))
	}
	return float64(off * curvaturePerM), nil
}

// Film is the active layer of a laminate in a bend. Its strain is that in the
// middle of its own thickness.
type Film struct {
	laminate Laminate
	facing   Facing
	layer    int // from the back
	depthM   float64
}

// Film picks a layer, counted from 0 at the back.
func (l Laminate) Film(layer int, f Facing) (Film, error) {
	depth, err := l.middle(layer)
	if err == nil {
		_, err = l.Strain(depth, 0, f)
	}
	if err != nil {
		return Film{}, err
	}
	return Film{l, f, layer, depth}, nil
}

func (l Laminate) middle(layer int) (float64, error) {
	if layer < 0 || layer >= len(l.layers) {
		return 0, fmt.Errorf("layer %d from the back does not exist, the laminate has %d: pick one of them", layer+1, len(l.layers))
	}
	depth := l.layers[layer].ThicknessM / 2
	for _, below := range l.layers[:layer] {
		depth += below.ThicknessM
	}
	return depth, nil
}

// Strip is the laminate as a fixture takes it.
func (f Film) Strip(freeLengthM float64) Strip {
	outer := f.laminate.neutralM
	if f.facing == Out {
		outer = f.laminate.thicknessM - outer
	}
	return Strip{FreeLengthM: freeLengthM, ThicknessM: f.laminate.thicknessM, OuterM: outer}
}

// Strain at a curvature, local or mean, positive in tension.
func (f Film) Strain(curvaturePerM float64) (float64, error) {
	return f.laminate.Strain(f.depthM, curvaturePerM, f.facing)
}

// slopes are by how much the film comes further from the neutral plane, towards the front,
// with the thickness and with the modulus of a layer.
func (f Film) slopes(layer int) (byThickness, byModulus float64) {
	l := f.laminate
	back, above := 0.0, 0.0
	for i, part := range l.layers {
		weight, _ := l.modulus(part) // checked when the laminate was made
		switch {
		case i < layer:
			back += part.ThicknessM
		case i > layer:
			above += float64(weight * part.ThicknessM)
		}
	}
	part := l.layers[layer]
	weight, _ := l.modulus(part)
	front := back + part.ThicknessM
	byThickness = -(float64(weight*(front-l.neutralM)) + above) / l.stretch
	switch {
	case layer == f.layer:
		byThickness += 0.5
	case layer < f.layer:
		byThickness++
	}
	byModulus = -part.ThicknessM * (back + part.ThicknessM/2 - l.neutralM) / l.stretch * (weight / part.ModulusPa)
	return byThickness, byModulus
}

// NeutralRadiusM is the radius of the neutral plane that gives the film a
// strain.
func (f Film) NeutralRadiusM(strain float64) (float64, error) {
	off := f.depthM - f.laminate.neutralM
	if f.facing == In {
		off = -off
	}
	radius := off / strain
	switch {
	case f.laminate.layers == nil:
		return 0, errNoLayers
	case !(math.Abs(strain) > 0 && math.Abs(strain) <= 1):
		return 0, fmt.Errorf("a strain of %g is outside the -1 to 1 that a bend can have, 0 excepted: ask for flat instead of 0", strain)
	case math.Abs(off) < onPlane*f.laminate.thicknessM:
		return 0, fmt.Errorf("the film lies on the neutral plane, where no bend strains it: a strain of %g needs another cover", strain)
	case radius < 0:
		return 0, fmt.Errorf("a film %s before the neutral plane and facing %s has no strain of sign %g: ask for %g, or turn the specimen",
			mm(f.depthM-f.laminate.neutralM), f.facing, strain, -strain)
	case radius > flattest:
		return 0, fmt.Errorf("%w: a strain of %g needs a radius above %s: ask for flat", ErrNotBent, strain, mm(flattest))
	}
	if _, err := f.Strain(1 / radius); err != nil {
		return 0, fmt.Errorf("%w: a strain of %g needs a radius of %s, and the strip is %s thick: ask for less strain",
			ErrTooTight, strain, mm(radius), mm(f.laminate.thicknessM))
	}
	return radius, nil
}

// NeutralCover is the thickness of a further layer on the front that puts the
// neutral plane into the middle of a layer, counted from 0 at the back: 0 when it
// is there. None does when the neutral plane lies before that layer already.
func (l Laminate) NeutralCover(layer int, modulusPa, poissonRatio float64) (thicknessM float64, err error) {
	depth, err := l.middle(layer)
	if err != nil {
		return 0, err
	}
	modulus, err := l.modulus(Layer{ModulusPa: modulusPa, PoissonRatio: poissonRatio})
	if err != nil {
		return 0, fmt.Errorf("the cover: %w", err)
	}
	stretch := 0.0
	for _, part := range l.layers {
		weight, _ := l.modulus(part) // checked when the laminate was made
		stretch += float64(weight * part.ThicknessM)
	}
	below, above := depth-l.neutralM, l.thicknessM-depth
	if math.Abs(below) < onPlane*l.thicknessM {
		return 0, nil
	}
	if below < 0 {
		return 0, fmt.Errorf("no cover puts layer %d from the back on the neutral plane, which lies %s before it already: move the layer forward, or thin what covers it",
			layer+1, mm(-below))
	}
	// Moments about the layer: E t (above + t/2) of the cover balances the rest.
	// This is the root of the quadratic without a difference.
	moment := 2 * below * stretch / modulus
	thicknessM = moment / (above + math.Sqrt(float64(above*above)+moment))
	if !(thicknessM <= thickest) {
		return 0, fmt.Errorf("a cover of %g Pa would have to be %s thick, above %s: use a stiffer one", modulusPa, mm(thicknessM), mm(thickest))
	}
	return thicknessM, nil
}

var errNoLayers = errors.New("there are no layers in the laminate: make one by NewLaminate")
