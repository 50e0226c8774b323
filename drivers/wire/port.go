// Package wire is the only place in dwell that moves bytes between the program
// and an instrument. Its unit is the exchange: a request, how to know the end of
// the answer, and a deadline.
//
// A Port has one user at a time (Begin, End) and keeps these promises:
//
//   - Bytes that come late or too many are never taken as the answer to the next
//     question: they are thrown away and recorded. After an answer that did not
//     come in time the port first finds its footing again, with a question whose
//     answer it can recognise; Footing says what is left without one.
//   - Every wait has a deadline. A write that the other side never takes, or a
//     cable that is pulled, ends the exchange with an error that names the port;
//     nothing else waits for it. (A busy computer gets a second for its own part of
//     a write.) A request for which no time is left is not sent.
//   - A lost link is noticed without asking (Lost). Only a socket whose cable is
//     pulled far away looks like silence, for some seconds.
//   - A safe-state command goes ahead of everything (Seize).
//   - Every byte in either direction reaches the record with its time.
//   - After Close nothing is sent any more.
//
// The same Port runs over a serial line, a TCP socket and, in virtual or wall
// time, over a device in this process. The room knows nothing of what the bytes
// mean and must never repeat a request by itself.
package wire

import (
	"bytes"
	"errors"
	"fmt"

	"dwell/drivers/clock"
)

// Line is how the bytes go over a port.
type Line struct {
	Baud     int           // serial only; an in-process device takes its character times from it
	DataBits int           // 7 or 8
	Parity   Parity        //
	StopBits int           // 1 or 2
	Pause    clock.Instant // the least time between the end of one exchange and the next request
}

// Parity of a serial line.
type Parity uint8

// The parities.
const (
	NoParity Parity = iota
	EvenParity
	OddParity
)

// Lasting is how long n characters take on the line, each of a start bit, its data,
// parity and stop bits; nothing on a line without a baud rate.
func (l Line) Lasting(n int) clock.Instant {
	if l.Baud == 0 {
		return 0
	}
	bits := 1 + l.DataBits + l.StopBits
	if l.Parity != NoParity {
		bits++
	}
	return clock.Instant(n*bits) * clock.Second / clock.Instant(l.Baud)
}

// Port is one link to one instrument.
type Port struct {
	name    string
	address string
	clock   clock.Clock
	link    link
	line    Line
	footing Footing
	tap     func(*Exchange)

	turn    *clock.Turn
	seizing int           // how many wait to go ahead of everything
	holding bool          // what is sent may wait for the next request
	urgent  bool          // whoever has the turn went ahead of everything
	hurry   *clock.Event  // ends a pause
	asking  bool          // what arrives belongs to what goes on; otherwise nobody asked
	owes    bool          // an answer may still come
	doubt   bool          // the next answer may be an older question's
	stray   int           // answers to the footing's question that may still come
	between bool          // something else was asked since the first of those
	late    []byte        // the last line that came outside of an exchange, as far as it came
	asked   clock.Instant // when it was asked last
	free    clock.Instant
	request []byte
	reply   []byte
	surplus []byte
	last    Exchange
	lost    error

	playback func(request []byte, by clock.Instant) (*Exchange, error) // of a port to a record
	record   *Recorded                                                 // of one to be carried once more; otherwise nil
}

func newPort(c clock.Clock, name, address string, l link, line Line) *Port {
	return &Port{name: name, address: address, clock: c, link: l, line: line,
		turn: clock.NewTurn(c), hurry: clock.NewEvent(c), free: -clock.Never,
		reply: make([]byte, 0, 256), request: make([]byte, 0, 256)}
}

// Tap hands every exchange, and everything thrown away, to f, which must not wait.
func (p *Port) Tap(f func(*Exchange)) { p.tap = f }

// SetFooting tells the port how to find its footing; an empty one waits for
// silence only.
func (p *Port) SetFooting(f Footing) { p.footing = f }

// Name is the instrument's name in the rig.
func (p *Port) Name() string { return p.name }

func (p *Port) String() string { return p.name + " on " + p.address }

// Begin waits for the port and keeps it until End.
func (p *Port) Begin(by clock.Instant) error {
	if err := p.turn.Take(by); err != nil {
		return fmt.Errorf("%s: %w", p, err)
	}
	return nil
}

// Seize is Begin for making safe: it ends the exchange that is under way and goes
// ahead of everybody, but does not cut short another who makes safe. What comes
// back afterwards is not trusted until the port has found its footing. Whoever has
// the port already may seize it too; one End is enough then.
func (p *Port) Seize(by clock.Instant) error {
	if !p.turn.Mine() {
		p.seizing++
		if !p.urgent {
			p.link.interrupt()
			p.hurry.Signal()
		}
		err := p.turn.Urgently(by)
		p.seizing--
		if err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
	}
	p.urgent, p.owes = true, true
	return nil
}

// cut tells whether what goes on must make way for a safe-state command.
func (p *Port) cut() bool { return p.seizing > 0 && !p.urgent }

// End gives the port to the next.
func (p *Port) End() {
	if p.turn.Mine() {
		p.urgent = false
		if p.record != nil {
			p.record.midway = false
		}
		p.turn.Give()
	}
}

// Free is when the last exchange ended, from which the pause before the next one
// counts; Rest says so of an exchange that was made before this port was opened, by
// a run that goes on here.
func (p *Port) Free() clock.Instant { return p.free }

// Rest is described with Free.
func (p *Port) Rest(free clock.Instant) { p.free = free }

// Lost is the error that ended the link, nil while it stands. It needs no exchange
// to know: look at every poll.
func (p *Port) Lost() error {
	if p.lost == nil {
		return nil
	}
	return &Error{Port: p.String(), Ended: LinkLost, Cause: p.lost}
}

// Exchange sends a request and waits for its answer. The result is valid until
// the next exchange on this port. After an error of *Error with another request
// than this one, this one has not been sent.
func (p *Port) Exchange(request []byte, end Framing, by clock.Instant) (*Exchange, error) {
	if p.playback != nil {
		return p.played(request, by)
	}
	if !p.turn.Mine() {
		return &Exchange{Port: p.name, Request: request, Ended: NotTaken},
			fmt.Errorf("%s: %q sent by somebody who does not have the port", p, request)
	}
	if p.owes && p.lost == nil {
		if err := p.findFooting(by); err != nil {
			return p.unsent(request), fmt.Errorf("%q not sent: %w", request, err)
		}
	}
	return p.exchange(request, end, false, by)
}

// unsent is an exchange that came to nothing, since the port found no footing.
func (p *Port) unsent(request []byte) *Exchange {
	now := p.clock.Now()
	p.request = append(p.request[:0], request...)
	p.last = Exchange{Port: p.name, Request: p.request, Sent: now, Last: now}
	ended := NotTaken
	switch {
	case p.lost != nil:
		ended = LinkLost
	case p.cut():
		ended = CutShort
	}
	p.finish(&p.last, ended, nil)
	return &p.last
}

// exchange is one request and its answer; strict is for the footing's question.
func (p *Port) exchange(request []byte, end Framing, strict bool, by clock.Instant) (*Exchange, error) {
	x := &p.last
	p.request = append(p.request[:0], request...)
	*x = Exchange{Port: p.name, Request: p.request, Reply: p.reply[:0]}
	err := p.pause(by)
	x.Sent = p.clock.Now()
	x.Last = x.Sent
	if err != nil {
		return p.failed(x, err)
	}
	switch {
	case p.lost != nil:
		return p.fail(x, LinkLost, p.lost)
	case p.cut():
		return p.fail(x, CutShort, nil)
	case x.Sent >= by || x.Sent+p.line.Lasting(len(request)) > by:
		return p.fail(x, NotTaken, errNoTime)
	}
	p.discard()
	p.asking, p.late = true, p.late[:0]
	if p.own(request) {
		p.between = p.between && p.stray > 0
		p.stray, p.asked = p.stray+1, x.Sent
	} else {
		p.between = true
	}
	send := p.link.send
	if p.holding {
		send = p.link.hold
	}
	left, err := send(p.request, by)
	if err != nil {
		return p.failed(x, err)
	}
	x.Last = left
	if end == nil {
		p.finish(x, NoAnswerDue, nil)
		return x, nil
	}
	return p.receive(x, end, strict, by)
}

var errNoTime = errors.New("no time was left to send it")

// pause keeps the least time between commands.
func (p *Port) pause(by clock.Instant) error {
	if p.line.Pause == 0 || p.free < 0 {
		return nil
	}
	until := min(p.free.After(p.line.Pause), by)
	for p.lost == nil && !p.cut() && p.clock.Now() < until {
		if _, err := p.hurry.Wait(until); err != nil {
			return err
		}
	}
	return nil
}

// receive waits for the end of the reply. Complete replies that answer something
// else are thrown away.
func (p *Port) receive(x *Exchange, end Framing, strict bool, by clock.Instant) (*Exchange, error) {
	for {
		reply, at, err := p.link.receive(x.Reply, by)
		x.Reply, p.reply = reply, reply
		if err != nil {
			return p.failed(x, err)
		}
		if at != clock.Never {
			if x.First == 0 {
				x.First = at
			}
			x.Last = at
		}
		for n := end(x.Reply); 0 < n && n <= len(x.Reply); n = end(x.Reply) {
			if p.belongs(x, x.Reply[:n], strict) {
				return p.answered(x, n, by)
			}
			p.unasked(x.Reply[:n], at)
			x.Reply = append(x.Reply[:0], x.Reply[n:]...)
			if x.First = 0; len(x.Reply) > 0 {
				x.First = at
			}
		}
		switch {
		case p.cut():
			return p.fail(x, CutShort, nil)
		case p.clock.Now() >= by:
			return p.fail(x, NoAnswer, nil)
		case len(x.Reply) > mostReply:
			return p.fail(x, NoAnswer, errNoEnd)
		}
	}
}

// mostReply bounds what a babbling line can make us keep. The longest answers of
// the instruments here are a few kilobytes.
const mostReply = 64 << 10

var errNoEnd = fmt.Errorf("more than %d bytes without an end", mostReply)

// answered ends an exchange whose answer is the first n bytes of what came.
func (p *Port) answered(x *Exchange, n int, by clock.Instant) (*Exchange, error) {
	if p.doubt {
		if err := p.alone(x, n, by); err != nil {
			return p.failed(x, err)
		}
	}
	surplus := x.Reply[n:]
	x.Reply = x.Reply[:n]
	p.finish(x, Answered, surplus)
	return x, nil
}

// finish closes the book on an exchange and throws away what came with its reply.
func (p *Port) finish(x *Exchange, ended Ending, surplus []byte) {
	x.Ended = ended
	if p.asking {
		p.free = x.Last
	}
	if p.tap != nil {
		p.tap(x)
	}
	p.throwAway(surplus, x.Last)
	p.discard()
	p.asking = false
}

// failed finds the ending that belongs to an error of the link or the clock.
func (p *Port) failed(x *Exchange, err error) (*Exchange, error) {
	switch {
	case errors.Is(err, clock.ErrEnded):
		x.Last = p.clock.Now()
		p.finish(x, CutShort, nil)
		return x, err
	case errors.Is(err, errCutShort):
		return p.fail(x, CutShort, nil)
	case errors.Is(err, errTwoAnswers), errors.Is(err, errNotAlone):
		return p.fail(x, NoAnswer, err)
	case errors.Is(err, errNotTaken):
		p.broke(err)
		return p.fail(x, NotTaken, err)
	default:
		p.broke(err)
		return p.fail(x, LinkLost, err)
	}
}

func (p *Port) fail(x *Exchange, ended Ending, cause error) (*Exchange, error) {
	x.Last = p.clock.Now()
	if p.asking && (ended == NoAnswer || ended == CutShort) {
		p.owes = true
		p.late = append(p.late[:0], x.Reply...)
	}
	err := &Error{Port: p.String(), Request: bytes.Clone(x.Request), Reply: bytes.Clone(x.Reply), Ended: ended, Cause: cause}
	p.finish(x, ended, nil)
	return x, err
}

// discard throws away what has arrived and belongs to nothing.
func (p *Port) discard() {
	for {
		var at clock.Instant
		if p.surplus, at = p.link.take(p.surplus[:0]); at == clock.Never {
			return
		}
		p.throwAway(p.surplus, at)
	}
}

// throwAway records what nobody waits for any more. A late answer to the footing's
// question does not come any more then.
func (p *Port) throwAway(b []byte, at clock.Instant) {
	p.unasked(b, at)
	if p.stray == 0 || !p.footing.asks() {
		return
	}
	p.late = append(p.late, b...)
	for n := p.footing.End(p.late); 0 < n && n <= len(p.late); n = p.footing.End(p.late) {
		if p.stray > 0 && p.footing.Answer(p.late[:n]) {
			p.stray--
		}
		p.late = append(p.late[:0], p.late[n:]...)
	}
	if len(p.late) > mostReply {
		p.late = p.late[:0]
	}
}

func (p *Port) unasked(b []byte, at clock.Instant) {
	if len(b) > 0 && p.tap != nil {
		p.tap(&Exchange{Port: p.name, Reply: b, Sent: at, First: at, Last: at, Ended: Unasked})
	}
}

// heard takes what a line brings, if nobody waits for it.
func (p *Port) heard(b []byte, at clock.Instant) bool {
	if !p.asking {
		p.throwAway(b, at)
	}
	return !p.asking
}

// broke notes that the link has failed; an exchange that is under way records it.
func (p *Port) broke(cause error) {
	if p.lost != nil {
		return
	}
	p.lost = cause
	p.hurry.Signal()
	if !p.asking && p.tap != nil {
		now := p.clock.Now()
		p.tap(&Exchange{Port: p.name, Sent: now, Last: now, Ended: LinkLost})
	}
}

// Close gives up the link. A line that does not let go of a write is left open to
// itself, with an error that says so: to wait for it could take for ever.
func (p *Port) Close() error {
	if p.lost == nil {
		p.lost = errClosed
	}
	p.hurry.Signal()
	if err := p.link.close(); err != nil {
		return fmt.Errorf("%s: %w", p, err)
	}
	return nil
}
