package yamltext

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// expect records a mistake unless n is of the kind.
func (d *Document) expect(n *Node, m *Mistakes, kind Kind) bool {
	if n == nil || n.reported && n.Kind != Mapping {
		return false
	}
	if n.Kind != kind {
		m.Add(d, n, "%s is expected here, not %s", kind, n.Kind)
		return false
	}
	return true
}

// Table returns the values of a mapping by key. Keys that are not known are
// mistakes; the nearest known word is hinted at. The map is nil when n is no
// mapping, so that looking a key up in it is always possible.
func (d *Document) Table(n *Node, m *Mistakes, known ...string) map[string]*Node {
	if !d.expect(n, m, Mapping) {
		return nil
	}
	values := make(map[string]*Node, len(n.Pairs))
	for _, p := range n.Pairs {
		if contains(known, p.Key.Text) {
			values[p.Key.Text] = p.Value
			continue
		}
		hint := "known here: " + strings.Join(known, ", ")
		if near := meant(p.Key, known); near != "" {
			hint = "did you mean " + near + "?"
		}
		m.Add(d, p.Key, "unknown key %q", p.Key.Text).Hint(hint)
	}
	return values
}

func contains(words []string, word string) bool {
	for _, w := range words {
		if w == word {
			return true
		}
	}
	return false
}

// List returns the entries of a list.
func (d *Document) List(n *Node, m *Mistakes) ([]*Node, bool) {
	if !d.expect(n, m, Sequence) {
		return nil, false
	}
	return n.Items, true
}

// Scalar returns a scalar's text, which must not be empty. Where an empty text
// has a meaning, read Node.Text.
func (d *Document) Scalar(n *Node, m *Mistakes) (string, bool) {
	if !d.expect(n, m, Scalar) {
		return "", false
	}
	if n.Text == "" {
		m.Add(d, n, "this text is empty")
		return "", false
	}
	return n.Text, true
}

// Bool reads true or false, and no other word.
func (d *Document) Bool(n *Node, m *Mistakes) (value, ok bool) {
	if !d.expect(n, m, Scalar) {
		return false, false
	}
	if !n.Quoted && (n.Text == "true" || n.Text == "false") {
		return n.Text == "true", true
	}
	x := m.Add(d, n, "true or false is expected here, not %q", n.Text)
	switch strings.ToLower(n.Text) {
	case "yes", "on", "y", "true":
		x.Hint("write true")
	case "no", "off", "n", "false":
		x.Hint("write false")
	}
	return false, false
}

// Int reads a whole number between least and most.
func (d *Document) Int(n *Node, m *Mistakes, least, most int) (int, bool) {
	if !d.expect(n, m, Scalar) {
		return 0, false
	}
	v, err := strconv.Atoi(n.Text)
	// Only the one spelling of a number is taken: no +5, 007, 1_000 or -0.
	if err != nil || n.Quoted || strconv.Itoa(v) != n.Text {
		m.Add(d, n, "a whole number is expected here, not %q", n.Text)
		return 0, false
	}
	if v < least || v > most {
		m.Add(d, n, "%d is out of range", v).Hint(fmt.Sprintf("from %d to %d", least, most))
		return 0, false
	}
	return v, true
}

// IsMisspelt is whether a key that is missing in a mapping stands there in another
// spelling, which Table reports.
func IsMisspelt(n *Node, known []string, name string) bool {
	return slices.ContainsFunc(n.Pairs, func(p Pair) bool {
		return !slices.Contains(known, p.Key.Text) && meant(p.Key, known) == name
	})
}

// meant is the known key that another one was most likely meant to be: the nearest; the
// one that begins with it, as "plate to" with "plate"; or, where a colon is missing, the
// one that it begins with.
func meant(key *Node, known []string) string {
	if near := Nearest(key.Text, known); near != "" {
		return near
	}
	for _, k := range known {
		if strings.HasPrefix(k, key.Text+" ") || key.reported && strings.HasPrefix(key.Text, k) {
			return k
		}
	}
	return ""
}

// Nearest returns the known word that a misspelt one was most likely meant to
// be, or "": one edit for every three letters, upper and lower case alike.
// Among equals the first in known wins.
func Nearest(word string, known []string) string {
	const longest = 60 // no key or channel is longer; keeps the work small
	w := []rune(strings.ToLower(word))
	if len(w) == 0 || len(w) > longest {
		return ""
	}
	best, least := "", len(w)/3+1
	for _, k := range known {
		r := []rune(strings.ToLower(k))
		if len(r) > longest {
			continue
		}
		if edits := distance(w, r); edits < least {
			best, least = k, edits
		}
	}
	return best
}

// distance counts the insertions, deletions, replacements and swaps of
// neighbours that turn a into b.
func distance(a, b []rune) int {
	rows := [3][]int{make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)}
	for j := range rows[1] {
		rows[1][j] = j
	}
	for i := range a {
		older, old, now := rows[i%3], rows[(i+1)%3], rows[(i+2)%3]
		now[0] = i + 1
		for j := range b {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			now[j+1] = min(old[j+1]+1, now[j]+1, old[j]+cost)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				now[j+1] = min(now[j+1], older[j-1]+1)
			}
		}
	}
	return rows[(len(a)+1)%3][len(b)]
}
