//go:build unix

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// slowBend moves the stage for a minute.
const slowBend = `format: 1
title: a slow bend
record: {stage.position: 1 s}
ends: {at most: 10 min}
steps:
  - home: {at most: 2 min}
  - bend: {travel: 20 mm, speed: 0.33 mm/s, at most: 2 min}
`

// motions are the lines of a journal about motion.
func motions(t *testing.T, journal string) (all []entry) {
	t.Helper()
	text, _ := os.ReadFile(journal)
	for _, l := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		var e entry
		if strings.Contains(l, `"motion"`) {
			if err := json.Unmarshal([]byte(l), &e); err != nil {
				t.Fatalf("%s: %v", l, err)
			}
			all = append(all, e)
		}
	}
	return all
}

// A run that is killed while its stage moves: the guard stops the motion, at once and
// long before the stage would have stood by itself.
func TestKilledWhileMoving(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	journal, rig := filepath.Join(dir, "journal.jsonl"), filepath.Join(dir, "rig.yaml")
	protocol := write(t, filepath.Join(dir, "slow.yaml"), slowBend)
	bench := start(t, "twin", "--rig", leafClip+"bending/rig.yaml", "--write-rig", rig, "--journal", journal)
	wait(t, "the rig file", func() bool { return strings.Contains(bench.out.String(), "serving") })
	run := start(t, "run", "--rig", rig, "--specimen", leafClip+"bending/specimen.yaml", protocol, "--out", filepath.Join(dir, "run"))
	moving := func() bool {
		return slices.ContainsFunc(motions(t, journal), func(e entry) bool { return e.is("stage", "motion", 1) && e.Text == "to 20.200 mm" })
	}
	wait(t, "the stage to move", moving)
	before := len(motions(t, journal))
	run.cmd.Process.Signal(syscall.SIGKILL)
	wait(t, "the stage to stand", func() bool { return len(motions(t, journal)) > before })
	last := motions(t, journal)[before]
	at, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimPrefix(last.Text, "at "), " mm"), 64)
	if !last.is("stage", "motion", 0) || err != nil || !(at < 15) {
		t.Errorf("the stage stands %s: nobody stopped it before it was there", last.Text)
	}
	folder := theFolder(t, filepath.Join(dir, "run"))
	wait(t, "the guard's last words", func() bool {
		text, _ := os.ReadFile(filepath.Join(folder, guardFile))
		return strings.Contains(string(text), "stage: direct")
	})
	run.ends()
	bench.cmd.Process.Signal(syscall.SIGINT)
	bench.exits(exitDone)
}
