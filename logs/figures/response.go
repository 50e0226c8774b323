package figures

import (
	"errors"
	"fmt"
	"math"
)

// Transient is a reading through one step, from before it until it has settled.
type Transient struct {
	Origin
	Name string    // "response", or "recovery" for the way back
	Unit string    // of Y
	Time []float64 // s, increasing
	Y    []float64

	Start         float64 // s, when the step began
	Base, Final   float64 // level before the step, and the settled one after it
	UBase, UFinal float64
	Noise         float64 // standard deviation of a reading
	UStart, UTime float64 // standard uncertainty of the start, and of a reading's time
}

func (tr Transient) check() error {
	if err := fittable(tr.Y, tr.Time); err != nil {
		return fmt.Errorf("%s: %w", tr.Channel, err)
	}
	for i := 1; i < len(tr.Time); i++ {
		if !(tr.Time[i] > tr.Time[i-1]) {
			return fmt.Errorf("%s: time stands still or runs back at reading %d (%.9g s after %.9g s)", tr.Channel, i+1, tr.Time[i], tr.Time[i-1])
		}
	}
	if len(tr.Y) < 3 || tr.Base == tr.Final || math.IsNaN(tr.Final-tr.Base) || !(tr.Start < tr.Time[len(tr.Time)-1]) {
		return fmt.Errorf("%s: a response needs 3 readings and a step within them (from %.6g to %.6g at %.6g s)", tr.Channel, tr.Base, tr.Final, tr.Start)
	}
	return nil
}

// crossing is the time of passing a level, by linear interpolation between readings.
// Where noise passes it several times it is the middle between first and last. spread is
// half the time between these; bend is a bound of what the straight line between readings
// is off, from the curvature of the readings.
func (tr Transient) crossing(fraction float64) (at, spread, bend float64, ok bool) {
	first, last := math.NaN(), 0.
	for i := 1; i < len(tr.Y); i++ {
		if tr.Time[i] <= tr.Start {
			continue
		}
		a, b := tr.share(i-1)-fraction, tr.share(i)-fraction
		if (a < 0) == (b < 0) || a == b {
			continue
		}
		t := tr.Time[i-1] + (tr.Time[i]-tr.Time[i-1])*(a/(a-b))
		if t < tr.Start {
			continue
		}
		if math.IsNaN(first) {
			first = t
		}
		last = t
		step := math.Abs(tr.Y[i] - tr.Y[i-1])
		curvature := 0.
		if i+1 < len(tr.Y) {
			curvature = math.Abs(tr.Y[i+1] - 2*tr.Y[i] + tr.Y[i-1])
		}
		if i >= 2 {
			curvature = max(curvature, math.Abs(tr.Y[i]-2*tr.Y[i-1]+tr.Y[i-2]))
		}
		bend = (tr.Time[i] - tr.Time[i-1]) * min(0.5, curvature/step/8)
	}
	return (first + last) / 2, (last - first) / 2, bend, !math.IsNaN(first)
}

// share is how much of the step reading i has done: 0 at the base, 1 when settled.
func (tr Transient) share(i int) float64 { return (tr.Y[i] - tr.Base) / (tr.Final - tr.Base) }

// passing is a crossing with its budget, counted from the start of the step.
func (tr Transient) passing(fraction float64) (seconds float64, inputs []Input, err error) {
	at, spread, bend, ok := tr.crossing(fraction)
	if !ok {
		return 0, nil, fmt.Errorf("%s: the readings never pass %.1f %% of the step from %.6g to %.6g", tr.Channel, 100*fraction, tr.Base, tr.Final)
	}
	rate, err := tr.rate(fraction, at)
	if err != nil {
		return 0, nil, err
	}
	return at - tr.Start, []Input{
		{Name: "level before the step", Value: tr.Base, Unit: tr.Unit, U: tr.UBase, Type: "A", Sensitivity: (1 - fraction) / rate},
		{Name: "settled level", Value: tr.Final, Unit: tr.Unit, U: tr.UFinal, Type: "A", Sensitivity: fraction / rate},
		{Name: "noise of a reading", Unit: tr.Unit, U: tr.Noise, Type: "A", Sensitivity: 1 / rate},
		{Name: "several crossings", Unit: "s", U: Rectangular(spread), Type: "B", Sensitivity: 1, Bounded: true, Says: "half the time between the first and the last"},
		{Name: "straight line between readings", Unit: "s", U: Rectangular(bend), Type: "B", Sensitivity: 1, Bounded: true, Says: "bound from their curvature"},
		{Name: "time of a reading", Value: at, Unit: "s", U: tr.UTime, Type: "B", Sensitivity: 1, Bounded: true},
		{Name: "start of the step", Value: tr.Start, Unit: "s", U: tr.UStart, Type: "B", Sensitivity: -1},
	}, nil
}

// Response is the times after the start of a step at which 10, 50, 63.2 (1-1/e), 90, 95
// and 99 % of it are done, interpolated between readings, and the rise from 10 to 90 %.
// A fast response sampled slowly comes out a little late; the bound is in the budget.
func Response(tr Transient) ([]Figure, error) {
	if err := tr.check(); err != nil {
		return nil, err
	}
	var l list
	levels := []Given{{"level before", tr.Base, tr.Unit}, {"settled level", tr.Final, tr.Unit}}
	const source = "after IEC 60751, 6.5.2, and IEC 60539-1 (63.2 %)"
	for _, c := range [...]struct {
		name     string
		fraction float64
	}{{"t10", 0.1}, {"t50", 0.5}, {"t63", 1 - 1/math.E}, {"t90", 0.9}, {"t95", 0.95}, {"t99", 0.99}} {
		name := tr.Name + "_" + c.name
		seconds, inputs, err := tr.passing(c.fraction)
		var b Budget
		if err == nil {
			b, err = Combine("s", Level95, inputs)
		}
		if err != nil {
			l.skip(name, err)
			continue
		}
		l.add(tr.figure(meaning{name, "interpolated", "s", fmt.Sprintf("time from the start of the step until %.5g %% of it are done, linear between readings", 100*c.fraction), source},
			seconds, b, levels...))
	}
	f, err := tr.rise()
	if err != nil {
		l.skip(tr.Name+"_rise", err)
	} else {
		l.add(f, nil)
	}
	return l.done()
}

// rate is how fast the step passes a level, per second: below the middle from the
// crossings beside it, above it as if the approach were exponential from the crossing
// 30 % lower on. Of a straight approach the latter is too slow, which errs to the safe
// side.
func (tr Transient) rate(fraction, at float64) (float64, error) {
	if fraction <= 0.5 {
		d := min(0.1, fraction/2)
		before, _, _, seen := tr.crossing(fraction - d)
		if !seen {
			before = tr.Start
		}
		if after, _, _, ok := tr.crossing(fraction + d); ok && after > before {
			return 2 * d * (tr.Final - tr.Base) / (after - before), nil
		}
	} else if before, _, _, seen := tr.crossing(fraction - 0.3); seen && at > before {
		left := 1 - fraction
		return left * (tr.Final - tr.Base) * math.Log((left+0.3)/left) / (at - before), nil
	}
	return 0, fmt.Errorf("%s: the readings do not move through %.1f %% of the step: noise, or too few readings", tr.Channel, 100*fraction)
}

func (tr Transient) rise() (Figure, error) {
	low, inputs, err := tr.passing(0.1)
	if err != nil {
		return Figure{}, err
	}
	high, more, err := tr.passing(0.9)
	if err != nil {
		return Figure{}, err
	}
	for i := range inputs {
		if inputs[i].Name == more[i].Name && i < 2 || i == len(inputs)-1 { // one error for both ends
			inputs[i].Sensitivity = more[i].Sensitivity - inputs[i].Sensitivity
			continue
		}
		inputs[i].Name += ", 10 %"
		inputs[i].Sensitivity = -inputs[i].Sensitivity
		more[i].Name += ", 90 %"
		inputs = append(inputs, more[i])
	}
	b, err := Combine("s", Level95, inputs)
	if err != nil {
		return Figure{}, err
	}
	return tr.figure(meaning{tr.Name + "_rise", "10-90 %", "s", "time from 10 % to 90 % of the step, linear between readings", "common practice"}, high-low, b)
}

// Settling is the time after the start of the step from which on no reading is farther
// than band from the settled level, the last entry interpolated.
func Settling(tr Transient, band float64) (Figure, error) {
	if err := tr.check(); err != nil {
		return Figure{}, err
	}
	if !(band > 0) {
		return Figure{}, fmt.Errorf("%s: a band of ±%.6g to settle in", tr.Channel, band)
	}
	last := -1
	for i := range tr.Y {
		if math.Abs(tr.Y[i]-tr.Final) > band && tr.Time[i] > tr.Start {
			last = i
		}
	}
	if last == len(tr.Y)-1 {
		return Figure{}, fmt.Errorf("%s: the last reading, %.6g, is still more than %.6g from %.6g: it has not settled", tr.Channel, tr.Y[last], band, tr.Final)
	}
	if last < 1 {
		return Figure{}, fmt.Errorf("%s: all readings after %.6g s are within %.6g of %.6g: the settling is not seen", tr.Channel, tr.Start, band, tr.Final)
	}
	edge := tr.Final + math.Copysign(band, tr.Y[last]-tr.Final)
	dt, dy := tr.Time[last+1]-tr.Time[last], tr.Y[last+1]-tr.Y[last]
	at := tr.Time[last] + dt*(edge-tr.Y[last])/dy
	slow := math.Abs(dt / dy)
	b, err := Combine("s", Level95, []Input{
		{Name: "settled level", Value: tr.Final, Unit: tr.Unit, U: tr.UFinal, Type: "A", Sensitivity: slow},
		{Name: "noise of a reading", Unit: tr.Unit, U: tr.Noise, Type: "A", Sensitivity: slow},
		{Name: "between two readings", Unit: "s", U: Rectangular(dt / 2), Type: "B", Sensitivity: 1, Bounded: true},
		{Name: "time of a reading", Unit: "s", U: tr.UTime, Type: "B", Sensitivity: 1, Bounded: true},
		{Name: "start of the step", Unit: "s", U: tr.UStart, Type: "B", Sensitivity: -1}})
	if err != nil {
		return Figure{}, err
	}
	f, err := tr.figure(meaning{tr.Name + "_settling", "to a band", "s",
		"time from the start of the step after which every reading stays within the band about the settled level", "common practice"}, at-tr.Start, b,
		Given{"band, ±", band, tr.Unit}, Given{"settled level", tr.Final, tr.Unit})
	if tr.Noise > band/3 && err == nil {
		f = f.Note("the noise of a reading is no small part of the band: this time depends on how long one looks")
	}
	return f, err
}

// Fitted is the curve of the first-order fit at times of the record, from a fifth of the
// step on.
func (tr Transient) Fitted() (t, y []float64, err error) {
	fifth, fit, err := tr.firstOrder(fitFrom)
	if err != nil {
		return nil, nil, err
	}
	for _, at := range tr.Time {
		if since := at - tr.Start - fifth; since >= 0 {
			t, y = append(t, at), append(y, fit.B[0]-fit.B[1]*math.Exp(-since/fit.B[2]))
		}
	}
	return t, y, nil
}

// firstOrder is final, d and tau of the fit from a share of the step on, and when that is done.
func (tr Transient) firstOrder(share float64) (fifth float64, fit Fit, err error) {
	if err := tr.check(); err != nil {
		return 0, fit, err
	}
	fifth, _, err1 := tr.passing(share)
	half, _, err2 := tr.passing(0.5)
	ninety, _, err3 := tr.passing(0.9)
	if err := errors.Join(err1, err2, err3); err != nil {
		return 0, fit, err
	}
	var x, y []float64
	for i, t := range tr.Time {
		if t-tr.Start >= fifth {
			x, y = append(x, t-tr.Start-fifth), append(y, tr.Y[i])
		}
	}
	if len(y) < 6 {
		return 0, fit, fmt.Errorf("%s: %d readings after %.0f %% of the step are too few for a fit with 3 parameters", tr.Channel, len(y), 100*share)
	}
	fit, err = NonlinearFit(Pointwise(x, func(t float64, b []float64) float64 { return b[0] - b[1]*math.Exp(-t/b[2]) }), y,
		[]float64{tr.Final, (1 - share) * (tr.Final - tr.Base), (ninety - half) / math.Log(5)})
	if err != nil {
		return 0, fit, fmt.Errorf("%s: first-order fit: %w", tr.Channel, err)
	}
	return fifth, fit, nil
}

const (
	fitFrom  = 0.2 // share of a step from which on the first-order fit is taken
	laterFit = 0.8 // and from which on it is taken again, where the course is not of first order

	// A course is not of first order where readings are off the fitted curve by so many times
	// their noise, on one side for long: von Neumann ratio of the residuals below a quarter of
	// white noise's. Common practice, no source.
	beyondNoise, oneSided = 3., 0.5
)

// bent says of a course that is not of first order by how much, "" of one that may be.
func (tr Transient) bent(fit Fit) string {
	const rounding = 1e-6 // of the step: what the fit itself leaves
	ratio := ratioOrZero(fit.Residuals, MomentsOf(fit.Residuals))
	if fit.S <= max(beyondNoise*tr.Noise, rounding*math.Abs(tr.Final-tr.Base)) || ratio >= oneSided {
		return ""
	}
	return fmt.Sprintf("the course is not first order: readings are off the fitted curve by %.2g %s, their noise is %.2g %s (von Neumann ratio of the residuals %.2g, 2 for noise)", fit.S, tr.Unit, tr.Noise, tr.Unit, ratio)
}

// laterTau is by how much tau may be another one because the course is not of first order.
func (tr Transient) laterTau(fit Fit) (Input, error) {
	_, later, err := tr.firstOrder(laterFit)
	if err != nil {
		return Input{}, err
	}
	return Input{Name: "course not of first order", Unit: "s", U: Rectangular(math.Abs(later.B[2] - fit.B[2])), Type: "B", Says: "bound: the change of tau when fitted from four fifths of the step on"}, nil
}

// FirstOrder fits y = final - d exp(-(t - t20)/tau) to the readings from t20 on, when a
// fifth of the step is done: the onset, where the response has a bend and other shapes
// show, is left out. The delay is where the fitted curve meets the base; t63 is delay +
// tau, t90 delay + tau ln 10. Readings that are alike count for fewer. Where the response is
// not of first order, what the curve says of its own beginning is not given, and tau is as
// uncertain as it changes when more of that is left out.
func FirstOrder(tr Transient) ([]Figure, error) {
	fifth, fit, err := tr.firstOrder(fitFrom)
	if err != nil {
		return nil, err
	}
	bent := tr.bent(fit)
	widen := math.Sqrt(float64(len(fit.Residuals)) / EffectiveSize(fit.Residuals))
	inputs := []Input{{Name: "final, fitted"}, {Name: "d, fitted"}, {Name: "tau, fitted"}, {Name: "level before the step", Value: tr.Base, Unit: tr.Unit, U: tr.UBase, Type: "A"},
		{Name: "start of the step", Unit: "s", U: tr.UStart, Type: "B"}}
	for k, unit := range [...]string{tr.Unit, tr.Unit, "s"} {
		inputs[k].Value, inputs[k].U, inputs[k].Unit, inputs[k].Type = fit.B[k], widen*fit.U(k), unit, "A"
		inputs[k].DoF = max(1, float64(fit.DoF)/(widen*widen))
	}
	correlations := []Correlation{{0, 1, fit.Correlation(0, 1)}, {0, 2, fit.Correlation(0, 2)}, {1, 2, fit.Correlation(1, 2)}}
	if bent != "" {
		later, err := tr.laterTau(fit)
		if err != nil {
			return nil, err
		}
		inputs = append(inputs, later)
	}
	var l list
	for _, c := range [...]struct {
		name, definition string
		delays, taus     float64
	}{
		{"_tau", "tau of the fitted y = final - d exp(-t/tau), from a fifth of the step on", 0, 1},
		{"_delay", "time from the start of the step to where the fitted exponential meets the base", 1, 0},
		{"_t63", "delay + tau of the fitted first-order response with delay", 1, 1},
		{"_t90", "delay + tau ln 10 of the fitted first-order response with delay", 1, math.Ln10},
	} {
		if bent != "" && c.delays > 0 {
			continue
		}
		value, b, err := Propagate("s", Level95, inputs, func(p []float64) (float64, error) {
			if bent != "" {
				return p[2] + p[5], nil
			}
			share := p[1] / (p[0] - p[3])
			if !(share > 0) {
				return 0, errors.New("the fitted curve never meets the base")
			}
			return c.delays*(fifth+p[2]*math.Log(share)-p[4]) + c.taus*p[2], nil
		}, correlations...)
		if err != nil {
			l.skip(tr.Name+c.name, err)
			continue
		}
		l.add(tr.figure(meaning{tr.Name + c.name, "first-order fit", "s", c.definition, "common practice (first order plus delay)"}, value, b,
			Given{"residual standard deviation", fit.S, tr.Unit}, Given{"von Neumann ratio of the residuals", ratioOrZero(fit.Residuals, MomentsOf(fit.Residuals)), "1"}))
	}
	if bent != "" {
		l.skip(fmt.Sprintf("%[1]s_delay, %[1]s_t63, %[1]s_t90, first-order fit", tr.Name), errors.New("the course is not first order: the fitted curve says nothing of the beginning; how far off it is, is told with "+tr.Name+"_tau"))
		for i := range l.figures {
			l.figures[i] = l.figures[i].Note("%s", bent)
		}
	}
	return l.done()
}
