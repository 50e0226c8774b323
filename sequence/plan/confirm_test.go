package plan

import (
	"math"
	"os"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

const onlyConfirm = "format: 1\ntitle: t\nrecord: {element.resistance: 1 s}\nends: {at most: 1 h}\nsteps:\n  - confirm: {specimen: LC-07%s}\n" +
	"  - source: {instrument: meter, current: 10 uA, compliance: 2 V}\n  - hold: 1 min\n"

// onFilm compiles a confirmation for another specimen on the example's bench.
func onFilm(t *testing.T, more string, rigWords, specimenWords []string) (*Plan, string) {
	t.Helper()
	m := &yamltext.Mistakes{}
	load := func(name string, words []string) *yamltext.Document {
		return yamltext.Parse(name, []byte(strings.NewReplacer(words...).Replace(leafClipText(t, name))), m)
	}
	r, s := rig.Load(load("rig.yaml", rigWords), nil, m), rig.LoadSpecimen(load("specimen.yaml", specimenWords), m)
	p := Compile(yamltext.Parse("p.yaml", []byte(strings.Replace(onlyConfirm, "%s", more, 1)), m), r, s, Options{}, m)
	return p, printed(m)
}

// The current that confirms a film makes its resistance readable: what the meter itself
// may be wrong by stays small beside it, and so does the power in the film.
func TestTheHarmlessCurrentReadsSomething(t *testing.T) {
	for ohm, amps := range map[string]float64{"120 Ohm": 5e-5, "1.2 kOhm": 5e-6, "10 kOhm": 1e-6, "100 kOhm": 1e-6} {
		p, wrong := onFilm(t, "", nil, []string{"resistance: 10 kOhm", "resistance: " + ohm})
		if wrong != "" {
			t.Errorf("%s: %s", ohm, wrong)
			continue
		}
		for _, a := range p.Actions {
			if a.Op != Confirm {
				continue
			}
			c := a.Confirm
			if math.Abs(c.CurrentA-amps) > 1e-12 || c.Asymmetry > asymmetry+mostOffset || c.CurrentA*c.CurrentA*c.HighOhm > harmlessW {
				t.Errorf("%s: %+v", ohm, *c)
			}
		}
	}
	low := []string{"resistance: 10 kOhm", "resistance: 120 Ohm"}
	tight := append(low, "current: {below: 150 uA}", "current: {below: 20 uA}")
	for _, c := range []struct {
		more     string
		specimen []string
		want     string
	}{
		{", current: 1 uA", low, "offset of meter itself may make a difference of 4.6e+02 %"},
		{"", tight, "at 10 uA the offset of meter itself"},
		{", current: 100 uA", low, ""},
		{", current: 1 uA, symmetric within: 50 %", low, ""},
	} {
		if _, wrong := onFilm(t, c.more, nil, c.specimen); (c.want == "") != (wrong == "") || !strings.Contains(wrong, c.want) {
			t.Errorf("%q: expected %q, got %s", c.more, c.want, wrong)
		}
	}
}

// A limit of the specimen that no channel is watched for is a mistake.
func TestLimitsThatNothingWatches(t *testing.T) {
	for what, line := range map[string]string{"current": "  current: element.current\n", "voltage": "  voltage: element.voltage\n",
		"temperature": "  temperature: [plate.temperature, foil.temperature]\n"} {
		_, wrong := onFilm(t, "", []string{line, ""}, nil)
		if carets(wrong) != 1 || !strings.HasPrefix(wrong, "p.yaml:") || !strings.Contains(wrong, "the specimen has a limit on its "+what+", and nothing on this rig shows that") {
			t.Errorf("%s: %s", what, wrong)
		}
		if _, wrong := onFilm(t, "", []string{line, ""}, []string{"  " + what + ": {", "  # {"}); wrong != "" {
			t.Errorf("without a limit on the %s: %s", what, wrong)
		}
	}
}

func leafClipText(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(leafClip + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// A wrong end of a range hides no wrong step.
func TestARangeWithTwoMistakes(t *testing.T) {
	for _, let := range []string{"low: 20 degC\n  high: 40\n  rise: 5 degC", "low: 20\n  high: 40 degC\n  rise: 5 degC"} {
		text := strings.Replace(leafClipText(t, "staircase.yaml"), "low: 20 degC\n  high: 40 degC\n  rise: 5 K", let, 1)
		_, m := compile(t, "staircase.yaml", text)
		if m.Len() != 2 || !strings.Contains(printed(m), "a difference in K is expected here") && !strings.Contains(printed(m), "a difference is written in K") {
			t.Errorf("%s: %s", let, printed(m))
		}
	}
}
