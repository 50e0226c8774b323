package figures

import (
	"math"
	"testing"
)

// runsOf is a figure of several runs (demo data), of which instruments alone make 0.3 Ohm.
func runsOf(t *testing.T, benches []string, values ...float64) Compared {
	t.Helper()
	c := Compared{Figure: "r0", Flavour: "measured", Unit: "Ohm", benches: benches}
	for _, v := range values {
		if math.IsNaN(v) {
			c.Of = append(c.Of, nil)
			continue
		}
		b, err := Combine("Ohm", Level95, []Input{{Name: "scatter", Unit: "Ohm", U: 0.1, Type: "A", Sensitivity: 1}, {Name: "meter", Unit: "Ohm", U: 0.3, Type: "B", Sensitivity: 1, Instrument: true}})
		if err != nil {
			t.Fatal(err)
		}
		f, err := Origin{"R", "rows"}.figure(meaning{"r0", "measured", "Ohm", "d", "s"}, v, b)
		if err != nil {
			t.Fatal(err)
		}
		c.Of = append(c.Of, &f)
	}
	return c
}

// TestGroups: groups of 3 and 2 runs with variances 1 and 0.5 within, t of 3 degrees of
// freedom 3.1824 (tables); all by the formulas of a one-way layout, by hand.
func TestGroups(t *testing.T) {
	name := []string{"bare", "encapsulated", "bare", "bare", "encapsulated", "bare"}
	one := []string{"a", "a", "a", "a", "a", "a"}
	values := []float64{100, 104, 101, 102, 105, math.NaN()}
	all := runsOf(t, one, values...).By(name)
	if len(all) != 2 || all[0].Name != "bare" || len(all[0].Runs) != 3 || all[0].Less != nil {
		t.Fatalf("%+v", all)
	}
	s := math.Sqrt((2*1 + 1*0.5) / 3)
	within(t, "mean", all[0].Mean, 101, 1e-12)
	within(t, "its U", all[0].Expanded, 3.1824*math.Hypot(s/math.Sqrt(3), 0.3), 1e-4)
	d := all[1].Less
	within(t, "difference", d.Value, 3.5, 1e-12)
	within(t, "its u", d.U, s*math.Sqrt(1./3+1./2), 1e-12)
	within(t, "its U", d.Expanded, 3.1824*d.U, 1e-4)
	if !d.Matters {
		t.Errorf("%+v does not matter", d)
	}
	two := []string{"a", "b", "a", "a", "b", "a"}
	d = runsOf(t, two, values...).By(name)[1].Less
	within(t, "u of two benches", d.U, math.Hypot(s*math.Sqrt(1./3+1./2), 0.3*math.Sqrt2), 1e-12)
	if all := runsOf(t, one, values...).By([]string{"1", "2", "3", "4", "5", "6"}); all != nil {
		t.Errorf("nothing belongs together: %+v", all)
	}
	if all := runsOf(t, one, values...).By([]string{"1", "1", "1", "1", "1", "1"}); all != nil {
		t.Errorf("all belong together: %+v", all)
	}
}

// TestOverSpecimens: the values of TestPrecision, as runs.
func TestOverSpecimens(t *testing.T) {
	var specimen, bench []string
	for _, id := range []string{"1", "2", "3"} {
		for range 4 {
			specimen, bench = append(specimen, id), append(bench, "a")
		}
	}
	c := runsOf(t, bench, 10.1, 10.3, 10.2, 10.2, 10.5, 10.4, 10.6, 10.5, 10.0, 10.1, 9.9, 10.2)
	all, err := c.OverSpecimens(specimen)
	within(t, "s_R", pick(t, all, err, "reproducibility", "standard deviation").Value, 0.244948974, 5e-10)
	for i := range specimen {
		specimen[i] = string(rune('a' + i))
	}
	if all, err := c.OverSpecimens(specimen); err == nil {
		t.Errorf("no specimen was measured twice: %v", all)
	}
}

// TestMaps: elements by row and column, one measured twice, one not at all (demo data).
func TestMaps(t *testing.T) {
	c := runsOf(t, make([]string, 6), 100, 102, 104, 106, math.NaN(), 50)
	all := c.Maps([]Place{{"F-12", 1, 1}, {"F-12", 1, 1}, {"F-12", 1, 3}, {"F-12", 2, 2}, {"F-12", 2, 1}, {}})
	if len(all) != 1 {
		t.Fatalf("%+v", all)
	}
	m := all[0]
	if m.Rows != 2 || m.Columns != 3 || m.N != 3 || m.Least != (Place{"F-12", 1, 1}) || m.Most != (Place{"F-12", 2, 2}) {
		t.Errorf("%+v", m)
	}
	if v, ok := m.At(Place{"F-12", 1, 1}); !ok || v != 101 {
		t.Errorf("row 1, column 1: %v %v", v, ok)
	}
	for _, p := range []Place{{"F-12", 2, 1}, {"F-12", 1, 2}, {"F-12", 3, 1}, {"F-12", 0, 0}} {
		if v, ok := m.At(p); ok {
			t.Errorf("%+v: %v", p, v)
		}
	}
	within(t, "mean", m.Mean, 311./3, 1e-9)
	within(t, "s", m.S, math.Sqrt((math.Pow(101-311./3, 2)+math.Pow(104-311./3, 2)+math.Pow(106-311./3, 2))/2), 1e-9)
	if all := c.Maps(make([]Place, 6)); all != nil {
		t.Errorf("no array, and %+v", all)
	}
}
