package figures

import (
	"math"
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
		all := Compare([]Side{{[]Figure{a}, "one"}, {[]Figure{c.b}, c.bench}})
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
	all := Compare([]Side{{[]Figure{a, b}, "one"}, {[]Figure{a, b, only}, "one"}, {[]Figure{b, b}, "one"}})
	if len(all) != 2 || all[1].Less[1].Value != 0 || all[0].Less[2].Value != 30 || all[0].Mean != 10010 || math.Abs(all[0].Deviation-math.Sqrt(300)) > 1e-9 {
		t.Errorf("%+v", all)
	}
	if text := all[0].Text([]string{"A", "B", "C"}); !strings.Contains(text, "differs") || !strings.Contains(text, "standard deviation") {
		t.Error(text)
	}
}
