package figures

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// TestCompare: an error of the thermometer is the same in two runs on one bench and leaves
// their difference; on two benches it does not (JCGM 100, 5.2.2: r = 1 and r = 0).
func TestCompare(t *testing.T) {
	of := func(value float64, says string) Figure {
		b, err := Combine("Ohm", Level95, []Input{
			{Name: "scatter", Unit: "Ohm", U: 3, Type: "A", Sensitivity: 1},
			{Name: "thermometer", Unit: "K", U: 0.4, Type: "B", Sensitivity: -100, Says: says, Instrument: true},
			{Name: "straight line", Unit: "Ohm", U: 4, Type: "B", Sensitivity: 1, Says: "bound"}})
		if err != nil {
			t.Fatal(err)
		}
		f, err := Origin{"R", "rows"}.figure(meaning{"r0", "measured", "Ohm", "d", "s"}, value, b)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	a, b := of(10000, "calibrated in spring"), of(10030, "calibrated in spring")
	for _, c := range []struct {
		name    string
		b       Figure
		bench   string
		u       float64
		matters bool
	}{
		{"one bench", b, "one", math.Sqrt(2 * (3*3 + 4*4)), true},
		{"two benches", b, "another", math.Sqrt(2 * (3*3 + 4*4 + 40*40)), false},
		{"one bench, calibrated anew", of(10030, "calibrated in autumn"), "one", math.Sqrt(2 * (3*3 + 4*4 + 40*40)), false},
	} {
		all, _ := Compare([]Side{{Figures: []Figure{a}, Bench: "one"}, {Figures: []Figure{c.b}, Bench: c.bench}})
		if len(all) != 1 {
			t.Fatalf("%s: %d figures", c.name, len(all))
		}
		d := all[0].Less[1]
		if math.Abs(d.Value-30) > 1e-9 || math.Abs(d.U-c.u) > 1e-9 || d.Matters != c.matters {
			t.Errorf("%s: %+v, expected u = %v", c.name, d, c.u)
		}
	}
	// The second of two alike belongs to the second, and what only one run has is left out.
	only := b
	only.Flavour = "fitted"
	all, _ := Compare([]Side{{Figures: []Figure{a, b}, Bench: "one"}, {Figures: []Figure{a, b, only}, Bench: "one"}, {Figures: []Figure{b, b}, Bench: "one"}})
	if len(all) != 2 || all[1].Less[1].Value != 0 || all[0].Less[2].Value != 30 || all[0].Mean != 10010 || math.Abs(all[0].Deviation-math.Sqrt(300)) > 1e-9 {
		t.Errorf("%+v", all)
	}
	if text := all[0].Text([]string{"A", "B", "C"}); !strings.Contains(text, "differs") || !strings.Contains(text, "standard deviation") {
		t.Error(text)
	}
}

// What was taken under other conditions is not laid beside each other.
func TestCompareUnderTheSameConditions(t *testing.T) {
	at := func(name string, value float64, with ...Given) Figure {
		return Figure{Figure: name, Flavour: "f", Unit: "%", Value: value, Expanded: 0.1, With: with}
	}
	bend := func(value, mm float64) Figure {
		return at("bend_response", value, Given{"radius", mm / 1000, "m"}, Given{"R squared", value, "1"})
	}
	chord := func(value, t2 float64) Figure {
		return at("tcr", value, Given{"T1", 20, "degC"}, Given{"T2", t2, "degC"})
	}
	local := func(value, t float64) Figure { return at("r0", value, Given{"temperature", t, "degC"}) }
	for _, c := range []struct {
		name     string
		a, b     []Figure
		pairs    []float64 // the difference of each
		unpaired string
	}{
		{"another radius", []Figure{bend(1, 8)}, []Figure{bend(2, 12)}, nil, "bend_response, f, radius 8 mm; bend_response, f, radius 12 mm"},
		{"radii in another order", []Figure{bend(1, 8), bend(2, 12)}, []Figure{bend(2.5, 12.1), bend(1.25, 8)}, []float64{0.25, 0.5}, ""},
		{"one more radius", []Figure{bend(1, 8)}, []Figure{bend(3, 6), bend(1.5, 8)}, []float64{0.5}, "bend_response, f, radius 6 mm"},
		{"chord over less", []Figure{chord(1, 38)}, []Figure{chord(2, 29)}, nil, "tcr, f, T1 20 degC, T2 38 degC; tcr, f, T1 20 degC, T2 29 degC"},
		{"measured a little elsewhere", []Figure{chord(1, 38)}, []Figure{chord(1.5, 38.4)}, []float64{0.5}, ""},
		{"nearest", []Figure{local(1, 20), local(2, 20.8)}, []Figure{local(2.5, 20.9)}, []float64{0.5}, ""},
		{"up and down at one temperature", []Figure{local(1, 25.02), local(2, 25)}, []Figure{local(1.25, 24.99), local(2.5, 25.02)}, []float64{0.25, 0.5}, ""},
		{"several passes", []Figure{at("t63", 1), at("t63", 2)}, []Figure{at("t63", 1.5), at("t63", 3)}, []float64{0.5, 1}, ""},
		{"one pass fewer", []Figure{at("t63", 1), at("t63", 2)}, []Figure{at("t63", 3)}, nil, "t63, f, 1 of 2; t63, f; t63, f, 2 of 2"},
		{"one pass more, and one hotter", []Figure{local(1, 25), local(2, 35)}, []Figure{local(3, 25), local(4, 25.1), local(5, 35)}, []float64{3},
			"r0, f, temperature 25 degC; r0, f, temperature 25 degC, 1 of 2; r0, f, temperature 25.1 degC, 2 of 2"},
	} {
		all, unpaired := Compare([]Side{{Figures: c.a, Bench: "one"}, {Figures: c.b, Bench: "one"}})
		var pairs []float64
		for _, x := range all {
			pairs = append(pairs, x.Less[1].Value)
		}
		var titles []string
		for _, x := range unpaired {
			titles = append(titles, x.Title())
		}
		if !slices.Equal(pairs, c.pairs) || strings.Join(titles, "; ") != c.unpaired {
			t.Errorf("%s: differences %v, unpaired %q", c.name, pairs, titles)
		}
	}
	all, _ := Compare([]Side{{Figures: []Figure{bend(1, 8)}, Bench: "one"}, {Figures: []Figure{bend(1, 8)}, Bench: "one"}})
	if text := all[0].Text([]string{"A", "B"}); !strings.HasPrefix(text, "bend_response, f, radius 8 mm\n") {
		t.Error(text)
	}
}

// A film that was read half a kelvin warmer is no other film: its slope takes that out, and what
// the temperatures are uncertain by stays. Of one thermometer on one bench the errors cancel.
func TestCompareAtOneTemperature(t *testing.T) {
	curve := Curve{Origin: Origin{"R", "demo data"}, T: []float64{20, 30, 40}, R: []float64{10500, 9500, 8500}, UT: []float64{0.03, 0.04, 0.05}, UR: []float64{0, 0, 0},
		Common: []Common{{Name: "thermometer", Kind: TemperatureOffset, U: 0.2, Says: "class", Instrument: true}}}
	of := func(figure string, value, degC float64) Figure {
		return Figure{Figure: figure, Flavour: "f", Unit: "Ohm", Value: value, U_std: 1, K: 2, Expanded: 2, With: []Given{{"temperature", degC, "degC"}}}
	}
	for _, c := range []struct {
		name    string
		a, b    Figure
		curves  [2]Curve
		bench   string
		value   float64
		u       float64
		matters bool
		says    string
	}{
		{"half a kelvin warmer", of("resistance", 10000, 25), of("resistance", 9944, 25.5), [2]Curve{curve, curve}, "one", -6, math.Sqrt(2 + 9 + 16), false, "at one temperature (it was 0.5 K warmer)"},
		{"on another bench", of("resistance", 10000, 25), of("resistance", 9944, 25.5), [2]Curve{curve, curve}, "another", -6, math.Sqrt(2 + 9 + 16 + 2*400), false, "no difference"},
		{"another film", of("resistance", 10000, 25), of("resistance", 9980, 25.5), [2]Curve{curve, curve}, "one", 30, math.Sqrt(2 + 9 + 16), true, "differs"},
		{"an R0 has its temperature in it", of("r0", 10000, 25), of("r0", 9950, 25.5), [2]Curve{curve, {}}, "one", 0, math.Sqrt2, false, "no difference"},
		{"no slope", of("resistance", 10000, 25), of("resistance", 9950, 25.5), [2]Curve{}, "one", -50, math.Sqrt2, false, "not judged: it was 0.5 K warmer"},
		{"no slope needed", of("resistance", 10000, 25), of("resistance", 9950, 25), [2]Curve{}, "one", -50, math.Sqrt2, true, "differs"},
		{"no resistance", of("hysteresis", 10000, 25), of("hysteresis", 9950, 25.5), [2]Curve{curve, curve}, "one", -50, math.Sqrt2, true, "differs"},
	} {
		all, _ := Compare([]Side{{Figures: []Figure{c.a}, Bench: "one", Curve: c.curves[0]}, {Figures: []Figure{c.b}, Bench: c.bench, Curve: c.curves[1]}})
		if len(all) != 1 {
			t.Fatalf("%s: %d figures", c.name, len(all))
		}
		d := all[0].Less[1]
		if math.Abs(d.Value-c.value) > 1e-6 || math.Abs(d.U-c.u) > 0.02*c.u || d.Matters != c.matters || !strings.Contains(d.Text(), c.says) {
			t.Errorf("%s: %s (%+v), expected %v ± 2 × %v, %s", c.name, d.Text(), *d, c.value, c.u, c.says)
		}
	}
}
