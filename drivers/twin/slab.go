package twin

import (
	"fmt"
	"math"

	"dwell/drivers/convert"
)

// Layer is one sheet of what lies on the plate.
type Layer struct {
	ThicknessM          float64
	ConductivityWPerMK  float64
	DensityKgPerM3      float64
	HeatCapacityJPerKgK float64
	// ContactBelowWPerM2K is the conductance of the joint to the layer below, 0
	// when the two are bonded. The lowest layer's own joint depends on where the
	// slab lies, and is given to the step.
	ContactBelowWPerM2K float64
	Cells               int // finite volumes across the thickness
}

// nodesMax bounds the nodes of a slab, so that it is plain data; tests refine up
// to it.
const nodesMax = 64

// slab is heat conduction across the layers in one dimension, by finite volumes
// with nodes on the faces and joints: node 0 is the lower face, the last node is
// the upper one, where the film is. Between faces and nodes the scheme is of
// second order in space.
type slab struct {
	nodes    int
	capacity [nodesMax]float64 // J/(m2 K) that belongs to each node
	link     [nodesMax]float64 // W/(m2 K) from each node to the next
}

func newSlab(layers []Layer) (slab, error) {
	s := slab{nodes: 1}
	for i, l := range layers {
		if l.Cells < 1 || !(l.ThicknessM > 0 && l.ConductivityWPerMK > 0 && l.DensityKgPerM3 > 0 &&
			l.HeatCapacityJPerKgK > 0 && l.ContactBelowWPerM2K >= 0) {
			return slab{}, fmt.Errorf("layer %d of the slab: expected positive properties and at least one cell, got %+v", i+1, l)
		}
		if i > 0 && l.ContactBelowWPerM2K > 0 {
			s.link[s.nodes-1] = l.ContactBelowWPerM2K
			s.nodes++
		}
		if s.nodes+l.Cells > nodesMax {
			return slab{}, fmt.Errorf("the slab has more than %d nodes", nodesMax)
		}
		width := l.ThicknessM / float64(l.Cells)
		half := float64(width * l.DensityKgPerM3 * l.HeatCapacityJPerKgK / 2)
		for range l.Cells {
			s.link[s.nodes-1] = l.ConductivityWPerMK / width
			s.capacity[s.nodes-1] += half
			s.capacity[s.nodes] += half
			s.nodes++
		}
	}
	if s.nodes < 2 {
		return slab{}, fmt.Errorf("the slab has no layer")
	}
	return s, nil
}

// surroundings are what the two faces of a slab exchange heat with over one step:
// coefficients in W/(m2 K), temperatures in degC. The temperature below goes
// linearly from its start to its end. Heat in W/m2 enters at the upper face.
type surroundings struct {
	below, above         float64
	belowStart, belowEnd float64
	aboveDegC            float64
	heat                 float64
}

// stepper holds a step length's factors of a slab between two coefficients.
//
// One step is TR-BDF2 (Bank et al., IEEE Trans. CAD 4 (1985) 436, cited from
// memory): the trapezoidal rule over gamma = 2 - sqrt(2) of the step, then the
// second backward difference over all of it. It is of second order and damps the
// fastest modes in one step, however long that is; with this gamma both halves
// share the matrix C + d K with d = dt gamma/2, symmetric, tridiagonal,
// factorised once.
type stepper struct {
	d     float64           // s
	lower [nodesMax]float64 // multipliers of the elimination
	pivot [nodesMax]float64 // inverse pivots
}

const gamma = 2 - math.Sqrt2

// Weights of the second stage: of the intermediate and of the first temperature.
const (
	weightMiddle = 1 / (gamma * (2 - gamma))
	weightStart  = (1 - gamma) * (1 - gamma) / (gamma * (2 - gamma))
)

func (s *slab) stepper(dt_s, below, above float64) (f stepper) {
	f.d = dt_s * (gamma / 2)
	last := s.nodes - 1
	pivot := 0.0
	for i := range s.nodes {
		coefficients := 0.0
		if i > 0 {
			coefficients += s.link[i-1]
		}
		if i < last {
			coefficients += s.link[i]
		}
		if i == 0 {
			coefficients += below
		}
		if i == last {
			coefficients += above
		}
		diagonal := s.capacity[i] + float64(f.d*coefficients)
		if i > 0 {
			off := -float64(f.d * s.link[i-1])
			f.lower[i] = off * f.pivot[i-1]
			diagonal -= float64(f.lower[i] * off)
		}
		pivot = diagonal
		f.pivot[i] = 1 / pivot
	}
	return f
}

// step moves the temperatures by one step of the stepper's length.
func (s *slab) step(f *stepper, t *[nodesMax]float64, around surroundings) {
	last := s.nodes - 1
	var middle [nodesMax]float64
	between := around.belowStart + float64(gamma*(around.belowEnd-around.belowStart))

	// Trapezoidal stage. Fluxes into each node at the start of the step; the faces
	// get the part of the intermediate moment that does not depend on it.
	into := float64(around.below * (around.belowStart - t[0] + between))
	eliminated := 0.0
	for i := range last {
		across := float64(s.link[i] * (t[i+1] - t[i]))
		eliminated = float64(s.capacity[i]*t[i]) + float64(f.d*(into+across)) - float64(f.lower[i]*eliminated)
		middle[i] = eliminated
		into = -across
	}
	into += float64(around.above*(2*around.aboveDegC-t[last])) + 2*around.heat
	middle[last] = float64(s.capacity[last]*t[last]) + float64(f.d*into) - float64(f.lower[last]*eliminated)
	s.substitute(f, &middle)

	// Backward difference.
	into = float64(around.below * around.belowEnd)
	eliminated = 0
	for i := range last {
		known := float64(weightMiddle*middle[i]) - float64(weightStart*t[i])
		eliminated = float64(s.capacity[i]*known) + float64(f.d*into) - float64(f.lower[i]*eliminated)
		t[i] = eliminated
		into = 0
	}
	into += float64(around.above*around.aboveDegC) + around.heat
	known := float64(weightMiddle*middle[last]) - float64(weightStart*t[last])
	t[last] = float64(s.capacity[last]*known) + float64(f.d*into) - float64(f.lower[last]*eliminated)
	s.substitute(f, t)
}

// substitute finishes a solution whose forward elimination is done.
func (s *slab) substitute(f *stepper, x *[nodesMax]float64) {
	last := s.nodes - 1
	above := float64(x[last] * f.pivot[last])
	x[last] = above
	for i := last - 1; i >= 0; i-- {
		above = float64(x[i]*f.pivot[i]) - float64(f.lower[i+1]*above)
		x[i] = above
	}
}

// lag is a sensor of first order behind what it senses, exact when that moves
// linearly over a tick.
type lag struct {
	decay float64 // exp(-tick/tau)
	ticks float64 // tau in ticks
}

func newLag(tau_s, tick_s float64) lag {
	if tau_s <= 0 {
		return lag{}
	}
	return lag{convert.Exp(-tick_s / tau_s), tau_s / tick_s}
}

func (l lag) step(y, from, to float64) float64 {
	behind := float64(l.ticks * (to - from))
	return to - behind + float64((y-from+behind)*l.decay)
}
