//go:build unix

package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// From a second shell, while a run has the ports: the run makes the bench safe.
func TestSafeWhileARunOwnsThePorts(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	here := s.place()
	safe := start(t, "safe", "--rig", s.rig, "--json")
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	safe.exits(exitDone)
	safe.expectObject(map[string]any{"safe": true, "by": "the run", "exit": 0.0})
	if !strings.Contains(safe.err.String(), fmt.Sprint("process number ", p.cmd.Process.Pid)) {
		t.Error("it does not say whom it asked")
	}
	p.exits(exitStopped)
	p.expectObject(map[string]any{"outcome": "stopped", "safe": true, "exit": 6.0})
	s.expectOff()
	if ended := happened(t, theFolder(t, root), "stopped"); !strings.Contains(ended.Text, "safe") {
		t.Errorf("the record does not tell that dwell safe stopped the run: %q", ended.Text)
	}
}

// A run that does not answer is ended, and its ports are taken: also the one of a
// socket that serves one program at a time.
func TestSafeWhileTheRunIsStuck(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	before, chained := promised(t, theFolder(t, root))
	p.cmd.Process.Signal(syscall.SIGSTOP)
	here, began := s.place(), time.Now()
	safe := start(t, "safe", "--rig", s.rig, "--json")
	leaves(t, p.cmd.Process.Pid)
	killed := time.Since(began)
	p.ends()
	if status := p.cmd.ProcessState.Sys().(syscall.WaitStatus); status.Signal() != syscall.SIGKILL {
		t.Errorf("the run ended by %v, expected to be killed", status)
	}
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	safe.exits(exitDone)
	t.Logf("ended the run after %v, safe after %v", killed.Round(time.Millisecond), time.Since(began).Round(time.Millisecond))
	safe.expectObject(map[string]any{"safe": true, "exit": 0.0})
	s.expectOff()
	s.expectKept(theFolder(t, root), before, chained)
}

// Run and guard have both been stopped, and dwell safe ends the run. That stands in its folder:
// resume asks for no word, and the guard, when it comes to itself, leaves the bench alone.
func TestSafeInPlaceOfAStoppedGuard(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	folder := theFolder(t, root)
	guard := guardOf(t, folder)
	syscall.Kill(guard, syscall.SIGSTOP)
	defer syscall.Kill(guard, syscall.SIGKILL)
	p.cmd.Process.Signal(syscall.SIGSTOP)
	start(t, "safe", "--rig", s.rig).exits(exitDone)
	s.expectOff()
	lines := guardEvents(t, folder)
	if last := lines[len(lines)-1]; last.Event != "confirmed" || !strings.HasPrefix(last.Text, bySafe) {
		t.Errorf("the folder's last word is %+v", last)
	}
	again, err := takeUp(&speech{out: io.Discard, err: io.Discard}, folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.acknowledge("", ""); err != nil {
		t.Error(err)
	}
	here := s.place()
	syscall.Kill(guard, syscall.SIGCONT)
	p.ends() // it has the run's standard error
	leaves(t, guard)
	lines = guardEvents(t, folder)
	if last := lines[len(lines)-1]; last.Event != "stood down" || !strings.HasPrefix(last.Text, bySafe) {
		t.Errorf("the guard's last word is %+v", last)
	}
	if s.place() != here {
		t.Errorf("it did something to the bench: %+v", s.tail())
	}
	if v := verified(t, folder); len(v.findings) > 0 {
		t.Error(v.findings)
	}
	shown := start(t, "show", folder)
	shown.exits(exitDone)
	if out := strings.Join(strings.Fields(shown.out.String()), " "); !strings.Contains(out, "cut short: "+bySafe) || strings.Contains(shown.err.String(), loud) {
		t.Errorf("show says\n%s%s", shown.out, shown.err)
	}
}

// Two who make one bench safe, a guard and dwell safe, or two of those, do not wait for
// each other, each with one of the ports.
func TestTwoWhoMakeSafe(t *testing.T) {
	t.Parallel()
	s := serve(t)
	m := &yamltext.Mistakes{}
	r := rig.Load(yamltext.Parse(s.rig, []byte(read(t, s.rig)), m), nil, m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	wall := clock.Wall(0)
	by := wall.Now() + clock.Instant(patience)
	var reports []safety.Report
	err := wall.Run(func() error {
		done := clock.NewEvent(wall)
		var benches []*rig.Bench
		for k := range 2 { // each begins with another instrument, and has its port from then on
			b := rig.Unopened(wall, r, "{}")
			benches = append(benches, b)
			if err := b.Instruments[k].Seize(by); err != nil {
				return err
			}
			if _, err := b.Instruments[k].Safe(by); err != nil {
				return err
			}
			b.Instruments[k].End()
		}
		for _, b := range benches {
			wall.Go("one who makes safe", func() error {
				reports = append(reports, safety.MakeSafe(wall, b, func() bool { return wall.Now() > by }, func(drivers.Evidence) {}))
				done.Signal()
				return nil
			})
		}
		for len(reports) < 2 {
			if _, err := done.Wait(clock.Never); err != nil {
				return err
			}
		}
		return errors.Join(benches[0].Close(), benches[1].Close())
	})
	if err != nil {
		t.Error(err)
	}
	for _, report := range reports {
		if !report.Confirmed {
			t.Errorf("not confirmed: %+v", report.Evidence)
		}
	}
	s.expectOff()
}

// Nobody has the ports.
func TestSafeAlone(t *testing.T) {
	t.Parallel()
	s := serve(t)
	safe := start(t, "safe", "--rig", s.rig)
	safe.exits(exitDone)
	if !strings.Contains(safe.out.String(), "the rig is safe") || !strings.Contains(safe.err.String(), "plate can be touched: plate.temperature is 18") {
		t.Errorf("it says %q, %q", safe.out, safe.err)
	}
	s.expectOff()
}

// A plate that does not answer is tried again and again, until the operator gives
// up: not confirmed, exit 5, though it was told.
func TestSafeWithASilentPlate(t *testing.T) {
	t.Parallel()
	s := serve(t)
	s.plate.spoil(nil, silence())
	safe := start(t, "safe", "--rig", s.rig, "--json")
	tries := 2
	if testing.Short() {
		tries = 1
	}
	safe.says("plate: not confirmed")
	safe.says(fmt.Sprintf("%d tr", tries)) // tries have failed, or one try has
	safe.cmd.Process.Signal(syscall.SIGINT)
	safe.exits(exitNotSafe)
	safe.expectObject(map[string]any{"safe": false, "exit": 5.0})
	if !strings.Contains(safe.err.String(), loud) {
		t.Errorf("the words %q are missing", loud)
	}
	told := false
	for _, e := range s.said() {
		told = told || e.Instrument == "plate" && e.Text == "STOP_1"
	}
	if !told {
		t.Error("the plate was not told to stop")
	}
}

// A second run on the same ports is refused, says which port, and touches nothing,
// not even by other names of the same ports.
func TestTwoRunsOnOneBench(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	s.goesOn(theFolder(t, root))
	here := len(s.commands())

	device, err := filepath.EvalSymlinks(s.plate.path)
	if err != nil {
		t.Fatal(err)
	}
	_, number, _ := strings.Cut(s.meter.path, ":")
	other := read(t, s.rig)
	other = strings.Replace(other, `"serial:`+s.plate.path+`"`, `"ASRL`+device+`::INSTR"`, 1)
	other = strings.Replace(other, `"tcp:`+s.meter.path+`"`, `"TCPIP0::127.0.0.1::`+number+`::SOCKET"`, 1)
	meterOnly := strings.Replace(other, device, filepath.Join(t.TempDir(), "none"), 1)
	for name, text := range map[string]string{"plate": read(t, s.rig), "plate by another name": other, "meter by another name": meterOnly} {
		again := t.TempDir()
		second := start(t, "run", "testdata/warm.yaml", "--rig", write(t, filepath.Join(t.TempDir(), "rig.yaml"), text),
			"--specimen", leafClip+"specimen.yaml", "--out", again, "--confirm", "LC-07")
		second.exits(exitUsage)
		port := map[bool]string{true: "serial:" + device, false: "tcp:localhost:" + number}[strings.HasPrefix(name, "plate")]
		if text := second.err.String(); !strings.Contains(text, port) || !strings.Contains(text, "in use by another run") {
			t.Errorf("%s: it does not say that %s is in use: %q", name, port, text)
		}
		if made := folders(t, again); len(made) > 0 {
			t.Errorf("%s: a run folder was made: %v", name, made)
		}
	}
	for _, words := range s.commands()[here:] {
		if !strings.HasPrefix(words, "SOUR:CURR") && !strings.HasPrefix(words, "OUT_WD1@") {
			t.Errorf("the bench was told %q meanwhile", words)
		}
	}
	s.goesOn(theFolder(t, root))
	p.cmd.Process.Signal(os.Interrupt)
	p.exits(exitStopped)
	s.expectOff()
}

// commands are what the bench has been told so far.
func (s *served) commands() (all []string) {
	for _, e := range s.said() {
		if e.What == "command" {
			all = append(all, e.Text)
		}
	}
	return all
}
