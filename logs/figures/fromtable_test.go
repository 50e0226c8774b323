package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func columnsAre(pairs ...string) map[string]string {
	m := map[string]string{}
	for _, p := range pairs {
		role, name, _ := strings.Cut(p, "=")
		m[role] = name
	}
	return m
}

func numberOf(t *testing.T, r *Results, figure, flavour string) Figure {
	t.Helper()
	return pick(t, r.Figures, nil, figure, flavour)
}

// TestTableOfPoints: a table without time, as old lab books have it. The values follow from
// the definitions; they were computed once more in another language with 50 digits.
func TestTableOfPoints(t *testing.T) {
	const table = "T / °C;R / Ohm\n25;1000,0\n35;1030,9\n45;1062,4\n55;1094,2\n65;1125,1\n75;1157,4\n85;1189,0\n" +
		"75;1158,3\n65;1127,0\n55;1096,3\n45;1064,2\n35;1032,3\n25;1000,6\n"
	r, err := ComputeTable(strings.NewReader(table), Asked{Columns: columnsAre("temperature=T", "resistance=R"), AtDegC: 25})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		figure, flavour string
		want            float64
	}{
		{"sensitivity", "end points over R at the lowest temperature", 0.315},
		{"sensitivity", "fitted slope over measured R0", 0.31525},
		{"sensitivity", "fitted slope over fitted R0", 0.315386292},
		{"sensitivity", "fitted slope over fitted R at 0 degC", 0.342381934},
		{"sensitivity", "fitted slope over mean R", 0.288125082},
		{"return_to_start", "relative to R0", 0.06},
	} {
		if f := numberOf(t, r, c.figure, c.flavour); math.Abs(f.Value-c.want) > 1e-8 {
			t.Errorf("%s, %s: %.9f, expected %.9f", c.figure, c.flavour, f.Value, c.want)
		}
	}
	if f := numberOf(t, r, "hysteresis", "largest, Ohm"); math.Abs(f.Value-2.1) > 1e-6 {
		t.Errorf("hysteresis %v Ohm, expected 2.1", f.Value)
	}
	if text := fmt.Sprint(r.Notes); !strings.Contains(text, "not stated") {
		t.Errorf("nothing says that thermometer and meter count for nothing: %s", text)
	}
}

// logged is a staircase of a virtual film (demo data), in minutes and kOhm.
func logged(seed uint64) string {
	rng := rand.New(rand.NewPCG(seed, 3))
	var s strings.Builder
	s.WriteString("time (min),plate,film\n")
	plate, film, now := 20., 20., 0.
	for _, level := range []float64{20, 30, 40, 50, 40, 30, 20} {
		for range 400 {
			plate += (level - plate) * (1 - math.Exp(-0.5/4))
			film += (plate - film) * (1 - math.Exp(-0.5/20.))
			now += 0.5
			fmt.Fprintf(&s, "%.5f,%.3f,%.6f\n", now/60, plate+0.01*rng.NormFloat64(), 1+0.003*(film-25)+5e-5*rng.NormFloat64())
		}
	}
	return s.String()
}

// Units that contradict a header, and names that two columns have, are refused; a unit
// that nobody knows is passed over with a word.
func TestUnitsAndNamesAreNotGuessed(t *testing.T) {
	var rows strings.Builder
	rows.WriteString("\n")
	for i := range 40 {
		fmt.Fprintf(&rows, "%d,%d,%d,5\n", i, 20+i/10, 1000+i/10)
	}
	for _, c := range []struct{ header, units, says string }{
		{"t (s),T (degF),R (Ohm),x", "temperature=degC", `column "T": its header says degF, and degC was given`},
		{"t (s),T (K),R (Ohm),x", "temperature=degC", "its header says K, and degC was given"},
		{"t (s),T (degC),R (Ohm),x", "resistance=kOhm", "its header says Ohm, and kOhm was given"},
		{"t (s),T (°C),R (furlong),x", "temperature=degC resistance=Ohm", `column "R": its header says "furlong", which dwell does not know; read as Ohm`},
		{"t (s),T (degC),R (Ohm),R", "", `2 columns are called "R"`},
		{"t (s),T (degC),R (Ohm),r", "", ""},
		{"t (s),T (°C),R (Ω),x", "temperature=degC resistance=Ohm", ""},
	} {
		r, err := ComputeTable(strings.NewReader(c.header+rows.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), Units: columnsAre(strings.Fields(c.units)...), AtDegC: 25})
		said := fmt.Sprint(err)
		if err == nil {
			said = fmt.Sprint(r.Notes)
		}
		if !strings.Contains(said, c.says) || c.says == "" && err != nil || strings.Contains(c.says, "read as") != (c.says != "" && err == nil) {
			t.Errorf("%s with %q: expected %q, got %s", c.header, c.units, c.says, said)
		}
	}
}

// A name in other letter case is taken for a column that nobody named, and for no other.
func TestLetterCaseTakesNoColumnTwice(t *testing.T) {
	var rows strings.Builder
	for i := range 40 {
		fmt.Fprintf(&rows, "\n%d,%d,%d", i, 20+i/10, 1000+i/10)
	}
	units := columnsAre("time=s", "temperature=degC", "resistance=Ohm")
	for header, says := range map[string]string{
		"t,T_degF,R":  `column "T": its header says degF, and degC was given`,
		"t,T_F,R":     `there is no column "T"; the columns are "t", "T_F", "R"`,
		"t,TEMP,R":    `there is no column "T"`,
		"t,T,r":       "",
		"t,T,r,R":     "",
		"t,T,x,y":     `there is no column "R"`,
		"Time,T,R":    `there is no column "t"`,
		"t,T,t (s),R": `2 columns are called "t"`,
	} {
		extra := strings.Repeat(",5", strings.Count(header, ",")-2)
		text := header + strings.ReplaceAll(rows.String()+"\n", "\n", extra+"\n")[len(extra):]
		_, err := ComputeTable(strings.NewReader(text), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), Units: units, AtDegC: 25})
		if said := fmt.Sprint(err); says == "" && err != nil || !strings.Contains(said, says) {
			t.Errorf("%s: expected %q, got %s", header, says, said)
		}
	}
}

// Neighbours that differ by the factor between two units are told, and no others. What is not
// in the unit of most is left out.
func TestAnotherUnitIsLeftOut(t *testing.T) {
	from := func(i, at int) float64 { return float64(i / at) }
	for _, c := range []struct {
		temperature, r func(i int) float64
		left           int // of 40, -1: refused
		says           string
	}{
		{nil, func(i int) float64 { return 1000 + float64(i) }, 0, ""},
		{nil, func(i int) float64 { return 1000 * (1 + from(i, 20)*499) }, 0, ""}, // 500 times
		{nil, func(i int) float64 { return 1000 * math.Pow(1000, -from(i, 20)) }, -1, `column "R": the resistance at line 22 is 0.001 times that at line 21, as if in another unit, and so on: at most 20 of 40 values are in one`},
		{nil, func(i int) float64 { return (1000 + float64(i)) * math.Pow(1000, -from(i, 30)) }, 10, `column "R": the resistance at line 32 is 0.001 times that at line 31`},
		{nil, func(i int) float64 { return (1000 + float64(i)) * math.Pow(1000, -float64(i%5/4)) }, 8, `column "R": the resistance at line 6 is 0.001 times that at line 5`},
		{nil, func(i int) float64 { return (1.001 + 1e-3*float64(i)) * math.Pow(1e6, 1-from(i, 8)/5) }, 0, ""},
		{nil, func(i int) float64 { return 1.001 * math.Pow(1e6, from(i, 35)) }, 5, `column "R": the resistance at line 37 is 1e+06 times that at line 36`},
		{func(i int) float64 { return 25 + 273.15*from(i, 36) + 0.01*float64(i) }, nil, 4, `column "T": the temperature at line 38 is 273.16 K from that at line 37`},
		{func(i int) float64 { return 25 + 250*from(i, 20) }, nil, 0, ""},
	} {
		var rows strings.Builder
		rows.WriteString("t (s),T (degC),R (Ohm)\n")
		for i := range 40 {
			temperature, r := 25., 1000.
			if c.temperature != nil {
				temperature = c.temperature(i)
			}
			if c.r != nil {
				r = c.r(i)
			}
			fmt.Fprintf(&rows, "%d,%.6g,%.6g\n", i, temperature, r)
		}
		r, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25})
		said := fmt.Sprint(err)
		if err == nil {
			said = fmt.Sprint(r.Notes)
			if left := 40 - len(r.R.Y); left != c.left {
				t.Errorf("%d values left out, expected %d: %s", left, c.left, said)
			}
		}
		if (err != nil) != (c.left < 0) || !strings.Contains(said, c.says) || c.says == "" && strings.Contains(said, "another unit") {
			t.Errorf("expected %q, got %s", c.says, said)
		}
	}
}

// What is no resistance is not computed with, and nothing is infinite in words.
func TestTablesWithoutResistanceOrChange(t *testing.T) {
	for _, c := range []struct {
		r    func(i int) int
		says string
	}{
		{func(int) int { return 0 }, `column "R", taken for resistance, holds nothing above zero`},
		{func(i int) int { return -1000 - i }, `column "R", taken for resistance, holds nothing above zero`},
		{func(i int) int { return i % 20 }, "2 of 40 resistances are zero or below"},
		{func(i int) int { return 1000 + i }, "flat all the while"},
	} {
		var rows strings.Builder
		rows.WriteString("t (s),T (degC),R (Ohm)\n")
		for i := range 40 {
			fmt.Fprintf(&rows, "%d,20,%d\n", i, c.r(i))
		}
		r, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25})
		said := fmt.Sprint(err)
		if err == nil {
			said = fmt.Sprint(r.Notes, r.LeftOut, r.Found)
		}
		if !strings.Contains(said, c.says) || strings.Contains(said, "Inf") || strings.Contains(said, "NaN") {
			t.Errorf("expected %q, got %s", c.says, said)
		}
	}
}

// TestTableOverTime: plateaus are found, listed, and can be given back corrected.
func TestTableOverTime(t *testing.T) {
	ask := Asked{Columns: columnsAre("time=time", "temperature=plate", "resistance=film"), AtDegC: 25,
		Units: map[string]string{"temperature": "degC", "resistance": "kOhm"}, TemperatureK: 0.3, ResistanceShare: 1e-3}
	text := logged(1)
	r, err := ComputeTable(strings.NewReader(text), ask)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(r.Found.Plateaus()); n != 7 {
		t.Fatalf("%d plateaus, expected 7\n%s", n, r.Found)
	}
	if f := numberOf(t, r, "lag_tau", "1 of 1, by plate"); math.Abs(f.Value-20) > f.Expanded || f.Expanded > 0.2 {
		t.Errorf("lag %v ± %v s", f.Value, f.Expanded)
	}
	f := numberOf(t, r, "r0", "fitted quadratic")
	if math.Abs(f.Value-1000) > f.Expanded || math.Abs(f.U_std-math.Hypot(Rectangular(0.9), Rectangular(1))) > 0.02 {
		t.Errorf("R0 %v, u %v: thermometer and meter make 0.777", f.Value, f.U_std)
	}
	if f := numberOf(t, r, "hysteresis", "largest, K, lag taken out, by plate"); f.Value > f.Expanded {
		t.Errorf("hysteresis of none: %v ± %v K", f.Value, f.Expanded)
	}
	var kept []string // without the hottest
	for _, line := range strings.Split(r.Found.String(), "\n") {
		if fields := strings.Split(line, ","); len(fields) < 4 || !strings.HasPrefix(fields[3], "49.9") && !strings.HasPrefix(fields[3], "50.0") {
			kept = append(kept, line)
		}
	}
	ask.PlateausFile, ask.Plateaus = "list.csv", strings.Join(kept, "\n")
	again, err := ComputeTable(strings.NewReader(text), ask)
	if err != nil || len(again.Found.Plateaus()) != 6 {
		t.Fatal(len(again.Found.Plateaus()), err)
	}
	if high := numberOf(t, again, "tcr", "chord").With[1].Value; math.Abs(high-40) > 0.1 {
		t.Errorf("the chord still ends at %v degC", high)
	}
	ask.Plateaus = "plateau,5,4"
	if _, err := ComputeTable(strings.NewReader(text), ask); err == nil || !strings.Contains(err.Error(), "list.csv:1: ") {
		t.Errorf("a plateau that ends before it begins: %v", err)
	}
}

// Nobody knows what a plateau did while nothing was read for a day; a few readings lost
// are no gap.
func TestAGapEndsAPlateau(t *testing.T) {
	for _, c := range []struct{ pause, plateaus float64 }{{0, 1}, {100, 1}, {25 * 3600, 2}} {
		var rows strings.Builder
		rows.WriteString("t (s),T (degC),R (Ohm)\n")
		for i := range 200 {
			at := 10 * float64(i)
			if i >= 120 {
				at += c.pause
			}
			fmt.Fprintf(&rows, "%g,%.3f,%.3f\n", at, 25+0.01*float64(i%3), 1000+0.01*float64(i%5))
		}
		r, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25})
		if err != nil {
			t.Fatal(err)
		}
		found := r.Found.Plateaus()
		if len(found) != int(c.plateaus) || found[0].From != 0 || len(found) == 2 && (found[0].To != 120 || found[1].From != 120) {
			t.Errorf("a pause of %g s: %+v", c.pause, found)
		}
		if said := fmt.Sprint(r.Notes); strings.Contains(said, "nothing was read from 1190 to 91200 s") != (c.plateaus == 2) {
			t.Errorf("a pause of %g s: %s", c.pause, said)
		}
	}
}

// TestOtherColumns: current against voltage (worked example of contacts, values from the
// definitions), bending, and cycles.
func TestOtherColumns(t *testing.T) {
	sweep := "V / V,I / mA\n-1,-1.0021\n-.75,-.7510\n-.5,-.5003\n-.25,-.2500\n.25,.2501\n.5,.5004\n.75,.7513\n1,1.0026\n"
	r, err := ComputeTable(strings.NewReader(sweep), Asked{Columns: columnsAre("voltage=V", "current=I")})
	if err != nil {
		t.Fatal(err)
	}
	if f := numberOf(t, r, "ohmic", "exponent, both signs"); math.Abs(f.Value-1.001498933) > 1e-8 {
		t.Errorf("exponent %.9f", f.Value)
	}
	bent := "R / Ohm,radius / mm\n1000.1,0\n999.9,0\n1000,0\n1010.1,5\n1009.9,5\n1010,5\n"
	r, err = ComputeTable(strings.NewReader(bent), Asked{Columns: columnsAre("resistance=R", "radius=radius")})
	if err != nil {
		t.Fatal(err)
	}
	if f := numberOf(t, r, "bend_response", "relative change"); math.Abs(f.Value-1) > 1e-9 || f.With[0].Value != 0.005 {
		t.Errorf("bent: %+v", f)
	}
	pads := "d / um,R / Ohm\n5,27.6\n10,52.4\n20,102.7\n40,202.3\n80,402.5\n"
	r, err = ComputeTable(strings.NewReader(pads), Asked{Columns: columnsAre("resistance=R", "distance=d"), PadWidthM: 100e-6})
	if err != nil {
		t.Fatal(err)
	}
	if f := numberOf(t, r, "contact_resistance", "transfer length"); math.Abs(f.Value-1.268750) > 5e-7 {
		t.Errorf("contact resistance %v", f.Value)
	}
	cycles := "N,R / Ohm\n1,1000\n10,1003\n100,1006\n1000,1020\n2000,1040\n5000,1090\n10000,1220\n"
	r, err = ComputeTable(strings.NewReader(cycles), Asked{Columns: columnsAre("resistance=R", "cycles=N"), ThresholdShare: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	if f := numberOf(t, r, "cycles_to_threshold", "linear in cycles"); math.Abs(f.Value-5384.615385) > 1e-5 {
		t.Errorf("cycles %v", f.Value)
	}
	// Both: each count was read twice flat and twice bent by 1 % of the flat value.
	both := "N,R / Ohm,radius / mm\n"
	for _, x := range [][2]float64{{1, 1000}, {10, 1003}, {100, 1006}, {1000, 1020}, {2000, 1040}, {5000, 1090}, {10000, 1220}} {
		for _, y := range [...]float64{-0.1, 0.1} {
			both += fmt.Sprintf("%g,%g,0\n%g,%g,5\n", x[0], x[1]+y, x[0], 1.01*x[1]+y)
		}
	}
	r, err = ComputeTable(strings.NewReader(both), Asked{Columns: columnsAre("resistance=R", "radius=radius", "cycles=N"), ThresholdShare: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	if f := numberOf(t, r, "cycles_to_threshold", "linear in cycles"); math.Abs(f.Value-5384.615385) > 1e-5 {
		t.Errorf("flat rows among bent ones: cycles %v", f.Value)
	}
	var at []float64
	for _, f := range r.Figures {
		if f.Figure == "bend_response" {
			n, _ := f.with("cycles")
			if at = append(at, n); math.Abs(f.Value-1) > 1e-9 {
				t.Errorf("after %g cycles it answers bending by %v %%", n, f.Value)
			}
		}
	}
	if fmt.Sprint(at) != "[1 10000]" {
		t.Errorf("answers to bending after %v cycles", at)
	}
}

// TestBadTables: what is wrong is said in words, and no figure comes of it in silence.
func TestBadTables(t *testing.T) {
	three := columnsAre("time=t", "temperature=T", "resistance=R")
	rows := func(n int, row func(i int) string) string {
		var s strings.Builder
		s.WriteString("t / s,T / °C,R / Ohm\n")
		for i := range n {
			s.WriteString(row(i) + "\n")
		}
		return s.String()
	}
	for _, c := range []struct{ name, text, says string }{
		{"empty", "", "the file is empty"},
		{"header only", "t / s,T / °C,R / Ohm\n", "no row below it"},
		{"one row", "t / s,T / °C,R / Ohm\n0,25,1000\n", "only one row"},
		{"no such column", "t / s,T / °C,film / Ohm\n0,25,1000\n1,26,1001\n", `there is no column "R"`},
		{"no unit", "t,T,R\n0,25,1000\n1,26,1001\n", "has no unit"},
		{"a wrong unit", "t / s,T / V,R / Ohm\n0,25,1000\n1,26,1001\n", "taken for temperature, is in V"},
		{"wrong delimiter", "t / s.T / °C.R / Ohm\n0.25.1000\n1.26.1001\n", "no sign separates cells"},
		{"decimal commas between commas", "t / s,T / °C,R / Ohm\n0,0,25,0,1000,0\n1,0,26,0,1001,0\n", "decimal commas between commas"},
		{"nothing but NaN", rows(9, func(i int) string { return fmt.Sprintf("%d,NaN,1000", i) }), "are numbers"},
		{"overflow", rows(9, func(i int) string { return fmt.Sprintf("%d,25,9.9E37", i) }), "overflow"},
		{"time runs backwards", rows(40, func(i int) string { return fmt.Sprintf("%d,25,1000", -i) }), "time runs backwards"},
		{"one time for all", rows(40, func(i int) string { return "5,25,1000" }), "too coarse to order"},
		{"too few", rows(4, func(i int) string { return fmt.Sprintf("%d,25,1000", i) }), "too few"},
	} {
		r, err := ComputeTable(strings.NewReader(c.text), Asked{Columns: three})
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, expected words with %q", c.name, err, c.says)
		}
		if r != nil && len(r.Figures) > 0 {
			t.Errorf("%s: figures came of it all the same", c.name)
		}
	}
	constant := rows(200, func(i int) string { return fmt.Sprintf("%d,25.0,%.3f", i, 1000+0.01*math.Sin(float64(i*i))) })
	r, err := ComputeTable(strings.NewReader("\xef\xbb\xbf"+constant), Asked{Columns: three, AtDegC: 25})
	if err != nil {
		t.Fatal(err)
	}
	text := r.Text()
	if !strings.Contains(text, "nothing can be said about its effect") || !strings.Contains(text, "at different temperatures are needed") {
		t.Errorf("constant temperature: %s", text)
	}
	for _, f := range r.Figures {
		if f.Figure == "tcr" || f.Figure == "sensitivity" {
			t.Errorf("a %s from one temperature", f.Figure)
		}
	}
}

// Of a record whose temperature goes to and fro, people are told how to take it for one hold.
func TestWanderingIsTold(t *testing.T) {
	var rows strings.Builder
	rows.WriteString("t (s),T (degC),R (Ohm)\n")
	for i := range 2000 {
		at := 22 + 3*math.Sin(float64(i)/250)
		fmt.Fprintf(&rows, "%d,%.3f,%.4f\n", 10*i, at, 1000+3*at+0.001*float64(i%7))
	}
	ask := Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25}
	const line = "plateau,0,19990"
	r, err := ComputeTable(strings.NewReader(rows.String()), ask)
	if err != nil || !strings.Contains(fmt.Sprint(r.Notes), "with the line "+line) {
		t.Fatalf("%v, %q", err, r.Notes)
	}
	ask.PlateausFile, ask.Plateaus = "hold", line
	if r, err = ComputeTable(strings.NewReader(rows.String()), ask); err != nil {
		t.Fatal(err)
	}
	numberOf(t, r, "drift", "corrected for temperature")
	if strings.Contains(fmt.Sprint(r.Notes), "wanders") {
		t.Errorf("%q", r.Notes)
	}
}

// What an instrument shows that cannot measure is left out, if it is no film that broke; and
// a column that never changes is told.
func TestOutOfReach(t *testing.T) {
	for _, c := range []struct {
		name string
		r    func(i int) float64
		ask  []string
		left int
		says string
	}{
		{"overflow in its own way", func(i int) float64 { return map[bool]float64{false: 1000 + float64(i), true: 9.9e9}[i%20 == 7] }, nil, 2,
			`column "R": 2 values are more than 10000 times the median, as an instrument shows what it cannot measure, and are left out, the first 9.9e+09 Ohm at line 9`},
		{"a film that broke", func(i int) float64 { return map[bool]float64{false: 1000 + float64(i), true: 9.9e9}[i > 37] }, []string{"cycles=N"}, 0, ""},
		{"a thermistor over 200 K", func(i int) float64 { return 8.6e5 * math.Pow(0.8, float64(i)) }, nil, 0, ""},
		{"always the same", func(i int) float64 { return 1000 }, nil, 0, `column "R": every value is 1000 Ohm: that there is no scatter`},
	} {
		var rows strings.Builder
		rows.WriteString("t (s),T (degC),R (Ohm),N\n")
		for i := range 40 {
			fmt.Fprintf(&rows, "%d,%.6g,%.6g,%d\n", i, 25+float64(i)/100, c.r(i), i)
		}
		r, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre(append(c.ask, "time=t", "temperature=T", "resistance=R")...), AtDegC: 25, ThresholdShare: 0.1})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		said := fmt.Sprint(r.Notes)
		if left := 40 - len(r.R.Y); left != c.left || !strings.Contains(said, c.says) || c.says == "" && strings.Contains(said, "median") {
			t.Errorf("%s: %d left out, expected %d, and %q in %s", c.name, left, c.left, c.says, said)
		}
	}
}

// TestWearIsNoNoise: several readings at each count of cycles are averaged for the life, and
// those before the first cycle alone say how noisy the film is. Demo data: 0.2 Ohm of noise,
// and a film that rises by 10 % for each of five counts.
func TestWearIsNoNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 7))
	var s strings.Builder
	s.WriteString("t (s),T (degC),R (Ohm),N\n")
	for n := range 5 {
		for k := range 60 {
			fmt.Fprintf(&s, "%d,%.3f,%.3f,%d\n", 60*n+k, 25+0.01*rng.NormFloat64(), 10000*(1+0.1*float64(n))+0.2*rng.NormFloat64(), 1000*n)
		}
	}
	r, err := ComputeTable(strings.NewReader(s.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R", "cycles=N"), AtDegC: 25, ThresholdShare: 0.15})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Figures {
		if f.Figure == "noise_rms" && !(f.Value > 0.1 && f.Value < 0.4) {
			t.Errorf("noise_rms, %s: %v Ohm", f.Flavour, f.Value)
		}
	}
	numberOf(t, r, "noise_rms", "about the mean")
	within(t, "life", numberOf(t, r, "cycles_to_threshold", "linear in cycles").Value, 1500, 1)
	if text := fmt.Sprint(r.Notes); !strings.Contains(text, "the 60 of 300 rows count in which the film is flat and least worn") {
		t.Error(text)
	}
}
