package condition

import (
	"maps"
	"slices"
	"strings"
)

func sortedNames(v Vocabulary) []string { return slices.Sorted(maps.Keys(v.Names)) }

// hint names the known word with the fewest edits, at most one for every three
// letters.
func (l *lexer) hint(word string, known []string) string {
	letters := []rune(strings.ToLower(word))
	best, least := "", len(letters)/3+1
	for _, k := range known {
		if n := edits(letters, []rune(strings.ToLower(k))); n < least {
			best, least = k, n
		}
	}
	if best == "" {
		best = Related(word, known)
	}
	if best == "" {
		return ""
	}
	return "did you mean " + best + "?"
}

// Related is the one known name that begins with a word, or that says behind its dot what
// the word does: of another instrument, or of one that was renamed.
func Related(word string, known []string) string {
	best := ""
	_, quantity, isDotted := strings.Cut(word, ".")
	for _, k := range known {
		if strings.HasPrefix(k, word) || isDotted && strings.HasSuffix(k, "."+quantity) {
			if best != "" {
				return ""
			}
			best = k
		}
	}
	return best
}

// edits counts the letters to insert, drop, replace or swap with their
// neighbour to turn a into b.
func edits(a, b []rune) int {
	table := make([][]int, len(a)+1)
	for i := range table {
		table[i] = make([]int, len(b)+1)
		for j := range table[i] {
			switch {
			case i == 0 || j == 0:
				table[i][j] = i + j
				continue
			case a[i-1] == b[j-1]:
				table[i][j] = table[i-1][j-1]
				continue
			}
			table[i][j] = 1 + min(table[i-1][j], table[i][j-1], table[i-1][j-1])
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				table[i][j] = min(table[i][j], 1+table[i-2][j-2])
			}
		}
	}
	return table[len(a)][len(b)]
}
