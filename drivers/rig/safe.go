package rig

import (
	"errors"
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// mostAttempts bounds how often Safe tries within its deadline; whoever calls it
// tries again.
const mostAttempts = 3

// Safe switches off whatever puts energy into the world, and reads that back. It
// asks no judge and needs no state: it works after half a command, with late answers
// on the line, with an instrument that was reset, and over a link that has to be
// opened again. First it sends everything, waiting for nothing, so that an
// instrument that hears but does not speak is switched off all the same; then it
// finds its footing, sends again and asks for evidence.
func (i *Instrument) Safe(by clock.Instant) (drivers.Evidence, error) {
	i.memory = Memory{Who: i.memory.Who, Known: make([]Known, len(i.p.Sets)), Armed: i.memory.Armed}
	defer i.retime()
	e := drivers.Evidence{Instrument: i.about.Name}
	var err error
	for range mostAttempts {
		e.Grade, e.Text, err = i.attempt(by)
		e.At = i.clock.Now()
		if err == nil {
			return e, i.disarm(&e, by)
		}
		if errors.Is(err, clock.ErrEnded) || e.At >= by {
			break
		}
	}
	return e, fmt.Errorf("%s is not confirmed safe: %w", i.about.Name, err)
}

func (i *Instrument) attempt(by clock.Instant) (drivers.Grade, string, error) {
	if i.port.Lost() != nil {
		if err := i.reopen(by); err != nil {
			return drivers.Unconfirmed, "", err
		}
	}
	if len(i.p.Safe) == 0 {
		return drivers.Direct, "there is nothing in it to switch off", nil
	}
	if err := i.shout(by); err != nil {
		return drivers.Unconfirmed, "", err
	}
	if err := i.port.Seize(by); err != nil { // nothing that comes is trusted yet
		return drivers.Unconfirmed, "", err
	}
	grade, text := drivers.Unconfirmed, ""
	err := i.recognise(by)
	if err == nil {
		grade, text, err = i.prove(min(by, i.clock.Now().After(i.proofTime())))
	}
	if err != nil {
		err = fmt.Errorf("everything that makes it safe was sent once without waiting for an answer, and whether it obeyed is not known: %w", err)
	}
	return grade, text, err
}

// instant is the shortest silence, for a port that is to wait for none.
const instant = clock.Instant(1)

// shout sends everything that makes safe, whether anything is answered or not. A byte that
// is obeyed at once goes out in the middle of a half line; before a command whatever stands
// on the line is ended.
func (i *Instrument) shout(by clock.Instant) error {
	i.port.SetFooting(wire.Footing{Quiet: instant})
	defer i.port.SetFooting(i.footing())
	ended := false
	for _, a := range i.p.Safe {
		for _, words := range a.Send {
			if !ended && !i.atOnce(words) {
				ended = true
				i.port.SetFooting(wire.Footing{Clear: i.p.Footing.Clear, Hurried: true, Quiet: instant})
				if err := i.port.Seize(by); err != nil {
					return err
				}
			}
			if _, err := i.port.Exchange(words, nil, by); err != nil {
				return err
			}
		}
		if err := i.settle(a.After, by); err != nil {
			return err
		}
	}
	return nil
}

// prove sends everything again, with its answers, and asks for the evidence. The
// grade is that of the weakest piece.
func (i *Instrument) prove(by clock.Instant) (drivers.Grade, string, error) {
	grade := drivers.Direct
	var said []string
	for _, a := range i.p.Safe {
		for _, words := range a.Send {
			err := i.tell(words, i.p.Answer, "", min(by, i.clock.Now().After(i.footingTime()+i.patience(words))))
			if err != nil && !onlyUnanswered(err, words) {
				return drivers.Unconfirmed, strings.Join(said, "; "), err
			}
			said = append(said, fmt.Sprintf("sent %q", words))
		}
		if err := i.settle(a.After, by); err != nil {
			return drivers.Unconfirmed, strings.Join(said, "; "), err
		}
		if a.Back == nil {
			continue
		}
		text, x, err := i.value(a.Back, 0, by)
		if err != nil {
			return drivers.Unconfirmed, strings.Join(said, "; "), err
		}
		ok := false
		for _, accepted := range a.Expect {
			ok = ok || same(text, accepted, a.Within)
		}
		said = append(said, fmt.Sprintf("asked %q, answered %q", x.Request, x.Reply))
		if !ok {
			return drivers.Unconfirmed, strings.Join(said, "; "), i.bad(x, fmt.Errorf("expected %s", strings.Join(a.Expect, " or ")))
		}
		grade = min(grade, a.Grade)
	}
	return grade, strings.Join(said, "; "), nil
}

// footingTime is how long the port may take to find its footing: two silences, a
// question, and a third silence.
func (i *Instrument) footingTime() clock.Instant {
	ask := i.p.Footing.Ask.Ask
	return 3*i.p.Footing.Quiet + i.patience(ask) + i.p.Line.Pause
}

// proofTime is how long a proof may take: a footing, every command and every answer,
// one of them asked for twice.
func (i *Instrument) proofTime() clock.Instant {
	t := i.footingTime()
	for _, a := range i.p.Safe {
		for _, words := range a.Send {
			t += i.patience(words)
		}
		if a.Back != nil {
			t += 2 * i.patience(a.Back.Ask)
		}
		t += a.After
	}
	return t
}

// settle waits until the instrument has done what it was told.
func (i *Instrument) settle(lasting, by clock.Instant) error {
	if lasting == 0 {
		return nil
	}
	return i.clock.Sleep(min(by, i.clock.Now().After(lasting)))
}

// disarm stops the watchdog, once the instrument is known to be safe. That it could
// not be stopped leaves the instrument as safe as it was.
func (i *Instrument) disarm(e *drivers.Evidence, by clock.Instant) error {
	if !i.memory.Armed {
		return nil
	}
	i.memory.Armed = false
	if err := i.order(i.p.Watchdog.Disarm, by); err != nil {
		if errors.Is(err, clock.ErrEnded) {
			return err
		}
		e.Text += "; its watchdog could not be stopped and will report a fault: " + err.Error()
	}
	return nil
}

// reopen replaces a link that is lost. The old one goes first: many instruments take
// one connection only.
func (i *Instrument) reopen(by clock.Instant) error {
	old := i.port
	closing := old.Close()
	fresh, err := i.open(by)
	if err != nil {
		return errors.Join(err, closing)
	}
	if err := fresh.Seize(by); err != nil {
		return errors.Join(err, fresh.Close())
	}
	fresh.SetFooting(i.footing())
	i.port, i.doubted = fresh, true
	old.End()
	return nil
}

// identityTime is how long it may take to be sure who is there: asked twice.
func (i *Instrument) identityTime() clock.Instant {
	return i.footingTime() + 2*i.patience(i.p.Identity.Ask) + i.p.Footing.Quiet
}

// recognise makes sure that a link which was opened again leads to the instrument that
// was identified before: the name of a port may be another's by now. Where there is
// nothing to compare with (a process that only makes safe has not met the instrument; two
// of a kind say the same of themselves; a status is no name) the profile's pattern holds.
func (i *Instrument) recognise(by clock.Instant) error {
	if !i.doubted || i.memory.Who == "" || i.p.Identity.Style == EchoAndValue {
		return nil
	}
	who, err := i.identity(min(by, i.clock.Now().After(i.identityTime())))
	if err != nil {
		return err
	}
	if who != i.memory.Who {
		return fmt.Errorf("another instrument is at its port since the link was lost: %q, and it was %q", who, i.memory.Who)
	}
	i.doubted = false
	return nil
}
