package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
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

// A guard that had been stopped finds out what was done to its bench since: by dwell safe, by
// the run taken up again, by another run. What was before it, and its own run, do not count.
func TestWhatWasDoneSince(t *testing.T) {
	t.Parallel()
	const run = 4711
	line := func(event, text string) string {
		return fmt.Sprintf("{\"event\":%q,\"utc\":\"2026-11-25T10:50:47Z\",\"text\":%q}\n", event, text)
	}
	armed, bySafe := line("armed", fmt.Sprintf("process %d watches process %d", os.Getpid(), run)), line("confirmed", bySafe+"5, has made the rig safe")
	another := line("armed", "process 6 watches process 7")
	folder := t.TempDir()
	address, err := wire.ParseAddress("serial:" + filepath.Join(folder, "plate"))
	if err != nil {
		t.Fatal(err)
	}
	r := &rig.Rig{Instruments: []rig.Description{{Name: "plate", Address: address}}}
	for _, c := range []struct{ text, holder, want string }{
		{armed, "", ""},
		{bySafe + another + armed + line("late", ""), "", ""},
		{armed + line("late", "") + bySafe, "", "dwell safe, process 5"},
		{armed + line("confirmed", "the run has made the bench safe"), "", ""},
		{armed + another, "", "the run has been taken up again since"},
		{armed, owner{PID: 8, Folder: "runs/next"}.text(), "process 8 has plate now, for the run in runs/next"},
		{armed, owner{PID: run, Folder: folder}.text(), ""},
		{armed, asking(), ""}, // a person is asked something, and may say no
	} {
		write(t, filepath.Join(folder, guardFile), c.text)
		var lock *wire.Lock
		if c.holder != "" {
			if lock, err = wire.Take(address.Key(), c.holder); err != nil {
				t.Fatal(err)
			}
		}
		if got := doneSince(folder, r, run); !strings.HasPrefix(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("after %q, held by %q: %q", c.text, c.holder, got)
		}
		if lock != nil {
			lock.Give()
		}
	}
}

// Lines added to a guard.jsonl go on with its hashes, and begin a line of their own behind one
// that was torn, which is no edit.
func TestWhatIsAddedToTheGuardsRecord(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "run")
	if err := os.CopyFS(folder, os.DirFS(rehearsed(t, "short.yaml", 1).folder)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(folder, "seal.json")); err != nil {
		t.Fatal(err)
	}
	line := func(event string) []byte { return []byte(`{"event":"` + event + `","text":""}` + "\n") }
	text := behind(nil, append(line("armed"), line("late")...))
	text = append(text, `{"event":"taki`...)
	text = append(text, behind(text, line("taking over"))...)
	text = append(text, behind(text, line("safe"))...)
	var events []string
	for _, l := range linesOfGuard(text) {
		events = append(events, l.Event)
	}
	if got := strings.Join(events, ", "); got != "armed, late, taking over, safe" {
		t.Errorf("its lines are %s", got)
	}
	guards := func(text string) (found []logs.Finding) {
		write(t, filepath.Join(folder, guardFile), text)
		for _, f := range verified(t, folder).findings {
			if f.File == guardFile {
				found = append(found, f)
			}
		}
		return found
	}
	if found := guards(string(text)); len(found) > 0 {
		t.Errorf("as it was written: %v", found)
	}
	if found := guards(strings.Replace(string(text), `"late"`, `"safe"`, 1)); len(found) == 0 {
		t.Error("an edit was not found")
	}
}

// Resume waits for a guard that lives and has not confirmed the rig safe, while its run is gone:
// not for a process that has the number of one that is gone too.
func TestForWhichGuardResumeWaits(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	armed := guardLine{Event: "armed", Text: fmt.Sprintf("process %d watches process %d", os.Getpid(), 1<<30)}
	expect := func(what string, want int, lines ...guardLine) {
		t.Helper()
		if got := stillSafing(folder, lines); got != want {
			t.Errorf("%s: %d, expected %d", what, got, want)
		}
	}
	expect("another process has its number", 0, armed)
	guard, err := wire.Take(guardKey(folder), owner{PID: 8}.text())
	if err != nil {
		t.Fatal(err)
	}
	defer guard.Give()
	expect("it is at work", 8, armed, guardLine{Event: "taking over"})
	expect("it is about to begin", 8, armed)
	expect("it has confirmed", 0, armed, guardLine{Event: "taking over"}, guardLine{Event: "safe"})
	expect("nothing was touched", 0)
	run, err := lockFolder(folder, "")
	if err != nil {
		t.Fatal(err)
	}
	defer run.Give()
	expect("the run lives", 0, armed)
}
