package convert

import (
	"fmt"
	"math"
	"strings"
)

// Tolerance is what a thermometer of a class may be wrong: a bound, in K.
type Tolerance struct {
	Name  string
	At0   float64 // at 0 degC
	PerK  float64 // more for each degC away from it
	Least float64 // and nowhere less than this
}

// tolerances are those of IEC 60751, clause 5.1 (platinum) and of IEC 60584-1 (the larger
// of a number and of a share of the temperature). Those of class 3, for low temperatures,
// are not here.
var tolerances = []Tolerance{
	{"platinum class AA", 0.1, 0.0017, 0},
	{"platinum class A", 0.15, 0.002, 0},
	{"platinum class B", 0.3, 0.005, 0},
	{"platinum class C", 0.6, 0.01, 0},
	{"thermocouple K class 1", 0, 0.004, 1.5},
	{"thermocouple K class 2", 0, 0.0075, 2.5},
	{"thermocouple T class 1", 0, 0.004, 0.5},
	{"thermocouple T class 2", 0, 0.0075, 1.0},
}

// At is the bound at a temperature.
func (t Tolerance) At(degC float64) float64 {
	return max(t.Least, t.At0+float64(t.PerK*math.Abs(degC)))
}

// ToleranceNames are the ways to name a tolerance, for messages.
func ToleranceNames() (names []string) {
	for _, t := range tolerances {
		names = append(names, t.Name)
	}
	return append(names, "within 0.1 K")
}

// ToleranceByName reads the class of a thermometer, or what a calibration has shown:
//
//	platinum class B            AA, A, B, C: IEC 60751
//	thermocouple K class 1      K, T; 1, 2: IEC 60584-1
//	within 0.1 K                a bound, the same at all temperatures
func ToleranceByName(name string) (Tolerance, error) {
	name = strings.Join(strings.Fields(name), " ")
	for _, t := range tolerances {
		if t.Name == name {
			return t, nil
		}
	}
	if bound, ok := strings.CutPrefix(name, "within "); ok {
		k, err := value("within", bound, inKelvin)
		if err == nil && !(k > 0) {
			err = fmt.Errorf("a bound is above zero")
		}
		if err != nil {
			return Tolerance{}, fmt.Errorf("%q says nothing of a thermometer: %w", name, err)
		}
		return Tolerance{Name: name, At0: k}, nil
	}
	return Tolerance{}, fmt.Errorf("%q is no class of thermometer, expected one of %s", name, strings.Join(ToleranceNames(), ", "))
}
