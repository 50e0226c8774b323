package drill

import (
	"bytes"
	"errors"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// Line is what a bad cable does to what passes over it.
type Line struct {
	Deaf     bool                       // nothing arrives at the instrument
	Loses    func(n int64) bool         // whether answer n since it went bad is lost
	Turns    func(answer []byte) []byte // what becomes of an answer: one byte at least
	Late     clock.Instant              // by which every answer is late
	Holds    bool                       // an answer arrives when the next question has been asked
	Echoes   bool                       // what was sent comes back
	Confuses bool                       // an answer is the one that another question had last
	Gone     bool                       // the port itself is gone
}

// cable is a virtual instrument behind a cable. While nothing is wrong with that,
// everything passes as it is.
type cable struct {
	device wire.Device
	ahead  *clock.Instant // of the bench before the program's clock
	bad    *Line

	said     int64     // answers since it went bad
	question []byte    // asked last
	answers  [2]answer // the latest, and the one before to another question
	held     [][]byte
	coming   []piece // in order of time
	buffer   []byte
}

type answer struct{ question, text []byte }

type piece struct {
	at   clock.Instant
	text []byte
}

// heldFor is how long after a question an older question's answer arrives. Demo data.
const heldFor = 20 * clock.Millisecond

var errUnplugged = errors.New("the port is gone")

// Gone implements wire.Unpluggable.
func (c *cable) Gone() error {
	if c.bad != nil && c.bad.Gone {
		return errUnplugged
	}
	return nil
}

// spoil lets the cable go bad.
func (c *cable) spoil(l *Line) { c.bad, c.said = l, 0 }

// mend makes it sound again. What was said while it was gone is lost.
func (c *cable) mend(now clock.Instant) {
	for c.bad.Gone && c.device.NextAt() <= now+*c.ahead {
		c.buffer = c.device.Take(now+*c.ahead, c.buffer[:0])
	}
	c.bad, c.held, c.coming = nil, nil, nil
}

// Receive implements wire.Device.
func (c *cable) Receive(at clock.Instant, b []byte) {
	c.question = append(c.question[:0], b...)
	if c.bad != nil {
		c.withhold(at)
		if c.bad.Echoes {
			c.coming = append(c.coming, piece{at, bytes.Clone(b)})
		}
		for _, text := range c.held {
			c.coming = append(c.coming, piece{at + heldFor, text})
		}
		c.held = nil
		if c.bad.Deaf {
			return
		}
	}
	c.device.Receive(at+*c.ahead, b)
}

// withheld tells whether the next answer does not arrive by itself.
func (c *cable) withheld() bool {
	return c.bad != nil && (c.bad.Holds || c.bad.Loses != nil && c.bad.Loses(c.said))
}

// withhold takes the answers away that are there and do not arrive.
func (c *cable) withhold(at clock.Instant) {
	for c.withheld() && c.device.NextAt() <= at+*c.ahead {
		text := c.device.Take(at+*c.ahead, nil)
		if c.bad.Holds {
			c.held = append(c.held, text)
		}
		c.said++
	}
}

// NextAt implements wire.Device.
func (c *cable) NextAt() clock.Instant {
	if c.Gone() != nil {
		return 0 // so that whoever waits finds out
	}
	next := clock.Never
	if len(c.coming) > 0 {
		next = c.coming[0].at
	}
	if at := c.device.NextAt(); at != clock.Never && !c.withheld() {
		next = min(next, at-*c.ahead+c.late())
	}
	return next
}

func (c *cable) late() clock.Instant {
	if c.bad == nil {
		return 0
	}
	return c.bad.Late
}

// Take implements wire.Device.
func (c *cable) Take(at clock.Instant, dst []byte) []byte {
	for len(c.coming) > 0 && c.coming[0].at <= at {
		dst = append(dst, c.coming[0].text...)
		c.coming = c.coming[1:]
	}
	by := at + *c.ahead - c.late()
	if c.device.NextAt() > by || c.withheld() {
		return dst
	}
	if c.buffer = c.device.Take(by, c.buffer[:0]); len(c.buffer) == 0 {
		return dst // it did not know yet
	}
	text := c.remembered(c.buffer)
	if c.bad != nil {
		c.said++
		if c.bad.Turns != nil {
			text = c.bad.Turns(text)
		}
	}
	return append(dst, text...)
}

// remembered keeps an answer, and is what arrives of it where answers are confused.
func (c *cable) remembered(text []byte) []byte {
	if latest := &c.answers[0]; !bytes.Equal(latest.question, c.question) {
		c.answers[0], c.answers[1] = c.answers[1], c.answers[0]
		latest.question = append(latest.question[:0], c.question...)
	}
	c.answers[0].text = append(c.answers[0].text[:0], text...)
	if c.bad != nil && c.bad.Confuses && len(c.answers[1].text) > 0 {
		return c.answers[1].text
	}
	return text
}
