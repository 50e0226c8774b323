package main

import (
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/sequence/plan"
)

// What two files say in another way is listed and weighed, wherever it stands.
func TestWeighed(t *testing.T) {
	const then = `
rig: a
instruments:
  m: {profile: x, port: twin, serial number: 1}
channels: {c: {from: m.port}}
limits: {c: {below: 80 degC}}
bending: {free length: 50 mm, homing: ask}
twin: {gauge factor: 2}
`
	for _, c := range []struct {
		from, to string
		expected []string
	}{
		{"", "", nil},
		{"twin", "serial:COM4", []string{"harmless: m: its port was twin, is serial:COM4"}},
		{"profile: x, port: twin", "port: twin, profile: x", nil},
		{"80 degC", "60 degC", []string{"harmless: the limits of the rig: c: below was 80 degC, is 60 degC"}},
		{"50 mm", "5 cm", nil},
		{"50 mm", "40 mm", []string{"blocking: the free length was 50 mm, is 40 mm"}},
		{"ask", "harmless", []string{"notable: the bench for bending: homing was ask, is harmless"}},
		{"m.port", "n.port", []string{"blocking: the channel c: from was m.port, is n.port"}},
		{"number: 1", "number: 2", []string{"notable: m: its serial number was 1, is 2"}},
		{", serial number: 1", "", []string{"notable: m: its serial number was 1, is not there"}},
		{"  m:", "  n:", []string{"blocking: the instrument m was {profile: x, port: twin, serial number: 1}, is not there", "notable: the instrument n was not there, is {profile: x"}},
		{"{gauge factor: 2}", "[1, 2]", []string{"notable: the virtual bench was {gauge factor: 2}, is [1, 2]"}},
		{"twin: {", "window: {", []string{"notable: the virtual bench was {gauge factor: 2}, is not there", "notable: window was not there, is {gauge factor: 2}"}},
	} {
		m := &yamltext.Mistakes{}
		a := yamltext.Parse("then", []byte(then), m)
		b := yamltext.Parse("now", []byte(strings.Replace(then, c.from, c.to, 1)), m)
		if m.Len() > 0 {
			t.Fatal(m.Err())
		}
		found, _ := weighed(a.Root, b.Root, rigWeights)
		if !slices.EqualFunc(found, c.expected, func(d plan.Difference, want string) bool { return strings.HasPrefix(d.String(), want) }) {
			t.Errorf("%q in place of %q: %v, expected %q", c.to, c.from, found, c.expected)
		}
	}
}

// Every key that a rig or a specimen file can have is weighed by somebody's thought, and not
// by default.
func TestEveryKeyHasAWeight(t *testing.T) {
	for _, file := range []struct {
		schema  schema
		weights []weighing
	}{{rigSchema(), rigWeights}, {specimenSchema(), specimenWeights}} {
		for key := range file.schema["properties"].(schema) {
			if w, _ := weightOf([]string{key, "a", "b", "c"}, file.weights); w.key == "" && key != "format" && key != "instruments" && key != "channels" {
				t.Errorf("%s has no weight", key)
			}
		}
	}
	for key := range instrumentSchema()["properties"].(schema) {
		if w, _ := weightOf([]string{"instruments", "a", key}, rigWeights); w.key == "instruments: *" {
			t.Errorf("instruments: *: %s has no weight", key)
		}
	}
}

// What resume cannot go on with is refused, and nothing is written. The rig file of the run
// itself is taken.
func TestAnotherRigDoesNotGoOn(t *testing.T) {
	t.Parallel()
	folder := brokenOff(t, rehearsed(t, "short.yaml", 1).folder, rand.New(rand.NewPCG(3, 3)))
	before := read(t, filepath.Join(folder, "run.json"))
	for _, c := range []struct{ from, to, says string }{
		{"port: twin", "port: tcp:127.0.0.1:9", "between a real and a virtual instrument"},
		{"rig: leaf-clip bench", "rig: another bench", "needs --reason"},
		{"temperature: [plate.temperature, foil.temperature]", "temperature: [foil.temperature]", "a run is read in one way"},
		{"plate.temperature: {below: 80 degC}", "plate.temperature: {below: 21 degC}", "no reason overrides"},
	} {
		p := start(t, "resume", folder, "--rig", rigWith(t, c.from, c.to))
		p.exits(exitUsage)
		p.says(c.says)
	}
	if read(t, filepath.Join(folder, "run.json")) != before {
		t.Error("a refused resume has written to the folder")
	}
	start(t, "resume", folder, "--rig", leafClip+"rig.yaml").exits(exitDone)
}

// rigWith is the rig file of the example with other words in it.
func rigWith(t *testing.T, from, to string) string {
	t.Helper()
	text := read(t, leafClip+"rig.yaml")
	if !strings.Contains(text, from) {
		t.Fatalf("%q is not in the rig file", from)
	}
	return write(t, filepath.Join(t.TempDir(), "rig.yaml"), strings.Replace(text, from, to, 1))
}

// A rig that is not as it was is weighed; what is tighter holds, for whoever goes on or
// begins again later too.
func TestAnotherRigIsWeighed(t *testing.T) {
	t.Parallel()
	broken := func() string {
		return brokenOff(t, rehearsed(t, "short.yaml", 1).folder, rand.New(rand.NewPCG(3, 3)))
	}
	part := func(folder string) logs.Segment {
		r, _ := openRecord(t, folder)
		id, err := r.Identity()
		if err != nil || len(id.Segments) == 0 {
			t.Fatalf("%v: %+v", err, id.Segments)
		}
		return id.Segments[len(id.Segments)-1]
	}
	belows := func(folder string) (all []float64) {
		r, _ := openRecord(t, folder)
		j, err := keptJob(r)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range j.plan.Rules.Limits {
			if l.Channel == "plate.temperature" && l.Below != nil {
				all = append(all, *l.Below)
			}
		}
		return all
	}

	folder := broken()
	start(t, "resume", folder, "--rig", rigWith(t, "calibrated: 2026-03-14", "calibrated: 2026-09-01")).exits(exitDone)
	if s := part(folder); len(s.Differences) != 1 || s.Differences[0].Weight != "notable" || s.Rules != nil {
		t.Errorf("another calibration: %+v", s)
	}

	folder = broken()
	start(t, "resume", folder, "--rig", rigWith(t, "rig: leaf-clip bench", "rig: another bench"), "--reason", "moved to room 3").exits(exitDone)
	if s := part(folder); s.Reason != "moved to room 3" || len(s.Differences) != 1 || s.Differences[0].Weight != "blocking" {
		t.Errorf("another name: %+v", s)
	}

	folder = broken()
	p := start(t, "resume", folder, "--rig", rigWith(t, "plate.temperature: {below: 80 degC}", "plate.temperature: {below: 28 degC}"))
	p.exits(exitDone)
	p.says("today's is tighter")
	if all := belows(folder); !slices.Contains(all, 28) || !slices.Contains(all, 30) {
		t.Errorf("limits that a later part has: %v", all)
	}
	if v := verified(t, folder); len(v.findings) > 0 {
		t.Error(v.findings)
	}
	q, out := again(t, folder, leafClip+"rig.yaml", "")
	q.exits(exitDone)
	q.says("that with which the old run was taken up again")
	if all := limitsIn(t, theFolder(t, out), "plate.temperature"); !slices.Contains(all, 28) {
		t.Errorf("limits of a rerun: %v", all)
	}

	folder = broken()
	start(t, "resume", folder, "--rig", rigWith(t, "plate.temperature: {below: 80 degC}", "plate.temperature: {below: 90 degC}")).exits(exitDone)
	if s := part(folder); s.Rules != nil {
		t.Errorf("a looser limit has changed the rules: %s", s.Rules)
	}
}
