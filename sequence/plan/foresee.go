package plan

import (
	"slices"
	"strconv"
	"strings"
)

// Foreseen is when a step begins by the plan, and how long it takes, in ns. step is as
// events name it, such as "5.2.1 bring"; nth counts from 0 how often a step of that very
// name has begun before, as it does in a counted loop. ok is false for a step that is none
// of the outline's.
func (s *Summary) Foreseen(step string, nth int64) (starts, takes int64, ok bool) {
	number, _, _ := strings.Cut(step, " ")
	path := strings.Split(number, ".")
	var way []Step // from the outermost to the step itself
	for _, x := range s.Steps {
		if parts := strings.Split(x.Number, "."); leadsTo(parts, path) {
			way = append(way, x)
		}
	}
	if len(way) == 0 || len(strings.Split(way[len(way)-1].Number, ".")) != len(path) {
		return 0, 0, false
	}
	last := way[len(way)-1]
	starts = last.StartsNs
	for k := len(way) - 2; k >= 0; k-- {
		x := way[k]
		switch count := way[k+1].Times / max(1, x.Times); {
		case len(x.PassesNs) > 0:
			starts = x.inPass(path[len(strings.Split(x.Number, "."))], starts)
		case count > 1:
			starts += nth % count * (x.TakesNs / count)
			nth /= count
		}
	}
	return starts, max(last.TakesNs, last.LongestNs), true
}

// leadsTo tells whether a row of the outline is a step, or one that it stands in.
func leadsTo(parts, path []string) bool {
	return len(parts) <= len(path) && slices.EqualFunc(parts, path[:len(parts)], func(row, word string) bool { return row == word || row == "n" })
}

// inPass is when something begins in the pass of a for each whose number, from 1 on, is
// given, if it begins at first in the first one: passes take unequally long, and it comes
// as far on in each of them. Those that are not listed are like the last one that is.
func (x Step) inPass(number string, first int64) int64 {
	n, _ := strconv.Atoi(number) // a number of our own
	at := func(pass int) int64 { // when it begins, from 0 on
		if pass < len(x.PassesNs) {
			return x.PassesNs[pass]
		}
		return x.StartsNs + x.TakesNs
	}
	pass := min(max(1, n), len(x.PassesNs)) - 1
	whole, share := at(1)-at(0), 0.0
	if whole > 0 {
		share = float64(first-at(0)) / float64(whole)
	}
	return at(pass) + int64(share*float64(at(pass+1)-at(pass)))
}
