package condition

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"github.com/expr-lang/expr/ast"

	"dwell/drivers/quantity"
)

// This file finds conditions that can never hold, and ones that always do: an
// interlock that guards nothing, a wait that ends at its ceiling. It works with the
// span of values that each channel can show, and errs on the side of "may hold".

// span is where the known values of a quantity lie.
type span struct{ low, high float64 }

var anywhere = span{math.Inf(-1), math.Inf(1)}

// span is what a channel can show.
func (c *Channel) span() span {
	if c.Lowest == 0 && c.Highest == 0 {
		return anywhere
	}
	return span{c.Lowest, c.Highest}
}

// around is the smallest span with all values in it; what cannot be worked out may be
// anything.
func around(values ...float64) span {
	s := span{math.Inf(1), math.Inf(-1)}
	for _, v := range values {
		if math.IsNaN(v) {
			return anywhere
		}
		s.low, s.high = min(s.low, v), max(s.high, v)
	}
	return s
}

func (s span) negative() span { return span{-s.high, -s.low} }

func (s span) plus(o span) span { return around(s.low+o.low, s.high+o.high) }

func (s span) times(o span) span {
	return around(s.low*o.low, s.low*o.high, s.high*o.low, s.high*o.high)
}

func (s span) over(o span) span {
	if o.low <= 0 && o.high >= 0 {
		return anywhere
	}
	return s.times(around(1/o.low, 1/o.high))
}

func (s span) size() span {
	switch {
	case s.low >= 0:
		return s
	case s.high <= 0:
		return s.negative()
	}
	return span{0, max(-s.low, s.high)}
}

// needed is where a sum of terms must lie. If that is one term, or one less another, these
// are named.
type needed struct {
	span
	plus, minus string
}

// outcome is what can become of a condition, as far as spans tell.
type outcome struct {
	never, always bool
	needs         map[string]needed // what must be true of single terms, or sums of them, for it to hold
	spares        map[string]needed // and for it not to hold
}

// compared is the outcome of a comparison.
func compared(operator string, a, b operand) outcome {
	o := outcome{needs: map[string]needed{}, spares: map[string]needed{}}
	if operator == ">" || operator == ">=" {
		a, b = b, a
	}
	orEqual := len(operator) == 2
	if orEqual {
		o.never, o.always = a.span.low > b.span.high, a.span.high <= b.span.low
	} else {
		o.never, o.always = a.span.low >= b.span.high, a.span.high < b.span.low
	}
	if a.leaf.kind == channel && a.number != nil {
		key := channelTerm(a.leaf.channel)
		o.needs[key] = needed{span{math.Inf(-1), upTo(b.span.high, orEqual)}, key, ""}
		o.spares[key] = needed{span{from(b.span.low, !orEqual), math.Inf(1)}, key, ""}
	}
	if b.leaf.kind == channel && b.number != nil {
		key := channelTerm(b.leaf.channel)
		o.needs[key] = needed{span{from(a.span.low, orEqual), math.Inf(1)}, key, ""}
		o.spares[key] = needed{span{math.Inf(-1), upTo(a.span.high, !orEqual)}, key, ""}
	}
	difference := a.form.plus(b.form.scaled(-1))
	plus, minus := difference.sides()
	switch key, limit, above := difference.below(); {
	case key == "":
		o.always = difference.rest < 0 || orEqual && difference.rest == 0
		o.never = !o.always
	case above:
		o.needs[key] = needed{span{from(limit, orEqual), math.Inf(1)}, plus, minus}
		o.spares[key] = needed{span{math.Inf(-1), upTo(limit, !orEqual)}, plus, minus}
	default:
		o.needs[key] = needed{span{math.Inf(-1), upTo(limit, orEqual)}, plus, minus}
		o.spares[key] = needed{span{from(limit, !orEqual), math.Inf(1)}, plus, minus}
	}
	return o
}

// upTo and from are the last and the first value on their side of a limit, that itself
// included or not.
func upTo(limit float64, included bool) float64 {
	if included {
		return limit
	}
	return math.Nextafter(limit, math.Inf(-1))
}

func from(limit float64, included bool) float64 { return -upTo(-limit, included) }

func (o outcome) and(p outcome) outcome {
	needs, empty := atOnce(o.needs, p.needs)
	return outcome{never: o.never || p.never || empty, always: o.always && p.always, needs: needs}
}

// not (a or b) is (not a) and (not b).
func (o outcome) or(p outcome) outcome { return o.not().and(p.not()).not() }

func (o outcome) not() outcome {
	return outcome{never: o.always, always: o.never, needs: o.spares, spares: o.needs}
}

// atOnce is what must be true of single terms for two conditions at once, and whether
// nothing is.
func atOnce(a, b map[string]needed) (all map[string]needed, empty bool) {
	all = map[string]needed{}
	for key, s := range a {
		all[key] = s
	}
	for key, s := range b {
		if t, known := all[key]; known {
			s.span = span{max(s.low, t.low), min(s.high, t.high)}
		}
		all[key] = s
		empty = empty || s.low > s.high
	}
	return all, empty || circular(all)
}

// circular tells whether terms would have to be less than themselves: x < y, y < z and z < x.
// What is needed of one less another is a way between the two that is so long at most, and
// what is needed of one alone a way from nothing; the shortest way round is below zero then.
func circular(all map[string]needed) bool {
	type way struct{ long, rounded float64 } // and all that it is added up from, without signs
	at, ways := map[string]int{"": 0}, map[[2]int]way{}
	place := func(key string) int {
		if _, known := at[key]; !known {
			at[key] = len(at)
		}
		return at[key]
	}
	shorter := func(i, j int, w way) {
		if old, known := ways[[2]int{i, j}]; !math.IsInf(w.long, 1) && (!known || w.long < old.long) {
			ways[[2]int{i, j}] = w
		}
	}
	for _, key := range slices.Sorted(maps.Keys(all)) {
		if n := all[key]; n.plus != "" {
			i, j := place(n.plus), place(n.minus)
			shorter(j, i, way{n.high, math.Abs(n.high)})
			shorter(i, j, way{-n.low, math.Abs(n.low)})
		}
	}
	for k := range len(at) {
		for i := range len(at) {
			for j := range len(at) {
				first, one := ways[[2]int{i, k}]
				then, other := ways[[2]int{k, j}]
				if one && other {
					shorter(i, j, way{first.long + then.long, first.rounded + then.rounded})
				}
			}
		}
	}
	for i := range len(at) {
		if w, is := ways[[2]int{i, i}]; is && w.long < -negligible*w.rounded {
			return true
		}
	}
	return false
}

// decided reports a condition that nothing can change.
func (c *compiler) decided(n ast.Node, o outcome) {
	if !o.never && !o.always {
		return
	}
	hint := ""
	for _, i := range c.condition.reads {
		ch := c.vocabulary.Channels[i]
		unit, _ := ch.Dim.Canonical()
		if s := ch.span(); s != anywhere && hint == "" {
			hint = fmt.Sprintf("%s shows %s to %s", ch.Name, quantity.Quantity{Value: s.low, Unit: unit}, quantity.Quantity{Value: s.high, Unit: unit})
		}
	}
	if o.never {
		c.at(n, hint, "this can never hold")
	} else {
		c.at(n, hint, "this always holds")
	}
}
