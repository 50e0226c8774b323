//go:build unix

package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/sequence"

	"github.com/creack/pty"
)

// seenScreen is what a terminal shows after it was sent some bytes: the little of one
// that the panel uses, by ECMA-48. Reversed are the lines that stand out.
type seenScreen struct {
	columns, rows int
	lines         [][]rune
	reversed      map[int]bool
	row, column   int
	reverse       bool
}

func seen(columns, rows int, bytes string) *seenScreen {
	s := &seenScreen{columns: columns, rows: rows, lines: [][]rune{nil}, reversed: map[int]bool{}}
	text := []rune(bytes)
	for i := 0; i < len(text); i++ {
		switch r := text[i]; {
		case r == '\r':
			s.column = 0
		case r == '\n':
			s.down()
		case r == '\x1b' && i+1 < len(text) && text[i+1] == '[':
			end := i + 2
			for end < len(text) && (text[end] < 0x40 || text[end] > 0x7e) {
				end++
			}
			if end < len(text) {
				s.control(string(text[i+2:end]), text[end])
			}
			i = end
		case r >= ' ':
			s.put(r)
		}
	}
	return s
}

func (s *seenScreen) down() {
	if s.row++; s.row == len(s.lines) {
		s.lines = append(s.lines, nil)
	}
}

func (s *seenScreen) put(r rune) {
	if s.column == s.columns {
		s.column = 0
		s.down()
	}
	line := s.lines[s.row]
	for len(line) <= s.column {
		line = append(line, ' ')
	}
	line[s.column] = r
	s.lines[s.row] = line
	s.column++
	if s.reverse {
		s.reversed[s.row] = true
	}
}

func (s *seenScreen) control(parameters string, final rune) {
	switch final {
	case 'A':
		n := 1
		fmt.Sscan(parameters, &n)
		s.row = max(s.row-n, len(s.lines)-s.rows, 0)
	case 'K':
		s.rub()
	case 'J':
		s.rub()
		for i := s.row + 1; i < len(s.lines); i++ {
			delete(s.reversed, i)
		}
		s.lines = s.lines[:s.row+1]
	case 'm':
		s.reverse = strings.HasPrefix(parameters, "7")
	}
}

func (s *seenScreen) rub() {
	s.lines[s.row] = s.lines[s.row][:min(s.column, len(s.lines[s.row]))]
	if s.column == 0 {
		delete(s.reversed, s.row)
	}
}

func (s *seenScreen) String() string {
	var b strings.Builder
	for _, line := range s.lines {
		b.WriteString(strings.TrimRight(string(line), " ") + "\n")
	}
	return b.String()
}

// line is the place of the last line that contains words, or -1.
func (s *seenScreen) line(words string) int {
	for i := len(s.lines) - 1; i >= 0; i-- {
		if strings.Contains(string(s.lines[i]), words) {
			return i
		}
	}
	return -1
}

// Whatever a person types into a running screen leaves nothing behind, on a narrow
// terminal, on one that is made narrower still, and without anything being switched
// off that would have to be switched on again.
func TestTypingIntoTheScreen(t *testing.T) {
	t.Parallel()
	s := serve(t)
	root := t.TempDir()
	p, person := onTerminal(t, nil, s.arguments("warm.yaml", root)...)
	show := func(columns uint16) func() *seenScreen {
		pty.Setsize(person, &pty.Winsize{Rows: 24, Cols: columns})
		from := len(p.err.String())
		wait(t, "another picture", func() bool { return strings.Count(p.err.String()[from:], "stop with Ctrl-C") > 3 })
		return func() *seenScreen { return seen(int(columns), 24, p.err.String()) }
	}
	s.underWay(root)
	screen := show(60)
	for range 5 {
		types(t, person, "\n")
		types(t, person, strings.Repeat("nobody asked ", 8)+"\n") // longer than a line
		from := len(p.err.String())
		wait(t, "another picture", func() bool { return strings.Count(p.err.String()[from:], "stop with Ctrl-C") > 2 })
	}
	wait(t, "a clean picture", func() bool {
		text := screen().String()
		text = text[:strings.LastIndex(text, "\n")]
		return strings.Count(text, "stop with Ctrl-C") == 1 && strings.Count(text, "readings") == 1 &&
			strings.Count(text, "plate.temperature ") == 1
	})
	types(t, person, "\x03")
	p.exits(exitStopped)
	if text := screen().String(); strings.Contains(text, "stop with Ctrl-C") {
		t.Errorf("the block is still there:\n%s", text)
	}
}

// While the rig is not confirmed safe the block is the alarm: first, reversed, in
// words: which instrument, what may be on, since when, how often it was tried.
func TestTheAlarmOnTheScreen(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name        string
		environment []string
		reversed    bool
	}{{"as it is", nil, true}, {"no colour", []string{"NO_COLOR=1"}, false}} {
		t.Run(c.name, func(t *testing.T) {
			if testing.Short() && !c.reversed {
				t.Skip("one of two")
			}
			t.Parallel()
			s := serve(t)
			root := t.TempDir()
			p, person := onTerminal(t, c.environment, s.arguments("warm.yaml", root)...)
			s.underWay(root)
			s.plate.cut()
			screen := func() *seenScreen { return seen(200, 40, p.err.String()) }
			wait(t, "an alarm about three tries", func() bool {
				return screen().line(loud) >= 0 && screen().line("3 tries have failed") > screen().line(loud)
			})
			now := screen()
			text, at := now.String(), now.line(loud)
			if now.reversed[at] != c.reversed {
				t.Errorf("the alarm is reversed: %v, expected %v", now.reversed[at], c.reversed)
			}
			if !strings.Contains(string(now.lines[at+1]), "plate: heat MAY BE ON since ") {
				t.Errorf("below the alarm stands %q", string(now.lines[at+1]))
			}
			if n := strings.Count(text, "not safe: plate"); n != 1 {
				t.Errorf("%d lines about the plate above the alarm, expected one", n)
			}
			if !strings.Contains(p.err.String(), "\a") {
				t.Error("it does not ring")
			}
			if strings.Contains(text, "stop with Ctrl-C") || strings.Contains(text, " left, ") {
				t.Errorf("the screen looks as if all were well:\n%s", text)
			}
			if now.line("end it with Ctrl-C, twice") < 0 {
				t.Errorf("it does not say how to end it:\n%s", text)
			}
			person.WriteString("\x03")
			p.says("to stop once more gives up")
			wait(t, "the words to follow", func() bool { return screen().line("end it with Ctrl-C, once more") >= 0 })
			person.WriteString("\x03")
			p.exits(exitNotSafe)
			if text := screen().String(); strings.Count(text, loud) != 1 || !strings.HasSuffix(strings.TrimSpace(text), loud) {
				t.Errorf("it does not end with the alarm, or leaves something of the block:\n%s", text)
			}
		})
	}
}

// On a screen that only scrolls the alarm is said at once, and again at intervals that
// grow and are bounded: in the first half minute six times, however often it is tried.
func TestTheAlarmIsNeitherDrownedNorForgotten(t *testing.T) {
	t.Parallel()
	m := &yamltext.Mistakes{}
	text := strings.Replace(read(t, leafClip+"rig.yaml"), "port: twin", `port: "serial:/dev/ttyUSB0"`, 1)
	text = strings.Replace(text, "port: twin", `port: "tcp:192.0.2.1:5025"`, 1)
	r := rig.Load(yamltext.Parse("rig.yaml", []byte(text), m), nil, m)
	if m.Len() > 0 {
		m.Print(os.Stderr)
		t.Fatal("the rig")
	}
	a := newAlarm(rig.Unopened(clock.Wall(0), r, ""), clock.Today(), 0)
	a.hear(drivers.Evidence{Instrument: "meter", Grade: drivers.Direct})
	var at []clock.Instant
	worth := 0
	for now := clock.Instant(0); now <= 60*clock.Second; now += clock.Second / 4 {
		if a.hear(drivers.Evidence{Instrument: "plate", Text: "no answer"}) {
			worth++
		}
		if now == 40*clock.Second { // it says that it is off, and has yet to be seen to cool: the alarm stays
			a.hear(drivers.Evidence{Instrument: "plate", Grade: drivers.Indirect})
		}
		if line := a.again(now); line != "" {
			at = append(at, now/clock.Second)
			if strings.Contains(line, "meter") || !strings.Contains(line, "plate: heat MAY BE ON since ") {
				t.Errorf("it says %q", line)
			}
		}
	}
	if got := fmt.Sprint(at); got != "[0 1 3 8 18 28 38 48 58]" {
		t.Errorf("said after %s s", got)
	}
	if worth != 1 {
		t.Errorf("%d attempts are worth a line of their own, expected the first", worth)
	}
	a.hear(drivers.Evidence{Instrument: "plate", Grade: drivers.Indirect})
	if !a.on() {
		t.Error("the alarm has ended before the plate was seen to cool")
	}
	if line := a.again(61 * clock.Second); line != "" {
		t.Errorf("it says %q too soon", line)
	}
	if line := a.again(68 * clock.Second); !strings.HasSuffix(line, "; plate: off (indirect evidence), watching that it cools") {
		t.Errorf("while the plate is watched it says %q", line)
	}
	a.hear(drivers.Evidence{Instrument: "plate", Grade: drivers.Indirect})
	if a.on() {
		t.Error("the alarm goes on though the plate was seen to cool")
	}
}

// A block is taken away whole after its terminal was made narrower, which has broken
// its lines; and nothing is written over what somebody types as an answer.
func TestTheBlockAfterAResize(t *testing.T) {
	t.Parallel()
	p := &panel{x: &execution{speech: &speech{err: &strings.Builder{}}}, drawn: []int{50, 30, 81, 0}, below: []int{0, 95}}
	var b strings.Builder
	p.back(&b, 80)
	if b.String() != "\r\x1b[8A" { // 1 + 1 + 2 + 1 of the block; 1 + 2 typed
		t.Errorf("%q", b.String())
	}
	b.Reset()
	if p.block(&b, nil, 0, false); b.Len() > 0 {
		t.Errorf("it writes %q while there is nothing to say", b.String())
	}
	p.tell("a question")
	if p.block(&b, p.due(0, false), 0, false); b.String() != "\ra question\x1b[K\n\x1b[J" {
		t.Errorf("it writes %q", b.String())
	}
}

// marks is a keeper that tells how far its records are on the disk.
type marks struct {
	keeper
	written, acknowledged logs.Mark
	err                   error
}

func (m *marks) Event([]byte) error      { m.written.Events++; return m.err }
func (m *marks) Written() logs.Mark      { return m.written }
func (m *marks) Acknowledged() logs.Mark { return m.acknowledged }
func (m *marks) Err() error              { return m.err }

// Why a run ends is said once it is on the disk, or when the disk takes too long or is dead, or
// the screen ends.
func TestATripIsOnTheDiskBeforeItIsSaid(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		then  func(m *marks)
		after clock.Instant
		end   bool
		add   string
	}{
		{"written", func(m *marks) { m.acknowledged = m.written }, clock.Millisecond, false, ""},
		{"slow", func(*marks) {}, heldPatience, false, notOnDisk},
		{"dead", func(m *marks) { m.err = errors.New("no space left") }, clock.Millisecond, false, notOnDisk},
		{"over", func(*marks) {}, clock.Millisecond, true, notOnDisk},
	} {
		m := &marks{}
		x := &execution{speech: &speech{err: &strings.Builder{}}}
		p := &panel{x: x}
		x.record = newRecord(clock.Wall(0), m, &rig.Rig{}, p.say)
		event := func(kind, text string) { x.record.Event(sequence.Event{At: clock.Second, Kind: kind, Text: text}) }
		event("warning", "before it")
		event("tripped", "too hot")
		event("warning", "after it")
		if said := p.due(clock.Second, false); len(said) != 1 || !strings.Contains(said[0], "before it") {
			t.Errorf("%s: it says %q before the trip is on the disk", c.name, said)
		}
		if said := p.due(clock.Second, false); len(said) > 0 {
			t.Errorf("%s: then it says %q", c.name, said)
		}
		c.then(m)
		if said := p.due(clock.Second+c.after, c.end); len(said) != 2 || !strings.HasSuffix(said[0], "too hot"+c.add) || !strings.HasSuffix(said[1], "after it") {
			t.Errorf("%s: at last it says %q", c.name, said)
		}
	}
}

// The alarm says of an instrument what is the matter, without its name and its state once
// more.
func TestWhy(t *testing.T) {
	for text, want := range map[string]string{
		"plate is not confirmed safe: plate on tcp:192.0.2.1:5025: cannot be opened: nobody answers there": "tcp:192.0.2.1:5025: cannot be opened: nobody answers there",
		"plate is not confirmed safe: whether it obeyed is not known":                                      "whether it obeyed is not known",
		"the plate still warms": "the plate still warms",
	} {
		if got := why(drivers.Evidence{Instrument: "plate", Text: text}); got != want {
			t.Errorf("%q, expected %q", got, want)
		}
	}
}
