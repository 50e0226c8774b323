package sequence

import (
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
)

// onset keeps the readings round the moment at which a specimen was moved, and
// finds the moment in them: a level, then a straight line that leaves it.
type onset struct {
	channel int
	at      []float64 // s since the first
	value   []float64
	first   clock.Instant
}

// mostOnset bounds what is kept: a minute at ten readings a second.
const mostOnset = 600

func newOnset(channel int) *onset { return &onset{channel: channel} }

func (o *onset) add(x drivers.Reading) {
	if x.Channel != o.channel || x.Flag != drivers.Good || len(o.at) == mostOnset {
		return
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

// fit returns the onset and its standard uncertainty. The model is a level that
// turns into a straight line at the onset; the onset with the least sum of squares
// wins, and its uncertainty is how far it can be moved before that sum grows by one
// residual variance (profile likelihood). The line must rise out of the noise, and
// four readings must lie on either side.
func (o *onset) fit() (at, within clock.Instant, ok bool) {
	n := len(o.at)
	if n < 8 {
		return 0, 0, false
	}
	from, to := o.at[3], o.at[n-4]
	best, t0 := math.Inf(1), 0.0
	for t := from; t <= to; t += fineness {
		if ss, _, _ := o.bent(t); ss < best {
			best, t0 = ss, t
		}
	}
	_, slope, slopeU := o.bent(t0)
	if !(math.Abs(slope) > 4*slopeU) {
		return 0, 0, false
	}
	variance := best / float64(n-3)
	low, high := t0, t0
	for ss := best; low > from && ss < best+variance; low -= fineness {
		ss, _, _ = o.bent(low)
	}
	for ss := best; high < to && ss < best+variance; high += fineness {
		ss, _, _ = o.bent(high)
	}
	u := (high - low) / 2
	return o.first + clock.Instant(math.Round(t0*1e9)), clock.Instant(math.Round(u * 1e9)), true
}

// bent fits level and slope by least squares for an onset at t0. It returns the sum
// of squares left, the slope and its standard uncertainty.
func (o *onset) bent(t0 float64) (ss, slope, u float64) {
	n := float64(len(o.at))
	var meanX, meanY float64
	for i, t := range o.at {
		meanX += math.Max(0, t-t0) / n
		meanY += (o.value[i] - o.value[0]) / n
	}
	var sxx, sxy, syy float64
	for i, t := range o.at {
		x, y := math.Max(0, t-t0)-meanX, o.value[i]-o.value[0]-meanY
		sxx += float64(x * x)
		sxy += float64(x * y)
		syy += float64(y * y)
	}
	if sxx == 0 {
		return syy, 0, math.Inf(1)
	}
	slope = sxy / sxx
	ss = math.Max(0, syy-float64(slope*sxy))
	return ss, slope, math.Sqrt(ss / (n - 3) / sxx)
}
