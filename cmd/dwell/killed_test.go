//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"dwell/logs"
)

// A run that is killed together with its guard leaves what it had acknowledged, and a
// bench that heats; dwell safe ends that.
func TestKilledWhileHeating(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	folder := theFolder(t, root)
	before, chained := promised(t, folder)
	p.cmd.Process.Signal(syscall.SIGSTOP)
	syscall.Kill(guardOf(t, folder), syscall.SIGKILL)
	if !s.on("plate", "heat") || !s.on("meter", "output") {
		t.Fatal("heat or output is off already: there is nothing left to make safe")
	}
	here := s.place()
	p.cmd.Process.Kill()
	p.ends()

	r, _ := openRecord(t, folder)
	if now := r.Acknowledged().Readings; now < chained {
		t.Errorf("%d readings acknowledged, %d were before the kill", now, chained)
	}
	if after := read(t, filepath.Join(folder, "readings.csv")); !strings.HasPrefix(after, before) {
		t.Error("readings.csv does not begin with what was acknowledged")
	}
	if n := int64(len(readings(t, folder))); n < chained {
		t.Errorf("%d readings can be read, %d were acknowledged", n, chained)
	}
	expectRepairable(t, folder, chained)

	safe := start(t, "safe", "--rig", s.rig, "--json")
	safe.exits(exitDone)
	safe.expectObject(map[string]any{"safe": true, "exit": 0.0})
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	s.expectOff()
}

// promised is the part of readings.csv that the chain covers, and its readings.
func promised(t *testing.T, folder string) (text string, n int64) {
	t.Helper()
	r, _ := openRecord(t, folder)
	n = r.Acknowledged().Readings
	lines := strings.SplitAfter(read(t, filepath.Join(folder, "readings.csv")), "\r\n")
	if int64(len(lines)) < n+1 {
		t.Fatalf("%d readings acknowledged, %d lines in readings.csv", n, len(lines))
	}
	return strings.Join(lines[:n+1], ""), n
}

// expectRepairable repairs a copy: whatever the kill has torn can be put in order,
// and nothing that was acknowledged is lost by that.
func expectRepairable(t *testing.T, folder string, chained int64) {
	t.Helper()
	copied := filepath.Join(t.TempDir(), filepath.Base(folder))
	if err := os.CopyFS(copied, os.DirFS(folder)); err != nil {
		t.Fatal(err)
	}
	if _, err := logs.Repair(logs.Disk{}, copied); err != nil {
		t.Fatal(err)
	}
	r, tails := openRecord(t, copied)
	if len(tails) > 0 || r.Acknowledged().Readings < chained {
		t.Errorf("after the repair: tails %v, %d readings of %d", tails, r.Acknowledged().Readings, chained)
	}
	for f := range r.Verify() {
		t.Errorf("after the repair: %s", f)
	}
}
