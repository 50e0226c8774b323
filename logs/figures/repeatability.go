package figures

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Repeatability is how much values taken again under the same conditions scatter: groups
// are values at one temperature each, cycle by cycle.
func Repeatability(o Origin, unit string, groups ...[]float64) ([]Figure, error) {
	squares, dof := 0., 0
	for _, g := range groups {
		m := MomentsOf(g)
		squares += m.sum
		dof += max(0, m.N-1)
	}
	if dof < 1 {
		return nil, fmt.Errorf("%s: repeatability needs a value taken at least twice", o.Channel)
	}
	s := math.Sqrt(squares / float64(dof))
	var l list
	for _, c := range [...]struct {
		flavour, definition string
		factor              float64
	}{
		{"standard deviation", "s_r, the pooled standard deviation of repeated values, √(Σ(n_j-1)s_j² / Σ(n_j-1))", 1},
		{"limit, 2.8 s_r", "r = 2.8 s_r, what the difference of two values exceeds in 5 % of cases", 2.8},
		{"limit, 1.96√2 s_r", "r = 1.96 √2 s_r, the same with unrounded factor", 1.96 * math.Sqrt2},
	} {
		l.add(o.deviation(meaning{"repeatability", c.flavour, unit, c.definition, "ISO 5725-2"}, s, float64(dof), c.factor,
			Given{"degrees of freedom", float64(dof), "1"}))
	}
	return l.done()
}

// Reproducibility is how much values scatter between specimens (or laboratories): rows
// are the repeated values of one each.
func Reproducibility(o Origin, unit string, rows ...[]float64) ([]Figure, error) {
	p := float64(len(rows))
	total, squares, within, grand := 0., 0., 0., 0. // of counts; of values within rows
	for _, row := range rows {
		m := MomentsOf(row)
		n := float64(m.N)
		total, squares, within, grand = total+n, squares+n*n, within+m.sum, grand+n*m.Mean
	}
	nuW, nuB := total-p, p-1
	if nuB < 1 || nuW < 1 || slices.ContainsFunc(rows, func(row []float64) bool { return len(row) == 0 }) {
		return nil, fmt.Errorf("%s: reproducibility needs two specimens, one of them with two values", o.Channel)
	}
	between := 0.
	for _, row := range rows {
		d := MomentsOf(row).Mean - grand/total
		between += float64(len(row)) * d * d
	}
	msW, msB := within/nuW, between/nuB
	n := (total - squares/total) / nuB // values of a specimen, where they are not equally many
	var l list
	l.add(o.deviation(meaning{"repeatability", "standard deviation", unit, "s_r = √MS within", "ISO 5725-2"}, math.Sqrt(msW), nuW, 1))
	sL := math.Sqrt(max(0, msB-msW) / n)
	// s_R² = MS between / n + (1 - 1/n) MS within; degrees of freedom after Satterthwaite.
	a, b := msB/n, msW*(1-1/n)
	sR := math.Sqrt(msW + sL*sL)
	dof := (a + b) * (a + b) / (a*a/nuB + b*b/nuW)
	uL := math.Sqrt(2*msB*msB/nuB+2*msW*msW/nuW) / n // of s_L²
	if sL > 0 {
		f, err := o.figure(meaning{"reproducibility", "between specimens", unit, "s_L = √((MS between - MS within)/n), the standard deviation of the specimens' true values", "ISO 5725-2"},
			sL, Budget{Combined: uL / (2 * sL), K: StudentT(Level95, nuB), Level: Level95, Expanded: StudentT(Level95, nuB) * uL / (2 * sL)})
		l.add(f.Note("u from the variances of the two mean squares, to first order; with %d specimens it is rough", len(rows)), err)
	}
	f, err := o.deviation(meaning{"reproducibility", "standard deviation", unit, "s_R = √(s_r² + s_L²), of a single value of any specimen", "ISO 5725-2"}, sR, dof, 1)
	if msB < msW {
		f = f.Note("the means differ less than repeated values let expect: s_L is taken as zero")
	}
	l.add(f, err)
	return l.done()
}

// deviation is the figure of a multiple of a standard deviation with degrees of freedom,
// with its χ² interval. u is s/√(2ν) (JCGM 100, E.4.3).
func (o Origin) deviation(m meaning, s, dof, factor float64, with ...Given) (Figure, error) {
	if !(dof >= 1) {
		return Figure{Figure: m.figure}, fmt.Errorf("%s of %s: %.3g degrees of freedom say nothing about a scatter", m.figure, o.Channel, dof)
	}
	chi := distuv.ChiSquared{K: dof}
	low := s * math.Sqrt(dof/chi.Quantile((1+Level95)/2))
	high := s * math.Sqrt(dof/chi.Quantile((1-Level95)/2))
	return o.interval(m, factor*s, factor*s/math.Sqrt(2*dof), factor*low, factor*high, with...)
}
