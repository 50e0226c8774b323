package rig

import (
	"io/fs"
	"os"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// edit is a change to a right file, and what must be said of it: a part of the
// message, with its place.
type edit struct{ old, new, says string }

func (e edit) apply(t *testing.T, text string) string {
	t.Helper()
	if !strings.Contains(text, e.old) {
		t.Fatalf("the file has no %q", e.old)
	}
	return strings.Replace(text, e.old, e.new, 1)
}

// check loads the edited file and expects what is said, and nothing else that is
// not said with it.
func (e edit) check(t *testing.T, text string, load func(doc *yamltext.Document, m *yamltext.Mistakes)) {
	t.Helper()
	var m yamltext.Mistakes
	load(yamltext.Parse("f.yaml", []byte(e.apply(t, text)), &m), &m)
	if got := printed(&m); !strings.Contains(got, e.says) || m.Len() == 0 {
		t.Errorf("%q instead of %q: expected %q, got:\n%s", e.new, e.old, e.says, got)
	}
}

func TestMistakesInProfiles(t *testing.T) {
	load := func(doc *yamltext.Document, m *yamltext.Mistakes) { LoadProfile(doc, m) }
	plate, _ := EmbeddedProfile("namur-hotplate")
	for _, e := range []edit{
		{"kind: hotplate", "kind: hotplat", `"hotplat" is no kind of instrument`},
		{"kind: hotplate", "kind: hotplat", "did you mean hotplate?"},
		{"format: 1", "format: 2", "f.yaml:8:9: this dwell reads files of format 1"},
		{"dialect: namur", "dialect: morse", `"morse" is no dialect`},
		{"    energises: on\n", "", "f.yaml:32:15: heat is not off when it is on: energises must name that state"},
		{"on: START_1}", "on: START_1, low: START_2}", "heat is not off when it is low"},
		{"quantity: heat", "quantity: heet", "nothing under sets does"},
		{"parity: even", "parity: uneven", `"uneven" is no parity`},
		{"baud: 9600", "bad: 9600", "did you mean baud?"},
		{"baud: 9600, ", "", `"baud" is missing here`},
		{"data bits: 7", "data bits: 9", "9 is out of range"},
		{"pause: 100 ms", "pause: 100", "a time is expected here"},
		{"to commands: none", "to commands: maybe", `"maybe" is no style of answer here`},
		{"at most: 250 ms", "at most: 2 ms", "the longest time is below the typical one"},
		{"OUT_SP_1 {value}", "OUT_SP_1 85", "a command with exactly one {value} in it"},
		{"written: 1 decimal", "written: nicely", `"nicely" is no way to write a number`},
		{"    written: 1 decimal\n", "", "how the number is written is missing"},
		{"within: 0.1 K}", "within: 0.1 degC}", "degC is a temperature; a difference is written in K"},
		{"within: 0.1 K}", "within: 0.1 V}", "a difference in K is expected here"},
		{", within: 0.1 K}", "}", "how far the answer may differ is missing"},
		{"least: 0 degC", "least: 0 K", "a temperature is written in degC"},
		{"most: 300 degC", "most: -1 degC", "most is below least"},
		{"    most: 300 degC\n", "", "least and most"},
		{"bounded by: temperature", "bounded by: temprature", "did you mean temperature?"},
		{"bounded by: temperature", "bounded by: probe2", `"probe2" is no measured quantity`},
		{"energises: on", "energises: an", `"an" is no state of heat`},
		{"    default: off\n", "    default: of\n", "known here: off, on"},
		{"    default: off\n", "    default: on\n", "f.yaml:34:14: heat is on by default, and that energises"},
		{"  - send: STOP_1\n", "  - send: START_1\n", "f.yaml:63:5: this switches heat to on: making safe must not energise"},
		{"  - send: STOP_1\n", "  - send: [STOP_1, start_1]\n", "this switches heat to on: making safe must not energise"},
		{"10.0, ask: IN_SP_1", "10.0, ask: START_1", "f.yaml:64:5: this switches heat to on: making safe must not energise"},
		{"  - send: STOP_1\n", "  - send: STOP_2\n", "nothing under safe switches heat off"},
		{"prepare: [RESET, STOP_1,", "prepare: [RESET, START_1,", "this switches heat to on: preparing must not energise"},
		{"{off: STOP_1, on: START_1}", "{off: START_1, on: STOP_1}", "making safe must not energise"},
		{"{off: STOP_1, on: START_1}", "{off: STOP_1, on: STOP_1}", "heat is sent the same to energise as to be off"},
		{"upsets: temperature", "upsets: temperatur", `"temperatur" is no quantity that can be set`},
		{"ask: IN_PV_2\n    channel: 2", "ask: IN_PV_2", "the channel that the answer must repeat is missing"},
		{"unit: degC, display: 0.1 K, no probe outside: [-50 degC, 450 degC]}]\n  - name", "unit: degC, no probe outside: [-50 degC, 450 degC]}]\n  - name", "the smallest step that can be seen is missing"},
		{"quantity: probe, unit: degC, display", "quantity: temperature, unit: degC, display", `the quantity "temperature" is measured twice`},
		{"quantity: probe, unit: degC, display", "quantity: external probe, unit: degC, display", "cannot stand in expressions"},
		{"unit: degC, display", "unit: degc, display", `unknown unit "degc"`},
		{"[-50 degC, 450 degC]", "[-50 degC]", "two values are expected here"},
		{"settings: temperature", "settings: heat", `"heat" cannot be read back`},
		{", ask: IN_SP_1, channel: 1, expect: 10.0, within: 0.1, evidence: indirect", "", "nothing under safe shows that it is off again"},
		{", evidence: indirect", "", "ask, expect and evidence belong together"},
		{"evidence: indirect", "evidence: hopeful", `"hopeful" is no grade of evidence`},
		{"expect: 10.0, within: 0.1", "expect: 10.0, within: 1000000000", "f.yaml:64:75: an answer as far from 10.0 as this would show nothing"},
		{"expect: 10.0, within: 0.1", "expect: 10.0, within: 1.1", "would show nothing"},
		{"expect: 10.0, within: 0.1", "expect: 10.0, within: -0.1", "would show nothing"},
		{"expect: 10.0, within: 0.1", "expect: 300.0, within: 0.1", "f.yaml:64:61: a temperature of 300.0 is above its default: making safe must not heat"},
		{"evidence: indirect", "evidence: direct", "f.yaml:64:90: that a commanded value is answered as it was sent is no direct evidence"},
		{"feed every: 15 s", "feed every: 30 s", "a watchdog is fed at least three times before it trips"},
		{`answer: value, expect: "{seconds}"}`, "answer: value}", "a value in the answer needs expect"},
		{"rate: 60 K/min", "rate: 60 K", "K/s is expected here"},
		{"temperature: {below: 310 degC}", "temperature: {}", "below or above is missing here"},
		{"temperature: {below: 310 degC}", "temp: {below: 310 degC}", `"temp" is no measured quantity`},
		{"temperature: {below: 310 degC}", "temperature: {below: 310 degC, above: 400 degC}", "no value is above this and below the other"},
		{"plus: 0.5 K, resolution", "of range: 1 %, resolution", "a part of the range needs the range"},
		{"quantity: heat", "quantity: heater", `a hotplate sets "heat", but nothing under sets does`},
		{"states: {off: STOP_1, on: START_1}", "states: {off: STOP_1, on: START_1}\n    unit: degC", "a quantity has states or a unit, not both"},
		{"identity: {ask: IN_NAME, looks like: \"*\"}", "identity: {ask: IN_NAME}", `"looks like" is missing here`},
	} {
		e.check(t, string(plate), load)
	}
	meter, _ := EmbeddedProfile("scpi-source-meter")
	for _, e := range []edit{
		{"is: voltage / current", "is: voltage by current", "two fields with / or * between"},
		{"is: voltage / current", "is: voltage / amps", `"amps" is no field of this answer`},
		{"is: voltage * current, display: 1 nW", "is: voltage * voltage, display: 1 nW", "dwell has no unit for"},
		{"display: 1 nW", "display: 1 nA", "a power is expected here"},
		{"0: overflow", "32: overflow", "32 is out of range"},
		{"0: overflow", "0: overflown", "did you mean overflow?"},
		{"while: {function: current}", "while: {function: amps}", `"amps" is no state of function`},
		{"while: {function: current}", "while: {mode: current}", `"mode" is no quantity that can be set`},
		{`{current: "SENS:VOLT:PROT:TRIP?", voltage`, `{current: "SENS:VOLT:PROT:TRIP?", volts`, `unknown key "volts"`},
		{"ask by: {function:", "ask by: {current:", `"current" is no quantity with states that can be set`},
		{`answer: list`, `answer: value`, `has one field, not 3`},
		{"bounded by: voltage", "bounded by: current", "current is measured in A and cannot bound a value in V"},
		{"    default: 1\n", "", "the default of integration is missing"},
		{"    reversible: true\n  - quantity: voltage", "    reversible: yes\n  - quantity: voltage", "true or false is expected here"},
		{`reads: "0"}` + "\n      4:", `}` + "\n      4:", "what the question back answers in this state is missing"},
		{"7: it was switched on", "x: it was switched on", "a whole number is expected here"},
		{"at most: 32", "at most: 0", "0 is out of range"},
		{"reset: 7", "reset: 6", `"6" is none of the wrong numbers here`},
		{"reset: 7", "reset: [7, x]", `"x" is none of the wrong numbers here`},
		{"restless: true", "restless: very", "true or false is expected here"},
		{"{quantity: compliance, display: 1}", "{quantity: compliance, states: {no: \"0\", yes: \"0\"}}", `the answer "0" means two states`},
		{"      - {quantity: voltage, unit: V, display: 1 uV}", "      - {quantity: voltage, states: {a: A, b: B}}", "words in a list of values are not understood"},
	} {
		e.check(t, string(meter), load)
	}
}

// exampleRig and exampleSpecimen are right; TestExamplesAreRight makes sure.
func example(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile("../../examples/leaf-clip/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// What a proof test has an instrument refuse must not be answered.
func TestMistakesInTheErrorQueue(t *testing.T) {
	load := func(doc *yamltext.Document, m *yamltext.Mistakes) { LoadProfile(doc, m) }
	meter, _ := EmbeddedProfile("scpi-source-meter")
	for _, e := range []edit{
		{"answers: {to commands: none,", "answers: {to commands: ok,", "what is refused would be answered, and not as a command is"},
	} {
		e.check(t, string(meter), load)
	}
}

func TestMistakesInRigs(t *testing.T) {
	load := func(doc *yamltext.Document, m *yamltext.Mistakes) {
		Load(doc, func(string) ([]byte, error) { return nil, fs.ErrNotExist }, m)
	}
	text := example(t, "rig.yaml")
	for _, e := range []edit{
		{"profile: namur-hotplate", "profile: namur-hotplat", "did you mean namur-hotplate?"},
		{"profile: namur-hotplate", "profile: mine.yaml", "a profile of your own lies beside the rig file"},
		{"port: twin", "port: COM4", `"COM4" is no port`},
		{"port: twin", "port: \"GPIB0::5::INSTR\"", "needs a driver dwell does not have"},
		{"calibrated: 2026-03-14", "calibrated: 14.3.2026", "is no date"},
		{"    port: twin", "    port: twin\n    baut: 4800", "did you mean baud?"},
		{"temperature: 18 degC", "temperature: 18 K", "a temperature is written in degC"},
		{"cooling: none}", "cooling: none}\nnotify: []", "a program is missing here"},
		{"cooling: none", "cooling: some", `"some" says nothing about cooling`},
		{"{from: plate.probe,", "{from: plate.prob,", "did you mean plate.probe?"},
		{"foil.temperature: {from", "foil temperature: {from", "two words with a point between"},
		{"element.power: {from: meter.power}", "element.resistance: {from: meter.power}", `"element.resistance" is given twice`},
		{"element.power: {from: meter.power}", "plate.temperature: {from: meter.power}", `there is a channel "plate.temperature" already`},
		{"thermometer: platinum class B", "thermometer: class B", `"class B" is no class of thermometer`},
		{"thermometer: platinum class B", "thermometer: platinum", "expected one of platinum class AA"},
		{"{from: meter.power}", "{from: meter.power, thermometer: platinum class B}", "only a temperature is read by a thermometer"},
		{"{from: meter.resistance}", "{from: meter.resistance, through: pt100, thermometer: thermocouple K class 1}", "is read through pt100, which is no thermocouple K"},
		{"{from: meter.power}", "{from: meter.power, through: pt100}", "pt100 converts Ohm, but element.power is in W"},
		{"{from: meter.resistance}", "{from: meter.resistance, through: pt101}", `"pt101" is no conversion`},
		{"{from: meter.voltage}", "{from: meter.voltage, through: thermocouple K}", "needs the temperature of its reference junction"},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: 311 degC}", "this is looser than the limit of the instrument itself"},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: 311 degC}", "profiles/namur-hotplate.yaml:"},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: 310 degC, lasting: 1 s}", "this is looser"},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: }", `"below" has no value`},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: .inf}", "only finite numbers"},
		{"plate.temperature: {below: 80 degC}", "plates.temperature: {below: 80 degC}", "did you mean plate.temperature?"},
		{"foil.temperature: {below: 75 degC}", "plate.probe: {below: 75 degC}", `"plate.probe" is no channel of this rig`},
		{"element.power: {below: 500 uW, lasting: 2 s}", "element.power: {below: 500 uV}", "a power is expected here"},
		{"lies on: plate", "lies on: table", `"table" is no instrument of this rig`},
		{"moved by: person", "moved by: robot", "known here: person\n"},
		{"moved by: person", "moved by: persn", "did you mean person?"},
		{"moved by: person", "moved by: plate", `"plate" is no one who moves a specimen on this rig`},
		{"power: element.power", "power: element.current", "element.current is in A, a power is expected here"},
		{"glass thickness: 1 mm", "glas thickness: 1 mm", "did you mean glass thickness?"},
		{"glass thickness: 1 mm", "glass thickness: -1 mm", "cannot be negative"},
		{"twin:\n", "twins:\n", `unknown key "twins"`},
		{"  meter:\n", "  person:\n", `"person" is no name for an instrument`},
		{"interlocks:\n", "interlocks:\n  - never\n", "an interlock is a table"},
		{"rise at full power: 156 K", "rise at full power: 156 degC", "degC is a temperature; a difference is written in K"},
		{"rise at full power: 156 K", "rise at full power: 0 K", "a value above zero is expected here"},
		{"rise at full power: 156 K, ", "", `"rise at full power" is missing here`},
		{"dead time: 4.5 s, date: 2026-03-14", "dead time: 4.5 s, date: in March", `"in March" is no date`},
		{"dead time: 4.5 s, date: 2026-03-14", "dead time: 4.5 s", `"date" is missing here`},
		{"takes: 40 ms, measured on: 2026-03-14", "takes: 40 ms", `"measured on" is missing here`},
		{"takes: 40 ms, measured on: 2026-03-14", "takes: 0 ms, measured on: 2026-03-14", "more than no time, and at most 1 min"},
		{"takes: 40 ms, measured on: 2026-03-14", "takes: 40 h, measured on: 2026-03-14", "more than no time, and at most 1 min"},
		{"temperature: [plate.temperature, foil.temperature]", "temperature: [foil.temperature, foil.temperature]", "foil.temperature and foil.temperature are one thermometer"},
		{"  foil.temperature: {from: plate.probe", "  slide.temperature: {from: plate.probe}\n  foil.temperature: {from: plate.probe", "plate.probe goes by the name of slide.temperature already"},
		{"time constant: 79.6 s, dead", "time constant: 80000 s, dead", "full power would heat plate at 0.117 K/min from the ambient, and it is said to heat at 60 K/min"},
		{"rise at full power: 156 K", "rise at full power: 1e6 K", "one of the two is wrong"},
		{"    longest exchange: {takes: 40 ms", "    heating: {rate: 100000 K/min}\n    longest exchange: {takes: 40 ms", "nothing on a bench heats by more than 50 K/s"},
		{"    longest exchange: {takes: 75 ms", "    identified: {rise at full power: 1 K, time constant: 1 s, dead time: 1 s, date: 2026-03-14}\n    longest exchange: {takes: 75 ms", "scpi-source-meter does not heat"},
		{"#   must act within: 15 s", "must act within: 15", "a time is expected here"},
		{"#   must act within: 15 s", "must act in: 15 s", `unknown key "must act in"`},
		{"thermometers disagree: {by: 3 K}", "thermometers disagree: {}", "by, of excess or lasting is missing here"},
		{"thermometers disagree: {by: 3 K}", "thermometers disagree: {by: 3 degC}", "a difference is written in K"},
		{"thermometers disagree: {by: 3 K}", "thermometers disagree: {by: 0 K}", "a value above zero is expected here"},
		{"thermometers disagree: {by: 3 K}", "thermometers disagree: {of excess: -1 %}", "at least 0 % is expected here"},
		{"#   must act within: 15 s", "stop contacts: [{channel: plate.contact, must read: 1}]", `"plate.contact" is no channel of this rig`},
		{"#   must act within: 15 s", "stop contacts: [{channel: plate.temperature, must read: 1}]", "plate.temperature is in degC: a contact reads a state, or a plain number"},
		{"#   must act within: 15 s", "stop contacts: [{channel: meter.compliance, must read: 0}]", "meter.compliance cannot be read all the time"},
		{"#   must act within: 15 s", "stop contacts: [{channel: plate.temperature}]", `"must read" is missing here`},
	} {
		e.check(t, text, load)
	}
	shared := strings.ReplaceAll(text, "port: twin", "port: \"tcp:192.0.2.10:5025\"")
	var m yamltext.Mistakes
	if load(yamltext.Parse("f.yaml", []byte(shared), &m), &m); !strings.Contains(printed(&m), "meter is on the same port as plate") {
		t.Errorf("two instruments on one port: %s", printed(&m))
	}
}

// Everything wrong with a file, and with the profile it names, is said at once.
func TestAllMistakesInOnePass(t *testing.T) {
	var m yamltext.Mistakes
	plate, _ := EmbeddedProfile("namur-hotplate")
	own := strings.Replace(string(plate), "parity: even", "parity: odd one", 1)
	files := func(name string) ([]byte, error) { return []byte(own), nil }
	text := strings.NewReplacer("profile: namur-hotplate", "profile: own.yaml", "18 degC, cooling", "18 C, cooling", "lies on: plate", "lies on: plat").Replace(example(t, "rig.yaml"))
	Load(yamltext.Parse("f.yaml", []byte(text), &m), files, &m)
	got := printed(&m)
	for _, says := range []string{`"odd one" is no parity`, "the profile own.yaml has mistakes", "C is the coulomb", "did you mean plate?"} {
		if !strings.Contains(got, says) {
			t.Errorf("expected %q among:\n%s", says, got)
		}
	}
	if m.Len() != 4 {
		t.Errorf("expected four mistakes, got:\n%s", got)
	}
}

func TestMistakesInSpecimens(t *testing.T) {
	load := func(doc *yamltext.Document, m *yamltext.Mistakes) { LoadSpecimen(doc, m) }
	for _, e := range []edit{
		{"resistance: 10 kOhm", "resistance: 10 kohm", "did you mean kOhm"},
		{"resistance: 10 kOhm", "resistance: 0 Ohm", "a value above zero is expected here"},
		{"within: 20 %", "within: 120 %", "lets everything pass"},
		{"  within: 20 %\n", "", `"within" is missing here`},
		{"B value: 1000 K", "B value: 1000 degC", "a difference is written in K"},
		{"within: 20 %", "within: 2 kOhm", "or as a share, such as 20 %"},
		{"B value: 1000 K", "beta: 1000 K", `unknown key "beta"`},
		{"within: 20 %", "within: 20", "hint: write it as in 20 %"},
		{"  B value: 1000 K\n", "", "how the resistance follows temperature is missing"},
		{"B value: 1000 K", "B value: 1000 K\n  temperature coefficient: 1 %/K", "not both"},
		{"at: 25 degC\n  within: 20 %\n  B value: 1000 K", "at: 60 degC\n  within: 20 %\n  temperature coefficient: 5 %/K", "resistance at 25 degC: -7500 Ohm"},
		{"at: 25 degC", "at: -300 degC", "nothing is that cold"},
		{"film face: up", "film face: out", `"out" is no way for the film to face`},
		{"thickness: 125 um", "thickness: 125 Pa", "a length is expected here"},
		{"power: {below: 200 uW, lasting: 2 s}", "strain: {above: 1 %}", "the strain has but a limit below"},
		{"film face: up", "bending: {film faces: up, current: along, bows: up}", `"up" is no way for the film to face`},
		{"film face: up", "film face: up\nbending: {film faces: in, current: along, bows: up}", "a film that looks up, on a strip that bows up, is on the outside of the bend, not on the inside"},
		{"film face: up", "film face: up\nbending: {film faces: out, current: along, bows: down}", "is on the inside of the bend, not on the outside"},
		{"film face: up", "film face: down\nbending: {film faces: out, current: along, bows: up}", "film faces: in, or the other side under bows"},
		{"thickness: 125 um", "thickness: 125 um, uncertainty of thickness: -1 um", "a value above zero is expected here"},
		{"thickness: 125 um", "thickness: 125 um, uncertainty of modulus: 1 um", "a value in Pa is expected here"},
		{"power: {below: 200 uW, lasting: 2 s}", "stress: {below: 1 %}", `"stress" is no limit of a specimen`},
		{"current: {below: 150 uA}", "current: {below: 150 mV}", "a current is expected here"},
		{"  voltage: {below: 4 V}", "  energy: {below: 4 V}", "an energy is expected here"},
		{"  voltage: {below: 4 V}", "  energy: {below: 4 J, lasting: 1 s}", "the energy of a whole run has but a limit below which it stays"},
		{"encapsulation: none", "encapsulation: {of: parylene}", `"thickness" is missing here`},
	} {
		e.check(t, example(t, "specimen.yaml"), load)
	}
}

// A film may look down, bow down, and be on the inside, as long as all three agree; and what
// its layers are uncertain by is said of each or of all.
func TestHowAFilmLiesInItsBend(t *testing.T) {
	said := func(old, new, bending string) string {
		var m yamltext.Mistakes
		text := strings.Replace(example(t, "specimen.yaml"), "film face: up", new+"\nbending: "+bending, 1)
		LoadSpecimen(yamltext.Parse("specimen.yaml", []byte(strings.Replace(text, "thickness: 125 um", old, 1)), &m), &m)
		if m.Len() == 0 {
			return ""
		}
		return m.Err().Error()
	}
	for _, c := range [][2]string{{"film face: up", "{film faces: out, current: along, bows: up}"}, {"film face: up", "{film faces: in, current: along, bows: down}"},
		{"film face: down", "{film faces: in, current: along, bows: up}"}, {"film face: down", "{film faces: out, current: along, bows: down}"}, {"", "{film faces: in, current: along, bows: up}"}} {
		if text := said("thickness: 125 um, uncertainty of thickness: 2 um", c[0], c[1]); text != "" {
			t.Errorf("%s, %s: %s", c[0], c[1], text)
		}
	}
	const both = "{film faces: out, current: along, bows: up, uncertainty of thickness: 1 um}"
	if text := said("thickness: 125 um", "film face: up", both); text != "" {
		t.Errorf("of all together: %s", text)
	}
	if text := said("thickness: 125 um, uncertainty of thickness: 2 um", "film face: up", both); text == "" {
		t.Error("of each and of all together: no mistake")
	}
}

func TestLimits(t *testing.T) {
	var m yamltext.Mistakes
	r := Load(yamltext.Parse("rig.yaml", []byte(example(t, "rig.yaml")), &m), nil, &m)
	s := LoadSpecimen(yamltext.Parse("specimen.yaml", []byte(example(t, "specimen.yaml")), &m), &m)
	for _, l := range append(r.Limits, r.SpecimenLimits(s)...) {
		if l.Channel == "element.current" && (l.Above == nil || *l.Above != -*l.Below) {
			t.Errorf("%s: a current is limited both ways round, got %+v", l.Where, l)
		}
		if !strings.Contains(l.Where, ".yaml:") || r.Channel(l.Channel) < 0 {
			t.Errorf("a limit without place or channel: %+v", l)
		}
	}
	if n := len(r.Limits); n != 6 {
		t.Errorf("expected five limits of the rig and one of the plate, got %d", n)
	}
	if l := r.Limits[0]; l.Where != "rig.yaml:50:30" {
		t.Errorf("the first limit stands at %s", l.Where)
	}
}

// Values of the B model recomputed for this project, for 10 kOhm at 25 degC and
// 3950 K (IEC 60539-1).
func TestExpectedResistance(t *testing.T) {
	s := &Specimen{R0Ohm: 1e4, AtDegC: 25, Law: Law{BK: 3950}}
	for degC, want := range map[float64]float64{-50: 858612.824502, 0: 33620.603721, 37: 5989.411673, 85: 1086.670769} {
		if got := s.ExpectedOhm(degC); !near(got, want, 1e-9*want) {
			t.Errorf("at %g degC: expected %g Ohm, got %g", degC, want, got)
		}
	}
	s = &Specimen{R0Ohm: 1e4, AtDegC: 25, Law: Law{PerK: -0.01}}
	if got := s.ExpectedOhm(35); !near(got, 9000, 1e-9) {
		t.Errorf("expected 9000 Ohm, got %g", got)
	}
}

// The times are worked out by hand: three integrations of 20 ms, 5 ms of its own,
// and 6 + 3 x 14 + 2 characters of 10 bits at 57600 baud.
func TestQueryTimes(t *testing.T) {
	text, _ := EmbeddedProfile("scpi-source-meter")
	var m yamltext.Mistakes
	p := LoadProfile(yamltext.Parse("p.yaml", text, &m), &m)
	typical, worst := p.QueryTime(0, Settings{LineCycles: 1})
	if want := 65*clock.Millisecond + clock.Instant(500)*clock.Second/57600; typical != want || worst != want+195*clock.Millisecond {
		t.Errorf("expected %d, got %d and %d", want, typical, worst)
	}
	twice, _ := p.QueryTime(0, Settings{LineCycles: 1, Reverse: true})
	if want := 2*typical + 20*clock.Millisecond + 2*(clock.Instant(320)*clock.Second/57600); twice != want {
		t.Errorf("both ways round: expected %d, got %d", want, twice)
	}
	if p.Defaults().LineCycles != 1 || p.Find("compliance", inAmpere) != p.Set("current compliance") || p.Find("compliance", inVolt) != p.Set("compliance") ||
		p.Find("wires", quantity.Dimension{}) != p.Set("wires") || p.BoundedBy("compliance") != "voltage" || p.BoundedBy("nothing") != "" {
		t.Error("what can be set is not found")
	}
}

func FuzzFiles(f *testing.F) {
	for _, name := range Embedded() {
		text, _ := EmbeddedProfile(name)
		f.Add(text)
	}
	for _, name := range []string{"rig.yaml", "specimen.yaml"} {
		text, err := os.ReadFile("../../examples/leaf-clip/" + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var m yamltext.Mistakes
		doc := yamltext.Parse("f.yaml", text, &m)
		r := Load(doc, func(string) ([]byte, error) { return text, nil }, &m)
		LoadSpecimen(doc, &m)
		p := LoadProfile(doc, &m)
		for q := range p.Queries {
			p.QueryTime(q, p.Defaults())
		}
		if s := LoadSpecimen(doc, &m); r != nil {
			r.SpecimenLimits(s)
		}
	})
}
