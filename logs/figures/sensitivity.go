package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Sensitivity is the relative change of resistance per kelvin, in %/K, in the five
// flavours in use: they differ in what the change is relative to, by up to a fifth. at is
// the temperature of R0, in degC.
func Sensitivity(c Curve, at float64) ([]Figure, error) {
	if err := c.check(2); err != nil {
		return nil, err
	}
	var l list
	full, err := c.withScatter(1)
	if err != nil {
		return nil, err
	}
	first, last := ends(c.T)
	const source = "trade papers, no standard; the five flavours are common practice"
	add := func(flavour, definition string, f function, with ...Given) {
		given, err := full.figure(meaning{"sensitivity", flavour, "%/K", definition, source}, f, with...)
		if err != nil {
			l.skip("sensitivity, "+flavour, err)
			return
		}
		l.add(given, nil)
	}
	add("end points over R at the lowest temperature", "100 (R2 - R1) / (R1 (T2 - T1)), 1 the point of lowest temperature, 2 that of the highest",
		func(t, r []float64) (float64, error) {
			return 100 * (r[last] - r[first]) / (r[first] * (t[last] - t[first])), nil
		}, Given{"T1", c.T[first], "degC"}, Given{"T2", c.T[last], "degC"})
	over := func(base func(f Fit, t, r []float64) float64) function {
		return func(t, r []float64) (float64, error) {
			f, err := lineAt(t, r, at)
			if err != nil {
				return 0, err
			}
			r0 := base(f, t, r)
			if !(r0 > 0) {
				return 0, belowZero(r0)
			}
			return 100 * f.B[1] / r0, nil
		}
	}
	slope := "slope of the least-squares line of R against T, 100 b / R0, "
	if i, err := c.nearest(at); err == nil {
		add("fitted slope over measured R0", slope+"R0 the resistance measured nearest to the stated temperature",
			over(func(_ Fit, _, r []float64) float64 { return r[i] }), Given{"temperature", c.T[i], "degC"})
	} else {
		l.skip("sensitivity, fitted slope over measured R0", err)
	}
	add("fitted slope over fitted R0", slope+"R0 the line's value at the stated temperature",
		over(func(f Fit, _, _ []float64) float64 { return f.B[0] }), Given{"temperature", at, "degC"})
	add("fitted slope over fitted R at 0 degC", slope+"R0 the line's value at 0 degC",
		over(func(f Fit, _, _ []float64) float64 { return f.B[0] - at*f.B[1] }), Given{"temperature", 0, "degC"})
	add("fitted slope over mean R", slope+"R0 the mean of all resistances of the fit",
		over(func(_ Fit, _, r []float64) float64 { return MomentsOf(r).Mean }))
	return l.done()
}

// ends are the points of lowest and highest temperature.
func ends(t []float64) (first, last int) {
	for i, v := range t {
		if v < t[first] {
			first = i
		}
		if v > t[last] {
			last = i
		}
	}
	return first, last
}

// TCR is the temperature coefficient of resistance in 1/K: the chord between the points
// nearest to t1 and t2, relative to R at t1, and the local one of a quadratic through
// all points, at each temperature of at.
func TCR(c Curve, t1, t2 float64, at ...float64) ([]Figure, error) {
	if err := c.check(2); err != nil {
		return nil, err
	}
	var l list
	if f, err := c.chord(t1, t2); err != nil {
		l.skip("tcr, chord", err)
	} else {
		l.add(f, nil)
	}
	full, err := c.withScatter(2)
	if err == nil && len(c.T) < 3 {
		err = fmt.Errorf("%s: a quadratic needs 3 points, there are %d", c.Channel, len(c.T))
	}
	if err != nil {
		l.skip("tcr, local", err)
		return l.done()
	}
	for _, place := range at {
		l.add(full.figure(meaning{"tcr", "local", "1/K", "(1/R) dR/dT at the stated temperature, of the least-squares quadratic of R against T",
			"textbook definition of the temperature coefficient"},
			func(t, r []float64) (float64, error) {
				f, err := quadraticAt(t, r, place)
				if err != nil {
					return 0, err
				}
				return f.B[1] / f.B[0], nil
			}, Given{"temperature", place, "degC"}))
	}
	return l.done()
}

func (c Curve) chord(t1, t2 float64) (Figure, error) {
	i, err := c.nearest(t1)
	if err != nil {
		return Figure{}, err
	}
	j, err := c.nearest(t2)
	if err != nil {
		return Figure{}, err
	}
	full, err := c.withScatter(max(1, min(2, len(c.T)-2)))
	if err != nil {
		return Figure{}, err
	}
	return full.figure(meaning{"tcr", "chord", "1/K", "(R2 - R1) / (R1 (T2 - T1)) of the points nearest to the two stated temperatures",
		"IEC 60751, where T1 is 0 degC and T2 is 100 degC; metal-film practice (after IEC 60115-1)"},
		func(t, r []float64) (float64, error) { return (r[j] - r[i]) / (r[i] * (t[j] - t[i])), nil },
		Given{"T1", c.T[i], "degC"}, Given{"T2", c.T[j], "degC"})
}

// Slope is the relative slope, in 1/K, of a thermistor of constant b (K) at t (degC).
func Slope(b, t float64) float64 { return -b / ((t + zeroCelsius) * (t + zeroCelsius)) }

// zeroCelsius is 0 degC in kelvin, exactly (SI).
const zeroCelsius = 273.15

// BValue is the constant of R = R1 exp(B(1/T - 1/T1)), T in kelvin: from the points
// nearest to t1 and t2, and fitted to all points.
func BValue(c Curve, t1, t2 float64) ([]Figure, error) {
	if err := c.check(2); err != nil {
		return nil, err
	}
	for i, r := range c.R {
		if !(r > 0) || !(c.T[i] > -zeroCelsius) {
			return nil, fmt.Errorf("%s: point %d (%.6g degC, %.6g Ohm) has no logarithm or is below absolute zero", c.Channel, i+1, c.T[i], r)
		}
	}
	var l list
	const source = "IEC 60539-1 (formula)"
	i, err := c.nearest(t1)
	j, err2 := c.nearest(t2)
	if err == nil {
		err = err2
	}
	full, err3 := c.withScatterOfLogs()
	if err == nil {
		err = err3
	}
	if err != nil {
		l.skip("b_value, two points", err)
	} else {
		l.add(full.figure(meaning{"b_value", "two points", "K", "ln(R1/R2) / (1/T1 - 1/T2) of the points nearest to the two stated temperatures, T in kelvin", source},
			func(t, r []float64) (float64, error) {
				return math.Log(r[i]/r[j]) / (1/(t[i]+zeroCelsius) - 1/(t[j]+zeroCelsius)), nil
			}, Given{"T1", c.T[i], "degC"}, Given{"T2", c.T[j], "degC"}))
	}
	if err3 != nil || len(c.T) < 3 {
		l.skip("b_value, fitted", err3)
		return l.done()
	}
	l.add(full.figure(meaning{"b_value", "fitted", "K", "slope of the least-squares line of ln R against 1/T, T in kelvin, all points alike", source + ", fitted"},
		func(t, r []float64) (float64, error) {
			f, err := logFit(t, r)
			if err != nil {
				return 0, err
			}
			return f.B[1], nil
		}))
	return l.done()
}

func logFit(t, r []float64) (Fit, error) {
	x, y := make([]float64, len(t)), make([]float64, len(t))
	for i := range t {
		x[i], y[i] = 1/(t[i]+zeroCelsius), math.Log(r[i])
	}
	return LineFit(x, y)
}

// withScatterOfLogs is withScatter about the exponential law.
func (c Curve) withScatterOfLogs() (Curve, error) {
	if c.UR != nil {
		return c, nil
	}
	f, err := logFit(c.T, c.R)
	if err != nil {
		return c, err
	}
	if f.DoF < 1 {
		return c.withScatter(1) // says what is missing
	}
	c.UR, c.DoF, c.UT, c.pooled = make([]float64, len(c.R)), make([]float64, len(c.R)), nil, true
	for i, r := range c.R {
		c.UR[i], c.DoF[i] = r*f.S, float64(f.DoF)
	}
	return c, nil
}

// SteinhartHart fits 1/T = a + b ln R + c (ln R)³, T in kelvin, R in Ohm (Steinhart and
// Hart, Deep-Sea Res. 15 (1968) 497, from memory), to all points by least squares in 1/T.
// Three points are met exactly.
func SteinhartHart(t, r []float64) (Fit, error) {
	one, x, cube, y := make([]float64, len(t)), make([]float64, len(t)), make([]float64, len(t)), make([]float64, len(t))
	if len(t) != len(r) {
		return Fit{}, fmt.Errorf("%d temperatures and %d resistances", len(t), len(r))
	}
	for i := range t {
		one[i], x[i], y[i] = 1, math.Log(r[i]), 1/(t[i]+zeroCelsius)
		cube[i] = x[i] * x[i] * x[i]
	}
	return LinearFit(y, one, x, cube)
}

// SteinhartHartFigures are the three constants with their uncertainties. They are
// strongly correlated: a temperature's uncertainty does not follow from these alone.
func SteinhartHartFigures(c Curve) ([]Figure, error) {
	if err := c.check(3); err != nil {
		return nil, err
	}
	full, err := c.withScatterOfLogs()
	if err != nil {
		return nil, err
	}
	var l list
	for k, name := range [...]string{"a", "b", "c"} {
		f, err := full.figure(meaning{"steinhart_hart_" + name, "least squares", "1/K",
			name + " of 1/T = a + b ln(R/Ohm) + c ln(R/Ohm)³, T in kelvin, fitted in 1/T to all points alike", "Steinhart and Hart 1968"},
			func(t, r []float64) (float64, error) {
				f, err := SteinhartHart(t, r)
				if err != nil {
					return 0, err
				}
				return f.B[k], nil
			})
		l.add(f.Note("the three constants are strongly correlated; use the fit, not these uncertainties, for a temperature"), err)
	}
	return l.done()
}

// InversePrediction is the temperature that a resistance stands for on the least-squares
// line of a curve, the resistance being the mean of m readings that scatter as the points
// do about the line: what curvature is left is scatter too. Errors of the meter act on the
// points and on the readings alike.
func InversePrediction(c Curve, reading float64, m int) (Figure, error) {
	if err := c.check(3); err != nil {
		return Figure{}, err
	}
	f, err := LineFit(c.T, c.R)
	if err != nil || f.B[1] == 0 {
		return Figure{}, errors.Join(err, fmt.Errorf("%s: no slope leads from a resistance back to a temperature", c.Channel))
	}
	value := (reading - f.B[0]) / f.B[1]
	_, line := f.At(1, value)
	inputs := []Input{{Name: fmt.Sprintf("scatter of %d points about the line", len(c.T)), Value: value, Unit: "K",
		U: math.Hypot(f.S/math.Sqrt(float64(m)), line) / math.Abs(f.B[1]), Type: "A", DoF: float64(f.DoF), Sensitivity: 1}}
	for _, e := range c.Common {
		slopes, err := differences(1, e.U, func(by float64) ([]float64, error) {
			t, r, read := slices.Clone(c.T), slices.Clone(c.R), []float64{reading}
			e.apply(t, r, by)
			if e.Kind == ResistanceOffset || e.Kind == ResistanceGain {
				e.apply([]float64{0}, read, by)
			}
			f, err := LineFit(t, r)
			if err != nil {
				return nil, err
			}
			return []float64{(read[0] - f.B[0]) / f.B[1]}, nil
		})
		if err != nil {
			return Figure{}, fmt.Errorf("%s: %w", e.Name, err)
		}
		inputs = append(inputs, Input{Name: e.Name, Unit: kindUnits[e.Kind], U: e.U, Type: "B", DoF: e.DoF, Sensitivity: slopes[0], Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument})
	}
	b, err := Combine("K", Level95, inputs)
	if err != nil {
		return Figure{}, err
	}
	return c.Origin.figure(meaning{"inverse_prediction", fmt.Sprintf("fitted line, mean of %d", m), "degC",
		"(y - a)/b, the temperature that the mean y of so many readings stands for on the least-squares line R = a + b T of all points",
		"textbook inverse prediction (calibration)"}, value, b, Given{"reading", reading, "Ohm"})
}
