package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// branches joins the two directions in one curve, so that common errors stay common.
// Each value on the way down is reduced to the temperature of the nearest value on the
// way up, along the branch's own quadratic (a line for fewer than four points).
type branches struct {
	Curve
	up    int   // points 0 … up-1 are the way up
	pairs []int // for each point of the way up its partner on the way down, -1 for none
}

func joined(up, down Curve) (branches, error) {
	for _, c := range [...]Curve{up, down} {
		if err := c.check(2); err != nil {
			return branches{}, err
		}
		if c.UR == nil {
			return branches{}, fmt.Errorf("%s: hysteresis needs the uncertainty of the resistances, or noise passes for it", c.Channel)
		}
	}
	b := branches{Curve: up, up: len(up.T)}
	b.T, b.R, b.UR = slices.Concat(up.T, down.T), slices.Concat(up.R, down.R), slices.Concat(up.UR, down.UR)
	if up.UT != nil || down.UT != nil {
		b.UT = slices.Concat(orZeros(up.UT, len(up.T)), orZeros(down.UT, len(down.T)))
	}
	if up.DoF != nil || down.DoF != nil {
		b.DoF = slices.Concat(orZeros(up.DoF, len(up.T)), orZeros(down.DoF, len(down.T)))
	}
	var err error
	if b.Common, err = sharedErrors(up, down); err != nil {
		return b, err
	}
	low, high := extremes(down.T)
	for _, t := range up.T {
		partner := -1
		if t >= low-nearEnough && t <= high+nearEnough {
			partner = 0
			for j, v := range down.T {
				if math.Abs(v-t) < math.Abs(down.T[partner]-t) {
					partner = j
				}
			}
		}
		b.pairs = append(b.pairs, partner)
	}
	if !slices.ContainsFunc(b.pairs, func(j int) bool { return j >= 0 }) {
		return b, fmt.Errorf("%s: the two directions have no temperature in common", up.Channel)
	}
	return b, nil
}

// sharedErrors are the errors both directions have in common: the same list for both, the
// effects on single points joined.
func sharedErrors(up, down Curve) (all []Common, err error) {
	if len(up.Common) != len(down.Common) {
		return nil, fmt.Errorf("%s: the two directions have %d and %d errors in common: state them for both", up.Channel, len(up.Common), len(down.Common))
	}
	for i, e := range up.Common {
		if d := down.Common[i]; d.Name != e.Name || d.Kind != e.Kind || d.U != e.U {
			return nil, fmt.Errorf("%s: %s of one direction is not %s of the other", up.Channel, e.Name, d.Name)
		} else if e.Kind == ResistanceShape {
			e.Per = slices.Concat(e.Per, d.Per)
		}
		all = append(all, e)
	}
	return all, nil
}

func orZeros(x []float64, n int) []float64 {
	if x == nil {
		return make([]float64, n)
	}
	return x
}

// differences is R down less R up at the temperatures of the way up that have a partner.
func (b branches) differences(t, r []float64) ([]float64, error) {
	t2, r2 := t[b.up:], r[b.up:]
	degree := 1
	if len(t2) > 3 {
		degree = 2
	}
	middle := MomentsOf(t2).Mean
	f, err := PolynomialFit(shifted(t2, middle), r2, degree)
	if err != nil {
		return nil, err
	}
	along := func(t float64) (r float64) {
		for k := degree; k >= 1; k-- {
			r = (r + f.B[k]) * (t - middle)
		}
		return r
	}
	var d []float64
	for i, j := range b.pairs {
		if j >= 0 {
			d = append(d, r2[j]+along(t[i])-along(t2[j])-r[i])
		}
	}
	return d, nil
}

// Hysteresis is the difference of resistance between falling and rising temperature:
// its largest value in % of the span of the way up, in Ohm and in K, what is left at the
// lowest temperature, and its value at the middle of the range. Common errors of thermometer and meter cancel in it. Values
// that had not settled make it larger: see Settle.
func Hysteresis(up, down Curve) ([]Figure, error) {
	b, err := joined(up, down)
	if err != nil {
		return nil, err
	}
	low, high := extremes(up.R)
	line, err := LineFit(up.T, up.R)
	if err != nil || low == high || line.B[1] == 0 {
		return nil, errors.Join(err, fmt.Errorf("%s: the way up has no slope to refer to", up.Channel))
	}
	var l list
	const source = "after IEC 61298-2 (wording ours)"
	for _, unit := range []struct {
		symbol, says string
		span         float64 // 100 over it is the factor from Ohm
	}{{"%", "in % of the span of the way up", high - low}, {"Ohm", "in Ohm", 100}, {"K", "divided by the slope of the least-squares line of the way up", 100 * math.Abs(line.B[1])}} {
		m := meaning{"hysteresis", "largest, " + unit.symbol, unit.symbol,
			"largest |R falling - R rising| at one temperature, " + unit.says + "; the way down reduced to the temperatures of the way up along its own quadratic", source}
		l.add(b.largestAt(m, unit.span))
	}
	back, err := b.returnToStart(line.B[1])
	if l.skip("return_to_start", err); err == nil {
		l.add(back, nil)
	}
	middle, err := b.midRange(line.B[1])
	if err != nil {
		l.skip("hysteresis, mid-range", err)
	}
	l.figures = append(l.figures, middle...)
	return l.done()
}

// largestAt names the temperatures of the pairs, which largest does not know.
func (b branches) largestAt(m meaning, span float64) (Figure, error) {
	var places []float64
	for i, j := range b.pairs {
		if j >= 0 {
			places = append(places, b.T[i])
		}
	}
	f, err := b.largest(m, span, places, b.differences)
	return f.notLess(100 * b.digit() / span), err
}

// digit is what one digit of the thermometer makes of R where the way up is steepest.
// Two readings of very nearly one temperature differ by that or not at all: an interval
// that is taken from half digits that are independent, and is narrower, misses all of
// these.
func (b branches) digit() (ohm float64) {
	for i := 1; i < b.up; i++ {
		if dt := b.T[i] - b.T[i-1]; math.Abs(dt) > nearEnough {
			ohm = max(ohm, 2*b.HalfDigit*math.Abs((b.R[i]-b.R[i-1])/dt))
		}
	}
	return ohm
}

// notLess is the figure with an interval that is at least so wide.
func (f Figure) notLess(half float64) Figure {
	if f.Budget == nil || f.U_std == 0 || f.Expanded >= half {
		return f
	}
	b := *f.Budget
	b.Expanded, b.K = half, half/b.Combined
	f.Budget, f.Expanded, f.K = &b, b.Expanded, b.K
	return f.Note("U is one digit of the thermometer, by which two readings of one temperature may differ")
}

func (b branches) returnToStart(slope float64) (Figure, error) {
	first, _ := ends(b.T[:b.up])
	if b.pairs[first] < 0 {
		return Figure{}, fmt.Errorf("%s: the way down does not come back to %.6g degC", b.Channel, b.T[first])
	}
	place := 0
	for i := range first {
		if b.pairs[i] >= 0 {
			place++
		}
	}
	f, err := b.figure(meaning{"return_to_start", "relative to R0", "%",
		"100 (R falling - R rising) / R rising at the lowest temperature of the way up", "common practice"},
		func(t, r []float64) (float64, error) {
			d, err := b.differences(t, r)
			if err != nil {
				return 0, err
			}
			return 100 * d[place] / r[first], nil
		}, Given{"temperature", b.T[first], "degC"})
	if err != nil {
		return f, err
	}
	d, err := b.differences(b.T, b.R)
	if err != nil {
		return f, err
	}
	f = f.notLess(100 * b.digit() / b.R[first])
	f.With = append(f.With, Given{"difference", d[place], "Ohm"}, Given{"divided by the slope of the way up", d[place] / slope, "K"})
	return f, f.check()
}

// midRange is hysteresis after IEC 60751: at the middle of the range, R after the upper
// limit less R after the lower one.
func (b branches) midRange(slope float64) ([]Figure, error) {
	low, high := extremes(b.T[:b.up])
	place, pairs, at := -1, 0, (low+high)/2
	for i, j := range b.pairs {
		if j < 0 {
			continue
		}
		if place < 0 && math.Abs(b.T[i]-at) <= nearEnough {
			place, at = pairs, b.T[i]
		}
		pairs++
	}
	if place < 0 {
		return nil, fmt.Errorf("%s: no plateau of both directions lies within %g K of the middle of the range, %.4g degC", b.Channel, nearEnough, at)
	}
	var l list
	for _, unit := range [...]struct {
		symbol, says string
		factor       float64
	}{{"Ohm", "", 1}, {"K", ", divided by the slope of the least-squares line of the way up", 1 / slope}} {
		f, err := b.figure(meaning{"hysteresis", "mid-range, " + unit.symbol, unit.symbol,
			"R at the middle of the range after the upper limit less R there after the lower limit" + unit.says, "IEC 60751:2008, 6.5.6"},
			func(t, r []float64) (float64, error) {
				d, err := b.differences(t, r)
				if err != nil {
					return 0, err
				}
				return unit.factor * d[place], nil
			}, Given{"temperature", at, "degC"})
		l.add(f.notLess(math.Abs(unit.factor)*b.digit()), err)
	}
	return l.done()
}
