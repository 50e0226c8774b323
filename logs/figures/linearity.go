package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// MinimaxLine is the line whose largest deviation from the points is smallest, and that
// deviation. It runs half way between an edge of the points' convex hull and the point
// farthest from that edge.
func MinimaxLine(x, y []float64) (offset, slope, deviation float64, err error) {
	if err := fittable(y, x, x); err != nil {
		return 0, 0, 0, err
	}
	deviation = math.Inf(1)
	lower, upper := hull(x, y, 1), hull(x, y, -1)
	for _, edges := range [...][]int{lower, upper} {
		for k := 1; k < len(edges); k++ {
			i, j := edges[k-1], edges[k]
			if x[i] == x[j] {
				continue
			}
			m := (y[j] - y[i]) / (x[j] - x[i])
			low, high := 0., 0.
			for _, side := range [...][]int{lower, upper} {
				for _, p := range side {
					d := (y[p] - y[i]) - m*(x[p]-x[i])
					low, high = min(low, d), max(high, d)
				}
			}
			if d := (high - low) / 2; d < deviation {
				deviation, slope = d, m
				offset = y[i] + (low+high)/2 - m*x[i]
			}
		}
	}
	if math.IsInf(deviation, 1) {
		return 0, 0, 0, errDependent
	}
	return offset, slope, deviation, nil
}

// hull is the lower side of the convex hull (sign 1) or the upper (-1), left to right.
func hull(x, y []float64, sign float64) []int {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		switch {
		case x[i] < x[j] || x[i] == x[j] && sign*y[i] > sign*y[j]: // of equal x the outer one last
			return -1
		case x[i] > x[j] || sign*y[i] < sign*y[j]:
			return 1
		}
		return 0
	})
	var h []int
	for _, p := range order {
		for n := len(h); n > 0; n = len(h) {
			if x[h[n-1]] == x[p] { // the outer of equal x stays
				h = h[:n-1]
				continue
			}
			if n < 2 || sign*((x[h[n-1]]-x[h[n-2]])*(y[p]-y[h[n-2]])-(y[h[n-1]]-y[h[n-2]])*(x[p]-x[h[n-2]])) > 0 {
				break
			}
			h = h[:n-1]
		}
		h = append(h, p)
	}
	return h
}

// zeroBased is the line through the first point whose largest deviation is smallest, by
// halving: the deviation is convex in the slope.
func zeroBased(x, y []float64) (slope, deviation float64) {
	first, _ := ends(x)
	low, high := math.Inf(1), math.Inf(-1)
	for i := range x {
		if x[i] != x[first] {
			m := (y[i] - y[first]) / (x[i] - x[first])
			low, high = min(low, m), max(high, m)
		}
	}
	for range 200 {
		slope = low + (high-low)/2
		worst, above := -1., false
		for i := range x {
			d := (y[i] - y[first]) - slope*(x[i]-x[first])
			if math.Abs(d) > worst {
				worst, above = math.Abs(d), d > 0
			}
		}
		deviation = worst
		if above {
			low = slope
		} else {
			high = slope
		}
	}
	return slope, deviation
}

// conformity is a line that deviations are taken from: its values at the temperatures.
type conformity struct {
	name, line, source string
	fit                func(t, r []float64) ([]float64, error)
}

// through is a line's values at temperatures.
func through(offset, slope float64, t []float64) []float64 {
	line := make([]float64, len(t))
	for i, v := range t {
		line[i] = offset + slope*v
	}
	return line
}

const namesOfLines = "after IEC 61298-2 and IEC 60770-1 (names), wording ours"

var conformities = []conformity{
	{"independent", "the line that makes it smallest", namesOfLines, func(t, r []float64) ([]float64, error) {
		a, b, _, err := MinimaxLine(t, r)
		return through(a, b, t), err
	}},
	{"terminal-based", "the line through the points of lowest and highest temperature", namesOfLines, func(t, r []float64) ([]float64, error) {
		first, last := ends(t)
		b := (r[last] - r[first]) / (t[last] - t[first])
		return through(r[first]-b*t[first], b, t), nil
	}},
	{"zero-based", "the line through the point of lowest temperature that makes it smallest", namesOfLines, func(t, r []float64) ([]float64, error) {
		first, _ := ends(t)
		b, _ := zeroBased(t, r)
		return through(r[first]-b*t[first], b, t), nil
	}},
	{"zero-based, least squares", "the least-squares line held at the point of lowest temperature", namesOfLines, func(t, r []float64) ([]float64, error) {
		first, _ := ends(t)
		f, err := OriginFit(shifted(t, t[first]), shifted(r, r[first]))
		if err != nil {
			return nil, err
		}
		return through(r[first]-f.B[0]*t[first], f.B[0], t), nil
	}},
	{"least squares", "the least-squares line", "common practice", func(t, r []float64) ([]float64, error) {
		f, err := LineFit(t, r)
		if err != nil {
			return nil, err
		}
		return through(f.B[0], f.B[1], t), nil
	}},
}

// from is what points lie off the line.
func (s conformity) from(t, r []float64) ([]float64, error) {
	line, err := s.fit(t, r)
	if err != nil {
		return nil, err
	}
	for i := range line {
		line[i] = r[i] - line[i]
	}
	return line, nil
}

// Linearity is the largest deviation of the points from a straight line, in % of the
// span of resistance, in five flavours: they differ in the line. The points are settled
// values of one direction; more of them find larger deviations.
func Linearity(c Curve) ([]Figure, error) {
	if err := c.check(3); err != nil {
		return nil, err
	}
	if c.UR == nil {
		return nil, fmt.Errorf("%s: linearity needs the uncertainty of the resistances: from one pass alone curvature and scatter cannot be told apart", c.Channel)
	}
	low, high := extremes(c.R)
	if low == high {
		return nil, fmt.Errorf("%s: the resistance never changes: it has no span to refer to", c.Channel)
	}
	var l list
	for _, s := range conformities {
		l.add(c.largest(s.meaning("", "a point"), high-low, c.T, s.from))
	}
	return l.done()
}

func (s conformity) meaning(of, point string) meaning {
	return meaning{"linearity", s.name + of, "%", "largest distance of " + point + " from " + s.line + ", in % of the span of resistance", s.source}
}

// LinearityOfMeans is the same of the means of both directions, which take hysteresis out.
// The highest temperature, where the way turns, belongs to both with its one value.
func LinearityOfMeans(up, down Curve) ([]Figure, error) {
	b, err := joined(up, down)
	if err != nil {
		return nil, err
	}
	means := func(t, r []float64) (at, mean []float64, err error) {
		d, err := b.differences(t, r)
		if err != nil {
			return nil, nil, err
		}
		_, top := ends(b.T[:b.up])
		for i, j := range b.pairs {
			switch {
			case j >= 0:
				at, mean, d = append(at, t[i]), append(mean, r[i]+d[0]/2), d[1:]
			case i == top:
				at, mean = append(at, t[i]), append(mean, r[i])
			}
		}
		return at, mean, nil
	}
	places, r, err := means(b.T, b.R)
	if err != nil {
		return nil, err
	}
	low, high := extremes(r)
	if len(places) < 3 || low == high {
		return nil, fmt.Errorf("%s: %d temperatures were read in both directions: at least 3 with different resistances are needed", b.Channel, len(places))
	}
	var l list
	for _, s := range conformities {
		l.add(b.largest(s.meaning(", means of both directions", "the mean of both directions at one temperature"), high-low, places, func(t, r []float64) ([]float64, error) {
			at, mean, err := means(t, r)
			if err != nil {
				return nil, err
			}
			return s.from(at, mean)
		}))
	}
	return l.done()
}

// largest is the figure of the largest of several deviations in Ohm, in % of a span;
// places are the temperatures of the deviations. See the package comment about maxima.
func (c Curve) largest(m meaning, span float64, places []float64, deviations several) (Figure, error) {
	all, budgets, err := c.propagate("Ohm", deviations)
	if err != nil {
		return Figure{}, err
	}
	effects, err := c.effects(len(all), deviations)
	if err != nil {
		return Figure{}, err
	}
	worst, widest := 0, Budget{}
	for i, b := range budgets {
		if math.Abs(all[i]) > math.Abs(all[worst]) {
			worst = i
		}
		if b.Combined > widest.Combined || i == 0 {
			widest = b
		}
	}
	if widest.Expanded = largestError(Level95, len(all), effects); widest.Combined > 0 {
		widest.K = widest.Expanded / widest.Combined
	}
	widest = widest.times(100/span, m.unit)
	with := []Given{{"largest deviation", all[worst], "Ohm"}, {"at", places[worst], "degC"}}
	if m.unit == "%" {
		with = append(with, Given{"span", span, "Ohm"})
	}
	return c.Origin.figure(m, 100*math.Abs(all[worst])/span, widest, with...)
}

// drawsOfLargest leave a level of 95 % uncertain by a third of a percent.
const drawsOfLargest = 4000

// largestError is what the largest error of several numbers stays below at a level, their
// errors being correlated as effects say: by drawing (JCGM 101:2008, 7), always the same
// draws. What has few degrees of freedom counts as in factor.
func largestError(level float64, numbers int, effects []effect) float64 {
	rng := rand.New(rand.NewPCG(1, 1))
	off := make([]float64, drawsOfLargest*numbers)
	for _, e := range effects {
		for i, on := range e.on {
			wide := 1.
			if dof := e.DoF; dof > 0 || e.dof != nil && e.dof[i] > 0 {
				if dof == 0 {
					dof = e.dof[i]
				}
				wide = StudentT(level, max(1, math.Floor(dof+roundingOfDoF))) / StudentT(level, math.Inf(1))
			}
			for d := range drawsOfLargest {
				x := 0.
				if e.Bounded {
					x = math.Sqrt(3) * (2*rng.Float64() - 1)
				} else {
					x = wide * rng.NormFloat64()
				}
				for k, v := range on {
					off[d*numbers+k] += x * v
				}
			}
		}
	}
	largest := make([]float64, drawsOfLargest)
	for d := range largest {
		for _, v := range off[d*numbers : (d+1)*numbers] {
			largest[d] = max(largest[d], math.Abs(v))
		}
	}
	slices.Sort(largest)
	return largest[int(math.Ceil(level*drawsOfLargest))-1]
}

// times is the budget of a multiple of the result.
func (b Budget) times(factor float64, unit string) Budget {
	b.Unit = unit
	b.Inputs = slices.Clone(b.Inputs)
	for i := range b.Inputs {
		b.Inputs[i].Sensitivity *= factor
	}
	b.Combined *= math.Abs(factor)
	b.Expanded *= math.Abs(factor)
	return b
}

// forAll widens k so that the intervals of n values hold together.
func (b *Budget) forAll(n int) {
	b.K = b.factor(everyOne(b.Level, n))
	b.Expanded = b.K * b.Combined
}
