package quantity

import (
	"errors"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

func TestParse(t *testing.T) {
	for _, c := range []struct {
		text  string
		value float64
		unit  string // canonical
		shown string // "" when as written
	}{
		{"0.1 K", 0.1, "K", ""},
		{"20 degC", 20, "degC", ""},
		{"-20.5 °C", -20.5, "degC", "-20.5 degC"},
		{"500 ms", 0.5, "s", ""},
		{"35 ms", 0.035, "s", ""},
		{"0.1 ms", 1e-4, "s", ""},
		{"100 µW", 1e-4, "W", "100 uW"},
		{"100 μW", 1e-4, "W", "100 uW"},
		{"1 kOhm", 1000, "Ohm", ""},
		{"1 kΩ", 1000, "Ohm", "1 kOhm"},
		{"1  kΩ", 1000, "Ohm", "1 kOhm"},
		{"20 %", 0.2, "1", ""},
		{"20%", 0.2, "1", "20 %"},
		{"7 %", 0.07, "1", ""},
		{"5 K/min", 5. / 60, "K/s", ""},
		{"0.7 mm/min", 0.7e-3 / 60, "m/s", ""},
		{"2 V", 2, "V", ""},
		{"3", 3, "1", ""},
		{"+3e2", 300, "1", "300"},
		{"1 min", 60, "s", ""},
		{"0.1 min", 0.1 * 60, "s", ""},
		{"12 h", 43200, "s", ""},
		{"1.5 d", 129600, "s", ""},
		{"-0", 0, "1", "0"},
		{"65 W/(m2 K)", 65, "W/(m2 K)", ""},
		{"65 W/(m² K)", 65, "W/(m2 K)", "65 W/(m2 K)"},
		{"-4 %/K", -0.04, "1/K", ""},
		{"3850 ppm/K", 3850e-6, "1/K", ""},
		{"2.5 GPa", 2.5e9, "Pa", ""},
		{"1e-6 A", 1e-6, "A", "1E-06 A"},
		{"1 uA", 1e-6, "A", ""},
		{"10 1/m", 10, "1/m", ""},
		{"3 Ohm/min", 0.05, "Ohm/s", ""},
	} {
		q, err := Parse(c.text)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		shown := c.shown
		if shown == "" {
			shown = c.text
		}
		if q.Value != c.value || q.Unit.Dim.String() != c.unit || q.String() != shown {
			t.Errorf("%q is %v %s, shown %q; want %v %s, %q",
				c.text, q.Value, q.Unit.Dim, q, c.value, c.unit, shown)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"10 ohm":                 `unknown unit "ohm": did you mean Ohm`,
		"10 kohm":                `did you mean kOhm`,
		"10 mohm":                `did you mean mOhm or MOhm`,
		"20 C":                   `C is the coulomb`,
		"20 Cel":                 `did you mean degC`,
		"68 F":                   `write temperatures in degC`,
		"10 k":                   `k is a prefix and stands before a unit`,
		"5 degC/min":             `did you mean K/min`,
		"5 °C/min":               `did you mean K/min`,
		"5 K/sec":                `did you mean K/s`,
		"5 K/minute":             `did you mean K/min`,
		"3 seconds":              `did you mean s`,
		"3 Hours":                `did you mean h`,
		"5 furlongs":             `unknown unit "furlongs"`,
		"20degC":                 `no space between number and unit in "20degC": write 20 degC`,
		"20 ":                    `ends in a space`,
		"20\tK":                  `unknown unit`,
		"20\u00a0K":              `unknown unit`,
		" 20 K":                  `not a number`,
		"010":                    `leave out leading zeros`,
		"010 K":                  `leave out leading zeros`,
		"-010 K":                 `leave out leading zeros`,
		"1_000 Ohm":              `write the digits without _`,
		"0x10":                   `write it in decimal`,
		".5 K":                   `a digit on both sides`,
		"5. K":                   `a digit on both sides`,
		"5.":                     `a digit on both sides`,
		"1,5 K":                  `the decimal sign is a point`,
		"1.5.2 K":                `"1.5.2" is not a number`,
		"inf":                    `only finite numbers`,
		"-.inf":                  `only finite numbers`,
		"NaN":                    `only finite numbers`,
		"nan K":                  `not a number`,
		"":                       `a number is missing`,
		"K":                      `"K" is not a number`,
		"+":                      `not a number`,
		"--1":                    `not a number`,
		"1e999":                  `out of range`,
		"1e308 d":                `out of range`,
		"1e-400":                 `out of range`,
		"1e99999999999999999999": `out of range`,
		"3 1":                    `unknown unit "1"`,
		"2026-11-25":             `unknown unit`,
		"low":                    `not a number`,
	} {
		q, err := Parse(text)
		var e *Error
		if err == nil || !errors.As(err, &e) {
			t.Errorf("%q was read as %v (%v)", text, q, err)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want …%s…", text, err, want)
		}
	}
}

func TestUnits(t *testing.T) {
	seen := map[string]bool{}
	for _, u := range Units() {
		if seen[u.Symbol] || u.UCUM == "" || strings.Contains(u.UCUM, "deg") {
			t.Errorf("unit %q: doubled or without a UCUM code", u.Symbol)
		}
		seen[u.Symbol] = true
		whole := math.Pow(10, float64(u.exponent)) * math.Max(1, float64(u.ratio)) / math.Max(1, float64(-u.ratio))
		if math.Abs(whole/u.Factor-1) > 1e-15 {
			t.Errorf("unit %q: factor %g does not agree with 10^%d and ratio %d", u.Symbol, u.Factor, u.exponent, u.ratio)
		}
		if c, ok := u.Dim.Canonical(); !ok || c.Dim != u.Dim {
			t.Errorf("unit %q: its dimension has no canonical unit", u.Symbol)
		}
	}
}

// Codes as listed in the CSV on the Web and UCUM material this project cites.
func TestCodes(t *testing.T) {
	for symbol, want := range map[string][2]string{
		"s": {"s", "SEC"}, "degC": {"Cel", "DEG_C"}, "Ohm": {"Ohm", "OHM"}, "ppm": {"[ppm]", "PPM"},
		"K/min": {"K/min", "K-PER-MIN"}, "mm": {"mm", "MilliM"}, "%": {"%", "PERCENT"}, "1": {"1", "UNITLESS"},
	} {
		u, ok := LookUp(symbol)
		if !ok || u.UCUM != want[0] || u.QUDT != want[1] {
			t.Errorf("%s: %q %q, want %q", symbol, u.UCUM, u.QUDT, want)
		}
	}
}

func TestDimensions(t *testing.T) {
	dim := func(symbol string) Dimension { u, _ := LookUp(symbol); return u.Dim }
	for _, c := range []struct {
		got  Dimension
		want string
	}{
		{dim("V").Div(dim("A")), "Ohm"},
		{dim("V").Mul(dim("A")), "W"},
		{dim("A").Mul(dim("A")).Mul(dim("Ohm")), "W"},
		{dim("W").Mul(dim("s")), "J"},
		{dim("N").Mul(dim("m")), "J"},
		{dim("N").Div(dim("m")).Div(dim("m")), "Pa"},
		{dim("K").Div(dim("min")), "K/s"},
		{dim("K").Div(dim("K")), "1"},
		{dim("Ohm").Div(dim("K")), "Ohm/K"},
		{dim("V").Div(dim("s")), "V/s"},
		{dim("degC"), "degC"},
		{dim("degC").Div(dim("s")), "K/s"},
		{dim("m").Mul(dim("m")).Mul(dim("m")), "m3"},
		{dim("V").Mul(dim("V")), "kg2 m4 s-6 A-2"},
	} {
		if got := c.got.String(); got != c.want {
			t.Errorf("%+v is %q, want %q", c.got, got, c.want)
		}
	}
	if dim("degC") == dim("K") {
		t.Error("a temperature and a difference have the same dimension")
	}
}

func TestAppendNumber(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", 0.1: "0.1", -20.5: "-20.5", 1. / 3: "0.3333333333333333", 1e14: "100000000000000",
		1e15: "1E+15", 1e-4: "0.0001", 9.9e37: "9.9E+37", 1.5e-5: "1.5E-05", 1e21: "1E+21",
		math.MaxFloat64: "1.7976931348623157E+308", 5e-324: "5E-324",
		math.Inf(1): "INF", math.Inf(-1): "-INF",
	} {
		if got := string(AppendNumber(nil, v)); got != want {
			t.Errorf("%g written as %q, want %q", v, got, want)
		}
	}
	if got := string(AppendNumber([]byte("x="), math.NaN())); got != "x=NaN" {
		t.Errorf("NaN written as %q", got)
	}
}

func TestAppendSeconds(t *testing.T) {
	for ns, want := range map[int64]string{
		0: "0", 1: "0.000000001", 1e9: "1", 1500000000: "1.5", -1500000000: "-1.5", 43200e9: "43200",
		999999999: "0.999999999", 10000000010: "10.00000001", -1: "-0.000000001",
		math.MinInt64: "-9223372036.854775808", math.MaxInt64: "9223372036.854775807",
	} {
		if got := string(AppendSeconds(nil, ns)); got != want {
			t.Errorf("%d ns written as %q, want %q", ns, got, want)
		}
	}
}

func TestNumbersAreWrittenWithoutAllocation(t *testing.T) {
	buf := make([]byte, 0, 64)
	n := testing.AllocsPerRun(100, func() {
		buf = AppendNumber(buf[:0], 1234.5678)
		buf = AppendNumber(buf, 1e-9)
		buf = AppendSeconds(buf, 1234567890)
	})
	if n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// A value computed in the program must not change by being shown.
func TestStringOfComputedValues(t *testing.T) {
	minute, _ := LookUp("min")
	for i := range 2000 {
		v := 60 + float64(i)*0x1p-47 // neighbouring floats: not all are minutes
		back, err := Parse(Quantity{v, minute}.String())
		if err != nil || back.Value != v {
			t.Fatalf("%v s shown as %q reads as %v (%v)", v, Quantity{v, minute}, back.Value, err)
		}
	}
}

// A value that was written is shown in the unit it was written in.
func TestStringKeepsTheUnit(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, u := range Units()[1:] {
		for range 200 {
			digits := random.IntN(17)
			text := strconv.FormatFloat(random.Float64()*1000, 'f', digits, 64) + " " + u.Symbol
			q, err := Parse(text)
			if err != nil {
				t.Fatal(text, err)
			}
			shown := q.String()
			back, err := Parse(shown)
			if !strings.HasSuffix(shown, " "+u.Symbol) || err != nil || back != q {
				t.Fatalf("%s is shown as %s, which is %v (%v)", text, shown, back, err)
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"0.1 K", "20 °C", "-1.25e-3 kΩ", "20%", "0.7 mm/min", "1e308 h", "65 W/(m2 K)", "123456789.123456789 us"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := Parse(text)
		if err != nil {
			return
		}
		back, err := Parse(q.String())
		if err != nil || back.Value != q.Value || back.Unit.Dim != q.Unit.Dim {
			t.Fatalf("%q is %v, shown %q, which reads as %v (%v)", text, q.Value, q, back, err)
		}
	})
}

func FuzzParseNumber(f *testing.F) {
	for _, seed := range []string{"0", "-1.5", "1e-7", "010", "0x1", "1e400", "9007199254740993"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := ParseNumber(text)
		if err != nil {
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q read as %v", text, v)
		}
		written := string(AppendNumber(nil, v))
		if back, err := ParseNumber(written); err != nil || back != v {
			t.Fatalf("%q is %v, written %q, which reads as %v (%v)", text, v, written, back, err)
		}
	})
}

func BenchmarkAppendNumber(b *testing.B) {
	buf := make([]byte, 0, 64)
	b.ReportAllocs()
	for b.Loop() {
		buf = AppendNumber(buf[:0], 1234.5678)
	}
}
