//go:build unix

package main

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// A time of day that cannot be kept is refused by all three verbs in the same words,
// for the start that is meant, and nothing is touched; one that can be kept is not.
func TestATimeOfDayThatCannotBeKept(t *testing.T) {
	t.Parallel()
	at := func(in time.Duration) string { return time.Now().Add(in).Format("15:04") }
	protocol := func(by string) string {
		text := strings.Replace(read(t, leafClip+"staircase.yaml"), "ends: {at most: 3 h,", fmt.Sprintf("ends: {at most: 3 h, off and cool by: %q,", by), 1)
		return write(t, filepath.Join(t.TempDir(), "night.yaml"), text)
	}
	tight := protocol(at(10 * time.Minute)) // it takes 27 min
	files := []string{"--rig", leafClip + "rig.yaml", "--specimen", leafClip + "specimen.yaml"}
	said := regexp.MustCompile(`error: started now, at \d\d:\d\d, the rig must be off and cool in (9|10) min \d\d s, by \d\d:\d\d, but the protocol takes about 26 min \d\d s and cooling 0.0 s: start earlier or shorten it`)
	for _, verb := range []string{"check", "rehearse", "run --confirm LC-07"} {
		root := t.TempDir()
		p := start(t, append(append(strings.Fields(verb), tight, "--out", root), files...)...)
		p.exits(exitUsage)
		if !said.MatchString(p.err.String()) {
			t.Errorf("%s: expected %s", verb, said)
		}
		if made := folders(t, root); len(made) > 0 {
			t.Errorf("left behind: %v", made)
		}
	}
	p := start(t, append([]string{"check", tight, "--start", at(-time.Hour)}, files...)...)
	p.exits(exitDone)
	if !strings.Contains(p.out.String(), "started at "+at(-time.Hour)+" there are ") {
		t.Errorf("expected how much there is to spare in\n%s", p.out)
	}
	p = start(t, append([]string{"check", protocol(at(-time.Minute)), "--start", at(-30 * time.Minute)}, files...)...)
	p.exits(exitDone)
	p = start(t, append([]string{"check", tight, "--start", "noon"}, files...)...)
	p.exits(exitUsage)
	if !strings.Contains(p.err.String(), `"noon" is no time of day`) {
		t.Error("expected a word about the start")
	}
}

// Too little room for the run folder is seen by check and rehearse, as by run.
func TestTheDiskIsTooSmallForARehearsal(t *testing.T) {
	t.Parallel()
	for _, verb := range []string{"check", "rehearse"} {
		root := t.TempDir()
		p, _ := smallDisk(t, "1m", t.TempDir(), verb, leafClip+"staircase.yaml", "--out", root)
		p.exits(exitUsage)
		if want := regexp.MustCompile(`the run needs about 5\.\d MB, and as much again should stay free, but only 1\.0 MB are free`); !want.MatchString(p.err.String()) {
			t.Errorf("%s: expected the words %q", verb, want)
		}
	}
}

// With --json check says the same to a program: what a plan is, or where its mistakes are.
func TestCheckAsAnObject(t *testing.T) {
	t.Parallel()
	p := start(t, "check", leafClip+"response.yaml", "--json")
	p.exits(exitDone)
	o := p.expectObject(map[string]any{"exit": 0.0, "highest_degC": 30.0, "needs_person": true, "unattended": false, "specimen": "LC-07", "at_most_s": 7200.0})
	for _, name := range []string{"duration_s", "readings", "bytes", "interlocks", "cooling_s", "gaps"} {
		if _, ok := o[name]; !ok {
			t.Errorf("%s is missing", name)
		}
	}
	steps, _ := o["steps"].([]any)
	if len(steps) != 14 {
		t.Fatalf("%d steps", len(steps))
	}
	place := steps[8].(map[string]any)
	if place["step"] != "5.1" || place["verb"] != "place" || place["needs_person"] != true || place["times"] != 3.0 || place["line"] != 43.0 || place["starts_s"].(float64) < 150 {
		t.Errorf("%v", place)
	}

	wrong := write(t, filepath.Join(t.TempDir(), "wrong.yaml"), "format: 1\ntitle: x\nends: {at most: 1 h}\nsteps:\n  - hold: 2\n  - hodl: 2 s\n")
	p = start(t, "check", wrong, "--rig", leafClip+"rig.yaml", "--specimen", leafClip+"specimen.yaml", "--json")
	p.exits(exitUsage)
	o = p.expectObject(map[string]any{"exit": 2.0})
	mistakes, _ := o["mistakes"].([]any)
	if len(mistakes) != 2 {
		t.Fatalf("%v", o)
	}
	second := mistakes[1].(map[string]any)
	if second["file"] != wrong || second["line"] != 6.0 || second["column"] != 5.0 || second["text"] != `"hodl" is no step` || second["hint"] != "did you mean hold?" {
		t.Errorf("%v", second)
	}
}
