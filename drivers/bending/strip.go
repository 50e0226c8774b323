// Package bending turns the travel of a bending stage into the radius and the
// strain of a specimen, and back: a strip buckled between clamps or hinges,
// folded between parallel plates, or laid round a mandrel; and the strain at any
// depth of a stack of layers. It holds pure numbers: no state, no clock, no
// device.
//
// The shapes are those of an inextensible elastic strip (the exact elastica),
// not the sine of small deflections; the strain is linear through the thickness
// (Euler). Elastic deformation only: what bends for good, creeps or delaminates
// is not described. Weight, and stretch along the neutral plane, are left out;
// what the strip is compressed by before it buckles is taken off the travel.
//
// Signs: curvature is positive where the strip is bent as in its middle, strain
// is positive in tension. Lengths are in metres, and along the strip they count
// from its middle. A radius is that of the neutral plane unless its Surface
// says otherwise; with a film on it, the faces of the strip are told apart by
// Facing.
//
// How the ends are held, which way the film faces and what a radius refers to
// have no default: the popular closed formula for a buckled strip is the one for
// hinges and gives twice the radius between clamps. Beyond the range of a shape
// there is an error, never a number. The same bits come out on every processor:
// no function of math but the exact ones, and no product is fused into a sum.
package bending

import (
	"errors"
	"fmt"
	"math"
)

// Kinds of requests that no shape answers; the errors returned wrap them.
var (
	ErrNotBent  = errors.New("not bent yet")     // the travel leaves the strip flat, or not held on both plates
	ErrTooFar   = errors.New("travel too far")   // beyond the free length, or legs or faces would touch
	ErrTooTight = errors.New("radius too small") // no permitted travel gives it
)

var errNoShape = errors.New("the strip has no shape yet: bend it by a fixture first")

// Surface says which surface of the bent strip a radius is that of.
type Surface string

// A mandrel sets the radius of the inner face, a buckled strip that of its
// neutral plane.
const (
	NeutralPlane Surface = "neutral plane"
	InnerFace    Surface = "inner face"
)

// Strip is the part of a specimen that is free to bend.
type Strip struct {
	FreeLengthM float64 // along the strip: between the clamp edges or hinges, or between the fixings on two plates
	ThicknessM  float64
	// OuterM lies between the neutral plane and the face that will be the outer
	// one: half the thickness for a single material, see Film.Strip for layers.
	OuterM float64
}

// Slender is the least ratio of length to thickness at which bending is taken to
// be free of shear: a rule of thumb, no source.
const Slender = 20

// atFace is the least distance of the neutral plane from a face, in thicknesses:
// less is a mistake rather than a laminate.
const atFace = 1e-6

func (s Strip) check() error {
	switch {
	case !(s.ThicknessM >= thinnest && s.ThicknessM <= thickest):
		return fmt.Errorf("a strip %s thick is outside the %s to %s allowed: check its unit", mm(s.ThicknessM), mm(thinnest), mm(thickest))
	case !(s.FreeLengthM >= Slender*s.ThicknessM && s.FreeLengthM <= longest):
		return fmt.Errorf("a free length of %s is outside the %s (%d times the thickness) to %s allowed: free a longer strip, or check the unit",
			mm(s.FreeLengthM), mm(Slender*s.ThicknessM), Slender, mm(longest))
	case !(s.OuterM >= atFace*s.ThicknessM && s.innerM() >= atFace*s.ThicknessM):
		return fmt.Errorf("a neutral plane %s under the outer face is not inside a strip %s thick: give half the thickness for a single material",
			mm(s.OuterM), mm(s.ThicknessM))
	}
	return nil
}

// innerM lies between the neutral plane and the inner face.
func (s Strip) innerM() float64 { return s.ThicknessM - s.OuterM }

// NeutralRadiusM returns the radius of the neutral plane when the surface given
// has the radius given.
func (s Strip) NeutralRadiusM(radiusM float64, of Surface) (float64, error) {
	if err := s.check(); err != nil {
		return 0, err
	}
	if !(radiusM > 0 && radiusM <= flattest) {
		return 0, fmt.Errorf("a radius of %s is outside the 0 mm to %s that can be asked for: ask for flat instead of a greater one", mm(radiusM), mm(flattest))
	}
	switch of {
	case NeutralPlane:
		if radiusM < s.innerM() {
			return 0, fmt.Errorf("%w: %s at the neutral plane leaves none at the inner face, %s further in: ask for more than that",
				ErrTooTight, mm(radiusM), mm(s.innerM()))
		}
		return radiusM, nil
	case InnerFace:
		return radiusM + s.innerM(), nil
	}
	return 0, fmt.Errorf("a radius of %s is that of surface %q, expected %q or %q: say which one it refers to", mm(radiusM), of, NeutralPlane, InnerFace)
}

// RadiusM is the radius of a surface when the neutral plane has the one given.
func (s Strip) RadiusM(neutralRadiusM float64, of Surface) (float64, error) {
	if _, err := s.NeutralRadiusM(neutralRadiusM, NeutralPlane); err != nil {
		return 0, err
	}
	switch of {
	case NeutralPlane:
		return neutralRadiusM, nil
	case InnerFace:
		return neutralRadiusM - s.innerM(), nil
	}
	return 0, fmt.Errorf("a radius is asked for at surface %q, expected %q or %q", of, NeutralPlane, InnerFace)
}

// Limits of a fixture with a strip in it. Radii are those of the neutral plane.
type Limits struct {
	LeastTravelM, GreatestTravelM float64
	LeastRadiusM, GreatestRadiusM float64 // at the greatest and at the least travel
}

// Bend is a strip in one shape. The least radius stands in the middle of the
// strip, and between clamps at both clamps too, bent the other way: failures at
// the clamp edges are expected.
type Bend struct {
	TravelM        float64 // 0 on a mandrel
	NeutralRadiusM float64 // the least along the strip, of the neutral plane
	HeightM        float64 // of the middle above the line of the ends; beyond the lines of contact with plates; 0 on a mandrel

	strip      Strip
	shape      modulus // zero when the radius is the same everywhere
	waveM      float64 // u = s/waveM is the argument of the elliptic functions at a distance s from the middle
	inflection bool    // the curvature changes its sign where u = K, instead of staying zero

	// Partial derivatives of the neutral radius.
	byTravel, byFreeLength, byThickness, byRod float64
}

// CurvaturePerM is the curvature at a distance from the middle of the strip.
func (b Bend) CurvaturePerM(alongM float64) (float64, error) {
	if err := b.contains(alongM, alongM); err != nil {
		return 0, err
	}
	curvature, _ := b.at(alongM)
	return curvature, nil
}

// MeanCurvaturePerM is the mean over a sensor that lies along the strip, with
// its centre at a distance from the middle: a sensor of some length sees less
// than the extreme. It is the angle between the tangents at its two ends,
// divided by its length. On a mandrel the whole sensor is taken to lie on it.
func (b Bend) MeanCurvaturePerM(centreM, lengthM float64) (float64, error) {
	if !(lengthM > 0) {
		return 0, fmt.Errorf("a sensor %s long has no mean curvature: give a length above 0 mm", mm(lengthM))
	}
	from, to := centreM-lengthM/2, centreM+lengthM/2
	if err := b.contains(from, to); err != nil {
		return 0, err
	}
	if lengthM < 1e-6*b.strip.FreeLengthM { // the difference would be lost, and the middle is as good
		curvature, _ := b.at(centreM)
		return curvature, nil
	}
	_, start := b.at(from)
	_, end := b.at(to)
	return (end - start) / (to - from), nil
}

func (b Bend) contains(fromM, toM float64) error {
	half := b.strip.FreeLengthM / 2
	if !(half > 0) {
		return errNoShape
	}
	if slack := float64(1e-12 * half); !(fromM >= -half-slack && toM <= half+slack) {
		return fmt.Errorf("%s to %s from the middle is not on the free strip, which reaches %s to both sides: move the sensor, or free a longer strip",
			mm(fromM), mm(toM), mm(half))
	}
	return nil
}

// at returns the curvature and the angle of the tangent against that in the
// middle: 2k cn(u)/wave, 2 asin(k sn(u)).
func (b Bend) at(alongM float64) (curvature, angle float64) {
	if b.shape.K == 0 {
		return 1 / b.NeutralRadiusM, alongM / b.NeutralRadiusM
	}
	u, sign := math.Abs(alongM)/b.waveM, 1.0
	switch {
	case u >= b.shape.K && !b.inflection:
		u, sign = b.shape.K, 0
	case u > b.shape.K:
		u, sign = math.Max(0, float64(2*b.shape.K)-u), -1
	}
	sn, cn, _ := b.shape.jacobi(u)
	angle = 2 * arcSine(float64(b.shape.k*sn))
	return float64(sign*cn) / b.NeutralRadiusM, math.Copysign(angle, alongM)
}

// Uncertainty holds standard uncertainties (JCGM 100) of what a shape is computed
// from, taken as independent; one that does not enter a shape changes nothing.
type Uncertainty struct {
	TravelM     float64 // of the distance moved, its zero included
	FreeLengthM float64
	ThicknessM  float64 // of the whole strip, all layers in proportion
	RodRadiusM  float64 // of a mandrel
	Layers      []LayerUncertainty
}

// LayerUncertainty holds those of a layer, in the order of its laminate, for the strain of a
// film.
type LayerUncertainty struct{ ThicknessM, ModulusPa float64 }

// mostRelative is the relative standard uncertainty up to which the linear law
// of propagation is used: close to buckling the radius goes as 1/sqrt(travel),
// and there a quarter means that two standard uncertainties reach to flat.
const mostRelative = 0.25

// RadiusUncertaintyM is the standard uncertainty of NeutralRadiusM.
func (b Bend) RadiusUncertaintyM(u Uncertainty) (float64, error) {
	return b.propagate(u, b.byThickness, b.NeutralRadiusM)
}

// StrainUncertainty is the standard uncertainty of the strain of a film in this shape,
// Film.Strain(1/NeutralRadiusM), absolute: how far the film is from the neutral plane is
// uncertain by thickness and modulus of each layer also where it lies on that plane. Where no
// layer states the uncertainty of its thickness, that of all is shared between them in
// proportion to their thickness, each for itself. For the strain at a mean curvature it is an
// approximation.
func (b Bend) StrainUncertainty(f Film, u Uncertainty) (float64, error) {
	thickness := u.ThicknessM
	u.ThicknessM = 0
	radius, err := b.propagate(u, 0, b.NeutralRadiusM)
	if err != nil {
		return 0, err
	}
	strain, err := f.Strain(1 / b.NeutralRadiusM)
	if err != nil {
		return 0, err
	}
	off := f.depthM - f.laminate.neutralM
	part := float64(strain * (radius / b.NeutralRadiusM))
	square, shared, squares, stated := float64(part*part), 0.0, 0.0, false
	for i, layer := range f.laminate.layers {
		byThickness, byModulus := f.slopes(i)
		var of LayerUncertainty
		if i < len(u.Layers) {
			of = u.Layers[i]
		}
		byThickness -= off * b.byThickness / b.NeutralRadiusM // a thicker strip has another radius
		share := float64(byThickness * layer.ThicknessM)
		shared += float64(share * share)
		squares += float64(layer.ThicknessM * layer.ThicknessM)
		stated = stated || of.ThicknessM > 0
		for _, part := range [...]float64{byThickness * of.ThicknessM, byModulus * of.ModulusPa} {
			square += float64(part / b.NeutralRadiusM * part / b.NeutralRadiusM)
		}
	}
	if !(thickness >= 0 && thickness <= longest) {
		return 0, fmt.Errorf("a standard uncertainty of %s for the thickness is outside the 0 mm to %s allowed", mm(thickness), mm(longest))
	}
	if !stated {
		part := thickness / b.NeutralRadiusM
		square += float64(part*part) * shared / squares
	}
	return math.Sqrt(square), nil
}

func (b Bend) propagate(u Uncertainty, byThickness, radiusM float64) (float64, error) {
	if b.NeutralRadiusM == 0 {
		return 0, errNoShape
	}
	square := 0.0
	for _, input := range []struct {
		name     string
		u, slope float64
	}{
		{"the travel", u.TravelM, b.byTravel}, {"the free length", u.FreeLengthM, b.byFreeLength},
		{"the thickness", u.ThicknessM, byThickness}, {"the mandrel's radius", u.RodRadiusM, b.byRod},
	} {
		if !(input.u >= 0 && input.u <= longest) {
			return 0, fmt.Errorf("a standard uncertainty of %s for %s is outside the 0 mm to %s allowed", mm(input.u), input.name, mm(longest))
		}
		part := float64(input.u * input.slope)
		square += float64(part * part)
	}
	total := math.Sqrt(square)
	if !(total <= mostRelative*radiusM) {
		if total > radiusM {
			return 0, fmt.Errorf("the radius of %s is uncertain by more than itself: bend further, or measure travel and lengths better", mm(radiusM))
		}
		return 0, fmt.Errorf("the radius of %s is uncertain by %.3g %%, above the %g %% up to which it can be stated: bend further, or measure travel and lengths better",
			mm(radiusM), 100*total/radiusM, 100*mostRelative)
	}
	return total, nil
}

// Lengths outside these are taken for a wrong unit.
const (
	thinnest = 1e-10 // one layer of atoms
	thickest = 1.0
	longest  = 100.0
	flattest = 1e9
)

func mm(m float64) string { return fmt.Sprintf("%.6g mm", m*1e3) }
