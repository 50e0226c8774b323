// Package quantity holds values with their units: it reads "0.1 K" or
// "10 kOhm", checks dimensions, and writes numbers the same way in every file.
//
// Values are kept in coherent SI units, with one exception: an absolute
// temperature is kept in degC and a temperature difference in K. The two are
// different dimensions (Dimension.Absolute), so that neither is taken for the
// other.
//
// It must never guess: a text that is not exactly a number and a known unit is
// an error, and no number that was written is ever read as another one.
package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Dimension is a product of powers of second, metre, kilogram, ampere and
// kelvin. Absolute marks a temperature in degC; it is only ever set with K: 1.
type Dimension struct {
	S, M, KG, A, K int8
	Absolute       bool
}

// Unit is one way of writing values of a dimension: the value in canonical
// units is Factor times the number written. UCUM is its code in the Unified
// Code for Units of Measure, QUDT its local name in http://qudt.org/vocab/unit/
// (empty where there is none).
type Unit struct {
	Symbol string
	Dim    Dimension
	Factor float64
	UCUM   string
	QUDT   string

	exponent int8  // power of ten in Factor
	ratio    int32 // the rest of Factor, see units
}

// Quantity is a value in the canonical unit of Unit.Dim. Unit is how it was
// written, and how it is shown.
type Quantity struct {
	Value float64
	Unit  Unit
}

// Error says why a text is no quantity. Hint, when not empty, says what may
// have been meant.
type Error struct{ Text, Hint string }

func (e *Error) Error() string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + ": " + e.Hint
}

// Parse reads a number, a space and a unit, such as "0.1 K" or "20 degC". The
// space may be left out before "%"; a number alone is dimensionless.
func Parse(text string) (Quantity, error) {
	n := ScanNumber(text)
	if n == 0 {
		_, err := ParseNumber(firstWord(text)) // says what is wrong with the number
		return Quantity{}, err
	}
	number, rest := text[:n], text[n:]
	symbol := strings.TrimLeft(rest, " ")
	switch {
	case rest == "":
		v, err := scaled(number, units[0])
		return Quantity{v, units[0]}, err
	case symbol == "":
		return Quantity{}, &Error{Text: fmt.Sprintf("%q ends in a space", text)}
	case strings.IndexByte("0123456789._,", rest[0]) >= 0, number == "0" && strings.IndexByte("xXbBoO", rest[0]) >= 0:
		_, err := ParseNumber(firstWord(text))
		return Quantity{}, err
	}
	u, ok := LookUp(symbol)
	if !ok || u.Symbol == "1" {
		return Quantity{}, &Error{fmt.Sprintf("unknown unit %q", symbol), unitHint(symbol)}
	}
	if rest == symbol && u.Symbol != "%" {
		return Quantity{}, &Error{
			fmt.Sprintf("no space between number and unit in %q", text),
			fmt.Sprintf("write %s %s", number, u.Symbol)}
	}
	v, err := scaled(number, u)
	return Quantity{v, u}, err
}

// ParseNumber reads a decimal number: an optional sign, digits without leading
// zeros, optionally a point with digits on both sides, optionally an exponent.
func ParseNumber(text string) (float64, error) {
	if n := ScanNumber(text); n == len(text) && n > 0 {
		return scaled(text, units[0])
	}
	e := &Error{Text: fmt.Sprintf("%q is not a number", text)}
	digits := strings.TrimLeft(text, "+-")
	switch lower := strings.ToLower(digits); {
	case text == "":
		e.Text = "a number is missing"
	case lower == "inf" || lower == "nan" || lower == ".inf" || lower == ".nan" || lower == "infinity":
		e.Hint = "only finite numbers can be written"
	case len(digits) > 1 && digits[0] == '0' && digits[1] >= '0' && digits[1] <= '9':
		e.Hint = "leave out leading zeros"
	case strings.HasPrefix(lower, "0x"), strings.HasPrefix(lower, "0b"), strings.HasPrefix(lower, "0o"):
		e.Hint = "write it in decimal"
	case strings.HasPrefix(digits, ".") || strings.HasSuffix(digits, "."):
		e.Hint = "write a digit on both sides of the point"
	case strings.Contains(digits, "_"):
		e.Hint = "write the digits without _"
	case strings.Contains(digits, ","):
		e.Hint = "the decimal sign is a point, and digits are not grouped"
	}
	return 0, e
}

// ScanNumber returns the length in bytes of the longest number, as ParseNumber
// reads it, at the beginning of text; 0 when there is none. A number is not cut
// short: "010" and "1." have none, "5e" is the number 5 and a letter.
func ScanNumber(text string) int {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	whole := digitsAt(text, i)
	if whole == 0 || whole > 1 && text[i] == '0' {
		return 0
	}
	i += whole
	if i < len(text) && text[i] == '.' {
		fraction := digitsAt(text, i+1)
		if fraction == 0 {
			return 0
		}
		i += 1 + fraction
	}
	if i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		j := i + 1
		if j < len(text) && (text[j] == '+' || text[j] == '-') {
			j++
		}
		if d := digitsAt(text, j); d > 0 {
			i = j + d
		}
	}
	return i
}

func firstWord(text string) string {
	if word, _, _ := strings.Cut(text, " "); word != "" {
		return word
	}
	return text
}

func digitsAt(text string, from int) int {
	i := from
	for i < len(text) && text[i] >= '0' && text[i] <= '9' {
		i++
	}
	return i - from
}

// scaled converts a well-formed number written in unit u to canonical units.
// The power of ten goes into the exponent of the text, so that "0.1 ms" is the
// float nearest to 0.0001.
func scaled(number string, u Unit) (float64, error) {
	outOfRange := func() error { return &Error{Text: fmt.Sprintf("%s %s is out of range", number, u.Symbol)} }
	mantissa, exponent := number, 0
	if i := strings.IndexAny(number, "eE"); i >= 0 {
		var err error
		if exponent, err = strconv.Atoi(number[i+1:]); err != nil || exponent > 9999 || exponent < -9999 {
			return 0, outOfRange()
		}
		mantissa = number[:i]
	}
	plain := mantissa
	if exponent += int(u.exponent); exponent != 0 {
		plain = mantissa + "e" + strconv.Itoa(exponent)
	}
	v, err := strconv.ParseFloat(plain, 64)
	if err == nil && u.ratio > 0 {
		v *= float64(u.ratio)
	} else if err == nil && u.ratio < 0 {
		v /= float64(-u.ratio)
	}
	vanished := v == 0 && strings.ContainsAny(mantissa, "123456789")
	if err != nil || math.IsInf(v, 0) || vanished {
		return 0, outOfRange()
	}
	return v + 0, nil // + 0: minus zero is zero
}

// String writes q in the unit it was written in, such that Parse gives back
// exactly q.Value. A computed value that no number in that unit gives exactly
// is written in the canonical unit.
func (q Quantity) String() string {
	number, ok := q.Unit.number(q.Value)
	symbol := q.Unit.Symbol
	if !ok {
		number, symbol = string(AppendNumber(nil, q.Value)), q.Unit.Dim.String()
	}
	if symbol == "1" || symbol == "" {
		return number
	}
	return number + " " + symbol
}

// number finds a text that scaled turns back into v: the shortest digits with
// the power of ten moved, written plainly if that gives the same value. There is
// none for a few computed values in units with a ratio.
func (u Unit) number(v float64) (text string, ok bool) {
	n := v
	if u.ratio > 0 {
		n /= float64(u.ratio)
	} else if u.ratio < 0 {
		n *= float64(-u.ratio)
	}
	mantissa, power, _ := strings.Cut(strconv.FormatFloat(n, 'E', -1, 64), "E")
	exponent, err := strconv.Atoi(power)
	if err != nil { // NaN or infinite
		return "", false
	}
	exact := mantissa + "E" + strconv.Itoa(exponent-int(u.exponent))
	plain, _ := strconv.ParseFloat(exact, 64)
	for _, text = range [...]string{string(AppendNumber(nil, plain)), exact} {
		if back, err := scaled(text, u); err == nil && back == v {
			return text, true
		}
	}
	return "", false
}

// AppendNumber writes v for a file: the shortest decimal that reads back as
// exactly v, with an exponent when v is very large or small; NaN, INF and -INF
// as XML Schema writes them.
func AppendNumber(dst []byte, v float64) []byte {
	switch size := math.Abs(v); {
	case v != v:
		return append(dst, "NaN"...)
	case math.IsInf(v, 0):
		if v < 0 {
			dst = append(dst, '-')
		}
		return append(dst, "INF"...)
	case size == 0 || size >= 1e-4 && size < 1e15:
		return strconv.AppendFloat(dst, v, 'f', -1, 64)
	}
	return strconv.AppendFloat(dst, v, 'E', -1, 64)
}

// AppendSeconds writes ns nanoseconds as exact decimal seconds, without
// trailing zeros.
func AppendSeconds(dst []byte, ns int64) []byte {
	size := uint64(ns)
	if ns < 0 {
		dst = append(dst, '-')
		size = -size
	}
	dst = strconv.AppendUint(dst, size/1e9, 10)
	rest := size % 1e9
	if rest == 0 {
		return dst
	}
	dst = append(dst, '.')
	for digit := uint64(1e8); rest > 0; digit /= 10 {
		dst = append(dst, byte('0'+rest/digit))
		rest %= digit
	}
	return dst
}

// Mul is the dimension of a product. It is never absolute: a temperature in
// degC cannot be multiplied, and whoever multiplies checks that first.
func (d Dimension) Mul(e Dimension) Dimension {
	return Dimension{S: d.S + e.S, M: d.M + e.M, KG: d.KG + e.KG, A: d.A + e.A, K: d.K + e.K}
}

// Div is the dimension of a quotient, never absolute, as with Mul.
func (d Dimension) Div(e Dimension) Dimension {
	return Dimension{S: d.S - e.S, M: d.M - e.M, KG: d.KG - e.KG, A: d.A - e.A, K: d.K - e.K}
}

// Canonical returns the unit in which values of d are kept; false when no unit
// of that dimension can be written.
func (d Dimension) Canonical() (Unit, bool) {
	for _, u := range units {
		if u.Dim == d && u.Factor == 1 {
			return u, true
		}
	}
	return Unit{}, false
}

// String is the symbol of the canonical unit, "1" for a plain number. A
// dimension without a unit of its own is written as a quotient of known ones
// if it is one ("Ohm/K"), else in base units.
func (d Dimension) String() string {
	if u, ok := d.Canonical(); ok {
		return u.Symbol
	}
	for _, below := range [...]string{"s", "K", "m"} {
		if u, ok := d.Mul(bySymbol[below].Dim).Canonical(); ok && !strings.Contains(u.Symbol, "/") {
			return u.Symbol + "/" + below
		}
	}
	var b []byte
	for _, base := range [...]struct {
		symbol string
		power  int8
	}{{"kg", d.KG}, {"m", d.M}, {"s", d.S}, {"A", d.A}, {"K", d.K}} {
		if base.power == 0 {
			continue
		}
		if b != nil {
			b = append(b, ' ')
		}
		b = append(b, base.symbol...)
		if base.power != 1 {
			b = strconv.AppendInt(b, int64(base.power), 10)
		}
	}
	return string(b)
}
