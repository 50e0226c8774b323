package convert

import (
	"math"
	"testing"
)

// near fails when got is further than tolerance from want.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.12g, expected %.12g within %g", what, got, want, tolerance)
	}
}

// Printed values of IEC 60751 (as reproduced in makers' tables), to 0.01 Ohm;
// the longer ones and the slopes were computed independently from its
// coefficients.
func TestPlatinumTable(t *testing.T) {
	pt100 := Platinum{R0Ohm: 100}
	for _, c := range []struct{ degC, ohm, printed, slope float64 }{
		{-50, 80.306282, 80.31, 0.397128},
		{-40, 84.270652, 84.27, 0.395758},
		{-30, 88.221657, 88.22, 0.394453},
		{-20, 92.159898, 92.16, 0.393204},
		{-10, 96.085879, 96.09, 0.391999},
		{0, 100.000000, 100.00, 0.390830},
		{10, 103.902525, 103.90, 0.389675},
		{20, 107.793500, 107.79, 0.388520},
		{30, 111.672925, 111.67, 0.387365},
		{40, 115.540800, 115.54, 0.386210},
		{50, 119.397125, 119.40, 0.385055},
		{60, 123.241900, 123.24, 0.383900},
		{80, 130.896800, 130.90, 0.381590},
		{100, 138.505500, 138.51, 0.379280},
		{120, 146.068000, 146.07, 0.376970},
		{150, 157.325125, 157.33, 0.373505},
		{180, 168.478300, 168.48, 0.370040},
		{200, 175.856000, 175.86, 0.367730},
	} {
		ohm, err := pt100.Resistance(c.degC)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "resistance", ohm, c.ohm, 6e-7)
		near(t, "printed resistance", math.Round(ohm*100)/100, c.printed, 1e-9)
		slope, err := pt100.Slope(c.degC)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "slope", slope, c.slope, 6e-7)
		degC, err := pt100.Temperature(ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature of the resistance", degC, c.degC, 1e-11)
	}
}

// Inverse values computed independently from the coefficients of IEC 60751.
func TestPlatinumInverse(t *testing.T) {
	pt100, pt1000 := Platinum{R0Ohm: 100}, Platinum{R0Ohm: 1000}
	for _, c := range []struct{ ohm, degC float64 }{
		{119.40, 50.007466474}, {138.5055, 100}, {80.31, -49.990637446}, {109.734656, 25}, {114.381650, 37},
	} {
		degC, err := pt100.Temperature(c.ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature", degC, c.degC, 2e-6)
		same, err := pt1000.Temperature(10 * c.ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature of a Pt1000", same, degC, 1e-11)
	}
	for degC := -200.; degC <= 850; degC += 0.7 {
		ohm, err := pt100.Resistance(degC)
		if err != nil {
			t.Fatal(err)
		}
		back, err := pt100.Temperature(ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "there and back", back, degC, 1e-10)
	}
}

// alpha = 3.85055e-3 per K follows from the coefficients of IEC 60751.
func TestPlatinumAlpha(t *testing.T) {
	at100, _ := Platinum{R0Ohm: 100}.Resistance(100)
	near(t, "alpha", (at100-100)/(100*100), 3.85055e-3, 1e-15)
}

func TestPlatinumOutsideItsRange(t *testing.T) {
	pt100 := Platinum{R0Ohm: 100}
	for _, degC := range []float64{-200.01, 850.01, math.NaN(), math.Inf(1)} {
		if _, err := pt100.Resistance(degC); err == nil {
			t.Errorf("%g degC had a resistance", degC)
		}
		if _, err := pt100.Slope(degC); err == nil {
			t.Errorf("%g degC had a slope", degC)
		}
	}
	for _, ohm := range []float64{18.5, 390.5, 9.9e37, 0, -100, math.NaN(), math.Inf(1)} {
		if degC, err := pt100.Temperature(ohm); err == nil {
			t.Errorf("%g Ohm became %g degC", ohm, degC)
		}
	}
}
