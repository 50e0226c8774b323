package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// course is how the resistance of the flat film goes with temperature, relative to that
// at one of them. Relative, because a worn film's slope has grown with its resistance.
type course struct {
	at    float64                        // degC, to which values are brought
	law   func(t float64) float64        // ln R(t), but for a constant
	other func(t float64) float64        // another law through the same points; nil for none
	slope func(t float64) (perK float64) // of law
	u     float64                        // relative standard uncertainty of the slope
	scale float64                        // standard uncertainty of the thermometer's scale, K/K
	step  float64                        // standard uncertainty of one temperature, K
}

// statedWithin is how far a slope that the specimen's file states may be wrong. Common
// practice, no source.
const statedWithin = 0.1

// course is the film's own: an exponential law of 1/T through its plateaus where its
// resistance falls, a straight line otherwise, and how far a quadratic through the same
// points is from that counts as a bound. With no plateaus it is what the specimen states.
func (c *computer) course(at float64) (course, error) {
	best := c.Facts.Thermometers[0]
	k := course{at: at, step: Rectangular(best.ResolutionK / 2)}
	for _, e := range best.Errors {
		if e.Kind == TemperatureGain {
			k.scale = math.Hypot(k.scale, e.U)
		}
	}
	if c.Up.check(2) != nil || slices.Min(c.Up.R) <= 0 || c.tcr == 0 {
		perK := c.Facts.ExpectedPerK
		if perK == 0 {
			return k, errors.New("no plateaus were held, and the specimen states no law")
		}
		k.law = func(t float64) float64 { return perK * t }
		k.slope = func(float64) float64 { return perK }
		k.u = Rectangular(statedWithin)
		c.Notes = append(c.Notes, fmt.Sprintf("bending: values are brought to one temperature by the specimen's stated law, %.4g per K, taken to hold within %g %%", perK, 100*statedWithin))
		return k, nil
	}
	k.u = math.Abs(c.uTCR / c.tcr)
	if err := k.through(c.Up); err != nil {
		return k, err
	}
	return k, nil
}

// through takes the laws from the points of a curve.
func (k *course) through(curve Curve) error {
	if falls(curve) {
		f, err := logFit(curve.T, curve.R)
		if err != nil {
			return err
		}
		k.law = func(t float64) float64 { return f.B[1] / (t + zeroCelsius) }
		k.slope = func(t float64) float64 { return Slope(f.B[1], t) }
	} else {
		f, err := lineAt(curve.T, curve.R, k.at)
		if err != nil {
			return err
		}
		k.law = func(t float64) float64 { return math.Log(f.B[0] + f.B[1]*(t-k.at)) }
		k.slope = func(t float64) float64 { return f.B[1] / (f.B[0] + f.B[1]*(t-k.at)) }
	}
	if len(curve.T) > 2 {
		f, err := quadraticAt(curve.T, curve.R, k.at)
		if err != nil {
			return err
		}
		k.other = func(t float64) float64 {
			x := t - k.at
			return math.Log(f.B[0] + f.B[1]*x + f.B[2]*x*x)
		}
	}
	return nil
}

// from is by what a value at a temperature is multiplied to become that at the common
// one; what one standard uncertainty of the law changes that by, relative and with its
// sign, since it does so to all values; and u, relative, of the temperature itself.
func (k course) from(t float64) (by, law, u float64) {
	change := k.law(k.at) - k.law(t)
	law = math.Hypot(change*k.u, k.slope(t)*k.scale*(t-k.at))
	if k.other != nil {
		law = math.Hypot(law, Rectangular(k.other(k.at)-k.other(t)-change))
	}
	return math.Exp(change), math.Copysign(law, t-k.at), math.Abs(k.slope(t)) * k.step
}
