package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// This file looks inside cycles of bending. The stage's own reports of where it is, with
// their times, are fitted by a model of its motion; by that every resistance read
// meanwhile gets a position, and so a curvature. Stage and meter are read on one clock.

// block is a number of cycles that a stage went through one after the other.
type block struct {
	from, to float64 // s
	done     float64 // cycles before
	upTo     float64 // and after the last one that was to be made
	count    float64
	first    float64 // m, where a cycle begins and ends
	bent     float64 // m
	speed    float64 // m/s, as the stage was told
	role     string
}

// periodAt is how long a cycle lasts by the speed that was told, without rests; by the
// events, where none was.
func (b block) periodAt(accel float64) float64 {
	length := math.Abs(b.bent - b.first)
	v := min(b.speed, math.Sqrt(accel*length))
	if v <= 0 {
		return (b.to - b.from) / b.count
	}
	return 2 * (length/v + v/accel)
}

// Loop is the resistance within cycles against the curvature of the strip.
type Loop struct {
	From, To  float64 // s
	Cycles    float64 // done before
	Count     float64
	PeriodS   float64
	RestS     float64 // at each end
	Positions int     // that the motion was fitted to
	ResidualM float64 // by how far they scatter about it
	UTimeS    float64 // standard uncertainty of the moment of a resistance against that of a position
	Inside    []Inside
}

// Inside is a resistance that was read within a cycle.
type Inside struct {
	At         float64 // s
	Cycle      float64 // in which it was read, from 1
	Out        bool    // on the way to bent
	PositionM  float64
	UPositionM float64 // standard uncertainty
	PerM       float64 // curvature of the neutral plane, where it is greatest
	UPerM      float64 // standard uncertainty
	MeanStrain float64 // of the film, over its length
	R          float64 // Ohm
}

const (
	// middle is the share of the range of curvature from which the width of a loop is
	// taken, about its middle. Common practice, no source.
	middle = 0.5
	// leastInside is how many readings there must be: seven coefficients are fitted to them.
	leastInside = 15
	// mostLoops is how many blocks are looked into; of more, every so many.
	mostLoops = 200
	// evenly is how unsure the width in the middle is, as a multiple of scatter over root n,
	// by readings that are spread evenly over both ways: with a parabola each, 3. Readings
	// that leave it more than so many times less sure met too few places: what is fitted
	// between them means nothing. Common practice, no source.
	evenly, mostUneven = 3, 10
	// widestLoop is how far, in % of the change in a cycle, the width of a loop may be from
	// the truth, at 95 %, to be given: further, and it may be all of the change, either way.
	// Common practice, no source.
	widestLoop = 100
)

// loops are the blocks in which film and stage were read often enough, and the width of
// the first and the last loop.
func (c *computer) loops() {
	if len(c.blocks) == 0 {
		return
	}
	s := c.series[c.Facts.Position]
	if s == nil || c.Facts.Curvature == nil || !(c.Facts.StageAccel > 0) {
		c.skip("bend_hysteresis", errors.New("the record does not say where the stage was within its cycles"))
		return
	}
	if c.every[c.R.Channel] > 1 || c.every[s.Channel] > 1 {
		c.skip("bend_hysteresis", errors.New("there are so many readings that neighbours were averaged: no cycle is left in them"))
		return
	}
	var why error
	blocks := c.readOften(*s)
	if len(blocks) == 0 {
		c.skip("bend_hysteresis", fmt.Errorf("no cycles were read often enough to look into them: %s at least %d times and the stage %d times in a block of them", c.R.Channel, leastInside, leastPositions))
		return
	}
	n := (len(blocks) + mostLoops - 1) / mostLoops
	if n > 1 {
		c.Notes = append(c.Notes, fmt.Sprintf("within cycles: of %d blocks, every %dth was looked into", len(blocks), n))
	}
	for i := 0; i < len(blocks); i += max(n, 1) {
		l, m, err := c.inside(blocks[i], *s)
		if err != nil {
			why = err
			continue
		}
		c.Loops = append(c.Loops, l)
		c.widths = append(c.widths, looped{l, m})
	}
	if len(c.Loops) == 0 {
		c.skip("bend_hysteresis", fmt.Errorf("no cycles could be looked into: %w", why))
	}
	for i, w := range c.widths {
		if i == 0 || i == len(c.widths)-1 {
			all, err := c.width(w)
			c.add("bend_hysteresis", all, err)
		}
	}
}

// readOften are the blocks in which film and stage were read often enough.
func (c *computer) readOften(s Series) (all []block) {
	for _, b := range c.blocks {
		t, _ := readBetween(s, b.from, b.to)
		at, _ := readBetween(c.R, b.from, b.to)
		if b.role == "" && !inAny(c.lost, b.from) && len(t) >= leastPositions && len(at) >= leastInside {
			all = append(all, b)
		}
	}
	return all
}

// looped is a loop with the motion that it was read in.
type looped struct {
	Loop
	motion
}

// inside gives the resistances of a block their positions.
func (c *computer) inside(b block, s Series) (l Loop, m motion, err error) {
	t, p := readBetween(s, b.from, b.to)
	at, r := readBetween(c.R, b.from, b.to)
	m = motion{first: b.first, bent: b.bent, accel: c.Facts.StageAccel, began: b.from, period: b.periodAt(c.Facts.StageAccel), cycles: b.count}
	if m, err = fitMotion(m, b.to, t, p); err != nil {
		return l, m, err
	}
	_, uOfStage := s.Timing.Age()
	_, uOfMeter := c.R.Timing.Age()
	l = Loop{From: b.from, To: b.to, Cycles: b.done, Count: b.count, PeriodS: m.period, RestS: m.rest, Positions: m.positions, ResidualM: m.residual}
	for _, u := range [...]float64{m.uBegan, Rectangular(boundOf(s, b)), Rectangular(c.unsureOfMeter(b)), uOfStage, uOfMeter} {
		l.UTimeS = math.Hypot(l.UTimeS, u)
	}
	counted := c.countedWithin()
	for i, moment := range at {
		x, speed, cycle, out := m.at(moment)
		if cycle < 0 || cycle >= b.count {
			continue // the stage stands, before the first or after the last
		}
		in := Inside{At: moment, Cycle: b.done + cycle + 1, Out: out, PositionM: x, R: r[i],
			UPositionM: math.Hypot(m.residual, math.Hypot(Rectangular(counted), speed*l.UTimeS))}
		if in.PerM, in.MeanStrain, err = c.Facts.Curvature(x - c.Facts.FlatAtM); err != nil {
			return l, m, err
		}
		in.UPerM = c.perPosition(x, in.UPositionM)
		l.Inside = append(l.Inside, in)
	}
	return l, m, nil
}

// readBetween are the good readings of a channel between two moments, each at the moment
// that it stands for.
func readBetween(s Series, from, to float64) (t, y []float64) {
	age, _ := s.Timing.Age()
	a, _ := slices.BinarySearch(s.Time, from+age)
	b, _ := slices.BinarySearch(s.Time, to+age)
	all, _ := Complete(shifted(s.Time[a:b], age), s.Y[a:b])
	return all[0], all[1]
}

// boundOf is how well the moments of the readings of a block are known, s.
func boundOf(s Series, b block) float64 {
	from, _ := slices.BinarySearch(s.Time, b.from)
	to, _ := slices.BinarySearch(s.Time, b.to)
	_, most := extremes(s.Bound[from:max(to, from+1)])
	return most
}

// unsureOfMeter is how far the middle of what a resistance is the mean of may be from the
// moment that is written for it, s. All of the integration lies between question and
// answer; twice, where the current is reversed between.
func (c *computer) unsureOfMeter(b block) float64 {
	now := c.settingAt(b.from)
	integration := 0.
	if c.Facts.LineHz > 0 {
		integration = now.integration / c.Facts.LineHz
	}
	if now.reversed {
		integration *= 2
	}
	return max(boundOf(c.R, b)-integration/2, 0)
}

// countedWithin is what is declared of the stage's position, m: a bound.
func (c *computer) countedWithin() float64 {
	p, _ := c.Facts.promise(c.Facts.Position, 0)
	return p.Plus
}

// perPosition is what an uncertainty of position (m) makes in curvature, half of the
// difference both ways; near flat, where the strip begins to bow, one way.
func (c *computer) perPosition(x, u float64) float64 {
	more, _, err1 := c.Facts.Curvature(x + u - c.Facts.FlatAtM)
	less, _, err2 := c.Facts.Curvature(x - u - c.Facts.FlatAtM)
	if err1 != nil || err2 != nil {
		return 0
	}
	return math.Abs(more-less) / 2
}

const ofChange = "of the change in a cycle"

// width is how much the resistance on the way back differs from that on the way out, in
// the middle of the range of curvature.
func (c *computer) width(w looped) ([]Figure, error) {
	// Readings moved in time, and positions on the way back moved, by one standard
	// uncertainty each.
	late, off := w.UTimeS, Rectangular(c.countedWithin())
	plain, err1 := c.across(w, 0, 0)
	later, err2 := c.across(w, late, 0)
	moved, err3 := c.across(w, 0, off)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, err
	}
	ofFirst, end := "of R flat", "the flat end of a cycle"
	if w.first != c.Facts.FlatAtM {
		ofFirst, end = "of R in the first shape", "that end of a cycle at which it begins"
	}
	o := Origin{c.R.Channel, fmt.Sprintf("%d readings from %.1f to %.1f s, of %g cycles after %g, by %d reports of the stage", len(w.Inside), w.From, w.To, w.Count, w.Cycles, w.positions)}
	var l list
	for _, k := range [...]struct {
		flavour, of string
		share       func(a across) float64
	}{
		{ofFirst, "R at " + end, func(a across) float64 { return 100 * a.width / a.first }},
		{ofChange, "the change of R from one end of a cycle to the other", func(a across) float64 { return 100 * a.width / (a.bent - a.first) }},
	} {
		per := func(by across, u float64) float64 {
			if u == 0 {
				return 0
			}
			return (k.share(by) - k.share(plain)) / u
		}
		b, err := Combine("%", Level95, []Input{
			{Name: "scatter about the two branches", Value: plain.width, Unit: "Ohm", U: plain.u, Type: "A", DoF: plain.dof, Sensitivity: k.share(across{width: 1, first: plain.first, bent: plain.bent})},
			{Name: "moments, of meter and stage", Unit: "s", U: late, Type: "B", Sensitivity: per(later, late), Says: "rectangular, where in the exchange each was taken"},
			{Name: c.Facts.Position + ", one way against the other", Unit: "m", U: off, Type: "B", Sensitivity: per(moved, off), Says: "declared accuracy, rectangular; " + c.Facts.Says[c.Facts.Position], Bounded: true, Instrument: true},
		})
		if err != nil {
			return nil, err
		}
		if k.flavour == ofChange && b.Expanded > widestLoop {
			return nil, fmt.Errorf("the width of a loop would be known within %.0f %% of the change in a cycle only: read more often within cycles (measure: {follow: …}), or bend further", b.Expanded)
		}
		l.add(o.figure(meaning{"bend_hysteresis", k.flavour, "%", "100 (R on the way back - R on the way out) in the middle of the range of curvature, over " + k.of, "common practice"},
			k.share(plain), b, Given{"radius", 1 / plain.at, "m"}, Given{"curvature", plain.at, "1/m"}, Given{"rate", 1 / w.PeriodS, "Hz"}, Given{"cycles", w.Cycles, "1"}))
	}
	return l.done()
}

// across is what the readings of a loop say of its middle.
type across struct {
	at          float64 // 1/m
	width, u    float64 // Ohm, back less out, and its standard uncertainty from scatter
	dof         float64
	first, bent float64 // Ohm, at the ends of a parabola through all readings
}

// across fits the readings in the middle by a parabola in curvature, a difference of the
// two branches that is one as well, and a steady change with time, as of temperature.
// Readings are taken for so much (s) later ones, and the stage for so much (m) further on
// its way back.
func (c *computer) across(w looped, late, off float64) (a across, err error) {
	low, _, err1 := c.Facts.Curvature(w.first - c.Facts.FlatAtM)
	high, _, err2 := c.Facts.Curvature(w.bent - c.Facts.FlatAtM)
	if err := errors.Join(err1, err2); err != nil {
		return a, err
	}
	a.at = (low + high) / 2
	var whole, all, y []float64
	columns := make([][]float64, 7)
	for _, in := range w.Inside {
		x, _, _, out := w.motion.at(in.At + late)
		side := -0.5
		if !out {
			x, side = x+off, 0.5
		}
		k, _, err := c.Facts.Curvature(x - c.Facts.FlatAtM)
		if err != nil {
			return a, err
		}
		z := (k - a.at) / (high - low)
		whole, all = append(whole, z), append(all, in.R)
		if math.Abs(z) > middle/2 {
			continue
		}
		y = append(y, in.R)
		for j, v := range [...]float64{1, z, z * z, side, side * z, side * z * z, (in.At - w.From) / (w.To - w.From)} {
			columns[j] = append(columns[j], v)
		}
	}
	if len(y) < leastInside {
		return a, fmt.Errorf("%d readings in the middle of the loop: at least %d are needed", len(y), leastInside)
	}
	f, err := LinearFit(y, columns...)
	if err != nil {
		return a, fmt.Errorf("the loop: %w", err)
	}
	const difference = 3
	if uneven := math.Sqrt(f.Inverse[difference][difference]*float64(len(y))) / evenly; !(uneven <= mostUneven) {
		return a, fmt.Errorf("the %d readings in the middle of the loop met the same few places in each cycle: its width would be %.2g times less sure than by as many that are spread; read at an interval that does not divide the period", len(y), uneven)
	}
	a.width, a.u, a.dof = f.B[difference], f.U(difference), float64(f.DoF)
	ends, err := PolynomialFit(whole, all, 2)
	if err != nil {
		return a, fmt.Errorf("the loop: %w", err)
	}
	a.first, _ = ends.At(1, -0.5, 0.25)
	a.bent, _ = ends.At(1, 0.5, 0.25)
	return a, nil
}
