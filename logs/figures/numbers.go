package figures

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers/quantity"
)

// Role says what a column is taken for; it decides the dimension its unit must have.
type Role struct {
	Name      string // in messages: "time", "temperature", …
	Canonical string // unit the values are converted to
}

// Roles a table's columns can have.
var (
	TimeRole        = Role{"time", "s"}
	TemperatureRole = Role{"temperature", "degC"}
	ResistanceRole  = Role{"resistance", "Ohm"}
	VoltageRole     = Role{"voltage", "V"}
	CurrentRole     = Role{"current", "A"}
	CyclesRole      = Role{"cycles", "1"}
	RadiusRole      = Role{"radius", "m"}
	DistanceRole    = Role{"distance", "m"}
)

// Column is the column of a name: exactly, or the only one that has it in other letter
// case and is not taken for something else.
func (t *Table) Column(name string, taken ...*TableColumn) (*TableColumn, error) {
	var names []string
	var exact, alike []*TableColumn
	for i := range t.Columns {
		c := &t.Columns[i]
		if c.called(name) {
			exact = append(exact, c)
		}
		if strings.EqualFold(c.Name, name) && !slices.Contains(taken, c) {
			alike = append(alike, c)
		}
		names = append(names, fmt.Sprintf("%q", c.Name))
	}
	switch {
	case len(exact) == 1:
		return exact[0], nil
	case len(exact) > 1:
		return nil, fmt.Errorf("%d columns are called %q: which is meant cannot be told; give them names of their own", len(exact), name)
	case len(alike) == 1:
		return alike[0], nil
	}
	return nil, fmt.Errorf("there is no column %q; the columns are %s", name, strings.Join(names, ", "))
}

func (c *TableColumn) called(name string) bool {
	return c.Name == name || c.As == name || c.Name+" / "+c.Unit == name
}

// columns are those of the names wanted, no letter case taking what another name says
// exactly.
func (t *Table) columns(wanted []Wanted) ([]*TableColumn, error) {
	var taken, all []*TableColumn
	for i := range t.Columns {
		if c := &t.Columns[i]; slices.ContainsFunc(wanted, func(w Wanted) bool { return c.called(w.Name) }) {
			taken = append(taken, c)
		}
	}
	for _, w := range wanted {
		c, err := t.Column(w.Name, taken...)
		if err != nil {
			return nil, err
		}
		taken, all = append(taken, c), append(all, c)
	}
	return all, nil
}

// cellReader makes numbers of cells, and counts what it cannot.
type cellReader struct {
	comma  bool
	unit   quantity.Unit
	kelvin bool           // absolute temperatures in K
	degF   bool           // temperatures in degrees Fahrenheit, which unit does not tell
	left   map[string]int // reason → cells
	first  map[string]int // reason → line
	other  int            // cells with a unit of their own

	decimals int // most that a number is written with, beyond its unit: those of 1.5e1 are 0
	written  bool
}

// mostReasons bounds what is said of one column.
const mostReasons = 6

func (r *cellReader) skip(reason string, line int) float64 {
	if len(r.left) >= mostReasons && r.left[reason] == 0 {
		reason = "no number like these others"
	}
	if r.left[reason]++; r.left[reason] == 1 {
		r.first[reason] = line
	}
	return math.NaN()
}

// agreed refuses a unit that contradicts the header's; a header's that dwell does not know
// is passed over, and said.
func (t *Table) agreed(c *TableColumn, unit string) error {
	given, _ := quantity.LookUp(unit)
	switch said, known := quantity.LookUp(c.Unit); {
	case c.Unit == "" || unit == "" || unit == c.Unit || isFahrenheit(c.Unit) && isFahrenheit(unit):
	case isFahrenheit(c.Unit) || isRankine(c.Unit) || known && (said.Dim != given.Dim || said.Factor != given.Factor):
		return fmt.Errorf("column %q: its header says %s, and %s was given: correct one of them", c.Name, c.Unit, unit)
	case !known:
		t.note("column %q: its header says %q, which dwell does not know; read as %s, as was given", c.Name, c.Unit, unit)
	}
	return nil
}

// isFahrenheit tells the unit of old loggers, which are read, and of nothing else.
func isFahrenheit(unit string) bool {
	switch withoutDegree(unit) {
	case "degf", "deg f", "f", "fahrenheit":
		return true
	}
	return false
}

// isRankine tells another one, which is not read.
func isRankine(unit string) bool {
	word := withoutDegree(unit)
	return word == "degr" || word == "rankine"
}

func withoutDegree(unit string) string { return strings.ToLower(strings.TrimLeft(unit, "°º ")) }

// celsius is a temperature in degrees Fahrenheit in degC (NIST SP 811, B.8).
func celsius(fahrenheit float64) float64 { return (fahrenheit - 32) / 1.8 }

// Wanted is a column to be read: its name, what it is taken for, and the unit if the header
// has none, or one that is not known.
type Wanted struct {
	Name string
	Role Role
	Unit string
}

// taker makes values of the cells of one column.
type taker struct {
	at     int // place of the column
	value  func(cell string, line int) float64
	done   func(values []float64) error
	values []float64
}

// Numbers are the values of columns in their roles' units, NaN where there is none. A
// column in which half of the cells or more are no numbers is an error.
func (t *Table) Numbers(how Reading, wanted ...Wanted) ([][]float64, error) {
	of, err := t.columns(wanted)
	if err != nil {
		return nil, err
	}
	var takers []*taker
	for n, w := range wanted {
		c := of[n]
		k := &taker{at: t.place(c), values: make([]float64, 0, len(t.Lines))}
		if w.Role == TimeRole && w.Unit == "" && isTime(c.first) {
			t.moments(c, k)
		} else if err := t.numbers(c, w, how, k); err != nil {
			return nil, err
		}
		takers = append(takers, k)
	}
	if _, err := t.rows(func(row []string, line int) {
		for _, k := range takers {
			k.values = append(k.values, k.value(row[k.at], line))
		}
	}); err != nil {
		return nil, err
	}
	columns := make([][]float64, len(takers))
	for i, k := range takers {
		if err := k.done(k.values); err != nil {
			return nil, err
		}
		columns[i] = k.values
	}
	return columns, nil
}

func (t *Table) place(c *TableColumn) int {
	for i := range t.Columns {
		if c == &t.Columns[i] {
			return i
		}
	}
	return -1
}

// numbers takes the cells of a column for numbers.
func (t *Table) numbers(c *TableColumn, w Wanted, how Reading, k *taker) error {
	r := &cellReader{left: map[string]int{}, first: map[string]int{}, comma: how.Comma}
	unit := w.Unit
	if err := t.agreed(c, unit); err != nil {
		return err
	}
	if unit == "" {
		unit = c.Unit
	}
	if err := r.take(c.Name, c.first, w.Role, unit); err != nil {
		return err
	}
	if !r.comma {
		var err error
		if r.comma, err = c.decimalComma(); err != nil {
			return err
		}
		if r.comma {
			t.note("column %q: commas are decimal signs", c.Name)
		}
	}
	k.value = r.number
	k.done = func(values []float64) error { return t.counted(c, r, values) }
	return nil
}

// counted says what was left out of a column.
func (t *Table) counted(c *TableColumn, r *cellReader, values []float64) error {
	c.step = r.step(values)
	good := 0
	for _, v := range values {
		if !math.IsNaN(v) {
			good++
		}
	}
	var why []string
	for reason, n := range r.left {
		why = append(why, fmt.Sprintf("column %q: %d cells left out, %s, the first at line %d", c.Name, n, reason, r.first[reason]))
	}
	slices.Sort(why)
	t.Notes = append(t.Notes, why...)
	if r.other > 0 {
		t.note("column %q: %d cells have a unit of their own and were converted", c.Name, r.other)
	}
	if r.kelvin {
		t.note("column %q: kelvin, converted to degC", c.Name)
	}
	if r.degF {
		t.note("column %q: degrees Fahrenheit, converted to degC", c.Name)
	}
	if good*2 <= len(values) {
		return fmt.Errorf("column %q: only %d of %d cells are numbers (%s)", c.Name, good, len(values), strings.Join(why, "; "))
	}
	return nil
}

// take settles the unit of a column.
func (r *cellReader) take(name, first string, role Role, unit string) error {
	want, _ := quantity.LookUp(role.Canonical)
	if role == CyclesRole && unit == "" {
		unit = "1"
	}
	if unit == "" && role == TimeRole && first != "" && !looksNumeric(first) {
		return fmt.Errorf("column %q, taken for time: %.40q is none; %s are understood", name, first, momentsUnderstood)
	}
	if unit == "" {
		return fmt.Errorf("column %q, taken for %s, has no unit: name it in the header (%s / %s) or beside the column's name", name, role.Name, name, role.Canonical)
	}
	if role == TemperatureRole && isFahrenheit(unit) {
		r.degF, r.unit = true, want
		return nil
	}
	u, ok := quantity.LookUp(unit)
	if !ok {
		_, err := quantity.Parse("1 " + unit) // says what may have been meant
		return fmt.Errorf("column %q, taken for %s: %w", name, role.Name, err)
	}
	if role == TemperatureRole && u.Symbol == "K" {
		r.kelvin = true // a temperature in K can only be an absolute one
		r.unit = u
		return nil
	}
	if u.Dim != want.Dim {
		return fmt.Errorf("column %q, taken for %s, is in %s, which is none; expected something like %s", name, role.Name, unit, role.Canonical)
	}
	r.unit = u
	return nil
}

// decimalComma tells whether a column writes commas for points. Both signs in one column,
// or a comma that could group thousands as well, are errors.
func (c *TableColumn) decimalComma() (bool, error) {
	switch {
	case c.grouped != "":
		return false, fmt.Errorf("column %q: %q groups its digits: write them without grouping", c.Name, c.grouped)
	case c.commas > 0 && c.points > 0:
		return false, fmt.Errorf("column %q: some cells have a decimal point, others a comma (%q)", c.Name, c.comma)
	case c.commas > 0 && c.commas == c.groups:
		return false, fmt.Errorf("column %q: every comma has three digits behind it (%q): decimal sign or grouping cannot be told; say that commas are decimal signs", c.Name, c.comma)
	}
	return c.commas > 0, nil
}

// hottest is what no thermometer reads, degC: those of tungsten and rhenium end at 2315.
const hottest = 2500.

func (r *cellReader) number(cell string, line int) float64 {
	if missing(cell) {
		if cell == "" {
			return r.skip("empty", line)
		}
		return r.skip(fmt.Sprintf("%.20q stands for no value", cell), line)
	}
	if r.comma {
		cell = strings.Replace(cell, ",", ".", 1)
	}
	unit, kelvin, degF := r.unit, r.kelvin, r.degF
	number := tolerant(cell)
	word, symbol, own := strings.Cut(cell, " ")
	switch {
	case own && isFahrenheit(symbol) && (r.unit.Dim.Absolute || r.kelvin):
		if !r.degF {
			r.other++
		}
		kelvin, degF, number = false, true, tolerant(word)
	case own:
		u, known := quantity.LookUp(strings.TrimSpace(symbol))
		absolute := u.Symbol == "K" && (r.unit.Dim.Absolute || r.kelvin) || u.Dim.Absolute && r.kelvin
		if !known || u.Dim != r.unit.Dim && !absolute {
			return r.skip(fmt.Sprintf("%.20q is no number in %s", cell, r.unit.Symbol), line)
		}
		kelvin, degF = u.Symbol == "K" && (r.kelvin || r.unit.Dim.Absolute), false
		if u.Symbol != r.unit.Symbol || r.degF {
			r.other++
		}
		unit, number = u, tolerant(word)
	}
	q, err := quantity.ParseNumber(number)
	if err != nil {
		return r.skip(fmt.Sprintf("%.20q is no number", cell), line)
	}
	if math.Abs(q) > overflow {
		return r.skip("overflow of an instrument", line)
	}
	if d := decimalsOf(number); !r.written || d > r.decimals {
		r.written, r.decimals = true, d
	}
	v := q
	switch {
	case degF:
		v = celsius(q)
	case unit.Factor != 1:
		scaled, err := quantity.Parse(number + " " + unit.Symbol) // exact in powers of ten
		if err != nil {
			return r.skip("out of range", line)
		}
		v = scaled.Value
	}
	if kelvin {
		v -= zeroCelsius
	}
	if absolute := unit.Dim.Absolute || kelvin || degF; math.IsInf(v, 0) || absolute && (v < -zeroCelsius || v > hottest) {
		return r.skip("out of range", line)
	}
	return v
}

// decimalsOf is how many digits behind the point a number is written with, less its exponent.
func decimalsOf(number string) int {
	mantissa, exponent, _ := strings.Cut(strings.ToLower(number), "e")
	_, behind, _ := strings.Cut(mantissa, ".")
	power, _ := strconv.Atoi(exponent)
	return len(behind) - power
}

// step is the greatest common step of the values. A few may have a larger one in common by
// chance, and temperatures by their setpoints: of a few it is a power of ten, of three no more
// than the last digit written, as it is of a few temperatures, and where it would be more
// than a degree. Common practice, no source.
func (r *cellReader) step(values []float64) float64 {
	if !r.written || r.other > 0 {
		return 0
	}
	const three, few, exact = 3, 12, 1 << 40
	digit := math.Pow(10, -float64(r.decimals))
	switch {
	case r.degF:
		digit /= 1.8
	case !r.kelvin:
		digit *= r.unit.Factor
	}
	common, first, seen := int64(0), math.NaN(), map[float64]bool{}
	for _, v := range values {
		switch {
		case math.IsNaN(v):
			continue
		case math.IsNaN(first):
			first = v
		}
		if len(seen) < few {
			seen[v] = true
		}
		n := math.Abs(math.Round((v - first) / digit))
		if n > exact {
			return digit
		}
		for a := int64(n); a != 0; {
			common, a = a, common%a
		}
	}
	temperature := r.unit.Dim.Absolute || r.kelvin
	switch step := digit * float64(common); {
	case common == 0 || len(seen) <= three || temperature && (len(seen) < few || step > nearEnough):
	case len(seen) < few:
		for ; common%10 == 0; common /= 10 {
			digit *= 10
		}
	default:
		digit = step
	}
	return digit
}

// tolerant rewrites what spreadsheets do to numbers and cannot be misread: a sign +, a
// point without digits on one side, leading zeros, and the long minus.
func tolerant(cell string) string {
	s := strings.ReplaceAll(cell, "\u2212", "-")
	sign := ""
	if s != "" && (s[0] == '+' || s[0] == '-') {
		sign, s = strings.TrimPrefix(s[:1], "+"), s[1:]
	}
	for len(s) > 1 && s[0] == '0' && s[1] >= '0' && s[1] <= '9' {
		s = s[1:]
	}
	if strings.HasPrefix(s, ".") {
		s = "0" + s
	}
	if mantissa, exponent, ok := strings.Cut(s, "."); ok && (exponent == "" || exponent[0] == 'e' || exponent[0] == 'E') {
		s = mantissa + exponent
	}
	return sign + s
}

// moments takes a column for dates and times, in s since the first. A time of day that is
// half a day and more before the last one is one of the next day.
func (t *Table) moments(c *TableColumn, k *taker) {
	const day = 86400.
	first, last, bad, midnights, layout := math.NaN(), math.NaN(), 0, 0, 0
	k.value = func(cell string, line int) float64 {
		m, written, err := parseMoment(cell, layout)
		if err != nil {
			if bad++; bad == 1 {
				t.note("column %q: line %d and perhaps others left out: %v", c.Name, line, err)
			}
			return math.NaN()
		}
		if layout = written; layout >= timesOfDay {
			if m += day * float64(midnights); m < last-day/2 {
				midnights, m = midnights+1, m+day
			}
		}
		if last = m; math.IsNaN(first) {
			first = m
		}
		return m - first
	}
	k.done = func(values []float64) error {
		if 2*bad >= len(values) {
			return fmt.Errorf("column %q: %d of %d cells are no times", c.Name, bad, len(values))
		}
		if midnights > 0 {
			t.note("column %q: times of day that pass midnight %d times", c.Name, midnights)
		}
		t.note("column %q: clock times, counted in seconds from the first; a change of summer time in between would show as a gap or a step back", c.Name)
		return nil
	}
}

// mostDisorder is the share of rows that may be left out because their time stands still
// or runs back: beyond it the file is not one record. Common practice, no source.
const mostDisorder = 0.1

// InOrder keeps the rows whose time is later than all before and in which every column has
// a value, and says what was left out. The first column is the time. The rows are moved
// together where they are.
func (t *Table) InOrder(columns ...[]float64) ([][]float64, error) {
	kept := make([][]float64, len(columns))
	for k, c := range columns {
		kept[k] = c[:0]
	}
	latest, latestLine := math.Inf(-1), int32(0)
	twice, back, empty, from := 0, 0, 0, 0.
	var firstBack, firstTwice int32
	for i, at := range columns[0] {
		if slices.ContainsFunc(columns, func(c []float64) bool { return math.IsNaN(c[i]) }) {
			empty++
			continue
		}
		switch {
		case at == latest:
			if twice++; twice == 1 {
				firstTwice = t.Lines[i]
			}
			continue
		case at < latest:
			if back++; back == 1 {
				firstBack, from = t.Lines[i], at
			}
			continue
		}
		latest, latestLine = at, t.Lines[i]
		for k, c := range columns {
			kept[k] = append(kept[k], c[i])
		}
	}
	rows := len(columns[0]) - empty
	if empty > 0 {
		t.note("%d rows without a value in every column used are left out", empty)
	}
	if twice > 0 {
		t.note("%d rows with the time of the row before are left out, the first at line %d", twice, firstTwice)
	}
	if back > 0 {
		t.note("%d rows whose time is before that of an earlier row are left out, the first at line %d", back, firstBack)
	}
	switch {
	case float64(back) > mostDisorder*float64(rows):
		return nil, fmt.Errorf("time runs backwards from line %d on (%v s, after %v s at line %d at the latest): %d of %d rows; is this two records in one file?",
			firstBack, from, latest, latestLine, back, rows)
	case float64(twice) > mostDisorder*float64(rows) && rows > 1:
		return nil, fmt.Errorf("%d of %d rows have the time of the row before, the first at line %d: the times are too coarse to order the readings", twice, rows, firstTwice)
	case len(kept[0]) == 0:
		return nil, fmt.Errorf("no row has a value in every column used")
	case len(kept[0]) == 1:
		return nil, fmt.Errorf("only one row (line %d) can be used: nothing can be said of its uncertainty or of any change", latestLine)
	}
	return kept, nil
}
