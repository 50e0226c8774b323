package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// A figure that cannot be computed is told by its name, and is no figure of 0 ± 0. Demo
// data: one temperature for all rows.
func TestNoFigureIsWithoutName(t *testing.T) {
	const table = "T (degC),R (Ohm),radius (mm),n\n25,10000,0,0\n25,10100,10,0\n25,10000,0,1\n25,10100,10,1\n25,10050,0,100\n25,10160,10,100\n25,10300,0,1000\n25,10400,10,1000\n"
	for _, columns := range [][]string{{"temperature=T", "resistance=R"}, {"temperature=T", "resistance=R", "radius=radius", "cycles=n"}} {
		r, err := ComputeTable(strings.NewReader(table), Asked{Columns: columnsAre(columns...), AtDegC: 25})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range r.Figures {
			if f.Figure == "" {
				t.Errorf("%v: a figure without a name: %+v", columns, f)
			}
		}
		for _, o := range r.LeftOut {
			if o.Figure == "" {
				t.Errorf("%v: nothing without a name: %s", columns, o.Why)
			}
		}
	}
}

// The name as it is written in the header, unit and all, is the column's too.
func TestNameAsWritten(t *testing.T) {
	var rows strings.Builder
	rows.WriteString("t_s;plate.temperature_degC;\"R, film (Ohm)\"\n")
	for i := range 40 {
		fmt.Fprintf(&rows, "%d;%.3f;%.3f\n", i, 25+0.001*float64(i%7), 1000+0.01*float64(i%5))
	}
	_, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre("time=t_s", "temperature=plate.temperature_degC", "resistance=R, film (Ohm)"), AtDegC: 25})
	if err != nil {
		t.Error(err)
	}
}

// shown is a staircase of a virtual film without hysteresis or lag (demo data), as a person
// copies it from displays.
func shown(levels []float64, temperature, resistance string, spiked func(i int, degC, r float64) (float64, float64)) string {
	rng := rand.New(rand.NewPCG(4, 2))
	var s strings.Builder
	s.WriteString("t (s),T (degC),R (Ohm)\n")
	i := 0
	for n, level := range levels {
		for k := range 40 {
			degC, r := level, thermistor(level)+0.5*rng.NormFloat64()
			degC, r = spiked(i, degC, r)
			fmt.Fprintf(&s, "%d,"+temperature+","+resistance+"\n", 500*n+10*k, degC, r)
			i++
		}
	}
	return s.String()
}

func thermistor(degC float64) float64 { return 10000 * math.Exp(-0.01*(degC-25)) }

// What a display rounds is no hysteresis and no lag, and is in every uncertainty. The film's
// own values are those of its law.
func TestDigitsOfDisplays(t *testing.T) {
	levels := []float64{20.04, 29.96, 40.04, 50.04, 39.97, 30.04, 19.96} // all shown as whole tens of degrees
	ask := Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 20}
	for _, c := range []struct {
		temperature, resistance string
		says                    []string
		least                   float64 // Ohm: what u of R0 is at the least: 0.1 or 1 K, 100 Ohm in √12
	}{
		{"%.1f", "%.2f", []string{`column "T": values to 0.1 K`}, 0.1 * 100 / math.Sqrt(12)},
		{"%.0f", "%.0f", []string{`column "T": values to 1 K`}, 100 / math.Sqrt(12)},
		{"%.3f", "%.0f00", []string{`column "R": values to 100 Ohm`}, 100 / math.Sqrt(12)},
	} {
		asShown := func(_ int, degC, r float64) (float64, float64) { return degC, r }
		if strings.HasSuffix(c.resistance, "00") { // written in hundreds
			asShown = func(_ int, degC, r float64) (float64, float64) { return degC, math.Round(r / 100) }
		}
		r, err := ComputeTable(strings.NewReader(shown(levels, c.temperature, c.resistance, asShown)), ask)
		if err != nil {
			t.Fatal(err)
		}
		for _, says := range c.says {
			if !strings.Contains(fmt.Sprint(r.Notes), says) {
				t.Errorf("%s, %s: nothing says %q: %v", c.temperature, c.resistance, says, r.Notes)
			}
		}
		if f := numberOf(t, r, "r0", "measured"); f.U_std < 0.99*c.least {
			t.Errorf("%s, %s: R0 %v ± %v Ohm: the display alone makes u = %v", c.temperature, c.resistance, f.Value, f.U_std, c.least)
		}
		if f := numberOf(t, r, "hysteresis", "largest, Ohm, as read off, by T"); f.Value > f.Expanded {
			t.Errorf("%s, %s: hysteresis %v ± %v Ohm of a film without", c.temperature, c.resistance, f.Value, f.Expanded)
		}
		for _, f := range r.Figures {
			if f.Figure == "lag_tau" {
				t.Errorf("%s, %s: a lag of %v ± %v s of a film without", c.temperature, c.resistance, f.Value, f.Expanded)
			}
		}
	}
}

// The step of a column, of the values as they are written.
func TestStepOfAColumn(t *testing.T) {
	numbers := func(format string, first, step float64, n int) (cells []string) {
		for i := range n {
			cells = append(cells, fmt.Sprintf(format, first+step*float64(i*i%23)))
		}
		return cells
	}
	for _, c := range []struct {
		header string
		role   Role
		cells  []string
		want   float64
	}{
		{"T (degC)", TemperatureRole, numbers("%.1f", 20, 0.5, 40), 0.5},
		{"T (degC)", TemperatureRole, numbers("%.2f", 20, 0.25, 40), 0.25},
		{"T (K)", TemperatureRole, numbers("%.1f", 293, 0.1, 40), 0.1},
		{"T (degF)", TemperatureRole, numbers("%.0f", 70, 1, 40), 1 / 1.8},
		{"T (degC)", TemperatureRole, []string{"20.0", "30.0", "40.0", "50.0"}, 0.1},
		{"T (degC)", TemperatureRole, numbers("%.0f", 20, 10, 40), 1},
		{"T (degC)", TemperatureRole, []string{"20.0 degC", "70 degF", "40.0", "50.0"}, 0},
		{"R (kOhm)", ResistanceRole, numbers("%.3f", 10, 0.005, 40), 5},
		{"R (Ohm)", ResistanceRole, []string{"10500.0", "9500.0", "8600.0", "7800.0"}, 100},
		{"R (Ohm)", ResistanceRole, []string{"10500", "9500", "9500", "9500"}, 1},
		{"R (Ohm)", ResistanceRole, []string{"1.05e4", "9.52e3", "9.48e3", "9.45e3"}, 10},
	} {
		table, err := ReadTable(strings.NewReader("n;"+c.header+"\n1;"+strings.Join(c.cells, "\n2;")+"\n"), Reading{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := table.Numbers(Reading{}, Wanted{c.header[:1], c.role, ""}); err != nil {
			t.Fatal(err)
		}
		if got := table.Columns[1].step; math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("%s %v: a step of %v, expected %v", c.header, c.cells, got, c.want)
		}
	}
}

// Single readings that stand out are left out of every figure, and told; of corners, steps,
// pulses and steady noise none is.
func TestSpikesAreLeftOut(t *testing.T) {
	levels := []float64{20, 30, 40, 50, 40, 30, 20}
	ask := Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 20}
	for name, spiked := range map[string]func(i int, degC, r float64) (float64, float64){
		"T":    func(i int, degC, r float64) (float64, float64) { return 1372, r },
		"R":    func(i int, degC, r float64) (float64, float64) { return degC, 10 * r },
		"zero": func(i int, degC, r float64) (float64, float64) { return degC, 0 },
	} {
		some := func(i int, degC, r float64) (float64, float64) {
			if i%50 == 0 {
				return spiked(i, degC, r)
			}
			return degC, r
		}
		r, err := ComputeTable(strings.NewReader(shown(levels, "%.3f", "%.2f", some)), ask)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(fmt.Sprint(r.Notes), "6 single readings stand out of their neighbours") {
			t.Errorf("%s: nothing says that readings are left out: %v", name, r.Notes)
		}
		if f := numberOf(t, r, "r0", "measured"); math.Abs(f.Value-thermistor(20)) > 1 || f.Expanded > 1 {
			t.Errorf("%s: R0 %v ± %v Ohm, expected %v", name, f.Value, f.Expanded, thermistor(20))
		}
		for _, o := range r.LeftOut {
			if o.Figure == "" || strings.Contains(o.Why, "NaN") {
				t.Errorf("%s: not given: %q: %s", name, o.Figure, o.Why)
			}
		}
	}
	pairs := func(i int, degC, r float64) (float64, float64) {
		if i%80 == 20 || i%80 == 21 {
			degC += 5
		}
		return degC, r
	}
	if r, err := ComputeTable(strings.NewReader(shown(levels, "%.3f", "%.2f", pairs)), ask); err != nil || !strings.Contains(fmt.Sprint(r.Notes), "8 readings of 4 plateaus lie more than 8 times the noise from their level") {
		t.Errorf("pairs that lie far out: %v, %v", r.Notes, err)
	}
	rng := rand.New(rand.NewPCG(1, 9))
	for name, x := range map[string]func(i int) float64{
		"triangle": func(i int) float64 { return math.Abs(float64(i%100 - 50)) },
		"steps":    func(i int) float64 { return float64(i / 20 % 3) },
		"pulse":    func(i int) float64 { return float64(i % 50 / 48) },
		"decay":    func(i int) float64 { return math.Exp(-float64(i%100) / 2) },
		"sine":     func(i int) float64 { return math.Sin(float64(i) / 2) },
		"noise":    func(i int) float64 { return rng.NormFloat64() },
	} {
		var all []float64
		for i := range 2000 {
			all = append(all, x(i))
		}
		if spikes := spikesOf(all, 0); spikes != nil {
			t.Errorf("%s: spikes at %v", name, spikes)
		}
	}
}

// The interval of a life from a table lies between the counts at which the film surely was
// below the threshold and above it: what it changes between counts is no scatter. Demo data.
func TestLifeOfATableLiesBetweenCounts(t *testing.T) {
	for _, c := range []struct {
		rows      string
		low, high float64
	}{
		{"10000,0 10001,0 10002,0 10300,1000 10301,1000 11200,10000 11202,10000", 1000, 10000},
		{"10000,0 10300,1000 11200,10000", 1000, 10000},
		{"10000,0 10020,0 10980,500 11040,500 11030,1000 11090,1000 11800,2000 11830,2000", 0, 2000},       // within the scatter already at 500
		{"9990,0 10030,0 10890,1000 10930,1000 11030,10000 11070,10000 11500,10100 11540,10100", 0, 10100}, // sure one count later
	} {
		text := "R (Ohm),n\n" + strings.ReplaceAll(c.rows, " ", "\n") + "\n"
		r, err := ComputeTable(strings.NewReader(text), Asked{Columns: columnsAre("resistance=R", "cycles=n"), AtDegC: 25, ThresholdShare: 0.1})
		if err != nil {
			t.Fatal(err)
		}
		f := numberOf(t, r, "cycles_to_threshold", "linear in cycles")
		if *f.Low < c.low || *f.High > c.high || *f.Low > f.Value || *f.High < f.Value {
			t.Errorf("%s: %v (%v to %v), expected it within %v to %v", c.rows, f.Value, *f.Low, *f.High, c.low, c.high)
		}
	}
}

// A temperature that changes into degrees Fahrenheit within the file is told by a resistance
// that does not follow; one that does, or that follows nothing, tells no such thing. Headers
// that make temperatures unlikely ones are told. Demo data.
func TestTemperaturesInAnotherUnit(t *testing.T) {
	level := func(i int) float64 { return []float64{20, 30, 40, 50}[i/40%4] }
	flat := func(_, _ float64) float64 { return 1000 }
	film := func(level, _ float64) float64 { return thermistor(level) }
	follows := func(_, read float64) float64 { return thermistor(read) }
	for _, c := range []struct {
		name, unit string
		read       func(i int, degC float64) float64
		film       func(level, read float64) float64
		says       string
		refused    bool
	}{
		{"half", "degC", func(i int, x float64) float64 { return x + float64(i/80)*(0.8*x+32) }, film, "", false}, // at a step: nothing to compare with
		{"within", "degC", func(i int, x float64) float64 { return x + float64(i/100)*(0.8*x+32) }, film, `the temperature at line 102 is 104 after 40, as degF beside degC`, true},
		{"few", "degC", func(i int, x float64) float64 { return x + float64(i/150)*(0.8*x+32) }, film, "10 of 160 values, those not in the unit of most, are left out", false},
		{"most", "degC", func(i int, x float64) float64 { return x + float64(min(1, i/10))*(0.8*x+32) }, film, "150 of 160 values are as in degF", true},
		{"no film", "degC", func(i int, x float64) float64 { return x + float64(i/150)*(0.8*x+32) }, flat, "", false},
		{"follows", "degC", func(i int, x float64) float64 { return x + float64(i/150)*(0.8*x+32) }, follows, "", false},
		{"kelvin", "degC", func(i int, x float64) float64 { return x + 273.15 }, film, "none of them below 200; if they are K", false},
		{"celsius", "K", func(i int, x float64) float64 { return x }, film, "degC under a header that says K?), correct the header", false},
		{"well", "degC", func(i int, x float64) float64 { return x }, film, "", false},
	} {
		var rows strings.Builder
		fmt.Fprintf(&rows, "t (s),T (%s),R (Ohm)\n", c.unit)
		for i := range 160 {
			fmt.Fprintf(&rows, "%d,%.3f,%.3f\n", i, c.read(i, level(i)), c.film(level(i), c.read(i, level(i)))+0.01*float64(i*i%7))
		}
		r, err := ComputeTable(strings.NewReader(rows.String()), Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25})
		said := fmt.Sprint(err)
		if err == nil {
			said = fmt.Sprint(r.Notes)
		}
		if (err != nil) != c.refused || !strings.Contains(said, c.says) || c.says == "" && (strings.Contains(said, "another unit") || strings.Contains(said, "correct the header")) {
			t.Errorf("%s: expected %q, got %s", c.name, c.says, said)
		}
	}
}

// What has no name of its own is told by what was being computed.
func TestWhatIsNotGivenHasAName(t *testing.T) {
	c := &computer{}
	c.add("r0", []Figure{{Figure: "r0", Notes: []string{"not given: : no reason", "a word"}}}, nil)
	if len(c.LeftOut) != 1 || c.LeftOut[0].Figure != "r0" || len(c.Figures[0].Notes) != 1 {
		t.Errorf("left out: %+v, figures %+v", c.LeftOut, c.Figures)
	}
}
