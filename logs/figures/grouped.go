package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Group is the runs that have something in common, and what they say of one figure.
type Group struct {
	Name     string
	Runs     []int // places among the compared
	Mean     float64
	Expanded float64 // at 95 %, of the mean
	Less     *Difference

	instruments float64 // what its instruments alone make, standard
	benches     []string
}

// By is a figure by what the runs differ in: name says for each run to which group it
// belongs. Groups stand in the order of the runs; each but the first is compared with the
// first. There is nothing to say, and no group, where no two runs belong together or all do.
//
// What a mean is uncertain by is the scatter of runs within groups, taken to be the same in
// all (the one-way layout of textbooks), and what the instruments are wrong by. Of runs on
// one bench the latter is shared, and leaves their difference.
func (c Compared) By(name []string) (all []Group) {
	for i, f := range c.Of {
		if f == nil {
			continue
		}
		at := slices.IndexFunc(all, func(g Group) bool { return g.Name == name[i] })
		if at < 0 {
			at = len(all)
			all = append(all, Group{Name: name[i]})
		}
		all[at].Runs = append(all[at].Runs, i)
		if bench := c.benches[i]; !slices.Contains(all[at].benches, bench) {
			all[at].benches = append(all[at].benches, bench)
		}
		all[at].instruments = max(all[at].instruments, f.ofInstruments())
	}
	squares, dof := 0., 0
	for k := range all {
		var m Moments
		for _, i := range all[k].Runs {
			m.Add(c.Of[i].Value)
		}
		all[k].Mean = m.Mean
		squares, dof = squares+m.sum, dof+m.N-1
	}
	if len(all) < 2 || dof == 0 {
		return nil
	}
	s, t := math.Sqrt(squares/float64(dof)), StudentT(Level95, float64(dof))
	for k := range all {
		g, first := &all[k], &all[0]
		g.Expanded = t * math.Hypot(s/math.Sqrt(float64(len(g.Runs))), g.instruments)
		if k == 0 {
			continue
		}
		u := s * math.Sqrt(1/float64(len(g.Runs))+1/float64(len(first.Runs)))
		if len(g.benches) > 1 || !slices.Equal(g.benches, first.benches) {
			u = math.Hypot(u, math.Hypot(g.instruments, first.instruments))
		}
		d := Difference{Value: g.Mean - first.Mean, U: u, Expanded: t * u}
		d.Matters = math.Abs(d.Value) > d.Expanded
		g.Less = &d
	}
	return all
}

// ofInstruments is the part of the standard uncertainty that instruments make.
func (f Figure) ofInstruments() (u float64) {
	if f.Budget == nil {
		return 0
	}
	for _, in := range f.Budget.Inputs {
		if in.Instrument {
			u = math.Hypot(u, in.Contribution())
		}
	}
	return u
}

// OverSpecimens is repeatability and reproducibility of a figure over specimens, of which
// some were measured several times; specimen says for each run which one it had.
func (c Compared) OverSpecimens(specimen []string) ([]Figure, error) {
	if slices.ContainsFunc(c.Of, func(f *Figure) bool { return f != nil && f.Censored }) {
		return nil, errors.New("some values are but bounds")
	}
	var rows [][]float64
	for _, g := range c.By(specimen) {
		var row []float64
		for _, i := range g.Runs {
			row = append(row, c.Of[i].Value)
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		return nil, errors.New("no specimen beside others was measured several times")
	}
	return Reproducibility(Origin{c.Figure + ", " + c.Flavour, fmt.Sprintf("runs of %d specimens", len(rows))}, c.Unit, rows...)
}

// Place is that of an element of an array: which foil, which row and column, from 1. One
// without a foil is in no array.
type Place struct {
	Foil        string
	Row, Column int
}

// Map is a figure over the elements of an array. An element that was measured several
// times has the mean of its runs.
type Map struct {
	Foil          string
	Rows, Columns int
	Value         [][]float64 // by row and column, NaN where none was measured
	N             int         // elements
	Mean, S       float64     // and the standard deviation from element to element
	Least, Most   Place
}

// Maps are those of all foils of which two elements were measured.
func (c Compared) Maps(places []Place) (all []Map) {
	for _, at := range places {
		if at.Foil == "" || slices.ContainsFunc(all, func(m Map) bool { return m.Foil == at.Foil }) {
			continue
		}
		m := Map{Foil: at.Foil}
		sums := map[Place]*Moments{}
		for i, p := range places {
			if p.Foil != at.Foil || c.Of[i] == nil {
				continue
			}
			m.Rows, m.Columns = max(m.Rows, p.Row), max(m.Columns, p.Column)
			if sums[p] == nil {
				sums[p] = new(Moments)
			}
			sums[p].Add(c.Of[i].Value)
		}
		if len(sums) > 1 {
			m.fill(sums)
			all = append(all, m)
		}
	}
	return all
}

func (m *Map) fill(sums map[Place]*Moments) {
	var over Moments
	least, most := math.Inf(1), math.Inf(-1)
	for row := 1; row <= m.Rows; row++ {
		line := make([]float64, m.Columns)
		for k := range line {
			p := Place{m.Foil, row, k + 1}
			if line[k] = math.NaN(); sums[p] == nil {
				continue
			}
			line[k] = sums[p].Mean
			over.Add(line[k])
			if line[k] < least {
				least, m.Least = line[k], p
			}
			if line[k] > most {
				most, m.Most = line[k], p
			}
		}
		m.Value = append(m.Value, line)
	}
	m.N, m.Mean, m.S = over.N, over.Mean, over.S()
}

// At is the value of an element, and whether it was measured.
func (m Map) At(p Place) (float64, bool) {
	if p.Row < 1 || p.Row > m.Rows || p.Column < 1 || p.Column > m.Columns {
		return 0, false
	}
	v := m.Value[p.Row-1][p.Column-1]
	return v, !math.IsNaN(v)
}
