// Package figures turns columns of numbers into figures of merit: what resistance does
// with temperature, how fast, how noisily, how repeatably, bent and unbent. The numbers
// come from a run folder or from a table somebody logged by hand.
//
// Every figure carries its standard and expanded uncertainty (JCGM 100, at 95 % unless it
// says otherwise), the exact definition and flavour used (published flavours of one name
// can differ by a factor), where that definition comes from, and the rows the numbers
// were taken from.
//
// It must never guess silently: what was left out, corrected or assumed is said in the
// figure's notes, and where the data do not determine a figure there is an error instead
// of a number. It must never give a number without uncertainty and definition, never a
// non-finite one, and it never asks the time.
//
// # Units
//
// Temperatures are degC, resistances Ohm, times s, unless a name says otherwise. A U with
// a name behind it is a standard uncertainty of that quantity. The name of a slice says
// what its values are; slices that belong together have equal lengths.
//
// # Maxima
//
// Hysteresis and linearity are the largest of several deviations. Of a specimen without
// any, noise still makes the largest of many differ from zero. Their U is therefore what the
// largest error of all deviations stays below, drawn with the errors they share, and their u
// is that of the least certain one: the interval then covers a largest deviation of nothing
// as often as it says, and any other at least as often. Where the errors are not known one
// by one, as of the chords of a sweep, all intervals hold together as independent ones do
// (Šidák).
package figures

import (
	"fmt"
	"math"
	"strings"
)

// Figure is a computed result. Value lies within ±Expanded of the truth at the level, or,
// where the interval is not symmetric, between Low and High.
type Figure struct {
	Figure     string   `json:"figure"` // what it is a figure of
	Flavour    string   `json:"flavour,omitempty"`
	Channel    string   `json:"channel"`
	Value      float64  `json:"value"`
	Unit       string   `json:"unit"`
	U_std      float64  `json:"u"`
	K          float64  `json:"k"`
	Expanded   float64  `json:"U"`
	Level      float64  `json:"level"`
	Low        *float64 `json:"low,omitempty"`
	High       *float64 `json:"high,omitempty"`
	Censored   bool     `json:"censored,omitempty"` // the truth lies above Value, how far is not known
	Definition string   `json:"definition"`
	Source     string   `json:"source"` // of the definition
	Rows       string   `json:"rows"`   // of the data
	With       []Given  `json:"with,omitempty"`
	Notes      []string `json:"notes,omitempty"`
	Budget     *Budget  `json:"budget,omitempty"`
}

// Given is a number a figure must be read with: the temperature of an R0, the band of a
// settling time.
type Given struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Origin says which readings a figure comes from.
type Origin struct {
	Channel string
	Rows    string
}

// meaning is what a figure is called and what exactly it is.
type meaning struct{ figure, flavour, unit, definition, source string }

// figure joins a value and its budget with their meaning. There is none without a finite
// value and uncertainty.
func (o Origin) figure(m meaning, value float64, b Budget, with ...Given) (Figure, error) {
	f := Figure{Figure: m.figure, Flavour: m.flavour, Channel: o.Channel, Value: value, Unit: m.unit, U_std: b.Combined, K: b.K,
		Expanded: b.Expanded, Level: b.Level, Definition: m.definition, Source: m.source, Rows: o.Rows, With: with}
	if len(b.Inputs) > 0 {
		f.Budget = &b
	}
	return f, f.check()
}

// interval is for a value whose uncertainty is not symmetric. U is the longer side.
func (o Origin) interval(m meaning, value, u, low, high float64, with ...Given) (Figure, error) {
	f, _ := o.figure(m, value, Budget{Combined: u, Level: Level95}, with...)
	f.Low, f.High, f.Expanded = &low, &high, max(high-value, value-low)
	if u > 0 {
		f.K = f.Expanded / u
	}
	return f, f.check()
}

func (f Figure) check() error {
	numbers := []float64{f.Value, f.U_std, f.K, f.Expanded}
	for _, g := range f.With {
		numbers = append(numbers, g.Value)
	}
	for _, bound := range [...]*float64{f.Low, f.High} {
		if bound != nil {
			numbers = append(numbers, *bound)
		}
	}
	if f.Budget != nil {
		for _, in := range f.Budget.Inputs {
			if v := in.Value + in.U + in.DoF + in.Contribution(); math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("%s (%s) of %s: the data do not determine what it comes from: %s is %.6g %s, u %.6g", f.Figure, f.Flavour, f.Channel, in.Name, in.Value, in.Unit, in.U)
			}
		}
	}
	for _, v := range numbers {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s (%s) of %s: the data do not determine it: value %.6g, u %.6g, k %.6g, U %.6g",
				f.Figure, f.Flavour, f.Channel, f.Value, f.U_std, f.K, f.Expanded)
		}
	}
	return nil
}

// Note adds a remark.
func (f Figure) Note(format string, args ...any) Figure {
	f.Notes = append(f.Notes[:len(f.Notes):len(f.Notes)], fmt.Sprintf(format, args...))
	return f
}

// String is the figure in a line and its definition in further ones: never the number
// alone.
func (f Figure) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s of %s (%s): ", f.Figure, f.Channel, f.Flavour)
	digits := digitsFor(f.Expanded)
	switch {
	case f.Censored:
		fmt.Fprintf(&s, "above %s", number(f.Value, digits))
	case f.Low != nil && f.High != nil:
		fmt.Fprintf(&s, "%s (%s to %s)", number(f.Value, digits), number(*f.Low, digits), number(*f.High, digits))
	default:
		fmt.Fprintf(&s, "%s ± %s", number(f.Value, digits), number(f.Expanded, digits))
	}
	fmt.Fprintf(&s, " %s (%.4g %%, k = %.3g)\n  definition: %s [%s]\n  rows: %s\n", f.Unit, 100*f.Level, f.K, f.Definition, f.Source, f.Rows)
	for _, g := range f.With {
		fmt.Fprintf(&s, "  with %s = %s\n", g.Name, g.Shown())
	}
	for _, n := range f.Notes {
		fmt.Fprintf(&s, "  note: %s\n", n)
	}
	return s.String()
}

// digitsFor is the place of the second significant digit of an uncertainty (JCGM 100,
// 7.2.6), as digits behind the point.
func digitsFor(u float64) int {
	if !(u > 0) {
		return math.MaxInt
	}
	return 1 - int(math.Floor(math.Log10(u)))
}

func number(v float64, digits int) string {
	if digits > 12 || digits < -6 {
		return fmt.Sprintf("%.6g", v)
	}
	if digits < 0 {
		scale := math.Pow(10, float64(-digits))
		return fmt.Sprintf("%.0f", math.Round(v/scale)*scale)
	}
	text := fmt.Sprintf("%.*f", digits, v)
	if strings.Trim(text, "-0.") == "" { // nothing is not less than nothing
		return strings.TrimPrefix(text, "-")
	}
	return text
}
