package rig

import (
	"math"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// One mistake in a rig or specimen file is said once: nothing that depends on what
// could not be read is a mistake again.
func TestOneMistakeIsSaidOnce(t *testing.T) {
	plate, _ := EmbeddedProfile("namur-hotplate")
	files := func(name string) ([]byte, error) {
		return []byte(strings.Replace(string(plate), "parity: even", "parity: odd one", 1)), nil
	}
	for _, e := range []struct {
		edit
		lost string
	}{
		{edit{"namur-hotplate", "namur-hotplat", "did you mean namur-hotplate?"}, "plate plate.probe foil.temperature"},
		{edit{"scpi-source-meter", "scpi-sorce-meter", "did you mean scpi-source-meter?"}, "meter meter.voltage element.power"},
		{edit{"    profile: namur-hotplate\n", "", `"profile" is missing here`}, "plate plate.temperature"},
		{edit{"    profile: namur-hotplate\n", "    profil: namur-hotplate\n", "did you mean profile?"}, "plate foil.temperature"},
		{edit{"    profile: namur-hotplate\n", "    profile:\n", `"profile" has no value`}, "plate foil.temperature"},
		{edit{"from: plate.probe", "from: plate.prob", "did you mean plate.probe?"}, "foil.temperature"},
		{edit{"from: plate.probe", "from: plate.probe, through: pt10", "pt10"}, "foil.temperature"},
		{edit{"instruments:\n", "instrumens:\n", "did you mean instruments?"}, "plate plate.probe foil.temperature meter element.power"},
		{edit{"channels:\n", "chanels:\n", "did you mean channels?"}, "foil.temperature element.power"},
		{edit{"specimen place:\n", "specimen plase:\n", "did you mean specimen place?"}, ""},
		{edit{"resistance: element.resistance", "resistance: element.resistanse", "did you mean element.resistance?"}, ""},
		{edit{"temperature: 18 degC, ", "temperatur: 18 degC, ", "did you mean temperature?"}, ""},
	} {
		var m yamltext.Mistakes
		r := Load(yamltext.Parse("f.yaml", []byte(e.apply(t, example(t, "rig.yaml"))), &m), files, &m)
		if got := printed(&m); m.Len() != 1 || !strings.Contains(got, e.says) {
			t.Errorf("%q: expected one mistake, %q, got:\n%s", e.new, e.says, got)
		}
		for _, name := range strings.Fields(e.lost) {
			if !r.Excused(name) || !r.Lost() {
				t.Errorf("%q: %s is not among what could not be read", e.new, name)
			}
		}
		if e.lost == "" && !r.Place.Lost && !math.IsNaN(r.AmbientDegC) {
			t.Errorf("%q: what could not be read is not marked", e.new)
		}
		for _, name := range []string{"oven", "oven.temperature", "element.temperature"} {
			if r.Excused(name) && !strings.Contains(e.says, "instruments") && !strings.Contains(e.says, "channels") {
				t.Errorf("%q: %s was never there", e.new, name)
			}
		}
	}
}

// What has nothing to do with a mistake is looked at all the same.
func TestOneMistakeHidesNoOther(t *testing.T) {
	for _, e := range []edit{
		{"foil.temperature: {below: 75 degC}", "foil.temperature: {belo: 75 degC}", "did you mean below?"},
		{"element.current: {below: 200 uA}", "elment.current: {below: 200 uAA}", `unknown unit "uAA"`},
		{"element.current: {below: 200 uA}", "element.curent: {below: 200 uA}", "did you mean element.current?"},
		{"from: meter.power", "from: meter.pwer", "did you mean meter.power?"},
		{"lies on: plate", "lies on: plat", "did you mean plate?"},
	} {
		text := strings.Replace(example(t, "rig.yaml"), "namur-hotplate", "namur-hotplat", 1)
		e.check(t, text, func(doc *yamltext.Document, m *yamltext.Mistakes) { Load(doc, nil, m) })
	}
}

// Without all of what a resistance is expected from, none is.
func TestLostFilm(t *testing.T) {
	for _, e := range []edit{
		{"at: 25 degC", "at: 25 K", "a temperature in degC is expected here"},
		{"  at: 25 degC\n", "", `"at" is missing here`},
		{"  at: 25 degC\n", "  at:\n", `"at" has no value`},
		{"within: 20 %", "within: 120 %", "lets everything pass"},
		{"within: 20 %", "witin: 20 %", "did you mean within?"},
		{"resistance: 10 kOhm", "resistance: -10 kOhm", "a value above zero is expected here"},
		{"B value: 1000 K", "B value: 1000", "a difference in K is expected here"},
		{"B value: 1000 K", "B vlaue: 1000 K", "did you mean B value?"},
		{"  B value: 1000 K\n", "", "how the resistance follows temperature is missing"},
	} {
		var m yamltext.Mistakes
		s := LoadSpecimen(yamltext.Parse("f.yaml", []byte(e.apply(t, example(t, "specimen.yaml"))), &m), &m)
		if got := printed(&m); m.Len() != 1 || !strings.Contains(got, e.says) {
			t.Errorf("%q: expected one mistake, %q, got:\n%s", e.new, e.says, got)
		}
		if s.ExpectedOhm(25) != 0 {
			t.Errorf("%q: %g Ohm are expected", e.new, s.ExpectedOhm(25))
		}
	}
}

// Of a file that says nothing of instruments, nothing is known to be missing.
func TestLostRig(t *testing.T) {
	for text, mistakes := range map[string]int{"": 1, "[1, 2]": 1, "format: 1\nrig: a\nambient: {temperature: 18 degC, cooling: none}\n": 1} {
		var m yamltext.Mistakes
		r := Load(yamltext.Parse("f.yaml", []byte(text), &m), nil, &m)
		if m.Len() != mistakes || !r.Excused("plate") || !r.Excused("plate.temperature") || !r.Lost() {
			t.Errorf("%q: expected %d mistakes and that any name is excused, got:\n%s", text, mistakes, printed(&m))
		}
	}
}
