package figures

import (
	"fmt"
	"math"
	"slices"

	"dwell/logs"
)

// Series is one channel over time. Values that are missing or flagged stand in it as NaN:
// nothing is interpolated across them.
type Series struct {
	Channel string
	Unit    string
	Time    []float64 // s, increasing
	Bound   []float64 // s: each time is known to within ± this; nil: exactly
	Y       []float64
	Timing  Timing
}

// Timing says how old a value is that an instrument hands out. It is for instruments that
// measure on their own: a reading they take when asked lies within its exchange, and all
// of this is zero.
type Timing struct {
	Update      float64 // s between new values inside the instrument: one asked for may be as old as that
	Integration float64 // s a value is averaged over, up to its moment
	Filter      float64 // s, time constant of a first-order filter
}

// Age is by how much a value is older than its time stamp on average, and the standard
// uncertainty of that. The age within an update period may be anything; a mean over the
// integration time stands for its middle; a filter lags behind a ramp by its constant.
func (t Timing) Age() (age, u float64) {
	return t.Update/2 + t.Integration/2 + t.Filter, Rectangular(t.Update / 2)
}

// Aligned is a channel brought to other moments.
type Aligned struct {
	Y []float64 // NaN where there is none
	U []float64 // standard uncertainty from timing: rate of change times that of the time
	// Missing counts moments without a value, by reason.
	Outside, Gap, Flagged int
}

// slopeNeighbours is how many readings on each side tell the rate of change.
const slopeNeighbours = 3

// Align interpolates a channel linearly at given moments, its own ages corrected. It does
// not extrapolate, nor reach across a gap longer than widest (s) or a bad value. The time
// of a reading is known within a bound (half its exchange), taken as rectangular.
func (s Series) Align(moments []float64, widest float64) (Aligned, error) {
	if err := s.check(); err != nil {
		return Aligned{}, err
	}
	age, uAge := s.Timing.Age()
	a := Aligned{Y: make([]float64, len(moments)), U: make([]float64, len(moments))}
	j, last := 0, math.Inf(-1)
	for i, m := range moments {
		if m < last {
			j = 0 // not in order: start over
		}
		last = m
		at := m + age // the reading that stands for moment m carries this stamp
		var why absence
		if a.Y[i], j, why = s.between(at, j, widest); why != present {
			a.U[i] = math.NaN()
			a.missed(why)
			continue
		}
		bound := 0.
		if s.Bound != nil {
			bound = max(s.Bound[j], s.Bound[min(j+1, len(s.Bound)-1)])
		}
		a.U[i] = math.Abs(s.rateAt(j)) * math.Hypot(Rectangular(bound), uAge)
	}
	return a, nil
}

// absence says why there is no value at a moment.
type absence uint8

const (
	present absence = iota
	outside
	inGap
	flagged
)

func (a *Aligned) missed(why absence) {
	switch why {
	case outside:
		a.Outside++
	case inGap:
		a.Gap++
	case flagged:
		a.Flagged++
	}
}

// between interpolates at the stamp at, which does not lie before reading j; it says which
// reading comes before it.
func (s Series) between(at float64, j int, widest float64) (y float64, before int, why absence) {
	for j+1 < len(s.Time) && s.Time[j+1] <= at {
		j++
	}
	switch exact := s.Time[j] == at; {
	case s.Time[j] > at || !exact && j+1 == len(s.Time):
		return math.NaN(), j, outside
	case !exact && s.Time[j+1]-s.Time[j] > widest:
		return math.NaN(), j, inGap
	case math.IsNaN(s.Y[j]) || !exact && math.IsNaN(s.Y[j+1]):
		return math.NaN(), j, flagged
	case exact:
		return s.Y[j], j, present
	}
	share := (at - s.Time[j]) / (s.Time[j+1] - s.Time[j])
	return s.Y[j] + share*(s.Y[j+1]-s.Y[j]), j, present
}

func (s Series) check() error {
	if len(s.Time) == 0 || len(s.Y) != len(s.Time) || s.Bound != nil && len(s.Bound) != len(s.Time) {
		return fmt.Errorf("%s: %d times, %d values and %d bounds make no series", s.Channel, len(s.Time), len(s.Y), len(s.Bound))
	}
	for i := 1; i < len(s.Time); i++ {
		if !(s.Time[i] > s.Time[i-1]) {
			return fmt.Errorf("%s: time stands still or runs back at reading %d (%.9g s after %.9g s)", s.Channel, i+1, s.Time[i], s.Time[i-1])
		}
	}
	return nil
}

// rateAt is the least-squares slope over the neighbours of reading j, which noise enters
// less than the difference of two.
func (s Series) rateAt(j int) float64 {
	var mt, my, n, tt, ty float64
	from, to := max(0, j-slopeNeighbours), min(len(s.Time), j+slopeNeighbours+2)
	for i := from; i < to; i++ {
		if !math.IsNaN(s.Y[i]) {
			n, mt, my = n+1, mt+s.Time[i]-s.Time[j], my+s.Y[i]
		}
	}
	for i := from; i < to; i++ {
		if !math.IsNaN(s.Y[i]) {
			d := s.Time[i] - s.Time[j] - mt/n
			tt, ty = tt+d*d, ty+d*(s.Y[i]-my/n)
		}
	}
	if tt == 0 {
		return 0
	}
	return ty / tt
}

// Complete keeps the places at which every column has a value, and counts the others.
func Complete(columns ...[]float64) (kept [][]float64, left int) {
	kept = make([][]float64, len(columns))
	for k, c := range columns {
		kept[k] = make([]float64, 0, len(c))
	}
	for i := range columns[0] {
		if slices.ContainsFunc(columns, func(c []float64) bool { return math.IsNaN(c[i]) }) {
			left++
			continue
		}
		for k, c := range columns {
			kept[k] = append(kept[k], c[i])
		}
	}
	return kept, left
}

func reason(row logs.Row) string {
	if row.Flag == "" {
		return "not a number"
	}
	return "flagged " + row.Flag
}

// sort puts readings in order of time, and leaves out all but the first at one time.
func (s *Series) sort() (twice int) {
	order := make([]int, len(s.Time))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case s.Time[a] < s.Time[b]:
			return -1
		case s.Time[a] > s.Time[b]:
			return 1
		}
		return 0
	})
	var t, bound, y []float64
	for _, i := range order {
		if n := len(t); n > 0 && t[n-1] == s.Time[i] {
			twice++
			continue
		}
		t, y = append(t, s.Time[i]), append(y, s.Y[i])
		if s.Bound != nil {
			bound = append(bound, s.Bound[i])
		}
	}
	s.Time, s.Bound, s.Y = t, bound, y
	return twice
}

// Lag is by how much one channel follows another: y(t) = a + b x(t - Lag).
type Lag struct {
	Seconds float64
	U       float64 // standard uncertainty, residuals being alike
	DoF     float64
	R       float64 // correlation coefficient at that lag
	Points  int
}

const mostLagPoints = 4000 // a longer record is thinned

// LagBetween finds how much later than x y is, between -most and most seconds, by least
// squares over the lag: a search over the grid, then refinement. Both channels' own ages
// are corrected, and their timing counts in the uncertainty. It describes a pure delay; a
// film that follows slowly has none: see Settle.
func LagBetween(x, y Series, most, widest float64) (Lag, error) {
	if err := y.check(); err != nil {
		return Lag{}, err
	}
	if err := x.check(); err != nil {
		return Lag{}, err
	}
	if !(most > 0) {
		return Lag{}, fmt.Errorf("a lag between %s and %s is looked for within ±%.6g s", x.Channel, y.Channel, most)
	}
	yAge, yUAge := y.Timing.Age()
	var t, v []float64
	for i := 0; i < len(y.Time); i += (len(y.Time) + mostLagPoints - 1) / mostLagPoints {
		at := y.Time[i] - yAge
		if !math.IsNaN(y.Y[i]) && at-most >= x.Time[0] && at+most <= x.Time[len(x.Time)-1] {
			t, v = append(t, at), append(v, y.Y[i])
		}
	}
	if len(t) < leastReadings {
		return Lag{}, fmt.Errorf("%s and %s have %d readings in common within ±%.6g s: too few for a lag", x.Channel, y.Channel, len(t), most)
	}
	best, rss := 0., math.Inf(1)
	const steps = 80
	for k := -steps; k <= steps; k++ {
		lag := most * float64(k) / steps
		if left := x.leaves(t, v, lag, widest); left < rss {
			best, rss = lag, left
		}
	}
	if math.IsInf(rss, 1) {
		return Lag{}, fmt.Errorf("%s does not change, or has no readings beside those of %s", x.Channel, y.Channel)
	}
	step := most / steps
	for range 40 { // halve towards the least
		for _, lag := range [...]float64{best - step, best + step} {
			if left := x.leaves(t, v, lag, widest); left < rss {
				best, rss = lag, left
			}
		}
		step /= 1.7
	}
	if math.Abs(best) >= most*(1-1./steps) {
		return Lag{}, fmt.Errorf("%s follows %s by more than %.6g s, if at all: no lag within that fits best", y.Channel, x.Channel, most)
	}
	return x.lagError(t, v, best, widest, math.Hypot(yUAge, y.uBound()))
}

// uBound is the typical standard uncertainty of a reading's time.
func (s Series) uBound() float64 {
	if s.Bound == nil {
		return 0
	}
	return Rectangular(median(s.Bound))
}

// leaves is the variance of what a line through v at times t, against the series as it was
// lag seconds before, leaves of v: what follow fits, for a search that tries hundreds of
// lags. +Inf where too few readings meet.
func (s Series) leaves(t, v []float64, lag, widest float64) float64 {
	age, _ := s.Timing.Age()
	var n, mx, mv, xx, xv, vv float64 // Welford's, of both
	for i, j := 0, 0; i < len(t); i++ {
		x, k, why := s.between(t[i]-lag+age, j, widest)
		if j = k; why != present {
			continue
		}
		n++
		dx, dv := x-mx, v[i]-mv
		mx, mv = mx+dx/n, mv+dv/n
		xx, xv, vv = xx+dx*(x-mx), xv+dx*(v[i]-mv), vv+dv*(v[i]-mv)
	}
	if n < leastReadings || xx == 0 {
		return math.Inf(1)
	}
	return max(0, vv-xv*xv/xx) / (n - 2)
}

// follow fits v at times t by x as it was lag seconds before.
func (s Series) follow(t, v []float64, lag, widest float64) (Fit, error) {
	a, err := s.Align(shifted(t, lag), widest)
	if err != nil {
		return Fit{}, err
	}
	var p, q []float64
	for i, y := range a.Y {
		if !math.IsNaN(y) {
			p, q = append(p, y), append(q, v[i])
		}
	}
	if len(p) < leastReadings {
		return Fit{}, errDependent
	}
	return LineFit(p, q)
}

// lagError takes the effect of the lag on the residuals from its derivative.
func (s Series) lagError(t, v []float64, lag, widest, uTime float64) (Lag, error) {
	f, err := s.follow(t, v, lag, widest)
	if err != nil {
		return Lag{}, err
	}
	h := max(1e-3*math.Abs(lag), (t[len(t)-1]-t[0])/float64(len(t)))
	at, err1 := s.Align(shifted(t, lag), widest)
	before, err2 := s.Align(shifted(t, lag-h), widest)
	after, err3 := s.Align(shifted(t, lag+h), widest)
	for _, err := range [...]error{err1, err2, err3} {
		if err != nil {
			return Lag{}, err
		}
	}
	var one, x, d, q []float64
	for i := range t {
		if rate := f.B[1] * (after.Y[i] - before.Y[i]) / (2 * h); !math.IsNaN(rate) && !math.IsNaN(at.Y[i]) {
			one, x, d, q = append(one, 1), append(x, at.Y[i]), append(d, rate), append(q, v[i])
		}
	}
	full, err := LinearFit(q, one, x, d)
	if err != nil {
		return Lag{}, fmt.Errorf("%s: the channels change too little for a lag: %w", s.Channel, err)
	}
	size := EffectiveSize(f.Residuals)
	_, uAge := s.Timing.Age()
	u := full.U(2) * math.Sqrt(float64(len(q))/size)
	return Lag{Seconds: lag, U: math.Hypot(u, math.Hypot(uTime, math.Hypot(uAge, s.uBound()))), DoF: max(1, size-3),
		R: math.Copysign(math.Sqrt(max(0, f.R2)), f.B[1]), Points: len(q)}, nil
}

// LagFigure is the lag as a figure.
func LagFigure(o Origin, l Lag) (Figure, error) {
	b, err := Combine("s", Level95, []Input{{Name: "fit, correlated residuals, and timing of both channels", Value: l.Seconds, Unit: "s", U: l.U, Type: "A", DoF: l.DoF, Sensitivity: 1}})
	if err != nil {
		return Figure{}, err
	}
	return o.figure(meaning{"lag", "pure delay", "s", "L of the least-squares y(t) = a + b x(t - L), channels' own ages corrected", "common practice"}, l.Seconds, b,
		Given{"correlation coefficient", l.R, "1"}, Given{"readings", float64(l.Points), "1"})
}
