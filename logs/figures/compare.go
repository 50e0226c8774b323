package figures

import (
	"fmt"
	"math"
	"strings"
)

// Compared is one figure of several runs.
type Compared struct {
	Figure, Flavour, Unit string
	Definition            string
	Conditions            string    // that the first of them has, and the others have nearly
	Of                    []*Figure // by run; nil where a run has none
	Less                  []*Difference
	Mean, Deviation       float64 // of all runs that have it, when there are three or more; else 0

	benches []string // by run
}

// Difference is a figure of a run less that of the first run.
type Difference struct {
	Value, U, Expanded float64
	Matters            bool // it lies outside of its own expanded uncertainty
}

// Text is a difference, and whether it stands out.
func (d Difference) Text() string {
	word := "no difference that stands out"
	if d.Matters {
		word = "differs"
	}
	digits := digitsFor(d.Expanded)
	return fmt.Sprintf("%s ± %s, %s", number(d.Value, digits), number(d.Expanded, digits), word)
}

// Rounded is a value to the digits that its uncertainty allows.
func Rounded(v, u float64) string { return number(v, digitsFor(u)) }

// Side is one of the runs that are compared.
type Side struct {
	Figures []Figure
	// Bench says whose instruments these are: what is wrong with them is the same in two
	// runs on one bench, and cancels.
	Bench string
}

// conditions are what a figure of one flavour holds at, by the names in its With, and how
// far two runs may be apart in them (common practice, no source): in kelvin, as far as a
// point may lie from the temperature it is taken for, else as a share. All else in a With
// was found out, and differs as the figure itself does.
var conditions = map[string]struct{ kelvin, share float64 }{
	"temperature": {kelvin: nearEnough}, "T1": {kelvin: nearEnough}, "T2": {kelvin: nearEnough},
	"radius": {share: 0.05}, "cycles": {share: 0.05}, "threshold": {share: 0.05}, "strain": {share: 0.05}, "least strain": {share: 0.05}, "kinds of cycle": {share: 0.05}, "averaging time": {share: 0.05},
}

// apart is how far two figures are from having been taken under the same conditions: more
// than 1 where they were not.
func (f Figure) apart(other Figure) (most float64) {
	for _, a := range f.With {
		limit, known := conditions[a.Name]
		for _, b := range other.With {
			if !known || a.Name != b.Name || a.Value == b.Value {
				continue
			}
			most = max(most, math.Abs(a.Value-b.Value)/max(limit.kelvin, limit.share*max(math.Abs(a.Value), math.Abs(b.Value))))
		}
	}
	return most
}

// Conditions are those of a figure that tell it from others of its flavour.
func (f Figure) Conditions() string {
	var words []string
	for _, g := range f.With {
		if _, known := conditions[g.Name]; known {
			words = append(words, g.Name+" "+g.Shown())
		}
	}
	return strings.Join(words, ", ")
}

// Title is what is compared: figure, flavour and conditions.
func (c Compared) Title() string {
	if c.Conditions == "" {
		return c.Figure + ", " + c.Flavour
	}
	return c.Figure + ", " + c.Flavour + ", " + c.Conditions
}

// inRows are figures of several runs by name, flavour and conditions, and by their order
// where nothing else tells them apart.
func inRows(sides []Side) (rows [][]*Figure) {
	firsts := []*Figure{}
	for i, s := range sides {
		for j := range s.Figures {
			f := &s.Figures[j]
			best, least := -1, math.Inf(1)
			for k, first := range firsts {
				if rows[k][i] != nil || first.Figure != f.Figure || first.Flavour != f.Flavour || first.Unit != f.Unit {
					continue
				}
				// Ways up and down come to one temperature but for little: there order tells.
				const steps = 4
				if d := first.apart(*f); d <= 1 && math.Round(steps*d) < least {
					best, least = k, math.Round(steps*d)
				}
			}
			if best < 0 {
				best = len(rows)
				rows, firsts = append(rows, make([]*Figure, len(sides))), append(firsts, f)
			}
			rows[best][i] = f
		}
	}
	return rows
}

// Compare puts figures of several runs side by side: those of the same name and flavour
// under the same conditions, nearest first, and of the same place in their order. A figure
// that only one run has is left out; unpaired are those that another run has as well, but
// under other conditions.
func Compare(sides []Side) (all, unpaired []Compared) {
	var benches []string
	for _, s := range sides {
		benches = append(benches, s.Bench)
	}
	for _, row := range inRows(sides) {
		c := Compared{Of: row, Less: make([]*Difference, len(sides)), benches: benches}
		var first *Figure
		base, n := 0, 0
		var m Moments
		for i, f := range c.Of {
			if f == nil {
				continue
			}
			n++
			m.Add(f.Value)
			if first == nil {
				first, base = f, i
				c.Figure, c.Flavour, c.Unit, c.Definition, c.Conditions = f.Figure, f.Flavour, f.Unit, f.Definition, f.Conditions()
				continue
			}
			if f.Censored || first.Censored { // how much more than it says, nobody knows
				continue
			}
			d := difference(*f, *first, sides[i].Bench == sides[base].Bench)
			c.Less[i] = &d
		}
		if n < 2 {
			if c.Conditions != "" && otherwise(sides, base, *first) {
				unpaired = append(unpaired, c)
			}
			continue
		}
		if n > 2 {
			c.Mean, c.Deviation = m.Mean, m.S()
		}
		all = append(all, c)
	}
	return all, unpaired
}

// otherwise tells whether a run beside the given one has such a figure, but under other
// conditions only.
func otherwise(sides []Side, run int, f Figure) bool {
	has := false
	for i, s := range sides {
		for _, o := range s.Figures {
			if i == run || o.Figure != f.Figure || o.Flavour != f.Flavour || o.Unit != f.Unit {
				continue
			}
			if has = true; f.apart(o) <= 1 {
				return false
			}
		}
	}
	return has
}

// difference is b less a. Errors of the same instruments, found by name and origin, act on
// both in the same way; everything else is independent.
func difference(b, a Figure, oneBench bool) Difference {
	d := Difference{Value: b.Value - a.Value}
	if a.Budget == nil || b.Budget == nil || a.Low != nil || b.Low != nil {
		d.U, d.Expanded = math.Hypot(a.U_std, b.U_std), math.Hypot(a.Expanded, b.Expanded)
	} else {
		d.U = apartFrom(*b.Budget, *a.Budget, oneBench)
		d.Expanded = max(a.K, b.K) * d.U
	}
	d.Matters = math.Abs(d.Value) > d.Expanded
	return d
}

// apartFrom is the standard uncertainty of a difference of two results. Correlated inputs
// of one result stay together as its own combined uncertainty less what is shared.
func apartFrom(b, a Budget, oneBench bool) float64 {
	total := a.Combined*a.Combined + b.Combined*b.Combined
	if !oneBench {
		return math.Sqrt(total)
	}
	for _, x := range a.Inputs {
		for _, y := range b.Inputs {
			if x.Instrument && y.Instrument && x.Name == y.Name && x.Says == y.Says {
				total -= 2 * x.Contribution() * y.Contribution()
			}
		}
	}
	return math.Sqrt(max(0, total))
}

// Text is the comparison for the screen; names are short ones of the runs.
func (c Compared) Text(names []string) string {
	var b strings.Builder
	fmt.Fprintln(&b, c.Title())
	for i, f := range c.Of {
		if f == nil {
			continue
		}
		fmt.Fprintf(&b, "  %-4s %s", names[i], f.ValueText())
		if d := c.Less[i]; d != nil {
			fmt.Fprintf(&b, "   less the first: %s", d.Text())
		}
		b.WriteString("\n")
	}
	if c.Deviation > 0 {
		digits := digitsFor(c.Deviation)
		fmt.Fprintf(&b, "  all  mean %s, standard deviation %s %s\n", number(c.Mean, digits), number(c.Deviation, digits), c.Unit)
	}
	return b.String()
}
