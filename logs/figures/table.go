package figures

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"dwell/drivers/quantity"
)

// Table is what somebody logged, column by column, with a word on everything that was
// understood or left out.
type Table struct {
	Columns []TableColumn
	Lines   []int // of the file, for each row
	Notes   []string
}

// TableColumn keeps its cells as written; Numbers makes values of them.
type TableColumn struct {
	Name string // without the unit
	Unit string // as written in the header, "" for none
	text []string
}

// Reading says how a table is to be understood where that shall not be found out.
type Reading struct {
	Delimiter rune // 0: found out
	Comma     bool // the decimal sign is a comma for certain; else it is found out
}

const (
	longestTable = 1 << 30
	// A number from an instrument that stands for overflow: SCPI's 9.9E37 and beyond.
	overflow = 9.8e37
)

// ReadTable reads a table with a header line. Comments (#), lines before the header, and
// rows with too many or too few cells are left out and counted.
func ReadTable(r io.Reader, how Reading) (*Table, error) {
	raw, err := io.ReadAll(io.LimitReader(r, longestTable+1))
	if err != nil {
		return nil, err
	}
	if len(raw) > longestTable {
		return nil, fmt.Errorf("the table is longer than %d bytes", longestTable)
	}
	t := &Table{}
	text, err := t.decode(raw)
	if err != nil {
		return nil, err
	}
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, errors.New("the file is empty")
	}
	delimiter := how.Delimiter
	if delimiter == 0 {
		if delimiter, err = findDelimiter(text); err != nil {
			return nil, err
		}
		t.note("cells are separated by %q", string(delimiter))
	}
	rows, lines, err := splitRows(text, delimiter)
	if err != nil {
		return nil, err
	}
	return t, t.fill(rows, lines, delimiter)
}

func (t *Table) note(format string, args ...any) {
	t.Notes = append(t.Notes, fmt.Sprintf(format, args...))
}

// decode brings the bytes to UTF-8: byte-order marks, UTF-16, and the one-byte coding old
// spreadsheets write.
func (t *Table) decode(raw []byte) ([]byte, error) {
	switch {
	case bytes.HasPrefix(raw, []byte("\xef\xbb\xbf")):
		raw = raw[3:]
	case bytes.HasPrefix(raw, []byte("\xff\xfe")), bytes.HasPrefix(raw, []byte("\xfe\xff")):
		var order binary.ByteOrder = binary.LittleEndian
		if raw[0] == 0xfe {
			order = binary.BigEndian
		}
		if len(raw)%2 != 0 {
			return nil, errors.New("the file begins like UTF-16 and ends in half a character")
		}
		units := make([]uint16, 0, len(raw)/2)
		for i := 2; i+1 < len(raw); i += 2 {
			units = append(units, order.Uint16(raw[i:]))
		}
		raw = []byte(string(utf16.Decode(units)))
		t.note("the file is UTF-16")
	}
	if bytes.IndexByte(raw, 0) >= 0 {
		return nil, errors.New("the file holds zero bytes: it is no text")
	}
	if !utf8.Valid(raw) {
		t.note("the file is not UTF-8 and was read as ISO 8859-1: look at signs such as ° and µ in the header")
		runes := make([]rune, len(raw))
		for i, b := range raw {
			runes[i] = rune(b)
		}
		raw = []byte(string(runes))
	}
	raw = bytes.ReplaceAll(raw, []byte("\r\n"), []byte("\n"))
	return bytes.ReplaceAll(raw, []byte("\r"), []byte("\n")), nil
}

// findDelimiter takes the sign that cuts most lines into the same number of cells, more
// than one. A semicolon or a tab beats the comma, which may be a decimal sign.
func findDelimiter(text []byte) (rune, error) {
	const enough = 200 // lines to look at
	var lines []string
	for line := range strings.Lines(string(text[:min(len(text), 1<<20)])) {
		line = strings.TrimRight(line, "\n")
		if line != "" && line[0] != '#' {
			lines = append(lines, line)
		}
		if len(lines) == enough {
			break
		}
	}
	if len(lines) == 0 {
		return 0, errors.New("the file holds nothing but comments")
	}
	best, most := rune(0), 0
	for _, d := range ";\t,|" {
		counts := map[int]int{}
		for _, line := range lines {
			if n := strings.Count(line, string(d)); n > 0 {
				counts[n]++
			}
		}
		for _, n := range counts {
			if n > most {
				best, most = d, n
			}
		}
	}
	if most*2 <= len(lines) {
		return 0, fmt.Errorf("no sign separates cells in most lines (semicolon, tab, comma and | were tried): the first line is %.80q", lines[0])
	}
	return best, nil
}

func splitRows(text []byte, delimiter rune) (rows [][]string, lines []int, err error) {
	c := csv.NewReader(bytes.NewReader(text))
	c.Comma, c.Comment, c.FieldsPerRecord, c.LazyQuotes, c.TrimLeadingSpace = delimiter, '#', -1, true, delimiter != '\t'
	for {
		row, err := c.Read()
		if err == io.EOF {
			return rows, lines, nil
		}
		if err != nil {
			return nil, nil, err
		}
		line, _ := c.FieldPos(0)
		for i := range row {
			row[i] = strings.TrimSpace(strings.ReplaceAll(row[i], "\u00a0", " "))
		}
		if len(row) == 1 && row[0] == "" {
			continue
		}
		rows, lines = append(rows, row), append(lines, line)
	}
}

// fill finds the header and sorts cells into columns.
func (t *Table) fill(rows [][]string, lines []int, delimiter rune) error {
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
		return fmt.Errorf("line %d is %.80q: there is no header that names the columns", lines[0], strings.Join(rows[0], string(delimiter)))
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
	names := rows[header]
	if names[len(names)-1] == "" {
		names = names[:len(names)-1] // every line ends in a delimiter
	}
	for i, name := range names {
		c := headerCell(name)
		if c.Name == "" {
			c.Name = "column " + strconv.Itoa(i+1)
		}
		t.Columns = append(t.Columns, c)
	}
	rows, lines = rows[header+1:], lines[header+1:]
	if len(rows) > 0 && t.unitsLine(rows[0]) {
		rows, lines = rows[1:], lines[1:]
	}
	if len(rows) == 0 {
		return errors.New("there is a header and no row below it")
	}
	return t.cells(rows, lines)
}

func (t *Table) cells(rows [][]string, lines []int) error {
	var odd []int
	for n, row := range rows {
		for len(row) > len(t.Columns) && row[len(row)-1] == "" {
			row = row[:len(row)-1]
		}
		if len(row) != len(t.Columns) {
			odd = append(odd, lines[n])
			continue
		}
		for i, cell := range row {
			t.Columns[i].text = append(t.Columns[i].text, cell)
		}
		t.Lines = append(t.Lines, lines[n])
	}
	if len(odd) > 0 {
		t.note("%d rows have not the %d cells of the header and are left out, the first at line %d", len(odd), len(t.Columns), odd[0])
	}
	if 2*len(odd) > len(rows) {
		return fmt.Errorf("%d of %d rows have not the %d cells of the header, the first at line %d: decimal commas between commas? separate cells by semicolons",
			len(odd), len(rows), len(t.Columns), odd[0])
	}
	return nil
}

// looksNumeric tells a value from a name.
func looksNumeric(cell string) bool {
	word, _, _ := strings.Cut(cell, " ")
	_, err := strconv.ParseFloat(strings.Replace(word, ",", ".", 1), 64)
	return err == nil && !missing(word) || isTime(cell)
}

func isTime(cell string) bool {
	_, err := parseMoment(cell)
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
			if _, ok := quantity.LookUp(cell[i+len(sign):]); ok {
				return TableColumn{Name: strings.TrimSpace(cell[:i]), Unit: cell[i+len(sign):]}
			}
		}
	}
	return TableColumn{Name: cell}
}

// unitsLine takes a second header line that holds nothing but units.
func (t *Table) unitsLine(row []string) bool {
	if len(row) < len(t.Columns) {
		return false
	}
	units, known := make([]string, len(t.Columns)), 0
	for i := range t.Columns {
		units[i] = strings.Trim(row[i], "[]() ")
		if _, ok := quantity.LookUp(units[i]); ok {
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

// parseMoment reads a date and time of ISO 8601, or a time of day, as seconds. Other
// dates are refused: the order of day and month cannot be told.
func parseMoment(cell string) (float64, error) {
	for _, layout := range [...]string{time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04", "15:04:05", "15:04"} {
		if m, err := time.Parse(layout, cell); err == nil { // fractions of a second are taken too
			return float64(m.Unix()) + float64(m.Nanosecond())/1e9, nil
		}
	}
	return 0, fmt.Errorf("%.40q is no time: seconds, 2025-03-01 14:05:00 or 14:05:00 are understood", cell)
}
