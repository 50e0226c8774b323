package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
	"dwell/safety/condition"
)

// This file reads single values of a protocol: quantities and the names that stand
// for them, times, words, ranges.

// Dimensions a protocol speaks of.
var (
	plain      = quantity.Dimension{}
	inSeconds  = quantity.Dimension{S: 1}
	inDegC     = quantity.Dimension{K: 1, Absolute: true}
	inKelvin   = quantity.Dimension{K: 1}
	inKPerS    = quantity.Dimension{K: 1, S: -1}
	inOhm      = quantity.Dimension{KG: 1, M: 2, S: -3, A: -2}
	inVolt     = quantity.Dimension{KG: 1, M: 2, S: -3, A: -1}
	inAmpere   = quantity.Dimension{A: 1}
	inWatt     = quantity.Dimension{KG: 1, M: 2, S: -3}
	anything   = quantity.Dimension{S: math.MinInt8} // of what it is about nothing is known
	inJoule    = quantity.Dimension{KG: 1, M: 2, S: -2}
	dimensions = map[quantity.Dimension]string{plain: "a plain number", inSeconds: "a time", inDegC: "a temperature in degC",
		inKelvin: "a difference in K", inKPerS: "a rate in K/min", inOhm: "a resistance", inVolt: "a voltage",
		inAmpere: "a current", inWatt: "a power", inJoule: "an energy"}
)

// difference is the dimension of a difference of two values.
func difference(d quantity.Dimension) quantity.Dimension {
	d.Absolute = false
	return d
}

func describe(d quantity.Dimension) string {
	if text, ok := dimensions[d]; ok {
		return text
	}
	return "a value in " + d.String()
}

// value is a quantity where the protocol uses it. From is where its name was given
// a meaning, nil if it was written out.
type value struct {
	quantity.Quantity
	node *yamltext.Node
	name string
	from *yamltext.Node
}

// wrong records a mistake at a node. In the later passes of a loop it says so. What
// was recorded before gets no second note.
func (c *compiler) wrong(n *yamltext.Node, format string, args ...any) *yamltext.Mistake {
	before := c.m.Len()
	x := c.m.Add(c.doc, n, format, args...)
	if c.m.Len() == before {
		return new(yamltext.Mistake)
	}
	if c.again != nil {
		x.Note(c.doc, c.again, "so it is when this loop comes round again")
	}
	return x
}

// warn says once of a node what is no mistake and will probably not go well.
func (c *compiler) warn(n *yamltext.Node, format string, args ...any) {
	text := fmt.Sprintf("line %d: ", n.Pos.Line) + fmt.Sprintf(format, args...)
	if !slices.Contains(c.plan.Summary.Warnings, text) {
		c.plan.Summary.Warnings = append(c.plan.Summary.Warnings, text)
	}
}

// wrongValue records a mistake about a value, and where its name got that meaning. Of
// the values of a loop the first that is wrong is enough; of one that could not be read
// there is nothing to say. What else is wrong with the same value is a note on it.
func (c *compiler) wrongValue(v value, format string, args ...any) *yamltext.Mistake {
	key := said{v.node, format}
	if v.from != nil && c.said[key] || c.muted != nil || v.node == nil {
		return new(yamltext.Mistake)
	}
	c.said[key] = true
	at := wrongAt{v.node, v.Value}
	if first, text := c.wrongValues[at], fmt.Sprintf(format, args...); first != nil && text != first.Text {
		return first.Note(c.doc, v.node, "also, "+text)
	}
	x := c.wrong(v.node, format, args...)
	c.wrongValues[at] = x
	if v.from != nil {
		x.Note(c.doc, v.from, v.name+" is "+v.Quantity.String()+" then")
	}
	return x
}

// wrongAt is a value where it stands.
type wrongAt struct {
	node  *yamltext.Node
	value float64
}

// table reads a mapping with known keys; those after a "!" must be there.
func (c *compiler) table(n *yamltext.Node, keys ...string) map[string]*yamltext.Node {
	if n == nil {
		return nil
	}
	known := make([]string, len(keys))
	for i, k := range keys {
		known[i] = strings.TrimPrefix(k, "!")
	}
	if key := c.keyAt(n); n.Kind != yamltext.Mapping {
		hint := c.asIn(key)
		if line, ok := writtenAs["- "+key]; ok {
			hint = "write it as in " + line
		}
		c.wrong(n, "a table of keys is expected here, not %s", n.Kind).Hint(hint)
		return nil
	}
	t := c.doc.Table(n, c.m, known...)
	var missing []string
	for _, k := range keys {
		if name, must := strings.CutPrefix(k, "!"); must && t != nil && t[name] == nil && !yamltext.IsMisspelt(n, known, name) {
			missing = append(missing, name)
		}
	}
	if len(missing) == 1 && len(n.Pairs) > len(t) {
		return t // a key that is not known, and told already, stands in its place
	}
	for _, name := range missing {
		c.wrong(n, "%q is missing here", name).Hint(c.asIn(name))
	}
	return t
}

// keyAt is the key that a value of the protocol stands behind: of a section, or the verb
// of a step.
func (c *compiler) keyAt(n *yamltext.Node) string {
	if c.doc.Root != nil {
		for _, p := range c.doc.Root.Pairs {
			if p.Value == n {
				return p.Key.Text
			}
		}
	}
	if c.at != nil && n.Pos.Line == c.at.Pos.Line {
		return c.at.Text
	}
	return ""
}

// asIn shows how a key that is missing is written.
func (c *compiler) asIn(name string) string {
	verb := ""
	if c.at != nil {
		verb = c.at.Text
	}
	for _, key := range []string{verb + " " + name, name} {
		if text, ok := writtenAs[key]; ok {
			return "write it as in " + text
		}
	}
	return ""
}

// writtenAs are lines to copy, by key, or by step and key.
var writtenAs = map[string]string{
	"record": "record: {plate.temperature: 1 s}", "let": "let: {low: 20 degC}", "limits": "limits: {plate.temperature: {below: 60 degC}}",
	"format": "format: 1", "title": "title: Staircase up and down", "ends": "ends: {at most: 3 h}", "at most": "at most: 15 min",
	"steps":      "steps: and below it, with a dash, - hold: 2 min",
	"specimen":   "confirm: {specimen: LC-07, resistance within: 20 %}",
	"instrument": "instrument: meter", "compliance": "compliance: 2 V", "read": "read: [element.voltage, element.current]",
	"- bring": "bring: {plate to: 30 degC, at most: 20 min}", "- repeat": "repeat: {times: 3}", "- group": "group: {as: warm-up}",
	"- ramp": "ramp: {plate from: 20 degC, to: 40 degC, at: 2 K/min}", "- lift": "lift: {to: cold block}", "- confirm": "confirm: {specimen: LC-07, resistance within: 20 %}",
	"- source": "source: {instrument: meter, current: 10 uA, compliance: 2 V}",
	"- sweep":  "sweep: {instrument: meter, current: -10 uA to 10 uA by 5 uA, read: [element.voltage, element.current]}",
	"as":       "group: {as: warm-up}", "times": "repeat: {times: 3}", "until": `hold: {until: "plate.temperature > 30 degC", at most: 15 min}`,
	"when": `when: "plate.temperature > 60 degC"`, "then": "then: trip", "lift to": "lift: {to: cold block}",
	"ramp to": "ramp: {plate from: 20 degC, to: 40 degC, at: 2 K/min}", "at": "at: 2 K/min", "ask to": "ask: {to: close the lid, at most: 10 min}",
}

// pairs are the entries of a mapping whose keys are names.
func (c *compiler) pairs(n *yamltext.Node) []yamltext.Pair {
	if n == nil {
		return nil
	}
	if n.Kind != yamltext.Mapping {
		c.wrong(n, "a table of keys is expected here, not %s", n.Kind).Hint(c.asIn(c.keyAt(n)))
		return nil
	}
	return n.Pairs
}

func (c *compiler) items(n *yamltext.Node) []*yamltext.Node {
	if n == nil {
		return nil
	}
	items, _ := c.doc.List(n, c.m)
	return items
}

func (c *compiler) text(n *yamltext.Node) string {
	if n == nil {
		return ""
	}
	text, _ := c.doc.Scalar(n, c.m)
	return text
}

func (c *compiler) flag(n *yamltext.Node) bool {
	if n == nil {
		return false
	}
	v, _ := c.doc.Bool(n, c.m)
	return v
}

// word reads one of the known words; "" when it is none.
func (c *compiler) word(n *yamltext.Node, what string, known ...string) string {
	text := c.text(n)
	for _, k := range known {
		if k == text {
			return text
		}
	}
	if text != "" {
		c.unknown(n, what, text, known)
	}
	return ""
}

// unknown says that a word is not known, and which is near.
func (c *compiler) unknown(n *yamltext.Node, what, text string, known []string) {
	x := c.wrong(n, "%q is no %s", text, what)
	switch near := yamltext.Nearest(text, known); {
	case near != "":
		x.Hint("did you mean " + near + "?")
	case condition.Related(text, known) != "":
		x.Hint("did you mean " + condition.Related(text, known) + "?")
	case len(known) == 0:
		x.Hint("there is none here")
	default:
		x.Hint("known here: " + strings.Join(known, ", "))
	}
}

// isName is whether a word can be a name in a protocol: letters, digits and _, and
// nothing that means something else in an expression.
func isName(word string) bool {
	for i, r := range word {
		if r != '_' && !unicode.IsLetter(r) && (i == 0 || !unicode.IsDigit(r)) {
			return false
		}
	}
	return word != ""
}

func beginsWithLetter(text string) bool {
	for _, r := range text {
		return unicode.IsLetter(r)
	}
	return false
}

// quantity reads a quantity, or a name that stands for one.
func (c *compiler) quantity(n *yamltext.Node) (value, bool) {
	text := c.text(n)
	if text == "" {
		return value{}, false
	}
	if given, ok := c.names[text]; ok {
		if given.Unit.Symbol == "" {
			return value{}, false
		}
		return value{given.Quantity, n, text, given.from}, true
	}
	q, err := quantity.Parse(text)
	var e *quantity.Error
	switch {
	case err == nil:
		return value{Quantity: q, node: n}, true
	case isName(text) && c.lostNames:
	case strings.Contains(text, " to "):
		c.wrong(n, "one quantity is expected here, %q is a range", text)
	case beginsWithLetter(text):
		x := c.wrong(n, "%q is neither a quantity nor a name that was given", text)
		if near := yamltext.Nearest(text, c.nameList()); near != "" {
			x.Hint("did you mean " + near + "?")
		} else {
			x.Hint("write it as in 20 degC, or give the name a value under let")
		}
	case strings.Contains(text, "\u00a0"):
		c.wrong(n, "%q has a space in it that is no plain one", text).Hint("type it again: " + strings.ReplaceAll(text, "\u00a0", " "))
	case strings.HasPrefix(text, "–") || strings.HasPrefix(text, "—"):
		c.wrong(n, "%q begins with a dash that is no minus sign", text).Hint("write -")
	case strings.Trim(text, ":0123456789") == "":
		c.wrong(n, "%q is no quantity", text).Hint("write a time with its unit, as in 90 s, 5 min or 2 h")
	case errors.As(err, &e):
		c.wrong(n, "%s", e.Text).Hint(e.Hint)
	}
	return value{}, false
}

// value reads a quantity of a dimension.
func (c *compiler) value(n *yamltext.Node, dim quantity.Dimension) (value, bool) {
	if n == nil {
		return value{}, false
	}
	v, ok := c.quantity(n)
	if !ok || v.Unit.Dim == dim || dim == anything {
		return v, ok
	}
	if key := (said{v.from, describe(dim)}); v.from != nil {
		if c.said[key] {
			return value{}, false // of a name with a wrong meaning the first use is enough
		}
		c.said[key] = true
	}
	x := c.wrongValue(v, "%s is expected here, not %q", describe(dim), n.Text)
	switch {
	case dim == plain:
		x.Hint("a share of something is written as in 20 %")
	case difference(v.Unit.Dim) == difference(dim) && dim.Absolute:
		x.Hint("K is a difference of temperatures; a temperature is written in degC")
	case difference(v.Unit.Dim) == difference(dim):
		x.Hint("degC is a temperature; a difference is written in K")
	case v.Unit.Dim == plain && dim != plain && v.from == nil:
		x.Hint("write the unit, as in " + n.Text + " " + dim.String())
	case v.Unit.Dim == plain && dim != plain:
		x.Hint("write the unit there, as in " + v.Quantity.String() + " " + dim.String())
	case dim == inSeconds && v.Unit.Symbol == "m":
		x.Hint("m is the metre; a minute is written min")
	case dim == inSeconds && v.Unit.Symbol == "Hz" && v.Value > 0:
		x.Hint("write the time from one to the next: " + near(1/v.Value, inSeconds))
	case dim == inKPerS && v.Unit.Dim == inKelvin:
		x.Hint("write it as in " + v.Quantity.String() + "/min")
	}
	return value{}, false
}

// positive reads a quantity above zero; otherwise it returns 0.
func (c *compiler) positive(n *yamltext.Node, dim quantity.Dimension) float64 {
	v, ok := c.value(n, dim)
	if ok && !(v.Value > 0) {
		c.wrongValue(v, "a value above zero is expected here, not %q", n.Text)
		return 0
	}
	return v.Value
}

// longest is the longest time that is taken for meant, in s. What is longer is a
// slip of the unit, and whatever is in a plan must be countable in nanoseconds.
const longest = 366 * 86400

// time reads a time above zero, in ns; 0 when there is none.
func (c *compiler) time(n *yamltext.Node) int64 {
	if n == nil {
		return 0
	}
	s := c.positive(n, inSeconds)
	if s > longest {
		c.wrong(n, "%q is longer than a year", n.Text)
		return 0
	}
	if ns := int64(math.Round(s * 1e9)); ns > 0 || s == 0 {
		return ns
	}
	return 1
}

// mostValues bounds what one range or list may stand for.
const mostValues = 10_000

// values reads a range, as in "20 degC to 40 degC by 5 K", or a list. The values of
// a range are rounded to 12 digits, so that 20.1 + 0.1 is 20.2.
func (c *compiler) values(n *yamltext.Node) []value {
	if n == nil {
		return nil
	}
	if n.Kind == yamltext.Sequence {
		var all []value
		for _, item := range n.Items {
			if v, ok := c.quantity(item); ok {
				all = append(all, v)
			}
		}
		if len(n.Items) == 0 {
			c.wrong(n, "this list is empty")
		}
		return c.alike(all)
	}
	text := c.text(n)
	if text == "" {
		return nil
	}
	first, rest, ok := strings.Cut(text, " to ")
	last, step, ok2 := strings.Cut(rest, " by ")
	if ok && !ok2 {
		c.wrong(n, "the step of this range is missing").Hint("write it behind the range, as in 20 degC to 40 degC by 5 K")
		return nil
	}
	if !ok || !ok2 {
		c.wrong(n, "%q is neither a range nor a list", text).Hint("write 20 degC to 40 degC by 5 K, or [20 degC, 30 degC]")
		return nil
	}
	return c.span(n, c.part(n, 0, first), c.part(n, len(first)+4, last), c.part(n, len(first)+len(last)+8, step))
}

// part makes a node of a part of a scalar, so that mistakes point into it. The
// offset is in bytes.
func (c *compiler) part(n *yamltext.Node, offset int, text string) *yamltext.Node {
	trimmed := strings.TrimLeft(text, " ")
	offset += len(text) - len(trimmed)
	trimmed = strings.TrimRight(trimmed, " ")
	pos, width := c.doc.Inside(n, len([]rune(n.Text[:offset])), len([]rune(trimmed)))
	return &yamltext.Node{Text: trimmed, Pos: pos, Width: width}
}

func (c *compiler) span(n, first, last, step *yamltext.Node) []value {
	from, ok1 := c.quantity(first)
	to, ok2 := c.quantity(last)
	by, ok3 := c.quantity(step)
	for _, end := range [...]value{from, to} { // an end that is wrong hides no wrong step
		if ok3 && end.node != nil && end.Unit.Dim != plain {
			_, ok3 = c.value(step, difference(end.Unit.Dim))
			break
		}
	}
	if !ok1 || !ok2 {
		return nil
	}
	if from.Unit.Dim == plain && to.Unit.Dim != plain {
		c.wrongValue(from, "%s is expected here, not %q", describe(to.Unit.Dim), first.Text).Hint("write the unit, as in " + first.Text + " " + to.Unit.Symbol)
		c.value(step, difference(to.Unit.Dim))
		return nil
	}
	if to.Unit.Dim != from.Unit.Dim {
		c.value(last, from.Unit.Dim)
		c.value(step, difference(from.Unit.Dim))
		return nil
	}
	if !ok3 {
		return nil
	}
	if from.Unit.Dim == plain {
		if _, ok := c.value(step, plain); !ok {
			return nil
		}
	}
	length := math.Abs(to.Value - from.Value)
	if !(by.Value > 0) {
		c.wrongValue(by, "the step of a range is above zero, also on the way down")
		return nil
	}
	steps := math.Round(length / by.Value)
	if steps >= mostValues {
		c.wrong(n, "this range has more than %d values", mostValues)
		return nil
	}
	if math.Abs(steps*by.Value-length) > 1e-9*length {
		c.wrongValue(by, "steps of %s do not lead from %s to %s", by.Quantity, from.Quantity, to.Quantity).
			Hint("choose a step that divides " + quantity.Quantity{Value: round12(length), Unit: by.Unit}.String())
		return nil
	}
	all := make([]value, 0, int(steps)+1)
	for k := range int(steps) + 1 {
		v := from.Value + math.Copysign(float64(float64(k)*by.Value), to.Value-from.Value)
		if math.Abs(v) < 1e-9*by.Value {
			v = 0
		}
		all = append(all, value{quantity.Quantity{Value: round12(v), Unit: from.Unit}, n, "", nil})
	}
	return all
}

// round12 rounds to 12 significant digits.
func round12(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 11, 64), 64)
	if err != nil {
		return v
	}
	return r
}

// alike makes sure that all values are of one dimension.
func (c *compiler) alike(all []value) []value {
	for _, v := range all {
		if v.Unit.Dim != all[0].Unit.Dim {
			x := c.wrongValue(v, "%s is expected here, as at the beginning of the list, not %s", describe(all[0].Unit.Dim), v.Quantity)
			if v.Unit.Dim == plain {
				x.Hint("write its unit as well")
			}
			return nil
		}
	}
	return all
}

// near writes a value for a person.
func near(v float64, d quantity.Dimension) string { return quantity.Near(v, d) }

// span writes a time for a person.
func spanText(s float64) string {
	switch {
	case s < 120:
		return strconv.FormatFloat(math.Round(s*10)/10, 'g', -1, 64) + " s"
	case s < 2*3600:
		return strconv.FormatFloat(math.Round(s/6)/10, 'g', -1, 64) + " min"
	}
	return strconv.FormatFloat(math.Round(s/360)/10, 'g', -1, 64) + " h"
}
