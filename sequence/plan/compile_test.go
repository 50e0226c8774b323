package plan

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

var update = flag.Bool("update", false, "write the expected files anew")

const leafClip = "../../examples/leaf-clip/"

// bench loads rig and specimen of the example.
func bench(t testing.TB, m *yamltext.Mistakes) (*rig.Rig, *rig.Specimen) {
	t.Helper()
	load := func(name string) *yamltext.Document {
		text, err := os.ReadFile(leafClip + name)
		if err != nil {
			t.Fatal(err)
		}
		return yamltext.Parse(name, text, m)
	}
	r, s := rig.Load(load("rig.yaml"), nil, m), rig.LoadSpecimen(load("specimen.yaml"), m)
	if m.Len() > 0 {
		t.Fatal(printed(m))
	}
	return r, s
}

func printed(m *yamltext.Mistakes) string {
	var b strings.Builder
	m.Print(&b)
	return b.String()
}

// compile compiles a protocol for the example's bench.
func compile(t testing.TB, name, text string) (*Plan, *yamltext.Mistakes) {
	m := &yamltext.Mistakes{}
	r, s := bench(t, m)
	doc := yamltext.Parse(name, []byte(text), m)
	if doc.Root == nil {
		return nil, m
	}
	return Compile(doc, r, s, Options{}, m), m
}

var examples = []string{"staircase", "response", "overnight", "short"}

// TestExamples compares the plans of the examples with those that were looked at.
func TestExamples(t *testing.T) {
	for _, name := range examples {
		text, err := os.ReadFile(leafClip + name + ".yaml")
		if err != nil {
			t.Error(err)
			continue
		}
		p, m := compile(t, name+".yaml", string(text))
		if m.Len() > 0 {
			t.Errorf("%s:\n%s", name, printed(m))
			continue
		}
		looksAsBefore(t, name, p)
	}
}

// looksAsBefore compares a plan with the one that was looked at.
func looksAsBefore(t *testing.T, name string, p *Plan) {
	t.Helper()
	got, err := WriteJSON(p)
	if err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", name+".plan.json")
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s: the plan differs from %s; look at it, then run go test -update\n%s", name, golden, firstDifference(got, want))
	}
	if _, err := ReadJSON(got); err != nil {
		t.Errorf("%s: %v", name, err)
	}
}

// firstDifference shows the first lines that differ.
func firstDifference(got, want []byte) string {
	a, b := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return "got  " + a[i] + "\nwant " + b[i]
		}
	}
	return "one is longer"
}

// TestLanguage holds the page about the language to the truth: its protocol
// compiles, and it names every step.
func TestLanguage(t *testing.T) {
	page, err := os.ReadFile("../../examples/protocol-language.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "```yaml\n")
	protocol, rest, ok := strings.Cut(rest, "```\n")
	if !ok {
		t.Fatal("there is no protocol on the page")
	}
	p, m := compile(t, "protocol-language.md", protocol)
	if m.Len() > 0 {
		t.Fatal(printed(m))
	}
	_, second, _ := strings.Cut(rest, "```yaml\n")
	bending, _, _ := strings.Cut(second, "```\n")
	q, said := bent(t, bending, nil, nil)
	if said != "" {
		t.Fatal(said)
	}
	protocol += bending
	p.Actions = append(p.Actions, q.Actions...)
	for _, verb := range verbs {
		if !strings.Contains(protocol, "- "+verb+":") {
			t.Errorf("the protocol on the page does not show the step %s", verb)
		}
		if !strings.Contains(rest, "`"+verb+"`") {
			t.Errorf("the table on the page does not explain the step %s", verb)
		}
	}
	for _, op := range []Op{Begin, Set, Arrive, Wait, Until, Ramp, Sweep, Record, Mark, Note, Person, Place, Lift, Confirm, Loop, Again, Home, Move, Cycle, Life, Over} {
		if !slices.ContainsFunc(p.Actions, func(a Action) bool { return a.Op == op }) {
			t.Errorf("the protocol on the page does not come to the operation %s", op)
		}
	}
}
