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
	needs         map[int]span // what must be true of single channels for it to hold
}

// compared is the outcome of a comparison.
func compared(operator string, a, b operand) outcome {
	o := outcome{needs: map[int]span{}}
	if operator == ">" || operator == ">=" {
		a, b = b, a
	}
	if orEqual := len(operator) == 2; orEqual {
		o.never, o.always = a.span.low > b.span.high, a.span.high <= b.span.low
	} else {
		o.never, o.always = a.span.low >= b.span.high, a.span.high < b.span.low
	}
	if a.leaf.kind == channel && a.number != nil {
		o.needs[a.leaf.channel] = span{math.Inf(-1), b.span.high}
	}
	if b.leaf.kind == channel && b.number != nil {
		o.needs[b.leaf.channel] = span{a.span.low, math.Inf(1)}
	}
	return o
}

func (o outcome) and(p outcome) outcome {
	r := outcome{never: o.never || p.never, always: o.always && p.always, needs: map[int]span{}}
	for ch, s := range o.needs {
		r.needs[ch] = s
	}
	for ch, s := range p.needs {
		t, both := r.needs[ch]
		if both {
			s = span{max(s.low, t.low), min(s.high, t.high)}
		}
		r.needs[ch] = s
		r.never = r.never || s.low > s.high
	}
	return r
}

func (o outcome) or(p outcome) outcome {
	return outcome{never: o.never && p.never, always: o.always || p.always}
}

func (o outcome) not() outcome { return outcome{never: o.always, always: o.never} }

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
