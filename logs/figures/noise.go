package figures

import (
	"errors"
	"fmt"
	"math"
)

// Sampling says how readings of noise were taken: without it a noise figure cannot be
// compared with another.
type Sampling struct {
	Interval    float64 // s from reading to reading
	Integration float64 // s over which a reading averages; 0: not known
	Averaged    int     // readings in one value
	Filter      string  // "" for none or unknown
}

func (s Sampling) given() []Given {
	g := []Given{{"interval", s.Interval, "s"}}
	if s.Integration > 0 {
		g = append(g, Given{"integration time", s.Integration, "s"})
	}
	return g
}

func (s Sampling) says() string {
	filter, integration := s.Filter, "not stated"
	if filter == "" {
		filter = "none stated"
	}
	if s.Integration > 0 {
		integration = fmt.Sprintf("%.4g s", s.Integration)
	}
	return fmt.Sprintf("; a reading every %.4g s, integration time %s, filter: %s", s.Interval, integration, filter)
}

// Noise is the scatter of readings of something that does not change: about the mean,
// about a straight line, and from neighbours. They differ when there is drift or when
// neighbours are alike; then their degrees of freedom are fewer than readings.
func Noise(o Origin, unit string, x []float64, how Sampling) ([]Figure, error) {
	if err := fittable(x, x); err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	if len(x) < 4 || !(how.Interval > 0) {
		return nil, fmt.Errorf("%s: noise needs at least 4 readings (there are %d) and the interval between them (%.6g s)", o.Channel, len(x), how.Interval)
	}
	var l list
	m := MomentsOf(x)
	n := float64(len(x))
	low, high := extremes(x)
	about := func(y []float64, dof float64) float64 { return max(1, dof*effectiveShareOfVariance(y)) }
	with := how.given()
	const source = "common practice, after JCGM 100, 4.2"
	l.add(o.deviation(meaning{"noise_rms", "about the mean", unit, "standard deviation with n-1" + how.says(), source}, m.S(), about(x, n-1), 1,
		append(with, Given{"peak to peak", high - low, unit}, Given{"von Neumann ratio", ratioOrZero(x, m), "1"}, Given{"readings", n, "1"})...))
	rest, s, err := Detrended(x)
	if err != nil {
		return nil, err
	}
	l.add(o.deviation(meaning{"noise_rms", "detrended", unit, "standard deviation with n-2 about the least-squares line over the readings" + how.says(), source},
		s, about(rest, n-2), 1, with...))
	// Var(Σd²) for white noise: ν = 2(n-1)²/(3n-4).
	l.add(o.deviation(meaning{"noise_rms", "successive differences", unit, "√(Σd²/(2(n-1))), d the differences of neighbours; right for white noise only" + how.says(),
		"von Neumann, Ann. Math. Statist. 12 (1941) 367 (from memory)"}, SuccessiveDifference(x), 2*(n-1)*(n-1)/(3*n-4), 1, with...))
	return l.done()
}

func ratioOrZero(x []float64, m Moments) float64 {
	if m.sum == 0 {
		return 0
	}
	return VonNeumann(x)
}

// effectiveShareOfVariance is how many independent readings, per reading, know the
// variance as well: 1/(1+2Σρ²), correlations as far as they stand out of their own noise.
func effectiveShareOfVariance(x []float64) float64 {
	n, mean := len(x), MomentsOf(x).Mean
	sum := 0.
	for lag := 1; lag < n/4; lag++ {
		r := autocorrelation(x, mean, lag)
		if !(r > 2/math.Sqrt(float64(n))) {
			break
		}
		sum += r * r
	}
	return 1 / (1 + 2*sum)
}

// Resolution is the change of the measured quantity that stands out of the noise k times:
// k s / slope, for k of 1, 2 and 3. u and uSlope are standard uncertainties of the noise
// and of the slope; perUnit is the unit of the result.
func Resolution(o Origin, noise Figure, slope, uSlope float64, perUnit string) ([]Figure, error) {
	if slope == 0 {
		return nil, fmt.Errorf("%s: a slope of zero resolves nothing", o.Channel)
	}
	var l list
	for _, k := range [...]float64{1, 2, 3} {
		value, b, err := Propagate(perUnit, Level95, []Input{
			{Name: "noise", Value: noise.Value, Unit: noise.Unit, U: noise.U_std, Type: "A"},
			{Name: "slope", Value: slope, Unit: noise.Unit + "/" + perUnit, U: uSlope, Type: "A"}},
			func(x []float64) (float64, error) { return k * x[0] / math.Abs(x[1]), nil })
		if err != nil {
			return nil, err
		}
		l.add(o.figure(meaning{"resolution", fmt.Sprintf("%.0f s", k), perUnit,
			fmt.Sprintf("%.0f s / |slope|, s the noise %s", k, noise.Flavour), "common practice; there is no agreed multiple"}, value, b,
			append([]Given{{"k", k, "1"}, {"slope", slope, noise.Unit + "/" + perUnit}}, noise.With...)...))
	}
	return l.done()
}

// AllanFigures are overlapping Allan deviations at averaging times 1, 2, 4, … intervals.
func AllanFigures(o Origin, unit string, x []float64, how Sampling) ([]Figure, error) {
	if !(how.Interval > 0) {
		return nil, fmt.Errorf("%s: an Allan deviation needs the interval between readings", o.Channel)
	}
	curve, err := AllanCurve(x)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Channel, err)
	}
	var l list
	for _, a := range curve {
		independent := float64(len(x)/a.Averaging - 1)
		l.add(o.deviation(meaning{"allan_deviation", "overlapping", unit,
			"root of half the mean squared difference of neighbouring averages over the averaging time" + how.says(), "NIST SP 1065"},
			a.Deviation, independent, 1, Given{"averaging time", float64(a.Averaging) * how.Interval, "s"}))
	}
	return l.done()
}

// boltzmann is the Boltzmann constant in J/K, exactly (SI).
const boltzmann = 1.380649e-23

// JohnsonNoise is the thermal voltage noise of a resistance (Ohm) at a temperature (K)
// in a bandwidth (Hz), in V: no reading of it is quieter.
func JohnsonNoise(r, kelvin, bandwidth float64) float64 {
	return math.Sqrt(4 * boltzmann * kelvin * r * bandwidth)
}

// JohnsonFloor is the temperature change that the thermal noise of a film of relative
// sensitivity tcr (1/K) stands for, read at a current (A), in K.
func JohnsonFloor(r, kelvin, bandwidth, current, tcr float64) float64 {
	return JohnsonNoise(r, kelvin, bandwidth) / math.Abs(current*r*tcr)
}

// NoiseFloor is the thermal noise of the film itself in a mean over an integration time
// (s), in Ohm and, with a relative sensitivity tcr (1/K), in K: no meter does better.
func NoiseFloor(o Origin, r, degC, integration, current, tcr, uTCR float64) ([]Figure, error) {
	if !(r > 0 && integration > 0) || current == 0 {
		return nil, fmt.Errorf("%s: the thermal noise needs the integration time (%.6g s) and the current (%.6g A)", o.Channel, integration, current)
	}
	const source = "Johnson 1928, Nyquist 1928 (from memory); k of the SI"
	bandwidth := 1 / (2 * integration) // of a mean over a time, as noise counts
	with := []Given{{"current", math.Abs(current), "A"}, {"integration time", integration, "s"}, {"temperature", degC, "degC"}}
	inputs := []Input{{Name: "temperature of the film", Value: degC + zeroCelsius, Unit: "K", U: Rectangular(nearEnough), Type: "B", Bounded: true},
		{Name: "temperature coefficient", Value: tcr, Unit: "1/K", U: uTCR, Type: "A"}}
	var l list
	value, b, err := Propagate("Ohm", Level95, inputs[:1], func(x []float64) (float64, error) { return JohnsonNoise(r, x[0], bandwidth) / math.Abs(current), nil })
	if err != nil {
		return nil, err
	}
	l.add(o.figure(meaning{"noise_floor", "thermal, Ohm", "Ohm", "√(4 k T R B)/I, B = 1/(2 t) of a mean over the integration time t", source}, value, b, with...))
	if tcr == 0 {
		l.skip("noise_floor, thermal, K", errors.New("no temperature coefficient is known"))
		return l.done()
	}
	value, b, err = Propagate("K", Level95, inputs, func(x []float64) (float64, error) { return JohnsonFloor(r, x[0], bandwidth, current, x[1]), nil })
	if err != nil {
		return nil, err
	}
	l.add(o.figure(meaning{"noise_floor", "thermal, K", "K", "√(4 k T R B)/(I R |tcr|), B = 1/(2 t) of a mean over the integration time t", source}, value, b, with...))
	return l.done()
}
