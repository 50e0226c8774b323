// Package wire is the only place in dwell that moves bytes between the program
// and an instrument. Its unit is the exchange: a request, how to know the end of
// the answer, and a deadline.
//
// A Port has one user at a time (Begin, End) and keeps these promises:
//
//   - Bytes that come late or too many are never taken as the answer to the next
//     question: they are thrown away and recorded. After an answer that did not
//     come in time the port first finds its footing again with a question whose
//     answer it can recognise.
//   - Every wait has a deadline. A write that the other side never takes, or a
//     cable that is pulled, ends the exchange with an error that names the port;
//     nothing else waits for it.
//   - A safe-state command goes ahead of everything (Seize).
//   - Every byte in either direction reaches the record with its time.
//
// The same Port runs over a serial line, a TCP socket and, in virtual or wall
// time, over a device in this process. The room knows nothing of what the bytes
// mean and must never repeat a request by itself.
package wire

import (
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

// character is how long one takes on the line: start, data, parity, stop bits.
func (l Line) character() clock.Instant {
	if l.Baud == 0 {
		return 0
	}
	bits := 1 + l.DataBits + l.StopBits
	if l.Parity != NoParity {
		bits++
	}
	return clock.Instant(bits) * clock.Second / clock.Instant(l.Baud)
}

// Footing is how a port makes sure that the next answer belongs to the next
// question, after one that did not come in time.
type Footing struct {
	Clear    []byte                  // sent first, if not empty: ends a half line, clears the device
	Question []byte                  // a question that changes nothing
	End      Framing                 // of its answer
	Answer   func(reply []byte) bool // recognises it
	Quiet    clock.Instant           // silence on the line that counts as nothing more to come
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
	seizing int  // how many wait to go ahead of everything
	owes    bool // an answer may still come
	free    clock.Instant
	request []byte
	reply   []byte
	surplus []byte
	last    Exchange
	lost    error
}

func newPort(c clock.Clock, name, address string, l link, line Line) *Port {
	return &Port{name: name, address: address, clock: c, link: l, line: line, turn: clock.NewTurn(c),
		reply: make([]byte, 0, 256), request: make([]byte, 0, 256)}
}

// Tap hands every exchange, and everything thrown away, to f.
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
// ahead of everybody. What comes back afterwards is not trusted until the port has
// found its footing.
func (p *Port) Seize(by clock.Instant) error {
	p.seizing++
	p.link.interrupt()
	err := p.turn.Urgently(by)
	p.seizing--
	if err != nil {
		return fmt.Errorf("%s: %w", p, err)
	}
	p.owes = true
	return nil
}

// End gives the port to the next.
func (p *Port) End() { p.turn.Give() }

// Lost is the error that ended the link, nil while it stands.
func (p *Port) Lost() error { return p.lost }

// Exchange sends a request and waits for its answer. The result is valid until
// the next exchange on this port.
func (p *Port) Exchange(request []byte, end Framing, by clock.Instant) (*Exchange, error) {
	if !p.turn.Mine() {
		return nil, fmt.Errorf("%s: %q sent by somebody who does not have the port", p, request)
	}
	if p.owes {
		if err := p.findFooting(by); err != nil {
			return &p.last, err
		}
	}
	p.discard()
	return p.exchange(request, end, nil, by)
}

// exchange is one request and the first answer that accept takes, or the first at
// all if accept is nil.
func (p *Port) exchange(request []byte, end Framing, accept func([]byte) bool, by clock.Instant) (*Exchange, error) {
	x := &p.last
	p.request = append(p.request[:0], request...)
	*x = Exchange{Port: p.name, Request: p.request, Reply: p.reply[:0]}
	if err := p.pause(); err != nil {
		return x, err
	}
	x.Sent = p.clock.Now()
	x.First, x.Last = 0, x.Sent
	if p.lost != nil {
		return p.fail(x, LinkLost, p.lost)
	}
	left, err := p.link.send(p.request, by)
	if err != nil {
		return p.failed(x, err)
	}
	x.Last = left
	if end == nil {
		x.Ended = NoAnswerDue
		p.finish(x)
		return x, nil
	}
	return p.receive(x, end, accept, by)
}

// pause keeps the least time between commands.
func (p *Port) pause() error {
	if p.line.Pause == 0 || p.free == 0 {
		return nil
	}
	return p.clock.Sleep(p.free + p.line.Pause)
}

// receive waits for the end of the reply. Complete replies that accept does not
// take answer something older, and are thrown away.
func (p *Port) receive(x *Exchange, end Framing, accept func([]byte) bool, by clock.Instant) (*Exchange, error) {
	for {
		if p.seizing > 0 {
			return p.fail(x, CutShort, nil)
		}
		reply, at, err := p.link.receive(x.Reply, by)
		x.Reply, p.reply = reply, reply
		if err != nil {
			return p.failed(x, err)
		}
		if at == clock.Never {
			if p.seizing > 0 {
				return p.fail(x, CutShort, nil)
			}
			return p.fail(x, NoAnswer, nil)
		}
		if x.First == 0 {
			x.First = at
		}
		x.Last = at
		for n := end(x.Reply); n > 0; n = end(x.Reply) {
			if accept == nil || accept(x.Reply[:n]) {
				p.surplus = append(p.surplus[:0], x.Reply[n:]...)
				x.Reply, x.Ended = x.Reply[:n], Answered
				p.finish(x)
				p.throwAway(p.surplus, at)
				return x, nil
			}
			p.throwAway(x.Reply[:n], at)
			x.Reply = append(x.Reply[:0], x.Reply[n:]...)
		}
		if len(x.Reply) > mostReply {
			return p.fail(x, NoAnswer, fmt.Errorf("more than %d bytes without an end", mostReply))
		}
	}
}

// mostReply bounds what a babbling line can make us keep. The longest answers of
// the instruments here are a few kilobytes.
const mostReply = 64 << 10

// finish closes the book on an exchange.
func (p *Port) finish(x *Exchange) {
	p.free = x.Last
	if p.tap != nil {
		p.tap(x)
	}
}

func (p *Port) failed(x *Exchange, err error) (*Exchange, error) {
	switch {
	case errors.Is(err, errNotTaken):
		p.lost = err
		return p.fail(x, NotTaken, err)
	case errors.Is(err, clock.ErrEnded):
		p.finish(x)
		return x, err
	default:
		p.lost = err
		return p.fail(x, LinkLost, err)
	}
}

func (p *Port) fail(x *Exchange, ended Ending, cause error) (*Exchange, error) {
	x.Ended = ended
	x.Last = p.clock.Now()
	if ended == NoAnswer || ended == CutShort {
		p.owes = true
	}
	p.finish(x)
	return x, &Error{Port: p.String(), Request: x.Request, Reply: x.Reply, Ended: ended, Cause: cause}
}

// discard throws away what has arrived since the last exchange.
func (p *Port) discard() {
	p.surplus = p.link.take(p.surplus[:0])
	p.throwAway(p.surplus, p.clock.Now())
}

func (p *Port) throwAway(b []byte, at clock.Instant) {
	if len(b) > 0 && p.tap != nil {
		p.tap(&Exchange{Port: p.name, Reply: b, Sent: at, First: at, Last: at, Ended: Unasked})
	}
}

// findFooting discards until a question of ours gets the answer that only it can
// get, and nothing follows it.
func (p *Port) findFooting(by clock.Instant) error {
	f := p.footing
	if err := p.quiet(by); err != nil {
		return err
	}
	if len(f.Clear) > 0 {
		if _, err := p.exchange(f.Clear, nil, nil, by); err != nil {
			return err
		}
		if err := p.quiet(by); err != nil {
			return err
		}
	}
	if len(f.Question) > 0 {
		if _, err := p.exchange(f.Question, f.End, f.Answer, by); err != nil {
			return err
		}
		if err := p.quiet(by); err != nil {
			return err
		}
	}
	p.owes = false
	return nil
}

// quiet waits until the line has been silent for long enough, throwing away what
// comes. A line that never falls silent is not usable.
func (p *Port) quiet(by clock.Instant) error {
	if p.lost != nil {
		return &Error{Port: p.String(), Ended: LinkLost, Cause: p.lost}
	}
	for {
		until := min(p.clock.Now().After(p.footing.Quiet), by)
		var at clock.Instant
		var err error
		p.surplus, at, err = p.link.receive(p.surplus[:0], until)
		if err != nil {
			_, err = p.failed(&p.last, err)
			return err
		}
		if at == clock.Never {
			if until == by && p.footing.Quiet > 0 {
				return &Error{Port: p.String(), Request: p.request, Ended: NoAnswer}
			}
			return nil
		}
		p.throwAway(p.surplus, at)
	}
}

// Close gives up the link. A link with a write in flight is abandoned instead: to
// close it could hang.
func (p *Port) Close() error {
	if p.lost == nil {
		p.lost = errClosed
	}
	return p.link.close()
}

var errClosed = errors.New("closed by dwell")
