package sequence_test

import (
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
	r.HeatsNot, r.KeepsWarming, r.Frozen, r.Energy, r.Watched = nil, nil, nil, nil, nil
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
	x := trial{steps: warmAndHold}
	_, o := x.do(t)
	expect(t, o, "completed", 0, "")
}
