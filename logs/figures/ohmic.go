package figures

import (
	"errors"
	"fmt"
	"math"
)

// Sweep is current against voltage, both signs.
type Sweep struct {
	Origin
	V, I []float64 // V, A
	UI   float64   // standard uncertainty of each current by itself, A; 0: the scatter about a straight line stands for it
}

// Ohmic says how far a contact is from I = V/R: the exponent m of |I| ~ |V|^m, the
// asymmetry of the two signs, the spread of chord resistances, the cubic term, and the
// resistance of the straight line. No standard sets limits for any of them.
func Ohmic(s Sweep) ([]Figure, error) {
	if err := fittable(s.I, s.V); err != nil {
		return nil, fmt.Errorf("%s: %w", s.Channel, err)
	}
	var v, i []float64
	leastV, leastI := atZero*largestOf(s.V), max(atZero*largestOf(s.I), tellsSign*s.UI)
	zeros := 0
	for k := range s.V {
		if math.Abs(s.V[k]) <= leastV || math.Abs(s.I[k]) <= leastI || (s.V[k] < 0) != (s.I[k] < 0) {
			zeros++ // no chord and no logarithm
			continue
		}
		v, i = append(v, s.V[k]), append(i, s.I[k])
	}
	if len(v) < 4 {
		return nil, fmt.Errorf("%s: a sweep needs 4 points with current and voltage of one sign, there are %d", s.Channel, len(v))
	}
	line, err := LineFit(s.V, s.I)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Channel, err)
	}
	if line.B[1] == 0 {
		return nil, fmt.Errorf("%s: the current does not follow the voltage", s.Channel)
	}
	u, dof := s.UI, 0.
	if u == 0 {
		u, dof = line.S, float64(line.DoF)
	}
	var l list
	l.add(s.resistance(line))
	for _, branch := range [...]struct {
		name string
		sign float64
	}{{"both signs", 0}, {"positive", 1}, {"negative", -1}} {
		f, err := s.exponent(v, i, branch.name, branch.sign)
		if err != nil {
			l.skip("ohmic, exponent, "+branch.name, err)
			continue
		}
		l.add(f, nil)
	}
	l.add(s.asymmetry(v, i, u, dof))
	l.add(s.chords(v, i, u, dof))
	l.add(s.cubic(v, i))
	l.add(s.worstResidual(line, u, dof))
	if zeros > 0 && len(l.figures) > 0 {
		l.skipped = append(l.skipped, fmt.Sprintf("%d points at zero, or with opposite signs of current and voltage have no chord and no logarithm, and count for the straight line only", zeros))
	}
	return l.done()
}

// A point at zero is where the source stood at zero: what is read there is offsets. It
// is below atZero of the largest value, or its current is not tellsSign times its own
// uncertainty.
const (
	atZero    = 1e-3
	tellsSign = 3
)

const noLimit = "common practice; no standard defines a limit"

func (s Sweep) resistance(line Fit) (Figure, error) {
	r := 1 / line.B[1]
	b, err := Combine("Ohm", Level95, []Input{{Name: "slope of the line", Value: line.B[1], Unit: "S", U: line.U(1), Type: "A", DoF: float64(line.DoF), Sensitivity: -r * r}})
	if err != nil {
		return Figure{Figure: "resistance"}, err
	}
	return s.figure(meaning{"resistance", "slope of the sweep", "Ohm", "1/slope of the least-squares line of I against V", "common practice"}, r, b,
		Given{"intercept", line.B[0], "A"}, Given{"R squared", line.R2, "1"})
}

func (s Sweep) exponent(v, i []float64, name string, sign float64) (Figure, error) {
	var x, y []float64
	for k := range v {
		if sign == 0 || v[k]*sign > 0 {
			x, y = append(x, math.Log(math.Abs(v[k]))), append(y, math.Log(math.Abs(i[k])))
		}
	}
	f, err := LineFit(x, y)
	if err == nil && f.DoF < 1 {
		err = errors.New("two points have no scatter")
	}
	if err != nil {
		return Figure{}, err
	}
	b, err := Combine("1", Level95, []Input{{Name: "slope of the logarithms", Value: f.B[1], Unit: "1", U: f.U(1), Type: "A", DoF: float64(f.DoF), Sensitivity: 1}})
	if err != nil {
		return Figure{}, err
	}
	return s.figure(meaning{"ohmic", "exponent, " + name, "1", "slope of the least-squares line of ln|I| against ln|V|; 1 is ohmic", noLimit}, f.B[1], b)
}

// asymmetry compares the currents at the largest voltage that was applied with both signs,
// or, where currents were, the voltages.
func (s Sweep) asymmetry(v, i []float64, u, dof float64) (Figure, error) {
	best, plus, minus := bothSigns(v)
	across, unit, letter, of := i, "A", "I", "voltage"
	if plus < 0 {
		best, plus, minus = bothSigns(i)
		across, unit, letter, of = v, "V", "V", "current"
		if plus >= 0 {
			u *= math.Abs(v[plus] / i[plus])
		}
	}
	if plus < 0 {
		return Figure{Figure: "ohmic, asymmetry"}, errors.New("no voltage or current was applied with both signs")
	}
	value, b, err := Propagate("%", Level95, []Input{{Name: "reading, +", Value: across[plus], Unit: unit, U: u, Type: "A", DoF: dof}, {Name: "reading, -", Value: across[minus], Unit: unit, U: u, Type: "A", DoF: dof}},
		func(x []float64) (float64, error) { return 200 * (x[0] + x[1]) / (x[0] - x[1]), nil })
	if err != nil {
		return Figure{Figure: "ohmic, asymmetry"}, err
	}
	return s.figure(meaning{"ohmic", "asymmetry", "%", fmt.Sprintf("200 (%s+ - |%s-|)/(%s+ + |%s-|) at the stated %s with both signs", letter, letter, letter, letter, of), noLimit},
		value, b, Given{of, best, map[string]string{"voltage": "V", "current": "A"}[of]})
}

// bothSigns is the largest value that is there with both signs, and where.
func bothSigns(x []float64) (best float64, plus, minus int) {
	plus, minus = -1, -1
	for a := range x {
		for b := range x {
			if x[a] > best && math.Abs(x[a]+x[b]) <= 1e-3*x[a] {
				best, plus, minus = x[a], a, b
			}
		}
	}
	return best, plus, minus
}

func (s Sweep) chords(v, i []float64, u, dof float64) (Figure, error) {
	r, widest := make([]float64, len(v)), 0.
	for k := range v {
		r[k] = v[k] / i[k]
		widest = max(widest, u*math.Abs(r[k]/i[k]))
	}
	low, high := extremes(r)
	mean := MomentsOf(r).Mean
	// The difference of the largest and the smallest: each may be any of the points.
	b, err := Combine("%", Level95, []Input{{Name: "least certain chord, twice", Unit: "Ohm", U: widest * math.Sqrt2, Type: "A", DoF: dof, Sensitivity: 100 / mean}})
	if err != nil {
		return Figure{Figure: "ohmic, chord spread"}, err
	}
	b.forAll(len(r) * (len(r) - 1) / 2)
	return s.figure(meaning{"ohmic", "chord spread", "%", "100 (largest - smallest V/I) / mean V/I; never negative, so that noise alone makes some", noLimit}, 100*(high-low)/mean, b, Given{"mean V/I", mean, "Ohm"})
}

func (s Sweep) cubic(v, i []float64) (Figure, error) {
	cube, most := make([]float64, len(v)), 0.
	for k, x := range v {
		cube[k] = x * x * x
		most = max(most, math.Abs(x))
	}
	f, err := LinearFit(i, v, cube)
	if err == nil && f.DoF < 1 {
		err = errors.New("too few points for a cubic")
	}
	if err != nil {
		return Figure{Figure: "ohmic, cubic"}, err
	}
	value, b, err := Propagate("1", Level95, []Input{{Name: "G", Value: f.B[0], Unit: "S", U: f.U(0), Type: "A", DoF: float64(f.DoF)}, {Name: "g3", Value: f.B[1], Unit: "S/V²", U: f.U(1), Type: "A", DoF: float64(f.DoF)}},
		func(x []float64) (float64, error) { return x[1] * most * most / x[0], nil }, Correlation{0, 1, f.Correlation(0, 1)})
	if err != nil {
		return Figure{Figure: "ohmic, cubic"}, err
	}
	return s.figure(meaning{"ohmic", "cubic", "1", "g3 V²/G at the stated voltage, of the least-squares I = G V + g3 V³", noLimit}, value, b, Given{"voltage", most, "V"}, Given{"G", f.B[0], "S"})
}

func (s Sweep) worstResidual(line Fit, u, dof float64) (Figure, error) {
	worst := 0.
	for _, r := range line.Residuals {
		worst = max(worst, math.Abs(r))
	}
	low, high := extremes(s.I)
	b, err := Combine("%", Level95, []Input{{Name: "a current", Unit: "A", U: u, Type: "A", DoF: dof, Sensitivity: 100 / (high - low)}})
	if err != nil {
		return Figure{Figure: "ohmic, residual"}, err
	}
	b.forAll(len(line.Residuals))
	return s.figure(meaning{"ohmic", "residual", "%", "largest distance of a current from the least-squares line, in % of the span of current", noLimit}, 100*worst/(high-low), b,
		Given{"largest distance", worst, "A"})
}

// Reversal is the resistance from voltages at currents of alternating sign: constant
// thermal voltages cancel in two, linearly drifting ones in three. u is the standard
// uncertainty of each voltage, uI the relative one of the current.
func Reversal(o Origin, voltages []float64, current, u, uI float64) ([]Figure, error) {
	if len(voltages) != 2 && len(voltages) != 3 || current == 0 {
		return nil, fmt.Errorf("%s: a reversal has two or three voltages and a current, not %d at %.6g A", o.Channel, len(voltages), current)
	}
	inputs := []Input{{Name: "current", Value: current, Unit: "A", U: uI * math.Abs(current), Type: "B"}}
	for k, v := range voltages {
		inputs = append(inputs, Input{Name: fmt.Sprintf("voltage %d", k+1), Value: v, Unit: "V", U: u, Type: "A"})
	}
	resistance := meaning{"resistance", "two-point reversal", "Ohm", "(V+ - V-)/(2 I)", "common practice"}
	f := func(x []float64) (float64, error) { return (x[1] - x[2]) / (2 * x[0]), nil }
	if len(voltages) == 3 {
		resistance = meaning{"resistance", "three-point reversal", "Ohm", "(V1 - 2 V2 + V3)/(4 I), currents +I, -I, +I", "common practice"}
		f = func(x []float64) (float64, error) { return (x[1] - 2*x[2] + x[3]) / (4 * x[0]), nil }
	}
	var l list
	value, b, err := Propagate("Ohm", Level95, inputs, f)
	if err != nil {
		return nil, err
	}
	l.add(o.figure(resistance, value, b, Given{"current", current, "A"}))
	if len(voltages) == 2 {
		value, b, err = Propagate("V", Level95, inputs, func(x []float64) (float64, error) { return (x[1] + x[2]) / 2, nil })
		if err != nil {
			return nil, err
		}
		l.add(o.figure(meaning{"thermal_voltage", "two-point reversal", "V", "(V+ + V-)/2", "common practice"}, value, b))
	}
	return l.done()
}

// reversed is the resistance from the largest current of a sweep that was applied with
// both signs: from three readings where they alternate, else from two. The scatter of the
// voltages is that about the line of all points.
func (s Sweep) reversed() ([]Figure, error) {
	best, plus, _ := bothSigns(s.I)
	if plus < 0 {
		return nil, errors.New("no current was applied with both signs")
	}
	line, err := LineFit(s.I, s.V)
	if err == nil && line.DoF < 1 {
		err = errors.New("two points have no scatter")
	}
	if err != nil {
		return nil, err
	}
	var volts []float64
	var first, last float64
	for k, i := range s.I {
		if math.Abs(math.Abs(i)-best) > 1e-3*best || len(volts) > 0 && (i < 0) == (last < 0) || len(volts) == 3 {
			continue
		}
		if len(volts) == 0 {
			first = i
		}
		volts, last = append(volts, s.V[k]), i
	}
	return Reversal(s.Origin, volts, first, line.S, 0)
}

// TransferLength is contact and sheet resistance from resistances between pads of width w
// (m) at distances d (m): R = Rsh d/w + 2 Rc.
func TransferLength(o Origin, d, r []float64, w, uW float64) ([]Figure, error) {
	f, err := LineFit(d, r)
	if err == nil && f.DoF < 1 {
		err = errors.New("three distances are needed to see any scatter")
	}
	if err == nil && !(w > 0 && f.B[1] > 0) {
		err = fmt.Errorf("a pad width of %.6g m and a slope of %.6g Ohm/m cannot be", w, f.B[1])
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	dof := float64(f.DoF)
	inputs := []Input{{Name: "intercept", Value: f.B[0], Unit: "Ohm", U: f.U(0), Type: "A", DoF: dof}, {Name: "slope", Value: f.B[1], Unit: "Ohm/m", U: f.U(1), Type: "A", DoF: dof},
		{Name: "pad width", Value: w, Unit: "m", U: uW, Type: "B"}}
	var l list
	const source = "Reeves and Harrison, IEEE Electron Device Lett. 3 (1982) 111 (from memory)"
	// What a contact adds is not less than nothing, and of its square nothing is known where
	// it cannot be told from nothing.
	within := StudentT(Level95, dof) * f.U(0)
	for _, c := range [...]struct {
		name, flavour, unit, definition string
		f                               func(x []float64) float64
	}{
		{"contact_resistance", "transfer length", "Ohm", "half the intercept of the least-squares line of R against distance", func(x []float64) float64 { return x[0] / 2 }},
		{"sheet_resistance", "transfer length", "Ohm", "slope of the least-squares line of R against distance, times the pad width", func(x []float64) float64 { return x[1] * x[2] }},
		{"transfer_length", "intercept", "m", "intercept/(2 slope)", func(x []float64) float64 { return x[0] / (2 * x[1]) }},
		{"contact_resistivity", "transfer length", "Ohm cm2", "sheet resistance times the square of the transfer length; for pads much longer than it", func(x []float64) float64 {
			lt := x[0] / (2 * x[1])
			return 1e4 * x[1] * x[2] * lt * lt
		}},
	} {
		switch {
		case c.name == "sheet_resistance":
		case f.B[0] < -within:
			l.skip(c.name, fmt.Errorf("the line comes to %.4g Ohm (± %.2g Ohm) at no distance, and no contact has less than nothing: distances or resistances are not what they are taken for", f.B[0], within))
			continue
		case c.name == "contact_resistivity" && f.B[0] <= within:
			l.skip(c.name, fmt.Errorf("it goes with the square of the line's value at no distance, %.4g Ohm, which cannot be told from nothing (± %.2g Ohm)", f.B[0], within))
			continue
		}
		value, b, err := Propagate(c.unit, Level95, inputs, func(x []float64) (float64, error) { return c.f(x), nil }, Correlation{0, 1, f.Correlation(0, 1)})
		if err != nil {
			return nil, err
		}
		l.add(o.figure(meaning{c.name, c.flavour, c.unit, c.definition, source}, value, b, Given{"R squared", f.R2, "1"}))
	}
	return l.done()
}

// Heated is a resistance at a measuring current, with the standard uncertainty of each.
type Heated struct{ R, Current, U float64 }

// SelfHeating extrapolates the resistance at two currents to no power, and says how warm
// the larger current makes the film: temperature rise, dissipation factor and its
// inverse. tcr is relative to R at no power, in 1/K. A gain error of the meter cancels.
func SelfHeating(o Origin, low, high Heated, tcr, uTCR float64) ([]Figure, error) {
	if low.Current*low.Current >= high.Current*high.Current || tcr == 0 {
		return nil, fmt.Errorf("%s: self-heating needs a second, larger current (%.6g A after %.6g A) and a temperature coefficient (%.6g)", o.Channel, high.Current, low.Current, tcr)
	}
	inputs := []Input{{Name: "R at the smaller current", Value: low.R, Unit: "Ohm", U: low.U, Type: "A"}, {Name: "R at the larger current", Value: high.R, Unit: "Ohm", U: high.U, Type: "A"},
		{Name: "temperature coefficient", Value: tcr, Unit: "1/K", U: uTCR, Type: "A"}}
	p := func(h Heated, r float64) float64 { return h.Current * h.Current * r }
	slope := func(x []float64) float64 { return (x[1] - x[0]) / (p(high, x[1]) - p(low, x[0])) }
	r0 := func(x []float64) float64 { return x[0] - p(low, x[0])*slope(x) }
	rise := func(x []float64) float64 { return (x[1] - r0(x)) / (r0(x) * x[2]) }
	seen := true
	var l list
	for _, c := range [...]struct {
		name, flavour, unit, definition string
		f                               func(x []float64) float64
	}{
		{"self_heating", "resistance per power", "Ohm/W", "(R2 - R1)/(P2 - P1)", slope},
		{"r0", "no power", "Ohm", "R1 - P1 (R2 - R1)/(P2 - P1)", r0},
		{"self_heating", "temperature rise", "K", "(R2 - R0)/(R0 tcr) at the larger current, R0 the resistance at no power", rise},
		{"self_heating", "dissipation factor", "W/K", "power over temperature rise at the larger current", func(x []float64) float64 { return p(high, x[1]) / rise(x) }},
		{"self_heating", "temperature rise per power", "K/mW", "temperature rise over power at the larger current", func(x []float64) float64 { return rise(x) / p(high, x[1]) / 1000 }},
	} {
		value, b, err := Propagate(c.unit, Level95, inputs, func(x []float64) (float64, error) { return c.f(x), nil })
		if err != nil {
			return nil, err
		}
		if c.flavour == "temperature rise" && math.Abs(value) <= b.Expanded {
			seen = false
		}
		if c.flavour == "dissipation factor" && !seen {
			l.skip("self_heating, dissipation factor", errors.New("the temperature rise does not stand out of its uncertainty: power over it may be anything"))
			continue
		}
		l.add(o.figure(meaning{c.name, c.flavour, c.unit, c.definition, "after IEC 60751:2008, 6.4.3, and IEC 60539-1"}, value, b, Given{"larger current", high.Current, "A"}))
	}
	return l.done()
}
