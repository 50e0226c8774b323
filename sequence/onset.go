package sequence

import (
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
)

// onset keeps the readings round the moment at which a specimen was moved, and
// finds the moment in them.
type onset struct {
	channel int
	at      []float64 // s since the first
	value   []float64
	first   clock.Instant
}

// mostOnset bounds what is kept: a minute at ten readings a second. A person may take
// longer to move the specimen; then the oldest half goes.
const mostOnset = 600

func newOnset(channel int) *onset { return &onset{channel: channel} }

func (o *onset) add(x drivers.Reading) {
	if x.Channel != o.channel || x.Flag != drivers.Good {
		return
	}
	if len(o.at) == mostOnset {
		o.at = append(o.at[:0], o.at[mostOnset/2:]...)
		o.value = append(o.value[:0], o.value[mostOnset/2:]...)
	}
	if len(o.at) == 0 {
		o.first = x.At
	}
	o.at = append(o.at, (x.At - o.first).Seconds())
	o.value = append(o.value, x.Value)
}

// fineness is the step of the search for the onset, in s: far below the interval of
// any reading here.
const fineness = 0.01

// early is how much of the response counts once its onset is roughly known: about as
// long as a parabola describes a film that follows within tens of seconds.
const early = 3.0 // s

// fit returns the onset and its standard uncertainty. The model is a level that
// turns into a parabola at the onset (a straight line would lie: the response bends
// within seconds); the onset with the least sum of squares wins. It is looked for in
// everything first, then twice without what comes long after. Its uncertainty is how
// far it can be moved before that sum grows by one residual variance (profile
// likelihood), at least half a reading's interval. The departure must rise out of the
// noise, and readings enough must lie on either side.
func (o *onset) fit() (at, within clock.Instant, ok bool) {
	all := *o
	t0, u, ok := all.search()
	for pass := 0; ok && pass < 2; pass++ {
		part := all
		for n := len(part.at); n > 0 && part.at[n-1] > t0+early; n-- {
			part.at = part.at[:n-1]
		}
		t0, u, ok = part.search()
	}
	if !ok {
		return 0, 0, false
	}
	return o.first + clock.Instant(math.Round(t0*1e9)), clock.Instant(math.Round(u * 1e9)), true
}

// search finds the onset among the readings in o.
func (o *onset) search() (t0, u float64, ok bool) {
	n := len(o.at)
	if n < 9 {
		return 0, 0, false
	}
	from, to := o.at[3], o.at[n-4]
	best := math.Inf(1)
	for t := from; t <= to; t += fineness {
		if ss, _, _ := o.bent(t); ss < best {
			best, t0 = ss, t
		}
	}
	_, slope, slopeU := o.bent(t0)
	if !(math.Abs(slope) > 4*slopeU) {
		return 0, 0, false
	}
	variance := best / float64(n-4)
	low, high := t0, t0
	for ss := best; low > from && ss < best+variance; low -= fineness {
		ss, _, _ = o.bent(low)
	}
	for ss := best; high < to && ss < best+variance; high += fineness {
		ss, _, _ = o.bent(high)
	}
	interval := (o.at[n-1] - o.at[0]) / float64(n-1)
	return t0, math.Max((high-low)/2, interval/2), true
}

// bent fits level, slope and curvature by least squares for an onset at t0. It returns
// the sum of squares left, the slope at the onset and its standard uncertainty.
func (o *onset) bent(t0 float64) (ss, slope, u float64) {
	n := float64(len(o.at))
	var meanX, meanQ, meanY float64
	for i, t := range o.at {
		x := math.Max(0, t-t0)
		meanX += x / n
		meanQ += x * x / n
		meanY += (o.value[i] - o.value[0]) / n
	}
	var xx, xq, qq, xy, qy, yy float64
	for i, t := range o.at {
		x := math.Max(0, t-t0)
		x, q, y := x-meanX, x*x-meanQ, o.value[i]-o.value[0]-meanY
		xx, xq, qq = xx+x*x, xq+x*q, qq+q*q
		xy, qy, yy = xy+x*y, qy+q*y, yy+y*y
	}
	det := xx*qq - xq*xq
	if !(det > 0) {
		return yy, 0, math.Inf(1)
	}
	slope = (qq*xy - xq*qy) / det
	curve := (xx*qy - xq*xy) / det
	ss = math.Max(0, yy-slope*xy-curve*qy)
	return ss, slope, math.Sqrt(ss / (n - 4) * qq / det)
}
