package twin

import (
	"errors"
	"math"

	"dwell/drivers/bending"
	"dwell/drivers/clock"
)

// Motion is how the carriage of a stage goes from one place to another: from rest to
// rest with one acceleration, or braking to rest. Plain data; positions are those that
// its controller counts.
type Motion struct {
	FromM, ToM  float64
	Began       clock.Instant
	SpeedMPerS  float64 // never above this; the one at the beginning where it brakes
	AccelMPerS2 float64 // 0 for no motion
	Brakes      bool
}

// lasting is how long it takes.
func (m Motion) lasting() clock.Instant {
	length := math.Abs(m.ToM - m.FromM)
	if length == 0 || m.AccelMPerS2 == 0 {
		return 0
	}
	if m.Brakes {
		return clock.Instant(math.Ceil(m.SpeedMPerS / m.AccelMPerS2 * 1e9))
	}
	v := m.peak()
	return clock.Instant(math.Ceil((length/v + v/m.AccelMPerS2) * 1e9))
}

// peak is the highest speed that is reached.
func (m Motion) peak() float64 {
	return math.Min(m.SpeedMPerS, math.Sqrt(float64(m.AccelMPerS2*math.Abs(m.ToM-m.FromM))))
}

// at is the position and the speed at an instant.
func (m Motion) at(t clock.Instant) (positionM, speedMPerS float64) {
	last := m.lasting()
	switch passed := t - m.Began; {
	case last == 0 || passed >= last:
		return m.ToM, 0
	case passed <= 0 && !m.Brakes:
		return m.FromM, 0
	default:
		gone, v := m.gone(max(passed, 0).Seconds(), last.Seconds())
		return m.FromM + math.Copysign(gone, m.ToM-m.FromM), v
	}
}

// gone is the distance after so many seconds.
func (m Motion) gone(s, whole float64) (distance, speed float64) {
	a, length := m.AccelMPerS2, math.Abs(m.ToM-m.FromM)
	if m.Brakes {
		return math.Min(length, float64(m.SpeedMPerS*s)-float64(a*s*s)/2), math.Max(0, m.SpeedMPerS-float64(a*s))
	}
	v := m.peak()
	rising := v / a
	switch left := whole - s; {
	case s < rising:
		return float64(a*s*s) / 2, float64(a * s)
	case left < rising:
		return length - float64(a*left*left)/2, float64(a * left)
	default:
		return float64(v*s) - float64(v*rising)/2, v
	}
}

// StripModel is a specimen in a fixture, and what bending does to its film. The fixture
// is one of the first three.
type StripModel struct {
	Ends        bending.Ends // of a strip that buckles
	GapM        float64      // between plates, at FlatAtM
	Rods        bool         // that a person lays it round
	FreeLengthM float64
	FlatAtM     float64 // the position of the stage at which it lies flat, or the plates stand open
	SensorM     float64 // length of the film along the strip; 0 for a point
	Film        bending.Film
	GaugeFactor float64 // R = R flat (1 + GaugeFactor strain)
	// PlayStrain gives the film a hysteresis that knows no rate: its resistance follows a
	// strain that is drawn along as if with play, half as wide as the loop (the play
	// operator of Krasnosel'skii and Pokrovskii, from memory). 0 for none.
	PlayStrain float64
	// Cracks: after CrackCycles cycles of one percent of strain the resistance has risen
	// by a fifth; it goes as the square of the cycles, and the cycles as the strain to
	// the power of -4. A film that has seen 2.4 times as many is open while it is stretched, when
	// its cracks gape, and one that has seen two and a half times as many is open.
	CrackCycles float64
}

// Numbers of the law of cracking. Demo data.
const (
	crackRise  = 0.2
	crackPer   = 0.01
	crackOpens = 2.5
	crackGapes = 2.4
	gapesAbove = 0.002 // of strain
)

// CyclesTo is the law's answer: how many cycles between flat and a strain raise the
// resistance by a part.
func (m StripModel) CyclesTo(strain, rise float64) float64 {
	of := crackPer / math.Abs(strain)
	return float64(m.CrackCycles*of*of*of*of) * math.Sqrt(rise/crackRise)
}

// strip is the constants of a StripModel.
type strip struct {
	StripModel
	fixture bending.Fixture // nil for rods
	exists  bool
}

func newStrip(m StripModel) (strip, error) {
	s, of := strip{StripModel: m, exists: true}, m.Film.Strip(m.FreeLengthM)
	var err error
	switch {
	case m.Rods:
	case m.GapM > 0:
		s.fixture, err = bending.NewFold(of, m.GapM+m.FlatAtM) // travel counts from the switch, so that nothing moves the plates beyond
	case m.Ends != "":
		s.fixture, err = bending.NewBuckle(of, m.Ends)
	default:
		return strip{}, nil
	}
	return s, err
}

// strains are those of the film in the middle of the strip, and over its length, at a
// position of the stage or round a rod of a diameter. A strip that is pulled, or pushed
// too far, breaks.
func (s *strip) strains(positionM, rodM float64) (most, mean float64, breaks bool) {
	bend, flat, err := s.bend(positionM, rodM)
	if err != nil || flat {
		return 0, 0, err != nil
	}
	curvature := 1 / bend.NeutralRadiusM
	along := curvature
	if s.SensorM > 0 {
		if along, err = bend.MeanCurvaturePerM(0, s.SensorM); err != nil {
			along = curvature
		}
	}
	most, err1 := s.Film.Strain(curvature)
	mean, err2 := s.Film.Strain(along)
	return most, mean, err1 != nil || err2 != nil
}

// bend is the shape of the strip; an error for one that breaks it.
func (s *strip) bend(positionM, rodM float64) (b bending.Bend, flat bool, err error) {
	if s.Rods && rodM == 0 {
		return b, true, nil
	}
	if s.Rods {
		b, err = bending.OnMandrel(s.Film.Strip(s.FreeLengthM), rodM/2)
		return b, false, err
	}
	travel, limits := positionM-s.FlatAtM, s.fixture.Limits()
	if s.GapM > 0 { // plates that stand too far apart leave it as wide as it can be
		b, err = s.fixture.AtTravel(math.Max(positionM, limits.LeastTravelM))
		return b, false, err
	}
	if travel < -pulledM {
		return b, false, errPulled
	}
	if travel <= limits.LeastTravelM {
		return b, true, nil
	}
	b, err = s.fixture.AtTravel(travel)
	return b, false, err
}

var errPulled = errors.New("the strip is pulled")

// pulledM is by how much the clamps can be drawn beyond flat before the strip tears or
// slips: half a percent of 50 mm. Demo data.
const pulledM = 0.25e-3

// Strip is what has become of the specimen in the stage, as plain data.
type Strip struct {
	Strain float64 // where it stood still last
	Damage float64 // 1 when the resistance has risen by a fifth
	Halves int64   // half cycles
	Broken bool
	Drawn  float64 // the strain that was drawn along, when the present motion began
	At     float64 // the position for which Mean holds
	Known  bool
	Mean   float64
	RodM   float64 // diameter of the rod that it lies round; 0 for none
}

// Stage is a world's stage.
type Stage struct {
	Motion  Motion
	OffsetM float64 // where it is, beyond where its controller believes it
	HeldM   float64 // where it is stuck
	Strip   Strip
}

// StageAt is where the carriage truly is, and where its controller believes it.
func (w *World) StageAt(t clock.Instant) (trueM, countedM, speedMPerS float64) {
	s := &w.state.Stage
	counted, v := s.Motion.at(t)
	if w.state.Faults.StageStuck {
		return s.HeldM, counted, v
	}
	return counted + s.OffsetM, counted, v
}

// Drive has the carriage move from now on.
func (w *World) Drive(m Motion) {
	if _, _, v := w.StageAt(w.state.Now); v == 0 {
		w.turn()
	}
	w.count(w.state.Now)
	w.draw()
	w.state.Stage.Motion = m
}

// Wrap is a hand that lays the strip round a rod of a diameter; 0 for flat.
func (w *World) Wrap(rodM float64) {
	w.count(w.state.Now)
	w.draw()
	s := &w.state.Stage.Strip
	s.RodM, s.Known = rodM, false
	w.turn()
}

// strains are those of the film when the stage stands at a position.
func (w *World) strains(positionM float64) (most, mean float64, breaks bool) {
	return w.strip.strains(positionM+w.state.Faults.ClampSlipM, w.state.Stage.Strip.RodM)
}

// turn counts half a cycle for the specimen, at a moment at which the carriage stands
// or turns round.
func (w *World) turn() {
	s := &w.state.Stage.Strip
	if !w.strip.exists || s.Broken {
		return
	}
	at, _, _ := w.StageAt(w.state.Now)
	most, _, breaks := w.strains(at)
	if s.Broken = breaks; breaks || most == s.Strain {
		return
	}
	if w.strip.CrackCycles > 0 {
		of := (most - s.Strain) / crackPer
		s.Damage += float64(float64(of*of*of*of) / w.strip.CrackCycles / 2)
	}
	s.Strain = most
	s.Halves++
}

// bent is by what factor the film's resistance differs from that of a flat, sound one
// at an instant; open tells whether nothing is left of it.
func (w *World) bent(t clock.Instant) (factor float64, open bool) {
	if !w.strip.exists {
		return 1, false
	}
	s := &w.state.Stage.Strip
	at, _, _ := w.StageAt(t)
	factor = 1 + float64(w.strip.GaugeFactor*w.drawn(at))
	factor = float64(factor * (1 + float64(crackRise*s.Damage*s.Damage)))
	return factor, s.Broken || s.Damage >= crackOpens || s.Damage >= crackGapes && s.Mean > gapesAbove
}

// draw keeps the strain that has been drawn along up to now: from here the strip is bent
// another way.
func (w *World) draw() {
	if w.strip.PlayStrain > 0 {
		at, _, _ := w.StageAt(w.state.Now)
		w.state.Stage.Strip.Drawn = w.drawn(at)
	}
}

// drawn is the mean strain that the film's resistance follows at a position. Each motion
// goes one way, so that the strain at its beginning and the one now say all.
func (w *World) drawn(positionM float64) float64 {
	s := &w.state.Stage.Strip
	if !s.Known || positionM != s.At {
		_, s.Mean, _ = w.strains(positionM)
		s.At, s.Known = positionM, true
	}
	if play := w.strip.PlayStrain; play > 0 {
		return min(max(s.Drawn, s.Mean-play), s.Mean+play)
	}
	return s.Mean
}

// FilmStrain is the true strain of the film in the middle of its strip now.
func (w *World) FilmStrain() float64 {
	if !w.strip.exists {
		return 0
	}
	at, _, _ := w.StageAt(w.state.Now)
	most, _, _ := w.strains(at)
	return most
}

// Moving says whether the carriage moves.
func (w *World) Moving() bool {
	m := w.state.Stage.Motion
	return w.state.Now >= m.Began && w.state.Now < m.Began+m.lasting() && !w.state.Faults.StageStuck
}
