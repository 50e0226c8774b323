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
		!strings.HasPrefix(x.From, "specimen.yaml:29") {
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
