package convert

import (
	"strings"
	"testing"
)

// Tolerances of IEC 60751, clause 5.1, in K and, through the slope, in Ohm.
func TestPlatinumTolerances(t *testing.T) {
	pt100 := Platinum{R0Ohm: 100}
	for _, c := range []struct {
		class        string
		degC, k, ohm float64
	}{
		{"AA", 100, 0.27, 0.10241}, {"A", 100, 0.35, 0.13275}, {"B", 100, 0.80, 0.30342},
		{"A", 0, 0.15, 0.05862}, {"B", 0, 0.3, 0.117249}, {"A", -50, 0.25, 0.09928}, {"B", 200, 1.3, 0.47805},
		{"C", 100, 1.6, 0.606848}, // from the formula +-(0.6 + 0.01 |t|)
	} {
		tolerance, err := ToleranceByName("platinum class " + c.class)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "tolerance in K", tolerance.At(c.degC), c.k, 1e-12)
		slope, err := pt100.Slope(c.degC)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "tolerance in Ohm", tolerance.At(c.degC)*slope, c.ohm, 6e-6)
	}
}

// Tolerances of IEC 60584-1 as handbooks print them: 1.5 K or 0.4 %, 2.5 K or 0.75 % for
// type K, 0.5 K or 0.4 %, 1.0 K or 0.75 % for type T, the larger of each. 375, 333 and
// 125 degC are where the two meet.
func TestThermocoupleTolerances(t *testing.T) {
	for _, c := range []struct {
		class   string
		degC, k float64
	}{
		{"K class 1", 25, 1.5}, {"K class 1", 375, 1.5}, {"K class 1", 500, 2}, {"K class 2", 300, 2.5}, {"K class 2", 400, 3},
		{"T class 1", 125, 0.5}, {"T class 1", 200, 0.8}, {"T class 2", -40, 1}, {"T class 2", 200, 1.5},
	} {
		tolerance, err := ToleranceByName("thermocouple " + c.class)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.class, tolerance.At(c.degC), c.k, 1e-12)
	}
}

func TestToleranceNames(t *testing.T) {
	calibrated, err := ToleranceByName("within  50 mK")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "within", calibrated.At(80), 0.05, 1e-15)
	for _, name := range []string{"", "platinum", "platinum class D", "class B", "thermocouple J class 1", "within 0 K", "within -1 K", "within 1 V", "within"} {
		if tolerance, err := ToleranceByName(name); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%q became %+v, %v", name, tolerance, err)
		}
	}
}
