package sequence_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
)

// warmAndHold heats, stays, and cools: every built-in interlock has its chance.
const warmAndHold = source + `
  - bring: {plate to: 40 degC, at most: 20 min, then wait: 10 min}
  - bring: {plate to: 25 degC, at most: 30 min, then wait: 2 min}
`

// breaks has a fault set in at a moment of a run.
func breaks(at clock.Instant, f twin.Faults) func(clock.Clock, *sequence.Run, *twin.Bench) {
	return func(c clock.Clock, _ *sequence.Run, b *twin.Bench) {
		if c.Sleep(at) == nil {
			b.Advance(at)
			b.World().SetFaults(f)
		}
	}
}

// without takes every built-in interlock away.
func without(r *safety.Rules) {
	r.HeatsNot, r.KeepsWarming, r.Frozen, r.Energy, r.Drives, r.Watched = nil, nil, nil, nil, nil, nil
	r.Interlocks = slices.DeleteFunc(r.Interlocks, func(i safety.Interlock) bool { return i.Name != "" })
}

// Every fault of this table is seen by a built-in interlock within so many seconds, and
// by nothing else: with the built-in ones taken away it goes unnoticed, or something
// else happens later. The rig and the protocol name none that would see it.
func TestBuiltInInterlocks(t *testing.T) {
	for _, c := range []struct {
		name   string
		atS    clock.Instant
		faults twin.Faults
		rule   string
		within clock.Instant // s
	}{
		{"heater wire broken", 15, twin.Faults{HeaterBroken: true}, "heats not", 120},
		{"plate thermometer frozen while warming", 15, twin.Faults{PlateFrozen: true}, "", 120},
		{"plate thermometer shows too little", 300, twin.Faults{PlateDriftKPerS: -0.1}, "", 600},
		{"foil thermometer came off", 300, twin.Faults{FoilOff: true}, "thermometers disagree", 600},
		{"source drives 14 times as much", 300, twin.Faults{SourceGain: 14}, "drives another level", 6},
		{"source drives a twentieth more", 300, twin.Faults{SourceGain: 1.05}, "drives another level", 6},
		{"foil thermometer frozen", 300, twin.Faults{FoilFrozen: true}, "frozen", 1200},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := trial{steps: warmAndHold, meddle: breaks(c.atS*clock.Second, c.faults)}
			_, o := x.do(t)
			expect(t, o, "tripped", safety.Tripped, "built-in: "+c.rule)
			if after := o.Cause.At - c.atS*clock.Second; after < 0 || after > c.within*clock.Second {
				t.Errorf("noticed after %g s, expected within %d s: %v", after.Seconds(), c.within, o.Cause)
			}
			t.Logf("%v, after %g s", o.Cause, (o.Cause.At - c.atS*clock.Second).Seconds())
			bare := trial{steps: warmAndHold, meddle: x.meddle, rules: without}
			if _, without := bare.do(t); without.Cause != nil && without.Cause.At <= o.Cause.At {
				t.Errorf("without the built-in interlocks it ends no later: %v", without.Cause)
			}
		})
	}
}

// A sound source is never taken to drive another level: at small and large levels, both
// ways round, over two wires, integrating as short as it can, in sweeps, as a source of
// voltage, and when its output was off meanwhile.
func TestASoundSourceDrivesWhatItWasTold(t *testing.T) {
	const confirm = "\n  - confirm: {specimen: LC-07, resistance within: 20 %}\n"
	for _, steps := range []string{
		confirm + `
  - source: {instrument: meter, current: 100 nA, compliance: 2 V, wires: 2, integration: 0.01}
  - hold: 1 min
  - source: {instrument: meter, current: -1 uA, compliance: 2 V, wires: 4, integration: 0.01}
  - hold: 1 min
  - source: {instrument: meter, current: 100 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - hold: 1 min
  - source: {instrument: meter, current: 10.2 uA, compliance: 2 V, wires: 2, integration: 1}
  - hold: 1 min
  - source off: meter
  - hold: 10 s
  - source: {instrument: meter, current: 0 A, compliance: 2 V}
  - hold: 1 min
`, confirm + `
  - source: {instrument: meter, voltage: 100 mV, compliance: 50 uA, wires: 4, integration: 0.1}
  - hold: 1 min
  - source: {instrument: meter, voltage: -5 mV, compliance: 50 uA, wires: 2, integration: 1}
  - hold: 1 min
  - source: {instrument: meter, current: 10 uA, compliance: 2 V}
  - hold: 1 min
`, source + `
  - sweep: {instrument: meter, current: -100 uA to 100 uA by 5 uA, settle: 5 s, read: [element.voltage, element.current]}
  - sweep: {instrument: meter, current: -10 uA to 10 uA by 1 uA, settle: 20 ms, read: [element.voltage, element.current]}
`,
	} {
		for seed := uint64(1); seed <= 5; seed++ {
			x := trial{steps: steps, seed: seed}
			_, o := x.do(t)
			expect(t, o, "completed", 0, "")
		}
	}
}

// A source in compliance drives less than it was told, rightly: that has its own rule.
func TestComplianceIsNoOtherLevel(t *testing.T) {
	x := trial{steps: warmAndHold, meddle: breaks(100*clock.Second, twin.Faults{FilmOpen: true})}
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "in compliance")
	alone := trial{steps: warmAndHold, meddle: x.meddle, rules: func(r *safety.Rules) { r.Compliance = nil }}
	if _, o := alone.do(t); o.Cause != nil && strings.Contains(o.Cause.From, "another level") {
		t.Error(o.Cause)
	}
}

// How warm a plate is when its run has ended stands in the record, measured; nobody waits
// for it to cool.
func TestHowWarmItWasLeft(t *testing.T) {
	for _, c := range []struct{ steps, says string }{
		{source + "  - bring: {plate to: 65 degC, at most: 20 min, then wait: 1 min}\n", "plate is too hot to touch: plate.temperature is 6"},
		{source + "  - bring: {plate to: 30 degC, at most: 20 min}\n", "plate can be touched: plate.temperature is "},
		{source + "  - hold: 5 s\n", "plate can be touched: plate.temperature is 1"},
	} {
		x := trial{steps: c.steps}
		rec, o := x.do(t)
		expect(t, o, "completed", 0, "")
		told := 0
		for _, l := range rec.events() {
			if strings.Contains(l, " warmth ") {
				told++
				if !strings.Contains(l, c.says) {
					t.Errorf("%s: expected %q", l, c.says)
				}
			}
		}
		if took := (o.Report.Done - o.Report.Began).Seconds(); told != 1 || took > 20 {
			t.Errorf("told %d times; made safe in %g s", told, took)
		}
	}
}

// A relay that is welded shut answers every question rightly. It must not end in a quiet
// "confirmed": the alarm goes on until the plate's own over-temperature circuit has cut
// the heater and the plate is seen to cool.
func TestAWeldedRelayEndsInAnAlarm(t *testing.T) {
	x := trial{steps: warmAndHold, meddle: breaks(300*clock.Second, twin.Faults{RelayWelded: true})}
	rec, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "keeps warming")
	if !x.bench.World().CutOut() {
		t.Fatal("the plate's own circuit did not cut: the test shows nothing")
	}
	alarms := 0
	for _, l := range rec.lines {
		if strings.Contains(l, " not safe ") && strings.Contains(l, "plate") {
			alarms++
		}
	}
	if alarms < 2 {
		t.Errorf("%d alarms until the circuit cut", alarms)
	}
	t.Logf("%d alarms in %g s", alarms, (o.Report.Done - o.Report.Began).Seconds())
}

// What may be put into the specimen over a whole run is counted as it is put in.
func TestTheEnergyInTheSpecimen(t *testing.T) {
	const limitJ = 1e-4 // 1 uW for about 100 s
	x := trial{steps: source + "  - hold: 5 min\n", rules: func(r *safety.Rules) {
		r.Energy = append(r.Energy, safety.Energy{Power: "element.power", BelowJ: limitJ, From: "specimen"})
	}}
	_, o := x.do(t)
	expect(t, o, "tripped", safety.Tripped, "the specimen has taken")
	if s := o.Cause.At.Seconds(); s < 60 || s > 150 {
		t.Errorf("1 uW had put in 100 uJ after %g s", s)
	}
}

func TestNothingTripsWhenNothingIsBroken(t *testing.T) {
	for _, steps := range []string{warmAndHold, source + `
  - bring: {plate to: 66 degC, at most: 20 min, then wait: 5 min}
  - lift: {to: cold block}
  - hold: 5 min
  - place: {by: person}
  - hold: 5 min
  - bring: {plate to: 45 degC, at most: 20 min}
  - bring: {plate to: 66 degC, at most: 20 min}
  - lift: {to: moving air}
  - bring: {plate to: 25 degC, at most: 30 min, then wait: 10 min}
  - place: {by: person}
  - hold: 10 min
`} {
		x := trial{steps: steps}
		rec, o := x.do(t)
		expect(t, o, "completed", 0, "")
		for _, l := range rec.events() {
			if strings.Contains(l, " warning ") || strings.Contains(l, " bad reading ") {
				t.Error(l)
			}
		}
	}
}

// What an instrument says of itself stops the run by name, within the time that its
// rule states; without the rule it goes unnoticed or ends otherwise.
func TestWhatInstrumentsSayOfThemselves(t *testing.T) {
	const at = 100 * clock.Second
	for _, c := range []struct {
		name, rule string
		hand       func(b *twin.Bench) error
		what       string
	}{
		{"meter switched off and on", "reset or changed behind our back", func(b *twin.Bench) error { return b.Reboot("meter") }, "since it was prepared"},
		// it keeps its set temperature and cannot be asked whether it heats
		{"plate switched off and on", "heats not", func(b *twin.Bench) error { return b.Reboot("plate") }, "does not warm"},
		{"plate's knob turned", "reset or changed behind our back", func(b *twin.Bench) error { return b.Meddle("plate") }, "temperature is not as it was set"},
		{"somebody else's command to the meter", "instrument reports a fault", func(b *twin.Bench) error {
			b.Device("meter").Receive(at, []byte("SING\n"))
			return nil
		}, "it did not know a command"},
		{"an error of the meter", "error queue not empty", func(b *twin.Bench) error {
			b.Device("meter").Receive(at, []byte("SING\n*CLS\nSING\n*ESR?\n")) // the register is read already
			return nil
		}, "Undefined header"},
	} {
		t.Run(c.name, func(t *testing.T) {
			meddle := func(clk clock.Clock, _ *sequence.Run, b *twin.Bench) {
				if clk.Sleep(at) == nil {
					b.Advance(at)
					if err := c.hand(b); err != nil {
						t.Error(err)
					}
				}
			}
			x := trial{steps: warmAndHold, meddle: meddle}
			_, o := x.do(t)
			expect(t, o, "tripped", safety.Tripped, "built-in: "+c.rule)
			if o.Cause.At < at || o.Cause.At > at+12*clock.Second && c.rule != "heats not" || !strings.Contains(o.Cause.Text, c.what) {
				t.Errorf("at %g s: %v", o.Cause.At.Seconds(), o.Cause)
			}
			bare := trial{steps: warmAndHold, meddle: meddle, rules: without}
			if _, b := bare.do(t); b.Cause != nil && strings.Contains(b.Cause.From, c.rule) {
				t.Errorf("without the rule: %v", b.Cause)
			}
		})
	}
}

// The time that the plan states from a breach to a safe bench is kept, whatever the run
// is doing: a contact opens at many moments, and the virtual bench's journal says when
// heat and output went off.
func TestTheStatedReactionIsKept(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	longest, stated := clock.Instant(0), clock.Instant(0)
	steps := source + `
  - bring: {plate to: 26 degC, at most: 20 min}
  - sweep: {instrument: meter, current: -10 uA to 10 uA by 5 uA, settle: 1 s, read: [element.voltage, element.current]}
  - source: {instrument: meter, current: 5 uA, compliance: 2 V, wires: 4, reverse: true}
  - hold: 20 s
`
	for at := 4 * clock.Second; at < 90*clock.Second; at += 1370 * clock.Millisecond {
		b := &box{}
		x := boxed(trial{steps: steps}, b, doorStops)
		x.meddle = func(c clock.Clock, _ *sequence.Run, _ *twin.Bench) {
			if c.Sleep(at) == nil {
				b.open = true
			}
		}
		p, _, _ := x.plan(t)
		for _, r := range p.Summary.Reactions {
			if strings.HasPrefix(r.Rule, "stop contact") {
				stated = clock.Instant(r.TotalNs)
			}
		}
		_, o := x.do(t)
		if o.Word == "completed" {
			break
		}
		expect(t, o, "tripped", safety.Tripped, "stop contact")
		off := clock.Instant(0)
		for _, l := range x.energise {
			var e struct {
				AtS   float64 `json:"at_s"`
				Value float64 `json:"value"`
			}
			if err := json.Unmarshal([]byte(l), &e); err != nil {
				t.Fatal(err)
			}
			if when := clock.Instant(e.AtS * 1e9); e.Value == 0 && when >= at {
				off = max(off, when)
			} else if e.Value != 0 && when > o.Cause.At {
				t.Errorf("switched on after the trip: %s", l)
			}
		}
		if took := off - at; off > 0 {
			longest = max(longest, took)
		}
	}
	if stated == 0 || longest == 0 || longest > stated {
		t.Errorf("off after %g s at most, the plan states %g s", longest.Seconds(), stated.Seconds())
	}
	t.Logf("off after %g s at most, the plan states %g s", longest.Seconds(), stated.Seconds())
}
