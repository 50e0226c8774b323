package figures

import (
	"math"
	"strings"
	"testing"
)

// Figures of several passes say of which; numbers are for people.
func TestFiguresOnTheScreen(t *testing.T) {
	pass := func(rows string) Figure {
		return Figure{Figure: "response_t63", Flavour: "interpolated", Rows: rows, Unit: "s", Value: 27.86, Expanded: 0.53}
	}
	r := Results{Figures: []Figure{pass("response from 201.6 to 522.6 s (5.1 place)"), pass("response from 786.3 to 1108.5 s (5.1 place)"),
		{Figure: "steinhart_hart_c", Flavour: "least squares", Unit: "1/K", Value: 3e-8, Expanded: 4e-6},
		{Figure: "tcr", Flavour: "local", Unit: "1/K", Value: -0.0112, Expanded: 9.7e-5},
		{Figure: "ohmic", Flavour: "asymmetry", Unit: "%", Value: 1.1, Expanded: 0.53, With: []Given{{"current", 9.997610000000001e-06, "A"}}}}}
	r.Facts.Thermometers = []Thermometer{{Channel: "plate.temperature"}, {Channel: "foil.temperature", BesideFilm: true}}
	holds := []Hold{{T: 20, Slope: -100, Remained: -0.3, URemained: 0.4}, {T: 30, Slope: -100, Remained: 5, URemained: 0.4}}
	r.Settled = map[string]*Settled{"plate.temperature": {Tau: []float64{30}, Holds: holds}, "foil.temperature": {Tau: []float64{30}, Holds: holds}}
	if all := r.PlateausSettled(); len(all) != 2 || !all[0].AtRest || all[1].AtRest || all[1].RemainedK != -0.05 {
		t.Errorf("%+v", all)
	}
	text := r.Text() + r.Figures[4].String()
	for _, want := range []string{"interpolated, response from 201.6 to 522.6 s", "interpolated, response from 786.3 to 1108.5 s", "(0.0 ± 4.0)E-06 1/K",
		"-0.011200 ± 0.000097 1/K", "asymmetry (current 9.9976 uA)", "with current = 9.9976 uA", "20.0 degC by plate.temperature: -0.30 ± 0.80 Ohm, 0.003 K, at rest", "5.00 ± 0.80 Ohm, -0.050 K, not settled"} {
		if !strings.Contains(text, want) {
			t.Errorf("expected %q in\n%s", want, text)
		}
	}
}

// What JSON has no word for is an error, not a list without figures; and no figure gets so far.
func TestEncodeWhatIsNoNumber(t *testing.T) {
	if text, err := Encode([]Figure{{Figure: "tcr", Value: math.NaN()}}); err == nil || text != nil {
		t.Errorf("%q, %v", text, err)
	}
	b, err := Combine("Ohm", Level95, []Input{{Name: "meter", Value: 1, Unit: "Ohm", U: 0.1, DoF: math.Inf(1), Sensitivity: 1}})
	if err != nil {
		t.Fatal(err)
	}
	o := Origin{Channel: "film"}
	f, err := o.figure(meaning{figure: "r0", unit: "Ohm"}, 1, b)
	if err != nil {
		t.Fatal(err)
	}
	if text, err := Encode([]Figure{f}); err != nil || !strings.Contains(string(text), `"name": "meter"`) {
		t.Errorf("%q, %v", text, err)
	}
	b.Inputs[0].Value = math.Inf(1)
	if _, err := o.figure(meaning{figure: "r0", unit: "Ohm"}, 1, b); err == nil || !strings.Contains(err.Error(), "meter is +Inf Ohm") {
		t.Errorf("%v", err)
	}
}

// Conditions have the digits that anybody knows them to, and a small difference no row of zeros.
func TestRounded(t *testing.T) {
	for v, want := range map[float64]string{38.2851: "38.29", 19.7102: "19.71", 10643.83: "10644", 0.20000000000004547: "0.2", 0.00740514: "0.007405", 0.999998982773: "0.999999",
		1: "1", 25: "25", 250: "250", 1250000: "1.25e+06", 123456: "123456", -0.5: "-0.5", 0: "0"} {
		if got := (Given{"x", v, "1"}).Shown(); got != want {
			t.Errorf("%v is shown as %s, expected %s", v, got, want)
		}
	}
	d := Difference{Value: -1.4e-6, Expanded: 3.6e-6}
	if got := d.Text(); !strings.HasPrefix(got, "(-1.4 ± 3.6)E-06, no difference") {
		t.Error(got)
	}
}
