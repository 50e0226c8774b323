package condition

import (
	"fmt"
	"math"

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

// outcome is what can become of a condition, as far as spans tell.
type outcome struct {
	never, always bool
	needs         map[string]span // what must be true of single terms, or sums of them, for it to hold
	spares        map[string]span // and for it not to hold
}

// compared is the outcome of a comparison.
func compared(operator string, a, b operand) outcome {
	o := outcome{needs: map[string]span{}, spares: map[string]span{}}
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
		o.needs[channelTerm(a.leaf.channel)] = span{math.Inf(-1), upTo(b.span.high, orEqual)}
		o.spares[channelTerm(a.leaf.channel)] = span{from(b.span.low, !orEqual), math.Inf(1)}
	}
	if b.leaf.kind == channel && b.number != nil {
		o.needs[channelTerm(b.leaf.channel)] = span{from(a.span.low, orEqual), math.Inf(1)}
		o.spares[channelTerm(b.leaf.channel)] = span{math.Inf(-1), upTo(a.span.high, !orEqual)}
	}
	difference := a.form.plus(b.form.scaled(-1))
	switch key, limit, above := difference.below(); {
	case key == "":
		o.always = difference.rest < 0 || orEqual && difference.rest == 0
		o.never = !o.always
	case above:
		o.needs[key] = span{from(limit, orEqual), math.Inf(1)}
		o.spares[key] = span{math.Inf(-1), upTo(limit, !orEqual)}
	default:
		o.needs[key] = span{math.Inf(-1), upTo(limit, orEqual)}
		o.spares[key] = span{from(limit, !orEqual), math.Inf(1)}
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
func atOnce(a, b map[string]span) (all map[string]span, empty bool) {
	all = map[string]span{}
	for key, s := range a {
		all[key] = s
	}
	for key, s := range b {
		if t, known := all[key]; known {
			s = span{max(s.low, t.low), min(s.high, t.high)}
		}
		all[key] = s
		empty = empty || s.low > s.high
	}
	return all, empty
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
