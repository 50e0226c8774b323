package plan

import (
	"slices"
	"strings"
	"testing"

	"dwell/safety"
)

// guarded is a protocol with a place for one rule more, and for what is read.
const guarded = `format: 1
title: with one rule more
limits:
  foil.temperature: {below: 60 degC}
LIMIT
interlocks:
  - {when: "plate.temperature > 55 degC", then: trip}
LOCK
record: {plate.temperature: 1 s, foil.temperature: FOIL, element.resistance: FILM}
ends: {at most: 6 h}
steps:
  - confirm: {specimen: LC-07}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
STEP
  - bring: {plate to: 30 degC, at most: 20 min}
`

// TestBadFiles: whoever tries to loosen a rule of the bench or the specimen, to guard with
// what is never read, or with what can never come about or cannot be worked out, is
// refused, with the place where they tried. No attempt ends in a panic.
func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ what, place, text, says string }{
		// A limit that loosens. The rig allows the plate 80 degC and the specimen 70, and
		// 500 and 200 uW for 2 s.
		{"a higher level", "LIMIT", "  plate.temperature: {below: 75 degC}", "looser than what this specimen allows"},
		{"above the rig's too", "LIMIT", "  plate.temperature: {below: 85 degC}", "looser than what this rig allows"},
		{"the same, for longer", "LIMIT", "  element.power: {below: 200 uW, lasting: 3 s}", "looser than what this specimen allows"},
		{"in another unit", "LIMIT", "  element.current: {below: 1 mA}", "looser than what this specimen allows"},
		{"the other way round only", "LIMIT", "  element.current: {above: -1 mA}", "looser than what this specimen allows"},
		{"a second time", "LIMIT", "  foil.temperature: {below: 74 degC}", "is given twice"},
		{"without end", "LIMIT", "  plate.temperature: {below: .inf}", "is not a number"},
		{"no number", "LIMIT", "  plate.temperature: {below: .nan}", "is not a number"},
		{"too large for a number", "LIMIT", "  plate.temperature: {below: 1e999 degC}", "1e999"},
		{"empty", "LIMIT", "  plate.temperature: {below: }", "has no value"},
		{"null", "LIMIT", "  plate.temperature: {below: null}", "has no value"},
		{"nothing", "LIMIT", "  plate.temperature: {}", "nothing is limited here"},
		{"a difference", "LIMIT", "  plate.temperature: {below: 90 K}", "a temperature"},
		{"an alias", "LIMIT", "  plate.temperature: &a {below: 90 degC}", "anchor"},
		{"a merge", "LIMIT", "  <<: {plate.temperature: {below: 90 degC}}", "<<"},
		{"a tag", "LIMIT", "  plate.temperature: !!map {below: 60 degC}", "tag"},
		{"never passed", "LIMIT", "  plate.temperature: {above: -400 degC}", "never be passed"},
		{"a rate that nothing reaches", "LIMIT", "  plate.temperature: {changes slower than: 50000 K/min, over: 30 s}", "never be passed"},
		{"longer than the run", "LIMIT", "  plate.temperature: {above: 5 degC, lasting: 6 h}", "the whole run is over before"},
		{"a change over longer than the run", "LIMIT", "  plate.temperature: {changes slower than: 1 K/min, over: 6 h}", "the whole run is over before"},
		{"of no channel", "LIMIT", "  oven.temperature: {below: 60 degC}", `channel of this rig`},

		// A channel that is read so seldom that its rules are worth little, or never.
		{"the foil, every 2 h", "FOIL", "2 h", "read every 2 h: a rule that is looked at so seldom is a looser one"},
		{"what is read along with what is limited", "FILM", "5 min", "element.resistance is read every 5 min: a rule that is looked at so seldom"},
		{"later", "STEP", "  - record: {foil.temperature: 10 min}", "foil.temperature is read every 10 min: a rule that is looked at so seldom"},
		{"no time", "FOIL", "0 s", "0 s"},
		{"a negative time", "FOIL", "-1 s", "-1 s"},

		// Interlocks over what is not read, or could not be judged.
		{"not polled", "LOCK", `  - {when: "meter.compliance > 0.5", then: trip}`, "is not read regularly"},
		{"not polled, in half of it", "LOCK", `  - {when: "plate.temperature > 40 degC and meter.compliance > 0.5", then: trip}`, "is not read regularly"},
		{"not polled, in a window", "LOCK", `  - {when: "rate(meter.compliance, 30 s) > 1 1/s", then: trip}`, "meter.compliance"},
		{"read only while something is on", "LOCK", `  - {when: "plate.temperature > 40 degC or element.resistance > 20 kOhm", then: trip}`, "could not be judged before"},
		{"a window without readings", "LOCK", `  - {when: "rate(plate.temperature, 1 ms) > 1 K/s", then: trip}`, "this window holds"},
		{"no channel", "LOCK", `  - {when: "1 K > 2 K", then: trip}`, "can never change"},
		{"less itself", "LOCK", `  - {when: "abs(plate.temperature - plate.temperature) > 1 K", then: trip}`, "can never hold"},
		{"over itself", "LOCK", `  - {when: "element.resistance / element.resistance > 2", then: trip}`, "can never hold"},
		{"less itself, always", "LOCK", `  - {when: "plate.temperature - plate.temperature < 1 K", then: trip}`, "always holds"},
		{"each below the other", "LOCK", `  - {when: "plate.temperature < foil.temperature and foil.temperature < plate.temperature", then: trip}`, "can never hold"},
		{"no channel of this rig", "LOCK", `  - {when: "oven.temperature > 40 degC", then: trip}`, "oven.temperature"},
		{"the time of a step", "LOCK", `  - {when: "plate.temperature > 40 degC and elapsed > 5 h", then: trip}`, "elapsed is the time of a step"},

		{"while a stage, on a rig without one", "LOCK", `  - {when: "plate.temperature > 50 degC", while: stage homed, then: trip}`, "no instrument of this rig sets reference: this would never be judged"},

		// What can never hold, or always does.
		{"beyond what is shown", "LOCK", `  - {when: "plate.temperature > 5000 degC", then: trip}`, "can never hold"},
		{"contradiction", "LOCK", `  - {when: "plate.temperature > 50 degC and plate.temperature < 40 degC", then: trip}`, "can never hold"},
		{"contradiction at one point", "LOCK", `  - {when: "plate.temperature > 50 degC and plate.temperature < 50 degC", then: trip}`, "can never hold"},
		{"contradiction by not", "LOCK", `  - {when: "plate.temperature > 50 degC and not (plate.temperature > 40 degC)", then: trip}`, "can never hold"},
		{"contradiction by or", "LOCK", `  - {when: "not (plate.temperature > 20 degC or plate.temperature < 30 degC)", then: trip}`, "can never hold"},
		{"itself", "LOCK", `  - {when: "plate.temperature > plate.temperature", then: trip}`, "can never change"},
		{"a size below nothing", "LOCK", `  - {when: "abs(plate.temperature - foil.temperature) < -1 K", then: trip}`, "can never hold"},
		{"always", "LOCK", `  - {when: "plate.temperature > -200 degC", then: warn}`, "always holds"},
		{"for longer than the run", "LOCK", `  - {when: "plate.temperature > 50 degC", lasting: 7 h, then: trip}`, "the whole run is over before"},
		{"a mean over longer than the run", "LOCK", `  - {when: "mean(plate.temperature, 6 h) > 50 degC", then: trip}`, "the whole run is over before"},
		{"a slope over longer than the run", "LOCK", `  - {when: "rate(plate.temperature, 7 h) > 1 K/min", then: trip}`, "the whole run is over before"},
		{"settled for longer than the run", "LOCK", `  - {when: "settled(plate.temperature, 5 K, 7 h)", then: warn}`, "the whole run is over before"},

		// What would be a panic somewhere, or means nothing.
		{"division by zero", "LOCK", `  - {when: "(plate.temperature - 20 degC) / 0 > 1 K", then: trip}`, "division by zero"},
		{"nothing over nothing", "LOCK", `  - {when: "plate.temperature > 20 degC + 0 K * (1 / 0)", then: trip}`, "division by zero"},
		{"an index", "LOCK", `  - {when: "plate.temperature[3] > 1 K", then: trip}`, "[3]"},
		{"a list", "LOCK", `  - {when: "[1, 2][5] > plate.temperature", then: trip}`, "["},
		{"nil", "LOCK", `  - {when: "plate.temperature > nil", then: trip}`, "nil"},
		{"a call of nothing", "LOCK", `  - {when: "panic(plate.temperature) > 1 K", then: trip}`, "panic"},
		{"a member", "LOCK", `  - {when: "plate.temperature.foo.bar > 1 K", then: trip}`, "plate.temperature.foo.bar"},
		{"a closure", "LOCK", `  - {when: "all([plate.temperature], {# > 1 K})", then: trip}`, "{"},
		{"a power", "LOCK", `  - {when: "plate.temperature ** 2 > 1 K", then: trip}`, "**"},
		{"a remainder", "LOCK", `  - {when: "plate.temperature % 0 > 1 K", then: trip}`, "%"},
		{"a ternary", "LOCK", `  - {when: "true ? plate.temperature > 1 degC : false", then: trip}`, "?"},
		{"a text", "LOCK", `  - {when: "plate.temperature > 'hot'", then: trip}`, "'"},
		{"only brackets", "LOCK", `  - {when: "` + strings.Repeat("(", 2000) + `", then: trip}`, "("},
		{"nested without end", "LOCK", `  - {when: "` + strings.Repeat("not (", 300) + "plate.temperature > 40 degC" + strings.Repeat(")", 300) + `", then: trip}`, "more than 200 parts"},
		{"no window", "LOCK", `  - {when: "mean(plate.temperature, 0 s) > 40 degC", then: trip}`, "0 s"},
		{"no arguments", "LOCK", `  - {when: "rate() > 1 K/s", then: trip}`, "rate"},
		{"a unit too many", "LOCK", `  - {when: "plate.temperature > 40", then: trip}`, "40"},
		{"nothing at all", "LOCK", `  - {when: "", then: trip}`, "empty"},
		{"no rest", "LOCK", `  - {when: "plate.temperature >", then: trip}`, "plate.temperature >"},
	} {
		text := strings.Replace(guarded, c.place, c.text, 1)
		text = strings.NewReplacer("LIMIT\n", "", "LOCK\n", "", "STEP\n", "", "FOIL", "1 s", "FILM", "500 ms").Replace(text)
		said := beside(t, nil, nil, text)
		if !strings.Contains(said, c.says) || !strings.HasPrefix(said, "p.yaml:") {
			t.Errorf("%s: expected %q, got\n%.600s", c.what, c.says, said)
		}
	}
	for _, while := range []string{"heating", "sourcing", "specimen on plate"} {
		text := strings.Replace(guarded, "LOCK", `  - {when: "plate.temperature > 50 degC", while: `+while+`, then: trip}`, 1)
		if said := beside(t, nil, nil, strings.NewReplacer("LIMIT\n", "", "STEP\n", "", "FOIL", "1 s", "FILM", "500 ms").Replace(text)); said != "" {
			t.Errorf("while %s: %s", while, said)
		}
	}
	// A tighter level that may be passed for longer holds besides what stood before it.
	tight := strings.NewReplacer("LIMIT", "  plate.temperature: {below: 60 degC, lasting: 1 h}", "LOCK\n", "", "STEP\n", "", "FOIL", "1 s", "FILM", "500 ms").Replace(guarded)
	p, said := planned(t, nil, nil, tight, Options{})
	if said != "" || !slices.ContainsFunc(p.Rules.Limits, func(l safety.Limit) bool {
		return l.Channel == "plate.temperature" && l.Below != nil && *l.Below == 70 && l.LastingNs == 0
	}) {
		t.Errorf("%s %+v", said, p.Rules.Limits)
	}
	sound := strings.NewReplacer("LIMIT\n", "", "LOCK\n", "", "STEP\n", "", "FOIL", "1 min", "FILM", "1 min").Replace(guarded)
	if said := beside(t, nil, nil, sound); said != "" {
		t.Errorf("without any of that: %s", said)
	}
}

// An interlock of the protocol that no step arms guards nothing here: that is no mistake, and
// is said, and each row of the rules says which are never armed.
func TestInterlocksThatAreNeverArmed(t *testing.T) {
	const lock = "interlocks:\n  - {when: \"plate.temperature > 50 degC\", while: WHILE, then: trip}\n"
	const head = "format: 1\ntitle: rests\nrecord: {plate.temperature: 1 s}\nends: {at most: 1 h}\n"
	for _, x := range []struct {
		while, steps string
		never        bool
	}{
		{"heating", "  - hold: 1 min\n", true},
		{"heating", "  - confirm: {specimen: LC-07}\n  - bring: {plate to: 30 degC, at most: 20 min}\n", false},
		{"sourcing", "  - hold: 1 min\n", true},
		{"sourcing", "  - confirm: {specimen: LC-07, resistance within: 20 %}\n", false},
		{"sourcing", "  - confirm: {specimen: LC-07}\n  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}\n  - hold: 1 min\n", false},
		{"specimen on plate", "  - hold: 1 min\n", false},
	} {
		p, said := planned(t, nil, nil, head+strings.Replace(lock, "WHILE", x.while, 1)+"steps:\n"+x.steps, Options{})
		warned := slices.ContainsFunc(p.Summary.Warnings, func(w string) bool {
			return strings.HasPrefix(w, "line 6: this interlock is judged while "+x.while+" only, ") && strings.HasSuffix(w, "it is never armed")
		})
		if r := find(t, p, "plate.temperature > 50 degC"); said != "" || warned != x.never || r.Never != x.never {
			t.Errorf("while %s, %q: %s warned %v of %v, %+v", x.while, x.steps, said, warned, p.Summary.Warnings, r)
		}
		if r := find(t, p, "plate heats not"); r.Never != !p.Summary.Heats {
			t.Errorf("%q: %+v", x.steps, r)
		}
	}
	p, _ := planned(t, []string{"lasting: 60 s, then: trip} => lasting: 60 s, then: trip}\n  - {when: \"plate.temperature > 50 degC\", while: heating, then: trip}"}, nil, head+"steps:\n  - hold: 1 min\n", Options{})
	if r := find(t, p, "plate.temperature > 50 degC"); !r.Never || len(p.Summary.Warnings) > 0 {
		t.Errorf("of the rig: %+v %v", r, p.Summary.Warnings)
	}
}
