//go:build unix

package main

import (
	"bufio"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Ctrl-C, a polite kill, or Ctrl-\, stops in order: confirmed safe, exit 6.
func TestStoppedByASignal(t *testing.T) {
	t.Parallel()
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGQUIT} {
		t.Run(signal.String(), func(t *testing.T) {
			if testing.Short() && signal == syscall.SIGTERM {
				t.Skip("two of three")
			}
			t.Parallel()
			s := serve(t)
			p, root := s.warming("--json")
			before, chained := promised(t, theFolder(t, root))
			here, sent := s.place(), time.Now()
			p.cmd.Process.Signal(signal)
			s.until(here, "meter", "output", 0)
			s.until(here, "plate", "heat", 0)
			t.Logf("heat and output off after %v", time.Since(sent).Round(time.Millisecond))
			p.exits(exitStopped)
			t.Logf("ended %v after the signal", time.Since(sent).Round(time.Millisecond))
			s.expectOff()
			p.expectObject(map[string]any{"outcome": "stopped", "safe": true, "exit": 6.0})
			if strings.Contains(p.err.String(), "stopped: stopped") || !strings.Contains(p.err.String(), "stopped by the operator") {
				t.Error("expected \"stopped by the operator\", once")
			}
			for _, words := range []string{"safe: meter: direct", "safe: plate: indirect"} {
				if !strings.Contains(p.err.String(), words) {
					t.Errorf("the words %q are missing", words)
				}
			}
			s.expectKept(theFolder(t, root), before, chained)
			r, _ := openRecord(t, theFolder(t, root))
			for f := range r.Verify() {
				t.Errorf("verify: %s", f)
			}
		})
	}
}

// With a plate that does not answer, the first signal goes on trying, and the
// second gives up: exit 5.
func TestTheSecondSignalGivesUp(t *testing.T) {
	t.Parallel()
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		t.Run(signal.String(), func(t *testing.T) {
			if testing.Short() && signal != syscall.SIGINT {
				t.Skip("one of two")
			}
			t.Parallel()
			s := serve(t)
			p, _ := s.warming("--json")
			here := s.place()
			s.plate.spoil(nil, silence())
			p.cmd.Process.Signal(signal)
			p.says("not safe: plate")
			s.until(here, "plate", "heat", 0) // it heard, and does not say so
			s.until(here, "meter", "output", 0)
			p.cmd.Process.Signal(signal)
			p.exits(exitNotSafe)
			p.expectObject(map[string]any{"outcome": "stopped", "safe": false, "exit": 5.0})
			if !strings.Contains(p.err.String(), loud) {
				t.Errorf("the words %q are missing", loud)
			}
		})
	}
}

// A terminal that hangs up is noted, and nothing more.
func TestTheTerminalHangsUp(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	p.cmd.Process.Signal(syscall.SIGHUP)
	folder := theFolder(t, root)
	wait(t, "the note", func() bool { return strings.Contains(read(t, filepath.Join(folder, "events.jsonl")), "hung up") })
	s.goesOn(folder)
	p.cmd.Process.Signal(syscall.SIGTERM)
	p.exits(exitStopped)
	s.expectOff()
}

// goesOn expects more readings, and heat and output still on.
func (s *served) goesOn(folder string) {
	s.t.Helper()
	before := acknowledged(s.t, folder)
	wait(s.t, "more readings", func() bool { return acknowledged(s.t, folder) > before+5 })
	if !s.on("plate", "heat") || !s.on("meter", "output") {
		s.t.Errorf("heat or output has gone off; the journal ends %+v", s.tail())
	}
}

// Whoever read what the run says has left, as in `dwell run … 2>&1 | head -1`: the
// run goes on, and ends as it should.
func TestTheReaderLeaves(t *testing.T) {
	t.Parallel()
	s := serve(t)
	root := t.TempDir()
	p := ready(t, s.arguments("warm.yaml", root)...)
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p.cmd.Stdout, p.cmd.Stderr = to, to
	p.start()
	to.Close()
	from.SetReadDeadline(time.Now().Add(patience))
	if line, err := bufio.NewReader(io.TeeReader(from, p.err)).ReadString('\n'); err != nil {
		t.Fatalf("%q: %v", line, err)
	}
	from.Close()
	s.underWay(root)
	s.goesOn(theFolder(t, root))
	p.cmd.Process.Signal(syscall.SIGINT)
	p.exits(exitStopped)
	s.expectOff()
}
