package figures

import (
	"errors"
	"fmt"
	"math"
)

// BendResponse is the relative change of resistance when bent, in %, at a radius (m; 0
// for flat), each resistance with its own standard uncertainty. A change of temperature
// between the two is told from bending by nothing here: correct for it first.
func BendResponse(o Origin, flat, uFlat, bent, uBent, radius float64) (Figure, error) {
	value, b, err := Propagate("%", Level95, []Input{{Name: "R flat", Value: flat, Unit: "Ohm", U: uFlat, Type: "A"}, {Name: "R bent", Value: bent, Unit: "Ohm", U: uBent, Type: "A"}},
		func(x []float64) (float64, error) { return 100 * (x[1] - x[0]) / x[0], nil })
	if err != nil {
		return Figure{}, err
	}
	return o.figure(meaning{"bend_response", "relative change", "%", "100 (R bent - R flat)/R flat at the stated radius, that of the neutral plane", "common practice"}, value, b, Given{"radius", radius, "m"})
}

// GaugeFactor is the relative change of resistance per strain: through zero, and as the
// slope of a free line. The first change is that of the reference, 0. uR are the relative
// standard uncertainties of the resistances, which need not show as scatter (a display that
// stays while the temperature moves); nil for none. uStrain is the one common to all strains
// (thickness, radius). tcr (1/K) tells what temperature change would look like the largest
// bending.
func GaugeFactor(o Origin, strain, change, uR []float64, uStrain, tcr float64) ([]Figure, error) {
	var l list
	zero, err := OriginFit(strain, change)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	line, err := LineFit(strain, change)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	for _, c := range [...]struct {
		flavour, definition string
		f                   Fit
		k                   int
	}{
		{"through zero", "slope of the least-squares line through zero of (R - R0)/R0 against strain", zero, 0},
		{"free line", "slope of the least-squares line with intercept of (R - R0)/R0 against strain", line, 1},
	} {
		if c.f.DoF < 1 {
			l.skip("gauge_factor, "+c.flavour, errors.New("too few points to see their scatter"))
			continue
		}
		value := c.f.B[c.k]
		seen := Input{Name: "scatter about the line", Value: value, Unit: "1", U: c.f.U(c.k), Type: "A", DoF: float64(c.f.DoF), Sensitivity: 1}
		if u := slopeOf(strain, change, uR, c.k > 0); u > seen.U {
			seen = Input{Name: "resistances, more than they scatter", Value: value, Unit: "1", U: u, Type: "B", Sensitivity: 1}
		}
		b, err := Combine("1", Level95, []Input{seen, {Name: "scale of the strain", Unit: "1", U: uStrain, Type: "B", Sensitivity: -value}})
		if err != nil {
			return nil, err
		}
		l.add(o.figure(meaning{"gauge_factor", c.flavour, "1", c.definition, "common practice"}, value, b))
	}
	if alike := largestOf(change) / math.Abs(tcr); len(l.figures) > 0 && !math.IsNaN(alike) && !math.IsInf(alike, 0) {
		l.figures[0].With = append(l.figures[0].With, Given{"temperature change that looks like the largest bending", alike, "K"})
	}
	return l.done()
}

// slopeOf is what uncertainties of resistances, each by itself, make of the slope of their
// changes from the first of them, of a line through zero or a free one.
func slopeOf(strain, change, uR []float64, free bool) float64 {
	if uR == nil {
		return 0
	}
	middle, squares, first, sum := 0., 0., 0., 0.
	if free {
		middle = MomentsOf(strain).Mean
	}
	for _, s := range strain {
		squares += (s - middle) * (s - middle)
	}
	for i, s := range strain[1:] {
		w := (s - middle) / squares * (1 + change[i+1])
		first += w
		sum += w * w * uR[i+1] * uR[i+1]
	}
	return math.Sqrt(sum + first*first*uR[0]*uR[0])
}

// CyclesToThreshold is the number of cycles at which a relative change first reaches a
// threshold (both in %), between two readings linearly in the count and in its
// logarithm: readings far apart make the two differ, and the truth is only known to lie
// between the readings. A specimen that never gets there is censored: the figure is then
// what it survived. u is the standard uncertainty of each change, in %; uFirst that of the
// value which all of them are relative to, in % of it: it moves them together. more are the
// cycles that the film may have seen at each reading beyond those that are counted, as after
// a run that was broken off; nil for none.
func CyclesToThreshold(o Origin, cycles, change, more []float64, u, uFirst, threshold float64) ([]Figure, error) {
	if err := fittable(change, cycles); err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	for i := range cycles {
		if !(cycles[i] >= 0) || i > 0 && !(cycles[i] > cycles[i-1]) {
			return nil, fmt.Errorf("%s: the count of cycles does not rise at reading %d (%.6g)", o.Channel, i+1, cycles[i])
		}
	}
	const source = "common practice; no agreed interpolation"
	says := fmt.Sprintf("cycles until the change first reaches %.4g %%, ", threshold)
	at := -1
	for i, c := range change {
		if math.Abs(c) >= threshold {
			at = i
			break
		}
	}
	n := len(cycles)
	switch at {
	case -1:
		f, err := o.figure(meaning{"cycles_to_threshold", "censored", "cycles", says + "not reached", source}, cycles[n-1], Budget{Level: Level95, K: 1}, Given{"threshold", threshold, "%"})
		f.Censored = true
		return []Figure{f.Note("the largest change was %.4g %%: a specimen that reaches the threshold does so beyond the count given", largestOf(change))}, err
	case 0:
		return nil, fmt.Errorf("%s: the first reading, at %.6g cycles, is above the threshold of %.6g %% already", o.Channel, cycles[0], threshold)
	}
	n1, n2, c1, c2 := cycles[at-1], cycles[at], math.Abs(change[at-1]), math.Abs(change[at])
	share := (threshold - c1) / (c2 - c1)
	spread := u * math.Sqrt(share*share+(1-share)*(1-share)) / (c2 - c1)
	common := uFirst * (1 + threshold/100) / (c2 - c1)
	both, uncounted := math.Hypot(spread, common), 0.
	if more != nil {
		uncounted = more[at]
	}
	from, to := surely(change, at, threshold, 1.96*math.Hypot(u, uFirst*(1+threshold/100)))
	var l list
	add := func(flavour, definition string, value, slope float64) {
		b, err := Combine("cycles", Level95, []Input{{Name: "changes, as a share of the gap between readings", Unit: "1", U: spread, Type: "A", Sensitivity: slope},
			{Name: "first value, as a share of the gap between readings", Unit: "1", U: common, Type: "A", Sensitivity: slope},
			{Name: "course between the readings", Unit: "cycles", U: Rectangular(max(value-n1, n2-value)), Type: "B", Sensitivity: 1, Bounded: true, Says: "only known to lie between them"},
			{Name: "cycles that were not counted", Unit: "cycles", U: Rectangular(uncounted), Type: "B", Sensitivity: 1, Bounded: true, Says: "made, or not, before the run was taken up again"}})
		if err != nil {
			l.skip(flavour, err)
			return
		}
		low, high := max(cycles[from], min(n1, value-1.96*slope*both)), max(n2, value+1.96*slope*both)
		if to < n {
			high = min(high, cycles[to])
		}
		f, err := o.interval(meaning{"cycles_to_threshold", flavour, "cycles", says + definition, source}, value, b.Combined, low, high+uncounted,
			Given{"threshold", threshold, "%"})
		f.Budget = &b
		l.add(f, err)
	}
	add("linear in cycles", "linear in the number of cycles between readings", n1+share*(n2-n1), n2-n1)
	if n1 > 0 {
		value := n1 * math.Pow(n2/n1, share)
		add("linear in log cycles", "linear in its logarithm between readings", value, value*math.Log(n2/n1))
	}
	return l.done()
}

// surely are the last reading before reading at that is below the threshold by more than it
// may be wrong, or else the first one, and the first from it on that is so above; as many as
// there are readings for none.
func surely(change []float64, at int, threshold, wrong float64) (below, above int) {
	for below = at - 1; below > 0 && math.Abs(change[below])+wrong >= threshold; below-- {
	}
	for above = at; above < len(change) && math.Abs(change[above])-wrong < threshold; above++ {
	}
	return below, above
}

func largestOf(x []float64) (most float64) {
	for _, v := range x {
		most = max(most, math.Abs(v))
	}
	return most
}
