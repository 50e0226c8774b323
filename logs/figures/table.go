package figures

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"dwell/drivers/quantity"
)

// Table is what somebody logged, column by column, with a word on everything that was
// understood or left out. Its cells stay in the file, which is read again for their values:
// what is held does not grow with what is not asked for.
type Table struct {
	Columns []TableColumn
	Lines   []int32 // of the file, for each row
	Notes   []string

	text      source
	delimiter rune
	header    int // lines with cells before the first row
}

// TableColumn is what one look at all cells of a column has shown.
type TableColumn struct {
	Name string // without the unit
	Unit string // as written in the header, "" for none
	As   string // the whole of it as written in the header

	step float64 // in which its values are written, in the unit they are converted to; 0: not known

	first                  string // of its values
	commas, points, groups int    // cells with a decimal comma, with a point, with three digits after the comma
	comma, grouped         string // an example of each
}

// Reading says how a table is to be understood where that shall not be found out.
type Reading struct {
	Delimiter rune // 0: found out
	Comma     bool // the decimal sign is a comma for certain; else it is found out
}

const (
	longestTable = 1 << 32
	// A number from an instrument that stands for overflow: SCPI's 9.9E37 and beyond.
	overflow = 9.8e37
	// mostBefore is how many lines may stand before the first row.
	mostBefore = 1000
)

// ReadTable looks through a table with a header line. Comments (#), lines before the
// header, and rows with too many or too few cells are left out and counted.
func ReadTable(file io.ReadSeeker, how Reading) (*Table, error) {
	t := &Table{text: source{file: file}, delimiter: how.Delimiter}
	if err := t.decode(); err != nil {
		return nil, err
	}
	if t.delimiter == 0 {
		if err := t.findDelimiter(); err != nil {
			return nil, err
		}
		t.note("cells are separated by %q", string(t.delimiter))
	}
	if err := t.findHeader(); err != nil {
		return nil, err
	}
	return t, t.look()
}

func (t *Table) note(format string, args ...any) {
	t.Notes = append(t.Notes, fmt.Sprintf(format, args...))
}

// decode finds out how characters are coded.
func (t *Table) decode() error {
	err := t.text.examine()
	switch {
	case err != nil:
		return err
	case t.text.blank:
		return errors.New("the file is empty")
	}
	switch t.text.coding {
	case utf16Little, utf16Big:
		t.note("the file is UTF-16")
	case latin1:
		t.note("the file is not UTF-8 and was read as ISO 8859-1: look at signs such as ° and µ in the header")
	}
	return nil
}

// findDelimiter takes the sign that cuts most lines into the same number of cells, more
// than one. A semicolon or a tab beats the comma, which may be a decimal sign.
func (t *Table) findDelimiter() error {
	const enough = 200 // lines to look at
	r, err := t.text.open()
	if err != nil {
		return err
	}
	beginning, err := io.ReadAll(io.LimitReader(r, 1<<20))
	if err != nil {
		return err
	}
	var lines []string
	for line := range strings.Lines(string(beginning)) {
		line = strings.TrimRight(line, "\n")
		if strings.TrimSpace(line) != "" && line[0] != '#' {
			lines = append(lines, line)
		}
		if len(lines) == enough {
			break
		}
	}
	if len(lines) == 0 {
		return errors.New("the file holds nothing but comments")
	}
	most := 0
	for _, d := range ";\t,|" {
		counts := map[int]int{}
		for _, line := range lines {
			if n := strings.Count(line, string(d)); n > 0 {
				counts[n]++
			}
		}
		for _, n := range counts {
			if n > most {
				t.delimiter, most = d, n
			}
		}
	}
	if most*2 <= len(lines) {
		return fmt.Errorf("no sign separates cells in most lines (semicolon, tab, comma and | were tried; blanks separate none): the first line is %.80q", lines[0])
	}
	return nil
}

// errEnough ends a walk through the rows.
var errEnough = errors.New("enough")

// records walks through all lines with cells, from the beginning of the file. The row is
// valid until the next one.
func (t *Table) records(each func(row []string, line int) error) error {
	r, err := t.text.open()
	if err != nil {
		return err
	}
	c := csv.NewReader(r)
	c.Comma, c.Comment, c.FieldsPerRecord, c.LazyQuotes, c.TrimLeadingSpace = t.delimiter, '#', -1, true, t.delimiter != '\t'
	c.ReuseRecord = true
	for {
		row, err := c.Read()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		line, _ := c.FieldPos(0)
		for i := range row {
			if more := strings.Count(row[i], "\n"); more > 0 {
				begins, _ := c.FieldPos(i)
				return fmt.Errorf("line %d: a quote begins a cell that does not end on its line, but takes in what follows up to line %d: remove the quote, or write the cell on one line",
					begins, begins+more)
			}
			row[i] = strings.TrimSpace(strings.ReplaceAll(row[i], "\u00a0", " "))
		}
		if len(row) == 1 && row[0] == "" {
			continue
		}
		if err := each(row, line); err == errEnough {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// findHeader looks for the line that names the columns.
func (t *Table) findHeader() error {
	var rows [][]string
	var lines []int
	err := t.records(func(row []string, line int) error {
		rows, lines = append(rows, slices.Clone(row)), append(lines, line)
		if len(rows) > mostBefore {
			return errEnough
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return errors.New("the file holds no line with more than blanks")
	}
	usual := map[int]int{}
	for _, row := range rows {
		usual[len(row)]++
	}
	header := slices.IndexFunc(rows, func(row []string) bool {
		return len(row) > 1 && usual[len(row)] > 1 && !slices.ContainsFunc(row, looksNumeric) || len(rows) == 1
	})
	switch {
	case header < 0 && looksNumeric(rows[0][0]):
		return fmt.Errorf("line %d is %.80q: there is no header that names the columns", lines[0], strings.Join(rows[0], string(t.delimiter)))
	case header < 0:
		wide := slices.IndexFunc(rows, func(row []string) bool { return !slices.ContainsFunc(row, looksNumeric) })
		if wide >= 0 && wide+1 < len(rows) {
			return fmt.Errorf("line %d: the header has %d cells, but line %d has %d: decimal commas between commas? separate cells by semicolons",
				lines[wide], len(rows[wide]), lines[wide+1], len(rows[wide+1]))
		}
		return errors.New("there is no header that names the columns")
	case header > 0:
		t.note("%d lines before the header (line %d) are left out", header, lines[header])
	}
	t.named(rows[header])
	t.header = header + 1
	if t.header < len(rows) && t.unitsLine(rows[t.header]) {
		t.header++
	}
	if t.header == len(rows) {
		return errors.New("there is a header and no row below it")
	}
	return nil
}

// named makes the columns of their names.
func (t *Table) named(names []string) {
	if names[len(names)-1] == "" {
		names = names[:len(names)-1] // every line ends in a delimiter
	}
	for i, name := range names {
		c := headerCell(name)
		if c.As = name; c.Name == "" {
			c.Name = "column " + strconv.Itoa(i+1)
		}
		t.Columns = append(t.Columns, c)
	}
}

// rows walks through the rows that have as many cells as the header, and returns the lines
// of those that have not.
func (t *Table) rows(each func(row []string, line int)) (odd []int, err error) {
	n := 0
	err = t.records(func(row []string, line int) error {
		if n++; n <= t.header {
			return nil
		}
		for len(row) > len(t.Columns) && row[len(row)-1] == "" {
			row = row[:len(row)-1]
		}
		if len(row) != len(t.Columns) {
			odd = append(odd, line)
			return nil
		}
		each(row, line)
		return nil
	})
	return odd, err
}

// look goes through all rows once.
func (t *Table) look() error {
	odd, err := t.rows(func(row []string, line int) {
		for i, cell := range row {
			t.Columns[i].look(cell)
		}
		t.Lines = append(t.Lines, int32(line))
	})
	if err != nil {
		return err
	}
	if len(odd) > 0 {
		t.note("%d rows have not the %d cells of the header and are left out, the first at line %d", len(odd), len(t.Columns), odd[0])
	}
	if all := len(odd) + len(t.Lines); 2*len(odd) > all {
		return fmt.Errorf("%d of %d rows have not the %d cells of the header, the first at line %d: decimal commas between commas? separate cells by semicolons",
			len(odd), all, len(t.Columns), odd[0])
	}
	return nil
}

// look takes notice of how a cell is written.
func (c *TableColumn) look(cell string) {
	if c.first == "" && !missing(cell) {
		c.first = strings.Clone(cell)
	}
	comma, point := strings.IndexByte(cell, ','), strings.IndexByte(cell, '.')
	if comma < 0 {
		if blank := strings.IndexByte(cell, ' '); point >= 0 && (blank < 0 || point < blank) {
			c.points++
		}
		return
	}
	word, _, _ := strings.Cut(cell, " ")
	switch n := strings.Count(word, ","); {
	case n > 1 || n == 1 && point >= 0 && point < len(word):
		if c.grouped == "" {
			c.grouped = strings.Clone(cell)
		}
	case n == 1:
		c.commas++
		if len(word)-comma == len(",123") {
			c.groups++
		}
		c.comma = strings.Clone(cell)
	case point >= 0 && point < len(word):
		c.points++
	}
}

// looksNumeric tells a value from a name.
func looksNumeric(cell string) bool {
	word, _, _ := strings.Cut(cell, " ")
	_, err := strconv.ParseFloat(strings.Replace(word, ",", ".", 1), 64)
	return err == nil && !missing(word) || isTime(cell)
}

func isTime(cell string) bool {
	_, _, err := parseMoment(cell, 0)
	return err == nil
}

// headerCell splits "T / °C", "R [kOhm]", "time (min)" and "t_s" into name and unit.
func headerCell(cell string) TableColumn {
	for _, pair := range [...]string{"[]", "()"} {
		if before, after, ok := strings.Cut(cell, pair[:1]); ok && strings.HasSuffix(after, pair[1:]) {
			return TableColumn{Name: strings.TrimSpace(before), Unit: strings.TrimSpace(strings.TrimSuffix(after, pair[1:]))}
		}
	}
	if i := strings.LastIndex(cell, " / "); i >= 0 {
		return TableColumn{Name: strings.TrimSpace(cell[:i]), Unit: strings.TrimSpace(cell[i+3:])}
	}
	for _, sign := range [...]string{" in ", "/", "_", " "} {
		if i := strings.LastIndex(cell, sign); i > 0 {
			if unit := cell[i+len(sign):]; isUnit(unit) && unit != "F" { // T_F is not said clearly
				return TableColumn{Name: strings.TrimSpace(cell[:i]), Unit: cell[i+len(sign):]}
			}
		}
	}
	return TableColumn{Name: cell}
}

func isUnit(symbol string) bool {
	_, ok := quantity.LookUp(symbol)
	return ok || isFahrenheit(symbol)
}

// unitsLine takes a second header line that holds nothing but units.
func (t *Table) unitsLine(row []string) bool {
	if len(row) < len(t.Columns) {
		return false
	}
	units, known := make([]string, len(t.Columns)), 0
	for i := range t.Columns {
		units[i] = strings.Trim(row[i], "[]() ")
		if isUnit(units[i]) {
			known++
		} else if units[i] != "" && units[i] != "-" {
			return false
		}
	}
	if known == 0 {
		return false
	}
	for i := range t.Columns {
		if t.Columns[i].Unit == "" && units[i] != "-" {
			t.Columns[i].Unit = units[i]
		}
	}
	t.note("the line below the header holds units")
	return true
}

// missing tells the ways people and programs write that there is nothing.
func missing(cell string) bool {
	switch strings.ToLower(strings.Trim(cell, "<>#! ")) {
	case "", "-", "--", "---", "nan", "na", "n/a", "null", "none", "missing", "div/0", "value", "inf", "+inf", "-inf", "infinity", "err", "error":
		return true
	}
	return false
}

// momentLayouts are the ways to write a moment: ISO 8601, year first, and day.month.year.
// With other signs the order of day and month cannot be told. Those from timesOfDay on have
// no date.
var momentLayouts = [...]string{time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04",
	"2006/1/2 15:04:05", "2006/1/2 15:04", "2.1.2006 15:04:05", "2.1.2006 15:04", "15:04:05", "15:04"}

const timesOfDay = len(momentLayouts) - 2

// parseMoment reads a date and time, or a time of day, as seconds. layout is how the last
// one was written, which is tried first.
func parseMoment(cell string, layout int) (seconds float64, written int, err error) {
	for k := range len(momentLayouts) {
		written = (layout + k) % len(momentLayouts)
		if m, err := time.Parse(momentLayouts[written], cell); err == nil { // fractions of a second are taken too
			return float64(m.Unix()) + float64(m.Nanosecond())/1e9, written, nil
		}
	}
	return 0, layout, fmt.Errorf("%.40q is no time: %s are understood", cell, momentsUnderstood)
}

const momentsUnderstood = "seconds, 2025-03-01 14:05:00, 1.3.2025 14:05:00 (day first) or 14:05:00"
