package figures

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Compared is one figure of several runs.
type Compared struct {
	Figure, Flavour, Unit string
	Definition            string
	Conditions            string    // that the first of them has, and the others have nearly
	Place, Places         int       // which of those that nothing but their order tells apart; 1 of 1 for most
	Of                    []*Figure // by run; nil where a run has none
	Less                  []*Difference
	Mean, Deviation       float64 // of all runs that have it, when there are three or more; else 0

	benches []string // by run
}

// Difference is a figure of a run less that of the first run.
type Difference struct {
	Value, U, Expanded float64
	Matters            bool    // it lies outside of its own expanded uncertainty
	WarmerK            float64 // than in the first run; Value is without what that makes of a film
	Unsure             string  // why nothing can be said, "" for mostly
}

// Text is a difference, and whether it stands out.
func (d Difference) Text() string {
	word := "no difference that stands out"
	if d.Matters {
		word = "differs"
	}
	if d.WarmerK != 0 {
		word += fmt.Sprintf(", at one temperature (%s)", warmer(d.WarmerK))
	}
	if d.Unsure != "" {
		word = d.Unsure
	}
	return plusMinus(d.Value, d.Expanded) + ", " + word
}

func warmer(kelvin float64) string {
	if kelvin < 0 {
		return fmt.Sprintf("it was %.2g K cooler", -kelvin)
	}
	return fmt.Sprintf("it was %.2g K warmer", kelvin)
}

// Rounded is a value to the digits that its uncertainty allows.
func Rounded(v, u float64) string { return number(v, digitsFor(u)) }

// Side is one of the runs that are compared.
type Side struct {
	Figures []Figure
	// Bench says whose instruments these are: what is wrong with them is the same in two
	// runs on one bench, and cancels.
	Bench string
	// Curve is that of the film, whose slope brings resistances to one temperature; empty
	// where the run has none.
	Curve Curve
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

// Title is what is compared: figure, flavour and conditions, and of several the place.
func (c Compared) Title() string {
	return strings.TrimSuffix(c.Figure+", "+c.Flavour+", "+c.Told(c.Conditions), ", ")
}

// Told is conditions, with the place where only order tells.
func (c Compared) Told(conditions string) string {
	if c.Places < 2 {
		return conditions
	}
	return strings.TrimPrefix(fmt.Sprintf("%s, %d of %d", conditions, c.Place, c.Places), ", ")
}

// sameness is how far apart figures may be, as a part of what conditions allow, for nothing but
// their order to tell them apart: ways up and down come to one temperature but for little.
const sameness = 1. / 8

// alike tells whether two figures are of one kind.
func (f Figure) alike(o Figure) bool {
	return f.Figure == o.Figure && f.Flavour == o.Flavour && f.Unit == o.Unit
}

// row is figures that are one and the same, by run.
type row struct {
	of            []*Figure
	first         *Figure
	place, places int  // among those that nothing but their order tells apart
	unsure        bool // another run has another number of them
}

// inRows are figures of several runs by name, flavour and conditions, and by their order
// where nothing else tells them apart.
func inRows(sides []Side) (rows []row) {
	for i, s := range sides {
		for j := range s.Figures {
			f := &s.Figures[j]
			best, least := -1, math.Inf(1)
			for k, r := range rows {
				if r.of[i] != nil || !r.first.alike(*f) {
					continue
				}
				if d := r.first.apart(*f); d <= 1 && math.Round(d/2/sameness) < least {
					best, least = k, math.Round(d/2/sameness)
				}
			}
			if best < 0 {
				best = len(rows)
				rows = append(rows, row{of: make([]*Figure, len(sides)), first: f})
			}
			rows[best].of[i] = f
		}
	}
	return byOrder(rows)
}

// byOrder numbers the rows that nothing but their order tells apart. A run that has fewer of
// them than the first, or more, gets rows of its own: which is which cannot be told.
func byOrder(rows []row) (all []row) {
	for k, r := range rows {
		have := make([]int, len(r.of)) // by run
		for m, o := range rows {
			if r.first.alike(*o.first) && r.first.apart(*o.first) <= sameness {
				if m <= k {
					r.place++
				}
				for i, f := range o.of {
					if f != nil {
						have[i]++
					}
				}
			}
		}
		base := have[slices.IndexFunc(have, func(n int) bool { return n > 0 })]
		var apart []row
		r.of = slices.Clone(r.of)
		for i, f := range r.of {
			if f != nil && have[i] != base {
				own := row{of: make([]*Figure, len(r.of)), first: f, place: r.place, places: have[i], unsure: true}
				own.of[i], r.of[i] = f, nil
				apart = append(apart, own)
			}
		}
		if slices.ContainsFunc(r.of, func(f *Figure) bool { return f != nil }) {
			r.places = base
			r.unsure = slices.ContainsFunc(have, func(n int) bool { return n > 0 && n != base })
			all = append(all, r)
		}
		all = append(all, apart...)
	}
	return all
}

// Compare puts figures of several runs side by side: those of the same name and flavour
// under the same conditions, nearest first, and of the same place in their order where runs
// have as many of them. A figure that only one run has is left out; unpaired are those that
// another run has as well, but under other conditions, or in another number.
func Compare(sides []Side) (all, unpaired []Compared) {
	var benches []string
	for _, s := range sides {
		benches = append(benches, s.Bench)
	}
	for _, row := range inRows(sides) {
		c := Compared{Of: row.of, Place: row.place, Places: row.places, Less: make([]*Difference, len(sides)), benches: benches}
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
			d.toOneTemperature(*f, *first, sides[i], sides[base])
			c.Less[i] = &d
		}
		if n < 2 {
			if row.unsure || otherwise(sides, base, *first) {
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
			if i == run || !f.alike(o) {
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
		// What is left when bounded errors have cancelled, or two of them meet, is no longer
		// distributed as they are: a k below the normal one is theirs alone.
		d.Expanded = max(a.K, b.K, StudentT(Level95, math.Inf(1))) * d.U
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

// toOneTemperature takes out of a difference what a film must differ by because it was warmer,
// by the mean of its slopes in the two runs. A resistance of a sweep is one at the temperature
// that was read then, and that is uncertain, too; an R0 has that in its budget already.
func (d *Difference) toOneTemperature(b, a Figure, of, base Side) {
	tB, ok := b.with("temperature")
	tA, ok2 := a.with("temperature")
	if !ok || !ok2 || b.Figure != "r0" && b.Figure != "resistance" {
		return
	}
	slopeB, uB, okB := of.Curve.slopeAt(tB)
	slopeA, uA, okA := base.Curve.slopeAt(tA)
	switch {
	case !okA && !okB && tA != tB:
		d.Matters, d.Unsure = false, fmt.Sprintf("not judged: %s, and neither run tells the film's slope", warmer(tB-tA))
		return
	case !okA && !okB:
		return
	case !okA:
		slopeA, uA = slopeB, uB
	case !okB:
		slopeB, uB = slopeA, uA
	}
	slope := (slopeA + slopeB) / 2
	d.WarmerK = tB - tA
	d.Value -= slope * d.WarmerK
	u := max(uA, uB) * d.WarmerK
	if b.Figure == "resistance" {
		u = math.Hypot(u, slope*apartInTemperature(of.Curve, base.Curve, tB, tA, of.Bench == base.Bench))
	}
	k := StudentT(Level95, math.Inf(1))
	if d.U > 0 {
		k = d.Expanded / d.U
	}
	d.U = math.Hypot(d.U, u)
	d.Expanded = k * d.U
	d.Matters = math.Abs(d.Value) > d.Expanded
}

// apartInTemperature is the standard uncertainty of the difference of two temperatures, K,
// each as uncertain as the point of its curve that is nearest. What is wrong with the
// thermometer is the same on one bench.
func apartInTemperature(b, a Curve, tB, tA float64, oneBench bool) float64 {
	return math.Hypot(b.uTemperature(tB, a, oneBench), a.uTemperature(tA, b, oneBench))
}

// uTemperature is how uncertain a temperature beside a curve is, without what another curve of
// one bench has as well.
func (c Curve) uTemperature(degC float64, other Curve, oneBench bool) float64 {
	u := c.uNear(degC)
	for _, e := range c.Common {
		same := func(o Common) bool { return o.Instrument && o.Name == e.Name && o.Says == e.Says }
		if !(oneBench && e.Instrument && slices.ContainsFunc(other.Common, same)) {
			u = math.Hypot(u, e.inTemperature(degC))
		}
	}
	return u
}

// inTemperature is the standard uncertainty that a common error makes at a temperature, K: 0
// for one of the resistances.
func (e Common) inTemperature(degC float64) float64 {
	if e.Kind == ResistanceShape {
		return 0
	}
	t, r := []float64{degC}, []float64{0}
	e.apply(t, r, e.U)
	return t[0] - degC
}

// uNear is the standard uncertainty of the temperature of the point nearest to one, by itself.
func (c Curve) uNear(degC float64) float64 {
	best := -1
	for i, t := range c.T {
		if best < 0 || math.Abs(t-degC) < math.Abs(c.T[best]-degC) {
			best = i
		}
	}
	if best < 0 || c.UT == nil {
		return 0
	}
	return c.UT[best]
}

// slopeAt is dR/dT of the film at a temperature, Ohm/K, with its standard uncertainty.
func (c Curve) slopeAt(degC float64) (slope, u float64, ok bool) {
	if len(c.T) < 2 {
		return 0, 0, false
	}
	degree := min(2, len(c.T)-1)
	f, err := c.figure(meaning{unit: "Ohm/K"}, func(t, r []float64) (float64, error) {
		f, err := PolynomialFit(shifted(t, degC), r, degree)
		if err != nil {
			return 0, err
		}
		return f.B[1], nil
	})
	if err != nil {
		return 0, 0, false
	}
	return f.Value, f.U_std, true
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
