package yamltext

import (
	"cmp"
	"fmt"
	"io"
	"slices"
)

// Mistake is one thing wrong in a file.
type Mistake struct {
	File   string
	Pos    Pos
	Width  int // code points under the caret
	Text   string
	Notes  []Note
	Advice string // what to do, "" when there is nothing to say

	doc    *Document
	before int // source lines shown above the one with the mistake
}

// Note points at another place that a mistake has to do with.
type Note struct {
	File string
	Pos  Pos
	Text string
}

// Mistakes collects the mistakes of any number of files. The zero value is
// ready.
type Mistakes struct {
	all  []*Mistake
	seen map[place]*Mistake
}

// place is what makes two mistakes the same.
type place struct {
	file string
	pos  Pos
	text string
}

// mostPrinted bounds what Print shows; the rest is counted.
const mostPrinted = 100

// Add records a mistake at a node; a nil node stands for the whole file. What
// Parse already complained about is not recorded twice.
func (m *Mistakes) Add(d *Document, n *Node, format string, args ...any) *Mistake {
	if n == nil {
		return m.AddAt(d, Pos{1, 1}, 1, format, args...)
	}
	if n.reported {
		return new(Mistake)
	}
	return m.AddAt(d, n.Pos, n.Width, format, args...)
}

// AddInside records a mistake at a part of a scalar's text, given in code
// points.
func (m *Mistakes) AddInside(d *Document, n *Node, offset, width int, format string, args ...any) *Mistake {
	if n.reported {
		return new(Mistake)
	}
	pos, width := d.Inside(n, offset, width)
	return m.AddAt(d, pos, width, format, args...)
}

// AddAt records a mistake at a place. The same mistake at the same place is
// kept once.
func (m *Mistakes) AddAt(d *Document, pos Pos, width int, format string, args ...any) *Mistake {
	x := &Mistake{File: d.Name, Pos: d.clamp(pos), Width: max(1, width), Text: fmt.Sprintf(format, args...), doc: d}
	at := place{x.File, x.Pos, x.Text}
	if before := m.seen[at]; before != nil {
		return before
	}
	if m.seen == nil {
		m.seen = map[place]*Mistake{}
	}
	m.seen[at] = x
	m.all = append(m.all, x)
	return x
}

// Note adds a second place to a mistake.
func (x *Mistake) Note(d *Document, n *Node, text string) *Mistake {
	pos := Pos{1, 1}
	if n != nil {
		pos = n.Pos
	}
	x.Notes = append(x.Notes, Note{d.Name, pos, text})
	return x
}

// Hint says what to do about a mistake; an empty hint says nothing.
func (x *Mistake) Hint(text string) *Mistake {
	x.Advice = text
	return x
}

// Len is how many mistakes there are.
func (m *Mistakes) Len() int { return len(m.all) }

// All returns the mistakes sorted by file, line and column.
func (m *Mistakes) All() []*Mistake {
	sorted := slices.Clone(m.all)
	slices.SortStableFunc(sorted, func(a, b *Mistake) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column))
	})
	return sorted
}

// Err is nil without mistakes, else an error that names the first of them.
func (m *Mistakes) Err() error {
	if len(m.all) == 0 {
		return nil
	}
	first := m.All()[0]
	if more := len(m.all) - 1; more > 0 {
		return fmt.Errorf("%s (and %d more)", first, more)
	}
	return fmt.Errorf("%s", first)
}

// String is the mistake in one line.
func (x *Mistake) String() string {
	return fmt.Sprintf("%s:%d:%d: %s", x.File, x.Pos.Line, x.Pos.Column, x.Text)
}

// Print writes every mistake with its source line, a caret, its notes and its
// hint.
func (m *Mistakes) Print(w io.Writer) {
	for i, x := range m.All() {
		if i == mostPrinted {
			fmt.Fprintf(w, "and %d more\n", len(m.all)-mostPrinted)
			return
		}
		x.print(w)
	}
}

func (x *Mistake) print(w io.Writer) {
	fmt.Fprintln(w, x)
	for number := max(1, x.Pos.Line-x.before); number < x.Pos.Line; number++ {
		text, _ := show(x.doc.line(number), 1, 1)
		fmt.Fprintf(w, "%5d | %s\n", number, text)
	}
	if line := x.doc.line(x.Pos.Line); line != "" {
		text, carets := show(line, x.Pos.Column, x.Width)
		fmt.Fprintf(w, "%5d | %s\n      | %s\n", x.Pos.Line, text, carets)
	}
	for _, n := range x.Notes {
		fmt.Fprintf(w, "  %s:%d:%d: note: %s\n", n.File, n.Pos.Line, n.Pos.Column, n.Text)
	}
	if x.Advice != "" {
		fmt.Fprintf(w, "  hint: %s\n", x.Advice)
	}
}
