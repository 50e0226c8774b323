package plan

import (
	"os"
	"strings"
	"testing"
)

// changed is a file of the example with one thing in it put otherwise.
func changed(t *testing.T, name, change string) string {
	t.Helper()
	text, err := os.ReadFile(leafClip + name)
	if err != nil {
		t.Fatal(err)
	}
	old, now, _ := strings.Cut(change, " => ")
	if !strings.Contains(string(text), old) {
		t.Fatalf("%s does not hold %q", name, old)
	}
	return strings.Replace(string(text), old, now, 1)
}

// The example with one mistake: that one is reported, and nothing that only follows
// from it.
func TestOneMistakeIsSaidOnce(t *testing.T) {
	for file, changes := range map[string][]string{
		"staircase.yaml": {
			"rise: 5 K => rise: 5 degC",
			"rise: 5 K => rise: 5 Kelvin",
			"low: 20 degC => low: 20 K",
			"low: 20 degC => low: 20 degr",
			"let: => lte:",
			"let:\n  low: 20 degC\n  high: 40 degC\n  rise: 5 K\n => let: none\n",
			"foil.temperature: 1 s => foil.temperature: 1 sec",
			"foil.temperature: 1 s => foil.temperatur: 1 s",
			"element.resistance: 500 ms => element.resistance: 500",
			"plate.temperature: {below: 60 degC} => plate.temperature: {below: 60 K}",
			"ends: {at most: 3 h => ends: {at most: 3 K",
			"steps:\n => stepps:\n",
			"specimen: LC-07, => specimen: LC-08,",
			"resistance within: 20 % => resistance within: 20 K",
			"- confirm: => - confrim:",
			"- confirm: => - establish:",
			"- source: => - sorce:",
			"- source: => - current:",
			"instrument: meter, current: 10 uA, => instrument: metre, current: 10 uA,",
			"instrument: meter, current: 10 uA, => current: 10 uA,",
			"current: 10 uA, compliance => current: 10 uAA, compliance",
			"current: 10 uA, compliance => compliance",
			"current: 10 uA, compliance => curent: 10 uA, compliance",
			"current: 10 uA, compliance => voltage: 1 V, current: 10 uA, compliance",
			"current: 10 uA, compliance => current: 10 mA, compliance",
			"plate to: setpoint, at most => plate to: 65 degC, at most",
			"resistance within: 20 % => resistance within: 20",
			"resistance within: 20 % => resistance within: 2 kOhm",
			"high: 40 degC => high: 40",
			"compliance: 2 V, => compliance: 2 A,",
			"compliance: 2 V, => compliance: -2 V,",
			"integration: 1, => integration: one,",
			"wires: 4, => wires: 3,",
			"{setpoint: low to high by rise, and back: true} => {low to high by rise: 5 K}",
			"{setpoint: low to high by rise, and back: true} => setpoint",
			"{setpoint: low to high by rise, and back: true} => {setpoint: low to high, and back: true}",
			"rise: 5 K => rise: 5 K\n  setpoint: 20 degC",
			"{setpoint: low to high by rise, and back: true} => {set-point: low to high by rise, and back: true}",
			"{setpoint: low to high by rise, and back: true} => {setpoint: [20 degC, 30 deg]}",
			"{setpoint: low to high by rise, and back: true} => {setpoint: [20 K, 30 K]}",
			"{setpoint: low to high by rise, and back: true} => {and back: true}",
			"- for each: => - for eech:",
			"- for each: => - foreach:",
			"- for each: => - loop:",
			"plate to: setpoint, at most => plate to: setpint, at most",
			"plate to: setpoint, at most => plat to: setpoint, at most",
			"plate to: setpoint, at most => plate to: 95 degC, at most",
			"plate to: setpoint, at most => plate to: 5 degC, at most",
			"at most: 20 min, then => at most: 20 K, then",
			"bring: {plate => brang: {plate",
			"- hold: {until => - hodl: {until",
			"0.2 K, 1 min => 0.2 degC, 1 min",
			"instrument: meter, current: -10 => instrument: metre, current: -10",
			"-10 uA to 10 uA by 5 uA => -10 uA to 10 uA by 5 V",
			"read: [element.voltage, => read: [element.voltag,",
		},
		"response.yaml": {
			"- lift: {to: cold block}\n => - lift: {to: cold blok}\n",
			"- lift: {to: cold block}\n => - lfit: {to: cold block}\n",
			"{times: 3} => {times: three}",
			"{times: 3} => {tims: 3}",
			"{times: 3} => 3",
			"- repeat: => - repaet:",
			"- group: => - grupo:",
			"{as: warm-up} => {as: warmup}",
			"{as: warm-up} => warm-up",
			"warm: 30 degC => warm: 30",
			"place: {by: person, => place: {by: persn,",
			"element.resistance: 200 ms => element.resistance: 200 m",
			"onset of: element.resistance => onset of: elment.resistance",
			"- source: => - sorce:",
			"- source: => - current:",
		},
	} {
		for _, change := range changes {
			if got := beside(t, nil, nil, changed(t, file, change)); carets(got) != 1 || strings.Contains(got, "YAML") {
				t.Errorf("%s, %s: expected one mistake, got\n%s", file, change, got)
			}
		}
	}
}

// Nothing that has nothing to do with a mistake is hidden by it: two mistakes are two.
func TestOneMistakeHidesNoOther(t *testing.T) {
	for _, two := range []struct{ file, one, other, says string }{
		{"staircase.yaml", "rise: 5 K => rise: 5 degC", "- hold: {until => - hodl: {until", "did you mean hold?"},
		{"staircase.yaml", "high: 40 degC => high: 40", "rise: 5 K => rise: 5 degC", "a difference in K is expected here"},
		{"staircase.yaml", "low: 20 degC => low: 20", "rise: 5 K => rise: 5 degC", "a difference in K is expected here"},
		{"staircase.yaml", "high: 40 degC => high: 40 deg", "rise: 5 K => rise: 5 V", "a difference in K is expected here"},
		{"staircase.yaml", "{setpoint: low to high by rise, and back: true} => setpoint", "- mark: plateau => - mark: [plateau]", "one value is expected here"},
		{"staircase.yaml", "- for each: => - loop:", "at most: 20 min, then => at most: 20 K, then", "a time is expected here"},
		{"staircase.yaml", "- for each: => - foreach:", "at most: 20 min, then => at most: 20 K, then", "a time is expected here"},
		{"staircase.yaml", "- for each: => - mark: up\n    for each:", "at most: 20 min, then => at most: 20 K, then", "a time is expected here"},
		{"staircase.yaml", "rise: 5 K => rise: 5 K\n  setpoint: 20 degC", "0.2 K, 1 min => 0.2 degC, 1 min", "the band of settled is a difference"},
		{"staircase.yaml", "bring: {plate to: setpoint, => bring: {plate to: setpiont,", "then wait: 2 min => then wait: 2 V", "a time is expected here"},
		{"staircase.yaml", "bring: {plate to: setpoint, => bring: {plat to: setpoint,", "then wait: 2 min => then wait: 2 V", "a time is expected here"},
		{"staircase.yaml", "bring: {plate to: setpoint, => brnig: {plate to: setpoint,", "then wait: 2 min => then wait: 2 V", "a time is expected here"},
		{"staircase.yaml", "bring: {plate to: setpoint, => bring: {plate to: 30 K,", "  - confirm: {specimen: LC-07, resistance within: 20 %}\n => ", "this heats before the specimen is confirmed"},
		{"staircase.yaml", "instrument: meter, current: 10 uA => instrument: metre, current: 10 uA", "compliance: 2 V => compliance: 2 A", "a voltage is expected here"},
		{"staircase.yaml", "current: 10 uA, compliance => current: 10 uAA, compliance", "compliance: 2 V => compliance: 200 kV", "is above what"},
		{"staircase.yaml", "current: 10 uA, compliance => compliance", "wires: 4 => wires: 3", "is no state of wires"},
		{"staircase.yaml", "instrument: meter, current: -10 => instrument: metre, current: -10", "element.voltage, => element.voltag,", "did you mean element.voltage?"},
		{"staircase.yaml", "instrument: meter, current: -10 => instrument: metre, current: -10", "by 5 uA => by 5 V", "a current is expected here"},
		{"staircase.yaml", "plate.temperature: {below: 60 degC} => plat.temperature: {below: 60 degC}", "lasting: 2 s} => lasting: 2 K}", "a time is expected here"},
		{"staircase.yaml", "element.power: {below: 100 uW, => elment.power: {below: 100 uW,", "lasting: 2 s} => lasting: 2 K}", "a time is expected here"},
		{"staircase.yaml", "foil.temperature: 1 s => foil.temperture: 1 K", "element.resistance: 500 ms => element.resistance: 0.5 ms", "element.resistance needs"},
		{"staircase.yaml", "let: => lte:", "plate to: setpoint => plate to: [setpoint]", "one value is expected here"},
		{"staircase.yaml", "specimen: LC-07, => ", "resistance within: 20 % => resistance within: 20 V", "a plain number is expected here"},
		{"staircase.yaml", "plate.temperature: {below: 60 degC} => plat.temperature: {changes slower than: 3 K/min, over: 30 s}", "lasting: 2 s} => lasting: 2 K}", "a time is expected here"},
		{"staircase.yaml", "- confirm: => - confrim:", "specimen: LC-07 => specimen: LC-08", `the specimen file about "LC-07"`},
		{"response.yaml", "{times: 3} => {times: three}", "- mark: recovered => - mrak: recovered", "did you mean mark?"},
		{"response.yaml", "{as: warm-up} => {as: warmup}", "then wait: 2 min => then wait: 2 V", "a time is expected here"},
		{"response.yaml", "place: {by: person, => place: {by: robot,", "onset of: element.resistance}} => onset of: element.resistanc}}", "did you mean element.resistance?"},
		{"response.yaml", "- repeat: {times: 3} => - repaet: {times: 3}", "- hold: 4 min => - hold: 4 K", "a time is expected here"},
		{"response.yaml", "- repeat: {times: 3}\n => - repeat: {times: 3}\n    hold: 5 K\n", "- hold: 4 min => - hold: 4 min\n      - source off: [meter]", "one value is expected here"},
	} {
		text := changed(t, two.file, two.one)
		old, now, _ := strings.Cut(two.other, " => ")
		if !strings.Contains(text, old) {
			t.Fatalf("%s does not hold %q any more", two.file, old)
		}
		want := 2
		if strings.Contains(two.one, "hold: 5 K") || strings.Contains(two.one, "temperture: 1 K") {
			want = 3 // the first change has two mistakes of its own
		}
		got := beside(t, nil, nil, strings.Replace(text, old, now, 1))
		if carets(got) != want || strings.Contains(got, "YAML") || !strings.Contains(got, two.says) {
			t.Errorf("%s, %s, %s: expected %d mistakes, one of them %q, got\n%s", two.file, two.one, two.other, want, two.says, got)
		}
	}
}

// Steps that depend on others, of which one has a mistake.
func TestConsequencesOfSteps(t *testing.T) {
	const head = "format: 1\ntitle: one after the other\nends: {at most: 6 h}\n"
	const confirmed = "steps:\n  - confirm: {specimen: LC-07}\n"
	const source = "  - source: {instrument: meter, current: 10 uA, compliance: 2 V}\n"
	const sweep = "sweep: {instrument: meter, current: [1 uA, 10 uA], read: element.voltage}\n"
	for _, c := range []struct {
		text string
		says []string
	}{
		{"record: {foil.temperature: 100 msec}\n" + confirmed + `  - hold: {until: "settled(foil.temperature, 0.2 K, 2 s)", at most: 1 h}` + "\n", []string{`unknown unit "msec"`}},
		{confirmed + "  - record: {foil.temperature: 100 msec}\n" + `  - hold: {until: "settled(foil.temperature, 0.2 K, 2 s)", at most: 1 h}` + "\n", []string{`unknown unit "msec"`}},
		{confirmed + source + "  - repeat: {times: often}\n    do:\n      - " + sweep + "      - source off: meter\n", []string{`not "often"`, "when this sweep begins"}},
		{confirmed + "  - bring: {plate to: 30, at most: 1 h}\n  - ramp: {plate from: 30 degC, to: 32 degC, at: 1 K/min}\n", []string{`not "30"`}},
		{confirmed + "  - bring: {plate to: 30, at most: 1 h}\n  - bring: {plate to: 50 degC, at most: 10 s}\n  - bring: {plate to: 20 degC, at most: 10 s}\n",
			[]string{`not "30"`, "cooling from 50 degC to 20 degC takes"}},
		{"let: {low: 20 K}\n" + confirmed + "  - bring: {plate to: low, at most: 1 h}\n  - bring: {plate to: low, at most: 1 h, within: low}\n  - hold: low\n",
			[]string{"a temperature in degC is expected here", "a time is expected here"}},
		{confirmed + "  - source off: metre\n  - " + sweep, []string{"did you mean meter?"}},
		{confirmed + "  - ramp: {plate from: 20 deg, to: 95 degC, at: 1 K/min}\n", []string{`unknown unit "deg"`, "95 degC is above"}},
		{"steps:\n  - ramp: {plate from: 20 deg, to: 30 degC, at: 1 K/min}\n", []string{`unknown unit "deg"`, "this heats before"}},
	} {
		_, m := compile(t, "p.yaml", head+c.text)
		got := printed(m)
		good := m.Len() == len(c.says)
		for _, text := range c.says {
			good = good && strings.Contains(got, text)
		}
		if !good {
			t.Errorf("%s: expected %q, got\n%s", c.text, c.says, got)
		}
	}
}

// carets counts the mistakes that were printed: under the line of each stands one.
func carets(printed string) int { return strings.Count(printed, "\n      | ") }

// The example's bench with one mistake, under every protocol.
func TestOneMistakeOfABenchIsSaidOnce(t *testing.T) {
	rigChanges := []string{
		"profile: namur-hotplate => profile: namur-hotplat",
		"profile: scpi-source-meter => profile: scpi-sorce-meter",
		"    profile: namur-hotplate\n => ",
		"    profile: scpi-source-meter\n =>     profil: scpi-source-meter\n",
		"instruments:\n => instrumens:\n",
		"channels:\n => chanels:\n",
		"specimen place:\n => specimen plase:\n",
		"from: plate.probe => from: plate.prob",
		"from: meter.resistance => from: meter.resistanse",
		"from: meter.power => from: metre.power",
		"resistance: element.resistance => resistance: element.resistanse",
		"  resistance: element.resistance\n =>   resistence: element.resistance\n",
		"power: element.power => power: element.pwer",
		"lies on: plate => lies on: plat",
		"moved by: person => moved by: persn",
		"  moved by: person\n => ",
		"temperature: 18 degC, cooling => temperature: 18 C, cooling",
		"temperature: 18 degC, cooling => cooling",
		"cooling: none => cooling: some",
		"cooling: none => coolin: none",
		"line frequency: 50 Hz => line frequency: 50 K",
		"serial number: HP-0042 => serial number: HP-0042\n    heating: {rate: 3 K}",
		"plate.temperature: {below: 80 degC} => plate.temperature: {below: 80 K}",
		"plate.temperature: {below: 80 degC} => plat.temperature: {below: 80 degC}",
		`"abs(plate.temperature - foil.temperature) > 25 K" => "abs(plate.temperature - foil.temperature) > 25 V"`,
	}
	specimenChanges := []string{
		"specimen: LC-07 => specimn: LC-07",
		"  resistance: 10 kOhm\n => ",
		"resistance: 10 kOhm => resistance: 10",
		"at: 25 degC => at: 25 K",
		"within: 20 % => within: 120 %",
		"within: 20 % => within: 20 V",
		"  within: 20 %\n => ",
		"B value: 1000 K => B value: 1000",
		"film:\n => flim:\n",
		"temperature: {below: 70 degC} => temperature: {below: 70 K}",
		"temperature: {below: 70 degC} => temperatur: {below: 70 degC}",
	}
	for _, protocol := range []string{"staircase.yaml", "response.yaml", "short.yaml", "overnight.yaml"} {
		text, err := os.ReadFile(leafClip + protocol)
		if err != nil {
			t.Fatal(err)
		}
		for _, change := range rigChanges {
			if got := beside(t, []string{change}, nil, string(text)); carets(got) != 1 || strings.Contains(got, "YAML") || !strings.HasPrefix(got, "rig.yaml:") {
				t.Errorf("%s, %s: expected one mistake in the rig, got\n%s", protocol, change, got)
			}
		}
		for _, change := range specimenChanges {
			if got := beside(t, nil, []string{change}, string(text)); carets(got) != 1 || strings.Contains(got, "YAML") || !strings.HasPrefix(got, "specimen.yaml:") {
				t.Errorf("%s, %s: expected one mistake in the specimen, got\n%s", protocol, change, got)
			}
		}
	}
}

// What is wrong with one value in several ways is one mistake with notes; a share without
// its sign is told what it means.
func TestOneValueWrongInManyWays(t *testing.T) {
	for change, says := range map[string][]string{
		"current: 10 uA, compliance => current: 10 mA, compliance": {"note: also, 10 mA needs 130 V", "note: also, 10 mA puts up to 1.30 W"},
		"resistance within: 20 % => resistance within: 20":         {"20 means 2000 %, which is wider than the band", "hint: write 20 %"},
		"resistance within: 20 % => resistance within: 30 %":       {": 30 % is wider than the band"},
		"resistance within: 20 % => resistance within: 2 kOhm":     {"hint: a share of something is written as in 20 %"},
	} {
		got := beside(t, nil, nil, changed(t, "staircase.yaml", change))
		for _, want := range says {
			if !strings.Contains(got, want) {
				t.Errorf("%s: expected %q in\n%s", change, want, got)
			}
		}
	}
}
