package plan

import (
	"path"
	"strconv"
	"strings"
	"unicode"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/safety/condition"
)

// expression is a condition as it stands in a file.
type expression struct {
	doc  *yamltext.Document
	node *yamltext.Node
	text string // with names replaced by what they stand for
}

// condition compiles an expression over channels read at these rates, and points
// at everything wrong in it.
func (c *compiler) condition(x expression, polled []safety.Stale) *condition.Condition {
	v := safety.Vocabulary(c.rig.Channels, polled)
	if x.doc == c.doc {
		for name, g := range c.names {
			v.Names[name] = g.Quantity
		}
	}
	v.Excused = func(word string) bool { return c.excused(word, x.doc == c.doc) }
	done, faults := condition.Compile(x.node.Text, v)
	for _, f := range faults {
		if f.Hint == "" && strings.Contains(f.Text, "is not read regularly") {
			f.Hint = "record it; a source-meter is read from source on"
		}
		before := c.m.Len()
		mistake := c.m.AddInside(x.doc, x.node, f.Offset, f.Width, "%s", f.Text).Hint(f.Hint)
		if c.m.Len() > before && c.again != nil && x.doc == c.doc {
			mistake.Note(c.doc, c.again, "so it is when this loop comes round again")
		}
	}
	return done
}

// expression reads a condition of the protocol.
func (c *compiler) expression(n *yamltext.Node) (expression, bool) {
	text := c.text(n)
	return expression{c.doc, n, resolve(text, c.names)}, text != ""
}

// reads lists the channels of a condition that may be read at any rate; with a mistake
// in it, those that it names.
func (c *compiler) reads(x expression) []int {
	var all []safety.Stale
	for _, ch := range c.rig.Channels {
		all = append(all, safety.Stale{Channel: ch.Name, EveryNs: 1, AfterNs: 1})
	}
	quiet := *c
	quiet.m = &yamltext.Mistakes{}
	if done := quiet.condition(x, all); done != nil {
		return done.Reads()
	}
	var named []int
	for i, ch := range c.rig.Channels {
		if strings.Contains(x.node.Text, ch.Name) {
			named = append(named, i)
		}
	}
	return named
}

// resolve replaces names by the quantities they stand for, so that the text means
// the same without them. Units behind a number are no names.
func resolve(text string, names map[string]given) string {
	var b strings.Builder
	for rest := []rune(text); len(rest) > 0; {
		n := 1
		switch {
		case unicode.IsDigit(rest[0]):
			n = quantityAt(rest)
		case rest[0] == '_' || unicode.IsLetter(rest[0]):
			for n < len(rest) && (rest[n] == '_' || rest[n] == '.' || unicode.IsLetter(rest[n]) || unicode.IsDigit(rest[n])) {
				n++
			}
			if g, ok := names[string(rest[:n])]; ok {
				b.WriteString(g.String())
				rest = rest[n:]
				continue
			}
		}
		b.WriteString(string(rest[:n]))
		rest = rest[n:]
	}
	return b.String()
}

// quantityAt is how many code points the number at the beginning takes, with its
// unit.
func quantityAt(text []rune) int {
	end := max(1, quantity.ScanNumber(string(text)))
	from := end
	for from < len(text) && text[from] == ' ' {
		from++
	}
	const longestUnit = 12
	for n := min(longestUnit, len(text)-from); n > 0; n-- {
		if _, ok := quantity.LookUp(string(text[from : from+n])); ok {
			return from + n
		}
	}
	return end
}

// place is where something was written, for plan.json: the file's name without
// its folder, since the file lies in the run folder.
func place(d *yamltext.Document, n *yamltext.Node) string {
	pos := yamltext.Pos{Line: 1, Column: 1}
	if n != nil {
		pos = n.Pos
	}
	return path.Base(strings.ReplaceAll(d.Name, `\`, "/")) + ":" + strconv.Itoa(pos.Line) + ":" + strconv.Itoa(pos.Column)
}
