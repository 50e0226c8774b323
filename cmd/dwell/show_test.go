//go:build unix

package main

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwell/logs"
)

// What show says of a run that has ended is what the run said, but for what it knew
// and did not write down.
func TestShow(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	r := start(t, "rehearse", leafClip+"short.yaml", "--out", root)
	r.exits(exitDone)
	folder := theFolder(t, root)
	before := stateOf(t, folder)
	p := start(t, "show", folder)
	p.exits(exitDone)
	said := map[string]bool{}
	for _, line := range strings.Split(r.out.String(), "\n") {
		said[line] = true
	}
	for _, line := range strings.Split(p.out.String(), "\n") {
		if known := strings.HasPrefix(line, "took ") || strings.HasPrefix(line, "readings "); !said[line] && !known {
			t.Errorf("the run did not say %q, but\n%s", line, r.out)
		}
	}
	if n := strings.Count(p.out.String(), "pass"); n != 2 {
		t.Errorf("%d marks, expected 2", n)
	}
	if after := stateOf(t, folder); after != before {
		t.Errorf("the folder was changed: %s\nbefore: %s", after, before)
	}
}

// stateOf are the files of a folder, with their sizes and times.
func stateOf(t *testing.T, folder string) (all string) {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range found {
		if about, err := os.Stat(name); err == nil {
			all += name + " " + about.ModTime().String() + "\n"
		}
	}
	return all
}

// A run is shown while it goes on; and, when it was killed, with what its guard did.
func TestShowARunThatHasNotEnded(t *testing.T) {
	t.Parallel()
	s := serve(t)
	r, root := s.warming()
	folder := theFolder(t, root)
	p := start(t, "show", folder, "--json")
	p.exits(exitDone)
	object := p.expectObject(map[string]any{"outcome": nil, "safe": nil})
	if n, _ := object["readings"].(float64); n < 4 {
		t.Errorf("%v readings", object["readings"])
	}
	p = start(t, "show", folder)
	p.exits(exitDone)
	if !regexp.MustCompile(`\n  plate\.temperature +[0-9.]+ degC +[0-9.]+ s before\n`).MatchString(p.out.String()) {
		t.Errorf("no temperature in\n%s", p.out)
	}
	if !regexp.MustCompile(`\nleft +about [0-9. minsh]+ if it goes on: done and off at about \w+ \d\d:\d\d local time`).MatchString(p.out.String()) {
		t.Errorf("not what is left in\n%s", p.out)
	}
	here := s.place()
	r.cmd.Process.Kill()
	s.until(here, "plate", "heat", 0)
	wait(t, "the guard's last word", func() bool { return strings.Contains(read(t, filepath.Join(folder, guardFile)), `"safe"`) })
	p = start(t, "show", folder)
	p.exits(exitDone)
	for _, words := range []string{"ended by its guard: the run has ended", "plate: confirmed (indirect evidence)", "meter: confirmed (direct evidence)", "as far as the record goes"} {
		if !strings.Contains(p.out.String(), words) {
			t.Errorf("the words %q are missing in\n%s", words, p.out)
		}
	}
	if strings.Contains(p.out.String(), "\nleft ") {
		t.Errorf("something is left of a run that its guard has ended:\n%s", p.out)
	}
	leaves(t, guardOf(t, folder)) // or it would be said to be still at it
	unfinished(t, folder)
}

// unfinished shows the folder as it is when the guard was killed while it took over: with
// what it did for each instrument, and without its last word.
func unfinished(t *testing.T, folder string) {
	t.Helper()
	path := filepath.Join(folder, guardFile)
	text, _, _ := strings.Cut(read(t, path), `{"event":"safe"`)
	if !strings.Contains(text, `"made safe"`) {
		t.Fatalf("the guard has made nothing safe in\n%s", text)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	p := start(t, "show", folder)
	p.exits(exitDone)
	p.says(loud)
	p.says("dwell safe --rig " + filepath.Join(folder, "rig.yaml"))
	out := strings.Join(strings.Fields(p.out.String()), " ")
	if !strings.Contains(out, "its guard began to take over and did not finish: the bench was NOT confirmed safe") || strings.Contains(out, ": confirmed") || strings.Contains(out, "ended by") {
		t.Errorf("of a guard that did not finish:\n%s", p.out)
	}
}

// A run that failed, was taken up again and then completed has no cause any more.
func TestShowARunThatWentOn(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "run")
	if err := os.CopyFS(folder, os.DirFS(rehearsed(t, "short.yaml", 1).folder)); err != nil {
		t.Fatal(err)
	}
	expect := func(outcome string, word string, events ...string) {
		t.Helper()
		w, err := logs.Append(logs.Disk{}, folder)
		if err != nil {
			t.Fatal(err)
		}
		r, _ := openRecord(t, folder)
		id, err := r.Identity()
		if err != nil {
			t.Fatal(err)
		}
		id.Outcome = outcome
		all := []error{w.Identify(id)}
		for _, e := range events {
			all = append(all, w.Event([]byte(e)))
		}
		if err := errors.Join(append(all, w.Close())...); err != nil {
			t.Fatal(err)
		}
		p := start(t, "show", folder)
		p.exits(exitDone)
		if out := p.out.String(); !strings.Contains(out, word) || strings.Contains(out, "not confirmed") {
			t.Errorf("it says\n%s", out)
		}
	}
	failed := `{"event":"failed","text":"the specimen was not confirmed","t_ns":1}`
	expect("completed", "completed", failed)
	expect("", "not ended", failed, `{"event":"segment","text":"the run goes on","t_ns":2}`) // and killed
}
