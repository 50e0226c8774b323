package sequence

import (
	"math"
	"slices"

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

// mostOnset bounds what is kept. A person may take long to move the specimen; then the
// oldest half goes, and over five minutes at fifty readings a second remain.
const mostOnset = 1 << 15

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

// How an onset is looked for. Common practice, no source.
const (
	fineness   = 0.05 // s, the step of the search: far below what heatsLeft leaves open
	coarseness = 0.2  // s, the step of the first search, which may be of many minutes
	// What counts on either side of an onset: long enough for a level and its slope, and
	// as short as a parabola describes a film that follows within tens of seconds. With
	// slow readings it is so many of them.
	before, leastBefore = 8.0, 8
	early, leastEarly   = 5.0, 6
	// certainly is by how much an onset must explain the readings better than a smooth
	// curve with as many coefficients does, in variances of what it leaves: the best of
	// hundreds of places in noise alone reaches some 20.
	certainly = 40.0
	// clearly is how many times more a straight line leaves than the onset does, in squares:
	// in noise alone, hanging together over many readings even, it is some 5.
	clearly = 25.0
	// Heat needs a moment through a slide. A film on its far face begins hesitantly; one
	// on the face that is touched, at once and then more slowly: both for about heatsWay.
	// heatsLeft is the standard uncertainty of what that leaves open: on virtual slides
	// of 1 mm the onset comes 0.25 s late on a plate and 0.2 s early on a cold block.
	heatsWay, heatsLeft = 0.5, 0.25 // s
)

// fit returns the onset between two moments, and its standard uncertainty. The
// model is a straight line (the specimen may still drift from what was before) that
// turns into a parabola at the onset. It is looked for by how much better it describes
// the readings round it than a smooth curve does, and then, in the readings round the
// best place alone, by the least sum of squares, however hesitantly it begins. Its
// uncertainty is how far it can be moved before that sum grows by one residual variance
// (profile likelihood; more when the residuals hang together), half a reading's
// interval, which is a bound, and heatsLeft. It is clear where a change stands out of the noise.
func (o *onset) fit(from, to clock.Instant) (at, within clock.Instant, found, clear bool) {
	n := len(o.at)
	if n < leastBefore+leastEarly {
		return 0, 0, false, false
	}
	interval := (o.at[n-1] - o.at[0]) / float64(n-1)
	start, end := (from - o.first).Seconds(), (to - o.first).Seconds()
	best, t0 := certainly, math.NaN()
	look := func(start, end, step float64) {
		for t := start; t <= end; t += step {
			if part := o.round(t, interval); part != nil {
				if gain := part.gain(t); gain > best {
					best, t0 = gain, t
				}
			}
		}
	}
	look(max(start, o.at[0]), end, coarseness)
	if math.IsNaN(t0) {
		return 0, 0, false, false
	}
	look(t0-coarseness, t0+coarseness, fineness)
	part := o.round(t0, interval)
	clear = squares(part.left(straight, t0)) >= clearly*squares(part.left(bend(0), t0))
	t0, u := part.least(t0, interval)
	u = math.Sqrt(float64(u*u) + float64(interval*interval)/12 + heatsLeft*heatsLeft)
	return o.first + clock.Instant(math.Round(t0*1e9)), clock.Instant(math.Round(u * 1e9)), true, clear
}

// round is the readings that tell whether there is an onset at t: nil without enough of
// them on either side.
func (o *onset) round(t, interval float64) *onset {
	from, to := t-math.Max(before, leastBefore*interval), t+math.Max(early, leastEarly*interval)
	i, _ := slices.BinarySearch(o.at, from)
	j, _ := slices.BinarySearch(o.at, t)
	k, _ := slices.BinarySearch(o.at, to)
	if j-i < leastBefore-1 || k-j < leastEarly-1 {
		return nil
	}
	return &onset{at: o.at[i:k], value: o.value[i:k]}
}

// gain is by how much an onset at t0 describes the readings better than a cubic does,
// in variances of what it leaves.
func (o *onset) gain(t0 float64) float64 {
	smooth, bent := o.left(cubic, t0), o.left(bend(0), t0)
	variance, linked := spread(bent)
	return (squares(smooth) - squares(bent)) / (variance * linked)
}

func straight(t float64) [3]float64 { return [3]float64{t, 0, 0} }

// cubic is a polynomial, without its level.
func cubic(t float64) [3]float64 { return [3]float64{t, t * t, t * t * t} }

// bend is a slope from before the onset (at 0), and what sets in there: a parabola that
// is late by so many heatsWay or, hesitant below 0, in advance, once it has begun. That
// it has goes from 0 to 1 nearly as an exponential.
func bend(hesitant float64) func(t float64) [3]float64 {
	return func(t float64) [3]float64 {
		x := math.Max(0, t)
		z := x / heatsWay
		begun := 1 - 1/(1+z+z*z/2)
		return [3]float64{t, x - hesitant*heatsWay*begun, x * x}
	}
}

// hesitations are the ways to begin that are tried; see heatsWay.
var hesitations = [...]float64{-1, -0.5, 0, 0.5, 1}

// least is the onset with the least sum of squares near t0, and how well it is known:
// half of everything that is not much worse, wherever and however it begins.
func (o *onset) least(t0, interval float64) (at, u float64) {
	side := math.Max(2, 3*interval) // further away, other readings would be those round it
	best, most := math.Inf(1), 0.0
	var sums []float64
	for t := t0 - side; t <= t0+side; t += fineness {
		least := math.Inf(1)
		for _, h := range hesitations {
			left := o.left(bend(h), t)
			ss := squares(left)
			if least = math.Min(least, ss); ss < best {
				variance, linked := spread(left)
				at, best, most = t, ss, ss+float64(variance*linked)
			}
		}
		sums = append(sums, least)
	}
	low, high := len(sums), 0
	for i, ss := range sums {
		if ss <= most {
			low, high = min(low, i), i
		}
	}
	return at, float64(high-low) / 2 * fineness
}

// left is what a level and three terms, functions of the time since t0, leave of the
// readings: least squares, by making each term orthogonal to those before it.
func (o *onset) left(terms func(t float64) [3]float64, t0 float64) []float64 {
	const all = 4
	n := len(o.at)
	memory := make([]float64, (all+1)*n)
	var columns [all + 1][]float64
	for c := range columns {
		columns[c] = memory[c*n : (c+1)*n]
	}
	for i, t := range o.at {
		columns[0][i], columns[all][i] = 1, o.value[i]-o.value[0]
		for c, v := range terms(t - t0) {
			columns[c+1][i] = v
		}
	}
	for c, a := range columns[:all] {
		length := squares(a)
		if length == 0 {
			continue
		}
		for _, b := range columns[c+1:] {
			share := dot(a, b) / length
			for k := range a {
				b[k] -= float64(share * a[k])
			}
		}
	}
	return columns[all]
}

func squares(v []float64) float64 { return dot(v, v) }

func dot(a, b []float64) (sum float64) {
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}

// spread is the variance of the residuals of five fitted numbers (the onset is one), and
// by how much less they tell than as many independent ones: (1+r)/(1-r) with the
// correlation r of neighbours, as in a first-order autoregressive process.
func spread(residuals []float64) (variance, linked float64) {
	ss, n := squares(residuals), len(residuals)
	r := math.Min(0.9, math.Max(0, dot(residuals[1:], residuals[:n-1])/ss))
	return ss / float64(max(1, n-5)), (1 + r) / (1 - r)
}
