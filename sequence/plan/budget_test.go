package plan

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/safety"
)

const heats = `format: 1
title: it heats
limits:
  plate.temperature: {below: 40 degC}
record: {plate.temperature: 2 s, foil.temperature: 1 s, element.resistance: 500 ms}
ends: {at most: 6 h}
steps:
  - confirm: {specimen: LC-07}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - bring: {plate to: 30 degC, at most: 20 min}
`

// find is the reaction of a rule.
func find(t *testing.T, p *Plan, rule string) Reaction {
	t.Helper()
	for _, r := range p.Summary.Reactions {
		if r.Rule == rule {
			return r
		}
	}
	t.Fatalf("there is no rule %q in %+v", rule, p.Summary.Reactions)
	return Reaction{}
}

// TestReaction adds one up by hand. The plate's line has 9600 baud and 10 bits, so
// 1.0417 ms a character: IN_PV_2 CR LF is 9 characters, an answer counts as 16. The
// plate answers in 20 ms typically and 250 ms at most, and wants 100 ms before.
func TestReaction(t *testing.T) {
	p, said := planned(t, nil, nil, heats, Options{})
	if said != "" {
		t.Fatal(said)
	}
	const line = (9 + 16) * 10 / 9.6 // ms
	typical, worst := 100+line+20, 100+line+250
	inFlight := 2*worst + 500
	act := 3*100 + (2+8+15)*10/9.6 + 250 // rig.TestSafeTime
	r := find(t, p, "plate.temperature below 40 degC")
	for _, c := range []struct {
		what string
		got  int64
		want float64 // ms
	}{
		{"sampling", r.SamplingNs, 2000}, {"in flight", r.InFlightNs, inFlight}, {"link", r.LinkNs, typical}, // 40 ms + pause, as measured, is less
		{"decision", r.DecisionNs, 100}, {"action", r.ActionNs, act}, {"total", r.TotalNs, 2000 + inFlight + typical + 100 + act},
		{"holds", r.HoldsNs, 0},
	} {
		if math.Abs(float64(c.got)/1e6-c.want) > 0.01 {
			t.Errorf("%s: %g ms, expected %g ms", c.what, float64(c.got)/1e6, c.want)
		}
	}
	// at 174 - (174 - 40) exp(-t / 79.6 s), with 4.5 s of dead time; 70 degC is the specimen's
	seconds := float64(r.TotalNs)/1e9 + 4.5
	if want := 174 - 134*math.Exp(-seconds/79.6); r.PeakDegC == nil || math.Abs(*r.PeakDegC-want) > 1e-6 {
		t.Errorf("peak %v, expected %g degC", r.PeakDegC, want)
	}
	if want := 79.6*math.Log(134.0/104) - 4.5; r.LooserDegC == nil || *r.LooserDegC != 70 || math.Abs(float64(*r.LeewayNs)/1e9-want) > 1e-6 {
		t.Errorf("next limit %v in %v ns, expected 70 degC in %g s", r.LooserDegC, r.LeewayNs, want)
	}
	if r := find(t, p, "foil.temperature below 70 degC"); r.PeakDegC != nil || r.SamplingNs != int64(clock.Second) {
		t.Errorf("the foil is no heater: %+v", r)
	}
}

// TestReactionsFollowTheRig sees numbers move the way they must.
func TestReactionsFollowTheRig(t *testing.T) {
	limit := "plate.temperature below 40 degC"
	base, _ := planned(t, nil, nil, heats, Options{})
	was := find(t, base, limit)
	for _, c := range []struct {
		name     string
		rig      []string
		protocol []string
		check    func(r Reaction) bool
	}{
		{"read more often", nil, []string{"plate.temperature: 2 s", "plate.temperature: 500 ms"},
			func(r Reaction) bool { return r.TotalNs == was.TotalNs-int64(1500*clock.Millisecond) }},
		{"a slower line", []string{"    serial number: HP-0042 =>     serial number: HP-0042\n    baud: 1200"}, nil,
			func(r Reaction) bool {
				return r.LinkNs > was.LinkNs+150e6 && r.InFlightNs > was.InFlightNs+300e6 && r.ActionNs > was.ActionNs+150e6
			}},
		{"a longer exchange was measured", []string{"takes: 40 ms => takes: 140 ms"}, nil, func(r Reaction) bool { return r.LinkNs == 240e6 }},
		{"none was measured", []string{"    longest exchange: {takes: 40 ms, measured on: 2026-03-14}\n => "}, nil,
			func(r Reaction) bool { return math.Abs(float64(r.LinkNs)/1e6-376.04) < 0.01 }}, // what the profile promises
		{"a stronger heater", []string{"power: 156 K => power: 312 K"}, nil, func(r Reaction) bool {
			return r.TotalNs == was.TotalNs && *r.PeakDegC > *was.PeakDegC+5 && *r.LeewayNs < *was.LeewayNs/2
		}},
		{"not identified", []string{"    identified: {rise at full power: 156 K, time constant: 79.6 s, dead time: 4.5 s, date: 2026-03-14}\n => "}, nil,
			func(r Reaction) bool { return math.Abs(*r.PeakDegC-(40+float64(r.TotalNs)/1e9+2)) < 0.01 }}, // 1 K/s all the way
		{"it lasts", nil, []string{"{below: 40 degC}", "{below: 40 degC, lasting: 10 s}", "plate.temperature: 2 s", "plate.temperature: 1 s"}, func(r Reaction) bool {
			return r.HoldsNs == 10e9 && r.TotalNs == was.TotalNs && *r.PeakDegC > *was.PeakDegC+10
		}},
	} {
		p, said := planned(t, c.rig, nil, strings.NewReplacer(c.protocol...).Replace(heats), Options{})
		if said != "" {
			t.Errorf("%s: %s", c.name, said)
			continue
		}
		if r := find(t, p, limit); !c.check(r) {
			t.Errorf("%s: %+v, was %+v", c.name, r, was)
		}
	}
}

// TestActsInTime: what the rig asks for is refused where it cannot be, at its place.
func TestActsInTime(t *testing.T) {
	within := func(s string) []string { return []string{"#   must act within: 15 s => must act within: " + s} }
	_, said := planned(t, within("3 s"), nil, heats, Options{})
	want := `rig.yaml:81:18: on this rig it can take 6.07 s from a breach of "abs(plate.temperature - foil.temperature) > 25 K"`
	if !strings.HasPrefix(said, want) || !strings.Contains(said, "hint: read it more often, or use a faster line") || strings.Count(said, "on this rig it can take") != 1 {
		t.Errorf("got %s\nexpected %s", said, want)
	}
	// each rule that is too slow is named, and no other
	p, _ := planned(t, nil, nil, heats, Options{})
	for _, r := range p.Summary.Reactions {
		if r.Of.Kind != safety.OfWatched && (r.TotalNs > 3e9) != strings.Contains(said, fmt.Sprintf("%q (%s)", r.Rule, r.From)) {
			t.Errorf("%q takes %g s, and of 3 s it says\n%s", r.Rule, float64(r.TotalNs)/1e9, said)
		}
	}
	pausing := strings.Replace(heats, "record:", "interlocks:\n  - {when: \"plate.temperature > 35 degC\", then: pause, clear for: 1 min, at most: 20 min}\nrecord:", 1)
	p, _ = planned(t, nil, nil, pausing, Options{})
	takes := find(t, p, "plate.temperature > 35 degC").TotalNs
	if _, said := planned(t, within(fmt.Sprintf("%d ms", takes/1e6)), nil, pausing, Options{}); !strings.Contains(said, `"plate.temperature > 35 degC" (p.yaml:`) {
		t.Errorf("of a pause it says\n%s", said)
	}
	// what is asked for is kept by asking after the instruments' health more often
	for asked, every := range map[string]clock.Instant{"15 s": 10 * clock.Second, "8 s": 4674 * clock.Millisecond} {
		p, said := planned(t, within(asked), nil, heats, Options{})
		if said != "" {
			t.Errorf("%s: %s", asked, said)
			continue
		}
		for _, w := range p.Rules.Watched {
			if w.Instrument == "plate" && ((clock.Instant(w.EveryNs)-every).Seconds() > 0.001 || (every-clock.Instant(w.EveryNs)).Seconds() > 0.001) {
				t.Errorf("within %s the plate is asked every %g s, expected %g s", asked, float64(w.EveryNs)/1e9, every.Seconds())
			}
		}
		for _, r := range p.Summary.Reactions {
			if limit := (map[string]int64{"15 s": 15e9, "8 s": 8e9})[asked]; r.Then == "trip" && r.TotalNs > limit {
				t.Errorf("%s takes %d ns", r.Rule, r.TotalNs)
			}
		}
	}
}

// TestUnattendedNeedsMeasurements: heat with nobody there needs what was measured.
func TestUnattendedNeedsMeasurements(t *testing.T) {
	const identified = "    identified: {rise at full power: 156 K, time constant: 79.6 s, dead time: 4.5 s, date: 2026-03-14}\n => "
	plate, meter := "    longest exchange: {takes: 40 ms, measured on: 2026-03-14}\n => ", "    longest exchange: {takes: 75 ms, measured on: 2026-05-20}\n => "
	cold := strings.Replace(heats, "  - bring: {plate to: 30 degC, at most: 20 min}\n", "  - hold: 1 min\n", 1)
	for _, c := range []struct {
		rig        []string
		protocol   string
		unattended bool
		says       []string
	}{
		{nil, heats, true, nil},
		{[]string{identified}, heats, false, nil},
		{[]string{identified, plate, meter}, cold, true, nil},
		{[]string{"rise at full power: 156 K, time constant: 79.6 s => rise at full power: 5 K, time constant: 4 s"}, heats, false, []string{"rig.yaml:19:3: plate is told to heat to", "it was measured to reach 5 K above the ambient of 18 degC: 23 degC"}},
		{[]string{identified}, heats, true, []string{"rig.yaml:19:3: how plate responds to full power was not measured on this rig", "hint: add identified: {rise"}},
		{[]string{plate}, heats, true, []string{"rig.yaml:19:3: the longest exchange with plate was not measured on this rig"}},
		{[]string{meter}, heats, true, []string{"the longest exchange with meter was not measured"}},
		{[]string{identified}, "unattended: true\n" + heats, false, []string{"how plate responds", "p.yaml:1:13: note: nobody will be there"}},
	} {
		p, said := planned(t, c.rig, nil, c.protocol, Options{Unattended: c.unattended})
		if (said == "") != (c.says == nil) {
			t.Errorf("%q unattended %v: %s", c.rig, c.unattended, said)
		}
		for _, want := range c.says {
			if !strings.Contains(said, want) {
				t.Errorf("%q: got %s\nexpected %s", c.rig, said, want)
			}
		}
		if c.says == nil && c.rig == nil {
			if m := p.Summary.Measured; len(m) != 2 || m[0] != (Measured{"plate", 40e6, "2026-03-14", true, "2026-03-14"}) || m[1] != (Measured{"meter", 75e6, "2026-05-20", false, ""}) {
				t.Errorf("measured %+v", m)
			}
		}
	}
}

// TestStaysOn knows what has no watchdog of its own, and what is never switched on.
func TestStaysOn(t *testing.T) {
	p, _ := planned(t, nil, nil, heats, Options{})
	if s := p.Summary.StaysOn; len(s) != 2 || s[0] != (StaysOn{"plate", "heat", 60e9, "", 174}) || s[1] != (StaysOn{"meter", "output", 0, "", 0}) {
		t.Errorf("%+v", s)
	}
	switched := []string{"# What the instruments measure, =>   mains: {profile: mains-switch, port: twin, switches: plate}\n# What the instruments measure,"}
	p, said := planned(t, switched, nil, heats, Options{})
	if s := p.Summary.StaysOn; said != "" || len(s) != 2 || s[0] != (StaysOn{"plate", "heat", 10e9, "mains", 174}) {
		t.Errorf("with a switch in its mains: %+v %s", s, said)
	}
	if r := find(t, p, "stop contact: mains.mains must read closed"); r.SamplingNs != 1e9 || r.Then != "trip" {
		t.Errorf("the switch is not looked at: %+v", r)
	}
	cold := strings.Replace(heats, "  - bring: {plate to: 30 degC, at most: 20 min}\n", "", 1)
	p, _ = planned(t, nil, nil, cold, Options{})
	if s := p.Summary.StaysOn; len(s) != 1 || s[0].Instrument != "meter" {
		t.Errorf("nothing heats: %+v", s)
	}
	bath := []string{"profile: namur-hotplate => profile: namur-bath-ok", "    port: twin =>     port: \"tcp:192.0.2.1:10\"",
		"  foil.temperature: {from: plate.probe, thermometer: platinum class B}\n => ", "  foil.temperature: {below: 75 degC}\n => ", ", foil.temperature] => ]",
		"  - {when: \"abs(plate.temperature - foil.temperature) > 25 K\", while: specimen on plate, lasting: 60 s, then: trip}\n =>   - {when: \"plate.temperature > 90 degC\", then: trip}\n"}
	p, said = planned(t, bath, nil, strings.Replace(heats, "foil.temperature: 1 s, ", "", 1), Options{})
	if s := p.Summary.StaysOn; said != "" || len(s) != 2 || s[0] != (StaysOn{"plate", "heat", 0, "", 174}) {
		t.Errorf("a bath without a watchdog: %+v %s", s, said)
	}
}

// The plate's own watchdog trips after 60 s and is fed by the first reading 15 s after it was
// fed last: readings that come too seldom for that are refused, where the plate is heated.
func TestAWatchdogThatReadingsFeedTooSeldom(t *testing.T) {
	protocol := func(every, steps string) string {
		return "format: 1\ntitle: fed\nrecord: {plate.temperature: " + every + ", foil.temperature: " + every + "}\nends: {at most: 2 h}\nsteps:\n  - confirm: {specimen: LC-07}\n" + steps
	}
	slow := []string{"identified: {rise at full power: 156 K, time constant: 79.6 s => heating: {rate: 1 K/min}\n    identified: {rise at full power: 80 K, time constant: 4000 s"}
	const heats, rests = "  - bring: {plate to: 30 degC, at most: 20 min}\n", "  - hold: 5 min\n"
	for _, x := range []struct{ every, steps, says string }{
		{"50 s", heats, "p.yaml:3:29: plate is read every 50 s, and its own watchdog is fed when it is read: at worst after "},
		{"50 s", heats, "after 1.13 min, and it trips after 1 min"},
		{"50 s", rests, ""},
		{"30 s", heats, ""},
	} {
		if said := beside(t, slow, nil, protocol(x.every, x.steps)); (said == "") != (x.says == "") || !strings.Contains(said, x.says) {
			t.Errorf("every %s: %s", x.every, said)
		}
	}
	mains := []string{"\n# What the instruments measure, => \n  mains: {profile: mains-switch, port: twin, switches: plate}\n\n# What the instruments measure,"}
	if said := beside(t, mains, nil, strings.Replace(protocol("1 s", heats), "record: {", "record: {mains.mains: 9 s, ", 1)); !strings.Contains(said, "mains is read every 9 s") || !strings.Contains(said, "it trips after 10 s") {
		t.Errorf("the switch in the mains: %s", said)
	}
}
