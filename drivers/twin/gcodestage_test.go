package twin

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers/bending"
	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

var line115200 = wire.Line{Baud: 115200, DataBits: 8, StopBits: 1}

// leafStrip is a strip like that of the examples: 125 um of polyimide with 10 um of
// film, 50 mm free between clamps.
func leafStrip(t testing.TB) StripModel {
	t.Helper()
	l, err := bending.NewLaminate(bending.Narrow, bending.Layer{ThicknessM: 125e-6, ModulusPa: 2.5e9}, bending.Layer{ThicknessM: 10e-6, ModulusPa: 3e9})
	if err != nil {
		t.Fatal(err)
	}
	f, err := l.Film(1, bending.Out)
	if err != nil {
		t.Fatal(err)
	}
	return StripModel{Ends: bending.Clamped, FreeLengthM: 50e-3, FlatAtM: 0.2e-3, Film: f, GaugeFactor: 5, CrackCycles: 1000}
}

// aStage is a bench with a stage and a source-meter.
func aStage(t testing.TB) *Bench {
	t.Helper()
	w := newTestWorld(t, func(s *Scene) { s.Strip = leafStrip(t) })
	b, err := assemble(w, []fitted{{name: "stage", firmware: "gcode-stage", line: line115200}, {name: "meter", firmware: "source-meter", line: line8N1, lineHz: 50}}, 1)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// within is what a stage says up to an instant after it was told something now.
func within(b *Bench, text string, lasting clock.Instant) string {
	at := b.World().Now()
	d := b.Device("stage")
	d.Receive(at, []byte(text))
	got := heard(b, "stage", at+lasting)
	b.Advance(at + lasting)
	return string(append(got, heard(b, "stage", at+lasting)...))
}

func expectSaid(t *testing.T, what, got string, want ...string) {
	t.Helper()
	rest := got
	for _, w := range want {
		_, after, ok := strings.Cut(rest, w)
		if !ok {
			t.Errorf("%s: it says %q, expected %q in this order", what, got, want)
			return
		}
		rest = after
	}
	if len(want) == 0 && got != "" {
		t.Errorf("%s: it says %q, expected silence", what, got)
	}
}

const home = 20 * clock.Second

func TestStageMustFindItsSwitchFirst(t *testing.T) {
	b := aStage(t)
	expectSaid(t, "switched on", within(b, "?", clock.Second), "<Alarm|MPos:0.000,")
	expectSaid(t, "locked", within(b, "G21 G90 F60\n", clock.Second), "error:9\r\n")
	expectSaid(t, "homing", within(b, "$H\n", clock.Second))
	expectSaid(t, "asked meanwhile", within(b, "?", clock.Second))
	expectSaid(t, "homed", within(b, "", home), "<Idle|MPos:0.000", "ok\r\n")
	if at, _, _ := b.World().StageAt(b.World().Now()); at != 0 {
		t.Errorf("it is at %g m", at)
	}
}

// ok is queued, not arrived; without a speed nothing is; a full planner makes the next
// line wait for its ok.
func TestStageAcknowledgesBeforeItArrives(t *testing.T) {
	b := aStage(t)
	within(b, "$H\n", home)
	expectSaid(t, "no speed", within(b, "G1 X5\n", clock.Second), "error:22\r\n")
	expectSaid(t, "queued", within(b, "G53 G1 X10 F300\n", 100*clock.Millisecond), "ok\r\n")
	expectSaid(t, "on the way", within(b, "?", 900*clock.Millisecond), "<Run|MPos:")
	expectSaid(t, "arrived", within(b, "", 2*clock.Second)+within(b, "?", clock.Second), "<Idle|MPos:10.000,")
	text := ""
	for k := range 20 {
		text += fmt.Sprintf("X%d\n", 10+k%2)
	}
	got := within(b, text, 50*clock.Millisecond)
	if n := strings.Count(got, "ok"); n != 15+1 && n != 15 { // the first of them goes nowhere
		t.Errorf("%d lines are acknowledged at once: %q", n, got)
	}
	got += within(b, "", 30*clock.Second)
	if n := strings.Count(got, "ok"); n != 20 {
		t.Errorf("%d of 20 lines are acknowledged in the end", n)
	}
	expectSaid(t, "a wait of no length ends when all is done", within(b, "X20\nG4 P0\n", 500*clock.Millisecond), "ok\r\n")
	expectSaid(t, "then", within(b, "", 5*clock.Second), "ok\r\n")
	expectSaid(t, "two ends are two lines", within(b, "\r\n", clock.Second), "ok\r\n", "ok\r\n")
	expectSaid(t, "no word", within(b, "Q1\n", clock.Second), "error:20\r\n")
	expectSaid(t, "no number", within(b, "G1 Xa\n", clock.Second), "error:2\r\n")
	expectSaid(t, "no setting", within(b, "$Q\n", clock.Second), "error:3\r\n")
}

func TestStageStopsAtOnceAndKeepsItsPosition(t *testing.T) {
	b := aStage(t)
	within(b, "$H\n", home)
	within(b, "G53 G1 X10 F300\n", clock.Second)
	expectSaid(t, "slowing", within(b, "!?", 15*clock.Millisecond), "<Hold:1|")
	expectSaid(t, "stands", within(b, "?", 300*clock.Millisecond), "<Hold:0|MPos:")
	expectSaid(t, "held, a line waits", within(b, "X0\n", clock.Second))
	expectSaid(t, "goes on", within(b, "~", 4*clock.Second), "ok\r\n")
	within(b, "G1 X10 F300\n", clock.Second)
	within(b, "!", 300*clock.Millisecond)
	expectSaid(t, "reset while it stands", within(b, "\x18", clock.Second), "\r\nGrbl 1.1h ['$' for help]\r\n")
	expectSaid(t, "position kept", within(b, "?", clock.Second), "<Idle|MPos:")
	really, counted, _ := b.World().StageAt(b.World().Now())
	if really != counted {
		t.Errorf("it is at %g m and believes %g m", really, counted)
	}
	expectSaid(t, "no speed after a reset", within(b, "G1 X0\n", clock.Second), "error:22")
}

func TestStageResetInMotionLosesItsPosition(t *testing.T) {
	b := aStage(t)
	journal := journalOf(b)
	within(b, "$H\n", home)
	within(b, "G53 G1 X10 F300\n", clock.Second)
	expectSaid(t, "reset", within(b, "\x18", clock.Second), "ALARM:3\r\n", "Grbl 1.1h", "[MSG:'$H'|'$X' to unlock]\r\n")
	expectSaid(t, "locked", within(b, "X0\n?", clock.Second), "error:9", "<Alarm|MPos:")
	really, counted, _ := b.World().StageAt(b.World().Now())
	if really == counted || b.World().Moving() {
		t.Errorf("it is at %g m, believes %g m, moves %v", really, counted, b.World().Moving())
	}
	for _, want := range []string{`"what":"motion","value":1,"text":"to 10.000 mm"`, `"what":"motion","value":0,"text":"at `} {
		if !strings.Contains(journal.String(), want) {
			t.Errorf("the journal lacks %s:\n%s", want, journal)
		}
	}
}

func TestStageLocksUpBeyondItsLimits(t *testing.T) {
	b := aStage(t)
	within(b, "$H\n", home)
	expectSaid(t, "beyond", within(b, "G1 X101 F300\n", clock.Second), "ALARM:2\r\n", "[MSG:Reset to continue]\r\n")
	expectSaid(t, "deaf", within(b, "?$X\n?", clock.Second))
	expectSaid(t, "reset", within(b, "\x18", clock.Second), "ok\r\n", "Grbl", "unlock")
}

// A film with a gauge factor, over hinge-free bending: R follows the strain of the
// exact elastica; the law of cracking has a known answer.
func TestFilmFollowsStrainAndCracks(t *testing.T) {
	b := aStage(t)
	within(b, "$H\n", home)
	w := b.World()
	flat := w.FilmOhm()
	within(b, "G53 G1 X5.2 F3000\n", 5*clock.Second)
	strain := w.FilmStrain()
	// R = 12.341 mm after 5 mm of travel of 50 mm, for 125 um and with the exact elastica
	// (a thicker strip buckles a little later); by hand, the neutral plane of 125 um of
	// 2.5 GPa under 10 um of 3 GPa lies 68.412 um deep, the middle of the film 130 um.
	if r := (130e-6 - 68.412e-6) / strain; math.Abs(r-12.341e-3) > 0.005e-3 {
		t.Errorf("a strain of %g is a radius of %g m", strain, r)
	}
	if got := w.FilmOhm()/flat - 1; math.Abs(got-5*strain) > 1e-4 {
		t.Errorf("the resistance has changed by %g, expected %g", got, 5*strain)
	}
	n := w.strip.CyclesTo(strain, 0.2)
	cycles := 0
	for ; w.state.Stage.Strip.Damage < 1 && cycles < 1e6; cycles++ {
		for _, to := range []float64{0.2e-3, 5.2e-3} {
			w.Drive(Motion{FromM: to, ToM: to})
			w.turn()
		}
	}
	if math.Abs(float64(cycles)-n) > 1 {
		t.Errorf("after %d cycles the resistance has risen by a fifth, the law says %g", cycles, n)
	}
	w.Drive(Motion{FromM: 0.2e-3, ToM: 0.2e-3})
	if got := w.FilmOhm()/flat - 1; math.Abs(got-0.2) > 0.01 {
		t.Errorf("the flat film has changed by %g", got)
	}
	w.Drive(Motion{FromM: 45e-3, ToM: 45e-3}) // the legs would touch
	w.turn()
	if got := w.FilmOhm(); got < 1e11 {
		t.Errorf("a strip pushed too far has %g Ohm", got)
	}
}

// A film whose resistance follows the strain with play: half way up and half way down it
// differs by twice the play, flat again it has kept it once, whatever the speed; and
// asking meanwhile changes nothing.
func TestFilmWithPlay(t *testing.T) {
	const play = 1e-4
	b := aStage(t)
	within(b, "$H\n", home)
	w := b.World()
	w.strip.PlayStrain, w.strip.CrackCycles = play, 0
	flat, gauge := w.FilmOhm(), w.strip.GaugeFactor
	for n, feed := range []string{"F3000", "F300", "F3000"} {
		went := func(to string) float64 {
			said := within(b, "G53 G1 X"+to+" "+feed+"\n", 60*clock.Second)
			if len(said) == 0 || w.Moving() {
				t.Fatalf("it is not at %s: %q", to, said)
			}
			if n > 0 {
				w.FilmOhm()
			}
			return w.FilmOhm()/flat - 1
		}
		went("0.2")
		out := went("2.7")
		went("5.2")
		back, rest := went("2.7"), went("0.2")
		if got := back - out; math.Abs(got-2*gauge*play) > 1e-9 {
			t.Errorf("pass %d: the loop is %g wide, expected %g", n, got, 2*gauge*play)
		}
		if math.Abs(rest-gauge*play) > 1e-9 {
			t.Errorf("pass %d: flat again it has changed by %g, expected %g", n, rest, gauge*play)
		}
	}
}

func TestStageCloneGoesOn(t *testing.T) {
	talk := func(b *Bench, from, to int) string {
		var all strings.Builder
		for k := from; k < to; k++ {
			lines := []string{"$H\n", "?", "G53 G1 X5 F600\n", "X1\nX7\n", "!", "~", "?", "X9\nX", "3\n", "G4 P0.2\n", "?", "\x18", "$X\n"}
			all.WriteString(within(b, lines[k%len(lines)], 913*clock.Millisecond))
		}
		fmt.Fprintf(&all, "%+v", b.World().State().Stage)
		return all.String()
	}
	whole := talk(aStage(t), 0, 90)
	b := aStage(t)
	for k := range 90 {
		if c := b.Clone(); !strings.HasSuffix(whole, talk(c, k, 90)) {
			t.Fatalf("a clone made before line %d goes on in another way", k)
		}
		talk(b, k, k+1)
	}
}

func TestStuckAndHungStages(t *testing.T) {
	b := aStage(t)
	within(b, "$H\n", home)
	b.Break("stuck", func(f *Faults) { f.StageStuck = true })
	within(b, "G53 G1 X5 F600\n", 3*clock.Second)
	if really, counted, _ := b.World().StageAt(b.World().Now()); really != 0 || counted != 5e-3 {
		t.Errorf("it is at %g m, believes %g m", really, counted)
	}
	b.Break("mended, hung", func(f *Faults) { f.StageStuck, f.StageHung = false, true })
	if really, _, _ := b.World().StageAt(b.World().Now()); really != 0 {
		t.Errorf("mending it moves it to %g m", really)
	}
	expectSaid(t, "hung", within(b, "?!X0\n", clock.Second))
}
