package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/logs"
)

// brokenOff makes of the folder of a whole rehearsal one as kill -9 leaves it: the chain
// ends at some line or within one, and each file somewhere between what that line covers
// and some batches later.
func brokenOff(t *testing.T, whole string, r *rand.Rand) string {
	t.Helper()
	folder := filepath.Join(t.TempDir(), filepath.Base(whole))
	if err := os.CopyFS(folder, os.DirFS(whole)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"seal.json", "aligned.csv", "aligned.csv-metadata.json", "figures.json", "report.html"} {
		os.Remove(filepath.Join(folder, name))
	}
	chain := strings.SplitAfter(strings.TrimSuffix(read(t, filepath.Join(folder, "readings.chain")), "\n"), "\n")
	order := []string{"wire.jsonl", "events.jsonl", "readings.csv"}
	stream := func(line string) int { return slices.Index(order, strings.Fields(line)[0]) }
	at := 2 + r.IntN(len(chain)-2)
	for at > 2 && stream(chain[at]) > stream(chain[at-1]) {
		at-- // to the beginning of a batch
	}
	ends := [3]int{}
	for _, line := range chain[1:at] {
		ends[stream(line)] = endOf(t, line)
	}
	partly := func(from, to int) int { return from + r.IntN(to-from+1) }
	torn := strings.Join(chain[:at], "")
	batch := at
	for stopped := r.IntN(5); batch < len(chain) && (batch == at || stream(chain[batch]) > stream(chain[batch-1])); batch++ {
		k, to := stream(chain[batch]), endOf(t, chain[batch])
		if k == stopped {
			to = partly(ends[k], to)
		}
		if k <= stopped {
			ends[k] = to
		}
		if stopped == 3 {
			torn += chain[batch]
		}
	}
	for k, name := range order {
		if err := os.Truncate(filepath.Join(folder, name), int64(ends[k])); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(folder, "readings.chain"), torn[:partly(len(strings.Join(chain[:at], "")), len(torn))])
	reopen(t, folder)
	return folder
}

// endOf is the end of a file that a line of the chain says.
func endOf(t *testing.T, line string) int {
	t.Helper()
	end, err := strconv.Atoi(strings.Fields(line)[1])
	if err != nil {
		t.Fatal(err)
	}
	return end
}

// reopen takes from run.json what is known at the end only.
func reopen(t *testing.T, folder string) {
	t.Helper()
	name := filepath.Join(folder, "run.json")
	var id map[string]any
	if err := json.Unmarshal([]byte(read(t, name)), &id); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"stop_utc", "outcome", "reason", "safe", "exit", "readings"} {
		delete(id, key)
	}
	text, err := json.Marshal(id)
	if err != nil {
		t.Fatal(err)
	}
	write(t, name, string(text))
}

// done lists the steps and marks of a run that count: what was done after a boundary from
// which it went on later does not.
func done(t *testing.T, folder string) (all []string, gaps int) {
	t.Helper()
	type at struct {
		line int
		text string
	}
	var counted []at
	n := 0
	r, _ := openRecord(t, folder)
	for line, err := range r.Events() {
		var e struct {
			Event, Step, Text string
			Cycles            int64
			From              int `json:"from_line"`
		}
		if err == nil {
			err = json.Unmarshal(line, &e)
		}
		if err != nil {
			t.Fatal(err)
		}
		n++
		switch e.Event {
		case "step", "mark", "moved", "answer", "specimen":
			counted = append(counted, at{n, e.Event + " " + e.Step + " " + e.Text})
		case "cycled":
			counted = append(counted, at{n, fmt.Sprintf("cycled %s %d", e.Step, e.Cycles)})
		case "gap":
			gaps++
			counted = slices.DeleteFunc(counted, func(c at) bool { return c.line > e.From })
		}
	}
	for _, c := range counted {
		all = append(all, c.text)
	}
	return all, gaps
}

// onAnotherBench has a rehearsal stand on a virtual bench that today's is not, so that it is
// taken up as a run on a real bench is: by the way back.
func onAnotherBench(t *testing.T, folder string) {
	t.Helper()
	name := filepath.Join(folder, "run.json")
	write(t, name, strings.Replace(read(t, name), `"twin":`, `"twin":9`, 1))
	forgeChain(t, folder)
}

// forgeChain makes the chain of a folder anew, in its documented format, as that of one born
// without a run.json: whoever can edit a file can do that.
func forgeChain(t *testing.T, folder string) {
	t.Helper()
	name := filepath.Join(folder, "readings.chain")
	lines := strings.SplitAfter(read(t, name), "\n")
	first, _, known := strings.Cut(lines[0], " born ")
	if !known {
		t.Fatalf("the chain begins %q", lines[0])
	}
	out := first + "\n"
	before, files, ends := sha256.Sum256([]byte(out)), map[string]string{}, map[string]int{}
	for _, line := range lines[1:] {
		f := strings.Fields(line)
		if len(f) != 4 || !strings.HasSuffix(line, "\n") {
			out += line // torn
			break
		}
		if _, known := files[f[0]]; !known {
			files[f[0]] = read(t, filepath.Join(folder, f[0]))
		}
		end := endOf(t, line)
		claim := strings.Join(f[:3], " ")
		before = sha256.Sum256([]byte(string(before[:]) + claim + "\n" + files[f[0]][ends[f[0]]:min(end, len(files[f[0]]))]))
		ends[f[0]] = end
		out += fmt.Sprintf("%s %x\n", claim, before)
	}
	write(t, name, out)
}

// shortFatigue is the example of fatigue with blocks of 250 cycles in place of 10,000.
func shortFatigue(t *testing.T) *execution {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"rig.yaml", "specimen.yaml"} {
		write(t, filepath.Join(dir, name), read(t, leafClip+"bending/"+name))
	}
	name := write(t, filepath.Join(dir, "fatigue.yaml"), strings.NewReplacer("times: 10000, rate: 1 Hz, measure: {at: every 1000,", "times: 250, rate: 1 Hz, measure: {at: every 50,",
		"times: 10000", "times: 250").Replace(read(t, leafClip+"bending/fatigue.yaml")))
	return rehearsedFiles(t, files{protocol: name}, 5)
}

// goesOnAfter takes up the folder of a run that was killed.
func goesOnAfter(t *testing.T, folder string) (*takenUp, string) {
	t.Helper()
	said := &text{}
	s := &speech{out: said, err: said}
	again, err := takeUp(s, folder)
	if err == nil {
		err = again.acknowledge("", "")
	}
	if err == nil {
		err = again.resume("", true)
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	return again, said.String()
}

// A run that was killed anywhere goes on by the way back, does the steps that an undisturbed
// one does, says what is missing, and its folder holds. A rehearsal that was killed goes on
// exactly: its files are those of the undisturbed one, but for one event. DWELL_RESUMES says
// how often each example is killed.
func TestKilledRunsGoOn(t *testing.T) {
	times, err := strconv.Atoi(os.Getenv("DWELL_RESUMES"))
	if err != nil {
		if times = 2; testing.Short() {
			times = 1
		}
	}
	for _, name := range []string{"short.yaml", "staircase.yaml", "response.yaml", "identify.yaml", "bending/bend.yaml", "plates/fold.yaml", "rods/rods.yaml",
		"bending/fatigue.yaml", "overnight.yaml"} {
		t.Run(name, func(t *testing.T) {
			times := times
			if long := name == "overnight.yaml" || name == "bending/fatigue.yaml"; long && err != nil {
				if times = 1; testing.Short() {
					t.Skip("takes long")
				}
			}
			whole := ""
			if name == "bending/fatigue.yaml" {
				whole = shortFatigue(t).folder
			} else {
				whole = rehearsed(t, name, 5).folder
			}
			r := rand.New(rand.NewPCG(11, 13))
			for n := range times {
				folder := brokenOff(t, whole, r)
				onAnotherBench(t, folder)
				goesBack(t, whole, folder, n)
			}
			for n := range (times + 3) / 4 {
				folder := brokenOff(t, whole, r)
				goesOnExactly(t, whole, folder, n)
			}
			t.Logf("killed %d times and taken up by the way back, %d times exactly", times, (times+3)/4)
		})
	}
}

// goesBack takes up by the way back and compares.
func goesBack(t *testing.T, whole, folder string, n int) {
	t.Helper()
	before := []byte(read(t, filepath.Join(folder, "readings.csv")))
	counted, begun := cyclesOf(t, folder)
	again, said := goesOnAfter(t, folder)
	saysUncertain(t, folder, said, again.from.Cycles, begun)
	if taken := again.from.Cycles; taken > counted || begun-taken > 100 {
		t.Errorf("kill %d at %s: it goes on from cycle %d; %d had been counted and a block up to %d begun: it is ahead, or behind by more than a block", n, again.segment.Boundary, taken, counted, begun)
	}
	want, _ := done(t, whole)
	got, gaps := done(t, folder)
	if gaps != 1 || !slices.Equal(got, want) {
		t.Errorf("kill %d at %s: %d gaps, steps\n%s\nexpected\n%s", n, again.segment.Boundary, gaps, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if v := verified(t, folder); len(v.findings) > 0 || v.crashed {
		t.Errorf("kill %d at %s: %v", n, again.segment.Boundary, v.findings)
	}
	if torn := bytes.LastIndexByte(before, '\n'); !bytes.HasPrefix([]byte(read(t, filepath.Join(folder, "readings.csv"))), before[:torn+1]) {
		t.Errorf("kill %d: rows that were whole have changed", n)
	}
	os.RemoveAll(folder)
}

// saysUncertain: the gap, and the screen, name the cycles that may have been made beyond those
// that count: all that had been begun, or the single one of a count that is measured.
func saysUncertain(t *testing.T, folder, said string, taken, begun int64) {
	t.Helper()
	for line := range strings.Lines(read(t, filepath.Join(folder, "events.jsonl"))) {
		var e struct {
			Event, Text string
			From        int64 `json:"uncertain_from"`
			To          int64 `json:"uncertain_to"`
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e.Event != "gap" {
			continue
		}
		words := fmt.Sprintf("cycles %d to %d may have been made", e.From, e.To)
		switch {
		case begun <= taken && e.To == 0:
			if strings.Contains(said+e.Text, "may have been made") {
				t.Errorf("nothing is uncertain, and it says %q and %q", said, e.Text)
			}
		case e.From != taken+1 || e.To < begun || e.To > taken+100 || begun <= taken && e.To != taken+1:
			t.Errorf("it goes on from %d, up to %d had been begun, and %d to %d are uncertain", taken, begun, e.From, e.To)
		case !strings.Contains(said, words) || !strings.Contains(e.Text, words):
			t.Errorf("no %q in %q and %q", words, said, e.Text)
		}
	}
}

// cyclesOf is what a record says of cycles where it ends: how many have been counted, and up
// to which one had been begun.
func cyclesOf(t *testing.T, folder string) (counted, begun int64) {
	t.Helper()
	for line := range strings.Lines(read(t, filepath.Join(folder, "events.jsonl"))) {
		var e struct {
			Event      string
			Cycles, To int64
		}
		if json.Unmarshal([]byte(line), &e) != nil {
			continue // torn
		}
		switch e.Event {
		case "cycled":
			counted, begun = e.Cycles, max(begun, e.Cycles)
		case "cycling":
			begun = e.To
		}
	}
	return counted, begun
}

// goesOnExactly takes up a rehearsal and compares every byte.
func goesOnExactly(t *testing.T, whole, folder string, n int) {
	t.Helper()
	again, said := goesOnAfter(t, folder)
	if !again.exact {
		t.Fatalf("kill %d: not taken up exactly:\n%s", n, said)
	}
	for _, name := range []string{"readings.csv", "wire.jsonl", "figures.json"} {
		if got, want := read(t, filepath.Join(folder, name)), read(t, filepath.Join(whole, name)); got != want {
			t.Fatalf("kill %d: %s has %d bytes, and is not the undisturbed one of %d", n, name, len(got), len(want))
		}
	}
	var events []string
	for line := range strings.Lines(read(t, filepath.Join(folder, "events.jsonl"))) {
		if !strings.Contains(line, `"event":"`+wentOn+`"`) {
			events = append(events, line)
		}
	}
	if strings.Join(events, "") != read(t, filepath.Join(whole, "events.jsonl")) {
		t.Errorf("kill %d: other events than in the undisturbed rehearsal", n)
	}
	if v := verified(t, folder); len(v.findings) > 0 || v.crashed {
		t.Errorf("kill %d: %v", n, v.findings)
	}
	os.RemoveAll(folder)
}

// A branch of the staircase is approached again from its own side.
func TestTheWayBackHasADirection(t *testing.T) {
	whole := rehearsed(t, "staircase.yaml", 1)
	for _, c := range []struct{ step, expected string }{
		{"3.3.2 hold", "20 30"}, {"3.5.2 hold", "20 40"}, {"3.6.2 hold", "40 35"}, {"3.8.3 mark", "40 25"}, {"3.1.2 hold", "20"},
	} {
		r, _ := openRecord(t, whole.folder)
		again := &takenUp{folder: whole.folder}
		var err error
		if again.job, err = keptJob(r); err != nil {
			t.Fatal(err)
		}
		for i, a := range again.job.plan.Actions {
			if a.Op == "begin" && a.Step == c.step {
				again.from.Next = i
			}
		}
		if err := again.wayBack(again.job.rig.AmbientDegC); err != nil {
			t.Fatal(err)
		}
		var way []string
		for _, a := range again.from.Back {
			if a.Op == "arrive" {
				way = append(way, fmt.Sprint(a.Target))
			}
		}
		if got := strings.Join(way, " "); got != c.expected {
			t.Errorf("back to %s by way of %s, expected %s", c.step, got, c.expected)
		}
	}
}

// A run that tripped goes on only when somebody says in words what was done; one that was
// completed does not go on, nor does a folder that was edited.
func TestWhatDoesNotGoOn(t *testing.T) {
	whole := rehearsed(t, "short.yaml", 1).folder
	p := start(t, "resume", whole)
	p.exits(exitUsage)
	p.says("nothing to go on with")

	folder := brokenOff(t, whole, rand.New(rand.NewPCG(3, 3)))
	id := strings.Replace(read(t, filepath.Join(folder, "run.json")), `"format":1`, `"format":1,"outcome":"tripped","unsealed":true,"reason":"too hot"`, 1)
	write(t, filepath.Join(folder, "run.json"), id)
	if _, err := logs.Repair(logs.Disk{}, folder); err != nil {
		t.Fatal(err)
	}
	events := read(t, filepath.Join(folder, "events.jsonl"))
	for _, args := range [][]string{{}, {"--acknowledge", "all well"}, {"--operator", "M.K."}, {"--acknowledge", " ", "--operator", "M.K."}} {
		p := start(t, append([]string{"resume", folder}, args...)...)
		p.exits(exitUsage)
		p.says("too hot")
	}
	if read(t, filepath.Join(folder, "events.jsonl")) != events {
		t.Error("a refused resume has written to the folder")
	}
	p = start(t, "resume", folder, "--acknowledge", "probe was loose, fixed", "--operator", "M.K.", "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"outcome": "completed", "safe": true, "run": folder})
	if h := happened(t, folder, "acknowledged"); h.Text != "M.K.: probe was loose, fixed" {
		t.Errorf("recorded: %q", h.Text)
	}
	if !strings.Contains(read(t, filepath.Join(folder, "run.json")), `"acknowledged": "probe was loose, fixed"`) {
		t.Error("run.json does not have the acknowledgement")
	}

	folder = brokenOff(t, whole, rand.New(rand.NewPCG(3, 3)))
	id = strings.Replace(read(t, filepath.Join(folder, "run.json")), `"format":1`, `"format":1,"outcome":"stopped","unsealed":true,"safe":false`, 1)
	write(t, filepath.Join(folder, "run.json"), id)
	if _, err := logs.Repair(logs.Disk{}, folder); err != nil {
		t.Fatal(err)
	}
	p = start(t, "resume", folder)
	p.exits(exitUsage)
	p.says("not confirmed safe")

	name := filepath.Join(brokenOff(t, whole, rand.New(rand.NewPCG(4, 4))), "rig.yaml")
	write(t, name, strings.Replace(read(t, name), "below: 80 degC", "below: 90 degC", 1))
	p = start(t, "resume", filepath.Dir(name))
	p.exits(exitUsage)
	p.says("rig.yaml")
}

// A rehearsal that tripped is taken up on the virtual bench that it left, not on a new one.
func TestATrippedRehearsalKeepsItsBench(t *testing.T) {
	dir := t.TempDir()
	protocol := write(t, filepath.Join(dir, "trip.yaml"), strings.Replace(read(t, leafClip+"short.yaml"), "\nsteps:", "\ninterlocks: [{when: \"plate.temperature > 18.7 degC\", then: trip}]\n\nsteps:", 1))
	p := start(t, "rehearse", "--rig", leafClip+"rig.yaml", "--specimen", leafClip+"specimen.yaml", "--out", filepath.Join(dir, "runs"), protocol)
	p.exits(exitTripped)
	folder := theFolder(t, filepath.Join(dir, "runs"))
	said := &text{}
	s := &speech{out: said, err: said}
	again, err := takeUp(s, folder)
	if err != nil {
		t.Fatal(err)
	}
	if again.retraces(); again.bench == nil || again.exact {
		t.Fatalf("there is no bench: %s", said)
	}
	if now := again.bench.World().Now(); now < again.from.LastAt-clock.Second || again.bench.World().HeaterOn() {
		t.Errorf("the bench is left at %v, the heater on %v; the record ends at %v", now, again.bench.World().HeaterOn(), again.from.LastAt)
	}
	q := start(t, "resume", folder, "--acknowledge", "as expected", "--operator", "M.K.")
	q.exits(exitTripped) // the same interlock, on the same bench
	if v := verified(t, folder); len(v.findings) > 0 {
		t.Error(v.findings)
	}
}
