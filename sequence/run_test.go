package sequence_test

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// trial is one rehearsal of a protocol written in the test, with what may go wrong.
type trial struct {
	steps    string
	limits   string                                              // lines under `limits:`
	locks    string                                              // entries of `interlocks:`
	person   func(c clock.Clock, b *twin.Bench) sequence.Person  // nil: the twin's own
	record   func(sequence.Recorder) sequence.Recorder           // nil: as it is
	meddle   func(c clock.Clock, r *sequence.Run, b *twin.Bench) // runs beside the run
	device   func(name string, d wire.Device) wire.Device        // nil: as it is
	watch    func(c clock.Clock) *sequence.Watched               // nil: nobody watches
	rig      []string                                            // changes to the example's rig file: what stands there, what is to
	profiles map[string]string                                   // beside it
	atMost   string
	offBy    clock.Instant
	rules    func(*safety.Rules) // takes some away; may be nil
	seed     uint64              // of the bench; 0 for 3
	seconds  float64             // how long it took, filled in
	bench    *twin.Bench
	energise []string // world-changing commands of the twin's journal that put energy in
}

const header = `
format: 1
title: a trial
record: {plate.temperature: 1 s, foil.temperature: 1 s, element.resistance: 1 s}
`

func (x *trial) plan(t *testing.T) (*plan.Plan, *rig.Rig, *rig.Specimen) {
	t.Helper()
	_, r, s := example(t, "staircase.yaml")
	if x.rig != nil {
		r = x.changed(t)
	}
	text := header
	if x.limits != "" {
		text += "limits:\n" + x.limits + "\n"
	}
	if x.locks != "" {
		text += "interlocks:\n" + x.locks + "\n"
	}
	if x.atMost == "" {
		x.atMost = "2 h"
	}
	text += "ends: {at most: " + x.atMost + "}\nsteps:\n" + x.steps
	m := &yamltext.Mistakes{}
	p := plan.Compile(yamltext.Parse("trial.yaml", []byte(text), m), r, s, plan.Options{}, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return p, r, s
}

// changed is the example's rig with the changes of the trial.
func (x *trial) changed(t *testing.T) *rig.Rig {
	t.Helper()
	text, err := os.ReadFile(leafClip + "rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := &yamltext.Mistakes{}
	changed := strings.NewReplacer(x.rig...).Replace(string(text))
	r := rig.Load(yamltext.Parse("rig.yaml", []byte(changed), m), func(name string) ([]byte, error) { return []byte(x.profiles[name]), nil }, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return r
}

const source = `
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4}
`

// do rehearses the trial and checks what must hold however it ends: the world is
// safe, and the run says so.
func (x *trial) do(t *testing.T) (*memory, sequence.Outcome) {
	t.Helper()
	p, r, s := x.plan(t)
	if x.rules != nil {
		x.rules(&p.Rules)
	}
	bench, err := twin.New(r, s, cmp.Or(x.seed, 3))
	if err != nil {
		t.Fatal(err)
	}
	x.bench = bench
	bench.Journal(func(_ clock.Instant, line []byte) {
		if l := string(line); strings.Contains(l, `"heat"`) || strings.Contains(l, `"output"`) {
			x.energise = append(x.energise, l)
		}
	})
	world, rec := clock.Virtual(0), &memory{}
	var recorder sequence.Recorder = rec
	if x.record != nil {
		recorder = x.record(rec)
	}
	var outcome sequence.Outcome
	err = world.Run(func() error {
		gate, err := safety.NewGate(p.Rules, r)
		if err != nil {
			return err
		}
		attach := func(d rig.Description) (wire.Device, error) {
			if x.device != nil {
				return x.device(d.Name, bench.Device(d.Name)), nil
			}
			return bench.Device(d.Name), nil
		}
		b, err := rig.Open(world, r, gate, rig.Opening{Attach: attach, Tap: rec.exchange}, clock.Never)
		if err != nil {
			return err
		}
		defer b.Close()
		o := sequence.Options{Clock: world, Record: recorder, Person: bench.Person(world, p.Specimen), OffBy: x.offBy}
		if x.watch != nil {
			o.Watch = x.watch(world)
		}
		if x.person != nil {
			o.Person = x.person(world, bench)
		}
		run, err := sequence.New(p, b, gate, o)
		if err != nil {
			return err
		}
		if x.meddle != nil {
			world.Go("meddler", func() error { x.meddle(world, run, bench); return nil })
		}
		outcome = run.Execute()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	x.seconds = world.Now().Seconds()
	if bench.World().Heating() || bench.World().Source().Mode != twin.SourceOff {
		t.Errorf("after the run heat is on: %v, output is on: %v", bench.World().Heating(), bench.World().Source())
	}
	return rec, outcome
}

// expect compares an outcome, and that the bench was confirmed safe.
func expect(t *testing.T, o sequence.Outcome, word string, kind safety.Kind, text string) {
	t.Helper()
	if o.Word != word || !o.Safe {
		t.Fatalf("%s, safe %v: %v; expected %s", o.Word, o.Safe, o.Cause, word)
	}
	if word == "completed" {
		return
	}
	if o.Cause.Kind != kind || !strings.Contains(o.Cause.Error(), text) {
		t.Fatalf("cause %q of kind %d, expected %q of kind %d", o.Cause, o.Cause.Kind, text, kind)
	}
}

func TestAnInterlockTripsAndTheHeatGoesOff(t *testing.T) {
	x := trial{locks: `  - {when: "plate.temperature > 25 degC", then: trip}`,
		steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`}
	rec, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "plate.temperature > 25 degC holds")
	heated := false
	for _, l := range rec.lines {
		heated = heated || strings.Contains(l, "plate heat on")
	}
	if !heated {
		t.Error("it never heated: the test shows nothing")
	}
}

func TestNothingIsSentAfterATrip(t *testing.T) {
	x := trial{locks: `  - {when: "plate.temperature > 25 degC", then: trip}`,
		steps: source + "  - bring: {plate to: 30 degC, without waiting: true}\n" +
			"  - repeat: {times: 100}\n    do:\n      - hold: 1 s\n      - source: {instrument: meter, current: 5 uA, compliance: 2 V}\n"}
	rec, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "holds")
	tripped := false
	for _, l := range rec.lines {
		if strings.Contains(l, " set ") && tripped {
			t.Errorf("set after the trip: %s", l)
		}
		tripped = tripped || strings.Contains(l, " tripped ")
	}
}

func TestCeilings(t *testing.T) {
	t.Run("of a wait", func(t *testing.T) {
		x := trial{steps: source + `  - bring: {plate to: 40 degC, at most: 40 s}`}
		_, o := x.do(t)
		expect(t, o, "failed", safety.Ceiling, "plate.temperature was to reach 40 degC, but not within 40 s")
	})
	t.Run("of a wait after which the protocol goes on", func(t *testing.T) {
		x := trial{steps: source + `  - hold: {until: "plate.temperature > 50 degC", at most: 5 s, otherwise: go on}`}
		rec, o := x.do(t)
		expect(t, o, "completed", 0, "")
		if !strings.Contains(strings.Join(rec.lines, "\n"), "the protocol goes on") {
			t.Error("the ceiling left no trace")
		}
	})
	t.Run("of the whole run", func(t *testing.T) {
		x := trial{steps: source + "  - hold: 20 s\n  - hold: {until: \"plate.temperature > 50 degC\", at most: 50 min, otherwise: go on}", atMost: "55 min",
			meddle: func(c clock.Clock, _ *sequence.Run, _ *twin.Bench) {}}
		_, o := x.do(t)
		expect(t, o, "completed", 0, "")
		x.offBy = 10 * clock.Minute
		_, o = x.do(t)
		expect(t, o, "failed", safety.Ceiling, "must go off now")
		if x.seconds > 610 {
			t.Errorf("ended after %g s, the rig had to be cool after 600 s", x.seconds)
		}
	})
}

func TestTheOperatorStops(t *testing.T) {
	x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
		meddle: func(c clock.Clock, r *sequence.Run, _ *twin.Bench) {
			if c.Sleep(20*clock.Second) == nil {
				r.Stop()
			}
		}}
	_, o := x.do(t)
	expect(t, o, "stopped", safety.Stopped, "stopped by the operator")
	if x.seconds > 30 {
		t.Errorf("stopped at 20 s, over at %g s", x.seconds)
	}
}

// impostor is a person with another specimen in hand.
type impostor struct{ sequence.Person }

func (impostor) Ask(string, clock.Instant) (string, error) { return "LC-08", nil }

func TestTheWrongSpecimenIsRefusedBeforeAnything(t *testing.T) {
	x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
		person: func(c clock.Clock, b *twin.Bench) sequence.Person { return impostor{b.Person(c, "LC-07")} }}
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, `"LC-08"`)
	if len(x.energise) > 0 {
		t.Errorf("something was switched on: %v", x.energise)
	}
}

func TestABrokenSpecimenIsRefusedBeforeHeat(t *testing.T) {
	for name, faults := range map[string]twin.Faults{"open": {FilmOpen: true}, "short": {FilmShort: true}} {
		t.Run(name, func(t *testing.T) {
			x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
				meddle: func(c clock.Clock, _ *sequence.Run, b *twin.Bench) { b.World().SetFaults(faults) }}
			_, o := x.do(t)
			expect(t, o, "tripped", safety.Tripped, "specimen")
			for _, l := range x.energise {
				if strings.Contains(l, `"heat"`) && !strings.Contains(l, "off") {
					t.Errorf("heated: %s", l)
				}
			}
		})
	}
}

// fullDisk fails at the n-th reading.
type fullDisk struct {
	sequence.Recorder
	left int
}

func (f *fullDisk) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	if f.left--; f.left <= 0 {
		return errors.New("no space left on device")
	}
	return f.Recorder.Reading(x, c, step)
}

func TestAFullDiskStopsTheRun(t *testing.T) {
	for _, n := range []int{1, 7, 40, 200} {
		x := trial{steps: source + "  - bring: {plate to: 30 degC, at most: 20 min}\n  - hold: 5 min",
			record: func(r sequence.Recorder) sequence.Recorder { return &fullDisk{r, n} }}
		_, o := x.do(t)
		expect(t, o, "failed", safety.Failed, "no space left on device")
	}
}

// disk is a Recorder that knows how much of a run is on the disk.
type disk struct {
	sequence.Recorder
	clock  clock.Clock
	told   clock.Instant // when the trip was recorded
	synced clock.Instant // when it was on the disk
}

func (d *disk) Event(e sequence.Event) error {
	if e.Kind == "tripped" {
		d.told = e.At
	}
	return d.Recorder.Event(e)
}

func (d *disk) Sync() error {
	if d.told > 0 && d.synced == 0 {
		d.synced = d.clock.Now()
	}
	return d.Recorder.Sync()
}

// A trip goes to the disk at once, not with the next group.
func TestATripGoesToTheDiskAtOnce(t *testing.T) {
	d := &disk{}
	x := trial{limits: "  plate.temperature: {below: 25 degC}", steps: source + "  - bring: {plate to: 22 degC, at most: 20 min}\n  - hold: 5 min",
		record: func(r sequence.Recorder) sequence.Recorder { d.Recorder = r; return d },
		meddle: func(c clock.Clock, r *sequence.Run, b *twin.Bench) {
			d.clock = c
			c.Sleep(20*clock.Second + 123*clock.Millisecond)
			b.World().SetPlateTarget(120)
		}}
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "behind our back")
	if d.told == 0 || d.synced != d.told {
		t.Errorf("it tripped at %v s and was on the disk at %v s", d.told.Seconds(), d.synced.Seconds())
	}
}

// deaf is a device that hears nothing from a moment on.
type deaf struct {
	wire.Device
	from clock.Instant
	to   clock.Instant
}

func (d *deaf) Receive(at clock.Instant, b []byte) {
	if at < d.from || at > d.to {
		d.Device.Receive(at, b)
	}
}

func TestAnInstrumentThatFallsSilentStopsTheRun(t *testing.T) {
	for _, name := range []string{"plate", "meter"} {
		t.Run(name, func(t *testing.T) {
			from := 25 * clock.Second
			x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
				device: func(n string, d wire.Device) wire.Device {
					if n != name {
						return d
					}
					return &deaf{d, from, from + 30*clock.Second}
				}}
			rec, o := x.do(t)
			expect(t, o, "failed", safety.Failed, "no good reading")
			var offs []string
			for _, l := range rec.lines {
				if f := strings.Fields(l); f[1] == "safe" && strings.Contains(l, "sent") {
					offs = append(offs, l)
				}
			}
			// the other instrument does not wait for the silent one
			if len(offs) != 2 || strings.Contains(offs[0], name+":") {
				t.Errorf("made safe in the order %q", offs)
			}
			var first int64
			fmt.Sscan(offs[0], &first)
			if at := clock.Instant(first); at > from+10*clock.Second {
				t.Errorf("the other instrument was safe at %g s, the fault began at %g s", at.Seconds(), from.Seconds())
			}
		})
	}
}

// A plate that is silent for less than a second loses a reading and nothing else, also
// when its watchdog, or a look at its health, is due just then: both are made up for after
// the next good reading, and the watchdog is fed after nothing else.
func TestAMomentOfSilenceStopsNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	for _, lasts := range []clock.Instant{700 * clock.Millisecond, 900 * clock.Millisecond} {
		for from := 17 * clock.Second; from <= 22*clock.Second; from += clock.Second / 10 {
			x := trial{steps: source + "  - bring: {plate to: 25 degC, at most: 20 min}\n  - hold: 90 s\n",
				device: func(n string, d wire.Device) wire.Device {
					if n != "plate" {
						return d
					}
					return &deaf{d, from, from + lasts}
				}}
			rec, o := x.do(t)
			if o.Word != "completed" || !o.Safe {
				t.Errorf("silent for %g s from %g s: %s, safe %v: %v", lasts.Seconds(), from.Seconds(), o.Word, o.Safe, o.Cause)
			}
			if err := tended(rec.lines); err != nil {
				t.Errorf("silent for %g s from %g s: %v", lasts.Seconds(), from.Seconds(), err)
			}
		}
	}
}

// tended looks at a record of 100 s and more for what the plate gets between its readings.
// The watchdog is fed every 15 s by its profile, and the set temperature read back every
// 10 s; either waits for the next good reading, and silence ends a run after 3.4 s.
func tended(lines []string) error {
	last := map[string]clock.Instant{}
	var at clock.Instant
	doubt := false
	for _, l := range lines {
		fmt.Sscan(l, &at)
		answered := strings.HasSuffix(l, " answered")
		switch {
		case strings.Contains(l, " bad reading ") && strings.Contains(l, "plate on"):
			doubt = true
		case strings.Contains(l, "IN_PV_") && answered:
			doubt = false
		case strings.Contains(l, "OUT_WD1@60") && doubt:
			return fmt.Errorf("fed in doubt at %g s", at.Seconds())
		}
		for words, every := range map[string]clock.Instant{"OUT_WD1@60": 15, "IN_SP_1": 10} {
			if !answered || !strings.Contains(l, words) {
				continue
			}
			if was := last[words]; was > 0 && at-was > (every+4)*clock.Second {
				return fmt.Errorf("%s answered at %g s and then not before %g s", words, was.Seconds(), at.Seconds())
			}
			last[words] = at
		}
	}
	for words, was := range last {
		if at-was > 25*clock.Second {
			return fmt.Errorf("%s answered at %g s for the last time", words, was.Seconds())
		}
	}
	if len(last) < 2 {
		return fmt.Errorf("answered were only %v", last)
	}
	return nil
}

func TestAPanicInARunIsAFaultOfTheProgramAndEndsSafe(t *testing.T) {
	x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
		record: func(r sequence.Recorder) sequence.Recorder { return &panicking{r, 60} }}
	_, o := x.do(t)
	expect(t, o, "failed", safety.Program, "fault of the program")
}

type panicking struct {
	sequence.Recorder
	left int
}

func (p *panicking) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	if p.left--; p.left == 0 {
		panic("index out of range")
	}
	return p.Recorder.Reading(x, c, step)
}

func TestRamp(t *testing.T) {
	x := trial{steps: source + "  - bring: {plate to: 25 degC, at most: 20 min}\n  - ramp: {plate from: 25 degC, to: 30 degC, at: 2 K/min}\n  - hold: 30 s"}
	rec, o := x.do(t)
	expect(t, o, "completed", 0, "")
	// in the middle of the ramp the plate is half way, but for its lag
	var began, half float64
	for _, l := range rec.lines {
		var at int64
		fmt.Sscan(l, &at)
		s := clock.Instant(at).Seconds()
		if strings.Contains(l, "step 4 ramp") {
			began = s
		}
		if f := strings.Fields(l); began > 0 && half == 0 && s > began+75 && len(f) > 3 && f[2] == "plate.temperature" {
			half, _ = strconv.ParseFloat(f[3], 64)
		}
	}
	if !(math.Abs(half-27.5) < 1) {
		t.Errorf("half way through the ramp the plate is at %g degC, expected 27.5 degC", half)
	}
}

// An instrument that falls silent while others rest for the next step keeps none of them
// on: at the boundary they are given back at once.
func TestASilentInstrumentAtABoundaryKeepsNobodyOn(t *testing.T) {
	from := 25 * clock.Second
	x := trial{steps: source + "  - bring: {plate to: 30 degC, without waiting: true}\n  - repeat: {times: 500}\n    do: [{hold: 300 ms}, {mark: again}]\n",
		device: func(n string, d wire.Device) wire.Device {
			if n != "meter" {
				return d
			}
			return &deaf{d, from, from + 30*clock.Second}
		}}
	rec, o := x.do(t)
	expect(t, o, "failed", safety.Failed, "")
	for _, l := range rec.lines {
		var at int64
		if f := strings.Fields(l); f[1] == "safe" && strings.Contains(l, "plate:") && strings.Contains(l, "sent") {
			fmt.Sscan(l, &at)
			if took := clock.Instant(at) - o.Cause.At; took > clock.Second {
				t.Errorf("the plate was off %g s after the trip", took.Seconds())
			}
			return
		}
	}
	t.Error("the plate was never made safe")
}
