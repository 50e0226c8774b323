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

// Compare puts figures of several runs side by side: those of the same name, flavour and
// place in their order. A figure that only one run has is left out.
func Compare(sides []Side) (all []Compared) {
	type key struct {
		figure, flavour, unit string
		n                     int
	}
	found := map[key][]*Figure{}
	var order []key
	for i, s := range sides {
		seen := map[key]int{}
		for j := range s.Figures {
			f := &s.Figures[j]
			k := key{f.Figure, f.Flavour, f.Unit, 0}
			seen[k]++
			k.n = seen[key{f.Figure, f.Flavour, f.Unit, 0}]
			if found[k] == nil {
				found[k] = make([]*Figure, len(sides))
				order = append(order, k)
			}
			found[k][i] = f
		}
	}
	var benches []string
	for _, s := range sides {
		benches = append(benches, s.Bench)
	}
	for _, k := range order {
		c := Compared{Figure: k.figure, Flavour: k.flavour, Unit: k.unit, Of: found[k], Less: make([]*Difference, len(sides)), benches: benches}
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
				first, base, c.Definition = f, i, f.Definition
				continue
			}
			d := difference(*f, *first, sides[i].Bench == sides[base].Bench)
			c.Less[i] = &d
		}
		if n < 2 {
			continue
		}
		if n > 2 {
			c.Mean, c.Deviation = m.Mean, m.S()
		}
		all = append(all, c)
	}
	return all
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
	fmt.Fprintf(&b, "%s, %s\n", c.Figure, c.Flavour)
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
