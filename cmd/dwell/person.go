package main

import (
	"bufio"
	"errors"
	"io"
	"strings"

	"dwell/drivers/clock"
)

// keyboard is the person at the bench, through the terminal that started the run.
// One goroutine reads lines for as long as the program lives; nothing waits for it.
type keyboard struct {
	clock   clock.Clock
	show    func(line string)
	echoed  func(line string) // a line was typed: the terminal shows it
	confirm string            // the specimen's id, given beforehand
	lines   chan string
	closed  chan struct{}
	typed   *clock.Event
	answers []string
	asking  bool // a question is open
	told    clock.Instant
	gone    bool // standard input has ended
	over    bool // the run is being stopped
}

// reaction is how well a person's key tells the moment of a hand's movement.
// Common practice, no source.
const reaction = 300 * clock.Millisecond

func newKeyboard(in io.Reader, confirm string, show, echoed func(line string)) *keyboard {
	k := &keyboard{show: show, echoed: echoed, confirm: confirm, lines: make(chan string), closed: make(chan struct{})}
	go func() {
		defer close(k.lines)
		for r := bufio.NewScanner(in); r.Scan(); {
			select {
			case k.lines <- r.Text():
			case <-k.closed:
				return
			}
		}
	}()
	return k
}

// attach lets the person take part in the time of c.
func (k *keyboard) attach(c clock.Clock) {
	k.clock, k.typed = c, clock.NewEvent(c)
	c.Go("keyboard", func() error {
		for {
			var line string
			more := false
			c.Block(func() error {
				select {
				case line, more = <-k.lines:
				case <-k.closed:
				}
				return nil
			})
			if !more {
				k.gone = true
				k.typed.Signal()
				return nil
			}
			k.echoed(line)
			k.unasked()
			k.answers = append(k.answers, line)
			k.typed.Signal()
		}
	})
}

// remindAfter is how long somebody who types into a run is not told again that nothing
// is asked.
const remindAfter = 10 * clock.Second

// unasked says that what was typed answers nothing.
func (k *keyboard) unasked() {
	if now := k.clock.Now(); !k.asking && !k.over && (k.told == 0 || now > k.told+remindAfter) {
		k.told = now
		k.show("nothing is asked now, and what was typed is not kept for later")
	}
}

func (k *keyboard) close() { close(k.closed) }

var errNobody = errors.New("there is nobody to ask (standard input has ended)")

// Ask implements sequence.Person.
func (k *keyboard) Ask(text string, by clock.Instant) (string, error) {
	if strings.HasPrefix(text, "type the id") {
		if k.confirm != "" {
			return k.confirm, nil
		}
		return k.ask(text+", then press Enter", by)
	}
	return k.ask(text+" (press Enter when that is done)", by)
}

func (k *keyboard) ask(text string, by clock.Instant) (string, error) {
	k.answers, k.asking = nil, true
	defer func() { k.asking = false }()
	k.show("person: " + text)
	for len(k.answers) == 0 {
		switch {
		case k.over:
			return "", errors.New("the run was stopped")
		case k.gone:
			return "", errNobody
		}
		came, err := k.typed.Wait(by)
		if err != nil {
			return "", err
		}
		if !came {
			return "", errors.New("no answer in time")
		}
	}
	return strings.TrimSpace(k.answers[0]), nil
}

// Move implements sequence.Person.
func (k *keyboard) Move(to string, by clock.Instant) (at, within clock.Instant, err error) {
	text := "take the specimen off the plate, to " + to
	switch {
	case to == "plate":
		text = "lay the specimen on the plate"
	case to == "flat":
		text = "take the strip off its rod, and lay it flat"
	case strings.HasPrefix(to, "round "):
		text = "lay the strip " + to
	}
	_, err = k.ask(text+", and press Enter at that moment", by)
	return k.clock.Now(), reaction, err
}

// Dismiss implements sequence.Person.
func (k *keyboard) Dismiss() {
	k.over = true
	k.typed.Signal()
}
