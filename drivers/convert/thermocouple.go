package convert

import (
	"fmt"
	"math"
)

// Thermocouple is a pair of thermoelement alloys with its reference function on
// ITS-90 (NIST Monograph 175 and SRD 60, identical with IEC 60584-1): voltage
// against temperature with the reference junction at 0 degC.
type Thermocouple struct {
	letter          byte
	lowest, highest float64   // degC
	below, above    []float64 // mV in ascending powers of degC, below and from 0 degC
	bump            [3]float64
}

// TypeK is nickel-chromium against nickel-aluminium, TypeT copper against
// copper-nickel. Coefficients verbatim from the NIST file allcoeff.tab.
var (
	TypeK = Thermocouple{
		letter: 'K', lowest: -270, highest: 1372,
		below: []float64{0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
			-0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19,
			-0.163226974860e-22},
		above: []float64{-0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07,
			0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22,
			-0.121047212750e-25},
		bump: [3]float64{0.118597600000, -0.118343200000e-03, 0.126968600000e+03}, // a0 exp(a1 (t - a2)^2) mV from 0 degC up
	}
	TypeT = Thermocouple{
		letter: 'T', lowest: -270, highest: 400,
		below: []float64{0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06, 0.200329735540e-07,
			0.901380195590e-09, 0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14, 0.282135219250e-16,
			0.142515947790e-18, 0.487686622860e-21, 0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30},
		above: []float64{0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06, -0.218822568460e-08,
			0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19},
	}
)

// reference returns the voltage in mV against 0 degC, and its slope in mV/K.
func (c *Thermocouple) reference(degC float64) (mV, slope float64) {
	powers := c.above
	if degC < 0 {
		powers = c.below
	}
	for i := len(powers) - 1; i >= 0; i-- {
		slope = float64(slope*degC) + mV
		mV = float64(mV*degC) + powers[i]
	}
	if degC >= 0 && c.bump[0] != 0 {
		off := degC - c.bump[2]
		bump := float64(c.bump[0] * Exp(float64(c.bump[1]*off*off)))
		mV += bump
		slope += float64(2 * c.bump[1] * off * bump)
	}
	return mV, slope
}

// Voltage in volt between the ends of the pair: the hot junction at a
// temperature, the reference junction at another.
func (c *Thermocouple) Voltage(degC, junctionDegC float64) (float64, error) {
	for _, t := range []float64{degC, junctionDegC} {
		if !(t >= c.lowest && t <= c.highest) {
			return 0, fmt.Errorf("%g degC is outside the %g to %g degC of a thermocouple %c", t, c.lowest, c.highest, c.letter)
		}
	}
	hot, _ := c.reference(degC)
	cold, _ := c.reference(junctionDegC)
	return float64((hot - cold) * 1e-3), nil
}

// Temperature in degC of the hot junction, from the voltage measured and the
// temperature of the reference junction. Voltages add, temperatures do not: the
// reference junction's own voltage is added before the reference function is
// inverted. The inverse is exact: the published inverse polynomials are off by
// up to 0.05 K.
func (c *Thermocouple) Temperature(volt, junctionDegC float64) (float64, error) {
	if !(junctionDegC >= c.lowest && junctionDegC <= c.highest) {
		return 0, fmt.Errorf("the reference junction at %g degC is outside the %g to %g degC of a thermocouple %c",
			junctionDegC, c.lowest, c.highest, c.letter)
	}
	cold, _ := c.reference(junctionDegC)
	want := float64(volt*1e3) + cold
	least, _ := c.reference(c.lowest)
	most, _ := c.reference(c.highest)
	const rounding = 1e-9 // mV, so that the ends of the range belong to it
	if !(want >= least-rounding && want <= most+rounding) {
		return 0, fmt.Errorf("%g mV, which is %g mV against 0 degC, is outside the %.4g to %.5g mV of a thermocouple %c",
			volt*1e3, want, least, most, c.letter)
	}
	return c.invert(want), nil
}

// invert takes Newton's steps on the reference function, which rises all the
// way, and halves the interval where a step would leave it.
func (c *Thermocouple) invert(want float64) float64 {
	low, high := c.lowest-1e-6, c.highest+1e-6 // so that the ends can be steps too
	t := float64(want * 25)                    // 40 uV/K, near enough from -100 to 400 degC
	for range 60 {
		if !(t > low && t < high) {
			t = (low + high) / 2
		}
		mV, slope := c.reference(t)
		if mV < want {
			low = t
		} else {
			high = t
		}
		step := (want - mV) / slope
		if math.Abs(step) < 1e-12*(1+math.Abs(t)) {
			return t + step
		}
		t += step
	}
	return t
}
