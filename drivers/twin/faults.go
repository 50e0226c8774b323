package twin

import (
	"fmt"
	"math"
)

// Faults are switches for drills, as plain data. The zero value is a sound bench.
type Faults struct {
	FilmOpen, FilmShort bool

	// The thermometer on the foil: broken; come off the slide, so that it hangs in
	// the air of the room; goes on showing what it showed; shows more and more too
	// much.
	FoilOpen, FoilShort, FoilOff, FoilFrozen bool
	FoilDriftKPerS                           float64

	// The plate's own thermometer, by which it is controlled.
	PlateFrozen     bool
	PlateDriftKPerS float64

	// RelayWelded keeps the heater on whatever the plate's controller wants; only
	// the over-temperature circuit still cuts it.
	RelayWelded  bool
	HeaterBroken bool // its wire
	// SetpointIgnored has the plate's controller go on with the set value that it
	// has. Asked, the plate repeats the new one.
	SetpointIgnored bool
	// PlateHung is a firmware that stands still: it hears nothing, says nothing, its
	// watchdog does not count, and the heater keeps the power that it has.
	PlateHung bool

	// SwitchWelded is a switch in the plate's mains that cannot open any more.
	SwitchWelded bool

	// OutputStuck is a source that cannot be switched off any more. It says so.
	OutputStuck bool
	// SourceGain is how much of its level the source puts out; 0 stands for 1.
	SourceGain float64

	// StageStuck is a carriage that does not move though its motor turns: a slipping
	// coupling. Its controller does not know.
	StageStuck bool
	// ClampSlipM is by how much the strip has slipped in a clamp, so that it is the longer
	// between them, and bowed where it was flat.
	ClampSlipM float64
	// StageHung is a controller that hears nothing and says nothing, and whose motor
	// goes on with what is queued.
	StageHung bool
}

// SetFaults breaks things, or mends them.
func (w *World) SetFaults(f Faults) {
	s := &w.state
	w.count(s.Now)
	if f.FoilFrozen && !s.Faults.FoilFrozen {
		s.FoilHeldDegC, _ = w.FoilThermometer()
	}
	if f.PlateFrozen && !s.Faults.PlateFrozen {
		s.Plate.HeldDegC = w.PlateSensor()
	}
	if f.SetpointIgnored && !s.Faults.SetpointIgnored {
		s.Plate.ObeyedDegC = s.Plate.TargetDegC
	}
	at, counted, _ := w.StageAt(s.Now)
	switch {
	case f.StageStuck && !s.Faults.StageStuck:
		s.Stage.HeldM = at
	case !f.StageStuck && s.Faults.StageStuck:
		s.Stage.OffsetM = s.Stage.HeldM - counted
	}
	s.Faults, s.Stage.Strip.Known = f, false
}

// Faults are what is broken.
func (w *World) Faults() Faults { return w.state.Faults }

// drift lets thermometers drift for a tick.
func (s *State) drift() {
	s.FoilDriftK += float64(s.Faults.FoilDriftKPerS * Grid.Seconds())
	s.Plate.DriftK += float64(s.Faults.PlateDriftKPerS * Grid.Seconds())
}

// gained is a source with its fault.
func (f *Faults) gained(s Source) Source {
	if f.SourceGain != 0 {
		s.Level = float64(s.Level * f.SourceGain)
	}
	return s
}

// PlateObeys tells the set value that the plate was told last, and the one that its
// controller goes by: it may be broken, or somebody may have turned its knob.
func (w *World) PlateObeys() (told, inForce float64) {
	p := &w.state.Plate
	return p.ToldDegC, p.inForce(&w.state.Faults)
}

func (s *PlateState) inForce(f *Faults) float64 {
	if f.SetpointIgnored {
		return s.ObeyedDegC
	}
	return s.TargetDegC
}

// FilmDriven is what the source truly does to the film now, without noise.
func (w *World) FilmDriven() (volts, amps, watts float64) {
	s := &w.state
	source := s.Faults.gained(s.Source)
	if source.Mode == SourceOff {
		return 0, 0, 0
	}
	ohm := w.FilmOhm()
	e := source.solve(ohm+w.film.series(source), 0)
	return e.Volts, e.Amps, float64(e.Amps * e.Amps * ohm)
}

// FilmOhm is the film's true resistance now, without drift and noise.
func (w *World) FilmOhm() float64 {
	bent, faults := w.wear(w.state.Now)
	return float64(bent * w.film.ohm(w.FilmTemperature(), faults))
}

// Energised says whether heat can reach the plate, and whether a source is switched
// on.
func (b *Bench) Energised() (heat, output bool) {
	w := b.world
	heat = (w.HeaterOn() || w.Faults().RelayWelded) && w.MainsOn() && !w.CutOut() && !w.Faults().HeaterBroken
	return heat, w.Source().Mode != SourceOff
}

// Break breaks something, now, and says so in the journal.
func (b *Bench) Break(what string, change func(*Faults)) {
	f := b.world.Faults()
	change(&f)
	b.note("", noteFault, math.NaN(), what)
	b.world.SetFaults(f)
	b.look()
}

// Meddle has a person at the panel of an instrument change a setting for the worse,
// now, behind the program's back: a plate is turned up, a source-meter's compliance
// down, a stage is held.
func (b *Bench) Meddle(name string) error {
	d := b.find(name)
	if d == nil {
		return fmt.Errorf("there is no instrument %q to meddle with", name)
	}
	m, ok := d.firmware.(interface{ meddle(d *device) string })
	if !ok {
		return fmt.Errorf("%s has no setting to meddle with", name)
	}
	b.note(name, noteCommand, math.NaN(), m.meddle(d))
	b.look()
	return nil
}

// How far a setting is turned by somebody. Demo data.
const (
	turnedUpK    = 25   // a plate's set value
	turnedDownTo = 0.01 // of what it was, a source-meter's compliance
)

func (h *hotplate) meddle(d *device) string {
	w := d.bench.world
	told := w.state.Plate.ToldDegC
	h.target(d, min(w.PlateTarget()+turnedUpK, highestSetC))
	w.state.Plate.ToldDegC = told
	return "turned up at its knob"
}

func (s *gcodeStage) meddle(d *device) string {
	s.atOnce(d, d.bench.world.Now(), '!')
	s.schedule(d)
	return "held at its panel"
}

func (m *sourceMeter) meddle(d *device) string {
	q := 1 - m.set.sources
	m.set.limit[q] = float64(m.set.limit[q] * turnedDownTo)
	m.apply(d, m.set)
	return "compliance turned down at its panel"
}
