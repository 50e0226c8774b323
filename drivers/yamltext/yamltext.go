// Package yamltext reads YAML as positioned text: a tree of scalars, lists and
// tables in which every piece knows its line and column, and a collection of
// all mistakes of all files, each shown with its line and a caret.
//
// It must never give a meaning to a text: no numbers, no dates, no yes or no.
// Of YAML it takes the plain part alone. Anchors, aliases, merges, tags,
// directives, empty values, doubled keys and second documents are mistakes,
// because each of them has a way of becoming a limit that nobody wrote.
package yamltext

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3" // imported in this file only, so that changing it is one line
)

// Bounds on a file. Protocols and rigs are written by hand; whatever is larger
// is an accident or an attack.
const (
	maxBytes = 1 << 20
	maxLine  = 2000 // code points
	maxDepth = 32
	maxNodes = 100_000
)

// Pos is a place in a file: line and column count from 1, columns in code
// points.
type Pos struct{ Line, Column int }

// Kind tells what a Node is.
type Kind uint8

const (
	Scalar Kind = iota
	Sequence
	Mapping
)

func (k Kind) String() string {
	return [...]string{"one value", "a list", "a table of keys"}[k]
}

// Node is one piece of a file. Text is a scalar's text, unquoted; Quoted is
// whether it stood in quotes or in a block, so that it is meant as text. Width
// is how many code points of its first line it takes.
type Node struct {
	Kind   Kind
	Text   string
	Quoted bool
	Pos    Pos
	Width  int
	Pairs  []Pair
	Items  []*Node

	style    style
	reported bool // already the subject of a mistake of Parse: add no second one
}

// Pair is a key, always a scalar, and its value, in the order of the file.
type Pair struct{ Key, Value *Node }

type style uint8

const (
	plainStyle style = iota
	singleQuoted
	doubleQuoted
	manyLines
)

// Document is a file that was read. Text is without a byte order mark.
type Document struct {
	Name string
	Text []byte
	Root *Node

	starts []int // offset of each line
}

// Parse reads one file and adds everything wrong with its form to m. Root is
// nil when no tree could be made; otherwise the tree can be walked on to find
// further mistakes in the same pass.
func Parse(name string, text []byte, m *Mistakes) *Document {
	d := &Document{Name: name, Text: bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))}
	start := Pos{1, 1}
	if len(d.Text) > maxBytes {
		m.AddAt(d, start, 1, "the file has %d bytes, more than the %d allowed", len(d.Text), maxBytes)
		d.Text = nil
		return d
	}
	if isUTF16(text) {
		m.AddAt(d, start, 1, "this is UTF-16 text").Hint("save it as UTF-8: editors offer that where they ask for the name")
		d.Text = nil
		return d
	}
	d.starts = lineStarts(d.Text)
	if !d.scan(m) {
		return d
	}
	root, err := decode(d.Text)
	switch {
	case errors.Is(err, io.EOF):
		m.AddAt(d, start, 1, "the file is empty")
		return d
	case errors.Is(err, errSecondDocument):
		m.AddAt(d, Pos{root.Line, root.Column}, 1, "a second document begins here: a file holds one")
		return d
	case err != nil:
		d.addSyntax(m, err)
		return d
	case isNull(root):
		m.AddAt(d, Pos{root.Line, root.Column}, 1, "the file has no content")
		return d
	}
	b := builder{d: d, m: m, left: maxNodes}
	d.Root = b.build(root, 1)
	if b.left < 0 {
		m.AddAt(d, start, 1, "the file has more than %d values and keys", maxNodes)
		d.Root = nil
	}
	return d
}

// isUTF16 recognises text in two bytes a character: by its mark, or by every other byte
// being zero.
func isUTF16(text []byte) bool {
	if bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}) {
		return true
	}
	head := text[:min(len(text), 64)]
	var zeros [2]int // at even and at odd places
	for i, c := range head {
		if c == 0 {
			zeros[i%2]++
		}
	}
	return len(head) >= 4 && max(zeros[0], zeros[1]) >= len(head)/3 && min(zeros[0], zeros[1]) <= len(head)/8
}

func lineStarts(text []byte) []int {
	starts := []int{0}
	for i, c := range text {
		if c == '\n' && i+1 < len(text) {
			starts = append(starts, i+1)
		}
	}
	return starts
}

// scan looks for what must not be in a file before YAML is asked: bytes that
// are not text, characters that YAML takes for line ends and editors do not,
// tabs as indentation, directives.
func (d *Document) scan(m *Mistakes) bool {
	before := m.Len()
	for number := 1; number <= len(d.starts); number++ {
		text := d.line(number)
		length := utf8.RuneCountInString(text)
		if length > maxLine {
			m.AddAt(d, Pos{number, maxLine}, 1, "the line is longer than %d characters", maxLine)
			continue
		}
		if strings.HasPrefix(text, "%") {
			m.AddAt(d, Pos{number, 1}, length, "YAML directives are not allowed")
		}
		indent := text[:len(text)-len(strings.TrimLeft(text, " \t"))]
		if i := strings.IndexByte(indent, '\t'); i >= 0 && indent != text {
			m.AddAt(d, Pos{number, i + 1}, len(indent)-i, "a tab in the indentation").Hint("indent with spaces")
		}
		column := 0
		for i, r := range text {
			column++
			if _, size := utf8.DecodeRuneInString(text[i:]); r == utf8.RuneError && size == 1 {
				m.AddAt(d, Pos{number, column}, 1, "byte 0x%02x is not UTF-8 text", text[i]).Hint("save the file as UTF-8")
				break
			}
			if isForbidden(r) {
				m.AddAt(d, Pos{number, column}, 1, "character U+%04X is not allowed", r)
				break
			}
		}
	}
	return m.Len() == before
}

// isForbidden holds for control characters, the line ends of YAML 1.1 that no
// editor shows as such, and what is no character.
func isForbidden(r rune) bool {
	control := r < ' ' && r != '\t' || r >= 0x7f && r <= 0x9f
	return control || r == 0x2028 || r == 0x2029 || r == 0xfeff || r == 0xfffe || r == 0xffff
}

var errSecondDocument = errors.New("second document")

// decode runs the parser and demands that the file ends after one document.
// The parser recovers from its own failures; whatever else breaks in it is
// turned into an error here.
func decode(text []byte) (root *yaml.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			root, err = nil, fmt.Errorf("yaml: %v", p)
		}
	}()
	in := yaml.NewDecoder(bytes.NewReader(text))
	var first, second yaml.Node
	if err := in.Decode(&first); err != nil {
		return nil, err
	}
	switch err := in.Decode(&second); {
	case err == nil:
		return content(&second), errSecondDocument
	case !errors.Is(err, io.EOF):
		return nil, err
	}
	return content(&first), nil
}

// content is what a document holds.
func content(document *yaml.Node) *yaml.Node {
	if document.Kind == yaml.DocumentNode && len(document.Content) > 0 {
		return document.Content[0]
	}
	return document
}

// addSyntax reports a text that is not YAML. The parser tells no column and
// often a wrong line; the place is found by cutting the text shorter: the
// shortest beginning that fails in the same way ends where the mistake is.
func (d *Document) addSyntax(m *Mistakes, err error) {
	problem := syntaxProblem(err)
	fails := func(n int) bool {
		_, err := decode(d.Text[:n])
		return err != nil && syntaxProblem(err) == problem
	}
	ends := func(line int) int { // offset of the end of a line
		if line < len(d.starts) {
			return d.starts[line]
		}
		return len(d.Text)
	}
	line := 1 + firstTrue(len(d.starts)-1, func(i int) bool { return fails(ends(i + 1)) })
	runes := []rune(d.line(line))
	column := 1 + firstTrue(len(runes)-1, func(i int) bool {
		return fails(d.starts[line-1] + len(string(runes[:i+1])))
	})
	x := m.AddAt(d, Pos{line, column}, 1, "not readable as YAML near here: %s", problem)
	x.before = 2
	for _, known := range syntaxHints {
		if strings.Contains(problem, known.problem) {
			x.Hint(known.hint)
			return
		}
	}
}

// firstTrue finds by bisection the least i in [0, last] with p(i), taking for
// granted that p(last) holds.
func firstTrue(last int, p func(int) bool) int {
	low := 0
	for low < last {
		if middle := (low + last) / 2; p(middle) {
			last = middle
		} else {
			low = middle + 1
		}
	}
	return max(low, 0)
}

// syntaxProblem strips what differs from one cut of a file to the next.
func syntaxProblem(err error) string {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if strings.HasPrefix(text, "line ") {
		if _, rest, ok := strings.Cut(text, ": "); ok {
			return rest
		}
	}
	return text
}

// syntaxHints says what usually lies behind a complaint of the parser.
var syntaxHints = []struct{ problem, hint string }{
	{"mapping values are not allowed", "put a text that contains a colon in quotes; the line above may lack a colon"},
	{"did not find expected key", "the lines of one list or table begin in the same column"},
	{"did not find expected '-'", "the lines of one list or table begin in the same column, and a space stands behind a dash"},
	{"could not find expected ':'", "a key needs a colon and a space after it"},
	{"did not find expected ',' or", "a bracket is not closed, a comma is missing, or a text needs quotes"},
	{"unexpected end of stream", "a quote is not closed"},
	{"cannot start any token", "put a text that begins with this character in quotes"},
	{"unknown anchor", "anchors and aliases are not allowed"},
	{"unknown escape", "write a backslash in double quotes as two, or use single quotes"},
}

// builder turns the parser's nodes into ours.
type builder struct {
	d    *Document
	m    *Mistakes
	left int // nodes that may still come
}

// build makes the node for y and everything in it, depth levels down.
func (b *builder) build(y *yaml.Node, depth int) *Node {
	n := &Node{Pos: b.d.clamp(Pos{y.Line, y.Column}), Width: 1}
	b.left--
	refuse := func(format string, args ...any) *Node {
		b.m.AddAt(b.d, n.Pos, n.Width, format, args...)
		n.reported = true
		return n
	}
	first, _ := utf8.DecodeRuneInString(b.d.from(n.Pos))
	switch {
	case b.left < 0:
		n.reported = true
		return n
	case depth > maxDepth:
		return refuse("nested deeper than %d levels", maxDepth)
	case y.Kind == yaml.AliasNode || y.Anchor != "" || first == '*' || first == '&':
		n.Width = wordWidth(b.d.from(n.Pos))
		return refuse("anchors and aliases are not allowed: write the value where it is meant")
	case y.Style&yaml.TaggedStyle != 0 || first == '!':
		n.Width = wordWidth(b.d.from(n.Pos))
		return refuse("tags are not allowed")
	}
	switch y.Kind {
	case yaml.ScalarNode:
		b.scalar(n, y)
	case yaml.SequenceNode:
		n.Kind = Sequence
		for _, item := range y.Content {
			v := b.build(item, depth+1)
			if !v.reported && isNull(item) {
				b.m.AddAt(b.d, b.d.dashBefore(v.Pos), v.Width, "an entry of this list has no value")
				v.reported = true
			}
			n.Items = append(n.Items, v)
		}
	case yaml.MappingNode:
		n.Kind = Mapping
		b.mapping(n, y, depth)
	}
	return n
}

// scalar fills in a scalar and finds out how it stands in the source.
func (b *builder) scalar(n *Node, y *yaml.Node) {
	n.Text = y.Value
	source := b.d.from(n.Pos)
	switch {
	case y.Value == "" && y.Style == 0: // no value at all
		return
	case y.Style&yaml.DoubleQuotedStyle != 0:
		n.style = doubleQuoted
	case y.Style&yaml.SingleQuotedStyle != 0:
		n.style = singleQuoted
	case y.Style&(yaml.LiteralStyle|yaml.FoldedStyle) != 0 || !strings.HasPrefix(source, y.Value):
		n.style = manyLines
	}
	n.Quoted = y.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0
	if _, end := walkScalar(source, n.style, n.Text, -1); end > 0 {
		n.Width = end
	} else {
		n.style = manyLines
		n.Width = max(1, utf8.RuneCountInString(strings.TrimRight(source, " \t")))
	}
	if n.style == manyLines && y.Style&(yaml.LiteralStyle|yaml.FoldedStyle) == 0 {
		// A forgotten quote or a wrong indentation swallows the lines below.
		b.m.AddAt(b.d, n.Pos, n.Width, "this text goes on over the next line").Hint("for a text of several lines write | after the key")
		n.reported = true
	}
}

// mapping fills in a mapping. A pair that cannot be used is left out.
func (b *builder) mapping(n *Node, y *yaml.Node, depth int) {
	seen := make(map[string]*Node, len(y.Content)/2)
	for i := 0; i+1 < len(y.Content); i += 2 {
		key, value := b.build(y.Content[i], depth+1), b.build(y.Content[i+1], depth+1)
		if b.left < 0 {
			return
		}
		if key.reported {
			n.reported = true // or a key that cannot be read would be called missing
			continue
		}
		if key.Kind != Scalar || isNull(y.Content[i]) || key.Text == "" || key.style == manyLines {
			b.m.AddAt(b.d, key.Pos, key.Width, "a key must be one word or phrase on one line")
			n.reported = true
			continue
		}
		if key.Text == "<<" && !key.Quoted {
			b.m.AddAt(b.d, key.Pos, key.Width, "merging tables is not allowed: write the keys out")
			n.reported = true
			continue
		}
		if !value.reported && isNull(y.Content[i+1]) && y.Style&yaml.FlowStyle != 0 && !b.hasColon(key) {
			if !b.decimalComma(n, key) {
				b.m.AddAt(b.d, key.Pos, key.Width, "%q has no value", key.Text).Hint(colon(key.Text))
				key.reported, value.reported = true, true
				n.Pairs = append(n.Pairs, Pair{key, value})
			}
			continue
		}
		if !value.reported && isNull(y.Content[i+1]) {
			x := b.m.AddAt(b.d, key.Pos, key.Width, "%q has no value", key.Text)
			if value.Text != "" {
				x.Hint(fmt.Sprintf("%s means \"nothing\" in YAML; leave the key out, or put the word in quotes", value.Text))
			}
			value.reported = true
		}
		if !value.reported && y.Style&yaml.FlowStyle != 0 && isCutOff(value) {
			x := b.m.AddAt(b.d, value.Pos, value.Width, "this ends at the comma: its parenthesis is not closed")
			value.reported = true
			for i+3 < len(y.Content) && isNull(y.Content[i+3]) { // what the commas have cut into keys
				i += 2
			}
			x.Hint("put the whole of it in quotes: \"" + b.whole(value, y.Content[i+2:]) + "\"")
			n.Pairs = append(n.Pairs, Pair{key, value})
			continue
		}
		if before := seen[key.Text]; before != nil {
			b.m.AddAt(b.d, key.Pos, key.Width, "%q is given twice", key.Text).Note(b.d, before, "first given here")
			continue
		}
		seen[key.Text] = key
		n.Pairs = append(n.Pairs, Pair{key, value})
	}
	if len(n.Pairs) > 0 && n.Pairs[0].Key.Pos == n.Pos {
		n.Width = n.Pairs[0].Key.Width
	}
}

// decimalComma tells whether a key without a value is the rest of a number before it, cut
// off at its comma, and says so.
func (b *builder) decimalComma(n *Node, key *Node) bool {
	if len(n.Pairs) == 0 || key.Text[0] < '0' || key.Text[0] > '9' {
		return false
	}
	whole := n.Pairs[len(n.Pairs)-1].Value
	if whole.Kind != Scalar || whole.Quoted || strings.Trim(whole.Text, "-0123456789") != "" || whole.Pos.Line != key.Pos.Line {
		return false
	}
	b.m.AddAt(b.d, whole.Pos, key.Pos.Column+key.Width-whole.Pos.Column, "the decimal sign is a point").Hint("write " + whole.Text + "." + key.Text)
	whole.reported = true
	return true
}

// hasColon tells whether a colon stands behind a key.
func (b *builder) hasColon(key *Node) bool {
	rest := []rune(b.d.from(key.Pos))
	return strings.HasPrefix(strings.TrimLeft(string(rest[min(key.Width, len(rest)):]), " "), ":")
}

// colon says how a key that has swallowed its value is to be written.
func colon(text string) string {
	if key, value, is := strings.Cut(text, ":"); is {
		return "a space stands behind a colon: write " + key + ": " + value
	}
	if i := strings.IndexAny(text, "-0123456789"); i > 1 && text[i-1] == ' ' {
		return "a colon stands behind a key: write " + text[:i-1] + ": " + text[i:]
	}
	return "a key needs a colon, a space and a value"
}

// isCutOff tells whether a text without quotes ends in the middle of a parenthesis.
func isCutOff(n *Node) bool {
	return n.Kind == Scalar && n.style == plainStyle && strings.Count(n.Text, "(") > strings.Count(n.Text, ")")
}

// whole is a text that was cut off at commas, up to the next key on its line, or to the
// bracket that closes the table.
func (b *builder) whole(n *Node, after []*yaml.Node) string {
	text := []rune(b.d.from(n.Pos))
	if len(after) > 0 && after[0].Line == n.Pos.Line {
		text = text[:min(len(text), max(0, after[0].Column-n.Pos.Column))]
	} else if end := strings.LastIndex(string(text), "}"); end >= 0 {
		text = []rune(string(text)[:end])
	}
	return strings.Trim(string(text), ", ")
}

func isNull(y *yaml.Node) bool {
	return y.Kind == yaml.ScalarNode && y.ShortTag() == "!!null"
}
