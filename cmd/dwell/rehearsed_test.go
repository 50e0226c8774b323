//go:build unix

package main

import (
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// A rehearsal and a run differ in the clock and in who opens the ports, and in
// nothing else. The bench of the run is a dwell of its own, behind a PTY and a
// socket, as the README describes it. It takes half a minute.
//
// What is compared:
//
//   - On each port, every request that changes the world, in order, from the first
//     one to the last, byte for byte. Questions are left out: how many there are
//     depends on how long a person takes. So is what belongs to a reading or to
//     time passing rather than to the protocol: the turning round of the current
//     between two READ? of one reading, and the repeats of the watchdog's command.
//   - Of events.jsonl, everything the protocol did: kind, step and text.
//   - In each step, the mean of what was read: see bounds.
func TestARunDoesWhatItsRehearsalDid(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	const protocol = leafClip + "short.yaml"
	dir := t.TempDir()
	rehearsal := start(t, "rehearse", protocol, "--out", filepath.Join(dir, "rehearsed"))
	rehearsal.exits(exitDone)

	journal, rig := filepath.Join(dir, "journal.jsonl"), filepath.Join(dir, "rig.yaml")
	bench := start(t, "twin", "--rig", leafClip+"rig.yaml", "--write-rig", rig, "--journal", journal)
	wait(t, "the rig file", func() bool { return strings.Contains(bench.out.String(), "serving") })
	bench.says("to move it, type: lift air")
	if text := read(t, rig); !strings.Contains(text, `"serial:/`) || !strings.Contains(text, `"tcp:127.0.0.1:`) {
		t.Fatalf("expected a PTY and a socket in\n%s", text)
	}
	run := start(t, "run", "--rig", rig, "--specimen", leafClip+"specimen.yaml", "--confirm", "LC-07", protocol, "--out", filepath.Join(dir, "run"))
	run.exits(exitDone)
	bench.cmd.Process.Signal(syscall.SIGINT)
	bench.exits(exitDone)

	a, b := theFolder(t, filepath.Join(dir, "rehearsed")), theFolder(t, filepath.Join(dir, "run"))
	for _, port := range []string{"plate", "meter"} {
		compareLines(t, "commands to the "+port, commands(t, a, port), commands(t, b, port))
	}
	compareLines(t, "what the protocol did", doings(t, a), doings(t, b))
	compareValues(t, a, b)
	expectWitnessed(t, read(t, journal), commands(t, b, "plate"))
}

// commands are the requests on a port that change the world, without those that
// belong to readings and to time.
func commands(t *testing.T, folder, port string) (sent []string) {
	t.Helper()
	r, _ := openRecord(t, folder)
	var all []string
	for x, err := range r.Exchanges() {
		if err != nil {
			t.Fatal(err)
		}
		if x.Port == port && len(x.Request) > 0 {
			all = append(all, strings.TrimSpace(string(x.Request)))
		}
	}
	turned := regexp.MustCompile(`^SOUR:CURR `)
	for i := 0; i < len(all); i++ {
		// READ?, the current turned, READ?, and turned back, is one reading.
		if i+3 < len(all) && all[i] == "READ?" && turned.MatchString(all[i+1]) && all[i+2] == "READ?" && turned.MatchString(all[i+3]) {
			i += 3
			continue
		}
		question := strings.Contains(all[i], "?") || strings.HasPrefix(all[i], "IN_")
		fed := strings.HasPrefix(all[i], "OUT_WD1@") && slices.Contains(sent, all[i])
		if all[i] != "" && !question && !fed {
			sent = append(sent, all[i])
		}
	}
	return sent
}

// doings are the events, without the numbers, without the making safe at the end (who
// is first in that depends on the readings that it interrupts), and without what a
// rehearsal does not have: a guard, and a computer to keep awake.
func doings(t *testing.T, folder string) (all []string) {
	t.Helper()
	for _, h := range happenings(t, folder) {
		if !slices.Contains([]string{"safe", "guard", "kept awake", "may sleep", "proof test"}, h.Event) {
			all = append(all, h.Step+" | "+h.Event+" | "+h.Text)
		}
	}
	return all
}

func compareLines(t *testing.T, what string, rehearsed, run []string) {
	t.Helper()
	t.Logf("%s: %d compared", what, len(rehearsed))
	if len(rehearsed) < 10 {
		t.Errorf("%s: only %d in the rehearsal: %q", what, len(rehearsed), rehearsed)
	}
	for i := range max(len(rehearsed), len(run)) {
		if i >= len(rehearsed) || i >= len(run) || rehearsed[i] != run[i] {
			t.Fatalf("%s differ at number %d:\nrehearsed %q\nrun       %q", what, i+1, rehearsed[max(0, min(i-2, len(rehearsed))):min(i+3, len(rehearsed))],
				run[max(0, min(i-2, len(run))):min(i+3, len(run))])
		}
	}
}

// bounds of the difference between the means of a step. The rehearsed person takes
// up to 3 s to type the specimen's id, and a plate sends what it shows in tenths of
// a kelvin: so the temperatures are those of a slightly other moment. 0.3 K of
// temperature are 0.3 % of resistance; the noise of a reading is well below.
var bounds = map[string]func(v float64) float64{
	"plate.temperature":  func(float64) float64 { return 0.3 },
	"foil.temperature":   func(float64) float64 { return 0.3 },
	"element.resistance": func(v float64) float64 { return 0.004 * math.Abs(v) },
}

func compareValues(t *testing.T, a, b string) {
	t.Helper()
	rehearsed, run := meansOf(t, a), meansOf(t, b)
	compared := 0
	for key, x := range rehearsed {
		channel := key[strings.Index(key, "|")+1:]
		bound := bounds[channel]
		y, both := run[key]
		if bound == nil || !both {
			continue
		}
		compared++
		if !(math.Abs(x-y) <= bound(x)) {
			t.Errorf("%s: rehearsed %v, run %v: they differ by more than %v", key, x, y, bound(x))
		}
		t.Logf("%s: rehearsed %.5g, run %.5g, difference %.2g of %.2g", key, x, y, y-x, bound(x))
	}
	if compared < 4 {
		t.Errorf("only %d means could be compared", compared)
	}
}

// meansOf is the mean of the good readings by step and channel, of all but the
// steps in which the plate warms.
func meansOf(t *testing.T, folder string) map[string]float64 {
	t.Helper()
	sum, n := map[string]float64{}, map[string]float64{}
	for _, row := range readings(t, folder) {
		if row.Good() && !strings.HasSuffix(row.Step, "bring") {
			key := row.Step + "|" + row.Channel
			sum[key] += row.Value
			n[key]++
		}
	}
	for key := range sum {
		sum[key] /= n[key]
	}
	return sum
}

// expectWitnessed holds the record against the bench's own journal: what dwell
// says it sent is what the plate was told.
func expectWitnessed(t *testing.T, journal string, sent []string) {
	t.Helper()
	rest := journal
	for _, words := range sent {
		_, after, found := strings.Cut(rest, `"instrument":"plate","what":"command","value":null,"text":"`+words+`"`)
		if !found {
			t.Errorf("the record says that %q was sent; the journal of the bench does not, at this place", words)
			return
		}
		rest = after
	}
}

// In aligned.csv stand only currents that the source was told to hold, though a sweep
// goes through others between two readings of it.
func TestAlignedCurrentsWereApplied(t *testing.T) {
	folder := rehearsed(t, "short.yaml", 1).folder
	lines := strings.Split(strings.TrimSpace(read(t, filepath.Join(folder, "aligned.csv"))), "\r\n")
	column := slices.Index(strings.Split(lines[0], ","), "element.current")
	swept, empty, full := float64(happened(t, folder, "mark").AtNs)/1e9, 0, 0
	for _, line := range lines[1:] {
		f := strings.Split(line, ",")
		at, err := strconv.ParseFloat(f[0], 64)
		if err != nil {
			t.Fatal(line)
		}
		switch amps, err := strconv.ParseFloat(f[column], 64); {
		case err != nil && math.Abs(at-swept) < 1:
			empty++
		case err != nil: // before the source is on, after the end
		case math.Abs(amps-10e-6) > 0.1e-6:
			t.Errorf("nobody held this current: %s", line)
		default:
			full++
		}
	}
	if empty == 0 || full < 20 {
		t.Errorf("%d rows with the current, %d empty in the sweep", full, empty)
	}
}
