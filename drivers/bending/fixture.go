package bending

import (
	"errors"
	"fmt"
	"math"
)

// Ends says how the ends of a buckled strip are held.
type Ends string

const (
	// Clamped ends are held flat, tangent to the line of travel.
	Clamped Ends = "clamped"
	// Hinged ends turn freely.
	Hinged Ends = "hinged"
)

// Fixture is what brings a strip into a shape by a travel: a Buckle or a Fold.
type Fixture interface {
	// Limits of travel and radius.
	Limits() Limits
	// AtTravel is the strip after a travel.
	AtTravel(travelM float64) (Bend, error)
	// AtRadius is the strip with a least radius of its neutral plane.
	AtRadius(neutralRadiusM float64) (Bend, error)
}

// leastShortening separates a buckled strip from a flat one: nearer to the onset
// rounding decides.
const leastShortening = 1e-12

// Buckle is a stage that moves the ends of a strip towards each other along its
// length, so that it bows to one side. Which side is not decided by the stage.
//
// The bow is made of congruent quarter arcs, each from an extreme of curvature to
// an inflection: four between clamps, two between hinges. With n of them,
//
//	travel/length = 2(1 - E/K) + onset,  length/radius = 2n kK,  height/length = k/K
type Buckle struct {
	strip  Strip
	arcs   float64
	onset  float64 // strain at which the strip buckles instead of being compressed further
	limits Limits
}

// NewBuckle puts a strip between two ends; Travel counts from where it lies
// flat and free of force.
func NewBuckle(s Strip, e Ends) (Buckle, error) {
	if err := s.check(); err != nil {
		return Buckle{}, err
	}
	b := Buckle{strip: s}
	switch e {
	case Clamped:
		b.arcs = 4
	case Hinged:
		b.arcs = 2
	default:
		return Buckle{}, fmt.Errorf("the ends of the strip are %q, expected %q (held flat) or %q: the radius differs by a factor of two", e, Clamped, Hinged)
	}
	// Euler: n/2 half waves, pi^2 h^2/12 l^2 each; Park et al., Adv. Funct. Mater. 18 (2008) 2673.
	slope := math.Pi * b.arcs / 2 * s.ThicknessM / s.FreeLengthM
	b.onset = float64(slope*slope) / 12
	shallow, steep := b.bend(byShortening(leastShortening)), b.bend(b.legsTouch())
	b.limits = Limits{shallow.TravelM, steep.TravelM, steep.NeutralRadiusM, shallow.NeutralRadiusM}
	return b, nil
}

// legsTouch is the shape in which the inner faces of the two legs meet: between
// hinges at the hinges, between clamps at the neck, where the legs, having leaned
// over, are vertical again. From there on the shape is another one.
func (b Buckle) legsTouch() modulus {
	apart := 2 * b.strip.innerM() / b.strip.FreeLengthM
	if b.arcs == 2 {
		return byShortening(1 - b.onset - apart)
	}
	low, high := math.Sqrt2/2, greatestK // legs vertical, and far beyond touching
	for range 60 {
		k := (low + high) / 2
		if neck(newModulus(k)) > apart {
			low = k
		} else {
			high = k
		}
	}
	return newModulus(low)
}

// neck is the distance between the legs of a clamped strip where they are
// nearest, as a part of the free length. x(u) = 2E(u) - u lies along the line of
// travel; the slope is 90 degrees where k sn = 1/sqrt 2, at u and at 2K - u.
func neck(e modulus) float64 {
	first, second := e.incomplete(math.Sqrt2 / 2 / e.k)
	end := float64(2 * float64(e.K*(1-e.shortening()))) // x(2K)
	return (end - (float64(2*second) - first)) / float64(2*e.K)
}

// bend is the strip in a shape of the family.
func (b Buckle) bend(e modulus) Bend {
	length := b.strip.FreeLengthM
	shortening := e.shortening()
	byM, logKKByM := e.slopes()
	radius := length / float64(2*b.arcs*float64(e.k*e.K))
	slope := -radius * logKKByM / byM // of the radius by the shortening
	fraction := shortening + b.onset
	return Bend{
		TravelM:        float64(length * fraction),
		NeutralRadiusM: radius,
		HeightM:        length * e.k / e.K,
		strip:          b.strip,
		shape:          e,
		waveM:          length / float64(b.arcs*e.K),
		inflection:     b.arcs == 4,
		byTravel:       slope / length,
		byFreeLength:   (radius - float64(slope*(fraction-float64(2*b.onset)))) / length,
		byThickness:    -2 * slope * b.onset / b.strip.ThicknessM,
	}
}

// Limits of travel and radius.
func (b Buckle) Limits() Limits { return b.limits }

// AtTravel is the strip after the ends have moved towards each other.
func (b Buckle) AtTravel(travelM float64) (Bend, error) {
	length, least, most := b.strip.FreeLengthM, b.limits.LeastTravelM, b.limits.GreatestTravelM
	switch {
	case b.arcs == 0:
		return Bend{}, errNoFixture
	case math.IsNaN(travelM):
		return Bend{}, errNoTravel
	case travelM < 0:
		return Bend{}, fmt.Errorf("a travel of %s would stretch the strip beyond its free length of %s: travel %s to %s", mm(travelM), mm(length), mm(least), mm(most))
	case travelM < least:
		return Bend{}, fmt.Errorf("%w: a travel of %s only compresses the strip of %s, which buckles at %s: travel further", ErrNotBent, mm(travelM), mm(length), mm(least))
	case travelM >= length:
		return Bend{}, fmt.Errorf("%w: %s is no less than the free length of %s: travel at most %s", ErrTooFar, mm(travelM), mm(length), mm(most))
	case travelM > most:
		return Bend{}, fmt.Errorf("%w: at %s the legs of the strip of %s touch: travel at most %s, or free a longer strip", ErrTooFar, mm(travelM), mm(length), mm(most))
	}
	bend := b.bend(byShortening(travelM/length - b.onset))
	bend.TravelM = travelM
	return bend, nil
}

// AtRadius is the strip with a least radius of its neutral plane. A radius far
// above the free length asks for a travel so close to the onset of buckling
// that no stage sets it: see Bend.RadiusUncertaintyM.
func (b Buckle) AtRadius(neutralRadiusM float64) (Bend, error) {
	if b.arcs == 0 {
		return Bend{}, errNoFixture
	}
	length, most := b.strip.FreeLengthM, b.limits.GreatestRadiusM
	if err := b.limits.leastRadius(neutralRadiusM, length); err != nil {
		return Bend{}, err
	}
	if neutralRadiusM > most*1.001 { // so near to flat one bit of travel moves the radius by that
		return Bend{}, fmt.Errorf("%w: a radius of %s is above the %s that tells a strip of %s from a flat one: ask for flat",
			ErrNotBent, mm(neutralRadiusM), mm(most), mm(length))
	}
	bend := b.bend(byKK(length / float64(2*b.arcs*neutralRadiusM)))
	bend.NeutralRadiusM = neutralRadiusM
	bend.TravelM = b.limits.clip(bend.TravelM)
	return bend, nil
}

// leastRadius holds a radius against the greatest travel.
func (l Limits) leastRadius(radiusM, lengthM float64) error {
	switch {
	case !(radiusM > 0):
		return fmt.Errorf("a radius of %s is no radius: ask for %s to %s", mm(radiusM), mm(l.LeastRadiusM), mm(l.GreatestRadiusM))
	case radiusM < l.LeastRadiusM*(1-1e-12):
		return fmt.Errorf("%w: %s is below the %s that the greatest travel of %s gives a strip of %s: ask for more, or free a shorter strip",
			ErrTooTight, mm(radiusM), mm(l.LeastRadiusM), mm(l.GreatestTravelM), mm(lengthM))
	}
	return nil
}

// clip takes off what rounding put beyond the limits.
func (l Limits) clip(travelM float64) float64 {
	return math.Min(math.Max(travelM, l.LeastTravelM), l.GreatestTravelM)
}

// foldFactor c = sqrt 2 (2E - K) at k = 1/sqrt 2 = pi/(sqrt 2 K): Matthewson,
// Kurkjian, Gulati, J. Am. Ceram. Soc. 69 (1986) 815, to more digits.
const foldFactor = 1.198140234735592

// Fold is a stage that folds a strip between two parallel plates: it leaves one
// plate, turns by 180 degrees and lies against the other. The bend is that part
// of the elastica whose slope at the inflection is 90 degrees, at any gap.
type Fold struct {
	strip    Strip
	openGapM float64
	limits   Limits
}

// NewFold puts a strip between plates whose gap is openGapM at zero travel;
// travel closes the gap. The middle of the free length stands at the apex.
func NewFold(s Strip, openGapM float64) (Fold, error) {
	if err := s.check(); err != nil {
		return Fold{}, err
	}
	f := Fold{strip: s, openGapM: openGapM}
	least := 2*s.OuterM + float64(2*foldFactor*s.innerM()) // nothing is left of the radius of the inner face
	if !(openGapM > least && openGapM <= longest) {
		return Fold{}, fmt.Errorf("a gap of %s at zero travel is outside the %s to %s in which a strip %s thick can be folded: open the plates, or check the unit",
			mm(openGapM), mm(least), mm(longest), mm(s.ThicknessM))
	}
	shape := newModulus(math.Sqrt2 / 2)
	arc := shape.K / float64(shape.K*(1-shape.shortening())) // length of the arc between the plates, in gaps
	widest := math.Min(openGapM, s.FreeLengthM/arc+2*s.OuterM)
	f.limits = Limits{openGapM - widest, openGapM - least, f.radius(least), f.radius(widest)}
	return f, nil
}

// radius at a gap: the neutral planes of the two legs stand nearer than the
// plates by the depth of the neutral plane under both outer faces.
func (f Fold) radius(gapM float64) float64 { return (gapM - 2*f.strip.OuterM) / (2 * foldFactor) }

// Limits of travel and radius.
func (f Fold) Limits() Limits { return f.limits }

// AtTravel is the strip after the plates have closed by a travel.
func (f Fold) AtTravel(travelM float64) (Bend, error) {
	gap, least, most := f.openGapM-travelM, f.limits.LeastTravelM, f.limits.GreatestTravelM
	switch {
	case f.openGapM == 0:
		return Bend{}, errNoFixture
	case math.IsNaN(travelM):
		return Bend{}, errNoTravel
	case travelM < 0:
		return Bend{}, fmt.Errorf("a travel of %s would open the plates beyond their gap of %s at zero: travel %s to %s", mm(travelM), mm(f.openGapM), mm(least), mm(most))
	case travelM < least:
		return Bend{}, fmt.Errorf("%w: at a gap of %s a strip of %s does not reach round to lie against both plates: travel %s or more, or free a longer strip",
			ErrNotBent, mm(gap), mm(f.strip.FreeLengthM), mm(least))
	case travelM > most:
		return Bend{}, fmt.Errorf("%w: at a gap of %s nothing is left of the radius of the inner face of a strip %s thick: travel at most %s",
			ErrTooFar, mm(gap), mm(f.strip.ThicknessM), mm(most))
	}
	radius := math.Min(math.Max(f.radius(gap), f.limits.LeastRadiusM), f.limits.GreatestRadiusM) // rounding of the gap
	return f.bend(travelM, radius), nil
}

// AtRadius is the strip with a least radius of its neutral plane.
func (f Fold) AtRadius(neutralRadiusM float64) (Bend, error) {
	if f.openGapM == 0 {
		return Bend{}, errNoFixture
	}
	if err := f.limits.leastRadius(neutralRadiusM, f.strip.FreeLengthM); err != nil {
		return Bend{}, err
	}
	if most := f.limits.GreatestRadiusM; neutralRadiusM > most*(1+1e-12) {
		return Bend{}, fmt.Errorf("%w: a radius of %s is above the %s of the widest gap in which a strip of %s lies against both plates: ask for less, or free a longer strip between wider plates",
			ErrNotBent, mm(neutralRadiusM), mm(most), mm(f.strip.FreeLengthM))
	}
	gap := float64(2*foldFactor*neutralRadiusM) + 2*f.strip.OuterM
	return f.bend(f.limits.clip(f.openGapM-gap), neutralRadiusM), nil
}

func (f Fold) bend(travelM, radiusM float64) Bend {
	shape := newModulus(math.Sqrt2 / 2)
	wave := float64(math.Sqrt2 * radiusM) // 2k times the radius
	return Bend{
		TravelM: travelM, NeutralRadiusM: radiusM, HeightM: float64(math.Sqrt2 * wave),
		strip: f.strip, shape: shape, waveM: wave,
		byTravel:    -1 / (2 * foldFactor),
		byThickness: -f.strip.OuterM / f.strip.ThicknessM / foldFactor,
	}
}

// OnMandrel is the strip laid round a rod, its inner face on it: the radius is
// the same everywhere. Which rod gives a neutral radius, Strip.RadiusM says.
func OnMandrel(s Strip, rodRadiusM float64) (Bend, error) {
	radius, err := s.NeutralRadiusM(rodRadiusM, InnerFace)
	if err != nil {
		return Bend{}, err
	}
	return Bend{NeutralRadiusM: radius, strip: s, byThickness: s.innerM() / s.ThicknessM, byRod: 1}, nil
}

var (
	errNoFixture = errors.New("there is no strip in the fixture: make one by its New function")
	errNoTravel  = errors.New("the travel is not a number")
)
