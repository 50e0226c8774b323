package rig

import (
	"os"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// printed is all mistakes as a person sees them.
func printed(m *yamltext.Mistakes) string {
	var b strings.Builder
	m.Print(&b)
	return b.String()
}

func loadFile(t *testing.T, path string, m *yamltext.Mistakes) *yamltext.Document {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return yamltext.Parse(path, text, m)
}

func TestExamplesAreRight(t *testing.T) {
	const folder = "../../examples/leaf-clip/"
	var m yamltext.Mistakes
	r := Load(loadFile(t, folder+"rig.yaml", &m), nil, &m)
	s := LoadSpecimen(loadFile(t, folder+"specimen.yaml", &m), &m)
	if m.Len() > 0 {
		t.Fatal(printed(&m))
	}
	if r.AmbientDegC != 18 || r.LowestDegC != 18 || len(r.Instruments) != 2 {
		t.Errorf("the rig was read as %+v", r)
	}
	want := "plate.temperature foil.temperature element.voltage element.current element.resistance element.power meter.compliance"
	if got := strings.Join(r.Names(), " "); got != want {
		t.Errorf("expected the channels %s, got %s", want, got)
	}
	if n := len(r.SpecimenLimits(s)); n != 5 {
		t.Errorf("expected five limits of the specimen on channels, got %d", n)
	}
}
