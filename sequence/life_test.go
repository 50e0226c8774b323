package sequence_test

import (
	"fmt"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
)

// mortal is a specimen that may fail, and what comes after it.
const mortal = `
  - until failed: {LIFE, judged every: 1.38 s}
    do:
      - cycle: {to: {radius: 8 mm}, times: 20000, rate: 1 Hz}
  - note: the night goes on
  - hold: 30 s
`

func lived(t *testing.T, life string, at clock.Instant, meddle disturbance, changes ...string) (*memory, sequence.Outcome, *twin.Bench) {
	t.Helper()
	return bending(t, strings.Replace(mortal, "LIFE", life, 1), at, meddle, changes...)
}

// A film whose cracks gape while it is bent, and only then: it ends its part of the run,
// flat and without a current, and not the run.
func TestOpenWhileBentEndsThePartOnly(t *testing.T) {
	// 100 cycles of 1 % raise it by a fifth, by the law of the twin some 290 of this
	// bend; its cracks gape after 2.4 times as many, and it is open when flat, too, after 2.5
	// times.
	const cracks = "film cracks after: 20000 => film cracks after: 100"
	rec, o, bench := lived(t, "open: true", 0, nil, cracks)
	expect(t, o, "completed", 0, "")
	all := strings.Join(rec.lines, "\n")
	if n := strings.Count(all, "specimen failed"); n != 1 || !strings.Contains(all, "it is open") {
		t.Errorf("it has failed %d times", n)
	}
	_, after, _ := strings.Cut(all, "specimen failed")
	if !strings.Contains(after, "the night goes on") || !strings.Contains(after, "meter output off") || !strings.Contains(after, "stage position 0.0002 m") {
		t.Errorf("after that: %s", after)
	}
	s := bench.World().State().Stage.Strip
	if cycles := s.Halves / 2; s.Damage < 2.4 || s.Damage >= 2.48 {
		t.Errorf("after %d cycles the damage is %g: it was noticed late, or the film was open when flat, too", cycles, s.Damage)
	}
	if ohm := bench.World().FilmOhm(); ohm > 1e6 {
		t.Errorf("the film is open at flat: the test shows nothing of one that is open only while bent (%g Ohm)", ohm)
	}
	// Without that, the same film trips the run.
	_, o, _ = bending(t, "  - cycle: {to: {radius: 8 mm}, times: 20000, rate: 1 Hz}\n", 0, nil, cracks, "film cracks after: 100 => film cracks after: 80")
	if o.Word != "tripped" || !strings.Contains(o.Cause.Error(), "in compliance") {
		t.Errorf("without a declared end: %s, %v", o.Word, o.Cause)
	}
}

func TestThresholdEndsThePartOnly(t *testing.T) {
	rec, o, bench := lived(t, `when: "element.resistance > 12.8 kOhm"`, 0, nil, "film cracks after: 20000 => film cracks after: 100")
	expect(t, o, "completed", 0, "")
	if all := strings.Join(rec.lines, "\n"); !strings.Contains(all, "specimen failed") || !strings.Contains(all, "the night goes on") {
		t.Error(all)
	}
	if n := bench.World().State().Stage.Strip.Halves / 2; n < 200 || n > 400 {
		t.Errorf("it ended after %d cycles", n)
	}
}

// A specimen that outlives its part leaves the bench in the same way; and elsewhere in the
// same run a source that is in compliance trips, whatever was declared before.
func TestComplianceElsewhereStillTrips(t *testing.T) {
	const brief = `
  - until failed: {open: true, judged every: 1.38 s}
    do:
      - cycle: {to: {radius: 8 mm}, times: 20, rate: 1 Hz}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - hold: 5 min
`
	rec, o, bench := bending(t, brief, 0, nil)
	expect(t, o, "completed", 0, "")
	if all := strings.Join(rec.lines, "\n"); strings.Contains(all, "specimen failed") || !strings.Contains(all, "cycled") {
		t.Error(all)
	}
	if n := bench.World().State().Stage.Strip.Halves; n != 40 {
		t.Errorf("%d half cycles", n)
	}
	_, o, _ = bending(t, brief, 2*clock.Minute, func(_ clock.Clock, _ *sequence.Run, b *twin.Bench) {
		b.Break("the film", func(f *twin.Faults) { f.FilmOpen = true })
	})
	expect(t, o, "tripped", safety.Tripped, "in compliance")
}

// A cycle that is measured is announced before the stage is told to bend, like a block, and
// counts when it stands flat again; a failure in it says which cycle it was.
func TestMeasuredCyclesAreAnnounced(t *testing.T) {
	rec, o, _ := bending(t, "\n  - until failed: {when: \"stage.position > 5 mm\", judged every: 1.38 s}\n    do:\n"+
		"      - cycle: {to: {radius: 20 mm}, times: 3, rate: 1 Hz, measure: {at: every 1, for: 4 s}}\n"+
		"      - cycle: {to: {radius: 8 mm}, times: 3, rate: 1 Hz, measure: {at: every 1, for: 4 s}}\n", 0, nil)
	expect(t, o, "completed", 0, "")
	begun, counted, bends, failed := 0, 0, false, false
	for _, line := range rec.lines {
		switch {
		case strings.Contains(line, "cycling"):
			if begun++; begun != counted+1 || !strings.Contains(line, fmt.Sprintf("{from %d} {to %d} {measured 1}", counted, begun)) || !strings.Contains(line, "flat, radius ") {
				t.Errorf("after %d: %s", counted, line)
			}
		case strings.Contains(line, "cycled"):
			counted++
		case strings.Contains(line, "stage position ") && !strings.Contains(line, "stage position 0.0002 m"):
			if bends = true; begun != counted+1 {
				t.Errorf("bent after %d cycles and %d begun: %s", counted, begun, line)
			}
		case strings.Contains(line, "specimen failed"):
			if failed = true; !strings.Contains(line, "{cycles 3}") || !strings.Contains(line, "{begun 4}") {
				t.Error(line)
			}
		}
	}
	if !bends || !failed || counted < 3 {
		t.Errorf("bent: %v, failed: %v, %d cycles", bends, failed, counted)
	}
}
