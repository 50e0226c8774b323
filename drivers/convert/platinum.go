package convert

import (
	"fmt"
	"math"
)

// Coefficients of industrial platinum resistors, IEC 60751:2008 and 2022,
// clause 4.2, for temperatures in degC.
const (
	platinumA = 3.9083e-3
	platinumB = -5.775e-7
	platinumC = -4.183e-12 // below 0 degC only

	platinumLowest, platinumHighest = -200., 850.
)

// Platinum is an industrial platinum resistor of IEC 60751. R0Ohm is its
// resistance at 0 degC: 100 for a Pt100.
type Platinum struct{ R0Ohm float64 }

// relative returns R/R0 and its slope in 1/K.
func (Platinum) relative(degC float64) (ratio, slope float64) {
	t := degC
	ratio = 1 + float64(t*(platinumA+float64(platinumB*t)))
	slope = platinumA + float64(2*platinumB*t)
	if t < 0 {
		t2 := t * t
		ratio += float64(float64(platinumC*(t-100)) * float64(t2*t))
		slope += float64(platinumC * float64(t2*(float64(4*t)-300)))
	}
	return ratio, slope
}

// Resistance in ohm at a temperature of -200 to 850 degC.
func (p Platinum) Resistance(degC float64) (float64, error) {
	if !(degC >= platinumLowest && degC <= platinumHighest) {
		return 0, fmt.Errorf("%g degC is outside the -200 to 850 degC of IEC 60751", degC)
	}
	ratio, _ := p.relative(degC)
	return float64(p.R0Ohm * ratio), nil
}

// Slope dR/dt in ohm per kelvin.
func (p Platinum) Slope(degC float64) (float64, error) {
	if !(degC >= platinumLowest && degC <= platinumHighest) {
		return 0, fmt.Errorf("%g degC is outside the -200 to 850 degC of IEC 60751", degC)
	}
	_, slope := p.relative(degC)
	return float64(p.R0Ohm * slope), nil
}

// Temperature in degC at a resistance: the root of the quadratic from 0 degC
// up; below, where there is no closed form in use, Newton's steps from that root.
func (p Platinum) Temperature(ohm float64) (float64, error) {
	ratio := ohm / p.R0Ohm
	lowest, _ := p.relative(platinumLowest)
	highest, _ := p.relative(platinumHighest)
	if !(ratio >= lowest && ratio <= highest) {
		return 0, fmt.Errorf("%g Ohm is outside the %.6g to %.6g Ohm that a platinum resistor of %g Ohm has from -200 to 850 degC",
			ohm, p.R0Ohm*lowest, p.R0Ohm*highest, p.R0Ohm)
	}
	// Written so that nothing cancels near 0 degC.
	root := math.Sqrt(float64(platinumA*platinumA) - float64(4*platinumB*(1-ratio)))
	t := 2 * (ratio - 1) / (platinumA + root)
	if ratio >= 1 {
		return t, nil
	}
	for range 4 { // each step doubles the digits; from 2 K off, four are enough
		is, slope := p.relative(t)
		t -= (is - ratio) / slope
	}
	return t, nil
}
