package yamltext

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"
)

func printed(m *Mistakes) string {
	var b strings.Builder
	m.Print(&b)
	return b.String()
}

func parse(t *testing.T, text string) *Document {
	t.Helper()
	var m Mistakes
	d := Parse("f.yaml", []byte(text), &m)
	if m.Len() > 0 || d.Root == nil {
		t.Fatalf("%q: %s", text, printed(&m))
	}
	return d
}

func TestTreeWithPositions(t *testing.T) {
	d := parse(t, "\ufeff# a comment\ntitle: Grüße 'x'  # more\r\nsteps:\n  - bring: {plate to: 95 degC, \"then wait\": 2 min}\n  - 'it''s'\nnote: |\n  one\n  two\n")
	var got []string
	var walk func(n *Node)
	walk = func(n *Node) {
		got = append(got, fmt.Sprintf("%d:%d+%d %s %q", n.Pos.Line, n.Pos.Column, n.Width, n.Kind, n.Text))
		for _, p := range n.Pairs {
			walk(p.Key)
			walk(p.Value)
		}
		for _, i := range n.Items {
			walk(i)
		}
	}
	walk(d.Root)
	want := `2:1+5 a table of keys ""
2:1+5 one value "title"
2:8+9 one value "Grüße 'x'"
3:1+5 one value "steps"
4:3+1 a list ""
4:5+5 a table of keys ""
4:5+5 one value "bring"
4:12+1 a table of keys ""
4:13+8 one value "plate to"
4:23+7 one value "95 degC"
4:32+11 one value "then wait"
4:45+5 one value "2 min"
5:5+7 one value "it's"
6:1+4 one value "note"
6:7+1 one value "one\ntwo\n"`
	if s := strings.Join(got, "\n"); s != want {
		t.Errorf("got\n%s\nwant\n%s", s, want)
	}
}

// What YAML lets pass and this room refuses: text, and where the mistake is.
func TestRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"below:\n", `1:1: "below" has no value`},
		{"a: {below: , x: 1}\n", `1:5: "below" has no value`},
		{"a: {below}\n", `1:5: "below" has no value`},
		{"max: ~\n", `1:1: "max" has no value`},
		{"max: null\n", `1:1: "max" has no value`},
		{"max: !!null ''\n", `1:6: tags are not allowed`},
		{"l:\n  - 1\n  -\n  - 2\n", `3:3: an entry of this list has no value`},
		{"a: 1\nb: 2\na: 3\n", `3:1: "a" is given twice`},
		{"a: 1\n\"a\": 3\n", `2:1: "a" is given twice`},
		{"a: &x 1\n", `1:4: anchors and aliases`},
		{"&x a: 1\n", `1:1: anchors and aliases`},
		{"a: &x [*x]\n", `1:4: anchors and aliases`},
		{"a: &x 1\nb: *x\n", `1:4: anchors and aliases`},
		{"a: *x\n", `1:5: not readable as YAML near here: unknown anchor`},
		{"a: {b: 1}\n<<: {c: 1}\n", `2:1: merging tables`},
		{"a: !!int 3\n", `1:4: tags are not allowed`},
		{"a: ! 3\n", `1:4: tags are not allowed`},
		{"a: !x {b: 1}\n", `1:4: tags are not allowed`},
		{"a: !x [1]\n", `1:4: tags are not allowed`},
		{"%YAML 1.2\n---\na: 1\n", `1:1: YAML directives`},
		{"a: 1\n---\nb: 2\n", `3:1: a second document`},
		{"a: 1\n---\n", `2:1: a second document`},
		{"a: 1\n...\n}\n", `3:1: not readable as YAML`},
		{"a: 1\n...\nb: 2\n", `3:1: `},
		{"", `1:1: the file is empty`},
		{"# nothing\n", `1:1: the file is empty`},
		{"---\n", `1:1: the file has no content`},
		{"a:\n\tb: 1\n", `2:1: a tab in the indentation`},
		{"a:\n \t b: 1\n", `2:2: a tab in the indentation`},
		{"a: gr\xfc\xdfe\n", `1:6: byte 0xfc is not UTF-8`},
		{"\xff\xfea\x00:\x00 \x001\x00\n\x00", "1:1: this is UTF-16 text\n  hint: save it as UTF-8"},
		{"\xfe\xff\x00a\x00:\x00 \x001", `1:1: this is UTF-16 text`},
		{"a\x00:\x00 \x001\x00\n\x00", `1:1: this is UTF-16 text`},
		{strings.Repeat("\x00", 100), `1:1: character U+0000`},
		{"\xffabc", `1:1: byte 0xff is not UTF-8`},
		{"a: {b: f(x, 1 s), c: 2}\n", "1:8: this ends at the comma: its parenthesis is not closed\n    1 | a: {b: f(x, 1 s), c: 2}\n      |        ^~~\n  hint: put the whole of it in quotes: \"f(x, 1 s)\"\n"},
		{"a: {b: f(x, g(1, 2)) > 3}\n", "1:8: this ends at the comma: its parenthesis is not closed\n    1 | a: {b: f(x, g(1, 2)) > 3}\n      |        ^~~\n  hint: put the whole of it in quotes: \"f(x, g(1, 2)) > 3\"\n"},
		{"a: \x1b[31m\n", `1:4: character U+001B`},
		{"a: 1\rb: 2\n", `1:5: character U+000D`},
		{"a: 1\u2028b: 2\n", `1:5: character U+2028`},
		{"a: 1\u0085b: 2\n", `1:5: character U+0085`},
		{"? [a, b]\n: 1\n", `1:3: a key must be`},
		{"null: 1\n", `1:1: a key must be`},
		{"'': 1\n", `1:1: a key must be`},
		{"a: 1\n  - b\n", `1:4: this text goes on`},
		{"a: \"x\nb: 1\nc: \"\n", `1:4: this text goes on`},
		{"a: b: c\n", `1:5: not readable as YAML near here: mapping values`},
		{"steps:\n  - a: 1\n - b: 2\n", `3:2: not readable as YAML`},
		{"ok: 1\nsteps:\n  - bring: {plate to: 95 degC\n  - hold: 3\n", `3:13: not readable as YAML`},
		{"a: \"x\nb: 1\n", `1:4: not readable as YAML`},
		{"a: 1\nb 2\nc: 3\n", `2:1: not readable as YAML`},
		{"a: @x\n", `1:4: not readable as YAML`},
		{"a: " + strings.Repeat("x", maxLine) + "\n", `1:2000: the line is longer`},
		{strings.Repeat("a: 1234567\n", maxBytes/11+1), `1:1: the file has`},
		{strings.Repeat("[", 33) + strings.Repeat("]", 33), `1:33: nested deeper than 32`},
		{strings.Repeat(strings.Repeat("[],", 600)+"\n", 180), `1:`},
		{"- " + strings.Repeat("- ", 900) + "a\n", `1:65: nested deeper than 32`},
		{"[" + strings.Repeat(strings.Repeat("1,", 900)+"\n", 120) + "]", `1:1: the file has more than`},
	} {
		var m Mistakes
		Parse("f.yaml", []byte(c.text), &m)
		got := printed(&m)
		if !strings.HasPrefix(got, "f.yaml:"+c.want) {
			t.Errorf("%.60q: got %.300s; want %s", c.text, got, c.want)
		}
	}
}

func TestDepthAllowed(t *testing.T) {
	parse(t, strings.Repeat("[", 31)+"1"+strings.Repeat("]", 31))
}

// The one shape of a mistake, from the first line to the hint.
func TestPrint(t *testing.T) {
	var m Mistakes
	rig := Parse("rig.yaml", []byte("limits:\n  plate.temperature: {below: 80 degC}\n"), &m)
	text := strings.Repeat("# filler\n", 16) + "      - bring: {plate to: 95 degC, then wait: 2 min}\n"
	d := Parse("staircase.yaml", []byte(text), &m)
	step, _ := d.List(d.Root, &m)
	bring := d.Table(step[0], &m, "bring")["bring"]
	fields := d.Table(bring, &m, "plate to", "then wait")
	limit := rig.Table(rig.Root, &m, "limits")["limits"].Pairs[0].Value
	m.Add(d, fields["plate to"], "%s is above what this rig allows (80 degC, rig.yaml:%d)", fields["plate to"].Text, limit.Pos.Line).
		Note(rig, limit, "the limit stands here").Hint("lower the target")
	m.Add(rig, limit, "earlier file first")
	want := `rig.yaml:2:22: earlier file first
    2 |   plate.temperature: {below: 80 degC}
      |                      ^
staircase.yaml:17:27: 95 degC is above what this rig allows (80 degC, rig.yaml:2)
   17 |       - bring: {plate to: 95 degC, then wait: 2 min}
      |                           ^~~~~~~
  rig.yaml:2:22: note: the limit stands here
  hint: lower the target
`
	if got := printed(&m); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if err := m.Err(); err == nil || err.Error() != "rig.yaml:2:22: earlier file first (and 1 more)" {
		t.Errorf("Err is %v", err)
	}
}

// Carets stand under what they mean: tabs copied, wide characters counted
// twice, combining ones not at all, long lines cut.
func TestCarets(t *testing.T) {
	for _, c := range []struct {
		line          string
		column, width int
		want          string
	}{
		{"a: bad", 4, 3, "   ^~~"},
		{"a:\tbad", 4, 3, "  \t^~~"},
		{"温度: bad", 5, 3, "      ^~~"},
		{"a: 温度", 4, 2, "   ^~~~"},
		{"e\u0301: bad", 5, 3, "   ^~~"},
		{"a: b", 5, 1, "    ^"},
		{"a: b", 4, 99, "   ^"},
	} {
		if _, got := show(c.line, c.column, c.width); got != c.want {
			t.Errorf("%q: %q, want %q", c.line, got, c.want)
		}
	}
	text, carets := show(strings.Repeat("a", 500)+"bad"+strings.Repeat("c", 500), 501, 3)
	if i := strings.Index(text, "bad"); utf8.RuneCountInString(text) != longestShown+2 || i < 0 ||
		len(carets) != utf8.RuneCountInString(text[:i])+3 {
		t.Errorf("long line shown as %q, %q", text, carets)
	}
}

func TestTable(t *testing.T) {
	var m Mistakes
	d := Parse("f.yaml", []byte("plat to: 3\nat most: 4\nzzz: 5\n"), &m)
	values := d.Table(d.Root, &m, "plate to", "at most")
	if len(values) != 1 || values["at most"].Text != "4" {
		t.Errorf("values %v", values)
	}
	want := []string{"f.yaml:1:1: unknown key \"plat to\"", "did you mean plate to?",
		"f.yaml:3:1: unknown key \"zzz\"", "known here: plate to, at most"}
	for i, x := range m.All() {
		if x.String() != want[2*i] || x.Advice != want[2*i+1] {
			t.Errorf("%s; hint %s", x, x.Advice)
		}
	}
	if d.Table(values["at most"], &m, "x") != nil || m.Len() != 3 {
		t.Error("a scalar passed as a table")
	}
}

func TestScalars(t *testing.T) {
	d := parse(t, "[true, false, yes, 'true', 3, 007, +5, 1_0, 9, 1e1, '4', x, '', [1]]")
	items, _ := d.List(d.Root, new(Mistakes))
	ints, bools, texts := map[int]int{4: 3}, map[int]bool{0: true, 1: false}, 12
	for i, n := range items {
		var m Mistakes
		if v, ok := d.Int(n, &m, 0, 8); ok != (i == 4) || v != ints[i] || ok != (m.Len() == 0) {
			t.Errorf("Int %q: %d %v\n%s", n.Text, v, ok, printed(&m))
		}
		m = Mistakes{}
		if v, ok := d.Bool(n, &m); ok != (i < 2) || v != bools[i] || ok != (m.Len() == 0) {
			t.Errorf("Bool %q: %v %v\n%s", n.Text, v, ok, printed(&m))
		}
		m = Mistakes{}
		if v, ok := d.Scalar(n, &m); ok != (i < texts) || v != n.Text && ok || ok != (m.Len() == 0) {
			t.Errorf("Scalar %q: %q %v\n%s", n.Text, v, ok, printed(&m))
		}
	}
	if v, ok := d.Scalar(nil, new(Mistakes)); v != "" || ok {
		t.Error("a missing node has a text")
	}
}

// What Parse complained about gives no second mistake further on.
func TestNoMistakeTwice(t *testing.T) {
	var m Mistakes
	d := Parse("f.yaml", []byte("a:\nb: &x 3\n<<: {c: 1}\n"), &m)
	before := m.Len()
	values := d.Table(d.Root, &m, "a", "b", "c")
	d.Int(values["a"], &m, 0, 1)
	d.Bool(values["b"], &m)
	d.List(values["b"], &m)
	m.Add(d, values["a"], "not a quantity").Hint("x").Note(d, d.Root, "y")
	m.Add(d, d.Root, "%q is missing", "c")
	if m.Len() != before || before != 3 {
		t.Errorf("%d mistakes became %d:\n%s", before, m.Len(), printed(&m))
	}
	m.AddAt(d, Pos{2, 1}, 1, "once")
	m.AddAt(d, Pos{2, 1}, 1, "once")
	if m.Len() != before+1 {
		t.Error("the same mistake is kept twice")
	}
}

// Places inside a scalar, for expressions: quotes and escapes are counted.
func TestInside(t *testing.T) {
	for _, c := range []struct {
		text          string
		offset, width int
		want          string
	}{
		{"x: a > b", 4, 1, "1:8+1"},
		{"x: \"a > b\"", 4, 1, "1:9+1"},
		{"x: 'a > b'", 0, 5, "1:5+5"},
		{"x: 'it''s b'", 5, 1, "1:11+1"},
		{"x: 'it''s b'", 2, 1, "1:7+2"},
		{`x: "\u00b0C > \x41 b"`, 7, 1, "1:20+1"},
		{"x: 'ab'", 2, 1, "1:7+1"},
		{"x: ab", 2, 1, "1:6+1"},
		{"x: ab", 99, 1, "1:6+1"},
		{"x: |\n  a > b\n", 4, 1, "1:4+1"},
	} {
		d := parse(t, c.text)
		pos, width := d.Inside(d.Root.Pairs[0].Value, c.offset, c.width)
		if got := fmt.Sprintf("%d:%d+%d", pos.Line, pos.Column, width); got != c.want {
			t.Errorf("%s: %d+%d stands at %s, want %s", c.text, c.offset, c.width, got, c.want)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"plate to", "then wait", "at most", "plate.temperature", "foil.temperature", "K", "abs"}
	for word, want := range map[string]string{
		"plat to": "plate to", "Plate To": "plate to", "at_most": "at most", "tehn wait": "then wait",
		"plate.temprature": "plate.temperature", "k": "K", "ab": "", "asb": "abs", "zebra": "", "": "",
		"foil": "", strings.Repeat("x", 1000): "",
	} {
		if got := Nearest(word, known); got != want {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"", "abc", 3}, {"kitten", "sitting", 3}, {"ab", "ba", 1}, {"abcd", "acbd", 1}, {"für", "fur", 1}} {
		if got := distance([]rune(c.a), []rune(c.b)); got != c.want {
			t.Errorf("%q to %q is %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"a: 1\nb: [1, {c: 'd'}]\n", "a: &x [*x]\n", "a: b: c\n", "a:\n  - \"x\\u00b0\"\n  -\n", "? [a]\n: b\n",
		"a: 1\n---\nb: 2\n", "\ufeff%YAML 1.2\n---\n", "x: |\n  a\n b: >-\n", "a: 温度\tb # c\n", "<<: *a\n", "\t- a\r\n", "{a: !!binary x, ? : }",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 4000 { // larger ones only make it slow
			return
		}
		var m Mistakes
		d := Parse("f.yaml", text, &m)
		if d.Root == nil && m.Len() == 0 {
			t.Fatalf("%q: no tree and no mistake", text)
		}
		lines := strings.Split(string(text), "\n")
		for _, x := range m.All() {
			if x.Pos.Line < 1 || x.Pos.Line > len(lines) || x.Pos.Column < 1 || x.Width < 1 ||
				x.Pos.Column > utf8.RuneCountInString(lines[x.Pos.Line-1])+1 {
				t.Fatalf("%q: %s is outside the file", text, x)
			}
		}
		var walk func(n *Node)
		walk = func(n *Node) {
			if n.Pos != d.clamp(n.Pos) || n.Width < 1 {
				t.Fatalf("%q: node %q at %v", text, n.Text, n.Pos)
			}
			if n.Kind == Scalar && !n.Quoted && !n.reported && n.style == plainStyle && !strings.HasPrefix(d.from(n.Pos), n.Text) {
				t.Fatalf("%q: %q does not stand at %v", text, n.Text, n.Pos)
			}
			d.Inside(n, 3, 2)
			for _, p := range n.Pairs {
				walk(p.Key)
				walk(p.Value)
			}
			for _, i := range n.Items {
				walk(i)
			}
		}
		if d.Root != nil {
			walk(d.Root)
		}
		printed(&m)
	})
}
