package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What init writes is the example, byte for byte but for what was measured on the
// example's own bench, and works as it stands.
func TestInit(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "my bench")
	p := start(t, "init", dir)
	p.exits(exitDone)
	for _, f := range started {
		name := filepath.Join(dir, f.name)
		want := strings.NewReplacer(
			"    identified: {rise at full power: 156 K, time constant: 79.6 s, dead time: 4.5 s, date: 2026-03-14}", "    # identified: not measured yet",
			"    longest exchange: {takes: 40 ms, measured on: 2026-03-14}", "    # longest exchange: not measured yet",
			"    longest exchange: {takes: 75 ms, measured on: 2026-05-20}", "    # longest exchange: not measured yet").Replace(read(t, leafClip+f.name))
		if read(t, name) != want {
			t.Errorf("%s differs from the example", f.name)
		}
		if !strings.Contains(p.out.String(), name) {
			t.Errorf("%s is not mentioned", name)
		}
	}
	for _, next := range []string{program + ` check "` + dir, program + ` rehearse "` + dir, program + " ports"} {
		if !strings.Contains(p.out.String(), next) {
			t.Errorf("the next command %q is missing", next)
		}
	}
	start(t, "rehearse", filepath.Join(dir, "short.yaml"), "--out", t.TempDir()).exits(exitDone)
}

// One file that is there already, and nothing is written: not even the others.
func TestInitOverwritesNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "staircase.yaml"), "mine")
	p := start(t, "init", dir, "--json")
	p.exits(exitUsage)
	p.expectObject(map[string]any{"exit": 2.0})
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 || read(t, filepath.Join(dir, "staircase.yaml")) != "mine" {
		t.Errorf("left: %v %v", left, err)
	}
}

// Whatever this machine has, listing it works, and is one object for programs.
func TestPorts(t *testing.T) {
	t.Parallel()
	p := start(t, "ports", "--json")
	p.exits(exitDone)
	if _, isList := p.expectObject(map[string]any{"exit": 0.0})["ports"].([]any); !isList {
		t.Errorf("it says %s", p.out)
	}
}

// Who has a port is said as far as it is known.
func TestWhoHasAPort(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text string
		free bool
		err  error
		who  string
		pid  any
	}{
		{"", true, nil, "free", nil},
		{`{"pid":4711,"control":"127.0.0.1:1","secret":"s"}`, false, nil, "dwell, process 4711", 4711},
		{"{}", false, nil, "in use", nil},
		{"", false, os.ErrPermission, "not known: permission denied", nil},
	} {
		if who, pid := ownerText(c.text, c.free, c.err); who != c.who || pid != c.pid || strings.Contains(who, "secret") {
			t.Errorf("%+v: %q, %v", c, who, pid)
		}
	}
}
