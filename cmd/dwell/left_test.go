package main

import (
	"encoding/json"
	"io"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
)

// onRealPorts makes of the folder of a rehearsal that was broken off one of a run on real
// ports, with these words of its guards.
func onRealPorts(t *testing.T, folder string, guard ...string) {
	t.Helper()
	name := filepath.Join(folder, "run.json")
	var id map[string]any
	if err := json.Unmarshal([]byte(read(t, name)), &id); err != nil {
		t.Fatal(err)
	}
	id["kind"] = "run"
	id["segments"] = []map[string]any{{"ports": []map[string]string{{"instrument": "plate", "port": "serial:/dev/nowhere"}}}}
	text, err := json.Marshal(id)
	if err != nil {
		t.Fatal(err)
	}
	write(t, name, string(text))
	forgeChain(t, folder)
	lines := ""
	for _, event := range guard {
		lines += `{"event":"` + event + `","t_ns":1,"utc":"2026-11-25T10:50:47Z","text":"` + map[string]string{"taking over": "the run has ended", "alarm": loud}[event] + "\"}\n"
	}
	if lines != "" {
		write(t, filepath.Join(folder, guardFile), lines+`{"event":"sa`)
	}
}

// A run that died goes on without more only if somebody has confirmed the rig safe since:
// its guard, or the run itself to its guard.
func TestNobodyConfirmedTheRigSafe(t *testing.T) {
	t.Parallel()
	whole := rehearsed(t, "short.yaml", 1).folder
	for _, c := range []struct {
		guard []string
		why   string // what is said; empty where it goes on
	}{
		{nil, ""}, // nothing had been touched
		{[]string{"armed"}, "nobody has confirmed"},
		{[]string{"armed", "confirmed"}, ""},
		{[]string{"armed", "late", "taking over", "not safe", "made safe", "safe"}, ""},
		{[]string{"armed", "taking over", "not safe", "alarm", "safe", "notified"}, ""},
		{[]string{"armed", "taking over", "not safe"}, "its guard took over (the run has ended) and has not confirmed the rig safe"},
		{[]string{"armed", "taking over", "not safe", "alarm", "notified"}, loud},
		{[]string{"armed", "given up"}, "nobody has confirmed"},
		{[]string{"armed", "taking over", "safe", "armed"}, "nobody has confirmed"},
	} {
		folder := brokenOff(t, whole, rand.New(rand.NewPCG(1, 1)))
		onRealPorts(t, folder, c.guard...)
		again, err := takeUp(&speech{out: io.Discard, err: io.Discard}, folder)
		if err != nil {
			t.Fatal(err)
		}
		without, with := again.acknowledge("", ""), again.acknowledge("looked at it", "M.K.")
		if c.why == "" && without != nil {
			t.Errorf("after %q: %v", c.guard, without)
		}
		if c.why != "" && (without == nil || !strings.Contains(without.Error(), c.why) || !strings.Contains(without.Error(), "--acknowledge") || with != nil) {
			t.Errorf("after %q: without words %v, with them %v", c.guard, without, with)
		}
	}
}

// Whoever kills a run that has just said that it tripped finds the trip in its record, and
// so does resume.
func TestATripOutlivesAKill(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 20 s, mostly of watching the plate")
	}
	t.Parallel()
	s := serve(t)
	p, root := s.run("low.yaml")
	s.underWay(root)
	s.do(func() { s.bench.World().SetPlateTarget(120) })
	p.says("tripped: ")
	p.cmd.Process.Kill()
	p.ends()
	folder := theFolder(t, root)
	leaves(t, guardOf(t, folder))
	happened(t, folder, "tripped")
	again, err := takeUp(&speech{out: io.Discard, err: io.Discard}, folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.acknowledge("", ""); err == nil || !strings.Contains(err.Error(), "must stay below 22 degC") {
		t.Errorf("without a word: %v", err)
	}
	s.expectOff()
}
