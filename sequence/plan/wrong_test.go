package plan

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// TestWrong compares what is said about wrong protocols, to the letter, with what
// was found to be right. Every protocol there is wrong, and every mistake in it is
// found in one pass.
func TestWrong(t *testing.T) {
	files, err := filepath.Glob("testdata/wrong/*.yaml")
	if err != nil || len(files) < 40 {
		t.Fatalf("expected 40 wrong protocols or more, found %d (%v)", len(files), err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, m := compile(t, filepath.Base(file), string(text))
		got := printed(m)
		if got == "" {
			t.Errorf("%s: nothing is found wrong with it", file)
			continue
		}
		expected := strings.TrimSuffix(file, ".yaml") + ".txt"
		if *update {
			if err := os.WriteFile(expected, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(expected)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s: got\n%s\nwant\n%s", file, got, want)
		}
	}
}

// A misspelt profile is one mistake, not one for everything that depends on it.
func TestACauseIsReportedWithoutItsConsequences(t *testing.T) {
	for _, change := range []string{
		"profile: namur-hotplate => profile: namur-hotplat",
		"profile: scpi-source-meter => profile: scpi-sourcemeter",
	} {
		for _, protocol := range []string{"staircase.yaml", "response.yaml", "short.yaml", "overnight.yaml"} {
			text, err := os.ReadFile(leafClip + protocol)
			if err != nil {
				t.Fatal(err)
			}
			got := beside(t, []string{change}, nil, string(text))
			if strings.Count(got, "^") != 1 || !strings.Contains(got, "is no profile that dwell has") {
				t.Errorf("%s, %s: got\n%s", protocol, change, got)
			}
		}
	}
}

// beside compiles a protocol for the example's bench with its files changed:
// pairs of old and new text.
func beside(t *testing.T, rigChanges, specimenChanges []string, protocol string) string {
	t.Helper()
	_, said := planned(t, rigChanges, specimenChanges, protocol, Options{})
	return said
}

// planned is beside with the plan.
func planned(t *testing.T, rigChanges, specimenChanges []string, protocol string, o Options) (*Plan, string) {
	t.Helper()
	m := &yamltext.Mistakes{}
	load := func(name string, changes []string) *yamltext.Document {
		text, err := os.ReadFile(leafClip + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, old := range changes {
			if i := strings.Index(old, " => "); i < 0 || !strings.Contains(string(text), old[:i]) {
				t.Fatalf("%s does not hold %q", name, old)
			} else {
				text = []byte(strings.Replace(string(text), old[:i], old[i+4:], 1))
			}
		}
		return yamltext.Parse(name, text, m)
	}
	r := rig.Load(load("rig.yaml", rigChanges), nil, m)
	s := rig.LoadSpecimen(load("specimen.yaml", specimenChanges), m)
	p := Compile(yamltext.Parse("p.yaml", []byte(protocol), m), r, s, o, m)
	return p, printed(m)
}

const warm = `format: 1
title: another bench
record: {plate.temperature: 1 s}
ends: {at most: 6 h, off and cool by: "07:30"}
steps:
  - confirm: {specimen: LC-07}
  - bring: {plate to: 95 degC, at most: 20 min}
  - bring: {plate to: 12 degC, at most: 20 min}
  - bring: {plate to: 3 degC, at most: 20 min}
`

// TestOtherBenches sees what depends on rig and specimen change with them.
func TestOtherBenches(t *testing.T) {
	noLimits := []string{"  temperature: {below: 70 degC}\n => "}
	got := beside(t, nil, noLimits, warm)
	for _, want := range []string{
		"p.yaml:7:23: 95 degC is above what this rig allows (80 degC, rig.yaml:50)\n" +
			"    7 |   - bring: {plate to: 95 degC, at most: 20 min}\n" +
			"      |                       ^~~~~~~\n",
		"p.yaml:8:23: 12 degC cannot be reached: the ambient is 18 degC and this rig has no cooling\n"} {
		if !strings.Contains(got, want) {
			t.Errorf("expected %s\nin %s", want, got)
		}
	}
	for _, c := range []struct {
		rig, specimen []string
		says          string
		not           string
	}{
		{[]string{"cooling: none => cooling: 5 degC"}, nil, "3 degC cannot be reached: this rig cools to 5 degC", "12 degC cannot"},
		{[]string{"temperature: 18 degC, => temperature: 10 degC,"}, nil, "3 degC cannot be reached: the ambient is 10 degC", "12 degC cannot"},
		{nil, []string{"temperature: {below: 70 degC} => temperature: {below: 120 degC}"}, "95 degC is above what this rig allows (80 degC", "specimen allows"},
		{[]string{"plate.temperature: {below: 80 degC} => plate.temperature: {below: 96.5 degC}"}, noLimits,
			"95 degC is too close to what this rig allows (96.5 degC, rig.yaml:50): a setpoint stays 2 K away", "above what"},
		{[]string{"  resistance: element.resistance\n => "}, nil, "the rig does not say which channel is the specimen's resistance", "is confirmed"},
	} {
		got := beside(t, c.rig, c.specimen, warm)
		if !strings.Contains(got, c.says) || c.not != "" && strings.Contains(got, c.not) {
			t.Errorf("%q %q: expected %q and not %q in\n%s", c.rig, c.specimen, c.says, c.not, got)
		}
	}
}

// TestBrokenBenches: a rig or specimen with mistakes of its own is no reason to
// panic, whichever line is missing.
func TestBrokenBenches(t *testing.T) {
	protocol, err := os.ReadFile(leafClip + "staircase.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"rig.yaml", "specimen.yaml"} {
		text, err := os.ReadFile(leafClip + name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.SplitAfter(string(text), "\n")
		for i := range lines {
			m := &yamltext.Mistakes{}
			docs := map[string]*yamltext.Document{}
			for _, file := range []string{"rig.yaml", "specimen.yaml"} {
				whole, _ := os.ReadFile(leafClip + file)
				if file == name {
					whole = []byte(strings.Join(append(append([]string(nil), lines[:i]...), lines[i+1:]...), ""))
				}
				docs[file] = yamltext.Parse(file, whole, m)
			}
			r, s := rig.Load(docs["rig.yaml"], nil, m), rig.LoadSpecimen(docs["specimen.yaml"], m)
			Compile(yamltext.Parse("staircase.yaml", protocol, m), r, s, Options{}, m)
		}
	}
}
