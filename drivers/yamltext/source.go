package yamltext

import (
	"bytes"
	"strings"
	"unicode"
	"unicode/utf8"
)

// line returns a line of the text without its end; "" outside the file.
func (d *Document) line(number int) string {
	if number < 1 || number > len(d.starts) {
		return ""
	}
	text := d.Text[d.starts[number-1]:]
	if i := bytes.IndexByte(text, '\n'); i >= 0 {
		text = text[:i]
	}
	return string(bytes.TrimSuffix(text, []byte("\r")))
}

// from returns what stands at pos and after it on the same line.
func (d *Document) from(pos Pos) string {
	text := d.line(pos.Line)
	for i := 1; i < pos.Column && text != ""; i++ {
		_, size := utf8.DecodeRuneInString(text)
		text = text[size:]
	}
	return text
}

// clamp moves a position into the file; one past the end of a line is inside.
func (d *Document) clamp(pos Pos) Pos {
	pos.Line = min(max(pos.Line, 1), max(len(d.starts), 1))
	length := utf8.RuneCountInString(d.line(pos.Line))
	pos.Column = min(max(pos.Column, 1), length+1)
	return pos
}

// dashBefore finds the dash of a list entry without a value.
func (d *Document) dashBefore(pos Pos) Pos {
	runes := []rune(d.line(pos.Line))
	for i := min(pos.Column, len(runes)); i > 0; i-- {
		if runes[i-1] == '-' {
			return Pos{pos.Line, i}
		}
	}
	return pos
}

// wordWidth counts the code points up to a space or a bracket.
func wordWidth(text string) int {
	if i := strings.IndexAny(text, " \t,]}"); i >= 0 {
		text = text[:i]
	}
	return max(1, utf8.RuneCountInString(text))
}

// walkScalar follows a one-line scalar through its source. It returns how many
// code points of the source come before the code point number target of text,
// and how many the scalar takes with its quotes; end is 0 when the scalar does
// not end on this line.
func walkScalar(source string, s style, text string, target int) (at, end int) {
	if s == plainStyle {
		return target, utf8.RuneCountInString(text)
	}
	if s == manyLines {
		return 0, 0
	}
	runes := []rune(source)
	decoded := 0
	for i := 1; i < len(runes); decoded++ {
		if decoded == target {
			at = i
		}
		switch {
		case s == singleQuoted && runes[i] == '\'':
			if i+1 >= len(runes) || runes[i+1] != '\'' {
				return closed(at, i, decoded, target)
			}
			i += 2
		case s == doubleQuoted && runes[i] == '"':
			return closed(at, i, decoded, target)
		case s == doubleQuoted && runes[i] == '\\' && i+1 < len(runes):
			i += 2 + escapeDigits(runes[i+1])
		default:
			i++
		}
	}
	return 0, 0
}

// closed ends a walk at the closing quote: places after the text are there.
func closed(at, quote, decoded, target int) (int, int) {
	if target >= decoded {
		at = quote
	}
	return at, quote + 1
}

// escapeDigits is how many digits follow a letter after a backslash.
func escapeDigits(letter rune) int {
	switch letter {
	case 'x':
		return 2
	case 'u':
		return 4
	case 'U':
		return 8
	}
	return 0
}

// Inside finds the place and the width, in the file, of a part of a scalar's
// text given in code points, such as an operand of an expression. For a text
// over several lines it is the place of the whole.
func (d *Document) Inside(n *Node, offset, width int) (Pos, int) {
	at, end := walkScalar(d.from(n.Pos), n.style, n.Text, offset)
	if end == 0 || n.Kind != Scalar {
		return n.Pos, n.Width
	}
	last, _ := walkScalar(d.from(n.Pos), n.style, n.Text, offset+width)
	return d.clamp(Pos{n.Pos.Line, n.Pos.Column + at}), max(1, last-at)
}

// Cells is how many columns of a terminal a character takes. Ranges from
// Unicode Standard Annex 11 (wide and full-width), the common blocks only.
func Cells(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case r < 0x1100:
		return 1
	case r <= 0x115f, r >= 0x2e80 && r <= 0x303e, r >= 0x3041 && r <= 0xa4cf, r >= 0xac00 && r <= 0xd7a3,
		r >= 0xf900 && r <= 0xfaff, r >= 0xfe30 && r <= 0xfe6f, r >= 0xff00 && r <= 0xff60,
		r >= 0xffe0 && r <= 0xffe6, r >= 0x1f300 && r <= 0x1f64f, r >= 0x1f900 && r <= 0x1f9ff,
		r >= 0x20000 && r <= 0x3fffd:
		return 2
	}
	return 1
}

// longestShown is how many code points of a source line are printed; of a
// longer one, a part round the mistake.
const longestShown = 160

// show returns a source line fit for a terminal and the line of carets below
// it.
func show(line string, column, width int) (text, carets string) {
	runes := []rune(line)
	for i, r := range runes {
		if r != '\t' && unicode.IsControl(r) {
			runes[i] = '\ufffd'
		}
	}
	first, last := 0, len(runes)
	cutLeft, cutRight := "", ""
	if len(runes) > longestShown {
		first = max(0, min(column-1-longestShown/2, len(runes)-longestShown))
		last = first + longestShown
		if first > 0 {
			cutLeft = "…"
		}
		if last < len(runes) {
			cutRight = "…"
		}
	}
	var b strings.Builder
	b.WriteString(strings.Repeat(" ", len([]rune(cutLeft))))
	from := min(max(column-1, first), last)
	for _, r := range runes[first:from] {
		if r == '\t' {
			b.WriteByte('\t')
		} else {
			b.WriteString(strings.Repeat(" ", Cells(r)))
		}
	}
	under := 0
	for _, r := range runes[from:min(max(from+width, from), last)] {
		under += Cells(r)
	}
	b.WriteByte('^')
	b.WriteString(strings.Repeat("~", max(under-1, 0)))
	return cutLeft + string(runes[first:last]) + cutRight, b.String()
}
