// Package twin is the virtual bench: instruments that answer in the same bytes
// as real ones, over a world of simulated physics.
//
// The world is a plate, a slab lying on it or lifted off, a printed film on the
// slab's upper face, a thermometer beside it. It is plain data: a World copied is
// a world that goes on in the same way. It advances on a fixed grid, and noise is
// a function of seed, channel and tick: asking more often, or in another order,
// never changes what happens. The same seed gives the same bits on every
// processor; so nothing here may call the math package's functions beyond Sqrt
// and the exact ones, and every product that feeds a sum is rounded on its own.
package twin

import (
	"fmt"
	"math"

	"dwell/drivers/clock"
	"dwell/drivers/convert"
)

// Version is that of the model. It is another one when the same rig, specimen and seed, asked
// and told the same at the same moments, would answer in other bytes: a run folder says by
// which it was rehearsed. Plans have a version of their own and do not depend on it.
const Version = 2

// Grid is the step of the physics. A slide follows its plate in half a minute, a
// foil its slide in half a second; a tenth of a second resolves both, and a night
// of twelve hours is 432,000 steps.
const Grid = 100 * clock.Millisecond

// Place is where the slab is.
type Place uint8

// On the plate, held in still air, held in moving air, or between cold blocks.
const (
	OnPlate Place = iota
	StillAir
	MovingAir
	ColdBlock
)

func (p Place) String() string {
	return [...]string{"on the plate", "in still air", "in moving air", "on the cold block"}[min(p, ColdBlock)]
}

// Scene is the parameters of a world.
type Scene struct {
	Seed        uint64
	AmbientDegC float64
	Plate       PlateModel
	Layers      []Layer // from the plate up; the film is on the upper face of the last
	Film        FilmModel
	Foil        FoilModel
	Shows       [2]DisplayModel // what the plate hands out: its own thermometer, and the foil's
	Strip       StripModel      // without ends there is none: nothing is clamped into a stage
	Start       Place

	ContactWPerM2K   float64 // plate to slab
	OnPlateWPerM2K   float64 // upper face to ambient, convection and radiation
	StillAirWPerM2K  float64 // each face to ambient
	MovingAirWPerM2K float64 // each face to ambient
	BlockWPerM2K     float64 // each face to the cold block
	BlockDegC        float64
}

// FoilModel is a Pt100 on the foil beside the film.
type FoilModel struct {
	LagS         float64
	Class        convert.Tolerance // its error is drawn inside it
	InputWithinK float64           // declared accuracy of the plate's input for it: the error stays inside plus or minus this
}

// classB is IEC 60751, what most thermometers are.
var classB, _ = convert.ToleranceByName("platinum class B")

// Default is the bench of the examples, for a specimen of polymer foil with a
// printed film on a microscope slide. Values without a source are demo data.
func Default() Scene {
	return Scene{
		Seed:        1,
		AmbientDegC: 18, // a cool laboratory: below the lowest step, or that could not be reached
		Plate: PlateModel{
			// 100 x 100 x 6 mm of aluminium (150 J/K), 300 W, losing 2 W/K to air and base.
			GainKPerPercent: 1.5,
			TimeConstantS:   80,
			DeadTimeS:       2,
			SensorLagS:      2,
			SensorNoiseK:    0.01,
			SensorLimitK:    0.5,
			ControllerS:     0.5,
			ClosedLoopS:     17, // no overshoot: Ti is then the time constant itself
			CutOutDegC:      120,
			InitialTarget:   20,
		},
		Layers: []Layer{
			// Soda-lime glass 1 mm; conductivity as in Incropera and DeWitt table A.3,
			// data sheets give 0.9 to 1.3.
			{ThicknessM: 1e-3, ConductivityWPerMK: 1.4, DensityKgPerM3: 2500, HeatCapacityJPerKgK: 750, Cells: 3},
			// Polyimide film 125 um, maker's data sheet; taped down with some 50 um of air
			// (0.026 W/mK) under it: common practice, no source.
			{ThicknessM: 125e-6, ConductivityWPerMK: 0.12, DensityKgPerM3: 1420, HeatCapacityJPerKgK: 1090,
				ContactBelowWPerM2K: 500, Cells: 1},
		},
		Film: FilmModel{
			R25Ohm: 10_000,
			// A fall of 18 to 20 % from 20 to 40 degC needs B = -ln(1 - fall) /
			// (1/293.15 K - 1/313.15 K), which is 911 to 1024 K (the fall itself is common
			// practice for printed composites, no source). 1020 K keeps it there both by the
			// film's own temperature and by its plate's, below which the film stays some
			// 8 % of the excess over ambient.
			BK:           1020,
			ContactOhm:   15,
			LeadOhm:      0.5,
			DriftPerHour: 20e-6,
			Flicker:      5e-6,
			EMFVPerK:     2e-6,
			HeatedAreaM2: 1e-4, // 3 x 10 mm of film and a slide's thickness around it
		},
		Foil:             FoilModel{LagS: 0.5, Class: classB},
		Start:            OnPlate,
		ContactWPerM2K:   67, // a dry, slightly bowed slide: 0.4 mm of air, 0.026 / 0.4e-3
		OnPlateWPerM2K:   5,  // lower end of the usual 5 to 20: a cover keeps draughts off
		StillAirWPerM2K:  12, // free convection and radiation
		MovingAirWPerM2K: 60, // 120 over both faces
		BlockWPerM2K:     60,
		BlockDegC:        18,
	}
}

// State is all that changes in a world, as plain data.
type State struct {
	Now    clock.Instant // up to which the world was asked to advance
	Tick   int64         // steps of the grid done
	Plate  PlateState
	Place  Place
	Faults Faults

	SlabAt clock.Instant // up to which the slab is solved: Tick, or a moment of handling after it
	Slab   [nodesMax]float64
	Slope  float64 // of the film in K/s, over the last step

	Probe        float64 // the foil thermometer's own temperature, degC
	ProbeSlope   float64
	FoilHeldDegC float64 // what it shows when it is frozen
	FoilDriftK   float64

	PlateShown, ProbeShown Display

	Stage Stage

	Source    Source
	PoweredAt clock.Instant // up to which the source's energy is counted
	Joules    float64       // since SlabAt
}

// faces are the coefficients of a slab's lower and upper face, W/(m2 K).
type faces struct{ below, above float64 }

// World is a virtual bench. Copy it with Clone; it shares nothing.
type World struct {
	state State

	// What follows from the scene and, for the stepper, from the place.
	plate   plate
	slab    slab
	film    film
	strip   strip
	ambient float64
	block   float64
	faces   [ColdBlock + 1]faces
	full    stepper // one step of the grid at the present place

	probe      lag
	probeShare float64 // of its class tolerance, -1 to 1
	probeClass convert.Tolerance
	probeInput float64 // error of the plate's input for it, K
	plateShown display
	probeShown display
}

// NewWorld is a bench at rest, everything at ambient temperature, at instant 0.
func NewWorld(s Scene) (*World, error) {
	var start State
	start.Place = s.Start
	start.Plate.TargetDegC, start.Plate.ToldDegC = s.Plate.InitialTarget, s.Plate.InitialTarget
	start.Probe = s.AmbientDegC
	for i := range start.Slab {
		start.Slab[i] = s.AmbientDegC
	}
	start.Stage.OffsetM = s.Strip.FlatAtM
	return Resume(s, start)
}

// Resume is a bench of the same scene, going on from a state.
func Resume(s Scene, from State) (*World, error) {
	w := &World{state: from, ambient: s.AmbientDegC, block: s.BlockDegC}
	var err error
	if w.plate, err = newPlate(s.Plate, s.AmbientDegC, s.Seed); err != nil {
		return nil, err
	}
	if w.slab, err = newSlab(s.Layers); err != nil {
		return nil, err
	}
	if w.film, err = newFilm(s.Film, s.Seed); err != nil {
		return nil, err
	}
	if w.strip, err = newStrip(s.Strip); err != nil {
		return nil, err
	}
	w.faces = [...]faces{
		OnPlate:   {s.ContactWPerM2K, s.OnPlateWPerM2K},
		StillAir:  {s.StillAirWPerM2K, s.StillAirWPerM2K},
		MovingAir: {s.MovingAirWPerM2K, s.MovingAirWPerM2K},
		ColdBlock: {s.BlockWPerM2K, s.BlockWPerM2K},
	}
	for place, f := range w.faces {
		if !(f.below > 0 && f.above > 0) {
			return nil, fmt.Errorf("the slab %s: expected positive coefficients, got %+v", Place(place), f)
		}
	}
	if from.Place > ColdBlock {
		return nil, fmt.Errorf("the slab is at no known place: %d", from.Place)
	}
	w.probe = newLag(s.Foil.LagS, Grid.Seconds())
	w.probeClass = s.Foil.Class
	w.probeShare = Drawn(s.Seed, "foil thermometer", 1/math.Sqrt(3))
	w.probeInput = Drawn(s.Seed, "plate's input", s.Foil.InputWithinK/math.Sqrt(3))
	w.plateShown, w.probeShown = newDisplay(s.Shows[0], s.Seed, "plate"), newDisplay(s.Shows[1], s.Seed, "probe")
	w.full = w.stepper(Grid)
	return w, nil
}

// State returns a copy of all that changes.
func (w *World) State() State { return w.state }

// Clone returns a bench that goes on as this one would.
func (w *World) Clone() *World {
	c := *w
	return &c
}
