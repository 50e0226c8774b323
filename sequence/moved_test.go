package sequence_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
)

// hands is a person who lays the specimen down and lifts it at chosen moments after
// being asked, and presses the key at others.
type hands struct {
	sequence.Person
	clock     clock.Clock
	bench     *twin.Bench
	hand, key clock.Instant // after being asked; without a hand nothing moves
	moved     []clock.Instant
}

func (h *hands) Move(to string, by clock.Instant) (at, within clock.Instant, err error) {
	asked := h.clock.Now()
	words := "lift " + to
	if to == "plate" {
		words = "place"
	}
	if h.hand > 0 {
		h.clock.Go("hand", func() error {
			err := h.clock.Sleep(asked + h.hand)
			h.moved = append(h.moved, h.clock.Now())
			return errors.Join(err, h.bench.Move(h.clock.Now(), words))
		})
	}
	return asked + h.key, 300 * clock.Millisecond, h.clock.Sleep(asked + h.key)
}

// A movement is placed by its onset, also when the person takes long and the film still
// recovers from the movement before. Where
// nothing is seen to move the key stands, the log says so, and the uncertainty is the
// time since it was asked for. A key that comes too late or too soon changes nothing.
func TestTheMomentOfAMovement(t *testing.T) {
	const steps = source + `
  - bring: {plate to: 30 degC, at most: 20 min, then wait: 2 min}
  - lift: {to: cold block}
  - hold: 20 s
  - place: {by: person, t0: {onset of: element.resistance}}
  - hold: 90 s
  - lift: {to: cold block, t0: {onset of: element.resistance}}
`
	const second = clock.Second
	for name, c := range map[string]struct {
		hand, key clock.Instant
		warning   string
	}{
		"soon":                       {2 * second, 2*second + second/4, ""},
		"slow":                       {25 * second, 25*second - second/4, ""},
		"pressed late":               {25 * second, 27 * second, ""},
		"at once, pressed very late": {second, 21 * second, "after the onset found in element.resistance: the onset stands"},
		"pressed 8 s late":           {4 * second, 12 * second, "after the onset found in element.resistance: the onset stands"},
		"pressed 8 s too soon":       {12 * second, 4 * second, "before the onset found in element.resistance: the onset stands"},
		"not at all":                 {0, 25 * second, "no clear onset found in element.resistance: the moment of the key stands"},
	} {
		t.Run(name, func(t *testing.T) {
			var h *hands
			x := trial{steps: steps, person: func(clk clock.Clock, b *twin.Bench) sequence.Person {
				h = &hands{Person: b.Person(clk, "LC-07"), clock: clk, bench: b, hand: c.hand, key: c.key}
				return h
			}}
			rec, o := x.do(t)
			expect(t, o, "completed", safety.Tripped, "")
			var found, warnings []string
			for _, l := range rec.lines {
				if _, text, ok := strings.Cut(l, "{t0_s "); ok {
					found = append(found, text)
				}
				if strings.Contains(l, " warning ") {
					warnings = append(warnings, l)
				}
			}
			if len(found) != 3 {
				t.Fatalf("moved %q", found)
			}
			all := strings.Join(warnings, "\n")
			if got := strings.Count(all, c.warning); c.warning != "" && got != 2 || c.warning == "" && len(warnings) > 0 {
				t.Errorf("warnings:\n%s", all)
			}
			for i, text := range found {
				var at, u float64
				if _, err := fmt.Sscanf(text, "%g} {u_t0_s %g}", &at, &u); err != nil {
					t.Fatal(text, err)
				}
				switch {
				case i == 0: // by the key alone
				case c.hand == 0 && u != 25:
					t.Errorf("t0 %g s within %g s although it may have been moved at any time in 25 s", at, u)
				case c.hand > 0 && u > 0.7, c.hand > 0 && math.Abs(at-h.moved[i].Seconds()) > 1.5*u:
					t.Errorf("t0 %g s within %g s, the hand at %g s", at, u, h.moved[i].Seconds())
				}
			}
		})
	}
}

// A film that reads too much with two wires may do so for its contacts; with four it may not.
func TestContactsInAConfirmation(t *testing.T) {
	bad := []string{"\ntwin:\n", "\ntwin:\n  contact resistance: 2 kOhm\n"}
	x := trial{steps: source, rig: bad}
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "which wires: 4 leaves out")
	x = trial{steps: strings.Replace(source, "within: 20 %", "within: 20 %, wires: 4", 1), rig: bad}
	_, o = x.do(t)
	expect(t, o, "completed", 0, "")
}

// A bench whose plate has a probe and which has a multimeter with a resistance
// thermometer as well: both read the same foil, and a rehearsal goes through.
func TestTwoThermometersOnTheFoil(t *testing.T) {
	x := trial{steps: source + "  - record: {slide.temperature: 1 s}\n  - bring: {plate to: 30 degC, at most: 20 min}\n  - hold: 5 min\n",
		locks: `  - {when: "abs(slide.temperature - foil.temperature) > 1 K", then: trip}`,
		rig: []string{"\n# What the instruments measure", "  dmm: {profile: scpi-multimeter, port: twin, longest exchange: {takes: 90 ms, measured on: 2026-05-20}}\n\n# What the instruments measure",
			"channels:\n", "channels:\n  slide.temperature: {from: dmm.resistance, through: pt100}\n",
			"[plate.temperature, foil.temperature]", "[plate.temperature, foil.temperature, slide.temperature]"}}
	rec, o := x.do(t)
	expect(t, o, "completed", 0, "")
	both := strings.Join(rec.lines, "\n")
	if slide, foil := strings.Count(both, " slide.temperature "), strings.Count(both, " foil.temperature "); slide < 300 || foil < 300 {
		t.Errorf("%d readings by the multimeter, %d by the plate", slide, foil)
	}
}
