package rig

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// Dimensions that files of this room speak of.
var (
	plain     = quantity.Dimension{}
	inSeconds = quantity.Dimension{S: 1}
	inHertz   = quantity.Dimension{S: -1}
	inDegC    = quantity.Dimension{K: 1, Absolute: true}
	inKelvin  = quantity.Dimension{K: 1}
	perKelvin = quantity.Dimension{K: -1}
	inKPerS   = quantity.Dimension{K: 1, S: -1}
	inMetre   = quantity.Dimension{M: 1}
	inPascal  = quantity.Dimension{KG: 1, M: -1, S: -2}
	inOhm     = quantity.Dimension{KG: 1, M: 2, S: -3, A: -2}
	inVolt    = quantity.Dimension{KG: 1, M: 2, S: -3, A: -1}
	inAmpere  = quantity.Dimension{A: 1}
	inWatt    = quantity.Dimension{KG: 1, M: 2, S: -3}
	inJoule   = quantity.Dimension{KG: 1, M: 2, S: -2}
	inContact = quantity.Dimension{KG: 1, S: -3, K: -1}
	anything  = quantity.Dimension{S: math.MinInt8} // of what it is about nothing is known
)

// difference is the dimension of a difference of two values.
func difference(d quantity.Dimension) quantity.Dimension {
	d.Absolute = false
	return d
}

// format is the edition of all files of this room.
const format = 1

// reader reads the values of one file and collects what is wrong with them. Its
// methods take a nil node for a key that is not there, and then return zero values.
type reader struct {
	doc *yamltext.Document
	m   *yamltext.Mistakes
}

// place is where a node stands, for people: file:line:col.
func (r reader) place(n *yamltext.Node) string {
	return fmt.Sprintf("%s:%d:%d", r.doc.Name, n.Pos.Line, n.Pos.Column)
}

func (r reader) wrong(n *yamltext.Node, text string, args ...any) *yamltext.Mistake {
	return r.m.Add(r.doc, n, text, args...)
}

// table reads a mapping with known keys; those after a "!" must be there.
func (r reader) table(n *yamltext.Node, keys ...string) map[string]*yamltext.Node {
	if n == nil {
		return nil
	}
	var known []string
	for _, k := range keys {
		known = append(known, strings.TrimPrefix(k, "!"))
	}
	t := r.doc.Table(n, r.m, known...)
	if t == nil {
		return nil
	}
	var missing []string
	for _, k := range keys {
		if name, must := strings.CutPrefix(k, "!"); must && t[name] == nil && !yamltext.IsMisspelt(n, known, name) {
			missing = append(missing, name)
		}
	}
	if len(missing) == 1 && len(n.Pairs) > len(t) {
		return t // a key that is not known, and told already, stands in its place
	}
	for _, name := range missing {
		r.wrong(n, "%q is missing here", name)
	}
	return t
}

// entries are the pairs of a mapping whose keys are names.
func (r reader) entries(n *yamltext.Node) []yamltext.Pair {
	if n == nil {
		return nil
	}
	if n.Kind != yamltext.Mapping {
		r.wrong(n, "a table of keys is expected here, not %s", n.Kind)
		return nil
	}
	return n.Pairs
}

func (r reader) items(n *yamltext.Node) []*yamltext.Node {
	if n == nil {
		return nil
	}
	items, _ := r.doc.List(n, r.m)
	return items
}

// oneOrMore takes one value for a list of one.
func (r reader) oneOrMore(n *yamltext.Node) []*yamltext.Node {
	if n == nil || n.Kind == yamltext.Sequence {
		return r.items(n)
	}
	return []*yamltext.Node{n}
}

func (r reader) text(n *yamltext.Node) string {
	if n == nil {
		return ""
	}
	text, _ := r.doc.Scalar(n, r.m)
	return text
}

// texts reads one text or a list of them.
func (r reader) texts(n *yamltext.Node) []string {
	var all []string
	for _, item := range r.oneOrMore(n) {
		if text := r.text(item); text != "" {
			all = append(all, text)
		}
	}
	return all
}

// oneOf reads a word that must be known, and returns its place among the known ones,
// or -1.
func (r reader) oneOf(n *yamltext.Node, what string, known []string) int {
	if n == nil {
		return -1
	}
	text := r.text(n)
	for i, k := range known {
		if k == text {
			return i
		}
	}
	if text != "" {
		r.unknown(n, what, text, known)
	}
	return -1
}

// unknown says that a word is not known, and which is near.
func (r reader) unknown(n *yamltext.Node, what, text string, known []string) *yamltext.Mistake {
	x := r.wrong(n, "%q is no %s", text, what)
	if near := yamltext.Nearest(text, known); near != "" {
		return x.Hint("did you mean " + near + "?")
	}
	if len(known) == 0 {
		return x.Hint("there is none here")
	}
	return x.Hint("known here: " + strings.Join(known, ", "))
}

// quantity reads a value of a dimension.
func (r reader) quantity(n *yamltext.Node, dim quantity.Dimension) (quantity.Quantity, bool) {
	if n == nil {
		return quantity.Quantity{}, false
	}
	text, ok := r.doc.Scalar(n, r.m)
	if !ok {
		return quantity.Quantity{}, false
	}
	q, err := quantity.Parse(text)
	var qe *quantity.Error
	switch {
	case errors.As(err, &qe):
		r.wrong(n, "%s", qe.Text).Hint(qe.Hint)
		return q, false
	case q.Unit.Dim == dim || dim == anything:
		return q, true
	}
	x := r.wrong(n, "%s is expected here, not %q", named(dim), text)
	switch {
	case difference(q.Unit.Dim) == difference(dim) && dim.Absolute:
		x.Hint("K is a difference of temperatures; a temperature is written in degC")
	case difference(q.Unit.Dim) == difference(dim):
		x.Hint("degC is a temperature; a difference is written in K")
	case dim == plain:
		x.Hint("without a unit, or as a share, such as 20 %")
	case q.Unit.Dim == plain:
		if dim == inMetre { // on a bench hardly anything is measured in metres
			x.Hint("write the unit, such as um or mm")
		} else {
			x.Hint("write the unit, such as " + text + " " + dim.String())
		}
	}
	return q, false
}

// named says what a dimension is.
func named(dim quantity.Dimension) string {
	for _, known := range []struct {
		dim  quantity.Dimension
		text string
	}{{plain, "a plain number"}, {inSeconds, "a time"}, {inDegC, "a temperature in degC"}, {inKelvin, "a difference in K"},
		{inOhm, "a resistance"}, {inVolt, "a voltage"}, {inAmpere, "a current"}, {inWatt, "a power"}, {inJoule, "an energy"}, {inMetre, "a length"}} {
		if known.dim == dim {
			return known.text
		}
	}
	return "a value in " + dim.String()
}

// value reads a value of a dimension in canonical units; 0 when there is none.
func (r reader) value(n *yamltext.Node, dim quantity.Dimension) float64 {
	q, _ := r.quantity(n, dim)
	return q.Value
}

// positive reads a value above zero; otherwise it returns 0.
func (r reader) positive(n *yamltext.Node, dim quantity.Dimension) float64 {
	q, ok := r.quantity(n, dim)
	if ok && !(q.Value > 0) {
		r.wrong(n, "a value above zero is expected here, not %q", n.Text)
	}
	if !ok || !(q.Value > 0) {
		return 0
	}
	return q.Value
}

// span reads a time of at least zero.
func (r reader) span(n *yamltext.Node) clock.Instant {
	q, ok := r.quantity(n, inSeconds)
	switch {
	case !ok:
		return 0
	case q.Value < 0 || q.Value > 366*86400: // a year: above it, a slip of the unit
		r.wrong(n, "%q is no time that dwell waits", n.Text)
		return 0
	}
	return clock.Instant(math.Round(q.Value * 1e9))
}

// whole reads a whole number.
func (r reader) whole(n *yamltext.Node, least, most int) int {
	if n == nil {
		return 0
	}
	v, _ := r.doc.Int(n, r.m, least, most)
	return v
}

// flag reads true or false; false when there is none.
func (r reader) flag(n *yamltext.Node) bool {
	if n == nil {
		return false
	}
	v, _ := r.doc.Bool(n, r.m)
	return v
}

// number reads a number without a unit: one in the instrument's own words.
func (r reader) number(n *yamltext.Node) float64 {
	if n == nil {
		return 0
	}
	v, err := quantity.ParseNumber(r.text(n))
	var qe *quantity.Error
	if errors.As(err, &qe) {
		r.wrong(n, "%s", qe.Text).Hint(qe.Hint)
	}
	return v
}

// unit reads a unit's symbol.
func (r reader) unit(n *yamltext.Node) quantity.Unit {
	text := r.text(n)
	if text == "" {
		return quantity.Unit{}
	}
	u, ok := quantity.LookUp(text)
	if !ok {
		var symbols []string
		for _, k := range quantity.Units() {
			symbols = append(symbols, k.Symbol)
		}
		x := r.wrong(n, "unknown unit %q", text)
		if near := yamltext.Nearest(text, symbols); near != "" {
			x.Hint("did you mean " + near + "?")
		}
	}
	return u
}

// edition reads the format of a file.
func (r reader) edition(n *yamltext.Node) {
	if n != nil && n.Text != strconv.Itoa(format) {
		r.wrong(n, "this dwell reads files of format %d, not %q", format, n.Text)
	}
}

// isName tells whether a text can stand in expressions: a letter, then letters,
// digits and low lines.
func isName(text string) bool {
	for i, c := range text {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && (i == 0 || c != '_' && (c < '0' || c > '9')) {
			return false
		}
	}
	return text != ""
}

// isChannel tells whether a text is two names with a point between.
func isChannel(text string) bool {
	of, what, _ := strings.Cut(text, ".")
	return isName(of) && isName(what)
}
