package sequence_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs/figures"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// bendingPlan compiles steps for the bench of the bending examples; changes to its rig
// file are pairs "old => new".
func bendingPlan(t testing.TB, steps string, changes ...string) (*plan.Plan, *rig.Rig, *rig.Specimen) {
	t.Helper()
	m := &yamltext.Mistakes{}
	read := func(name string, changes []string) *yamltext.Document {
		text, err := os.ReadFile(leafClip + "bending/" + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range changes {
			old, new, _ := strings.Cut(c, " => ")
			text = []byte(strings.Replace(string(text), old, new, 1))
		}
		return yamltext.Parse(name, text, m)
	}
	r, s := rig.Load(read("rig.yaml", changes), nil, m), rig.LoadSpecimen(read("specimen.yaml", nil), m)
	text := "format: 1\ntitle: t\nrecord: {element.resistance: 500 ms, stage.position: 500 ms}\nends: {at most: 100 h}\nsteps:\n" + steps
	p := plan.Compile(yamltext.Parse("trial.yaml", []byte(text), m), r, s, plan.Options{}, m)
	if m.Len() > 0 {
		m.Print(os.Stderr)
		t.Fatal(m.Err())
	}
	return p, r, s
}

const readyToBend = `
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - home: {at most: 2 min}
`

// disturbance is what is done to a bench at an instant.
type disturbance func(c clock.Clock, r *sequence.Run, b *twin.Bench)

// disturbed rehearses a plan while something is done to the bench.
func disturbed(t *testing.T, p *plan.Plan, r *rig.Rig, s *rig.Specimen, rec sequence.Recorder, at clock.Instant, meddle disturbance) (sequence.Outcome, *twin.Bench) {
	t.Helper()
	return attended(t, p, r, s, rec, at, meddle, func(*sequence.Options) {})
}

// attended is disturbed with other options, such as somebody else at the bench.
func attended(t *testing.T, p *plan.Plan, r *rig.Rig, s *rig.Specimen, rec sequence.Recorder, at clock.Instant, meddle disturbance,
	with func(*sequence.Options)) (sequence.Outcome, *twin.Bench) {
	t.Helper()
	bench, err := twin.New(r, s, 3)
	if err != nil {
		t.Fatal(err)
	}
	world := clock.Virtual(0)
	var outcome sequence.Outcome
	if err := world.Run(func() error {
		gate, err := safety.NewGate(p.Rules, r)
		if err != nil {
			return err
		}
		b, err := rig.Open(world, r, gate, rig.Opening{Attach: func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }}, clock.Never)
		if err != nil {
			return err
		}
		defer b.Close()
		options := sequence.Options{Clock: world, Record: rec, Person: bench.Person(world, p.Specimen)}
		with(&options)
		run, err := sequence.New(p, b, gate, options)
		if err != nil {
			return err
		}
		if meddle != nil {
			world.Go("meddler", func() error {
				if world.Sleep(at) == nil {
					bench.Advance(world.Now())
					meddle(world, run, bench)
				}
				return nil
			})
		}
		outcome = run.Execute()
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	bench.Advance(world.Now())
	if bench.World().Moving() || bench.World().Source().Mode != twin.SourceOff {
		t.Errorf("after the run it moves: %v, output is on: %v", bench.World().Moving(), bench.World().Source())
	}
	return outcome, bench
}

// bending rehearses steps while something is done to the bench at an instant.
func bending(t *testing.T, steps string, at clock.Instant, meddle disturbance, changes ...string) (*memory, sequence.Outcome, *twin.Bench) {
	t.Helper()
	p, r, s := bendingPlan(t, readyToBend+steps, changes...)
	rec := &memory{}
	outcome, bench := disturbed(t, p, r, s, rec, at, meddle)
	return rec, outcome, bench
}

func TestBendsAndArrivesByStatus(t *testing.T) {
	rec, o, bench := bending(t, `
  - bend: {radius: 12 mm, at most: 10 s}
  - hold: 2 s
  - mark: bent
  - flat: {at most: 10 s}
  - hold: 2 s
  - cycle: {to: {radius: 12 mm}, times: 150, rate: 2 Hz}
`, 0, nil)
	expect(t, o, "completed", 0, "")
	if got := bench.World().State().Stage.Strip.Halves; got != 2*(1+150) {
		t.Errorf("the strip was bent %d times half", got)
	}
	all := strings.Join(rec.lines, "\n")
	for _, want := range []string{"cycling 8 cycle flat, radius 12 mm, flat [{from 0} {to 100}]", "cycled 8 cycle  [{cycles 100}]", "cycled 8 cycle  [{cycles 150}]"} {
		if !strings.Contains(all, want) {
			t.Errorf("the record lacks %q", want)
		}
	}
}

// A run that is stopped in the middle of a motion, or of many that are queued, stands
// at once, and knows where.
func TestStoppedWhileItMoves(t *testing.T) {
	for _, x := range []struct {
		steps string
		at    clock.Instant
	}{
		{"  - bend: {radius: 8 mm, speed: 1 mm/s, at most: 30 s}\n", 8 * clock.Second},
		{"  - cycle: {to: {radius: 8 mm}, times: 1000, rate: 1 Hz}\n", 25*clock.Second + 300*clock.Millisecond},
		{"", 2 * clock.Second}, // while it looks for its switch
	} {
		var stopped clock.Instant
		_, o, bench := bending(t, x.steps, x.at, func(c clock.Clock, r *sequence.Run, b *twin.Bench) {
			if x.steps != "" && !b.World().Moving() {
				t.Errorf("%q: it does not move at %g s: the test shows nothing", x.steps, x.at.Seconds())
			}
			r.Stop()
			for b.World().Moving() {
				if c.Sleep(c.Now()+10*clock.Millisecond) != nil {
					return
				}
				b.Advance(c.Now())
			}
			stopped = c.Now() - x.at
		})
		expect(t, o, "stopped", safety.Stopped, "stopped by the operator")
		if x.steps != "" && (stopped == 0 || stopped > clock.Second/2) {
			t.Errorf("%q: it stood after %g s", x.steps, stopped.Seconds())
		}
		if really, counted, _ := bench.World().StageAt(bench.World().Now()); x.steps != "" && really != counted {
			t.Errorf("%q: it is at %g m and believes %g m", x.steps, really, counted)
		}
	}
}

func TestStageFaultsStopARun(t *testing.T) {
	steps := "  - cycle: {to: {radius: 8 mm}, times: 1000, rate: 1 Hz}\n"
	for _, x := range []struct {
		what   string
		meddle func(c clock.Clock, r *sequence.Run, b *twin.Bench)
		says   string
		word   string
	}{
		{"reset by somebody while it moves", func(c clock.Clock, _ *sequence.Run, b *twin.Bench) { b.Device("stage").Receive(c.Now(), []byte{0x18}) }, "stage", ""},
		{"switched off and on", func(_ clock.Clock, _ *sequence.Run, b *twin.Bench) { b.Reboot("stage") }, "stage", ""},
		{"held by somebody", func(c clock.Clock, _ *sequence.Run, b *twin.Bench) { b.Device("stage").Receive(c.Now(), []byte("!")) }, "stage", ""},
	} {
		_, o, bench := bending(t, steps, 20*clock.Second+400*clock.Millisecond, x.meddle)
		if o.Word == "completed" || !o.Safe || !strings.Contains(o.Cause.Error(), x.says) {
			t.Errorf("%s: %s, safe %v: %v", x.what, o.Word, o.Safe, o.Cause)
		}
		if at := bench.World().Now(); at > 60*clock.Second {
			t.Errorf("%s: it took until %g s", x.what, at.Seconds())
		}
		t.Logf("%s: %s after %.1f s: %v", x.what, o.Word, bench.World().Now().Seconds()-20.4, o.Cause)
	}
}

// answers is a person who says the same to everything.
type answers struct {
	sequence.Person
	says string
}

func (a answers) Ask(string, clock.Instant) (string, error) { return a.says, nil }

// A specimen that nobody says is safe to home with is asked about, and no is no.
func TestHomingIsAskedAbout(t *testing.T) {
	p, r, s := bendingPlan(t, readyToBend, "homing: harmless => homing: ask")
	for says, word := range map[string]string{"yes": "completed", "no": "tripped", "done": "tripped"} {
		o, bench := attended(t, p, r, s, &memory{}, 0, nil, func(o *sequence.Options) { o.Person = answers{o.Person, says} })
		at, _, _ := bench.World().StageAt(bench.World().Now())
		if o.Word != word || !o.Safe || (at == 0) != (says == "yes") {
			t.Errorf("%s: %s, safe %v: %v; it is at %g m", says, o.Word, o.Safe, o.Cause, at)
		}
		if says != "yes" && !strings.Contains(o.Cause.Error(), "the answer was \""+says+"\", not yes") {
			t.Errorf("%s: %v", says, o.Cause)
		}
	}
	if _, o, _ := bending(t, "", 0, nil, "homing: harmless => homing: ask"); o.Word != "completed" {
		t.Errorf("the virtual person does not let it home: %v", o.Cause)
	}
}

// marked is a recorder that keeps the last reading of the film at every mark.
type marked struct {
	memory
	last           float64
	cycles, ohm    []float64
	channel, wants string
}

func (m *marked) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	if c.Name == m.channel && x.Flag == drivers.Good {
		m.last = x.Value
	}
	return nil
}

func (m *marked) Event(e sequence.Event) error {
	if e.Kind == "mark" && e.Text == m.wants {
		n := 0.0
		for _, f := range e.Fields {
			if f.Key == "cycles" {
				n = f.Value
			}
		}
		m.cycles, m.ohm = append(m.cycles, n), append(m.ohm, m.last)
	}
	return nil
}

// A film that cracks by a known law, and figures that find when.
func TestFatigueFindsTheLawOfCracking(t *testing.T) {
	const cracks = 300 // cycles of 1 %
	p, r, s := bendingPlan(t, readyToBend+"  - cycle: {to: {radius: 8 mm}, times: 2000, rate: 1 Hz, measure: {at: every 100, for: 4 s}}\n",
		fmt.Sprintf("film cracks after: 20000 => film cracks after: %d", cracks))
	rec := &marked{channel: "element.resistance", wants: "flat"}
	outcome, _ := disturbed(t, p, r, s, rec, 0, nil)
	expect(t, outcome, "completed", 0, "")
	var change []float64
	for _, ohm := range rec.ohm {
		change = append(change, 100*(ohm/rec.ohm[0]-1))
	}
	strain := p.Summary.Bends[0].Strain
	law := float64(cracks) * math.Pow(0.01/strain, 4) // to a fifth; the virtual film's own words
	if len(change) != 21 || rec.cycles[20] != 2000 {
		t.Fatalf("measured at %v", rec.cycles)
	}
	all, err := figures.CyclesToThreshold(figures.Origin{Channel: "element.resistance"}, rec.cycles, change, nil, 0.02, 0.02, 20)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, f := range all {
		found++
		if f.Figure != "cycles_to_threshold" || f.Censored || f.Low == nil || law < *f.Low || law > *f.High || *f.High-*f.Low > 150 {
			t.Errorf("%s: %g cycles, from %v to %v; the law says %g", f.Flavour, f.Value, f.Low, f.High, law)
		}
		t.Logf("%s: %.1f cycles, the law says %.1f", f.Flavour, f.Value, law)
	}
	if found == 0 {
		t.Errorf("no figure among %+v", all)
	}
}

// A film that is worn out ends its step at the next reading, and the protocol goes on;
// what was bent by then is counted, to the cycle.
func TestWornOutEndsTheStepNotTheRun(t *testing.T) {
	rec, o, bench := bending(t, `
  - cycle: {to: {radius: 8 mm}, times: 5000, rate: 1 Hz, measure: {at: every 200, for: 2 s}, stop when: "element.resistance > 13 kOhm"}
  - mark: worn out
`, 0, nil, "film cracks after: 20000 => film cracks after: 100")
	expect(t, o, "completed", 0, "")
	all, cycles := strings.Join(rec.lines, "\n"), bench.World().State().Stage.Strip.Halves/2
	if !strings.Contains(all, "mark 4 mark worn out") {
		t.Error("the protocol has not gone on")
	}
	if want := fmt.Sprintf("condition met 3 cycle element.resistance > 13 kOhm [{cycles %d}]", cycles); !strings.Contains(all, want) {
		t.Errorf("the strip was bent %d times; the record lacks %q", cycles, want)
	}
	if cycles < 200 || cycles > 1000 {
		t.Errorf("it was bent %d times", cycles)
	}
}

// A stage that takes one command after the other does the same cycles, each motion
// confirmed before the next.
func TestCyclesOneByOne(t *testing.T) {
	p, r, s := bendingPlan(t, readyToBend+"  - cycle: {to: {radius: 12 mm}, times: 30, rate: 1 Hz, stop when: \"element.resistance > 13 kOhm\"}\n")
	r.Instruments[r.Instrument("stage")].Profile.Ahead = 1
	rec := &memory{}
	o, bench := disturbed(t, p, r, s, rec, 0, nil)
	expect(t, o, "completed", 0, "")
	if got := bench.World().State().Stage.Strip.Halves; got != 60 {
		t.Errorf("the strip was bent %d times half", got)
	}
	if !strings.Contains(strings.Join(rec.lines, "\n"), "cycled 3 cycle  [{cycles 30}]") {
		t.Error("they are not counted")
	}
}
