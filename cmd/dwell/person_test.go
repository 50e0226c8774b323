//go:build unix

package main

import (
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// onTerminal runs a dwell on a terminal of its own, and returns the end at which a
// person sits.
func onTerminal(t *testing.T, environment []string, args ...string) (p *process, person *os.File) {
	t.Helper()
	p = ready(t, args...)
	p.cmd.Stdout, p.cmd.Stderr = nil, nil
	p.cmd.Env = append(p.cmd.Env, append([]string{"TERM=xterm", "NO_COLOR="}, environment...)...)
	person, err := pty.StartWithSize(p.cmd, &pty.Winsize{Rows: 40, Cols: 200})
	if err != nil {
		t.Fatal(err)
	}
	shown := make(chan struct{})
	go func() {
		io.Copy(p.err, person) // ends with an error when nobody has the other end any more
		close(shown)
	}()
	p.watch(shown)
	return p, person
}

// types types a line.
func types(t *testing.T, person *os.File, line string) {
	t.Helper()
	if _, err := person.WriteString(line); err != nil {
		t.Fatal(err)
	}
}

var (
	colour  = regexp.MustCompile("\x1b\\[[0-9;]*m")
	warm    = regexp.MustCompile(`plate\.temperature +[1-9][0-9](\.[0-9])? degC`)
	redrawn = regexp.MustCompile("\x1b\\[[0-9]+A")
)

// A person answers at the terminal, watches, and stops with the key.
func TestAPersonAtTheTerminal(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name             string
		environment      []string
		colour, redrawn_ bool
	}{
		{"as it is", nil, true, true},
		{"no colour", []string{"NO_COLOR=1"}, false, true},
		{"dumb", []string{"TERM=dumb"}, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := serve(t)
			root := t.TempDir()
			p, person := onTerminal(t, c.environment, s.unconfirmed(root)...)
			p.says("type the id of the specimen")
			if s.on("meter", "output") || s.on("plate", "heat") {
				t.Error("something is on before the question is answered")
			}
			types(t, person, "LC-07\n")
			s.underWay(root)
			if c.redrawn_ {
				p.says("stop with Ctrl-C")
				wait(t, "a temperature", func() bool { return warm.MatchString(p.err.String()) })
			} else {
				p.says("step 3 bring")
			}
			types(t, person, "\x03")
			p.exits(exitStopped)
			s.expectOff()
			p.says("confirmed")
			text := p.err.String()
			if got := colour.MatchString(text); got != c.colour {
				t.Errorf("colour: %v, expected %v", got, c.colour)
			}
			if got := redrawn.MatchString(text); got != c.redrawn_ {
				t.Errorf("redrawn: %v, expected %v", got, c.redrawn_)
			}
			if strings.Contains(text, "\x1b") && !c.colour && !c.redrawn_ {
				t.Error("an escape on a dumb terminal")
			}
		})
	}
}

// unconfirmed is a run that asks for the specimen.
func (s *served) unconfirmed(root string) []string {
	args := s.arguments("warm.yaml", root)
	return args[:len(args)-2]
}

// Another specimen than the protocol's is refused, and nothing is switched on.
func TestThePersonHasAnotherSpecimen(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := onTerminal(t, nil, s.unconfirmed(t.TempDir())...)
	p.says("type the id of the specimen on the bench, then press Enter")
	types(t, person, "LC-80\n")
	p.says("try 2 of 3")
	types(t, person, "LC-\n")
	p.says("try 3 of 3")
	if strings.Contains(p.err.String(), "LC-07") {
		t.Error("it says what it wants to hear")
	}
	types(t, person, "LC-08\n")
	p.exits(exitTripped)
	if text := p.err.String(); !strings.Contains(text, `"LC-08"`) || !strings.Contains(text, `"LC-07"`) {
		t.Error("it does not name both")
	}
	s.expectNeverOn()
}

// A slip of the fingers is no other specimen.
func TestTheIdMistyped(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := onTerminal(t, nil, s.unconfirmed(t.TempDir())...)
	p.says("type the id of the specimen")
	types(t, person, "LC-7\n")
	p.says("try 2 of 3")
	types(t, person, "LC-07\n")
	s.until(0, "meter", "output", 1)
	types(t, person, "\x03")
	p.exits(exitStopped)
}

// A person is told how to answer, when to leave the specimen alone, and that an answer
// to no question is none.
func TestThePersonIsTold(t *testing.T) {
	t.Parallel()
	s := serve(t)
	protocol := write(t, filepath.Join(t.TempDir(), "told.yaml"), told)
	p, person := onTerminal(t, nil, s.arguments(protocol, t.TempDir())...)
	p.says("fasten the clip (press Enter when that is done)")
	types(t, person, "\n")
	p.says("leave the specimen where it is for 10 s")
	types(t, person, "\n")
	p.says("nothing is asked now")
	if strings.Contains(p.err.String(), "press Enter at that moment") {
		t.Fatal("it asks before it has read the specimen at rest")
	}
	p.says("take the specimen off the plate, to air, and press Enter at that moment")
	types(t, person, "\x03")
	p.exits(exitStopped)
	s.expectOff()
}

const told = `
format: 1
title: Something to be told
record: {plate.temperature: 500 ms, foil.temperature: 500 ms, element.resistance: 500 ms}
ends: {at most: 10 min}
steps:
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - ask: fasten the clip
  - lift: {to: air, t0: {onset of: foil.temperature}}
`

func (s *served) expectNeverOn() {
	s.t.Helper()
	for _, e := range s.said() {
		if e.is("plate", "heat", 1) || e.is("meter", "output", 1) {
			s.t.Errorf("switched on: %+v", e)
		}
	}
}

// There is nobody to ask.
func TestNobodyToAsk(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p := start(t, s.unconfirmed(t.TempDir())...)
	p.exits(exitFailed)
	if !strings.Contains(p.err.String(), "there is nobody to ask") {
		t.Error("it does not say so")
	}
	s.expectNeverOn()
}

// Ctrl-C while a question is open.
func TestStoppedWhileAsking(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := onTerminal(t, nil, s.unconfirmed(t.TempDir())...)
	p.says("type the id of the specimen")
	types(t, person, "\x03")
	p.exits(exitStopped)
	s.expectNeverOn()
}

// What was typed before a question is no answer to it.
func TestTypedTooEarly(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := onTerminal(t, nil, s.unconfirmed(t.TempDir())...)
	types(t, person, "LC-08\n")
	p.says("type the id of the specimen")
	types(t, person, "LC-07\n")
	s.until(0, "plate", "heat", 1)
	types(t, person, "\x03")
	p.exits(exitStopped)
	s.expectOff()
}
