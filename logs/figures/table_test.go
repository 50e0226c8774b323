package figures

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"
)

// threeColumns reads time, temperature and resistance of a table.
func threeColumns(text string, how Reading) ([][]float64, []string, error) {
	t, err := ReadTable(strings.NewReader(text), how)
	if err != nil {
		return nil, nil, err
	}
	var wanted []Wanted
	for i, role := range []Role{TimeRole, TemperatureRole, ResistanceRole} {
		if i >= len(t.Columns) {
			return nil, t.Notes, fmt.Errorf("%d columns", len(t.Columns))
		}
		wanted = append(wanted, Wanted{t.Columns[i].Name, role, ""})
	}
	columns, err := t.Numbers(how, wanted...)
	if err != nil {
		return nil, t.Notes, err
	}
	kept, err := t.InOrder(columns...)
	return kept, t.Notes, err
}

// TestTables: every text holds the same two readings, 0 s 25 °C 1000 Ohm and 60 s 35.5 °C
// 1031.25 Ohm (demo data), and things to be said about.
func TestTables(t *testing.T) {
	latin := func(s string) string {
		var b []byte
		for _, r := range s {
			b = append(b, byte(r))
		}
		return string(b)
	}
	wide := func(s string) string {
		b := []byte{0xff, 0xfe}
		for _, u := range utf16.Encode([]rune(s)) {
			b = append(b, byte(u), byte(u>>8))
		}
		return string(b)
	}
	for _, c := range []struct{ name, text, says string }{
		{"plain", "t / s,T / °C,R / Ohm\n0,25,1000\n60,35.5,1031.25\n", ""},
		{"brackets and units", "time (min);T [°C];R [kOhm]\n0;25;1\n1;35.5;1.03125\n", ""},
		{"own export", "t_s,plate_degC,element_Ohm\r\n0,25,1000\r\n60,35.5,1031.25\r\n", ""},
		{"decimal commas", "t / s;T / °C;R / Ω\n0;25,0;1000,0\n60;35,5;1031,25\n", "commas are decimal signs"},
		{"tabs", "t (s)\tT (degC)\tR (Ohm)\n0\t25\t1000\n60\t35.5\t1031.25\n", `separated by "\t"`},
		{"byte-order mark", "\ufefft / s,T / °C,R / Ohm\n0,25,1000\n60,35.5,1031.25\n", ""},
		{"UTF-16", wide("t / s\tT / °C\tR / Ohm\r\n0\t25\t1000\r\n60\t35.5\t1031.25\r\n"), "UTF-16"},
		{"ISO 8859-1", latin("t / s,T / °C,R / Ohm\n0,25,1000\n60,35.5,1031.25\n"), "ISO 8859-1"},
		{"old line ends", "t / s,T / °C,R / Ohm\r0,25,1000\r60,35.5,1031.25\r", ""},
		{"kelvin", "t / s,T / K,R / Ohm\n0,298.15,1000\n60,308.65,1031.25\n", "kelvin"},
		{"Fahrenheit", "t / s,T / °F,R / Ohm\n0,77,1000\n60,95.9,1031.25\n", "degrees Fahrenheit"},
		{"Fahrenheit at the end", "t_s,T_degF,R_Ohm\n0,77,1000\n60,95.9,1031.25\n", "degrees Fahrenheit"},
		{"Fahrenheit in cells", "t / s,T / °C,R / Ohm\n0,77 °F,1000\n60,35.5,1031.25\n", "1 cells have a unit of their own"},
		{"celsius among Fahrenheit", "t / s,T (degF),R / Ohm\n0,25 °C,1000\n60,95.9 °F,1031.25\n", "1 cells have a unit of their own"},
		{"lines before", "some meter\nfirmware 1\nt / s,T / °C,R / Ohm\n0,25,1000\n60,35.5,1031.25\n", "2 lines before the header (line 3)"},
		{"comments", "# by hand\nt / s,T / °C,R / Ohm\n# later\n0,25,1000\n60,35.5,1031.25\n", ""},
		{"units below", "t,T,R\ns,°C,Ohm\n0,25,1000\n60,35.5,1031.25\n", "below the header holds units"},
		{"trailing delimiter", "t / s;T / °C;R / Ohm;\n0;25;1000;\n60;35.5;1031.25;\n", ""},
		{"clock times", "time,T / °C,R / Ohm\n2025-03-01 14:05:00,25,1000\n2025-03-01 14:06:00,35.5,1031.25\n", "clock times"},
		{"day first", "Zeit;T / °C;R / Ohm\n1.3.2025 14:05:00,0;25;1000\n01.03.2025 14:06:00,0;35,5;1031,25\n", "clock times"},
		{"midnight", "Zeit;T / °C;R / Ohm\n23:59:30;25;1000\n00:00:30;35,5;1031,25\n", "pass midnight 1 times"},
		{"units in cells", "t / s,T / °C,R / Ohm\n0,25 °C,1 kOhm\n60,35.5 °C,1031.25 Ohm\n", "1 cells have a unit of their own"},
		{"missing cells", "t / s,T / °C,R / Ohm\n0,25,1000\n30,,1010\n40,26,--\n60,35.5,1031.25\n60.5,36,1032\n61,35,1\n", ""},
		{"NaN", "t / s,T / °C,R / Ohm\n0,25,1000\n30,NaN,1010\n60,35.5,1031.25\n", "stands for no value, the first at line 3"},
		{"overflow", "t / s,T / °C,R / Ohm\n0,25,1000\n30,26,9.9E37\n60,35.5,1031.25\n", "overflow of an instrument"},
		{"garbage", "t / s,T / °C,R / Ohm\n0,25,1000\n30,26,OL\n60,35.5,1031.25\n", `"OL" is no number`},
		{"mixed units", "t / s,T / °C,R / Ohm\n0,25,1000\n30,26,3 V\n60,35.5,1031.25\n", `"3 V" is no number in Ohm`},
		{"short row", "t / s,T / °C,R / Ohm\n0,25,1000\n30,26\n60,35.5,1031.25\n", "1 rows have not the 3 cells of the header and are left out, the first at line 3"},
		{"below absolute zero", "t / s,T / °C,R / Ohm\n0,25,1000\n30,-300,1000\n60,35.5,1031.25\n", "out of range"},
		{"spreadsheet numbers", "t / s,T / °C,R / Ohm\n00,+25.,1000\n60,35.5,01031.25\n", ""},
		{"duplicate time", twelve("0,25,1\n"), "rows with the time of the row before are left out, the first at line 3"},
		{"time runs back", twelve("-5,25,1\n"), "rows whose time is before that of an earlier row are left out, the first at line 3"},
	} {
		got, notes, err := threeColumns(c.text, Reading{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if got[0][0] != 0 || got[1][0] != 25 || got[2][0] != 1000 || !slices.Contains(got[0], 60) {
			t.Errorf("%s: got %v", c.name, got)
			continue
		}
		if n := slices.Index(got[0], 60); math.Abs(got[1][n]-35.5) > 1e-12 || got[2][n] != 1031.25 {
			t.Errorf("%s: got %v", c.name, got)
		}
		if c.says != "" && !strings.Contains(strings.Join(notes, "\n"), c.says) {
			t.Errorf("%s: expected a note with %q, got %q", c.name, c.says, notes)
		}
	}
}

// twelve is a record of a minute with a bad row at line 3.
func twelve(bad string) string {
	s := "t / s,T / °C,R / Ohm\n0,25,1000\n" + bad
	for i := 10; i < 60; i += 4 {
		s += fmt.Sprintf("%d,26,1003\n", i)
	}
	return s + "60,35.5,1031.25\n"
}

// A quote that is not closed on its line would swallow the rows below it.
func TestAQuoteEndsOnItsLine(t *testing.T) {
	rows := func(at int, cell string) string {
		var s strings.Builder
		s.WriteString("t (s),T (degC),R (Ohm),note\n")
		for i := range 40 {
			note := "x"
			if i == at {
				note = cell
			}
			fmt.Fprintf(&s, "%d,25,1000,%s\n", i, note)
		}
		return s.String()
	}
	for text, says := range map[string]string{
		rows(10, `"door open`):                        "line 12: a quote begins a cell that does not end on its line",
		rows(39, `"door open`):                        "line 41: a quote begins a cell that does not end on its line",
		rows(10, "\"door\nopen\""):                    "line 12: a quote begins a cell that does not end on its line",
		rows(10, `"door, open"`):                      "",
		rows(10, `2" pipe`):                           "",
		strings.Replace(rows(0, "x"), "25", `"25`, 1): "line 2: a quote begins a cell that does not end on its line",
	} {
		_, err := ReadTable(strings.NewReader(text), Reading{})
		if said := fmt.Sprint(err); says == "" && err != nil || !strings.Contains(said, says) {
			t.Errorf("expected %q, got %s\n%.200s", says, said, text)
		}
	}
}

func TestTablesRefused(t *testing.T) {
	for _, c := range []struct{ name, text, says string }{
		{"empty", "", "the file is empty"},
		{"blank", "\ufeff\n\n", "the file is empty"},
		{"comments only", "# t,T\n#\n", "nothing but comments"},
		{"header only", "t / s,T / °C,R / Ohm\n", "no row below it"},
		{"one row", "t / s,T / °C,R / Ohm\n0,25,1000\n", "only one row (line 2)"},
		{"no header", "0,25,1000\n60,35.5,1031.25\n", "no header"},
		{"commas between commas", "t / s,T / °C,R / Ohm\n0,0,25,0,1000,0\n60,0,35,5,1031,2\n", "separate cells by semicolons"},
		{"commas between commas, some", "t / s,T / °C,R / Ohm\n0,25,1000\n60,35,5,1031,2\n61,35,5,1031,2\n62,35,5,1031,2\n", "separate cells by semicolons"},
		{"grouped", "t / s;T / °C;R / Ohm\n0;25;1,000.5\n60;35;1,031.2\n", "groups its digits"},
		{"grouped or decimal", "t / s;T / °C;R / Ohm\n0;25;1,000\n60;35;1,031\n", "cannot be told"},
		{"point and comma", "t / s;T / °C;R / Ohm\n0;25;1000.5\n60;35;1031,25\n", "some cells have a decimal point"},
		{"no unit", "t,T / °C,R / Ohm\n0,25,1000\n60,35,1031\n", `column "t", taken for time, has no unit`},
		{"C", "t / s,T / C,R / Ohm\n0,25,1000\n60,35,1031\n", "C is the coulomb"},
		{"wrong kind of unit", "t / s,T / V,R / Ohm\n0,25,1000\n60,35,1031\n", "taken for temperature, is in V"},
		{"misspelt unit", "t / s,T / °C,R / kohm\n0,25,1000\n60,35,1031\n", "did you mean kOhm"},
		{"wrong delimiter", "just a text\nwithout any table\n", "no sign separates cells"},
		{"zero bytes", "t,\x00\n1,2\n", "zero bytes"},
		{"all bad", "t / s,T / °C,R / Ohm\n0,OL,1000\n60,OL,1031\n", "only 0 of 2 cells are numbers"},
		{"two records", "t / s,T / °C,R / Ohm\n0,25,1000\n60,26,1003\n0,25,1000\n60,26,1003\n", "time runs backwards from line 4 on"},
		{"coarse times", "t / s,T / °C,R / Ohm\n0,25,1000\n0,26,1003\n60,25,1000\n60,26,1003\n", "too coarse"},
		{"foreign date", "time,T / °C,R / Ohm\n01/03/2025 14:05,25,1000\n01/03/2025 14:06,26,1003\n", "\"01/03/2025 14:05\" is none; seconds, 2025-03-01 14:05:00, 1.3.2025 14:05:00 (day first)"},
		{"blanks", "t_s  T_degC  R_Ohm\n0  25  1000\n60  35  1031\n", "blanks separate none"},
		{"another quantity", "t / s,T / °C,R / Ohm\n0,10000,25\n60,10310,26\n", "2 cells left out, out of range"},
	} {
		if _, _, err := threeColumns(c.text, Reading{}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: expected an error with %q, got %v", c.name, c.says, err)
		}
	}
	if got, _, err := threeColumns("t / s;T / °C;R / Ohm\n0;25;1,000\n60;35;1,031\n", Reading{Comma: true}); err != nil || got[2][1] != 1.031 {
		t.Errorf("commas said to be decimal: %v %v", got, err)
	}
	table, err := ReadTable(strings.NewReader("t / s,T / °C,n\n0,25,26\n1,26,27\n"), Reading{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := table.Column("Temp"); err == nil || !strings.Contains(err.Error(), `the columns are "t", "T"`) {
		t.Errorf("a column that is not there: %v", err)
	}
	if v, err := table.Numbers(Reading{}, Wanted{"n", TimeRole, "min"}); err != nil || v[0][1] != 27*60 {
		t.Errorf("a unit said beside the name: %v %v", v, err)
	}
}

// Degrees Fahrenheit are one unit however they are written, and none of the others.
func TestAUnitInOtherLetters(t *testing.T) {
	for _, c := range []struct{ header, given, says string }{
		{"T (°F)", "degF", ""}, {"T (degF)", "fahrenheit", ""}, {"T (degF)", "K", "its header says degF, and K was given"},
		{"T (degC)", "degF", "its header says degC, and degF was given"}, {"T (degR)", "degF", "its header says degR, and degF was given"}, {"T (degR)", "degC", "its header says degR, and degC was given"},
	} {
		table, err := ReadTable(strings.NewReader(c.header+";n\n77;1\n95.9;2\n"), Reading{})
		if err != nil {
			t.Fatal(err)
		}
		v, err := table.Numbers(Reading{}, Wanted{"T", TemperatureRole, c.given})
		if c.says == "" && (err != nil || math.Abs(v[0][1]-35.5) > 1e-9) || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s with %s: %v, %v; expected %q", c.header, c.given, v, err, c.says)
		}
	}
}

// A column of nothing but rubbish is told in a few words.
func TestManyKindsOfRubbish(t *testing.T) {
	var text strings.Builder
	text.WriteString("t / s,T / °C,R / Ohm\n")
	for i := range 5000 {
		fmt.Fprintf(&text, "%d,25,x%d\n", i, i)
	}
	_, _, err := threeColumns(text.String(), Reading{})
	if err == nil || len(err.Error()) > 1000 || !strings.Contains(err.Error(), "4994 cells left out, no number like these others, the first at line 8") {
		t.Errorf("%.1200v", err)
	}
}

func FuzzReadTable(f *testing.F) {
	f.Add("t / s,T / °C,R / Ohm\n0,25,1000\n60,35.5,1031.25\n")
	f.Add("t;T\n0,5;\"1\n")
	f.Add("#\n# nothing but comments\n")
	f.Fuzz(func(t *testing.T, text string) {
		got, _, err := threeColumns(text, Reading{})
		if err != nil {
			return
		}
		for _, c := range got {
			for i, v := range c {
				if math.IsNaN(v) || math.IsInf(v, 0) || i > 0 && got[0][i] <= got[0][i-1] {
					t.Errorf("%q gives %v", text, got)
				}
			}
		}
	})
}

// What is held of a table does not grow with what is not asked for: 28 bytes for each of
// 200,000 rows with two columns taken, and not their 40 MB of text.
func TestATableStaysInItsFile(t *testing.T) {
	var text strings.Builder
	text.WriteString("t / s;T / °C;remarks\n")
	const rows = 200_000
	for i := range rows {
		fmt.Fprintf(&text, "%d,5;25,%d;%s\n", i, i%100, strings.Repeat("nothing to be said ", 10))
	}
	held := func() float64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	file := strings.NewReader(text.String())
	before := held()
	table, err := ReadTable(file, Reading{})
	if err != nil {
		t.Fatal(err)
	}
	columns, err := table.Numbers(Reading{}, Wanted{"t", TimeRole, ""}, Wanted{"T", TemperatureRole, ""})
	if err != nil || len(columns[0]) != rows || columns[0][7] != 7.5 || columns[1][7] != 25.7 {
		t.Fatalf("%v", err)
	}
	if grown := (held() - before) / rows; grown > 28 {
		t.Errorf("%.0f bytes held for each row, expected at most 28", grown)
	}
	runtime.KeepAlive(table)
	runtime.KeepAlive(columns)
}
