package quantity

import (
	"math"
	"strconv"
	"strings"
)

// This file writes values for people who look: in units that make numbers of one to
// three digits before the point, rounded. Files get AppendNumber and String.

// unread are units in which nobody looks for a number they did not write.
var unread = map[string]bool{"%": true, "cm": true, "ppm": true, "d": true, "mK": true}

// Best is the unit in which a value is nice to read.
func Best(v float64, d Dimension) Unit {
	best, _ := d.Canonical()
	for _, u := range units {
		if u.Dim == d && !unread[u.Symbol] && better(v/u.Factor, v/best.Factor) {
			best = u
		}
	}
	return best
}

// better is whether a is the nicer number to read: not below 1, and small.
func better(a, b float64) bool {
	a, b = math.Abs(a), math.Abs(b)
	switch {
	case a >= 0.9995 && b >= 0.9995:
		return a < b
	case a >= 0.9995:
		return true
	}
	return b < 0.9995 && a > b
}

// Look is how the values of one column are written: in one unit, with as many decimals
// for each.
type Look struct {
	Unit     Unit
	Decimals int
}

// significant is how many digits of the largest value are shown: enough to see a
// thermistor change by a hundredth of a kelvin.
const significant = 5

// LookOf is that of a column with a largest value, whose instrument shows steps of a
// size (0 when that is not known); both in canonical units.
func LookOf(largest, step float64, d Dimension) Look {
	l := Look{Unit: Best(largest, d)}
	if l.Unit.Factor == 0 {
		l.Unit = Unit{Symbol: d.String(), Dim: d, Factor: 1}
	}
	size := math.Abs(largest / l.Unit.Factor)
	l.Decimals = significant - 1
	if size > 0 && !math.IsInf(size, 0) {
		l.Decimals -= int(math.Floor(math.Log10(size)))
	}
	if step /= l.Unit.Factor; step > 0 {
		l.Decimals = min(l.Decimals, int(math.Ceil(-math.Log10(step)-1e-9)))
	}
	l.Decimals = min(max(l.Decimals, 0), 2*significant)
	return l
}

// Text is a value in canonical units as it is looked at.
func (l Look) Text(v float64) string {
	text := strconv.FormatFloat(v/l.Unit.Factor, 'f', l.Decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-") // minus zero is zero
	}
	if l.Unit.Symbol == "1" {
		return text
	}
	return text + " " + l.Unit.Symbol
}

// Shown is one value by itself, as it is looked at.
func Shown(v float64, d Dimension) string { return LookOf(v, 0, d).Text(v) }

// Near is a value that somebody chose, such as a limit: the digits that it has when
// these are few, otherwise three.
func Near(v float64, d Dimension) string {
	l := LookOf(v, 0, d)
	n := v / l.Unit.Factor
	text := strconv.FormatFloat(round12(n), 'f', -1, 64)
	if size := math.Abs(n); len(text) > 6 && size < 1e6 {
		digits := 2 - int(math.Floor(math.Log10(math.Max(size, 1e-3))))
		text = strconv.FormatFloat(n, 'f', max(0, digits), 64)
	}
	if l.Unit.Symbol == "1" {
		return text
	}
	return text + " " + l.Unit.Symbol
}

// round12 takes away what arithmetic in binary adds to a decimal number.
func round12(v float64) float64 {
	n, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		return v
	}
	return n
}
