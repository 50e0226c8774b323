package figures

import (
	"fmt"
	"math"
	"slices"
)

// Curve is resistance at settled temperatures, one value a plateau (or a row).
type Curve struct {
	Origin
	T, R   []float64 // degC, Ohm
	UT, UR []float64 // standard uncertainties of each point, independent from point to point; nil when not known
	DoF    []float64 // degrees of freedom of UR; nil: infinite
	Common []Common  // what is uncertain in the same way for all points

	HalfDigit float64 // K: what of UT is rounding to the digits of a display, a bound; 0 for none

	pooled bool // UR is one estimate for all points, with DoF[0]
}

// Kind is how a common error acts on the points of a curve.
type Kind uint8

const (
	TemperatureOffset Kind = iota // K added to every temperature
	TemperatureGain               // share of the distance from Pivot, in K/K: a thermometer's scale, heat lost between plate and film
	TemperatureShare              // share of what Within allows at each temperature: a thermometer somewhere in its class
	ResistanceOffset              // Ohm added to every resistance: leads, contacts
	ResistanceGain                // share of every resistance, in Ohm/Ohm: a meter's scale
	ResistanceShape               // Per times the error added to each resistance: a correction known only in common
)

// Common is an error shared by all points. It cancels wherever only differences or
// ratios matter; that is why it is not part of UT and UR.
type Common struct {
	Name   string
	Kind   Kind
	U      float64                    // standard uncertainty, in the unit of the kind
	Pivot  float64                    // degC where a TemperatureGain has no effect
	Per    []float64                  // Ohm, of a ResistanceShape
	Within func(degC float64) float64 // K, of a TemperatureShare: the bound there
	DoF    float64                    // 0: infinite
	Says   string                     // where it is known from

	Bounded    bool // rectangular: never further off than √3 U
	Instrument bool // an instrument's own: the same in another run with it
}

var kindUnits = [...]string{"K", "K/K", "1", "Ohm", "Ohm/Ohm", "1"}

// apply changes copies of the points by one value of the error.
func (e Common) apply(t, r []float64, by float64) {
	for i := range t {
		switch e.Kind {
		case TemperatureOffset:
			t[i] += by
		case TemperatureGain:
			t[i] += by * (t[i] - e.Pivot)
		case TemperatureShare:
			t[i] += by * e.Within(t[i])
		case ResistanceOffset:
			r[i] += by
		case ResistanceGain:
			r[i] += by * r[i]
		case ResistanceShape:
			r[i] += by * e.Per[i]
		}
	}
}

// OnFilm is a curve whose temperatures were read on the plate, brought to those of a film
// on it: heat lost to the air keeps the film below the plate by a share of its distance
// from the air, of which only bounds are known. The middle is corrected, and the rest
// becomes an error common to all points: it costs the slope as much as it costs the
// temperature. A thermometer on the film needs none of this.
func (c Curve) OnFilm(air, least, most float64) (Curve, error) {
	if !(least >= 0 && most >= least && most < 1) {
		return c, fmt.Errorf("%s: heat lost on the way to the film keeps it %.6g to %.6g of the way back to the air: expected two shares, the lesser first", c.Channel, least, most)
	}
	share := (least + most) / 2
	t := slices.Clone(c.T)
	for i := range t {
		t[i] -= share * (t[i] - air)
	}
	c.T = t
	c.Common = append(slices.Clone(c.Common), Common{Name: "plate to film", Kind: TemperatureGain, Pivot: air,
		U: Rectangular((most-least)/2) / (1 - share), Bounded: true, Says: fmt.Sprintf("film %.3g to %.3g of the way back to the air at %.4g degC", least, most, air)})
	return c, nil
}

// nearEnough is how far a point may lie from the temperature it is taken for. Common
// practice, no source; the point's own temperature is used in every formula.
const nearEnough = 1.0 // K

// check says what keeps points from being a curve of at least n points.
func (c Curve) check(n int) error {
	if len(c.T) != len(c.R) || c.UT != nil && len(c.UT) != len(c.T) || c.UR != nil && len(c.UR) != len(c.T) || c.DoF != nil && len(c.DoF) != len(c.T) {
		return fmt.Errorf("%s: %d temperatures, %d resistances, and %d, %d, %d uncertainties and degrees of freedom do not belong together",
			c.Channel, len(c.T), len(c.R), len(c.UT), len(c.UR), len(c.DoF))
	}
	if len(c.T) < n {
		return fmt.Errorf("%s: %d points are too few, at least %d are needed", c.Channel, len(c.T), n)
	}
	if err := fittable(c.T, c.R); err != nil {
		return fmt.Errorf("%s: %w", c.Channel, err)
	}
	for _, e := range c.Common {
		if e.Kind == ResistanceShape && len(e.Per) != len(c.T) || !(e.U >= 0) {
			return fmt.Errorf("%s: %s has %d effects on %d points, and u = %.6g", c.Channel, e.Name, len(e.Per), len(c.T), e.U)
		}
		if e.Kind == TemperatureShare && e.Within == nil {
			return fmt.Errorf("%s: %s is a share of no bound", c.Channel, e.Name)
		}
	}
	for i := range c.T {
		if c.UT != nil && !(c.UT[i] >= 0 && c.UT[i] < math.MaxFloat64) || c.UR != nil && !(c.UR[i] >= 0 && c.UR[i] < math.MaxFloat64) {
			return fmt.Errorf("%s: point %d has no uncertainty that can be used", c.Channel, i+1)
		}
	}
	if low, high := extremes(c.T); n > 1 && !(high > low) {
		return fmt.Errorf("%s: the temperature is %.6g degC at all %d points: nothing can be said about its effect", c.Channel, low, len(c.T))
	}
	return nil
}

func extremes(x []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

// withScatter gives points of unknown uncertainty the scatter about a polynomial. Where
// the curve does not follow the polynomial, that is scatter too.
func (c Curve) withScatter(degree int) (Curve, error) {
	if c.UR != nil {
		return c, nil
	}
	f, err := PolynomialFit(c.T, c.R, degree)
	if err != nil {
		return c, fmt.Errorf("%s: %w", c.Channel, err)
	}
	if f.DoF < 1 {
		return c, fmt.Errorf("%s: %d points and no uncertainty of their resistances: nothing says how far to trust them; give the uncertainty, or more points",
			c.Channel, len(c.T))
	}
	c.UR, c.UT, c.pooled = make([]float64, len(c.T)), nil, true // the scatter holds that of the temperatures too
	c.DoF = make([]float64, len(c.T))
	for i := range c.UR {
		c.UR[i], c.DoF[i] = f.S, float64(f.DoF)
	}
	return c, nil
}

// function is what is computed from the points of a curve, several the numbers of one
// computation.
type (
	function func(t, r []float64) (float64, error)
	several  func(t, r []float64) ([]float64, error)
)

// figure computes a function of the points and its budget: the points' own
// uncertainties, each kind in one line, then the common ones.
func (c Curve) figure(m meaning, f function, with ...Given) (Figure, error) {
	values, budgets, err := c.propagate(m.unit, func(t, r []float64) ([]float64, error) {
		v, err := f(t, r)
		return []float64{v}, err
	})
	if err != nil {
		return Figure{}, fmt.Errorf("%s (%s) of %s: %w", m.figure, m.flavour, c.Channel, err)
	}
	return c.Origin.figure(m, values[0], budgets[0], with...)
}

// propagate computes numbers from the points, and a budget for each.
func (c Curve) propagate(unit string, f several) ([]float64, []Budget, error) {
	values, err := f(c.T, c.R)
	if err != nil {
		return nil, nil, err
	}
	effects, err := c.effects(len(values), f)
	if err != nil {
		return nil, nil, err
	}
	budgets := make([]Budget, len(values))
	for k := range budgets {
		var inputs []Input
		for _, e := range effects {
			inputs = append(inputs, e.input(k, unit))
		}
		if budgets[k], err = Combine(unit, Level95, inputs); err != nil {
			return nil, nil, err
		}
	}
	return values, budgets, nil
}

// effect is what one line of a budget makes of numbers that are computed together.
type effect struct {
	Input             // without sensitivity
	own   bool        // independent from point to point
	on    [][]float64 // by independent error, then by number: what one standard uncertainty makes
	dof   []float64   // of each such error; nil where Input's are those of all
}

// input is the line in the budget of number k.
func (e effect) input(k int, unit string) Input {
	in := e.Input
	if !e.own {
		if in.U > 0 {
			in.Sensitivity = e.on[0][k] / in.U
		}
		return in
	}
	in.Unit, in.Sensitivity = unit, 1
	total, spent := 0., 0.
	for i, on := range e.on {
		v := on[k] * on[k]
		if total += v; e.dof != nil && e.dof[i] > 0 {
			spent += v * v / e.dof[i]
		}
		if in.Bounded {
			in.each = append(in.each, on[k])
		}
	}
	in.U = math.Sqrt(total)
	if spent > 0 && in.DoF == 0 {
		in.DoF = total * total / spent
	}
	return in
}

// effects are the lines of the budgets of numbers computed from the points.
func (c Curve) effects(numbers int, f several) (all []effect, err error) {
	n := len(c.T)
	if c.UT != nil {
		bounded := Rectangular(c.HalfDigit)
		apart := func(u float64) float64 { return math.Sqrt(max(0, u*u-bounded*bounded)) }
		e := effect{Input: Input{Name: fmt.Sprintf("temperatures, each of %d", n), Type: "A"}, own: true}
		digits := effect{Input: Input{Name: fmt.Sprintf("digits of temperatures, each of %d", n), Type: "B", Bounded: true, Says: "half a digit, rectangular"}, own: true}
		per, err := c.perPoint(numbers, f, c.UT, false)
		if err != nil {
			return nil, err
		}
		for i, on := range per {
			e.on = append(e.on, scaled(on, apart(c.UT[i])))
			digits.on = append(digits.on, scaled(on, min(bounded, c.UT[i])))
		}
		if all = append(all, e); bounded > 0 {
			all = append(all, digits)
		}
	}
	if c.UR != nil {
		e := effect{Input: Input{Name: fmt.Sprintf("resistances, each of %d", n), Type: "A"}, own: true, dof: c.DoF}
		if c.pooled {
			e.Name, e.DoF = fmt.Sprintf("scatter of %d points", n), c.DoF[0]
		}
		per, err := c.perPoint(numbers, f, c.UR, true)
		if err != nil {
			return nil, err
		}
		for i, on := range per {
			e.on = append(e.on, scaled(on, c.UR[i]))
		}
		all = append(all, e)
	}
	for _, e := range c.Common {
		slopes, err := differences(numbers, e.U, func(by float64) ([]float64, error) {
			t, r := slices.Clone(c.T), slices.Clone(c.R)
			e.apply(t, r, by)
			return f(t, r)
		})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", e.Name, err)
		}
		all = append(all, effect{Input: Input{Name: e.Name, Unit: kindUnits[e.Kind], U: e.U, Type: "B", DoF: e.DoF, Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument},
			on: [][]float64{scaled(slopes, e.U)}})
	}
	return all, nil
}

func scaled(x []float64, by float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v * by
	}
	return y
}

// perPoint is, for each point, by how much each number changes per its temperature or its
// resistance.
func (c Curve) perPoint(numbers int, f several, u []float64, resistances bool) (per [][]float64, err error) {
	t, r := slices.Clone(c.T), slices.Clone(c.R)
	x := t
	if resistances {
		x = r
	}
	for i := range x {
		old := x[i]
		slopes, err := differences(numbers, u[i], func(by float64) ([]float64, error) {
			x[i] = old + by
			return f(t, r)
		})
		x[i] = old
		if err != nil {
			return nil, fmt.Errorf("point %d: %w", i+1, err)
		}
		per = append(per, slopes)
	}
	return per, nil
}

// differences is half the change of each number between plus and minus u, per u.
func differences(numbers int, u float64, f func(by float64) ([]float64, error)) ([]float64, error) {
	slopes := make([]float64, numbers)
	if u == 0 {
		return slopes, nil
	}
	above, err := f(u)
	if err != nil {
		return nil, err
	}
	below, err := f(-u)
	if err != nil {
		return nil, err
	}
	for k := range slopes {
		slopes[k] = (above[k] - below[k]) / (2 * u)
	}
	return slopes, nil
}

// nearest is the point measured closest to a temperature, if it is close.
func (c Curve) nearest(t float64) (int, error) {
	best := 0
	for i, v := range c.T {
		if math.Abs(v-t) < math.Abs(c.T[best]-t) {
			best = i
		}
	}
	if math.Abs(c.T[best]-t) > nearEnough {
		return 0, fmt.Errorf("%s: no point within %.4g K of %.6g degC, the nearest is at %.6g degC", c.Channel, nearEnough, t, c.T[best])
	}
	return best, nil
}

// lineAt, quadraticAt are the values of fits of R against T - at, at at: [0] is the
// resistance there, [1] the slope.
func lineAt(t, r []float64, at float64) (Fit, error)      { return PolynomialFit(shifted(t, at), r, 1) }
func quadraticAt(t, r []float64, at float64) (Fit, error) { return PolynomialFit(shifted(t, at), r, 2) }

func shifted(t []float64, by float64) []float64 {
	x := make([]float64, len(t))
	for i, v := range t {
		x[i] = v - by
	}
	return x
}

// R0 is the resistance at a temperature: as measured there, if a point is near, and from
// fits. Which one is meant changes what is computed relative to it.
func R0(c Curve, at float64) ([]Figure, error) {
	if err := c.check(1); err != nil {
		return nil, err
	}
	var l list
	const own = "common definition, no standard"
	if i, err := c.nearest(at); err == nil {
		l.add(c.measured(i, meaning{"r0", "measured", "Ohm",
			"resistance of the point measured nearest to the temperature asked for, at the point's own temperature, which is stated", own},
			Given{"temperature", c.T[i], "degC"}))
	} else {
		l.skip("r0, measured", err)
	}
	for degree, flavour := range []string{1: "fitted line", 2: "fitted quadratic"} {
		if flavour == "" {
			continue
		}
		full, err := c.withScatter(degree)
		if err == nil {
			err = c.check(2)
		}
		if err != nil || len(c.T) <= degree {
			l.skip("r0, "+flavour, err)
			continue
		}
		if f, err := PolynomialFit(shifted(c.T, at), c.R, degree); err == nil && !(f.B[0] > 0) {
			l.skip("r0, "+flavour, belowZero(f.B[0]))
			continue
		}
		l.add(full.figure(meaning{"r0", flavour, "Ohm", "value at the stated temperature of the least-squares " + flavour[7:] + " of resistance against temperature", own},
			func(t, r []float64) (float64, error) {
				f, err := PolynomialFit(shifted(t, at), r, degree)
				if err != nil {
					return 0, err
				}
				return f.B[0], nil
			}, Given{"temperature", at, "degC"}))
	}
	return l.done()
}

// belowZero says that R0 is what no specimen has.
func belowZero(r0 float64) error {
	return fmt.Errorf("R0 comes to %.6g Ohm, no resistance of a specimen: too far from the points, or units mixed in a column?", r0)
}

// measured is one point's resistance, at the temperature its point has: what is
// uncertain in the temperature counts with the slope there.
func (c Curve) measured(i int, m meaning, with ...Given) (Figure, error) {
	degree := max(0, min(2, len(c.T)-2))
	if c.UR != nil { // no scatter is needed to trust the points: two tell a slope
		degree = min(2, len(c.T)-1)
	}
	full, err := c.withScatter(degree)
	if err != nil {
		return Figure{}, err
	}
	stated := c.T[i]
	return full.figure(m, func(t, r []float64) (float64, error) {
		f, err := PolynomialFit(shifted(t, stated), r, degree)
		if err != nil {
			return 0, err
		}
		value := r[i]
		for k := degree; k >= 1; k-- {
			value -= f.B[k] * math.Pow(t[i]-stated, float64(k))
		}
		return value, nil
	}, with...)
}

// list gathers figures; what could not be computed is an error only when nothing could.
type list struct {
	figures []Figure
	first   error
	skipped []string
}

func (l *list) add(f Figure, err error) {
	if err != nil {
		l.skip(f.Figure, err)
		return
	}
	l.figures = append(l.figures, f)
}

func (l *list) skip(what string, err error) {
	if err != nil {
		l.skipped = append(l.skipped, fmt.Sprintf("not given: %s: %v", what, err))
		if l.first == nil {
			l.first = err
		}
	}
}

// done hands out the figures. The first says what is missing beside it.
func (l *list) done() ([]Figure, error) {
	if len(l.figures) == 0 {
		return nil, l.first
	}
	for _, s := range l.skipped {
		l.figures[0] = l.figures[0].Note("%s", s)
	}
	return l.figures, nil
}
