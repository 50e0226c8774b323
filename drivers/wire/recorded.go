package wire

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"

	"dwell/drivers/clock"
)

// Recorded is what one port carried in a run, to be carried once more in virtual time. Each
// request gets what it got then, and at the moments of then: whoever asks earlier waits.
// Several ask in the order of the record, whoever had come first. So a run that asks the
// same goes the same way, however late the computer was then; a run in real time is late
// again and again, by what nobody can foresee.
//
// What a run asks otherwise has no answer, and what it does not ask is left out when its
// moment has passed; the first of these is kept.
type Recorded struct {
	asked   []Exchange // with a request, in the order of the record
	alone   []Exchange // what came unasked, and the loss of a link that nobody used
	next    int        // of those asked
	own     []bool     // of those: sent by the port itself, to find its footing
	baffled *Error     // how that came to nothing, until something else is asked
	midway  bool       // whoever has the port has asked something: nothing else comes between
	moved   *clock.Event
	skipped int
	first   Departure
}

// Departure is a place at which a run and a record part.
type Departure struct {
	At       clock.Instant
	Request  []byte        // what was asked; nil for nothing
	Expected []byte        // what had been recorded; nil for nothing more
	Then     clock.Instant // when that was
}

func (d Departure) String() string {
	switch {
	case d.Request == nil && d.Expected == nil:
		return ""
	case d.Expected == nil:
		return fmt.Sprintf("at %.3f s %s was asked, which the record does not have any more", d.At.Seconds(), quoted(d.Request))
	case d.Request == nil:
		return fmt.Sprintf("nobody asked %s, recorded at %.3f s", quoted(d.Expected), d.Then.Seconds())
	}
	return fmt.Sprintf("at %.3f s %s was asked, and recorded is %s at %.3f s", d.At.Seconds(), quoted(d.Request), quoted(d.Expected), d.Then.Seconds())
}

// tardy is how long after its moment a recorded request may still be asked. Whoever asks
// the same is never late, but for words that are said first: a rule of thumb, no source.
const tardy = clock.Second

// heldUp is how long after the deadline of now what is asked may have been sent then: the
// computer of then was busy, or slept. A rule of thumb, no source.
const heldUp = 10 * clock.Second

// jitter is how late a computer that is not very busy wakes up. A rule of thumb, no source.
const jitter = 10 * clock.Millisecond

// NewRecorded takes the exchanges of one port, in the order of the record, and keeps them.
// clear and question are what its Footing sends. The question may be one that is asked for
// its own sake too: it is the port's own after what the port cleared, or after an answer
// that did not come.
func NewRecorded(exchanges []Exchange, clear, question []byte) *Recorded {
	r := &Recorded{}
	after := false
	for _, x := range exchanges {
		if len(x.Request) == 0 {
			r.alone = append(r.alone, x)
			continue
		}
		own := bytes.Equal(x.Request, clear) || after && bytes.Equal(x.Request, question)
		after = own || x.Ended == NoAnswer || x.Ended == CutShort
		r.asked, r.own = append(r.asked, x), append(r.own, own)
	}
	return r
}

// Port is the port to a record. A second one goes on where the first one was.
func (r *Recorded) Port(c clock.Clock, name string, line Line) *Port {
	p := newPort(c, name, "the record", nothing{}, line)
	p.record = r
	p.playback = func(request []byte, by clock.Instant) (*Exchange, error) { return r.exchange(p, request, by) }
	if r.moved == nil {
		r.moved = clock.NewEvent(c)
	}
	c.Go("what came unasked to "+name, func() error {
		for len(r.alone) > 0 && p.lost == nil && c.Sleep(r.alone[0].Last) == nil {
			x := r.alone[0]
			if r.alone = r.alone[1:]; x.Ended == LinkLost {
				p.lost = errRecordedLoss
				p.hurry.Signal()
			}
			p.carried(x)
		}
		return nil
	})
	return p
}

var errRecordedLoss = fmt.Errorf("as recorded")

// carried hands a recorded exchange to whoever keeps a record of this port.
func (p *Port) carried(x Exchange) {
	if x.Port = p.name; p.tap != nil {
		p.tap(&x)
	}
}

// exchange waits until a request is what comes next. Until then others may have the port;
// it is kept for the pause before the request, as a real one is, and for what the port once
// sent by itself.
func (r *Recorded) exchange(p *Port, request []byte, by clock.Instant) (*Exchange, error) {
	for {
		now := p.clock.Now()
		if n := r.coming(request); n < 0 || r.asked[n].Sent > by.After(heldUp) {
			return r.unknown(p, request, by)
		}
		x := &r.asked[r.next]
		mine, until := bytes.Equal(x.Request, request), x.Sent+tardy
		switch footed := r.next > 0 && r.own[r.next-1]; {
		case (r.own[r.next] || footed || r.midway) && r.asking() != nil && bytes.Equal(r.asking().Request, request):
			until = now
		case mine:
			until = x.Sent
			if r.follows(r.next, p.line.Pause) {
				until = now
			}
		}
		var err error
		switch {
		case now < until:
			err = r.lend(p, func() error { _, err := r.moved.Wait(until); return err })
		case mine:
			return r.answer(p)
		case r.own[r.next]:
			_, err = r.answer(p)
		default:
			r.next, r.skipped = r.next+1, r.skipped+1
			r.parted(Departure{At: now, Request: bytes.Clone(request), Expected: x.Request, Then: x.Sent})
			r.moved.Signal()
		}
		if errors.Is(err, clock.ErrEnded) {
			return &Exchange{Port: p.name, Request: request, Ended: CutShort}, err
		}
	}
}

// asking is the next exchange that is not the port's own, nil for none.
func (r *Recorded) asking() *Exchange {
	for k := range r.asked[r.next:] {
		if !r.own[r.next+k] {
			return &r.asked[r.next+k]
		}
	}
	return nil
}

// unknown waits out the time of a request that the record does not have. One that is cut
// short was not asked then: the stop of then came just before it is told of.
func (r *Recorded) unknown(p *Port, request []byte, by clock.Instant) (*Exchange, error) {
	asked, cut := p.clock.Now(), false
	err := r.lend(p, func() (err error) {
		for cut = p.cut(); err == nil && !cut && p.clock.Now() < by; cut = p.cut() {
			_, err = p.hurry.Wait(by)
		}
		return err
	})
	if err != nil || cut {
		return &Exchange{Port: p.name, Request: request, Sent: asked, Last: p.clock.Now(), Ended: CutShort}, err
	}
	r.parted(Departure{At: asked, Request: bytes.Clone(request)})
	return nil, nil
}

// follows tells whether an exchange came as soon after the one before as the pause allows:
// whoever asked it had the port already.
func (r *Recorded) follows(n int, pause clock.Instant) bool {
	return n > 0 && r.asked[n].Sent <= r.asked[n-1].Last+pause+jitter
}

// lend gives the port to others for a while.
func (r *Recorded) lend(p *Port, wait func() error) error {
	p.turn.Give()
	err := cmp.Or(wait(), p.turn.Urgently(clock.Never))
	r.midway = false
	return err
}

// answer carries the next exchange.
func (r *Recorded) answer(p *Port) (*Exchange, error) {
	x := r.asked[r.next]
	r.next++
	r.moved.Signal()
	if err := p.clock.Sleep(x.Last); err != nil {
		x.Ended = CutShort
		return &x, err
	}
	if p.free = x.Last; x.Ended == LinkLost {
		p.lost = errRecordedLoss
	}
	r.midway = true
	p.carried(x)
	baffled := r.baffled
	r.baffled = nil
	switch {
	case x.Ended == NoAnswer && r.own[r.next-1]:
		r.baffled = &Error{Port: p.String(), Request: x.Request, Reply: x.Reply, Ended: x.Ended}
	case x.Ended == NotTaken && x.Last == x.Sent && baffled != nil:
		return &x, fmt.Errorf("%q not sent: %w", x.Request, baffled)
	}
	return &x, nil
}

func (r *Recorded) parted(d Departure) {
	if r.first.String() == "" {
		r.first = d
	}
}

// coming is the place of the next exchange with a request, -1 for none.
func (r *Recorded) coming(request []byte) int {
	for n := r.next; n < len(r.asked); n++ {
		if bytes.Equal(r.asked[n].Request, request) {
			return n
		}
	}
	return -1
}

// Ends is when the last exchange ended.
func (r *Recorded) Ends() (last clock.Instant) {
	for _, x := range r.asked {
		last = max(last, x.Last)
	}
	return last
}

// Over tells whether all that was asked has been asked again.
func (r *Recorded) Over() bool { return r.next == len(r.asked) }

// Result says what came of a record in a run that ended at a moment: how many exchanges it
// has until then, how many of them were not asked for, and where the two parted first.
func (r *Recorded) Result(ended clock.Instant) (all, left int, first Departure) {
	left, first = r.skipped, r.first
	for k, x := range r.asked {
		if x.Sent >= ended {
			break
		}
		if all++; k < r.next || r.own[k] {
			continue
		}
		if left++; first.String() == "" {
			first = Departure{Expected: x.Request, Then: x.Sent}
		}
	}
	return all, left, first
}

// NotBefore is when a run in virtual time may ask something of a record. It must not be
// earlier by much, since then it would know nothing of how late the run of then was. Of a
// port that is none it is in the past, and clock.Never if the record has it no more.
func (p *Port) NotBefore(request []byte) clock.Instant {
	if p.record == nil {
		return 0
	}
	n := p.record.coming(request)
	switch {
	case n < 0:
		return clock.Never
	case p.record.follows(n, p.line.Pause):
		return p.record.asked[n-1].Last
	}
	return p.record.asked[n].Sent - jitter
}

// Due tells whether the time has come for a request that is made at the first opportunity
// from a moment on. Within the computer's jitter of that moment the record decides: it was
// made at once, or not.
func (p *Port) Due(now, at clock.Instant, request []byte) bool {
	if r := p.record; r != nil && at-jitter < now && now < at+jitter {
		x := r.asking()
		return x != nil && bytes.Equal(x.Request, request) && x.Sent < now+p.line.Pause+2*jitter
	}
	return now >= at
}
