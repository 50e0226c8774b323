//go:build unix

package main

import (
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// A run over a PTY and a socket is killed while it heats. Its guard makes the bench
// safe; then it goes on from its last step, with the same instruments, and its folder
// holds. A port that has another name by then is found by today's rig file, by the guard
// and by the next one who goes on too. Nothing is switched on before somebody has said yes.
func TestAKilledRunGoesOn(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	s := serve(t)
	root := filepath.Join(t.TempDir(), "runs")
	p := start(t, "run", "--rig", s.rig, "--specimen", leafClip+"specimen.yaml", "--confirm", "LC-07", "--out", root, leafClip+"short.yaml")
	s.until(0, "plate", "heat", 1)
	folder := theFolder(t, root)
	wait(t, "the boundary of bring", func() bool {
		r, _ := openRecord(t, folder)
		n, known := int64(0), false
		for line, err := range r.Events() {
			if n++; err == nil && n <= r.Acknowledged().Events && strings.Contains(string(line), `"step":"3 bring"`) {
				known = true
			}
		}
		return known
	})
	guard := guardOf(t, folder)
	p.cmd.Process.Kill()
	no := ready(t, "resume", folder)
	no.cmd.Stdin = strings.NewReader("no\n")
	no.start().exits(exitUsage)
	no.says("is still making the bench safe")
	no.says("the way back")
	<-p.over
	leaves(t, guard)
	s.expectOff()
	if v := verified(t, folder); len(v.findings) > 0 || !v.crashed {
		t.Errorf("after the kill: %v", v.findings)
	}

	here := s.place()
	no = ready(t, "resume", folder)
	no.cmd.Stdin = strings.NewReader("no\n")
	no.start().exits(exitUsage)
	no.says("the way back")
	if s.place() != here {
		t.Error("something was done to the bench, though nobody said yes")
	}

	other, person := s.proving()
	taken := start(t, "resume", folder)
	taken.exits(exitUsage)
	if text := taken.err.String(); !strings.Contains(text, "in use by another run") || strings.Contains(text, "go on?") {
		t.Errorf("somebody else has the plate, and it said %q", text)
	}
	person.(io.Closer).Close()
	other.exits(exitUsage)

	moved := s.plate.path + "-moved" // as a port is called after a reboot
	if err := os.Rename(s.plate.path, moved); err != nil {
		t.Fatal(err)
	}
	s.plate.path = moved
	killed := start(t, "resume", folder, "--rig", s.writeRig(), "--confirm", "LC-07", "--yes")
	s.until(here, "plate", "heat", 1)
	killed.says("is serial:" + moved + ": the same words go over another line")
	armed := strings.Split(read(t, filepath.Join(folder, guardFile)), `"text":"process `)
	if guard, _ = strconv.Atoi(strings.Fields(armed[len(armed)-1])[0]); len(armed) < 3 || guard == 0 {
		t.Fatalf("no second guard in %q", armed)
	}
	killed.cmd.Process.Kill()
	<-killed.over
	leaves(t, guard)
	s.expectOff() // by the guard, on the port of the run

	again := ready(t, "resume", folder, "--confirm", "LC-07", "--json")
	again.cmd.Stdin = strings.NewReader("yes\n")
	again.start().exits(exitDone)
	again.expectObject(map[string]any{"outcome": "completed", "safe": true, "run": folder})
	s.expectOff()
	steps, gaps := done(t, folder)
	if want := "step 6.2 mark  mark 6.2 mark pass step 6.1 hold  step 6.2 mark  mark 6.2 mark pass"; gaps != 2 || !strings.HasSuffix(strings.Join(steps, " "), want) {
		t.Errorf("%d gaps, steps %q", gaps, steps)
	}
	if v := verified(t, folder); len(v.findings) > 0 || v.crashed || v.derived == 0 {
		t.Errorf("after it went on: %v", v.findings)
	}
	if text := read(t, filepath.Join(folder, "run.json")); !strings.Contains(text, `"segments"`) || !strings.Contains(text, `"boundary": "3 bring"`) {
		t.Errorf("run.json:\n%s", text)
	}
	if _, err := os.Stat(filepath.Join(folder, "seal.json")); err != nil {
		t.Error(err)
	}
}
