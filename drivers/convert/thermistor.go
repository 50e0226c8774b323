package convert

import (
	"fmt"
	"math"
)

// kelvin is 0 degC on the thermodynamic scale, exact by definition.
const kelvin = 273.15

// Thermistor is the two-parameter law of IEC 60539-1,
// R = R25 exp(B (1/T - 1/298.15 K)).
type Thermistor struct {
	R25Ohm float64 // resistance at 25 degC
	BK     float64 // B in kelvin, positive when R falls with temperature
}

// Resistance in ohm at a temperature above absolute zero.
func (n Thermistor) Resistance(degC float64) (float64, error) {
	if !(degC > -kelvin && degC <= math.MaxFloat64) {
		return 0, fmt.Errorf("%g degC is not a temperature", degC)
	}
	return float64(n.R25Ohm * Exp(float64(n.BK*(1/(degC+kelvin)-1/(25+kelvin))))), nil
}

// Temperature in degC at a resistance.
func (n Thermistor) Temperature(ohm float64) (float64, error) {
	if !(ohm > 0 && ohm <= math.MaxFloat64) {
		return 0, fmt.Errorf("%g Ohm is not the resistance of a thermistor", ohm)
	}
	inverse := 1/(25+kelvin) + Log(ohm/n.R25Ohm)/n.BK
	if !(inverse > 0) {
		return 0, fmt.Errorf("%g Ohm is beyond every temperature of a thermistor of %g Ohm at 25 degC with B = %g K", ohm, n.R25Ohm, n.BK)
	}
	return 1/inverse - kelvin, nil
}

// Coefficient of resistance (1/R) dR/dT in 1/K: -B/T^2.
func (n Thermistor) Coefficient(degC float64) float64 {
	T := degC + kelvin
	return -n.BK / float64(T*T)
}

// SteinhartHart is the three-parameter law 1/T = A + B ln R + C (ln R)^3, with T
// in kelvin and R in ohm (Steinhart and Hart, Deep-Sea Research 15 (1968) 497,
// cited from memory).
type SteinhartHart struct{ A, B, C float64 }

// Temperature in degC at a resistance.
func (s SteinhartHart) Temperature(ohm float64) (float64, error) {
	if !(ohm > 0 && ohm <= math.MaxFloat64) {
		return 0, fmt.Errorf("%g Ohm is not the resistance of a thermistor", ohm)
	}
	inverse, _ := s.inverse(Log(ohm))
	if !(inverse > 0) {
		return 0, fmt.Errorf("%g Ohm is beyond every temperature of the law %g, %g, %g", ohm, s.A, s.B, s.C)
	}
	return 1/inverse - kelvin, nil
}

// inverse returns 1/T and its slope at l = ln R.
func (s SteinhartHart) inverse(l float64) (value, slope float64) {
	l2 := l * l
	return s.A + float64(l*(s.B+float64(s.C*l2))), s.B + float64(3*s.C*l2)
}

// Resistance in ohm at a temperature. The law is a cubic in ln R; Newton's steps
// start on the straight part of it.
func (s SteinhartHart) Resistance(degC float64) (float64, error) {
	if !(degC > -kelvin && degC <= math.MaxFloat64) {
		return 0, fmt.Errorf("%g degC is not a temperature", degC)
	}
	want := 1 / (degC + kelvin)
	l := (want - s.A) / s.B
	for range 60 {
		is, slope := s.inverse(l)
		step := (is - want) / slope
		l -= step
		if math.Abs(step) <= 1e-15*math.Abs(l) {
			break
		}
	}
	is, slope := s.inverse(l)
	// Judged in the law's own terms, so that no rounding of ours is called an error.
	if !(math.Abs(is-want) <= 1e-12*want && slope > 0 && l < 700) {
		return 0, fmt.Errorf("the law %g, %g, %g has no resistance at %g degC", s.A, s.B, s.C, degC)
	}
	return Exp(l), nil
}
