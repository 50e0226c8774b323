package wire

import (
	"bytes"
	"errors"

	"dwell/drivers/clock"
)

// Footing is how a port makes sure that the next answer belongs to the next
// question, after one that did not come in time.
//
// With a Question the answers of an instrument that answers in order are told apart
// for certain, as long as the Question's own comes within Latest. It is asked once more
// at once if nothing else was asked since: whichever of the two answers comes then, what
// is older is through, and the other one answers nothing else. After that it is not asked
// while an answer to it may still come, except to make safe.
//
// Without a Question there is only silence to go by: what comes within Quiet is thrown
// away, and the next answer counts only if nothing follows it within Quiet. An answer
// later than that looks like the next one.
type Footing struct {
	Clear    []byte                  // sent first, if not empty: ends a half line, clears the device
	Hurried  bool                    // Clear goes out in one piece with what follows
	Question []byte                  // a question that changes nothing
	End      Framing                 // of its answer
	Answer   func(reply []byte) bool // recognises it; no other question may get this answer
	Quiet    clock.Instant           // silence on the line that counts as nothing more to come
	Latest   clock.Instant           // so long after the question its answer does not come any more
}

// leastQuiet is the silence taken where none is stated: three times the 16 ms that
// USB adapters hold back received bytes by default. A rule of thumb, no source.
const leastQuiet = 50 * clock.Millisecond

// usualLatest is Latest where it is not stated: longer than a slow reading of the
// instruments here. A rule of thumb, no source.
const usualLatest = 5 * clock.Second

var (
	errNeverSilent = errors.New("the line does not fall silent")
	errStillOwed   = errors.New("the answer to an older question may still come")
	errTwoAnswers  = errors.New("more came than one answer, and which of it is meant cannot be told")
	errNotAlone    = errors.New("no time was left to see that it was not an older question's")
)

func (f *Footing) asks() bool { return len(f.Question) > 0 && f.End != nil && f.Answer != nil }

func (f *Footing) silence() clock.Instant {
	if f.Quiet > 0 {
		return f.Quiet
	}
	return leastQuiet
}

func (f *Footing) latest() clock.Instant {
	if f.Latest > 0 {
		return f.Latest
	}
	return usualLatest
}

// findFooting discards until a question of ours gets the answer that only it can
// get, and nothing follows it.
func (p *Port) findFooting(by clock.Instant) error {
	if err := p.forget(by); err != nil {
		return err
	}
	if err := p.quiet(by); err != nil {
		return err
	}
	if len(p.footing.Clear) > 0 && (p.stray == 0 || p.urgent) { // what answers it would come behind the first answer
		p.holding = p.footing.Hurried && p.line.Pause == 0
		_, err := p.exchange(p.footing.Clear, nil, false, by)
		if p.holding = false; err != nil {
			return err
		}
		if err := p.quiet(by); err != nil {
			return err
		}
	}
	p.doubt = !p.footing.asks()
	if !p.doubt {
		if err := p.ask(by); err != nil {
			return err
		}
		if err := p.quiet(by); err != nil {
			return err
		}
	}
	p.owes = false
	return nil
}

// ask sends the footing's question until it is answered: one that is not within Latest
// was lost, with its answer or before. A plate takes no command that comes too soon after
// another one, as two do that a busy computer held back.
func (p *Port) ask(by clock.Instant) error {
	for {
		until := min(by, p.clock.Now().After(p.footing.latest()))
		_, err := p.exchange(p.footing.Question, p.footing.End, true, until)
		var lost *Error
		if err == nil || until == by || !errors.As(err, &lost) || lost.Ended != NoAnswer {
			return err
		}
		if err := p.forget(by); err != nil {
			return err
		}
	}
}

// forget waits until the footing's question of some time ago cannot be answered any more,
// if it was asked twice, or something else since: its answer would be taken for that of
// the next one, with the other's still to come. Making safe cannot wait.
func (p *Port) forget(by clock.Instant) error {
	if p.stray == 0 || p.stray == 1 && !p.between || p.urgent || !p.footing.asks() {
		return nil
	}
	until := p.asked.After(clock.Instant(p.stray) * p.footing.latest()) // each may wait for the one before it
	for p.lost == nil && !p.cut() && p.clock.Now() < min(until, by) {
		if _, err := p.hurry.Wait(min(until, by)); err != nil {
			return err
		}
	}
	switch {
	case p.lost != nil:
		return p.Lost()
	case p.cut():
		return &Error{Port: p.String(), Ended: CutShort}
	case p.clock.Now() < until:
		return &Error{Port: p.String(), Ended: NoAnswer, Cause: errStillOwed}
	}
	p.stray = 0
	return nil
}

// quiet waits until the line has been silent for long enough, throwing away what
// comes. A line that never falls silent is not usable.
func (p *Port) quiet(by clock.Instant) error {
	p.asking = true
	defer func() { p.asking = false }()
	until := p.clock.Now().After(p.footing.silence())
	for {
		var at clock.Instant
		var err error
		p.surplus, at, err = p.link.receive(p.surplus[:0], min(until, by))
		if errors.Is(err, clock.ErrEnded) {
			return err
		}
		if err != nil {
			p.broke(err)
			return p.Lost()
		}
		if at != clock.Never {
			p.throwAway(p.surplus, at)
			until = at.After(p.footing.silence())
		}
		switch now := p.clock.Now(); {
		case p.cut():
			return &Error{Port: p.String(), Ended: CutShort}
		case now >= until && at == clock.Never:
			return nil
		case now >= by:
			return &Error{Port: p.String(), Ended: NoAnswer, Cause: errNeverSilent}
		}
	}
}

// alone waits out the silence after an answer of n bytes that may be an older
// question's: its own would follow on its heels.
func (p *Port) alone(x *Exchange, n int, by clock.Instant) error {
	until := x.Last.After(p.footing.silence())
	for len(x.Reply) == n {
		reply, _, err := p.link.receive(x.Reply, min(until, by))
		x.Reply, p.reply = reply, reply
		switch now := p.clock.Now(); {
		case err != nil:
			return err
		case len(reply) > n:
		case p.cut():
			return errCutShort
		case now >= until:
			p.doubt = false
			return nil
		case now >= by:
			return errNotAlone
		}
	}
	return errTwoAnswers
}

// belongs tells whether a complete reply answers the request: if strict, only by
// being what the footing's question alone can get. An answer to that question that
// came too late for it answers nothing else.
func (p *Port) belongs(x *Exchange, reply []byte, strict bool) bool {
	if p.stray == 0 || !p.footing.asks() {
		return true
	}
	ours, own := p.footing.Answer(reply), p.own(x.Request)
	if ours || own && !strict {
		p.stray--
	}
	if own {
		return ours || !strict
	}
	return !ours
}

// own tells whether a request is the footing's question.
func (p *Port) own(request []byte) bool {
	return p.footing.asks() && bytes.Equal(request, p.footing.Question)
}
