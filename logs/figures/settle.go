package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Hold is one plateau as the film saw it: the temperature was reached, the film still
// under way.
type Hold struct {
	Segment
	T, UT     float64 // mean temperature of the second half, and its standard uncertainty by scatter
	Slope     float64 // Ohm/K there, of all holds together
	TSeen     float64 // mean temperature of the last fifth, and its standard uncertainty by scatter
	UTSeen    float64
	Seen      float64 // mean resistance of the last fifth: what one would read off
	USeen     float64 // its standard uncertainty by scatter
	Settled   float64 // resistance the film tends to, at T
	USettled  float64 // its standard uncertainty by scatter, the time constants held
	PerLog    []float64
	Remained  float64 // Ohm of the film when the hold ends, less what it settles to at the temperature of that moment
	URemained float64
	URounded  float64 // standard uncertainty of Seen and Settled by rounding to what the meter shows
	Noise     float64 // Ohm, standard deviation of a reading about the fit
}

// tail is where the last fifth of a stretch begins.
func (p Segment) tail() int { return p.To - max(4, int(tailShare*float64(p.To-p.From))) }

// AtRest tells whether what remained cannot be told from zero, or is less than the scatter
// of a reading: no meter shows that.
func (h Hold) AtRest() bool { return math.Abs(h.Remained) <= max(2*h.URemained, h.Noise) }

// Settled is what the transients after each change of temperature say about a film that
// follows it slowly, kept apart from what the film does of itself (hysteresis).
type Settled struct {
	Tau      []float64 // s; none when no lag is seen
	ULog     [][]float64
	Holds    []Hold
	Noise    float64 // standard deviation of the residuals
	DoF      float64 // of it, neighbours being alike
	Notes    []string
	widen    float64
	groups   []group
	law      law
	rounding float64 // Ohm, standard uncertainty of each reading by the step in which it is shown
	digit    float64 // K, half a digit of the thermometer: part of UT and UTSeen
}

// group is the readings of one hold, times from its beginning. Of many readings, those that
// lie close together for their age are one, with the root of their number as weight.
type group struct {
	t, y, plate []float64
	weight      []float64
	straight    []float64 // y on the tangent of R(T) at the hold
	steep       []float64 // slope of R(T) at y over that at the hold
	at          float64   // mean temperature it is referred to
	last, uLast float64   // temperature at the last reading, and its standard uncertainty by scatter
}

const (
	// Readings that span less than this share of the time since the hold began are averaged
	// where a hold has more than mostSingle: over three time constants that is 0.06 of one,
	// and the mean of an exponential differs from its middle by 0.06²/24.
	closeShare  = 0.02
	mostSingle  = 400
	leastInHold = 12
	tailShare   = 0.2 // of a hold, what one would read off
)

// Settle estimates the lag of resistance behind temperature from the holds of a record:
// in each, R(t) = R + s (F(t) - T) with F the temperature passed through a first-order
// lag, plus A exp(-t/tau), where R and A are the hold's own and tau is common. It is the
// film's temperature that decays so: what a curved R(T) makes of that is taken out first,
// or it would pass for a second time constant of half the first. A second one is taken in
// when the data ask for it (Schwarz's criterion). The slope s and the curvature come from
// the holds themselves (laws.go). t is s, temperature degC, r Ohm, at the same moments;
// bad readings are left out before. What lies below the step (Ohm) in which resistances
// are shown, 0 where none is known, is no transient. The thermometer's and the plate's own
// errors, and heat lost between thermometer and film, are no part of this: they are common
// errors of a Curve.
func Settle(t, temperature, r []float64, plateaus []Segment, step float64) (Settled, error) {
	if err := fittable(r, t, temperature); err != nil {
		return Settled{}, err
	}
	s := Settled{rounding: Rectangular(step / 2)}
	for _, p := range plateaus {
		if p.From < 0 || p.To > len(t) || p.To-p.From < leastInHold {
			s.Notes = append(s.Notes, fmt.Sprintf("the plateau from %.6g to %.6g s has %d readings, at least %d are needed: left out", p.Start, p.End, p.To-p.From, leastInHold))
			continue
		}
		s.addHold(t[p.From:p.To], temperature[p.From:p.To], r[p.From:p.To], p)
	}
	if len(s.Holds) < 2 {
		return s, fmt.Errorf("%d plateaus can be used: at least 2 at different temperatures are needed to tell a lag", len(s.Holds))
	}
	return s.byLaw()
}

// readOff is the holds of a record without any lag: for a thermometer that shows what the
// film has. What one reads off is what it has settled to.
func readOff(t, temperature, r []float64, plateaus []Segment) (Settled, error) {
	if err := fittable(r, t, temperature); err != nil {
		return Settled{}, err
	}
	s := Settled{DoF: math.Inf(1)}
	for _, p := range plateaus {
		if p.From < 0 || p.To > len(t) || p.To-p.From < leastInHold {
			s.Notes = append(s.Notes, fmt.Sprintf("the plateau from %.6g to %.6g s has %d readings, at least %d are needed: left out", p.Start, p.End, p.To-p.From, leastInHold))
			continue
		}
		s.addHold(t[p.From:p.To], temperature[p.From:p.To], r[p.From:p.To], p)
		h := &s.Holds[len(s.Holds)-1]
		h.T, h.UT, h.Settled, h.USettled = h.TSeen, h.UTSeen, h.Seen, h.USeen
		_, _, dof := MeanError(r[p.tail():p.To])
		if math.IsNaN(dof) {
			dof = 1
		}
		s.DoF = max(1, min(s.DoF, dof))
	}
	if len(s.Holds) < 2 {
		return s, fmt.Errorf("%d plateaus can be used: at least 2 at different temperatures are needed", len(s.Holds))
	}
	laws := s.laws()
	s.law = laws[len(laws)-1]
	err := s.slopes(func(h Hold) float64 { return h.Seen })
	s.groups = nil
	return s, err
}

func (s *Settled) readings() (y []float64) {
	for _, g := range s.groups {
		for i, v := range g.straight {
			y = append(y, g.weight[i]*v)
		}
	}
	return y
}

func (s *Settled) addHold(t, temperature, r []float64, p Segment) {
	h := Hold{Segment: p}
	half, tail := len(t)/2, p.tail()-p.From
	h.T, h.UT = sureMean(temperature[half:])
	h.Seen, h.USeen = sureMean(r[tail:])
	h.TSeen, h.UTSeen = sureMean(temperature[tail:])
	size := (len(t) + mostSingle - 1) / mostSingle
	g := group{at: h.T}
	var even group // as many readings in each mean
	for i := 0; i < len(t); i += size {
		even.mean(t, r, temperature, i, min(len(t), i+size))
	}
	g.last, g.uLast = lastOf(even.t, even.plate)
	for i := 0; i < len(t); {
		to := i + 1
		if close := closeShare * (t[i] - t[0]); size > 1 {
			for to < len(t) && (t[to]-t[i] < close || t[len(t)-1]-t[to] < close/2) { // a short rest goes with it
				to++
			}
		}
		g.mean(t, r, temperature, i, to)
		i = to
	}
	s.Holds, s.groups = append(s.Holds, h), append(s.groups, g)
}

// mean takes the mean of readings in.
func (g *group) mean(t, r, temperature []float64, from, to int) {
	g.t = append(g.t, MomentsOf(t[from:to]).Mean-t[0])
	g.y = append(g.y, MomentsOf(r[from:to]).Mean)
	g.plate = append(g.plate, MomentsOf(temperature[from:to]).Mean)
	g.weight = append(g.weight, math.Sqrt(float64(to-from)))
}

// lastOf is a temperature at the last moment and its standard uncertainty by scatter, by a
// quadratic through the last fifth: a plate may still be on its way, and one reading has
// all of the thermometer's noise.
func lastOf(t, x []float64) (last, u float64) {
	const least = 8
	n := len(t)
	from := max(0, n-max(least, int(tailShare*float64(n))))
	f, err := PolynomialFit(shifted(t[from:], t[n-1]), x[from:], 2)
	if err != nil {
		return x[n-1], MomentsOf(x[from:]).S()
	}
	return f.B[0], f.U(0)
}

// sureMean is MeanError; where neighbours are so alike that nothing is independent, the
// whole scatter is the uncertainty.
func sureMean(x []float64) (mean, u float64) {
	mean, u, _ = MeanError(x)
	if math.IsNaN(u) {
		u = MomentsOf(x).S()
	}
	return mean, u
}

// projected is what a hold says for given time constants: the settled value, and the
// values of the fitted curve.
type projected struct {
	settled, perNoise float64 // perNoise times the noise is the uncertainty of settled
	remained          float64
	perRemained       float64
	curve             []float64
}

// project fits a hold with the time constants held, by orthogonal columns; the constant
// comes last, so that its coefficient needs no solving.
func (g group) project(taus []float64, slope float64) (p projected, ok bool) {
	n := len(g.t)
	base := make([]float64, n)
	columns := make([][]float64, 0, 3)
	for k, tau := range taus {
		c := make([]float64, n)
		c[0] = math.Exp(-g.t[0] / tau)
		f := g.plate[0]
		var h, x, e float64 // readings are mostly equally far apart
		for i := range n {
			if i > 0 {
				if step := g.t[i] - g.t[i-1]; step != h {
					h, x, e = step, step/tau, math.Exp(-step/tau)
				}
				c[i] = e * c[i-1]
				f = lagged(f, g.plate[i-1], g.plate[i], x, e)
			}
			if k == 0 {
				base[i] = slope * (f - g.at)
			}
		}
		columns = append(columns, c)
	}
	for i := 0; i < n && len(taus) == 0; i++ {
		base[i] = slope * (g.plate[i] - g.at)
	}
	for _, c := range columns {
		for i := range c {
			c[i] *= g.weight[i]
		}
	}
	p, ok = g.solve(append(columns, slices.Clone(g.weight)), base)
	if ok && len(taus) > 0 {
		// The film also lags behind what the plate did within the hold.
		p.remained += base[n-1] - slope*(g.last-g.at)
	}
	return p, ok
}

func (g group) solve(columns [][]float64, base []float64) (p projected, ok bool) {
	n, k := len(g.t), len(columns)
	p.curve = append([]float64(nil), base...)
	rest := make([]float64, n)
	for i := range rest {
		rest[i] = g.weight[i] * (g.straight[i] - base[i])
	}
	for j, c := range columns {
		size, whole := 0., 0.
		for _, v := range c {
			whole += v * v
		}
		for _, earlier := range columns[:j] {
			size = 0
			for i, v := range earlier {
				size += v * c[i]
			}
			for i, v := range earlier {
				c[i] -= size * v
			}
		}
		size = 0
		for _, v := range c {
			size += v * v
		}
		if !(size > 1e-12*whole) { // no digits left between the columns
			return p, false
		}
		length := math.Sqrt(size)
		product := 0.
		for i := range c {
			c[i] /= length
			product += c[i] * rest[i]
		}
		for i := range c {
			rest[i] -= product * c[i]
			p.curve[i] += product * c[i] / g.weight[i]
		}
		if j == k-1 {
			p.settled, p.perNoise = product/length, 1/length
		}
	}
	// What remains of the hold's own exponentials is the curve less the base less the
	// settled value.
	p.remained = p.curve[n-1] - base[n-1] - p.settled
	variance := p.perNoise * p.perNoise
	for j := range k - 1 {
		v := columns[j][n-1] / g.weight[n-1]
		variance += v * v
	}
	last := columns[k-1][n-1] / g.weight[n-1]
	variance += last*last - 2*last*p.perNoise
	p.perRemained = math.Sqrt(max(0, variance))
	return p, true
}

// lagged carries a first-order lag over x time constants, e = exp(-x), in which its input
// goes straight from a to b.
func lagged(f, a, b, x, e float64) float64 {
	mean := 1 - x/2 // (1-e)/x for small x
	if x > 1e-6 {
		mean = (1 - e) / x
	}
	return e*f + (1-e)*a + (b-a)*(1-mean)
}

// model is the whole record for logarithms of time constants.
func (s *Settled) model(logs, out []float64) {
	i := 0
	taus := exponentials(logs)
	for k, g := range s.groups {
		p, ok := g.project(taus, s.Holds[k].Slope)
		for j := range g.t {
			if out[i] = math.NaN(); ok {
				out[i] = g.weight[j] * p.curve[j]
			}
			i++
		}
	}
}

func exponentials(logs []float64) []float64 {
	taus := make([]float64, len(logs))
	for i, v := range logs {
		taus[i] = math.Exp(v)
	}
	return taus
}

// estimate finds the time constants, none, one or two as the data ask, and the holds'
// values with them.
func (s *Settled) estimate() (best trial, err error) {
	y := s.readings()
	shortest, longest := math.Inf(1), 0.
	for _, g := range s.groups {
		n := len(g.t)
		shortest, longest = min(shortest, (g.t[n-1]-g.t[0])/float64(n-1)), max(longest, g.t[n-1]-g.t[0])
	}
	if best, err = s.try(y); err != nil {
		return best, err
	}
	one, err := s.search(y, best, shortest, longest)
	if err == nil && s.asked(one, best, EffectiveSize(one.residuals)) {
		best = one
		if two, err := s.search(y, one, shortest, longest); err == nil && s.asked(two, best, EffectiveSize(two.residuals)) {
			best = two
		}
	}
	return best, s.take(best)
}

// trial is a choice of time constants.
type trial struct {
	logs      []float64
	fit       Fit // of the logarithms; for none, only residuals
	residuals []float64
	rss       float64
}

func (s *Settled) try(y []float64, logs ...float64) (trial, error) {
	out := make([]float64, len(y))
	s.model(logs, out)
	t := trial{logs: logs, residuals: out}
	for i := range out {
		out[i] = y[i] - out[i]
		t.rss += out[i] * out[i]
	}
	for _, g := range s.groups {
		for _, w := range g.weight {
			t.rss += w * w * s.rounding * s.rounding
		}
	}
	if math.IsNaN(t.rss) {
		return t, errNoMinimum
	}
	return t, nil
}

var errNotAsked = errors.New("the data do not ask for another time constant")

// search adds one time constant to those of a trial: the best of a grid, then least
// squares. It stops after the grid where that has gained too little even if all readings
// were independent.
func (s *Settled) search(y []float64, with trial, shortest, longest float64) (trial, error) {
	var start trial
	least := math.Inf(1)
	const grid = 24
	low, high := math.Log(shortest), math.Log(longest)
	for k := range grid + 1 {
		at := low + (high-low)*float64(k)/grid
		logs := append(append([]float64(nil), with.logs...), at)
		if t, err := s.try(y, logs...); err == nil && t.rss < least {
			least, start = t.rss, t
		}
	}
	if math.IsInf(least, 1) || !s.asked(start, with, float64(len(y))) {
		return trial{}, errNotAsked
	}
	f, err := NonlinearFit(s.model, y, start.logs)
	if err != nil {
		return trial{}, err
	}
	for _, v := range f.B {
		if v < low-1 || v > high+1 {
			return trial{}, errors.New("a time constant outside what the holds can show")
		}
	}
	t, err := s.try(y, f.B...)
	t.fit = f
	return t, err
}

// asked tells whether the data ask for the richer of two trials (Schwarz's criterion), n
// being how many readings are independent. That is to be counted about the richer one:
// what the poorer leaves out looks like correlation.
func (s *Settled) asked(richer, poorer trial, n float64) bool {
	more := float64((len(richer.logs) - len(poorer.logs)) * (1 + len(s.Holds)))
	return n*math.Log(richer.rss/poorer.rss)+more*math.Log(n) < 0
}

// alike is how many neighbouring readings count for one. The fit of each hold hides part
// of the correlation: of an autoregressive noise with coefficient a it leaves about
// a - (2+4a)/n (Kendall, Biometrika 41 (1954) 403, for a trend taken out; from memory).
func (s *Settled) alike(residuals []float64) float64 {
	n := float64(len(residuals)) / float64(len(s.Holds))
	a := (autocorrelation(residuals, 0, 1) + 2/n) / (1 - 4/n)
	const most = 0.98
	a = max(0, min(most, a))
	if a < 2/math.Sqrt(float64(len(residuals)))+2/n { // no more than chance
		a = 0
	}
	return max((1+a)/(1-a), float64(len(residuals))/EffectiveSize(residuals))
}

// take fills in the result for a choice of time constants.
func (s *Settled) take(t trial) error {
	n, p := float64(len(t.residuals)), float64(len(t.logs)+len(s.Holds)*(1+len(t.logs)))
	alike := s.alike(t.residuals)
	if n/alike-p < 1 {
		return fmt.Errorf("the noise is so slow that %.0f readings count for %.0f, and %.0f numbers are asked of them: hold longer", n, n/alike, p)
	}
	// The fit takes p of the independent values, each of which is alike readings.
	s.Noise, s.widen = math.Sqrt(t.rss/(n-p*alike)), math.Sqrt(alike)
	s.DoF = n/alike - p
	s.Tau = exponentials(t.logs)
	s.ULog = nil
	for i := range t.logs {
		row := make([]float64, len(t.logs))
		for j := range row {
			row[j] = t.fit.Inverse[i][j] * s.Noise * s.Noise * s.widen * s.widen
		}
		s.ULog = append(s.ULog, row)
	}
	const h = 1e-4 // of the logarithm of a time constant
	for k, g := range s.groups {
		hold := &s.Holds[k]
		at, ok := g.project(s.Tau, hold.Slope)
		if !ok {
			return errNoMinimum
		}
		hold.Settled, hold.USettled = at.settled, at.perNoise*s.Noise*s.widen
		hold.Remained, hold.PerLog, hold.Noise = at.remained, nil, s.Noise
		moved := make([]float64, len(t.logs))
		for j := range t.logs {
			logs := append([]float64(nil), t.logs...)
			logs[j] += h
			above, ok1 := g.project(exponentials(logs), hold.Slope)
			logs[j] -= 2 * h
			below, ok2 := g.project(exponentials(logs), hold.Slope)
			if !ok1 || !ok2 {
				return errNoMinimum
			}
			hold.PerLog = append(hold.PerLog, (above.settled-below.settled)/(2*h))
			moved[j] = (above.remained - below.remained) / (2 * h)
		}
		variance := at.perRemained * at.perRemained * s.Noise * s.Noise * s.widen * s.widen
		if len(t.logs) > 0 {
			variance += hold.Slope * hold.Slope * g.uLast * g.uLast
		}
		for i, a := range moved {
			for j, b := range moved {
				variance += a * b * s.ULog[i][j]
			}
		}
		hold.URemained = math.Sqrt(max(0, variance))
	}
	return nil
}

// common are the errors of the time constants, as errors common to the given holds. Two
// time constants are resolved into independent parts.
func (s Settled) common(holds []Hold) (all []Common) {
	// The Cholesky root of the covariance: column i is the effect of the i-th part.
	root := make([][]float64, len(s.ULog))
	for i := range root {
		root[i] = make([]float64, len(s.ULog))
		for j := range i + 1 {
			sum := s.ULog[i][j]
			for k := range j {
				sum -= root[i][k] * root[j][k]
			}
			if i == j {
				root[i][i] = math.Sqrt(max(0, sum))
			} else if root[j][j] > 0 {
				root[i][j] = sum / root[j][j]
			}
		}
	}
	for j := range root {
		e := Common{Name: fmt.Sprintf("time constants, part %d", j+1), Kind: ResistanceShape, U: 1, DoF: s.DoF, Says: "fit of the transients"}
		for _, h := range holds {
			sum := 0.
			for i := range root {
				sum += h.PerLog[i] * root[i][j]
			}
			e.Per = append(e.Per, sum)
		}
		all = append(all, e)
	}
	return all
}

// Branches are the ways up and down, as read off and as settled. The holds up to the
// hottest are the way up. common are errors of thermometer and meter.
func (s Settled) Branches(o Origin, settled bool, common ...Common) (up, down Curve, err error) {
	top := 0
	for i, h := range s.Holds {
		if h.T > s.Holds[top].T {
			top = i
		}
	}
	up, down = s.branch(o, s.Holds[:top+1], settled, common), s.branch(o, s.Holds[top+1:], settled, common)
	if len(up.T) < 2 || len(down.T) < 2 {
		err = fmt.Errorf("%s: %d holds on the way up and %d on the way down: at least 2 each are needed for a comparison", o.Channel, len(up.T), len(down.T))
	}
	return up, down, err
}

func (s Settled) branch(o Origin, holds []Hold, settled bool, common []Common) Curve {
	c := Curve{Origin: o, Common: append([]Common(nil), common...), HalfDigit: s.digit}
	for _, h := range holds {
		t, uT, r, u := h.TSeen, h.UTSeen, h.Seen, h.USeen
		if settled {
			t, uT, r, u = h.T, h.UT, h.Settled, h.USettled
		}
		dof, both := s.DoF, math.Hypot(u, h.URounded)
		switch {
		case h.URounded > 0 && u > 0:
			dof *= math.Pow(both/u, 4) // JCGM 100, G.4.1
		case h.URounded > 0:
			dof = math.Inf(1)
		}
		c.T, c.UT, c.R, c.UR, c.DoF = append(c.T, t), append(c.UT, uT), append(c.R, r), append(c.UR, both), append(c.DoF, dof)
	}
	if settled {
		c.Common = append(c.Common, s.common(holds)...)
	}
	return c
}

// notSettled is how far the film still was from where it tends to.
func (s Settled) notSettled(o Origin, source string) (Figure, error) {
	worst := 0
	for i, h := range s.Holds {
		if math.Abs(h.Remained/h.Slope) > math.Abs(s.Holds[worst].Remained/s.Holds[worst].Slope) {
			worst = i
		}
	}
	h := s.Holds[worst]
	if h.Slope == 0 {
		return Figure{}, fmt.Errorf("%s does not change with temperature: what it lacks is no temperature", o.Channel)
	}
	b, err := Combine("K", Level95, []Input{{Name: "transients", Unit: "Ohm", U: h.URemained, Type: "A", DoF: s.DoF, Sensitivity: 1 / math.Abs(h.Slope)}})
	if err != nil {
		return Figure{}, err
	}
	b.forAll(len(s.Holds))
	return o.figure(meaning{"not_settled", "largest", "K", "largest |distance of the film from what it settles to at the temperature of that moment| at the end of a hold, in Ohm over the slope there", source},
		math.Abs(h.Remained/h.Slope), b, Given{"at", h.T, "degC"}, Given{"end of the hold", h.End, "s"})
}

// SettleFigures are the lag, and hysteresis as read off and after the lag is taken out.
func SettleFigures(o Origin, s Settled, common ...Common) ([]Figure, error) {
	var l list
	const source = "common practice (first-order lags)"
	for i, tau := range s.Tau {
		b, err := Combine("s", Level95, []Input{{Name: "fit of the transients", Value: tau, Unit: "s", U: tau * math.Sqrt(s.ULog[i][i]), Type: "A", DoF: s.DoF, Sensitivity: 1}})
		if err != nil {
			return nil, err
		}
		if b.Expanded >= tau {
			l.skip("lag_tau", fmt.Errorf("%.3g ± %.3g s cannot be told from none", tau, b.Expanded))
			continue
		}
		l.add(o.figure(meaning{"lag_tau", fmt.Sprintf("%d of %d", i+1, len(s.Tau)), "s",
			"time constant of resistance behind temperature, common to all holds, from the transients in them, the curvature of R(T) taken out", source}, tau, b,
			Given{"residual standard deviation", s.Noise, "Ohm"}))
	}
	still, err := s.notSettled(o, source)
	if l.skip("not_settled", err); err == nil {
		l.add(still, nil)
	}
	for _, settled := range [...]bool{false, true} {
		up, down, err := s.Branches(o, settled, common...)
		if err != nil {
			l.skip("hysteresis", err)
			continue
		}
		all, err := Hysteresis(up, down)
		if err != nil {
			l.skip("hysteresis", err)
			continue
		}
		for _, f := range all {
			if f.Flavour += ", as read off"; settled {
				f.Flavour = f.Flavour[:len(f.Flavour)-len(", as read off")] + ", lag taken out"
			}
			l.add(f, nil)
		}
	}
	l.skipped = append(l.skipped, s.Notes...)
	return l.done()
}
