package condition

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"

	"dwell/drivers/quantity"
)

// A slope through fewer than three readings, or a judgement of rest on fewer
// than four, says more about noise than about the specimen (common practice, no
// source).
const (
	fewestForSlope   = 3
	fewestForSettled = 4
)

// mostInWindow bounds the readings a window holds, and with it the memory and
// the time an evaluation takes.
const mostInWindow = 50_000

// call translates a function call.
func (c *compiler) call(n *ast.CallNode, name string) operand {
	wanted := map[string][2]int{"abs": {1, 1}, "min": {2, maxNodes}, "max": {2, maxNodes}, "mean": {2, 2}, "rate": {2, 2}, "settled": {3, 3}}[name]
	if got := len(n.Arguments); got < wanted[0] || got > wanted[1] {
		form := map[string]string{"abs": "abs(x)", "min": "min(x, y)", "max": "max(x, y)", "mean": "mean(channel, window)",
			"rate": "rate(channel, window)", "settled": "settled(channel, band, window)"}[name]
		return c.at(n, "write "+form, "%s cannot work on %d arguments", name, got)
	}
	args := make([]operand, len(n.Arguments))
	ok := true
	for i, a := range n.Arguments {
		args[i] = c.node(a)
		if args[i].truth != nil {
			c.at(a, "", "%s works on quantities, this is a condition", name)
		}
		ok = ok && args[i].number != nil
	}
	if !ok {
		return operand{}
	}
	switch name {
	case "abs":
		return c.abs(n, args[0])
	case "min", "max":
		return c.extreme(n, name, args)
	case "mean":
		w, ok := c.window(n, name, args[0], args[1], fewestForSlope)
		return c.windowed(ok, name, args[0].dim, w, args[0].span, mean)
	case "rate":
		w, ok := c.window(n, name, args[0], args[1], fewestForSlope)
		return c.windowed(ok, name, args[0].dim.Div(second), w, anywhere, slope)
	}
	return c.settled(n, args[0], args[1], args[2])
}

// abs translates the size of a quantity.
func (c *compiler) abs(n *ast.CallNode, x operand) operand {
	if x.dim.Absolute {
		return c.at(n.Arguments[0], "subtract another temperature first", "the size of a temperature in degC means nothing")
	}
	number := x.number
	return c.quantity(n, x.dim, x.varies, x.span.size(), sized(x), func(f frame) float64 { return math.Abs(number(f)) })
}

// sized is the form of the size of a quantity.
func sized(x operand) form {
	if len(x.form.terms) == 0 {
		return fixed(math.Abs(x.form.rest))
	}
	if x.form.terms[x.form.lead()] < 0 { // |x - y| is |y - x|
		return term("abs(%s)", x.form.scaled(-1).key())
	}
	return term("abs(%s)", x.form.key())
}

// extreme translates min and max. They are unknown when any of their arguments
// is.
func (c *compiler) extreme(n *ast.CallNode, name string, args []operand) operand {
	varies, s := false, args[0].span
	numbers := make([]func(frame) float64, len(args))
	var keys []string
	for i, a := range args {
		if a.dim != args[0].dim {
			return c.at(n.Arguments[i], mixHint(args[0].dim, a.dim), "%s of %s and %s", name, describe(args[0].dim), describe(a.dim))
		}
		varies = varies || a.varies
		numbers[i] = a.number
		keys = append(keys, a.form.key())
	}
	// Go's min and max are NaN when either side is.
	pick := func(a, b float64) float64 { return min(a, b) }
	if name == "max" {
		pick = func(a, b float64) float64 { return max(a, b) }
	}
	for _, a := range args[1:] {
		s = span{pick(s.low, a.span.low), pick(s.high, a.span.high)}
	}
	slices.Sort(keys)
	of := term("%s(%s)", name, strings.Join(keys, ", "))
	if keys = slices.Compact(keys); len(keys) == 1 {
		of = args[0].form // of itself
	}
	return c.quantity(n, args[0].dim, varies, s, of, func(f frame) float64 {
		x := numbers[0](f)
		for _, number := range numbers[1:] {
			x = pick(x, number(f))
		}
		return x
	})
}

// windowView is a window with what evaluation needs beside it.
type windowView struct {
	window
	stale  int64
	fewest int
}

// window checks the arguments of a function of the past.
func (c *compiler) window(n *ast.CallNode, name string, x, width operand, fewest int) (windowView, bool) {
	last := n.Arguments[len(n.Arguments)-1]
	if x.leaf.kind != channel {
		c.at(n.Arguments[0], "", "%s works on a channel", name)
		return windowView{}, false
	}
	ch := c.vocabulary.Channels[x.leaf.channel]
	if width.dim != second || width.varies || width.value <= 0 {
		c.at(last, "write it as in 30 s", "the window of %s is a fixed time", name)
		return windowView{}, false
	}
	if ch.EveryNs <= 0 {
		c.at(n.Arguments[0], "", "%s is not read at a steady rate, so it has no windows", ch.Name)
		return windowView{}, false
	}
	if most := seconds(ch.EveryNs) * mostInWindow; width.value > most {
		c.at(last, "", "a window may hold %d readings: of %s at most %s s", mostInWindow, ch.Name, quantity.AppendNumber(nil, most))
		return windowView{}, false
	}
	ns := int64(math.Round(width.value * 1e9))
	if held := ns/ch.EveryNs + 1; held < int64(fewest) {
		needed := quantity.AppendSeconds(nil, int64(fewest-1)*ch.EveryNs)
		c.at(last, fmt.Sprintf("at least %s s", needed), "this window holds %d readings of %s, %s needs %d", held, ch.Name, name, fewest)
		return windowView{}, false
	}
	w := window{channel: x.leaf.channel, width: ns, every: ch.EveryNs}
	c.condition.windows = append(c.condition.windows, w)
	return windowView{w, ch.StaleNs, fewest}, true
}

// windowed makes the quantity that of works out from a window.
func (c *compiler) windowed(ok bool, name string, dim quantity.Dimension, w windowView, s span, of func(*Recent, int) float64) operand {
	if !ok {
		return operand{}
	}
	return operand{dim: dim, varies: true, span: s, form: term("%s(%s, %d)", name, channelTerm(w.channel), w.width), number: func(f frame) float64 {
		recent, held := f.memory.look(w, f.now)
		if recent == nil {
			return math.NaN()
		}
		return known(of(recent, held))
	}}
}

// settled translates the test for rest.
func (c *compiler) settled(n *ast.CallNode, x, band, width operand) operand {
	w, ok := c.window(n, "settled", x, width, fewestForSettled)
	wanted := x.dim
	wanted.Absolute = false
	at := n.Arguments[1]
	switch {
	case band.dim != wanted:
		return c.at(at, mixHint(wanted, band.dim), "the band of settled is %s, this is %s", describe(wanted), describe(band.dim))
	case band.varies || band.value <= 0:
		return c.at(at, "write it as in 0.1 K", "the band of settled is a fixed size above zero")
	case !ok:
		return operand{}
	}
	ch := c.vocabulary.Channels[w.channel]
	// Below two digits the display itself jumps out of the band. The factor
	// forgives the rounding of 0.1 + 0.1.
	if least := 2 * ch.Display; band.value < least*(1-1e-9) {
		return c.at(at, "", "the band is below two digits of what %s shows (%.3g %s)", ch.Name, least, wanted)
	}
	size, whole := band.value, seconds(w.width)
	return operand{varies: true, truth: func(f frame) Truth {
		recent, held := f.memory.look(w, f.now)
		if recent == nil {
			return Unknown
		}
		middle, trend := mean(recent, held), slope(recent, held)*whole
		if known(trend) != trend || known(middle) != middle { // NaN or infinite
			return Unknown
		}
		if math.Abs(trend) > size {
			return False
		}
		for i := range held {
			if math.Abs(recent.reading(i)-middle) > size {
				return False
			}
		}
		return True
	}}
}
