//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dwell/drivers/clock"
	"dwell/logs"

	"github.com/creack/pty"
)

// guardEvents are the lines of guard.jsonl.
type guardEvent struct {
	Event string    `json:"event"`
	AtNs  int64     `json:"t_ns"`
	UTC   time.Time `json:"utc"`
	Text  string    `json:"text"`
}

func guardEvents(t *testing.T, folder string) (all []guardEvent) {
	t.Helper()
	for _, line := range strings.Split(strings.TrimSpace(read(t, filepath.Join(folder, guardFile))), "\n") {
		var e guardEvent
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%s: %q: %v", guardFile, line, err)
		}
		all = append(all, e)
	}
	return all
}

// guardOf is the process that guards the run of a folder.
func guardOf(t *testing.T, folder string) int {
	t.Helper()
	pid := 0
	wait(t, "the guard's first words", func() bool {
		text, err := os.ReadFile(filepath.Join(folder, guardFile))
		if _, rest, found := bytes.Cut(text, []byte(`"text":"process `)); err == nil && found {
			word, _, _ := bytes.Cut(rest, []byte(" "))
			pid, _ = strconv.Atoi(string(word))
		}
		return pid > 0
	})
	return pid
}

// leaves waits until a process that is no child is gone, or nothing but its number.
func leaves(t *testing.T, pid int) {
	t.Helper()
	wait(t, fmt.Sprintf("the end of process %d", pid), func() bool {
		stat, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		_, state, _ := bytes.Cut(stat, []byte(") "))
		return errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) || bytes.HasPrefix(state, []byte("Z"))
	})
}

// What is attacked, how, and at which moment.
type attack struct {
	target string
	signal syscall.Signal
	moment string
}

var (
	targets = []attack{{"run", syscall.SIGKILL, ""}, {"guard", syscall.SIGKILL, ""}, {"run", syscall.SIGSTOP, ""},
		{"group of the run", syscall.SIGKILL, ""}, {"guard", syscall.SIGSTOP, ""}, {"group of the run", syscall.SIGSTOP, ""}}
	moments = []string{"any", "mid-command", "before reading back", "mid-fsync", "making safe", "mid-command of the stage", "before a move is read back"}
)

// struck is what an attack has met and what came of it.
type struck struct {
	attack
	heat, output    bool // were on
	moving          bool // the stage
	midCommit       bool // records had been written that the chain did not cover yet
	toSafe, toKnown time.Duration
}

const (
	usualKills = 12
	// mostToSafe is for the p99 of the time from the kill to the last safe byte; it is
	// held to where there are kills enough to speak of one.
	mostToSafe, enoughKills = 2 * time.Second, 100
)

// Whatever is killed or stopped, at whatever moment: heat and output go off and the stage
// stands, by the journal of the bench; nothing that was acknowledged is lost; the folder can be read.
// DWELL_KILLS=300 does so 300 times.
func TestKills(t *testing.T) {
	n, seed := usualKills, uint64(1)
	if text := os.Getenv("DWELL_KILLS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil {
			t.Fatalf("DWELL_KILLS: %v", err)
		}
	}
	var mutex sync.Mutex
	var all []struck
	t.Run("of", func(t *testing.T) {
		for i := range n {
			a := targets[i%len(targets)]
			a.moment = moments[i%len(moments)] // six and seven: every pair comes once in 42
			t.Run(fmt.Sprintf("%03d %s, %s, %s", i, a.target, a.signal, a.moment), func(t *testing.T) {
				t.Parallel()
				x := strike(t, a, rand.New(rand.NewPCG(seed, uint64(i))))
				mutex.Lock()
				defer mutex.Unlock()
				all = append(all, x)
			})
		}
	})
	tally(t, n, all)
}

// allAtOnce heats, sources and bends.
const allAtOnce = `format: 1
title: Warm, and bent again and again

limits:
  plate.temperature: {below: 60 degC}

record:
  plate.temperature: 1 s
  foil.temperature: 1 s
  element.resistance: 1 s
  stage.position: 1 s

ends: {at most: 1 h}

steps:
  - confirm: {specimen: LC-21, resistance within: 20 %}
  - home: {at most: 2 min}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - bring: {plate to: 40 degC, without waiting: true}
  - cycle: {to: {radius: 8 mm}, times: 1000, rate: 0.5 Hz, measure: {at: every 1000, for: 1 s}}
`

// strike does one attack on a run that heats, sources and bends, and looks at what follows.
func strike(t *testing.T, a attack, draw *rand.Rand) struck {
	s := serveRigOf(t, leafClip+"bending/")
	root := t.TempDir()
	p := ready(t, s.arguments(write(t, filepath.Join(t.TempDir(), "all.yaml"), allAtOnce), root)...)
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	x := &blow{struck: struck{attack: a}, s: s, p: p, root: root, started: make(chan struct{}), done: make(chan struct{})}
	if a.moment == "before reading back" {
		x.whenHeard(s.plate, "OUT_SP_1 40", false) // heat and output are on by then
	}
	p.start()
	close(x.started)
	if a.moment != "before reading back" {
		s.underWay(root)
		wait(t, "the stage to bend", func() bool {
			return slices.ContainsFunc(s.said(), func(e entry) bool { return e.is("stage", "motion", 1) && e.Text == "to 11.490 mm" })
		})
		x.folder = theFolder(t, root)
		x.before, x.chained = promised(t, x.folder)
		x.guard = guardOf(t, x.folder)
		x.await(draw)
	}
	if !soon(x.done, patience) {
		t.Fatalf("the moment %q did not come", a.moment)
	}
	x.look(t)
	return x.struck
}

// blow is an attack under way.
type blow struct {
	struck
	s       *served
	p       *process
	root    string
	folder  string
	guard   int
	before  string
	chained int64
	once    sync.Once
	at      time.Time
	place   int
	started chan struct{}
	done    chan struct{}
}

// await comes to the moment.
func (x *blow) await(draw *rand.Rand) {
	cut := x.target != "guard" // a run that lives on sends its whole command
	switch x.moment {
	case "any":
		time.Sleep(time.Duration(draw.Int64N(int64(1500 * time.Millisecond))))
		x.hit()
	case "mid-command":
		x.whenHeard(x.s.meter, "SOUR:CURR", cut)
	case "mid-command of the stage":
		x.whenHeard(x.s.stage, "G1 X11", cut)
	case "before a move is read back":
		x.whenHeard(x.s.stage, "G1 X11", false)
	case "making safe":
		x.whenHeard(x.s.plate, "STOP_1", true)
		x.p.cmd.Process.Signal(syscall.SIGINT)
	case "mid-fsync":
		name := filepath.Join(x.folder, "readings.csv")
		before, _ := os.Stat(name)
		for by := time.Now().Add(patience); time.Now().Before(by); {
			if now, err := os.Stat(name); err == nil && now.Size() > before.Size() {
				break
			}
		}
		x.hit()
	}
}

// whenHeard strikes when an instrument hears these words; the second half of what came
// does not reach it if it is to be cut.
func (x *blow) whenHeard(l *line, words string, cut bool) {
	l.spoil(func(b []byte) []byte {
		if !bytes.Contains(b, []byte(words)) {
			return b
		}
		first := false
		// In a goroutine of its own: one that a failing test ends must not be the bench's.
		x.once.Do(func() { first = true; go x.strikeNow(); soon(x.done, patience) })
		if first && cut {
			return b[:len(b)/2]
		}
		return b
	}, nil)
}

func (x *blow) hit() { x.once.Do(x.strikeNow) }

func (x *blow) strikeNow() {
	if !soon(x.started, patience) {
		x.s.t.Errorf("waited %v in vain for the start of the run", patience)
	}
	pid := x.p.cmd.Process.Pid
	switch x.target {
	case "group of the run":
		pid = -pid
	case "guard":
		if pid = x.guard; pid == 0 { // the moment came before the folder was looked at
			pid = guardOf(x.s.t, theFolder(x.s.t, x.root))
			x.guard = pid
		}
	}
	x.heat, x.output, x.moving, x.place = x.s.on("plate", "heat"), x.s.on("meter", "output"), x.s.on("stage", "motion"), x.s.place()
	x.at = time.Now()
	syscall.Kill(pid, x.signal)
	close(x.done)
}

// look waits for the end and judges it.
func (x *blow) look(t *testing.T) {
	t.Helper()
	x.folder = theFolder(t, x.root)
	x.guard = guardOf(t, x.folder)
	x.p.ends() // the run, and the guard, which has its standard error
	leaves(t, x.guard)
	x.s.expectOff()
	for _, e := range x.s.said()[x.place:] {
		if e.is("plate", "heat", 0) || e.is("meter", "output", 0) || e.is("stage", "motion", 0) {
			x.toSafe = max(x.toSafe, x.s.began.Add(time.Duration(e.AtS*1e9)).Sub(x.at))
		}
	}
	x.expectEnd(t)
	if x.before != "" {
		x.s.expectKept(x.folder, x.before, x.chained)
	}
	expectRepairable(t, x.folder, x.chained)
	if x.target != "guard" {
		_, tails := openRecord(t, x.folder)
		x.midCommit = slices.ContainsFunc(tails, func(tail logs.Tail) bool { return tail.Whole > 0 || tail.Torn > 0 })
	}
}

// expectEnd expects the word of whoever was left.
func (x *blow) expectEnd(t *testing.T) {
	t.Helper()
	status := x.p.cmd.ProcessState.Sys().(syscall.WaitStatus)
	if x.target != "guard" {
		events := guardEvents(t, x.folder)
		last := events[len(events)-1]
		if last.Event != "safe" || !strings.Contains(read(t, filepath.Join(x.folder, guardFile)), `"taking over"`) {
			t.Errorf("the guard's last word is %+v", last)
		}
		if status.Signal() != syscall.SIGKILL {
			t.Errorf("the run ended by %v", status)
		}
		x.toKnown = last.UTC.Sub(x.at)
		return
	}
	code, word := exitFailed, "failed"
	if x.moment == "making safe" {
		code, word = exitStopped, "stopped"
	}
	if status.ExitStatus() != code {
		t.Errorf("the run ended with %d, expected %d", status.ExitStatus(), code)
	}
	cause := happened(t, x.folder, word)
	if word == "failed" && !strings.Contains(cause.Text, "the guard process") {
		t.Errorf("the run failed because %q", cause.Text)
	}
	for _, h := range happenings(t, x.folder) {
		if h.Event == "ended" {
			x.toKnown = time.Duration(h.AtNs - cause.AtNs)
		}
	}
}

const notAcknowledged = "records were written and not acknowledged yet"

// tally prints what was met, and how long it took.
func tally(t *testing.T, n int, all []struck) {
	if len(all) < n {
		t.Fatalf("%d of %d attacks came to an end", len(all), n)
	}
	counts := map[string]int{}
	times := map[string][]time.Duration{}
	for _, x := range all {
		counts[fmt.Sprintf("%s of the %s", x.signal, x.target)]++
		counts["moment: "+x.moment]++
		for what, is := range map[string]bool{"heat was on": x.heat, "output was on": x.output, "the stage moved": x.moving, notAcknowledged: x.midCommit} {
			if is {
				counts[what]++
			}
		}
		who := "run " + x.signal.String()
		if x.target == "guard" {
			who = "guard " + x.signal.String()
		}
		times[who+": to the last safe byte"] = append(times[who+": to the last safe byte"], x.toSafe)
		times[who+": until confirmed"] = append(times[who+": until confirmed"], x.toKnown)
	}
	for _, what := range []string{"heat was on", "output was on", "the stage moved", notAcknowledged} {
		if n >= enoughKills && counts[what] == 0 {
			t.Errorf("in none of %d attacks %s", n, what)
		}
	}
	for _, what := range sorted(counts) {
		t.Logf("%4d %s", counts[what], what)
	}
	for _, what := range sorted(times) {
		d := times[what]
		slices.Sort(d)
		p99 := d[min(len(d)-1, len(d)*99/100)]
		t.Logf("%s: p50 %v, p99 %v, max %v of %d", what, d[len(d)/2].Round(time.Millisecond), p99.Round(time.Millisecond), d[len(d)-1].Round(time.Millisecond), len(d))
		if n >= enoughKills && strings.HasSuffix(what, "byte") && p99 > mostToSafe {
			t.Errorf("%s: p99 is %v, expected %v", what, p99, mostToSafe)
		}
	}
}

func sorted[V any](m map[string]V) (keys []string) {
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// The terminal goes away, with a hang-up for its whole session: the run goes on, and
// so does its guard, which makes the bench safe when the run is killed then.
func TestNeitherRunNorGuardMindsTheTerminal(t *testing.T) {
	t.Parallel()
	s := serve(t)
	root := t.TempDir()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	p := ready(t, s.arguments("warm.yaml", root)...)
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = slave, slave, slave
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	p.start()
	slave.Close()
	drained := make(chan struct{})
	go func() {
		defer close(drained)
		for b := make([]byte, 4096); ; {
			if _, err := master.Read(b); err != nil {
				return
			}
		}
	}()
	s.underWay(root)
	folder := theFolder(t, root)
	if _, err := master.Write([]byte{'Z' & 0x1f}); err != nil { // Ctrl-Z
		t.Fatal(err)
	}
	s.goesOn(folder)
	syscall.Kill(-p.cmd.Process.Pid, syscall.SIGHUP)
	master.Close()
	wait(t, "the note", func() bool { return strings.Contains(read(t, filepath.Join(folder, "events.jsonl")), "hung up") })
	s.goesOn(folder)
	here := s.place()
	p.cmd.Process.Kill()
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	leaves(t, guardOf(t, folder))
	s.expectOff()
}

// While the plate cannot be reached the guard makes the rest safe, tries again until it
// can, tells somebody, and answers whoever asks meanwhile.
func TestTheGuardKeepsTrying(t *testing.T) {
	t.Parallel()
	s := serve(t)
	told := s.notifying()
	p, root := s.warming()
	folder := theFolder(t, root)
	p.cmd.Process.Signal(syscall.SIGSTOP)
	here := s.place()
	s.plate.cut()
	s.until(here, "meter", "output", 0)
	wait(t, "the alarm", func() bool { return strings.Contains(read(t, filepath.Join(folder, guardFile)), loud) })
	p.says("guard: ")
	if n := strings.Count(p.err.String(), loud); n < 2 || n > 6 { // at 0, 1, 3, 8 s, and some more on a busy machine
		t.Errorf("the alarm was said %d times on the screen within %v", n, alarmAfter)
	}
	wait(t, "the call for help", func() bool {
		b, _ := os.ReadFile(told)
		return strings.Contains(string(b), loud+"; the run has been silent")
	})
	if !s.on("plate", "heat") {
		t.Fatal("the plate has gone off: it was to be out of reach")
	}
	guard := strconv.Itoa(guardOf(t, folder))
	shown := start(t, "show", folder)
	shown.exits(exitDone)
	if out := strings.Join(strings.Fields(shown.out.String()), " "); !strings.Contains(out, "its guard, process "+guard+", has taken over and is trying to make the rig safe, which is NOT confirmed yet") {
		t.Errorf("show says\n%s", shown.out)
	}
	safe := start(t, "safe", "--rig", s.rig)
	safe.says("its guard, process number " + guard + ", has the rig")
	safe.says(loud + "; plate: heat MAY BE ON since")
	safe.says("it goes on trying. If it has not confirmed the rig safe in 30.0 s it is ended")
	s.openPTY()
	s.until(here, "plate", "heat", 0)
	safe.exits(exitDone)
	if !strings.Contains(safe.out.String(), "the guard that had the rig has made it safe") {
		t.Errorf("safe says %q", safe.out)
	}
	p.ends()
	s.expectOff()
	if text := read(t, told); !strings.Contains(text, "bench 3") || !strings.Contains(text, "run "+folder+": ") || !strings.Contains(text, "; plate can be touched: plate.temperature is ") || !strings.Contains(text, "the guard has made the bench safe") {
		t.Errorf("told: %q", text)
	}
	if n := len(guardEvents(t, folder)); n > 40 {
		t.Errorf("%d lines of the guard about one failure", n)
	}
}

// notifying gives the rig a program that tells somebody, and the file of what it told.
func (s *served) notifying() (told string) {
	s.t.Helper()
	dir := s.t.TempDir()
	told = filepath.Join(dir, "told")
	script := write(s.t, filepath.Join(dir, "tell"), "#!/bin/sh\necho \"$2 $1\" >> '"+told+"'\n")
	if err := os.Chmod(script, 0o755); err != nil {
		s.t.Fatal(err)
	}
	s.rig = write(s.t, filepath.Join(dir, "rig.yaml"), strings.Replace(read(s.t, s.rig), "\ntwin:\n", "\nnotify: ["+script+", bench 3]\ntwin:\n", 1))
	return told
}

// A port that is not there keeps dwell safe from nothing else.
func TestSafeWithoutThePlate(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	p.cmd.Process.Signal(syscall.SIGSTOP)
	syscall.Kill(guardOf(t, theFolder(t, root)), syscall.SIGKILL)
	p.cmd.Process.Kill()
	p.ends()
	s.plate.cut()
	here := s.place()
	safe := start(t, "safe", "--rig", s.rig)
	s.until(here, "meter", "output", 0)
	safe.says("plate: not confirmed: ")
	s.openPTY()
	s.until(here, "plate", "heat", 0)
	safe.exits(exitDone)
	s.expectOff()
}

// A port that is not there when a run is to begin: nothing is sent to any instrument,
// the ones that are there included, and it is not said that the rig is safe.
func TestNoRunWithoutAPort(t *testing.T) {
	t.Parallel()
	for _, gone := range []string{"plate", "meter"} {
		t.Run(gone, func(t *testing.T) {
			s := serve(t)
			if gone == "plate" {
				s.plate.cut()
			} else {
				s.do(func() { s.meter.listener.Close() })
			}
			root := t.TempDir()
			p := start(t, s.arguments("warm.yaml", root, "--json")...)
			p.exits(exitUsage)
			for _, words := range []string{gone + " on ", "nothing was sent to any instrument", "none is confirmed safe"} {
				if !strings.Contains(p.err.String(), words) {
					t.Errorf("expected the words %q", words)
				}
			}
			p.expectObject(map[string]any{"outcome": "failed", "safe": false, "readings": 0.0, "run": "", "exit": 2.0})
			if made := folders(t, root); len(made) > 0 {
				t.Errorf("left behind: %v", made)
			}
			s.expectNothing()
		})
	}
}

// A run that cannot have a guard touches nothing.
func TestNoRunWithoutAGuard(t *testing.T) {
	t.Parallel()
	s := serve(t)
	own := filepath.Join(t.TempDir(), "dwell")
	if err := os.Link(program, own); err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	p := ready(t, s.arguments("warm.yaml", root, "--json")...)
	p.cmd.Path = own
	p.start()
	if err := os.Remove(own); err != nil { // it runs, and cannot be started once more
		t.Fatal(err)
	}
	p.exits(exitUsage)
	if !strings.Contains(p.err.String(), "the guard process cannot be started") || !strings.Contains(p.err.String(), "none is confirmed safe") {
		t.Errorf("it says %q", p.err)
	}
	p.expectObject(map[string]any{"outcome": "failed", "safe": false, "readings": 0.0, "exit": 2.0})
	s.expectNothing()
}

// A machine that has no time for anybody, and whose disk is busy, is no reason to take
// a run over, nor to stop it.
func TestNoFalseTakeOver(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 20 s of a busy machine")
	}
	s := serve(t) // not in parallel: it disturbs the others, and they it
	p, root := s.warming()
	folder := theFolder(t, root)
	scripts := []string{"while :; do dd if=/dev/zero of=" + filepath.Join(t.TempDir(), "load") + " bs=1M count=8 conv=fsync 2>&-; done"}
	for range 4 * runtime.NumCPU() {
		scripts = append(scripts, "while :; do :; done")
	}
	for _, script := range scripts {
		c := exec.Command("sh", "-c", script)
		c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		over := make(chan struct{})
		go func() { c.Wait(); close(over) }()
		defer func() {
			syscall.Kill(-c.Process.Pid, syscall.SIGKILL)
			if !soon(over, patience) {
				t.Errorf("waited %v in vain for the end of %q", patience, script)
			}
		}()
	}
	const busy = 20 * time.Second
	select {
	case <-p.over:
		t.Error("the run has ended")
	case <-time.After(busy):
	}
	s.goesOn(folder)
	late := 0
	for _, e := range guardEvents(t, folder) {
		if e.Event == "late" {
			late++
		}
		if e.Event == "taking over" {
			t.Errorf("taken over: %s", e.Text)
		}
	}
	t.Logf("%d late heartbeats in %v beside %d busy processes", late, busy, len(scripts))
	p.cmd.Process.Signal(syscall.SIGINT)
	p.exits(exitStopped)
	s.expectOff()
}

// What takes nothing holds up nobody, and is not asked again.
func TestOutlets(t *testing.T) {
	c := clock.Wall(0)
	release := make(chan struct{})
	var written []string
	err := c.Run(func() error {
		stuck := newOutlet(c, "stuck", func(b []byte) error { <-release; written = append(written, string(b)); return nil })
		full := newOutlet(c, "full", func(b []byte) error { return errors.New("no space left") })
		for k := range 3 * mostQueued {
			stuck.say(fmt.Sprintf("line %d\n", k))
			stuck.renew(fmt.Sprintf("beat %d\n", k))
			if k == 0 && stuck.flush(c.Now()+50*clock.Millisecond) {
				t.Error("a stuck outlet is said to have taken all")
			}
			full.say("x\n")
		}
		if full.flush(c.Now()+clock.Second) || len(full.queue) > 1 {
			t.Errorf("a disk that is full takes %d lines", len(full.queue))
		}
		close(release)
		if !stuck.flush(c.Now() + clock.Second) {
			t.Error("it does not take what has waited")
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	text := strings.Join(written, "")
	if lines := strings.Count(text, "line"); lines != mostQueued+1 || strings.Count(text, "beat") != 2 || !strings.HasSuffix(text, fmt.Sprintf("beat %d\n", 3*mostQueued-1)) {
		t.Errorf("%d lines, %d beats, at the end %q", lines, strings.Count(text, "beat"), text[max(0, len(text)-20):])
	}
}
