package plan

import (
	"slices"
	"strings"
	"testing"

	"dwell/safety"
)

// TestThermometersDisagree: the rig may only tighten what is built in.
func TestThermometersDisagree(t *testing.T) {
	rule := func(p *Plan) safety.Interlock {
		i := slices.IndexFunc(p.Rules.Interlocks, func(x safety.Interlock) bool { return x.Name == "thermometers disagree" })
		if i < 0 {
			t.Fatal("there is no such rule")
		}
		return p.Rules.Interlocks[i]
	}
	add := func(text string) []string {
		return []string{"thermometers disagree: {by: 3 K} => thermometers disagree: " + text}
	}
	p, said := planned(t, add("{by: 3 K, of excess: 5 %, lasting: 1 min}"), nil, heats, Options{})
	if said != "" {
		t.Fatal(said)
	}
	x := rule(p)
	if want := "abs(plate.temperature - foil.temperature) > 3 K + 0.05 * (max(plate.temperature, foil.temperature) - 18 degC)"; x.When != want || x.LastingNs != 60e9 ||
		x.While != safety.OnPlate || x.Then != "trip" || !strings.HasPrefix(x.Source, "rig.yaml:") {
		t.Errorf("%+v", x)
	}
	for text, says := range map[string]string{
		"{by: 6 K}":         "this is looser than what is built in (5 K)",
		"{of excess: 25 %}": "this is looser than what is built in (20 %)",
		"{lasting: 200 s}":  "this is looser than what is built in (3 min)",
		"{by: 5 K}":         "",
		"{lasting: 3 min}":  "",
		"{of excess: 20 %}": "",
	} {
		if _, said := planned(t, add(text), nil, heats, Options{}); says == "" && said != "" || !strings.Contains(said, says) {
			t.Errorf("%s: got %s expected %q", text, said, says)
		}
	}
	// without a word of the rig it is as built in
	p, _ = planned(t, []string{"thermometers disagree: {by: 3 K}\n => "}, nil, heats, Options{})
	if x := rule(p); !strings.Contains(x.When, " > 5 K + 0.2 * (max(") || x.LastingNs != 180e9 || x.Source != "common practice, no source" {
		t.Errorf("%+v", x)
	}
	// one thermometer has nothing to disagree with, and those of another place are not asked
	p, said = planned(t, []string{", foil.temperature]\n => ]\n"}, nil, heats, Options{})
	if said != "" || slices.ContainsFunc(p.Rules.Interlocks, func(x safety.Interlock) bool { return x.Name != "" }) {
		t.Errorf("%s %+v", said, p.Rules.Interlocks)
	}
}

// TestWhatGoesIntoTheSpecimen is judged by what the rig shows of it.
func TestWhatGoesIntoTheSpecimen(t *testing.T) {
	noPower := []string{"  power: element.power\n => "}
	p, said := planned(t, noPower, nil, heats, Options{})
	i := slices.IndexFunc(p.Rules.Interlocks, func(x safety.Interlock) bool { return x.Name == "power in the specimen" })
	if said != "" || i < 0 {
		t.Fatalf("%s %+v", said, p.Rules.Interlocks)
	}
	if x := p.Rules.Interlocks[i]; x.When != "abs(element.voltage * element.current) > 0.0002 W" || x.While != safety.Sourcing || x.LastingNs != 2e9 ||
		!strings.HasPrefix(x.From, "specimen.yaml:31") {
		t.Errorf("%+v", x)
	}
	blind := append(noPower, "  voltage: element.voltage\n => ")
	if _, said := planned(t, blind, nil, heats, Options{}); !strings.Contains(said, "p.yaml:9:5: the specimen has a limit on its power, and nothing on this rig shows that") {
		t.Errorf("nothing shows the power: %s", said)
	}
	if _, said := planned(t, blind, []string{"  power: {below: 200 uW, lasting: 2 s} => #", "  voltage: {below: 4 V}\n => "}, heats, Options{}); said != "" {
		t.Errorf("without a limit nothing need show it: %s", said)
	}

	energy := func(limit string) []string {
		return []string{"  voltage: {below: 4 V}\n =>   voltage: {below: 4 V}\n  energy: {below: " + limit + "}\n"}
	}
	p, said = planned(t, nil, energy("10 mJ"), heats, Options{})
	if said != "" || len(p.Rules.Energy) != 1 || p.Rules.Energy[0].Power != "element.power" || p.Rules.Energy[0].BelowJ != 0.01 {
		t.Fatalf("%s %+v", said, p.Rules.Energy)
	}
	p, said = planned(t, noPower, energy("10 mJ"), heats, Options{})
	if e := p.Rules.Energy; said != "" || len(e) != 1 || e[0].Power != "" || e[0].Voltage != "element.voltage" || e[0].Current != "element.current" {
		t.Fatalf("%s %+v", said, e)
	}
	// 10 uA through at most 13 kOhm is 1.3 uW at most: 12 h of it are some 50 mJ
	night := strings.Replace(heats, "  - bring: {plate to: 30 degC, at most: 20 min}\n", "  - repeat: {times: 12}\n    do: [{hold: 1 h}]\n", 1)
	night = strings.Replace(night, "at most: 6 h", "at most: 13 h", 1)
	if _, said := planned(t, nil, energy("60 mJ"), night, Options{}); said != "" {
		t.Errorf("60 mJ: %s", said)
	}
	if _, said := planned(t, nil, energy("40 mJ"), night, Options{}); !strings.Contains(said, "p.yaml:9:5: the steps put about") || !strings.Contains(said, "mJ into the specimen, more than it bears") {
		t.Errorf("40 mJ: %s", said)
	}
	off := strings.Replace(night, "  - repeat", "  - source off: meter\n  - repeat", 1)
	if _, said := planned(t, nil, energy("1 mJ"), off, Options{}); said != "" {
		t.Errorf("with the output off: %s", said)
	}
}

// TestDrives: whatever the rig and the protocol ask for, what a source drives is read and
// held against what it was told, by the accuracy of its profile.
func TestDrives(t *testing.T) {
	bare := []string{"  element.current: {from: meter.current}\n => ", "  element.current: {below: 200 uA}\n => ", "  current: element.current\n => ",
		"  element.voltage: {from: meter.voltage}\n => ", "  element.voltage: {below: 5 V}\n => ", "  voltage: element.voltage\n => "}
	bears := []string{"  current: {below: 150 uA}\n => ", "  voltage: {below: 4 V}\n => "}
	p, said := planned(t, bare, bears, heats, Options{})
	if said != "" || len(p.Rules.Drives) != 1 {
		t.Fatalf("%s %+v", said, p.Rules.Drives)
	}
	x := p.Rules.Drives[0]
	// up to 10 uA: 0.033 %, 2 nA and a resolution of 50 pA, each four times, and 2 %
	if x.Instrument != "meter" || x.Quantity != "current" || x.Channel != "meter.current" || x.LastingNs != 2e9 || len(x.Within) != 4 ||
		x.Within[0] != (safety.Nearness{UpTo: 10e-6, Of: 0.02132, By: 8.2e-9}) || x.Within[3] != (safety.Nearness{Of: 0.1, By: 1e-10}) {
		t.Errorf("%+v", x)
	}
	reads := func(p *Plan, channel string) int64 {
		every := int64(0)
		for _, s := range p.Rules.Stale {
			if s.Channel == channel {
				every = s.EveryNs
			}
		}
		return every
	}
	if reads(p, "meter.current") != 5e8 || reads(p, "meter.voltage") != 0 {
		t.Errorf("the current is read every %d ns, the voltage every %d ns: expected as often as the resistance, and never", reads(p, "meter.current"), reads(p, "meter.voltage"))
	}
	if r := find(t, p, "meter drives another current"); r.While != safety.Sourcing || r.HoldsNs != 2e9 || r.TotalNs <= 0 || r.Then != "trip" {
		t.Errorf("%+v", r)
	}
	both := strings.Replace(heats, "  - bring", "  - repeat: {times: 2}\n    do:\n      - source: {instrument: meter, voltage: 100 mV, compliance: 50 uA}\n      - hold: 1 min\n      - source: {instrument: meter, current: 10 uA, compliance: 2 V}\n  - bring", 1)
	p, said = planned(t, bare, bears, both, Options{})
	if said != "" || len(p.Rules.Drives) != 2 || p.Rules.Drives[1].Channel != "meter.voltage" || reads(p, "meter.voltage") != 5e8 {
		t.Errorf("both: %s %+v", said, p.Rules.Drives)
	}
	if !slices.ContainsFunc(p.Actions, func(a Action) bool {
		return slices.ContainsFunc(a.Polled, func(x Polled) bool { return x.Channel == "meter.voltage" && x.EveryNs == 5e8 })
	}) {
		t.Error("no action has the voltage read")
	}
	for _, a := range p.Polled {
		held := slices.ContainsFunc(p.Actions[0].Polled, func(o Polled) bool { return o.Channel == a.Channel && o.EveryNs == 0 })
		if strings.HasPrefix(a.Channel, "meter.") && !held {
			t.Errorf("%s is read before anything is sourced", a.Channel)
		}
	}
	idle := strings.NewReplacer("  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}\n", "", ", element.resistance: 500 ms", "").Replace(heats)
	if p, said := planned(t, nil, nil, idle, Options{}); said != "" || len(p.Rules.Drives) != 0 {
		t.Errorf("nothing is sourced: %s %+v", said, p.Rules.Drives)
	}
	// A plan from before the rule is held to it where it reads what it needs.
	today, _ := planned(t, nil, nil, heats, Options{})
	old := *today
	old.Rules.Drives = nil
	if again, found, err := old.Again(today); err != nil || len(again.Rules.Drives) != 1 || len(found) != 1 {
		t.Errorf("%v %+v %v", again.Rules.Drives, found, err)
	}
	today, _ = planned(t, bare, bears, heats, Options{})
	old = *today
	old.Rules.Drives = nil
	old.Polled = slices.DeleteFunc(slices.Clone(old.Polled), func(x Polled) bool { return x.Channel == "meter.current" })
	if again, found, err := old.Again(today); err != nil || len(again.Rules.Drives) != 0 || len(found) != 1 || !strings.Contains(found[0].Why, "does not read meter.current") {
		t.Errorf("%+v %v", found, err)
	}
	old.Polled = old.Polled[:1]
	if _, _, err := old.Again(today); err == nil {
		t.Error("what other rules need is not read, and nothing is said")
	}
}
