package drill

import (
	"strings"
	"testing"

	"dwell/drivers/rig"
)

// slowly bends for a minute, so that faults meet a stage that moves.
const slowly = `format: 1
title: a slow bend
record: {element.resistance: 1 s, stage.position: 1 s}
ends: {at most: 10 min}
steps:
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - home: {at most: 2 min}
  - bend: {travel: 20 mm, speed: 0.33 mm/s, at most: 2 min}
  - hold: 5 s
`

// bends prepares a drill of the slow bend; change makes the rig worse.
func bends(t *testing.T, change func(r *rig.Rig)) *Drill {
	t.Helper()
	p, r, s := compiledFor(t, leafClip+"bending/", slowly)
	if change != nil {
		change(r)
	}
	d := &Drill{plan: p, held: &p.Rules, rig: r, specimen: s, seed: 1, patience: patience}
	if err := d.prepare(); err != nil {
		t.Fatal(err)
	}
	return d
}

// Whatever happens to a stage that moves: it stands soon, or what would stop it is named.
func TestFaultsOfAStage(t *testing.T) {
	d := bends(t, nil)
	for _, x := range []struct {
		fault string
		ended string // begins what ended the run, as one of these
		safe  bool   // confirmed
	}{
		{"stage hangs", "silence is a fault|\"?\" not sent", false}, // with what it had been told
		{"carriage stuck", "", true},                                // its controller does not know
		{"stage held at its panel", "the stage has not arrived: it is stopped at 10.", true},
		{"stage switched off and on", "stage alarm", true},
		{"no answers", "silence is a fault|\"?\" not sent", false},
		{"garbage", "silence is a fault|\"?\" not sent", false},
		{"disk full", "the record cannot be written", true},
		{"process stopped", "", true},
	} {
		row := d.strike(t, fault(t, x.fault), "stage", "moving")
		if row.Verdict != Safe || row.Outcome.Safe != x.safe {
			t.Errorf("%s: %s (%s), the run says safe %v: %v", x.fault, row.Verdict, row.Why, row.Outcome.Safe, row.Outcome.Cause)
		}
		if cause := row.Outcome.Cause; cause != nil && x.ended != "" {
			known := false
			for _, begins := range strings.Split(x.ended, "|") {
				known = known || strings.Contains(cause.Error(), begins)
			}
			if !known {
				t.Errorf("%s: ended by %v", x.fault, cause)
			}
		}
		t.Logf("%s: %s, to safe %.1f s, safe %v: %v", x.fault, row.Verdict, row.ToSafe.Seconds(), row.Outcome.Safe, row.Outcome.Cause)
	}
}

// A stage that nobody stops is seen to move after the run.
func TestAStageThatIsNotStoppedIsUnsafe(t *testing.T) {
	d := bends(t, func(r *rig.Rig) { r.Instruments[r.Instrument("stage")].Profile.Safe = nil })
	row := d.strike(t, fault(t, "disk full"), "", "moving")
	if row.Verdict != Unsafe || !strings.Contains(row.Why, "the stage still moves; the run says that all is safe") {
		t.Errorf("%s: %s", row.Verdict, row.Why)
	}
}

// often bends and looks at the film now and then.
const often = `format: 1
title: some cycles
record: {element.resistance: 500 ms, stage.position: 1 s}
ends: {at most: 20 min}
steps:
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - home: {at most: 2 min}
  - cycle: {to: {radius: 8 mm}, times: 80, rate: 1 Hz, measure: {at: every 20, for: 3 s}}
`

// What slips between motor and strip leaves the stage content. A coupling that slips ends
// the run at the next look at the film; a clamp that does is worth a warning.
func TestSlipsOfAStage(t *testing.T) {
	p, r, s := compiledFor(t, leafClip+"bending/", often)
	d := &Drill{plan: p, held: &p.Rules, rig: r, specimen: s, seed: 1, patience: patience}
	if err := d.prepare(); err != nil {
		t.Fatal(err)
	}
	for name, ended := range map[string]string{"carriage stuck": "the strip is not bent as it is asked for", "strip slips in a clamp": ""} {
		row := d.strike(t, fault(t, name), "stage", "half-way")
		said := ""
		if row.Outcome.Cause != nil {
			said = row.Outcome.Cause.Error()
		}
		if row.Verdict != Safe || (said == "") != (ended == "") || !strings.Contains(said, ended) {
			t.Errorf("%s: %s (%s), ended by %q", name, row.Verdict, row.Why, said)
		}
	}
}

// What a stage says of where it is was true some time before: while it moves, that is no
// deception.
func TestAMovingStageIsReadLate(t *testing.T) {
	const cycles = `format: 1
title: cycles
record: {element.resistance: 5 s, stage.position: 10 s}
ends: {at most: 2 h}
steps:
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - home: {at most: 2 min}
  - cycle: {to: {radius: 8 mm}, times: 3000, rate: 1 Hz}
`
	p, r, s := compiledFor(t, leafClip+"bending/", cycles)
	d, err := New(p, r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	at := d.Moments[0].At
	if row, err := d.Perform(Case{[]Strike{{fault(t, "slow answers"), "stage", at}}, "first"}); err != nil || row.Verdict != Safe || row.Outcome.Word != "completed" {
		t.Errorf("%s: %s %v", row.Verdict, row.Why, err)
	}
}
