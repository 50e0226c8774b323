//go:build unix

package main

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwell/logs"
)

// A protocol with a person in it, that warms a little, reads both instruments, and has the
// watchdog fed. It trips, or not, at what stands in it.
const recordedProtocol = `format: 1
title: To be run again at a desk
limits: {plate.temperature: {below: 40 degC}}
interlocks: [{when: "plate.temperature > %s", then: trip}]
record: {plate.temperature: 500 ms, foil.temperature: 1 s, element.resistance: 200 ms}
ends: {at most: 10 min}
steps:
  - confirm: {specimen: LC-07, resistance within: 20 %%}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - bring: {plate to: 19 degC, without waiting: true}
  - ask: {to: look, at most: 1 min}
  - hold: 4 s
  - sweep: {instrument: meter, current: [-10 uA, 10 uA], settle: 100 ms, read: [element.voltage, element.current]}
  - hold: {until: "plate.temperature > 29 degC", at most: %s, otherwise: go on}
  - mark: seen
`

// replayOf rehearses what a run folder holds, on its own record.
func replayOf(t *testing.T, folder, out string) *process {
	t.Helper()
	rig := replayRig(t, folder)
	p := start(t, "rehearse", filepath.Join(folder, "protocol.yaml"), "--rig", rig, "--specimen", filepath.Join(folder, "specimen.yaml"), "--out", out)
	return p
}

// replayRig is the rig of a run folder with its own records as ports.
func replayRig(t *testing.T, folder string) string {
	t.Helper()
	port, instrument := regexp.MustCompile(`^    port:`), regexp.MustCompile(`^  (\w+):$`)
	name, lines := "", strings.Split(read(t, filepath.Join(folder, "rig.yaml")), "\n")
	for i, line := range lines {
		if m := instrument.FindStringSubmatch(line); m != nil {
			name = m[1]
		}
		if port.MatchString(line) {
			lines[i] = fmt.Sprintf("    port: %q", "recorded:"+folder+"/"+name)
		}
	}
	return write(t, filepath.Join(t.TempDir(), "rig.yaml"), strings.Join(lines, "\n"))
}

// A run on real ports, with a person and with what a busy computer does to moments, goes the
// same way again at a desk: tripped by the same reading, stopped by the same person, or
// complete; and twice the same to the byte.
func TestRunsAreReplayed(t *testing.T) {
	if testing.Short() {
		t.Skip("runs in real time")
	}
	t.Parallel()
	for _, c := range []struct {
		name, below, most string
		stop              bool
		exit              int
	}{
		{"tripped", "18.6 degC", "1 min", false, exitTripped},
		{"complete", "30 degC", "5 s", false, exitDone},
		{"stopped", "30 degC", "1 min", true, exitStopped},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := serve(t)
			dir := t.TempDir()
			protocol := write(t, filepath.Join(dir, "again.yaml"), fmt.Sprintf(recordedProtocol, c.below, c.most))
			args := []string{"run", protocol, "--rig", s.rig, "--specimen", leafClip + "specimen.yaml", "--out", filepath.Join(dir, "real")}
			p, person := onTerminal(t, nil, args...)
			p.says("type the id of the specimen")
			types(t, person, "LC-7\n")
			p.says("try 2 of 3")
			types(t, person, "LC-07\n")
			p.says("person: look")
			types(t, person, "done\n")
			if c.stop {
				p.says("step 7 hold")
				types(t, person, "\x03")
			}
			p.exits(c.exit)
			real := theFolder(t, filepath.Join(dir, "real"))
			one, two := filepath.Join(dir, "one"), filepath.Join(dir, "two")
			q := replayOf(t, real, one)
			q.exits(c.exit)
			if !strings.Contains(q.out.String(), "it ended as the recorded run did") {
				t.Errorf("it says %s", q.out)
			}
			replayOf(t, real, two).exits(c.exit)
			compareReplays(t, real, theFolder(t, one), theFolder(t, two))
		})
	}
}

// compareReplays compares two replays of a run with each other to the byte, and with the
// run by its readings.
func compareReplays(t *testing.T, real, one, two string) {
	t.Helper()
	for _, name := range []string{"wire.jsonl", "readings.csv", "events.jsonl"} {
		compareGolden(t, filepath.Join(one, name), filepath.Join(two, name))
	}
	r, _ := openRecord(t, one)
	id, err := r.Identity()
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range id.Replays {
		if x.Run != filepath.Base(real) || x.Exchanges < 10 || x.NotAsked > 0 || x.Parted != "" {
			t.Errorf("%+v", x)
		}
	}
	if len(id.Replays) != 2 || !strings.Contains(read(t, filepath.Join(one, logs.ReportName)), filepath.Base(real)) {
		t.Errorf("it does not say what it replays: %+v", id.Replays)
	}
	was, is := byChannel(t, real), byChannel(t, one)
	for channel := range was {
		for i := range is[channel] {
			if i >= len(was[channel]) || is[channel][i] != was[channel][i] {
				t.Fatalf("%s: reading %d is %s", channel, i+1, is[channel][i])
			}
		}
		if d := len(was[channel]) - len(is[channel]); d < 0 || d > 1 { // what was under way when it ended
			t.Errorf("%d readings of %s, and were %d", len(is[channel]), channel, len(was[channel]))
		}
	}
	if v := verified(t, one); len(v.findings) > 0 || v.derived+v.without != v.readings {
		t.Errorf("of %d readings %d are derived again: %v", v.readings, v.derived, v.findings)
	}
}

// byChannel is the readings of a run. Two of different instruments may have come at nearly
// the same moment, in either order, and so may one and the end of a step. What is read while
// the bench is made safe is left out: the run and who makes safe ask the same, and the record
// does not say which of the two it was.
func byChannel(t *testing.T, folder string) map[string][]string {
	all := map[string][]string{}
	until := happened(t, folder, "safe").AtNs
	for _, r := range readings(t, folder) {
		if r.AtNs > until {
			break
		}
		r.Step = ""
		all[r.Channel] = append(all[r.Channel], fmt.Sprintf("%+v", r))
	}
	return all
}

// A record that was edited since is not replayed.
func TestAnEditedRecordIsNotReplayed(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	replayOf(t, folder, filepath.Join(t.TempDir(), "sound")).exits(exitDone)
	name := filepath.Join(folder, "wire.jsonl")
	text := read(t, name)
	at := strings.Index(text, `"reply":"`) // of whatever came first
	write(t, name, text[:at]+strings.Replace(text[at:], `"reply":"1`, `"reply":"2`, 1))
	p := replayOf(t, folder, filepath.Join(t.TempDir(), "edited"))
	p.exits(exitUsage)
	p.says("that is not what was recorded")
}
