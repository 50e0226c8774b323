package figures

import (
	"fmt"
	"math"
)

// motion is what a stage does in cycles: there and back between two places, from rest to
// rest with one acceleration and a steady speed between, and a rest at each end.
type motion struct {
	first  float64 // m, where a cycle begins and ends
	bent   float64 // m
	accel  float64 // m/s2
	began  float64 // s; what follows is fitted to where the stage said it was
	period float64 // s
	rest   float64 // s, at each end
	cycles float64

	uBegan    float64 // s, from the scatter of the fit
	residual  float64 // m, standard deviation of what the stage said from this
	positions int
}

// leastPositions tell the phase, the period and the rest of a motion, with something left
// to see how well. Common practice, no source.
const leastPositions = 12

// at is where the stage is at a moment, how fast it goes, and in which half of which cycle
// that is.
func (m *motion) at(t float64) (position, speed, cycle float64, out bool) {
	cycle = math.Floor((t - m.began) / m.period)
	if cycle < 0 || cycle >= m.cycles {
		return m.first, 0, cycle, cycle < 0
	}
	in := t - m.began - cycle*m.period
	out = in < m.period/2
	if !out {
		in -= m.period / 2
	}
	gone, v := m.stroke(in)
	if out {
		return m.first + gone*(m.bent-m.first), v * math.Abs(m.bent-m.first), cycle, out
	}
	return m.bent - gone*(m.bent-m.first), v * math.Abs(m.bent-m.first), cycle, out
}

// stroke is the share of the way that is gone so long after its beginning, and its rate.
func (m *motion) stroke(in float64) (gone, rate float64) {
	lasts := m.period/2 - m.rest
	if in >= lasts {
		return 1, 0
	}
	a := m.accel / math.Abs(m.bent-m.first)
	root := lasts*lasts - 4/a
	v := (a / 2) * (lasts - math.Sqrt(max(0, root)))
	if root < 0 { // faster than the stage says it can: all of the way speeding up and slowing down
		a = 4 / (lasts * lasts)
		v = a * lasts / 2
	}
	rises := v / a
	switch left := lasts - in; {
	case in < rises:
		return a * in * in / 2, a * in
	case left < rises:
		return 1 - a*left*left/2, a * left
	}
	return v*in - v*rises/2, v
}

// fitMotion finds phase, period and rest from where the stage said it was; all cycles lie
// between the beginning of the model and an end (s). A rest that comes out below zero is
// none.
func fitMotion(m motion, end float64, t, position []float64) (motion, error) {
	if len(t) < leastPositions {
		return m, fmt.Errorf("the stage was asked %d times where it is: at least %d are needed", len(t), leastPositions)
	}
	m = m.nearest(end, t, position)
	f, err := m.improve(t, position, &m.began, &m.period)
	if err != nil {
		return m, fmt.Errorf("the motion of the stage: %w", err)
	}
	rests := m
	rests.rest = m.period / 100
	if with, err := rests.improve(t, position, &rests.began, &rests.period, &rests.rest); err == nil && rests.rest > 0 && rests.rest < m.period/4 && with.RSS < f.RSS {
		f, m = with, rests
	}
	m.uBegan, m.positions = f.U(0), len(t)
	m.residual = math.Sqrt(f.RSS / float64(f.DoF))
	if far := math.Abs(m.bent - m.first); m.residual > mostMisfit*far {
		return m, fmt.Errorf("the stage was not where its commands say: %.3g m off on average, of %.3g m", m.residual, far)
	}
	return m, nil
}

// improve changes parameters of the motion for the least sum of squares, by Gauss and
// Newton with steps that are halved until they help. The turns are so sharp that nothing
// says more of the minimum than that no step leads further down. The fit is that of the
// last step.
func (m *motion) improve(t, position []float64, parameters ...*float64) (Fit, error) {
	const mostSteps, mostHalvings, enough = 50, 20, 1e-9
	rss := func() (left []float64, sum float64) {
		for i, at := range t {
			p, _, _, _ := m.at(at)
			left = append(left, position[i]-p)
			sum += left[i] * left[i]
		}
		return left, sum
	}
	var f Fit
	for range mostSteps {
		left, before := rss()
		var err error
		if f, err = LinearFit(left, m.slopes(t, parameters)...); err != nil {
			return f, err
		}
		share := 1.
		for n := 0; ; n++ {
			for j, p := range parameters {
				*p += share * f.B[j]
			}
			_, after := rss()
			if after <= before && before-after < enough*before {
				f.RSS = after
				f.S = math.Sqrt(after / float64(f.DoF))
				return f, nil
			}
			if after < before {
				break
			}
			for j, p := range parameters {
				*p -= share * f.B[j]
			}
			if share /= 2; n == mostHalvings {
				f.RSS = before
				f.S = math.Sqrt(before / float64(f.DoF))
				return f, nil
			}
		}
	}
	return f, errNoMinimum
}

// slopes are what the positions change by with each parameter, over a thousandth of a
// period.
func (m *motion) slopes(t []float64, parameters []*float64) (columns [][]float64) {
	step := m.period / 1000 / max(m.cycles, 1)
	for _, p := range parameters {
		was, column := *p, make([]float64, len(t))
		for _, side := range [...]float64{1, -1} {
			*p = was + side*step
			for i, at := range t {
				x, _, _, _ := m.at(at)
				column[i] += side * x / (2 * step)
			}
		}
		*p = was
		columns = append(columns, column)
	}
	return columns
}

// mostMisfit is how far, of the way, a stage may be from the model that is fitted to it.
// Common practice, no source.
const mostMisfit = 0.05

// nearest is the motion with the best phase and period of several: small steps lead from
// one phase to the next only if they are near, and a small error of the period adds up
// from cycle to cycle.
func (m motion) nearest(end float64, t, position []float64) motion {
	const parts = 16 // of a period, near enough to begin with
	longest := max((end-m.began)/m.cycles, m.period)
	step := m.period / (parts * m.cycles)
	if n := (longest - m.period) / step; n > mostPeriods {
		step *= n / mostPeriods
	}
	start, least := m, math.Inf(1)
	for period := m.period; period <= longest; period += step {
		for began := m.began; began <= end-period*m.cycles+period/parts; began += period / parts {
			x, sum := m, 0.
			x.began, x.period = began, period
			for i, at := range t {
				p, _, _, _ := x.at(at)
				sum += (position[i] - p) * (position[i] - p)
			}
			if sum < least {
				start, least = x, sum
			}
		}
	}
	return start
}

// mostPeriods is how many are tried: of a block of cycles with long rests, not all.
const mostPeriods = 200
