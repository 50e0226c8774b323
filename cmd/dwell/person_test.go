//go:build unix

package main

import (
	"io"
	"os"
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
	p.says("type the id of the specimen")
	types(t, person, "LC-08\n")
	p.exits(exitTripped)
	if text := p.err.String(); !strings.Contains(text, `"LC-08"`) || !strings.Contains(text, `"LC-07"`) {
		t.Error("it does not name both")
	}
	s.expectNeverOn()
}

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
