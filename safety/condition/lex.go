package condition

import (
	"errors"
	"fmt"
	"strings"
	"unicode"

	"dwell/drivers/quantity"
)

// maxLength bounds an expression in code points; the parser recurses on
// parentheses.
const maxLength = 2000

// standIn replaces every operand in the text given to the parser, character by
// character, so that its places are ours. It is a letter that no rig uses.
const standIn = 'ª'

// leaf is what stands behind a stand-in.
type leaf struct {
	kind    leafKind
	channel int // index into Vocabulary.Channels
	value   float64
	dim     quantity.Dimension
}

type leafKind uint8

const (
	constant leafKind = iota
	channel
	elapsed
	excused // a mistake, reported here or elsewhere: nothing follows from it
)

// functions and keywords are the words of the language; see the package comment.
var (
	functions = []string{"abs", "min", "max", "mean", "rate", "settled"}
	keywords  = []string{"and", "or", "not"}
)

// lexer replaces operands by stand-ins and finds the mistakes that show in
// single words and signs.
type lexer struct {
	*compiler
	text    []rune
	at      int
	out     []rune
	operand bool // an operand may stand here, so a sign belongs to a number
}

// mask returns the text for the parser; offsets in it are offsets in text.
func (c *compiler) mask(text string) string {
	l := lexer{compiler: c, text: []rune(text), operand: true}
	for l.at < len(l.text) {
		r := l.text[l.at]
		switch {
		case r == ' ' || r == '\t':
			l.keep(1, l.operand)
		case isDigit(r), (r == '-' || r == '+') && l.operand && isDigit(l.peek(1)):
			l.number()
		case isWordStart(r):
			l.word()
		default:
			l.sign(r)
		}
	}
	return string(l.out)
}

func isDigit(r rune) bool     { return r >= '0' && r <= '9' }
func isWordStart(r rune) bool { return r == '_' || unicode.IsLetter(r) }
func isWord(r rune) bool      { return isWordStart(r) || unicode.IsDigit(r) }

// peek looks n code points ahead; 0 past the end.
func (l *lexer) peek(n int) rune {
	if l.at+n < len(l.text) {
		return l.text[l.at+n]
	}
	return 0
}

// keep passes n code points on as they are.
func (l *lexer) keep(n int, operand bool) {
	l.out = append(l.out, l.text[l.at:l.at+n]...)
	l.at += n
	l.operand = operand
}

// replace passes stand-ins for n code points that mean x.
func (l *lexer) replace(n int, x leaf) {
	l.leaves[l.at] = x
	for range n {
		l.out = append(l.out, standIn)
	}
	l.at += n
	l.operand = false
}

// refuse records a mistake in n code points that stand for an operand, and goes on
// behind them.
func (l *lexer) refuse(n int, text, hint string) {
	l.fault(l.at, n, text, hint)
	l.replace(n, leaf{kind: excused})
}

// stray records a mistake in n code points that are no operand.
func (l *lexer) stray(n int, text, hint string) {
	l.refuse(n, text, hint)
	l.broken = true
}

// sign takes an operator, a bracket or a comma, or refuses what looks like one.
func (l *lexer) sign(r rune) {
	two := string([]rune{r, l.peek(1)})
	switch {
	case two == "<=" || two == ">=":
		l.keep(2, true)
	case two == "==" || two == "!=":
		l.stray(2, "measured values are almost never equal", "compare with < and >, as in abs(a - b) < 0.1 K")
	case r == '=':
		l.stray(1, "= is no comparison", "write < <= > or >=")
	case two == "&&" || two == "||":
		word := map[string]string{"&&": "and", "||": "or"}[two]
		l.stray(2, two+" is not used here", "write "+word)
	case r == '!':
		l.stray(1, "! is not used here", "write not")
	case two == "//" || two == "/*" || two == "**":
		l.stray(2, two+" is not used here", "")
	case strings.ContainsRune("()+-*/<>,", r):
		l.keep(1, r != ')')
	case strings.ContainsRune("“”„‘’", r):
		l.stray(1, fmt.Sprintf("%q is a typographic quote", r), `write straight ones: "…"`)
	default:
		l.stray(1, fmt.Sprintf("%q has no place in an expression", r), "")
	}
}

// number takes a number and its unit.
func (l *lexer) number() {
	rest := string(l.text[l.at:])
	digits := quantity.ScanNumber(rest) // ASCII: bytes are code points
	end := digits
	for end < len(rest) && rest[end] == ' ' {
		end++
	}
	symbol, runes := "", []rune(rest[end:])
	if digits > 0 {
		symbol = unitAt(runes)
	}
	width := digits
	switch {
	case symbol != "":
		width = end + len([]rune(symbol))
	case digits == 0 || digits < len(rest) && (isWord(rune(rest[digits])) || rest[digits] == '.'):
		width = l.run(1) // no number, or one glued to more
		if tail := l.text[l.at+width:]; len(tail) > 1 && tail[0] == ' ' {
			if unit := unitAt(tail[1:]); unit != "" {
				width += 1 + len([]rune(unit))
			}
		}
	case len(runes) > 0 && (isWordStart(runes[0]) || runes[0] == '°'):
		if word := l.run(end); !isKeyword(string(l.text[l.at+end : l.at+word])) {
			width = word
		}
	}
	if per := l.perTime(width); per > 0 && symbol != "" {
		text, hint := string(l.text[l.at:l.at+width+per]), "write "+rest[:digits]+" K"+string(l.text[l.at+width:l.at+width+per])
		if u, _ := quantity.LookUp(symbol); !u.Dim.Absolute {
			hint = "write " + string(l.text[l.at:l.at+width]) + " / 1 " + string(l.text[l.at+width+1:l.at+width+per])
			text += " is no quantity with a unit that is known"
		} else {
			text += ": a rate of temperature is a difference per time"
		}
		l.refuse(width+per, text, hint)
		return
	}
	text := string(l.text[l.at : l.at+width])
	q, err := quantity.Parse(text)
	if e := (*quantity.Error)(nil); errors.As(err, &e) {
		l.refuse(width, e.Text, e.Hint)
		return
	} else if err != nil {
		l.refuse(width, err.Error(), "")
		return
	}
	l.replace(width, leaf{kind: constant, value: q.Value, dim: q.Unit.Dim})
}

// perTime is how many code points of a "/min" stand after n others, with nothing round
// the stroke: one unit is meant, and there is none such.
func (l *lexer) perTime(n int) int {
	for _, unit := range []string{"min", "ms", "s", "h"} {
		w := len(unit) + 1
		if l.at+n+w <= len(l.text) && string(l.text[l.at+n:l.at+n+w]) == "/"+unit && !isWord(l.peek(n+w)) && l.peek(n+w) != '(' {
			return w
		}
	}
	return 0
}

// run is how far from here, starting n code points on, a word goes that is no
// proper word.
func (l *lexer) run(n int) int {
	for isWord(l.peek(n)) || strings.ContainsRune(".°%", l.peek(n)) && l.peek(n) != 0 {
		n++
	}
	return max(n, 1)
}

// spoken are words that people say for a comparison.
var spoken = map[string]string{"above": "write >", "over": "write >", "exceeds": "write >", "below": "write <", "under": "write <",
	"is": "compare with < or >", "equals": "compare with < and >, as in abs(a - b) < 0.1 K",
	"within": "write abs(plate.temperature - 30 degC) < 0.5 K"}

func isKeyword(word string) bool {
	return word == "and" || word == "or" || word == "not"
}

// unitAt finds the longest unit at the beginning of text that is not the
// beginning of a longer word: 6 K/min is one, in 6 K/min(a, b) only K is.
func unitAt(text []rune) string {
	const longest = 12 // "W/(m² K)" and then some
	for n := min(longest, len(text)); n > 0; n-- {
		symbol := string(text[:n])
		if u, ok := quantity.LookUp(symbol); !ok || u.Symbol == "1" {
			continue
		}
		if n == len(text) || !isWord(text[n]) && !strings.ContainsRune(".°(%", text[n]) {
			return symbol
		}
	}
	return ""
}

// word takes a channel, a name, a function or a keyword.
func (l *lexer) word() {
	n := 1
	for isWord(l.peek(n)) || l.peek(n) == '.' && isWord(l.peek(n+1)) {
		n++
	}
	word := string(l.text[l.at : l.at+n])
	next := n
	for l.peek(next) == ' ' {
		next++
	}
	isCalled := l.peek(next) == '('
	if isKeyword(word) {
		l.keep(n, true)
		return
	}
	x, isOperand := l.lookUp(word)
	switch {
	case !isCalled && l.vocabulary.Excused != nil && l.vocabulary.Excused(word):
		l.replace(n, leaf{kind: excused})
	case isCalled && isFunction(word):
		l.keep(n, false)
	case isCalled && isOperand:
		l.stray(n, word+" is not a function", "")
	case isOperand:
		l.replace(n, x)
	case isFunction(word):
		l.refuse(n, fmt.Sprintf("%s needs what it works on in parentheses", word), "")
	case isCalled:
		l.stray(n, fmt.Sprintf("unknown function %q", word), l.hint(word, functions))
	default:
		l.unknown(word, n)
	}
}

func isFunction(word string) bool {
	for _, f := range functions {
		if f == word {
			return true
		}
	}
	return false
}

// lookUp finds what a word stands for.
func (c *compiler) lookUp(word string) (leaf, bool) {
	if word == "elapsed" {
		return leaf{kind: elapsed, dim: second}, true
	}
	for i, ch := range c.vocabulary.Channels {
		if ch.Name == word {
			return leaf{kind: channel, channel: i, dim: ch.Dim}, true
		}
	}
	q, ok := c.vocabulary.Names[word]
	return leaf{kind: constant, value: q.Value, dim: q.Unit.Dim}, ok
}

// unknown refuses a word that means nothing.
func (l *lexer) unknown(word string, n int) {
	if sign := spoken[word]; sign != "" {
		l.stray(n, fmt.Sprintf("%q means nothing in an expression", word), sign)
		l.at = len(l.text) // what follows belongs to it
		return
	}
	if rest := l.text[l.at+n:]; len(rest) > 1 && rest[0] == ' ' { // "plate temperature"
		m := 1
		for m < len(rest) && isWord(rest[m]) {
			m++
		}
		dotted := word + "." + string(rest[1:m])
		for _, ch := range l.vocabulary.Channels {
			if ch.Name == dotted {
				l.refuse(n+m, fmt.Sprintf("%q is written with a dot", word+" "+string(rest[1:m])), "write "+dotted)
				return
			}
		}
	}
	if _, ok := quantity.LookUp(word); ok {
		l.refuse(n, fmt.Sprintf("%s is a unit and stands behind a number", word), "")
		return
	}
	words := append([]string{"elapsed"}, keywords...)
	for _, ch := range l.vocabulary.Channels {
		words = append(words, ch.Name)
	}
	words = append(words, sortedNames(l.vocabulary)...)
	l.refuse(n, fmt.Sprintf("unknown name %q", word), l.hint(word, append(words, functions...)))
}
