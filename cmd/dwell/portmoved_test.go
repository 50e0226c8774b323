package main

import (
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// A rig file of today may name other ports and nothing else.
func TestOnlyPortsMayDiffer(t *testing.T) {
	const then = `
rig: a
instruments:
  m: {profile: x, port: twin, serial number: 1}
channels: {c: {from: m.port}}
limits: {c: {below: 80 degC}}
interlocks: [one, two]
`
	for _, c := range []struct {
		from, to string
		expected []string
	}{
		{"", "", nil},
		{"twin", "serial:COM4", nil},
		{"profile: x, port: twin", "port: twin, profile: x", nil},
		{"80 degC", "60 degC", []string{"limits: c: below was 80 degC, is 60 degC"}},
		{"m.port", "n.port", []string{"channels: c: from was m.port, is n.port"}},
		{"number: 1", "number: 2", []string{"instruments: m: serial number was 1, is 2"}},
		{"  m:", "  n:", []string{"instruments: m is missing", "instruments: n is new"}},
		{"[one, two]", "[one]", []string{"interlocks had 2 entries, has 1"}},
		{"[one, two]", "[two, one]", []string{"interlocks: 1 was one, is two", "interlocks: 2 was two, is one"}},
		{"{below: 80 degC}", "80 degC", []string{"limits: c was a list or table, is 80 degC"}},
	} {
		m := &yamltext.Mistakes{}
		a := yamltext.Parse("then", []byte(then), m)
		b := yamltext.Parse("now", []byte(strings.Replace(then, c.from, c.to, 1)), m)
		if m.Len() > 0 {
			t.Fatal(m.Err())
		}
		if got := otherThanPorts(nil, a.Root, b.Root); !slices.Equal(got, c.expected) {
			t.Errorf("%q in place of %q: %q, expected %q", c.to, c.from, got, c.expected)
		}
	}
}

// Another rig is refused by resume, and nothing is written; so is a real port in place
// of a virtual one. The file of the run itself is taken.
func TestAnotherRigDoesNotGoOn(t *testing.T) {
	t.Parallel()
	folder := brokenOff(t, rehearsed(t, "short.yaml", 1).folder, rand.New(rand.NewPCG(3, 3)))
	dir := t.TempDir()
	before := read(t, filepath.Join(folder, "run.json"))
	for _, c := range []struct{ from, to, says string }{
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: 60 degC}", "was 80 degC, is 60 degC"},
		{"port: twin", "port: tcp:127.0.0.1:9", "between a real and a virtual instrument"},
	} {
		text := strings.Replace(read(t, leafClip+"rig.yaml"), c.from, c.to, 1)
		p := start(t, "resume", folder, "--rig", write(t, filepath.Join(dir, "rig.yaml"), text))
		p.exits(exitUsage)
		p.says(c.says)
	}
	if read(t, filepath.Join(folder, "run.json")) != before {
		t.Error("a refused resume has written to the folder")
	}
	start(t, "resume", folder, "--rig", leafClip+"rig.yaml").exits(exitDone)
}
