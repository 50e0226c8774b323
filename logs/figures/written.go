package figures

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"dwell/drivers/quantity"
)

// Encode is figures.json: a list, one figure after the other.
func Encode(all []Figure) ([]byte, error) {
	if all == nil {
		all = []Figure{}
	}
	text, err := json.MarshalIndent(all, "", " ")
	if err != nil {
		return nil, fmt.Errorf("figures.json cannot be written: %w", err)
	}
	return append(text, '\n'), nil
}

// Names are the figures there are, each once, in their order.
func Names(all []Figure) (names []string) {
	for _, f := range all {
		if !slices.Contains(names, f.Figure) {
			names = append(names, f.Figure)
		}
	}
	return names
}

const (
	pageWidth  = 100
	mostDigits = 6 // behind the point; with more, people count zeros
)

// Text is a table for the screen, then what was left out and what is to be known.
func (r *Results) Text() string {
	var b strings.Builder
	for _, name := range Names(r.Figures) {
		fmt.Fprintf(&b, "%s\n", name)
		var shown []string
		for _, f := range r.Figures {
			if f.Figure != name || slices.Contains(shown, f.Flavour) {
				continue
			}
			shown = append(shown, f.Flavour)
			b.WriteString(alike(r.Figures, f))
		}
	}
	if len(r.Figures) == 0 {
		fmt.Fprintln(&b, "no figure could be computed")
	} else {
		where := "figures.json"
		if r.FromTable {
			where = "the output of --json"
		}
		fmt.Fprintln(&b, wrapped("± is the expanded uncertainty at 95 % (JCGM 100); definitions, sources and rows are in "+where+", budgets with --budget FIGURE", ""))
	}
	b.WriteString(r.plateausText())
	if len(r.Found.Segments) > 0 {
		fmt.Fprintf(&b, "\nfound in the temperature (to correct it, save these lines, change them, and give them back with --plateaus)\n%s", r.Found)
	}
	if r.ForRig != "" {
		fmt.Fprintf(&b, "\nfor the rig file, under instruments: %s\n%s", ForRigSays, r.ForRig)
	}
	if len(r.LeftOut) > 0 {
		fmt.Fprintln(&b, "\nnot given")
		for _, o := range r.LeftOut {
			fmt.Fprintln(&b, wrapped("  "+o.Figure+": "+o.Why, "    "))
		}
	}
	if len(r.Notes) > 0 {
		fmt.Fprintln(&b, "\nto be known")
		for _, n := range r.Notes {
			fmt.Fprintln(&b, wrapped("  "+n, "    "))
		}
	}
	return b.String()
}

// PlateauSettled is how far the film had come at the end of a plateau, by a thermometer
// that it follows slowly.
type PlateauSettled struct {
	Thermometer string  `json:"thermometer"`
	FromS       float64 `json:"from_s"`
	ToS         float64 `json:"to_s"`
	DegC        float64 `json:"temperature_degC"`
	Ohm         float64 `json:"settled_Ohm"`
	RemainedOhm float64 `json:"remained_Ohm"`
	U           float64 `json:"U_remained_Ohm"` // two standard uncertainties, by scatter
	RemainedK   float64 `json:"remained_K"`
	AtRest      bool    `json:"at_rest"` // what remained cannot be told from nothing, or is less than the scatter of a reading
}

// PlateausSettled are the plateaus of which that can be said.
func (r *Results) PlateausSettled() (all []PlateauSettled) {
	for _, t := range r.Facts.Thermometers {
		s := r.Settled[t.Channel]
		if s == nil || len(s.Tau) == 0 || t.asRead() {
			continue
		}
		for _, h := range s.Holds {
			all = append(all, PlateauSettled{t.Channel, h.Start, h.End, h.T, h.Settled, h.Remained, 2 * h.URemained, h.Remained / h.Slope, h.AtRest()})
		}
	}
	return all
}

func (r *Results) plateausText() string {
	var b strings.Builder
	all := r.PlateausSettled()
	const most = 24
	for i, p := range all {
		switch {
		case i == 0:
			fmt.Fprintln(&b, "\nwhat the film still lacked at the end of each plateau")
		case i == most:
			fmt.Fprintf(&b, "  and %d more: dwell export writes them all\n", len(all)-most)
			return b.String()
		}
		word := "at rest"
		if !p.AtRest {
			word = "not settled"
		}
		digits := digitsFor(p.U)
		fmt.Fprintf(&b, "  to %6.0f s, %.1f degC by %s: %s ± %s Ohm, %.3f K, %s\n", p.ToS, p.DegC, p.Thermometer, number(p.RemainedOhm, digits), number(p.U, digits), p.RemainedK, word)
	}
	return b.String()
}

// alike are the lines of all figures of one name and flavour: of many, the first and the
// range of all.
func alike(all []Figure, like Figure) string {
	const most = 3
	var same []Figure
	for _, f := range all {
		if f.Figure == like.Figure && f.Flavour == like.Flavour {
			same = append(same, f)
		}
	}
	low, high := same[0], same[0]
	var b strings.Builder
	for i, f := range same {
		if low.Value > f.Value {
			low = f
		}
		if high.Value < f.Value {
			high = f
		}
		if i == 0 || len(same) <= most {
			fmt.Fprintln(&b, f.line(len(same) > 1))
		}
	}
	if len(same) > most {
		text := fmt.Sprintf("all %d: %s to %s", len(same), low.ValueText(), high.ValueText())
		fmt.Fprintf(&b, "%*s%s\n", max(0, pageWidth-utf8.RuneCountInString(text)), "", text)
	}
	return b.String()
}

// telling are the numbers without which a figure means nothing to a reader.
var telling = []string{"temperature", "T1", "at", "averaging time", "voltage", "current", "larger current", "radius", "threshold", "interval", "duration"}

// Apart is the number that tells a figure from others of its name and flavour, such as
// the temperature of an R0; one without any is told by its rows.
func (f Figure) Apart() (Given, bool) {
	at := slices.IndexFunc(f.With, func(g Given) bool { return slices.Contains(telling, g.Name) })
	if at < 0 {
		return Given{}, false
	}
	return f.With[at], true
}

// line is a figure on one line of the page: flavour, what it must be read with, value. One
// of several alike says of which part of the run it is.
func (f Figure) line(several bool) string {
	value := f.ValueText()
	name := "  " + f.Flavour
	if g, ok := f.Apart(); ok {
		name += fmt.Sprintf(" (%s %s)", g.Name, g.Shown())
		if strain, worn := f.with("strain"); worn {
			name = fmt.Sprintf("%s, strain %s)", strings.TrimSuffix(name, ")"), Given{"strain", strain, "1"}.Shown())
		}
		several = false
	}
	if several {
		name += ", " + f.Rows
	}
	room := pageWidth - utf8.RuneCountInString(value) - 2
	if utf8.RuneCountInString(name) > room {
		name = string([]rune(name)[:room-1]) + "…"
	}
	return name + strings.Repeat(" ", room-utf8.RuneCountInString(name)) + "  " + value
}

// ValueText is value, uncertainty and unit, to the digits the uncertainty allows.
func (f Figure) ValueText() string {
	digits := digitsFor(f.Expanded)
	unit := f.Unit
	if unit == "1" {
		unit = ""
	}
	switch {
	case f.Censored:
		return strings.TrimSpace(fmt.Sprintf("above %s %s", number(f.Value, digits), unit))
	case f.Low != nil && f.High != nil:
		return strings.TrimSpace(fmt.Sprintf("%s (%s to %s) %s", number(f.Value, digits), number(*f.Low, digits), number(*f.High, digits), unit))
	}
	return strings.TrimSpace(plusMinus(f.Value, f.Expanded) + " " + unit)
}

// plusMinus is a value and its uncertainty to the digits that this allows, a small one with a
// power of ten: (0.3 ± 4.0)E-06 rather than zeros.
func plusMinus(v, u float64) string {
	digits := digitsFor(u)
	if digits > mostDigits && u > 0 && math.Abs(v) < 1 {
		exponent := math.Floor(math.Log10(math.Max(math.Abs(v), u)))
		scale := math.Pow(10, exponent)
		digits = digitsFor(u / scale)
		return fmt.Sprintf("(%s ± %s)E%+03.0f", number(v/scale, digits), number(u/scale, digits), exponent)
	}
	return fmt.Sprintf("%s ± %s", number(v, digits), number(u, digits))
}

// Shown is a number with its unit for people: a small one with a prefix, where its unit
// takes one.
func (g Given) Shown() string {
	if g.Unit == "1" && strings.HasSuffix(g.Name, "strain") {
		return fmt.Sprintf("%.3g %%", 100*g.Value)
	}
	if g.Unit == "1" {
		return rounded(g.Value)
	}
	u, known := quantity.LookUp(g.Unit)
	if g.Unit == "m" && math.Abs(g.Value) < 1 { // people bend to so many millimetres
		return quantity.Near(g.Value, u.Dim)
	}
	if small := math.Abs(g.Value) < 1e-3 && g.Value != 0; small && known {
		return quantity.Shown(g.Value*u.Factor, u.Dim)
	}
	return rounded(g.Value) + " " + g.Unit
}

// rounded is a number to four digits and all those before the point: no condition is known
// better. Near 1, as a coefficient of correlation, what it lacks of that counts.
func rounded(v float64) string {
	a := math.Abs(v)
	switch {
	case a > 0.99 && a < 1 || a >= 1e6:
		return fmt.Sprintf("%.6g", v)
	case a < 0.01:
		return fmt.Sprintf("%.4g", v)
	}
	scale := math.Pow(10, max(0, 3-math.Floor(math.Log10(a))))
	return strconv.FormatFloat(math.Round(v*scale)/scale, 'f', -1, 64)
}

// wrapped breaks a text at blanks to the page's width; further lines are indented.
func wrapped(text, indent string) string {
	var b strings.Builder
	line := ""
	for i, word := range strings.Split(text, " ") {
		if i > 0 && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > pageWidth {
			b.WriteString(line + "\n")
			line = indent + word
			continue
		}
		if i > 0 {
			line += " "
		}
		line += word
	}
	return b.String() + line
}
