package sequence_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
)

// paused is a trial on a bench with a door: while it is open the run pauses, and holds
// the plate at 20 degC. It is opened and shut at moments of the run.
func paused(steps string, moments ...clock.Instant) *trial {
	b := &box{}
	x := boxed(trial{steps: source + steps}, b, "")
	x.rig = append(x.rig, "\ninterlocks:\n",
		"\ninterlocks:\n  - {when: \"box.contact > 0.5\", then: pause, clear for: 20 s, at most: 5 min, plate to: 20 degC}\n")
	x.meddle = func(c clock.Clock, _ *sequence.Run, _ *twin.Bench) {
		for _, at := range moments {
			if c.Sleep(at) != nil {
				return
			}
			b.open = !b.open
		}
	}
	return &x
}

// at finds the first event with a text, and when it was.
func (m *memory) at(t *testing.T, after clock.Instant, text string) clock.Instant {
	t.Helper()
	for _, l := range m.lines {
		if n, _ := strconv.ParseInt(strings.Fields(l)[0], 10, 64); clock.Instant(n) >= after && strings.Contains(l, text) {
			return clock.Instant(n)
		}
	}
	t.Fatalf("nothing says %q after %g s:\n%s", text, after.Seconds(), strings.Join(m.events(), "\n"))
	return 0
}

// events are the lines that are no readings and no exchanges.
func (m *memory) events() []string {
	var all []string
	for _, l := range m.lines {
		if f := strings.Fields(l); len(f) > 1 && (f[1] < "0" || f[1] > "9~") {
			all = append(all, l)
		}
	}
	return all
}

// readings are those of a channel in a span.
func (m *memory) readings(channel string, from, to clock.Instant) int {
	n := 0
	for _, l := range m.lines {
		f := strings.Fields(l)
		if at, _ := strconv.ParseInt(f[0], 10, 64); len(f) > 2 && f[2] == channel && clock.Instant(at) >= from && clock.Instant(at) < to {
			n++
		}
	}
	return n
}

// While the door is open the output is off and the plate goes to where the pause wants
// it; afterwards all is as it was, and the wait is longer by the pause.
func TestAPauseIsAddedToAWait(t *testing.T) {
	const opens, shuts = 200 * clock.Second, 260 * clock.Second
	steps := "  - bring: {plate to: 30 degC, at most: 20 min}\n  - mark: begin\n  - hold: 10 min\n  - mark: end\n"
	x := paused(steps, opens, shuts)
	rec, o := x.do(t)
	expect(t, o, "completed", 0, "")
	began, resumed := rec.at(t, 0, " paused "), rec.at(t, 0, " resumed ")
	if o.Pauses != 1 || o.Paused != resumed-began {
		t.Errorf("%d pauses, %g s in all, of one of %g s", o.Pauses, o.Paused.Seconds(), (resumed - began).Seconds())
	}
	if began < opens || began > opens+3*clock.Second || resumed < shuts+20*clock.Second || resumed > shuts+24*clock.Second {
		t.Errorf("paused at %g s, went on at %g s", began.Seconds(), resumed.Seconds())
	}
	off, on := rec.at(t, began, "meter output off"), rec.at(t, began, "meter output on")
	low, back := rec.at(t, began, "plate temperature 20 degC"), rec.at(t, began, "plate temperature 30 degC")
	if off > began+2*clock.Second || low > began+2*clock.Second || on < shuts+20*clock.Second || back < shuts+20*clock.Second || on > resumed {
		t.Errorf("off at %g s, low at %g s, back at %g s, on at %g s", off.Seconds(), low.Seconds(), back.Seconds(), on.Seconds())
	}
	held := rec.at(t, 0, "mark 6 mark end") - rec.at(t, 0, "mark 4 mark begin")
	want := 600*clock.Second + resumed - began
	if math.Abs((held - want).Seconds()) > 0.01 {
		t.Errorf("held for %g s, expected 600 s and a pause of %g s", held.Seconds(), (resumed - began).Seconds())
	}
	if n := rec.readings("element.resistance", off+clock.Second, on); n != 0 {
		t.Errorf("%d readings with the output off", n)
	}
	if n := rec.readings("plate.temperature", began, resumed); n < 70 {
		t.Errorf("%d readings of the plate in the pause", n)
	}
	if n := rec.readings("element.resistance", resumed, resumed+20*clock.Second); n < 18 {
		t.Errorf("%d readings after the pause", n)
	}
}

// A pause that does not end trips.
func TestAPauseHasACeiling(t *testing.T) {
	x := paused("  - hold: 20 min\n", 60*clock.Second)
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "paused for 300 s, and box.contact > 0.5 has not been clear for 20 s")
	if s := o.Cause.At.Seconds(); s < 360 || s > 365 {
		t.Errorf("tripped at %g s", s)
	}
	if s := o.Paused.Seconds(); o.Pauses != 1 || s < 300 {
		t.Errorf("%d pauses, %g s in all", o.Pauses, s)
	}
	// nor does one whose condition comes back before it was clear for long enough
	var flicker []clock.Instant
	for s := clock.Instant(60); s < 1000; s += 10 {
		flicker = append(flicker, s*clock.Second)
	}
	x = paused("  - hold: 20 min\n", flicker...)
	_, o = x.do(t)
	expect(t, o, "tripped", safety.Tripped, "paused for 300 s")
}

// Whatever the plan is doing, a pause ends with everything as it was, and the steps are
// all performed. The moments go through a protocol with every operation that waits.
func TestAPauseAtAnyMoment(t *testing.T) {
	const steps = `
  - bring: {plate to: 26 degC, at most: 20 min}
  - sweep: {instrument: meter, current: -10 uA to 10 uA by 2 uA, settle: 900 ms, read: [element.voltage, element.current]}
  - ramp: {plate from: 26 degC, to: 28 degC, at: 4 K/min}
  - hold: {until: "settled(plate.temperature, 0.5 K, 10 s)", at most: 5 min}
  - ask: look at it
  - source: {instrument: meter, current: 5 uA, compliance: 2 V, wires: 4}
  - repeat: {times: 3}
    do:
      - hold: 3 s
      - mark: pass
`
	whole, o := paused(steps).do(t)
	expect(t, o, "completed", 0, "")
	length := o.Report.Began
	marks := func(m *memory) string {
		var all []string
		for _, l := range m.events() {
			if strings.Contains(l, " answer 1 confirm ") { // that step begins again, and asks again
				continue
			}
			if f := strings.SplitN(l, " ", 3); f[1] == "mark" || f[1] == "step" || f[1] == "answer" {
				all = append(all, f[1]+" "+f[2])
			}
		}
		return strings.Join(all, "\n")
	}
	n := 0
	for at := clock.Second; at < length-5*clock.Second; at += 1700 * clock.Millisecond {
		rec, o := paused(steps, at, at+15*clock.Second).do(t)
		if o.Word != "completed" || !o.Safe {
			t.Fatalf("paused at %g s: %s, %v", at.Seconds(), o.Word, o.Cause)
		}
		if got, want := marks(rec), marks(whole); got != want {
			t.Fatalf("paused at %g s:\n%s\nundisturbed:\n%s", at.Seconds(), got, want)
		}
		if !strings.Contains(strings.Join(rec.lines, "\n"), " resumed ") {
			t.Fatalf("at %g s there was no pause", at.Seconds())
		}
		if last, want := sweptValues(rec), sweptValues(whole); last != want {
			t.Errorf("paused at %g s: swept %s, undisturbed %s", at.Seconds(), last, want)
		}
		n++
	}
	t.Logf("%d moments over %.0f s", n, length.Seconds())
}

// sweptValues are the levels of the sweep, as they were set last, and then the level
// after it.
func sweptValues(m *memory) string {
	var all []string
	for _, l := range m.events() {
		f := strings.Fields(l)
		if len(f) > 6 && f[1] == "set" && f[3] == "sweep" && f[5] == "current" {
			all = append(all, f[6])
		}
	}
	return fmt.Sprint(all[max(0, len(all)-12):])
}

// An interlock armed by a name is not judged otherwise: it neither trips on what it
// says nor on what it cannot know.
func TestInterlocksAreArmedByName(t *testing.T) {
	warm := "  - bring: {plate to: 30 degC, at most: 20 min}\n"
	for _, c := range []struct {
		name, lock, steps string
		trips             bool
	}{
		{"heating, before heat", `{when: "plate.temperature < 25 degC", while: heating, then: trip}`, "  - hold: 20 s\n", false},
		{"heating, with heat", `{when: "plate.temperature < 25 degC", while: heating, then: trip}`, "  - hold: 20 s\n" + warm, true},
		{"sourcing, what is not read before", `{when: "element.resistance > 1 MOhm and plate.temperature > 10 degC", while: sourcing, then: trip}`, "  - source off: meter\n  - hold: 30 s\n", false},
		{"sourcing, with output", `{when: "element.resistance > 1 kOhm and plate.temperature > 10 degC", while: sourcing, then: trip}`, "  - hold: 20 s\n", true},
		{"on the plate, taken away", `{when: "foil.temperature < 25 degC", while: specimen on plate, lasting: 10 s, then: trip}`, "  - lift: {to: air}\n  - hold: 30 s\n", false},
		{"on the plate, left there", `{when: "foil.temperature < 25 degC", while: specimen on plate, lasting: 10 s, then: trip}`, "  - hold: 30 s\n", true},
		{"on the plate, laid back", `{when: "foil.temperature < 25 degC", while: specimen on plate, lasting: 10 s, then: trip}`, "  - lift: {to: air}\n  - hold: 30 s\n  - place: {by: person}\n  - hold: 30 s\n", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := trial{locks: "  - " + c.lock, steps: source + c.steps}
			if strings.HasPrefix(c.name, "on ") { // the person needs less than 10 s to lift it
				x.steps = strings.Replace(c.steps, "hold", "source: {instrument: meter, current: 10 uA, compliance: 2 V}\n  - hold", 1)
			}
			_, o := x.do(t)
			if c.trips {
				expect(t, o, "tripped", safety.Tripped, "holds")
			} else {
				expect(t, o, "completed", 0, "")
			}
		})
	}
}
