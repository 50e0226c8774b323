package convert

import (
	"math"
	"testing"
)

// Values computed independently from the law of IEC 60539-1.
func TestThermistorByB(t *testing.T) {
	ntc := Thermistor{R25Ohm: 10_000, BK: 3950}
	for _, c := range []struct{ degC, ohm float64 }{
		{-50, 858612.824502}, {0, 33620.603721}, {25, 10_000}, {37, 5989.411673}, {50, 3588.182582},
		{85, 1086.670769}, {100, 697.519773}, {150, 199.682125},
	} {
		ohm, err := ntc.Resistance(c.degC)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "resistance", ohm, c.ohm, 6e-7)
		degC, err := ntc.Temperature(ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "there and back", degC, c.degC, 1e-11)
	}
}

// A thermistor whose B value is that of 10 kOhm at 25 degC and 1070.6 Ohm at 85 degC
// (IEC 60539-1), values computed independently.
func TestBValue(t *testing.T) {
	ntc := Thermistor{R25Ohm: 10_000, BK: 3976.516644}
	at37, _ := ntc.Resistance(37)
	near(t, "R(37)", at37, 5968.837122, 1e-5)
	at6000, _ := ntc.Temperature(6000)
	near(t, "T(6000 Ohm)", at6000, 36.874083977, 1e-8)
	near(t, "coefficient at 25 degC", ntc.Coefficient(25), -4.473353e-2, 6e-9)
}

// Coefficients and values computed independently from the three points.
func TestSteinhartHartThroughThreePoints(t *testing.T) {
	law := SteinhartHart{1.125256672108e-3, 2.347204472978e-4, 8.563052731505e-8}
	for _, c := range []struct{ ohm, degC float64 }{
		{19900, 10.001363073}, {5000, 41.580289576}, {2000, 66.184228879}, {1000, 87.226796355},
	} {
		degC, err := law.Temperature(c.ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature", degC, c.degC, 1e-8)
	}
	for _, c := range []struct{ degC, ohm float64 }{{37, 6015.532862}, {100, 680.014800}} {
		ohm, err := law.Resistance(c.degC)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "resistance", ohm, c.ohm, 1e-6)
		// The closed form of the inverse is an independent check.
		y := (law.A - 1/(c.degC+273.15)) / (2 * law.C)
		x := math.Sqrt(math.Pow(law.B/(3*law.C), 3) + y*y)
		near(t, "resistance by the closed form", ohm, math.Exp(math.Cbrt(x-y)-math.Cbrt(x+y)), 1e-8)
	}
	for degC := -50.; degC <= 150; degC += 0.9 {
		ohm, err := law.Resistance(degC)
		if err != nil {
			t.Fatal(err)
		}
		back, err := law.Temperature(ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "there and back", back, degC, 5e-13)
	}
}

// Widely printed constants of a 10 kOhm thermistor.
func TestSteinhartHartPrintedConstants(t *testing.T) {
	law := SteinhartHart{1.129148e-3, 2.34125e-4, 8.76741e-8}
	for _, c := range []struct{ ohm, degC float64 }{
		{10_000, 24.999668177}, {1000, 87.168140135}, {32650, 0.000224803},
	} {
		degC, err := law.Temperature(c.ohm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature", degC, c.degC, 1e-9)
	}
}

func TestThermistorsRefuse(t *testing.T) {
	ntc, law := Thermistor{10_000, 3950}, SteinhartHart{1.129148e-3, 2.34125e-4, 8.76741e-8}
	for _, ohm := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if degC, err := ntc.Temperature(ohm); err == nil {
			t.Errorf("%g Ohm became %g degC by B", ohm, degC)
		}
		if degC, err := law.Temperature(ohm); err == nil {
			t.Errorf("%g Ohm became %g degC by Steinhart-Hart", ohm, degC)
		}
	}
	for _, degC := range []float64{-273.15, -300, math.NaN(), math.Inf(1)} {
		if ohm, err := ntc.Resistance(degC); err == nil {
			t.Errorf("%g degC became %g Ohm by B", degC, ohm)
		}
		if ohm, err := law.Resistance(degC); err == nil {
			t.Errorf("%g degC became %g Ohm by Steinhart-Hart", degC, ohm)
		}
	}
	if ohm, err := (SteinhartHart{A: 1e-3}).Resistance(25); err == nil {
		t.Errorf("a law without slope became %g Ohm", ohm)
	}
	if degC, err := ntc.Temperature(1e-6); err == nil {
		t.Errorf("a resistance below that of infinite temperature became %g degC", degC)
	}
}
