package plan

import "testing"

// When a step begins: passes of a for each as they were foreseen, and those beyond what is
// listed like the last; passes of a counted loop, one in the other.
func TestForeseen(t *testing.T) {
	const s = int64(1e9)
	sum := &Summary{Steps: []Step{
		{Number: "1", Verb: "confirm", TakesNs: 3 * s, Times: 1},
		{Number: "2", Verb: "for each", StartsNs: 3 * s, TakesNs: 90 * s, Times: 1, PassesNs: []int64{3 * s, 23 * s, 53 * s}},
		{Number: "2.n.1", Verb: "bring", StartsNs: 3 * s, TakesNs: 10 * s, LongestNs: 20 * s, Times: 3},
		{Number: "2.n.2", Verb: "mark", StartsNs: 13 * s, Times: 3}, // half-way through the first pass
		{Number: "3", Verb: "repeat", StartsNs: 93 * s, TakesNs: 60 * s, Times: 1},
		{Number: "3.1", Verb: "repeat", StartsNs: 93 * s, TakesNs: 20 * s, Times: 3},
		{Number: "3.1.1", Verb: "hold", StartsNs: 93 * s, TakesNs: 5 * s, Times: 12},
		{Number: "4", Verb: "group", StartsNs: 153 * s, TakesNs: 7 * s, Times: 1},
		{Number: "4.1", Verb: "hold", StartsNs: 153 * s, TakesNs: 7 * s, Times: 1},
	}}
	for _, c := range []struct {
		step          string
		nth           int64
		starts, takes int64
		ok            bool
	}{
		{"1 confirm", 0, 0, 3, true},
		{"2.1.1 bring", 0, 3, 20, true},
		{"2.2.1 bring", 0, 23, 20, true},
		{"2.3.2 mark", 0, 73, 0, true},
		{"2.5.1 bring", 0, 53, 20, true},
		{"3.1.1 hold", 0, 93, 5, true},
		{"3.1.1 hold", 3, 108, 5, true},
		{"3.1.1 hold", 4, 113, 5, true},
		{"3.1.1 hold", 11, 148, 5, true},
		{"4.1 hold", 0, 153, 7, true},
		{"5 hold", 0, 0, 0, false},
		{"2.1 bring", 0, 0, 0, false},
		{"", 0, 0, 0, false},
	} {
		if starts, takes, ok := sum.Foreseen(c.step, c.nth); starts != c.starts*s || takes != c.takes*s || ok != c.ok {
			t.Errorf("%s, %d: begins after %d s and takes %d s, %v; expected %+v", c.step, c.nth, starts/s, takes/s, ok, c)
		}
	}
}
