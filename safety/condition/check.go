package condition

import (
	"errors"
	"fmt"
	"math"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

	"dwell/drivers/quantity"
)

// maxNodes bounds an expression; what a person writes has about twenty.
const maxNodes = 200

// maxPower bounds the exponents of a dimension. Physics needs 4 (W/m2K4).
const maxPower = 9

var second = quantity.Dimension{S: 1}

// compiler walks the parser's tree once, checking dimensions and building
// closures from the leaves up.
type compiler struct {
	vocabulary Vocabulary
	leaves     map[int]leaf // by offset
	faults     []Fault
	broken     bool // by a sign that has no place here: there is no sentence to look at
	condition  *Condition
}

// operand is a part of an expression: a quantity with number set, or a
// condition with truth set, or neither after a mistake.
type operand struct {
	dim    quantity.Dimension
	number func(frame) float64
	truth  func(frame) Truth
	varies bool // reads a channel or the time; else value is what it is
	value  float64
	leaf   leaf
	span   span    // of a quantity
	form   form    // the same
	can    outcome // of a condition
}

// fault records a mistake.
func (c *compiler) fault(offset, width int, text, hint string) operand {
	c.faults = append(c.faults, Fault{offset, max(width, 1), text, hint})
	return operand{}
}

// at records a mistake at a part of the tree.
func (c *compiler) at(n ast.Node, hint, format string, args ...any) operand {
	from, to := extent(n)
	return c.fault(from, to-from, fmt.Sprintf(format, args...), hint)
}

// extent is the stretch of text that a node and everything in it take.
func extent(n ast.Node) (from, to int) {
	from, to = n.Location().From, n.Location().To
	for _, part := range parts(n) {
		a, b := extent(part)
		from, to = min(from, a), max(to, b)
	}
	return from, to
}

func parts(n ast.Node) []ast.Node {
	switch n := n.(type) {
	case *ast.UnaryNode:
		return []ast.Node{n.Node}
	case *ast.BinaryNode:
		return []ast.Node{n.Left, n.Right}
	case *ast.CallNode:
		return n.Arguments
	}
	return nil
}

// compile translates the whole expression.
func (c *compiler) compile(text string) operand {
	c.leaves = map[int]leaf{}
	length := len([]rune(text))
	if length > maxLength {
		return c.fault(0, 1, fmt.Sprintf("an expression may have %d characters, this one has %d", maxLength, length), "")
	}
	masked := c.mask(text)
	if c.broken {
		return operand{}
	}
	tree, err := parse(masked)
	if err != nil && len(c.faults) > 0 {
		return operand{} // a consequence, as like as not
	}
	if err != nil {
		return c.syntax([]rune(text), err)
	}
	result := c.node(tree)
	if result.number != nil {
		return c.at(tree, "compare it with something, by < or >", "this is %s, not a condition", describe(result.dim))
	}
	if result.truth != nil {
		c.decided(tree, result.can)
	}
	return result
}

// parse runs the library's parser with all its own functions off. Should it
// break, that is an error like any other.
func parse(masked string) (n ast.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			n, err = nil, fmt.Errorf("%v", p)
		}
	}()
	config := conf.CreateNew()
	config.MaxNodes = maxNodes
	for name := range config.Builtins {
		config.Disabled[name] = true
	}
	tree, err := parser.ParseWithConfig(masked, config)
	if err != nil {
		return nil, err
	}
	return tree.Node, nil
}

// syntax reports what the parser stumbled over.
func (c *compiler) syntax(text []rune, err error) operand {
	var e *file.Error
	switch {
	case !errors.As(err, &e):
		return c.fault(0, 1, "not readable: "+err.Error(), "")
	case len(c.leaves) == 0:
		return c.fault(0, 1, "there is nothing to compare in this expression", "")
	case e.Message == "compilation failed: expression exceeds maximum allowed nodes":
		return c.fault(0, 1, fmt.Sprintf("this expression has more than %d parts", maxNodes), "")
	case e.From >= len(text) || e.To >= len(text) && e.From == len(text)-1 && e.Message == "unexpected token EOF":
		return c.fault(max(len(text)-1, 0), 1, "the expression ends too early", "something is missing, or a parenthesis is not closed")
	}
	from := max(e.From, 0)
	to := min(max(e.To, from+1), len(text))
	if x, ok := c.leaves[from]; ok && x.kind == constant {
		return c.fault(from, to-from, fmt.Sprintf("%q is not expected here", string(text[from:to])), "an operator may be missing")
	}
	return c.fault(from, to-from, fmt.Sprintf("%q is not expected here", string(text[from:to])), "")
}

// node translates one node of the tree.
func (c *compiler) node(n ast.Node) operand {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		if x, ok := c.leaves[n.Location().From]; ok {
			return c.leaf(n, x)
		}
	case *ast.UnaryNode:
		return c.unary(n)
	case *ast.BinaryNode:
		return c.binary(n)
	case *ast.CallNode:
		callee, ok := n.Callee.(*ast.IdentifierNode)
		if ok && isFunction(callee.Value) {
			return c.call(n, callee.Value)
		}
		if len(c.faults) > 0 {
			return operand{}
		}
	}
	return c.at(n, "", "this has no place in a condition")
}

// leaf translates a channel, a number or the time of the step.
func (c *compiler) leaf(n ast.Node, x leaf) operand {
	o := operand{dim: x.dim, varies: true, leaf: x, span: anywhere}
	switch x.kind {
	case constant:
		value := x.value
		o.varies, o.value, o.span, o.form = false, value, span{value, value}, fixed(value)
		o.number = func(frame) float64 { return value }
	case elapsed:
		o.span.low, o.form = 0, term("elapsed")
		o.number = func(f frame) float64 {
			if f.now < f.since {
				return math.NaN()
			}
			return seconds(f.now - f.since)
		}
	case excused:
		return operand{}
	case channel:
		ch := c.vocabulary.Channels[x.channel]
		if ch.StaleNs <= 0 {
			return c.at(n, "", "%s is not read regularly, so nothing can depend on it", ch.Name)
		}
		c.condition.reads = append(c.condition.reads, x.channel)
		o.span, o.form = ch.span(), term("%s", channelTerm(x.channel))
		index, stale := x.channel, ch.StaleNs
		o.number = func(f frame) float64 { return f.memory.latest(index, f.now, stale) }
	}
	return o
}

// unary translates a minus or a not.
func (c *compiler) unary(n *ast.UnaryNode) operand {
	x := c.node(n.Node)
	if x.number == nil && x.truth == nil {
		return x
	}
	switch {
	case n.Operator == "not" && x.truth == nil:
		return c.at(n, "put the condition in parentheses, as in not (a > b)", "not needs a condition, this is %s", describe(x.dim))
	case n.Operator == "not":
		truth := x.truth
		return operand{varies: true, can: x.can.not(), truth: func(f frame) Truth { return not(truth(f)) }}
	case n.Operator != "-":
		return c.at(n, "", "%q is not expected here", n.Operator)
	case x.truth != nil:
		return c.at(n, "", "a condition has no negative")
	case x.dim.Absolute:
		return c.at(n, "a difference is written in K", "a temperature in degC has no negative")
	}
	number := x.number
	return c.quantity(n, x.dim, x.varies, x.span.negative(), x.form.scaled(-1), func(f frame) float64 { return -number(f) })
}

// quantity makes an operand; one that cannot change is worked out at once.
func (c *compiler) quantity(n ast.Node, dim quantity.Dimension, varies bool, s span, of form, number func(frame) float64) operand {
	if varies {
		if len(of.terms) == 0 {
			s = span{of.rest, of.rest} // whenever it is known
		}
		return operand{dim: dim, varies: true, number: number, span: s, form: of}
	}
	value := number(frame{})
	if math.IsNaN(value) {
		return c.at(n, "", "this calculation has no finite result")
	}
	return operand{dim: dim, value: value, span: span{value, value}, form: fixed(value), number: func(frame) float64 { return value }}
}

// binary translates an operator with two sides.
func (c *compiler) binary(n *ast.BinaryNode) operand {
	a, b := c.node(n.Left), c.node(n.Right)
	isUnknown := a.number == nil && a.truth == nil || b.number == nil && b.truth == nil
	switch n.Operator {
	case "and", "or", "&&": // && is how the parser joins a chain of comparisons
		return c.logic(n, a, b)
	case "<", "<=", ">", ">=", "+", "-", "*", "/":
	default:
		return c.at(n, "", "%q is not used here", n.Operator)
	}
	if isUnknown {
		return operand{}
	}
	for _, side := range [...]struct {
		o operand
		n ast.Node
	}{{a, n.Left}, {b, n.Right}} {
		if side.o.truth != nil {
			return c.at(side.n, "", "%s works on quantities, this is a condition", n.Operator)
		}
	}
	switch n.Operator {
	case "+", "-":
		return c.sum(n, a, b)
	case "*", "/":
		return c.product(n, a, b)
	}
	return c.comparison(n, a, b)
}

// logic translates and, or.
func (c *compiler) logic(n *ast.BinaryNode, a, b operand) operand {
	if a.number != nil {
		return c.at(n.Left, "compare it with something, by < or >", "%s works on conditions, this is %s", n.Operator, describe(a.dim))
	}
	if b.number != nil {
		return c.at(n.Right, "compare it with something, by < or >", "%s works on conditions, this is %s", n.Operator, describe(b.dim))
	}
	left, right := a.truth, b.truth
	if left == nil || right == nil {
		return operand{}
	}
	if n.Operator == "or" {
		return operand{varies: true, can: a.can.or(b.can), truth: func(f frame) Truth { return not(both(not(left(f)), not(right(f)))) }}
	}
	return operand{varies: true, can: a.can.and(b.can), truth: func(f frame) Truth { return both(left(f), right(f)) }}
}

// not and both are Kleene's three-valued logic.
func not(a Truth) Truth {
	switch a {
	case True:
		return False
	case False:
		return True
	}
	return Unknown
}

func both(a, b Truth) Truth {
	switch {
	case a == False || b == False:
		return False
	case a == True && b == True:
		return True
	}
	return Unknown
}

// sum translates plus and minus.
func (c *compiler) sum(n *ast.BinaryNode, a, b operand) operand {
	plus := n.Operator == "+"
	dim := a.dim
	switch kelvin := (quantity.Dimension{K: 1}); {
	case a.dim.Absolute && b.dim.Absolute && !plus:
		dim = kelvin
	case a.dim.Absolute && b.dim == kelvin:
	case b.dim.Absolute && a.dim == kelvin && plus:
		dim = b.dim
	case a.dim.Absolute && b.dim.Absolute:
		return c.at(n, "a rise is written in K", "two temperatures in degC cannot be added")
	case a.dim != b.dim:
		return c.at(n, mixHint(a.dim, b.dim), "%s and %s cannot be %s", describe(a.dim), describe(b.dim),
			map[bool]string{true: "added", false: "subtracted"}[plus])
	}
	left, right := a.number, b.number
	if plus {
		return c.quantity(n, dim, a.varies || b.varies, a.span.plus(b.span), a.form.plus(b.form), func(f frame) float64 { return known(left(f) + right(f)) })
	}
	return c.quantity(n, dim, a.varies || b.varies, a.span.plus(b.span.negative()), a.form.plus(b.form.scaled(-1)), func(f frame) float64 { return known(left(f) - right(f)) })
}

// product translates times and divided by.
func (c *compiler) product(n *ast.BinaryNode, a, b operand) operand {
	if a.dim.Absolute || b.dim.Absolute {
		return c.at(n, "subtract another temperature first, or write a difference in K", "a temperature in degC cannot be multiplied or divided")
	}
	left, right := a.number, b.number
	s, of := a.span.times(b.span), a.form.times(b.form)
	dim, number := a.dim.Mul(b.dim), func(f frame) float64 { return known(left(f) * right(f)) }
	if n.Operator == "/" {
		dim, number = a.dim.Div(b.dim), func(f frame) float64 { return known(left(f) / right(f)) }
		if len(b.form.terms) == 0 && b.form.rest == 0 {
			return c.at(n.Right, "", "division by zero")
		}
		s, of = a.span.over(b.span), a.form.over(b.form)
	}
	for _, power := range [...]int8{dim.S, dim.M, dim.KG, dim.A, dim.K} {
		if power > maxPower || power < -maxPower {
			return c.at(n, "", "no quantity has the dimension of this")
		}
	}
	return c.quantity(n, dim, a.varies || b.varies, s, of, number)
}

// comparison translates < <= > >=.
func (c *compiler) comparison(n *ast.BinaryNode, a, b operand) operand {
	if a.dim != b.dim {
		return c.at(n, mixHint(a.dim, b.dim), "%s is compared with %s", describe(a.dim), describe(b.dim))
	}
	if !a.varies && !b.varies {
		return c.at(n, "name a channel on one side", "this comparison can never change")
	}
	if d := a.form.plus(b.form.scaled(-1)); len(d.terms) == 0 && d.rest == 0 {
		return c.at(n, "compare it with something else", "both sides are the same: this comparison can never change")
	}
	compare := map[string]func(x, y float64) bool{
		"<":  func(x, y float64) bool { return x < y },
		"<=": func(x, y float64) bool { return x <= y },
		">":  func(x, y float64) bool { return x > y },
		">=": func(x, y float64) bool { return x >= y },
	}[n.Operator]
	left, right := a.number, b.number
	return operand{varies: true, can: compared(n.Operator, a, b), truth: func(f frame) Truth {
		x, y := left(f), right(f)
		switch {
		case x != x || y != y:
			return Unknown
		case compare(x, y):
			return True
		}
		return False
	}}
}

// describe names a dimension in a message.
func describe(d quantity.Dimension) string {
	switch unit := d.String(); unit {
	case "1":
		return "a plain number"
	case "degC":
		return "a temperature (degC)"
	case "K":
		return "a difference of temperatures (K)"
	default:
		return "a quantity in " + unit
	}
}

// mixHint says what to do about two dimensions that do not go together.
func mixHint(a, b quantity.Dimension) string {
	plain := quantity.Dimension{}
	switch {
	case a.Absolute != b.Absolute && a.K == 1 && b.K == 1 && a.S == b.S:
		return "a temperature is written in degC, a difference in K"
	case a.K == 1 && b.K == 1 && a.S != b.S:
		return "a rate is written in K/min"
	case a == plain || b == plain:
		return "write the number with its unit"
	}
	return ""
}
