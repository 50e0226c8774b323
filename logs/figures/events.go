package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// placements is response and recovery, from each moment at which the specimen was laid
// down or taken away.
func (c *computer) placements() {
	n, out := map[string]int{}, map[string]int{}
	times := map[string][]float64{}
	for _, m := range c.moves {
		name := "recovery"
		if m.to == "plate" {
			name = "response"
		}
		tr, err := c.transient(m, name)
		if err != nil {
			if m.role == "" {
				out[name]++
				c.skip(fmt.Sprintf("%s from %.1f s", name, m.at), err)
			}
			continue
		}
		n[name]++
		c.Transients = append(c.Transients, tr)
		all, err := Response(tr)
		for _, f := range all {
			if f.Figure == name+"_t90" {
				times[f.Figure] = append(times[f.Figure], f.Value)
			}
		}
		c.add(name, all, err)
		settled, err := Settling(tr, settledShare*math.Abs(tr.Final-tr.Base))
		c.add(name+"_settling", []Figure{settled}, err)
		all, err = FirstOrder(tr)
		c.add(name+", first-order fit", all, err)
	}
	for _, name := range [...]string{"response", "recovery"} {
		if n[name] == 0 {
			c.skip(name+"_t63, "+name+"_t90", noPass(name, out[name]))
		}
		if x := times[name+"_t90"]; len(x) > 1 {
			all, err := Repeatability(Origin{c.R.Channel, fmt.Sprintf("%s_t90 of %d passes", name, len(x))}, "s", x)
			for i := range all {
				all[i].Flavour += ", " + name + "_t90"
			}
			c.add("repeatability of "+name+"_t90", all, err)
		}
	}
}

// noPass is why there is no response, or recovery, when so many were left out.
func noPass(name string, leftOut int) error {
	moved := map[string]string{"response": "laid on the plate", "recovery": "taken off it"}[name]
	if leftOut > 0 {
		return fmt.Errorf("the specimen was %s, but no such pass could be used (left out: %d)", moved, leftOut)
	}
	return fmt.Errorf("the specimen was never %s while its resistance was read", moved)
}

const (
	baseStretch = 10. // s before a step that its base is the mean of; common practice, no source
	baseLeast   = 4   // readings of it
	tailOfStep  = 0.2 // share of the time after a step that its settled level is the mean of

	settledShare = 0.01 // of a step, within which it counts as settled; common practice, no source
)

// transient cuts one step out of the record. What still moves in the last fifth is part of
// the uncertainty of the settled level.
func (c *computer) transient(m move, name string) (Transient, error) {
	sure := m.at - 3*m.u // nothing has happened yet
	from, _ := slices.BinarySearch(c.R.Time, sure-baseStretch)
	start, _ := slices.BinarySearch(c.R.Time, sure)
	to, _ := slices.BinarySearch(c.R.Time, m.until)
	if m.role != "" {
		return Transient{}, fmt.Errorf("it was %s", m.role)
	}
	all, _ := Complete(c.R.Time[from:to], c.R.Y[from:to])
	base := goodOf(c.R.Y[from:min(start, to)])
	if len(base) < baseLeast || len(all[0]) < 2*leastReadings {
		return Transient{}, fmt.Errorf("%d readings in the %.0f s before it and %d up to the next change: too few", len(base), baseStretch, len(all[0])-len(base))
	}
	tail := len(all[0]) - max(leastReadings, int(tailOfStep*float64(len(all[0])-len(base))))
	tr := Transient{Origin: Origin{c.R.Channel, fmt.Sprintf("%s from %.1f to %.1f s (%s)", name, m.at, m.until, m.step)},
		Name: name, Unit: c.R.Unit, Time: all[0], Y: all[1], Start: m.at, UStart: m.u}
	tr.Base, tr.UBase = sureMean(base)
	tr.Final, tr.UFinal = sureMean(all[1][tail:])
	line, err := LineFit(all[0][tail:], all[1][tail:])
	if err != nil {
		return tr, err
	}
	moves := math.Abs(line.B[1] * (all[0][len(all[0])-1] - all[0][tail]))
	tr.UFinal = math.Hypot(tr.UFinal, Rectangular(moves/2))
	tr.Noise = noiseOf(all[1][tail:])
	tr.UTime = c.R.uBound()
	if math.Abs(tr.Final-tr.Base) < 10*math.Hypot(tr.Noise, moves) {
		return tr, fmt.Errorf("the resistance goes from %.6g to %.6g %s: no step that stands out of its noise and of what still moves at the end", tr.Base, tr.Final, tr.Unit)
	}
	return tr, nil
}

const (
	mostLag = 60. // s, within which one thermometer may follow the other; common practice, no source
	alikeR  = 0.9 // correlation below which two channels are not one and the same course
)

// follows is by how much later than the last thermometer, the plate's, the first one moves,
// and the resistance after the first. It shows whether channels are in step.
func (c *computer) follows() {
	n := len(c.Facts.Thermometers)
	if n == 0 {
		return
	}
	near, far := c.T[c.Facts.Thermometers[0].Channel], c.T[c.Facts.Thermometers[n-1].Channel]
	for _, pair := range [...][2]*Series{{far, near}, {near, &c.R}} {
		x, y := pair[0], pair[1]
		if x == nil || y == nil || x == y {
			continue
		}
		l, err := LagBetween(*x, *y, mostLag, max(gapIn(x), gapIn(y)))
		if err == nil && math.Abs(l.R) < alikeR {
			err = fmt.Errorf("they do not take the same course (correlation %.2f)", l.R)
		}
		what := "lag of " + y.Channel + " behind " + x.Channel
		if err != nil {
			c.skip(what, err)
			continue
		}
		f, err := LagFigure(Origin{y.Channel, fmt.Sprintf("%d readings, against %s", l.Points, x.Channel)}, l)
		f.Flavour += ", behind " + x.Channel
		c.add(what, []Figure{f}, err)
	}
}

// contacts compares plateaus that follow each other at one temperature, one read with two
// wires and one with four.
func (c *computer) contacts(all []stay) {
	why := errors.New("no plateau was read with two wires and with four")
	for i := 1; i < len(all); i++ {
		a, b := all[i-1], all[i]
		if a.wires+b.wires != "24" && a.wires+b.wires != "42" || math.Abs(a.target-b.target) > nearEnough || !a.placed && b.placed {
			continue
		}
		f, err := c.twoLessFour(a, b)
		if err != nil {
			why = err
			continue
		}
		c.add("contact_resistance", []Figure{f}, nil)
		return
	}
	c.skip("contact_resistance", why)
}

// atRest is the end of a stay: mean resistance and temperature with standard uncertainties.
func (c *computer) atRest(s stay) (r, t Input, err error) {
	if len(c.Facts.Thermometers) == 0 {
		return r, t, errors.New("no thermometer is known")
	}
	best := c.Facts.Thermometers[0]
	b, err := c.together(best.Channel)
	if err != nil {
		return r, t, err
	}
	from, _ := slices.BinarySearch(b.t, max(s.from, s.to-(s.to-s.from)*tailShare))
	to, _ := slices.BinarySearch(b.t, s.to)
	if to-from < leastReadings {
		return r, t, fmt.Errorf("%d readings at the end of the plateau from %.0f s: at least %d are needed", to-from, s.from, leastReadings)
	}
	r = Input{Name: "R, " + s.wires + " wires", Unit: "Ohm", Type: "A"}
	r.Value, r.U = sureMean(b.r[from:to])
	t = Input{Name: "temperature, " + s.wires + " wires", Unit: "K", Type: "A"}
	t.Value, t.U = sureMean(b.temperature[from:to])
	t.U = math.Hypot(t.U, math.Hypot(Rectangular(best.ResolutionK/2), MomentsOf(b.u[from:to]).Mean))
	return r, t, nil
}

// A film takes seconds to change its temperature. Where the wires change from one reading
// to the next, R on both sides of that is therefore R at one temperature, and goes straight
// on but for a step: no thermometer tells that better, or is needed.
const (
	besideChange = 30. // s on either side; common practice, no source
	longChange   = 10. // s; over a longer one the film's temperature may change
	mostBeside   = 10  // means on either side, then about as far apart as the change takes: TrendOf knows of no gap
)

// twoLessFour compares two stays, of which the first ends where the second begins.
func (c *computer) twoLessFour(first, second stay) (Figure, error) {
	before, after := c.readings(max(first.from, first.to-besideChange), first.to), c.readings(second.from, min(second.to, second.from+besideChange))
	if min(len(before[0]), len(after[0])) < leastReadings {
		return Figure{}, fmt.Errorf("%d readings within %.0f s before the change of wires and %d after it: at least %d are needed", len(before[0]), besideChange, len(after[0]), leastReadings)
	}
	last, next := before[0][len(before[0])-1], after[0][0]
	if next-last > longChange {
		return Figure{}, fmt.Errorf("%.1f s passed between the last reading with %s wires and the first with %s: more than %.0f s, in which the film's temperature may change", next-last, first.wires, second.wires, longChange)
	}
	rows := fmt.Sprintf("readings from %.0f to %.0f s (%s wires) and %.0f to %.0f s (%s)", before[0][0], last, first.wires, next, after[0][len(after[0])-1], second.wires)
	before, after = averaged(before, mostBeside), averaged(after, mostBeside)
	at, r := slices.Concat(before[0], after[0]), slices.Concat(before[1], after[1])
	ones, two := make([]float64, len(r)), make([]float64, len(r))
	for i := range r {
		ones[i] = 1
		if (i < len(before[0])) == (first.wires == "2") {
			two[i] = 1
		}
	}
	step, err := TrendOf(r, 2, ones, shifted(at, (last+next)/2), two)
	if err != nil {
		return Figure{}, err
	}
	four := MomentsOf(after[1]).Mean
	if first.wires == "4" {
		four = MomentsOf(before[1]).Mean
	}
	inputs := []Input{{Name: "step, noise correlated in time", Value: step.Value, Unit: "Ohm", U: step.Half / StudentT(Level95, math.Inf(1)), Type: "A", Sensitivity: 1, Says: "noise most like: " + step.Kind}}
	meter, _ := c.Facts.meterErrors(four, c.currentAt(first.from), true)
	for _, e := range meter {
		inputs = append(inputs, Input{Name: e.Name, Unit: kindUnits[e.Kind], U: e.U, Type: "B", Sensitivity: step.Value, Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument})
	}
	b, err := Combine("Ohm", Level95, inputs)
	if err != nil {
		return Figure{}, err
	}
	return Origin{c.R.Channel, rows}.figure(meaning{"contact_resistance", "two wires less four wires", "Ohm",
		"R read with two wires less R read with four, as the step between two parallel least-squares lines on either side of the change of wires: both contacts and both leads together", "common practice; uncertainty by likelihood of coloured noise"}, step.Value, b,
		Given{"temperature", second.target, "degC"})
}

// readings are the good resistances between two moments, with their times.
func (c *computer) readings(from, to float64) [][]float64 {
	a, _ := slices.BinarySearch(c.R.Time, from)
	b, _ := slices.BinarySearch(c.R.Time, to)
	good, _ := Complete(c.R.Time[a:b], c.R.Y[a:b])
	return good
}

// ohmic is what the sweeps of current against voltage say.
func (c *computer) ohmic() {
	used := 0
	for _, w := range c.sweeps {
		v, i := both(w)
		s := Sweep{Origin: Origin{c.Facts.Voltage + " and " + c.Facts.Current, fmt.Sprintf("sweep from %.1f to %.1f s (%s)", w.from, w.to, w.step)}, V: v, I: i}
		if w.role != "" || inAny(c.lost, w.from) {
			continue
		}
		used++
		at := c.sweptAt(w)
		all, err := Ohmic(s)
		if err == nil {
			c.Sweeps = append(c.Sweeps, s)
		}
		c.add("ohmic, sweep from "+fmt.Sprintf("%.1f s", w.from), taken(c.withMeter(s, all), at), err)
		all, err = s.reversed()
		c.add("resistance, reversal", taken(c.withMeter(s, all), at), err)
	}
	if used == 0 {
		c.skip("ohmic", errors.New("the run swept no current or voltage outside of warm-up and conditioning"))
	}
}

// sweptAt is the mean temperature during a sweep, as something to be read with its figures;
// nothing where no thermometer was read.
func (c *computer) sweptAt(w swept) []Given {
	if len(c.Facts.Thermometers) == 0 {
		return nil
	}
	s := c.T[c.Facts.Thermometers[0].Channel]
	if s == nil {
		return nil
	}
	from, _ := slices.BinarySearch(s.Time, w.from)
	to, _ := slices.BinarySearch(s.Time, w.to)
	var m Moments
	for _, v := range s.Y[from:to] {
		if !math.IsNaN(v) {
			m.Add(v)
		}
	}
	if m.N == 0 {
		return nil
	}
	return []Given{{"temperature", m.Mean, "degC"}}
}

// taken are figures to be read with something more.
func taken(all []Figure, with []Given) []Figure {
	for k := range all {
		all[k].With = slices.Concat(with, all[k].With)
	}
	return all
}

func both(w swept) (v, i []float64) {
	k, _ := Complete(w.v, w.i)
	return k[0], k[1]
}

// withMeter adds what the meter is wrong by to what so far has only its scatter: gains to
// resistances, and to every figure what it changes by when all voltages, or all currents,
// are off by the same.
func (c *computer) withMeter(s Sweep, all []Figure) []Figure {
	_, volts := extremes(s.V)
	_, amps := extremes(s.I)
	v, okV := c.Facts.promise(c.Facts.Voltage, volts)
	i, okI := c.Facts.promise(c.Facts.Current, amps)
	if !okV || !okI {
		return all
	}
	uV, uI := Rectangular(v.Plus), Rectangular(i.Plus)
	s = s.away(0.01 * amps) // near zero an offset is everything
	plain := s.lessOffset()
	moved := [2]Sweep{s, s}
	moved[0].V, moved[1].I = shifted(s.V, -uV), shifted(s.I, -uI)
	offV, offI := moved[0].lessOffset(), moved[1].lessOffset()
	for k, f := range all {
		if f.isExponent() {
			if less := find(plain, f); less != nil {
				f, all[k] = *less, *less
			}
		}
		if f.Budget == nil {
			continue
		}
		inputs := slices.Clone(f.Budget.Inputs)
		if f.Unit == "Ohm" {
			inputs = append(inputs, Input{Name: c.Facts.Voltage + ", gain", Unit: "V/V", U: Rectangular(v.OfReading), Type: "B", Sensitivity: f.Value, Says: c.Facts.Says[c.Facts.Voltage], Bounded: true, Instrument: true},
				Input{Name: c.Facts.Current + ", gain", Unit: "A/A", U: Rectangular(i.OfReading), Type: "B", Sensitivity: f.Value, Says: c.Facts.Says[c.Facts.Current], Bounded: true, Instrument: true})
		}
		for _, o := range [...]struct {
			name, unit string
			u          float64
			all        []Figure
		}{{c.Facts.Voltage + ", offset", "V", uV, offV}, {c.Facts.Current + ", offset", "A", uI, offI}} {
			with, without := find(o.all, f), find(plain, f)
			if with != nil && without != nil && o.u > 0 {
				inputs = append(inputs, Input{Name: o.name, Unit: o.unit, U: o.u, Type: "B", Sensitivity: (with.Value - without.Value) / o.u, Says: "declared accuracy, rectangular", Bounded: true, Instrument: true})
			}
		}
		if f.Figure == "thermal_voltage" { // an offset of the meter looks just like it
			inputs = append(inputs, Input{Name: c.Facts.Voltage + ", offset", Unit: "V", U: uV, Type: "B", Sensitivity: 1, Says: "declared accuracy, rectangular", Bounded: true, Instrument: true})
		}
		b, err := Combine(f.Unit, Level95, inputs, f.Budget.Correlations...)
		if err != nil {
			continue
		}
		switch n := len(s.V); f.Flavour {
		case "chord spread":
			b.forAll(n * (n - 1) / 2)
		case "residual":
			b.forAll(n)
		}
		f.Budget, f.U_std, f.K, f.Expanded = &b, b.Combined, b.K, b.Expanded
		all[k] = f
	}
	return all
}

func (f Figure) isExponent() bool {
	return f.Figure == "ohmic" && strings.HasPrefix(f.Flavour, "exponent")
}

// lessOffset is Ohmic with exponents of which an offset of the meter is no part: logarithms
// of small voltages feel it first, in the exponent as a bias and in its scatter as if it
// were noise. A sweep of both signs shows it (JCGM 100, 3.2.4: what is known is corrected),
// and then one more number was asked of the points.
func (s Sweep) lessOffset() []Figure {
	all, _ := Ohmic(s)
	line, err := LineFit(s.V, s.I)
	low, high := extremes(s.V)
	if err != nil || line.B[1] == 0 || low >= 0 || high <= 0 {
		return all
	}
	corrected, offset := s, -line.B[0]/line.B[1]
	corrected.V = shifted(s.V, offset)
	less, _ := Ohmic(corrected)
	for k, f := range all {
		x := find(less, f)
		if !f.isExponent() || x == nil || len(x.Budget.Inputs) != 1 || x.Budget.Inputs[0].DoF < 2 {
			continue // without a degree of freedom to spare
		}
		in := x.Budget.Inputs[0]
		in.U, in.DoF = in.U*math.Sqrt(in.DoF/(in.DoF-1)), in.DoF-1
		if b, err := Combine(x.Unit, x.Level, []Input{in}); err == nil {
			x.Budget, x.U_std, x.K, x.Expanded = &b, b.Combined, b.K, b.Expanded
			x.Definition = "slope of the least-squares line of ln|I| against ln|V - V0|, V0 where the straight line of all points has no current; 1 is ohmic"
			x.With = append(x.With, Given{"V0", offset, "V"})
			all[k] = *x
		}
	}
	return all
}

func find(all []Figure, like Figure) *Figure {
	for i, f := range all {
		if f.Figure == like.Figure && f.Flavour == like.Flavour {
			return &all[i]
		}
	}
	return nil
}

// away is the points of a sweep that are not near zero current.
func (s Sweep) away(near float64) Sweep {
	far := s
	far.V, far.I = nil, nil
	for k, i := range s.I {
		if math.Abs(i) > near {
			far.V, far.I = append(far.V, s.V[k]), append(far.I, i)
		}
	}
	return far
}

const (
	driftLeast = 600.  // s: a shorter stay says nothing about drift
	noiseMost  = 3600. // s: what is slower than an hour is drift, not noise
	mostTrend  = 1000  // readings of a drift; more are averaged, so that noise of the thermometer hides none of its effect
	mostAllan  = 1 << 17
)

// quiet is noise, resolution and drift, from the longest stay.
func (c *computer) quiet() {
	if len(c.stays) == 0 {
		c.skip("noise_rms, resolution, drift", errors.New("nothing was held still"))
		return
	}
	long := slices.MaxFunc(c.stays, func(a, b stay) int {
		if a.to-a.from < b.to-b.from {
			return -1
		}
		return 1
	})
	c.noiseOf(long)
	c.drift(long)
}

// even is the longest stretch without gaps of the resistance between two moments.
func (c *computer) even(from, to float64) (t, y []float64) {
	a, _ := slices.BinarySearch(c.R.Time, from)
	b, _ := slices.BinarySearch(c.R.Time, to)
	step := usualStep(c.R.Time[a:b])
	best, first := [2]int{}, a
	for i := a; i <= b; i++ {
		bad := i == b || math.IsNaN(c.R.Y[i])
		gap := i > a && i < b && c.R.Time[i]-c.R.Time[i-1] > 1.5*step
		if bad || gap {
			if i-first > best[1]-best[0] {
				best = [2]int{first, i}
			}
			if first = i; bad {
				first++
			}
		}
	}
	return c.R.Time[best[0]:best[1]], c.R.Y[best[0]:best[1]]
}

func (c *computer) sampling(at, step float64) Sampling {
	now := c.settingAt(at)
	s := Sampling{Interval: step, Averaged: max(1, c.every[c.R.Channel])}
	if c.Facts.LineHz > 0 && now.integration > 0 {
		s.Integration = now.integration / c.Facts.LineHz
	}
	var also []string
	if now.reversed {
		s.Averaged *= 2
		also = append(also, "half the difference of two readings, current reversed between")
	}
	if n := c.every[c.R.Channel]; n > 1 {
		also = append(also, fmt.Sprintf("mean of %d readings", n))
	}
	for i, a := range also {
		if i > 0 {
			s.Filter += "; "
		}
		s.Filter += a
	}
	return s
}

// noiseOf takes the end of a stay: its second half, or as little of that as it takes until
// neighbours differ like noise and no longer like a film on its way.
func (c *computer) noiseOf(s stay) {
	from := max((s.from+s.to)/2, s.to-noiseMost)
	t, y := c.even(from, s.to)
	const least = 4 * leastReadings
	for len(y) >= 2*least {
		if rest, _, err := Detrended(y); err != nil || VonNeumann(rest) > likeNoise {
			break
		}
		from = (from + s.to) / 2
		t, y = c.even(from, s.to)
	}
	if len(y) < 2*leastReadings {
		c.skip("noise_rms, resolution, allan_deviation", fmt.Errorf("%d readings without a gap at the end of the longest plateau: at least %d are needed", len(y), 2*leastReadings))
		return
	}
	if step := c.Facts.ResolutionOhm; roundsTo(step, y) {
		c.skip("noise_rms, resolution, allan_deviation", fmt.Errorf("the last %d readings of the longest plateau differ by no more than the %.3g %s in which they are shown: their noise is below that, and how much is not to be seen", len(y), step, c.R.Unit))
		return
	}
	how := c.sampling(s.to, usualStep(t))
	rest, first := "at rest", "detrended"
	if left, _, err := Detrended(y); err == nil && c.moving(s, y) {
		rest = "not at rest"
		if VonNeumann(left) <= likeNoise {
			first = "successive differences"
		}
		c.Notes = append(c.Notes, fmt.Sprintf("noise_rms, resolution: the film was not at rest (von Neumann ratio %.2g of the readings from %.1f s; 2 where neighbours are independent): what is about the mean is mostly its way, and they are taken from what is %s",
			VonNeumann(y), t[0], map[string]string{"detrended": "left beside a line", "successive differences": "between neighbours"}[first]))
	}
	o := Origin{c.R.Channel, fmt.Sprintf("%d readings from %.1f to %.1f s, %s (%s)", len(y), t[0], t[len(t)-1], rest, s.step)}
	all, err := Noise(o, c.R.Unit, y, how)
	if at := slices.IndexFunc(all, func(f Figure) bool { return f.Flavour == first }); at >= 0 {
		all[0].Notes, all[at].Notes = all[at].Notes, all[0].Notes // what is not given is told with the first
		f := all[at]
		all = slices.Insert(slices.Delete(all, at, at+1), 0, f)
		c.noise = &f
	}
	c.add("noise_rms", all, err)
	switch {
	case c.noise == nil:
	case c.slope == 0:
		c.skip("resolution", errors.New("no slope of resistance against temperature is known"))
	default:
		all, err = Resolution(o, *c.noise, c.slope, c.uSlope, "K")
		c.add("resolution", all, err)
	}
	all, err = NoiseFloor(o, math.Abs(MomentsOf(y).Mean), s.target, how.Integration*float64(how.Averaged), c.currentAt(s.from), c.tcr, c.uTCR)
	c.add("noise_floor", all, err)
	if s.to-s.from >= driftLeast {
		t, y = c.even(s.from+(s.to-s.from)/10, s.to)
	}
	if n := len(y); n > mostAllan {
		t, y = t[n-mostAllan:], y[n-mostAllan:]
	}
	o.Rows = fmt.Sprintf("%d readings from %.1f to %.1f s (%s)", len(y), t[0], t[len(t)-1], s.step)
	all, err = AllanFigures(o, c.R.Unit, y, how)
	c.add("allan_deviation", all, err)
	c.Allan, _ = AllanCurve(y)
	c.Interval = how.Interval
}

// likeNoise is the von Neumann ratio above which neighbours differ like noise; 2 is white.
// Common practice, no source.
const likeNoise = 1.2

// moving tells whether a film was still on its way in readings of a stay: by themselves, or by
// what the transients of all stays say was left of it.
func (c *computer) moving(s stay, y []float64) bool {
	if !(VonNeumann(y) > likeNoise) {
		return true
	}
	for _, t := range c.Facts.Thermometers {
		settled := c.Settled[t.Channel]
		if settled == nil || len(settled.Tau) == 0 || t.asRead() {
			continue
		}
		for _, h := range settled.Holds {
			if h.Start < s.to && h.End > s.from && !h.AtRest() {
				return true
			}
		}
	}
	return false
}

// drift is of the stay without its beginning, in which the film comes to rest: twelve time
// constants, after which 6 millionths of a step are left, or a tenth where none is known.
func (c *computer) drift(s stay) {
	from := s.from + (s.to-s.from)/10
	for _, x := range c.Settled {
		for _, tau := range x.Tau {
			from = max(from, s.from+12*tau)
		}
	}
	if s.to-from < driftLeast {
		c.skip("drift", fmt.Errorf("the longest plateau lasts %.0f s, the last %.0f s of it at rest: at least %.0f s are needed", s.to-s.from, max(0, s.to-from), driftLeast))
		return
	}
	d := Record{Origin: Origin{c.R.Channel, fmt.Sprintf("readings from %.1f to %.1f s (%s), averaged to at most %d", from, s.to, s.step, mostTrend)}}
	a, _ := slices.BinarySearch(c.R.Time, from)
	b, _ := slices.BinarySearch(c.R.Time, s.to)
	columns := [][]float64{c.R.Time[a:b], c.R.Y[a:b]}
	if len(c.Facts.Thermometers) > 0 {
		best := c.Facts.Thermometers[0].Channel
		if s := c.T[best]; s != nil {
			if aligned, err := s.Align(c.R.Time[a:b], gapIn(s)); err == nil {
				columns = append(columns, aligned.Y)
				d.Rows += ", temperature by " + best
			}
		}
	}
	columns, _ = Complete(columns...)
	columns = averaged(columns, mostTrend)
	if d.Time, d.R = columns[0], columns[1]; len(columns) > 2 {
		d.Temperature = columns[2]
		if low, high := extremes(d.Temperature); low == high {
			d.Temperature = nil
			c.skip("drift, corrected for temperature", errors.New("the thermometer showed the same all the while"))
		}
	}
	checked := len(c.sessions) > 0
	if checked {
		var err error
		if d, err = d.against(c.standards()); err != nil {
			c.skip("drift, against the check standard", err)
		}
	}
	c.Trend = d
	all, err := Drift(d)
	for i := range all {
		if !checked {
			all[i] = all[i].Note("no check standard was read: the meter's own drift is in it")
		}
	}
	c.add("drift", all, err)
}

// averaged takes means of neighbours until at most so many are left.
func averaged(columns [][]float64, most int) [][]float64 {
	size := (len(columns[0]) + most - 1) / most
	if size <= 1 {
		return columns
	}
	short := make([][]float64, len(columns))
	for k, c := range columns {
		for i := 0; i+size <= len(c); i += size {
			short[k] = append(short[k], MomentsOf(c[i:i+size]).Mean)
		}
	}
	return short
}

// apart is how many times larger a second current must be; closer ones are one. Common
// practice, no source.
const apart = 1.5

// selfHeating compares plateaus that follow each other at one temperature, read at two
// currents.
func (c *computer) selfHeating(all []stay) {
	for i := 1; i < len(all); i++ {
		a, b := all[i-1], all[i]
		if a.amps > b.amps {
			a, b = b, a
		}
		if !(a.amps > 0 && b.amps > apart*a.amps) || math.Abs(a.target-b.target) > nearEnough || a.wires != b.wires {
			continue
		}
		if c.tcr == 0 {
			c.skip("self_heating", errors.New("no temperature coefficient is known"))
			return
		}
		low, high, err := c.twoCurrents(a, b)
		if err != nil {
			c.skip("self_heating", err)
			return
		}
		o := Origin{c.R.Channel, fmt.Sprintf("last fifths of the plateaus from %.0f to %.0f s (%.4g A) and %.0f to %.0f s (%.4g A)", a.from, a.to, low.Current, b.from, b.to, high.Current)}
		all, err := SelfHeating(o, low, high, c.tcr, c.uTCR)
		c.add("self_heating", all, err)
		return
	}
	c.skip("self_heating", errors.New("the film was read at one current only: a second, larger one at the same temperature is needed"))
}

// twoCurrents are the resistances of two plateaus, the second brought to the temperature
// of the first.
func (c *computer) twoCurrents(a, b stay) (low, high Heated, err error) {
	r1, t1, err1 := c.atRest(a)
	r2, t2, err2 := c.atRest(b)
	if err := errors.Join(err1, err2); err != nil {
		return low, high, err
	}
	low = Heated{R: r1.Value, Current: a.amps, U: math.Hypot(r1.U, c.slope*t1.U)}
	high = Heated{R: r2.Value - c.slope*(t2.Value-t1.Value), Current: b.amps, U: math.Hypot(r2.U, c.slope*t2.U)}
	c.inRanges(&low, &high)
	return low, high, nil
}

// inRanges adds what the meter is wrong by at each of two currents where it reads them in
// different ranges: in one range that is common to both and cancels.
func (c *computer) inRanges(low, high *Heated) {
	a, ok1 := c.Facts.promise(c.Facts.Current, low.Current)
	b, ok2 := c.Facts.promise(c.Facts.Current, high.Current)
	if !ok1 || !ok2 || a == b {
		return
	}
	for _, h := range [...]*Heated{low, high} {
		errors, _ := c.Facts.meterErrors(h.R, h.Current, true)
		for _, e := range errors {
			h.U = math.Hypot(h.U, e.U*h.R)
		}
	}
}
