package plan

import (
	"slices"
	"strings"
	"testing"
)

const attendedSteps = `format: 1
title: attended
record: {plate.temperature: 500 ms, foil.temperature: 500 ms, element.resistance: 500 ms}
ends: {at most: 30 min}
steps:
  - ask: lay the cable out
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - ask: turn the foil over
  - group: {as: check standard}
    do:
      - ask: connect the check standard
      - hold: 30 s
      - ask: connect the film again
  - hold: 5 s
  - for each: {low: [20 degC, 21 degC]}
    do:
      - ask: read the display
      - hold: 5 s
`

// What a person was asked to do before a step is asked for again on the way back to it: in
// its order, the film first, while nothing is on.
func TestTheWayBackAsksThePersonAgain(t *testing.T) {
	p, said := planned(t, nil, nil, attendedSteps, Options{})
	if said != "" {
		t.Fatal(said)
	}
	const film = "make sure that the specimen LC-07 is connected"
	for _, c := range []struct {
		step string
		want []string
	}{
		{"2 confirm", []string{"lay the cable out"}},
		{"3 source", []string{"lay the cable out", "confirm", "set"}},
		{"5.1 ask", []string{"lay the cable out", film, "confirm", "turn the foil over", "set"}},
		{"5.2 hold", []string{"lay the cable out", film, "confirm", "turn the foil over", "connect the check standard", "set"}},
		{"5.3 ask", []string{"lay the cable out", film, "confirm", "turn the foil over", "connect the check standard", "set"}},
		{"6 hold", []string{"lay the cable out", film, "confirm", "turn the foil over", "connect the film again", "set"}},
		{"7.2.2 hold", []string{"lay the cable out", film, "confirm", "turn the foil over", "connect the film again", "7.2.1 ask: read the display", "set"}},
	} {
		next := slices.IndexFunc(p.Actions, func(a Action) bool { return a.Op == Begin && a.Step == c.step })
		if next < 0 {
			t.Fatalf("no step %s", c.step)
		}
		back, err := p.WayBack(next, nil, 20)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, a := range back {
			switch a.Op {
			case Person:
				got = append(got, a.Text)
			case Confirm, Set:
				got = append(got, string(a.Op))
			}
		}
		if !slices.EqualFunc(got, c.want, strings.Contains) {
			t.Errorf("to %s:\n%s\nexpected\n%s", c.step, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}
