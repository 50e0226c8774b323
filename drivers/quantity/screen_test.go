package quantity

import (
	"math"
	"testing"
)

func dimension(t *testing.T, symbol string) Dimension {
	u, ok := LookUp(symbol)
	if !ok {
		t.Fatal(symbol)
	}
	return u.Dim
}

// One unit and as many decimals for a whole column, none below what the instrument shows.
func TestLook(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		largest, step float64
		symbol        string
		v             float64
		text          string
	}{
		{10872.8, 0, "Ohm", 10872.8, "10.873 kOhm"},
		{10872.8, 0, "Ohm", 8706.88, "8.707 kOhm"},
		{9.99761e-6, 0, "A", 9.99761e-6, "9.9976 uA"},
		{1e-5, 0, "A", 1e-5, "10.000 uA"},
		{1e-5, 1e-9, "A", 1e-5, "10.000 uA"},
		{1e-5, 1e-7, "A", 1e-5, "10.0 uA"},
		{1e-5, 0, "A", -1e-5, "-10.000 uA"},
		{20, 0.1, "degC", 20, "20.0 degC"},
		{29, 0.1, "degC", -0.04, "0.0 degC"},
		{1.08352e-6, 0, "W", 1.08352e-6, "1.0835 uW"},
		{0.108378, 0, "V", 0.108378, "108.38 mV"},
		{1234567, 0, "Ohm", 1234567, "1.2346 MOhm"},
		{999999, 0, "Ohm", 999999, "1.00000 MOhm"},
		{0, 0, "V", 0, "0.0000 V"},
		{0.0113884, 0, "1", 0.0113884, "0.011388"},
		{math.NaN(), 0, "V", math.NaN(), "NaN V"},
		{math.Inf(1), 0, "V", math.Inf(1), "+Inf V"},
	} {
		if got := LookOf(c.largest, c.step, dimension(t, c.symbol)).Text(c.v); got != c.text {
			t.Errorf("%v %s in a column up to %v in steps of %v: %q, expected %q", c.v, c.symbol, c.largest, c.step, got, c.text)
		}
	}
}

// What somebody chose keeps its digits.
func TestNear(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		v            float64
		symbol, text string
	}{
		{1e-5, "A", "10 uA"},
		{0.1300613, "V", "130 mV"},
		{1.3006e-6, "W", "1.3006 uW"},
		{200e-6, "A", "200 uA"},
		{0.1 + 0.2, "V", "300 mV"},
		{80, "degC", "80 degC"},
		{0, "W", "0 W"},
		{3, "1", "3"},
	} {
		if got := Near(c.v, dimension(t, c.symbol)); got != c.text {
			t.Errorf("%v %s: %q, expected %q", c.v, c.symbol, got, c.text)
		}
	}
}
