package convert

import (
	"math"
	"testing"
)

// nistPoint is a temperature, its voltages in mV, and what the published inverse
// polynomials make of them.
type nistPoint struct{ degC, k, kBack, t, tBack float64 }

// Computed independently from the coefficients of NIST SRD 60; that computation
// reproduced all 277 values per type that NIST tabulates from -50 to 200 degC.
var nistPoints = []nistPoint{
	{-50, -1.889383, -49.9950, -1.819036, -50.0076},
	{-25, -0.967768, -25.0062, -0.940088, -24.9918},
	{-10, -0.391854, -9.9962, -0.383050, -10.0074},
	{0, 0.000000, 0.0000, 0.000000, 0.0000},
	{10, 0.396862, 9.9534, 0.390996, 10.0242},
	{20, 0.798120, 19.9725, 0.789612, 20.0210},
	{25, 1.000242, 24.9896, 0.991977, 25.0151},
	{37, 1.488918, 37.0242, 1.486287, 36.9991},
	{50, 2.023078, 50.0332, 2.035722, 49.9875},
	{75, 3.058917, 74.9913, 3.132314, 74.9895},
	{100, 4.096230, 99.9689, 4.278519, 100.0047},
	{125, 5.124438, 125.0002, 5.470261, 125.0114},
	{150, 6.138344, 150.0292, 6.704087, 150.0052},
	{175, 7.140385, 175.0156, 7.977395, 174.9947},
	{200, 8.138473, 199.9839, 9.288102, 199.9904},
}

// The inverse polynomials of NIST SRD 60, only here, as an outside check of the
// exact inverse: they are stated to be within 0.05 K.
var (
	kInverseBelow = []float64{0, 2.5173462e+01, -1.1662878, -1.0833638, -8.9773540e-01, -3.7342377e-01, -8.6632643e-02, -1.0450598e-02, -5.1920577e-04}
	kInverseAbove = []float64{0, 2.508355e+01, 7.860106e-02, -2.503131e-01, 8.315270e-02, -1.228034e-02, 9.804036e-04, -4.413030e-05, 1.057734e-06, -1.052755e-08}
	tInverseBelow = []float64{0, 2.5949192e+01, -2.1316967e-01, 7.9018692e-01, 4.2527777e-01, 1.3304473e-01, 2.0241446e-02, 1.2668171e-03}
	tInverseAbove = []float64{0, 2.592800e+01, -7.602961e-01, 4.637791e-02, -2.165394e-03, 6.048144e-05, -7.293422e-07}
)

func polynomial(below, above []float64, x float64) float64 {
	powers, y := above, 0.0
	if x < 0 {
		powers = below
	}
	for i := len(powers) - 1; i >= 0; i-- {
		y = y*x + powers[i]
	}
	return y
}

func TestThermocoupleTable(t *testing.T) {
	for _, c := range nistPoints {
		checkThermocouple(t, &TypeK, c.degC, c.k)
		checkThermocouple(t, &TypeT, c.degC, c.t)
		near(t, "K by the published inverse", polynomial(kInverseBelow, kInverseAbove, c.k), c.kBack, 1e-4)
		near(t, "T by the published inverse", polynomial(tInverseBelow, tInverseAbove, c.t), c.tBack, 1e-4)
	}
}

func checkThermocouple(t *testing.T, pair *Thermocouple, degC, mV float64) {
	t.Helper()
	volt, err := pair.Voltage(degC, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, string(pair.letter)+" in mV", volt*1e3, mV, 6e-7)
	back, err := pair.Temperature(volt, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, string(pair.letter)+" there and back", back, degC, 1e-9)
}

// Exact inverse against the published inverse polynomials where those hold.
func TestThermocoupleInverseAgainstPublished(t *testing.T) {
	for mV := -5.6; mV <= 20.6; mV += 0.05 {
		k, err := TypeK.Temperature(mV*1e-3, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "K", k, polynomial(kInverseBelow, kInverseAbove, mV), 0.0501)
		degC, err := TypeT.Temperature(mV*1e-3, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "T", degC, polynomial(tInverseBelow, tInverseAbove, mV), 0.0401)
	}
}

func TestThermocoupleOverItsWholeRange(t *testing.T) {
	for _, pair := range []*Thermocouple{&TypeK, &TypeT} {
		last := math.Inf(-1)
		for degC := pair.lowest; degC <= pair.highest; degC += 0.5 {
			volt, err := pair.Voltage(degC, 0)
			if err != nil {
				t.Fatal(err)
			}
			if volt <= last {
				t.Fatalf("thermocouple %c does not rise at %g degC", pair.letter, degC)
			}
			last = volt
			back, err := pair.Temperature(volt, 0)
			if err != nil {
				t.Fatal(err)
			}
			// At -270 degC there is hardly a microvolt per kelvin left.
			tolerance := 1e-9
			if degC < -200 {
				tolerance = 1e-6
			}
			near(t, "there and back", back, degC, tolerance)
		}
	}
}

// The reference junction's voltage is added, not its temperature: computed
// independently for a junction at 150 degC and a reference at 23.5 degC, with the
// inverse polynomials for the last step; the exact inverse gives 150 itself.
func TestThermocoupleReferenceJunction(t *testing.T) {
	for _, c := range []struct {
		pair *Thermocouple
		mV   float64
	}{{&TypeK, 5.1988369}, {&TypeT, 5.7730382}} {
		volt, err := c.pair.Voltage(150, 23.5)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "measured mV", volt*1e3, c.mV, 6e-8)
		degC, err := c.pair.Temperature(c.mV*1e-3, 23.5)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature", degC, 150, 1e-5)
	}
}

// Seebeck coefficients at 100 degC, computed independently from the same
// coefficients.
func TestThermocoupleSlope(t *testing.T) {
	_, k := TypeK.reference(100)
	_, tt := TypeT.reference(100)
	near(t, "K in uV/K", k*1e3, 41.369, 6e-4)
	near(t, "T in uV/K", tt*1e3, 46.785, 6e-4)
}

func TestThermocoupleOutsideItsRange(t *testing.T) {
	for _, degC := range []float64{-270.1, 1372.1, math.NaN()} {
		if _, err := TypeK.Voltage(degC, 0); err == nil {
			t.Errorf("%g degC had a voltage", degC)
		}
		if _, err := TypeK.Voltage(0, degC); err == nil {
			t.Errorf("a reference junction at %g degC had a voltage", degC)
		}
		if _, err := TypeK.Temperature(0, degC); err == nil {
			t.Errorf("a reference junction at %g degC was accepted", degC)
		}
	}
	for _, volt := range []float64{9.9e37, 9.91e37, 0.0549, -0.0065, math.NaN(), math.Inf(-1)} {
		if degC, err := TypeK.Temperature(volt, 0); err == nil {
			t.Errorf("%g V became %g degC", volt, degC)
		}
	}
}
