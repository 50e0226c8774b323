package figures

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// law is how the resistance of a film is taken to follow its temperature within a record of
// holds, to tell its slope and curvature at each of them: a polynomial, of degree two where
// there are three levels of temperature.
type law int

const (
	plain       law = iota // R over T
	logarithmic            // ln R over 1/T: of degree one it is a thermistor's
)

// laws are those to be tried: what the transients fit tells which is the better one, also
// where two levels tell no curvature.
func (s *Settled) laws() []law {
	for _, g := range s.groups {
		if slices.Min(g.y) <= 0 {
			return []law{plain}
		}
	}
	return []law{plain, logarithmic}
}

// levels counts the temperatures that differ.
func (s *Settled) levels() int {
	var t []float64
	for _, h := range s.Holds {
		if !slices.ContainsFunc(t, func(v float64) bool { return math.Abs(v-h.T) <= nearEnough }) {
			t = append(t, h.T)
		}
	}
	return len(t)
}

// byLaw is the estimate by the law that the readings fit best.
func (s Settled) byLaw() (Settled, error) {
	var best Settled
	var least trial
	var first error
	for _, l := range s.laws() {
		c := s
		c.law, c.Holds, c.groups = l, slices.Clone(s.Holds), slices.Clone(s.groups)
		t, err := c.settle()
		if err != nil {
			first = cmp.Or(first, err)
			continue
		}
		t = c.bent(t)
		if least.residuals == nil || c.asked(t, least, EffectiveSize(t.residuals)) {
			best, least = c, t
		}
	}
	if least.residuals == nil {
		return s, first
	}
	if len(best.Tau) > 1 && best.levels() == 2 {
		best.Notes = append(best.Notes, "two levels of temperature do not tell how R(T) bends: the shorter time constant may be no more than that")
	}
	return best, nil
}

// bent tells the residuals of a trial in Ohm of the readings, not along tangents: by the
// geometric mean of what is steeper, as likelihoods of the two compare.
func (s *Settled) bent(t trial) trial {
	var steeper Moments
	for _, g := range s.groups {
		for _, steep := range g.steep {
			steeper.Add(math.Log(steep))
		}
	}
	t.rss *= math.Exp(2 * steeper.Mean)
	return t
}

// settle estimates twice: settled values give better slopes and curvatures, and these tell
// better which time constants there are.
func (s *Settled) settle() (best trial, err error) {
	for _, value := range [...]func(Hold) float64{func(h Hold) float64 { return h.Seen }, func(h Hold) float64 { return h.Settled }} {
		if err := s.slopes(value); err != nil {
			return best, err
		}
		if best, err = s.estimate(); err != nil {
			return best, err
		}
	}
	return best, nil
}

// slopes takes dR/dT at each hold from the law through all, and straightens the readings.
func (s *Settled) slopes(value func(Hold) float64) error {
	levels := s.levels()
	if levels < 2 {
		return fmt.Errorf("all %d plateaus are at %.4g degC: without a change of temperature there is no lag to see", len(s.Holds), s.Holds[0].T)
	}
	x, y := make([]float64, len(s.Holds)), make([]float64, len(s.Holds))
	for i := range s.Holds {
		at := s.Holds[i].T
		for k, h := range s.Holds {
			x[k], y[k] = s.law.x(h.T, at), s.law.y(value(h))
		}
		f, err := PolynomialFit(x, y, min(2, levels-1))
		if err != nil {
			return err
		}
		b := append(f.B, 0)
		s.Holds[i].Slope = b[1] * s.law.perX(value(s.Holds[i]), at)
		s.groups[i].straighten(s.law, value(s.Holds[i]), at, s.Holds[i].Slope, b[1], b[2])
	}
	return nil
}

// x grows with the temperature t in degC and is zero at that of a hold.
func (l law) x(t, at float64) float64 {
	if l == plain {
		return t - at
	}
	return 1/(at+zeroCelsius) - 1/(t+zeroCelsius)
}

func (l law) y(r float64) float64 {
	if l == plain {
		return r
	}
	return math.Log(r)
}

// degrees is what lies above the temperature of the hold where x is so.
func (l law) degrees(x, at float64) float64 {
	if l == plain {
		return x
	}
	kelvin := at + zeroCelsius
	return kelvin * kelvin * x / (1 - kelvin*x)
}

// perX is the slope in Ohm/K where y rises by one for one of x.
func (l law) perX(r, t float64) float64 {
	if l == plain {
		return 1
	}
	kelvin := t + zeroCelsius
	return r / (kelvin * kelvin)
}

// straighten puts the readings of a film, whose y rises from that of r by b x + c x², on the
// tangent there: r + slope (T - at). They stay as they are where the law turns back before
// one of them.
func (g *group) straighten(l law, r, at, slope, b, c float64) {
	g.straight, g.steep = make([]float64, len(g.y)), make([]float64, len(g.y))
	for i, v := range g.y {
		rise := l.y(v) - l.y(r)
		root := b*b + 4*c*rise
		x := 2 * rise / (b + math.Copysign(math.Sqrt(root), b)) // NaN below the turn
		d := l.degrees(x, at)
		g.straight[i] = r + slope*d
		g.steep[i] = (b + 2*c*x) * l.perX(v, at+d) / slope
		if math.IsNaN(g.straight[i]) || math.IsInf(g.straight[i], 0) || !(g.steep[i] > 0) {
			g.straight = g.y
			for k := range g.steep {
				g.steep[k] = 1
			}
			return
		}
	}
}
