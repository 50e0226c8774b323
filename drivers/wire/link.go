package wire

import (
	"errors"

	"dwell/drivers/clock"
)

// link moves bytes and knows nothing of questions and answers. One process sends
// and receives at a time; interrupt may come from any other.
type link interface {
	// send gives bytes to the other side and returns the instant at which the
	// last of them has left.
	send(b []byte, by clock.Instant) (left clock.Instant, err error)
	// hold is send for bytes that may go out in one piece with those of the next send.
	hold(b []byte, by clock.Instant) (left clock.Instant, err error)
	// receive waits for more and appends it to dst. at is when it was there, or
	// clock.Never if nothing came until by or somebody interrupted.
	receive(dst []byte, by clock.Instant) (_ []byte, at clock.Instant, err error)
	// take appends the next piece that has arrived, without waiting. at is when
	// it was there, or clock.Never if there is none.
	take(dst []byte) (_ []byte, at clock.Instant)
	// interrupt ends a send or a receive that somebody is waiting in.
	interrupt()
	close() error
}

var (
	errNotTaken = errors.New("the other side takes no bytes")
	errCutShort = errors.New("cut short")
	errClosed   = errors.New("closed by dwell")
)

// Device is an instrument in this process: it reacts to bytes and to nothing else.
// The clock calls it in order of time.
type Device interface {
	// Receive takes bytes whose last one arrived at the given instant.
	Receive(at clock.Instant, b []byte)
	// NextAt is when the last byte of its next output will have arrived here, or
	// clock.Never. Where that is not known yet, it is when to ask again: Take then
	// gives nothing, and NextAt is later.
	NextAt() clock.Instant
	// Take appends what has arrived here by the given instant.
	Take(at clock.Instant, dst []byte) []byte
}

// Unpluggable is a Device whose link can go.
type Unpluggable interface {
	Device
	// Gone is why nothing passes any more, nil while the link stands. It may stand
	// again later, for a port that is opened then.
	Gone() error
}

// inProcess is a link to a Device. Character times are computed, so that a
// rehearsal takes as long, in virtual time, as the run.
type inProcess struct {
	clock  clock.Clock
	device Device
	line   Line
	change *clock.Event // somebody interrupts, or closes
	ended  error
}

// over is why nothing passes any more: once the link has gone it stays gone.
func (l *inProcess) over() error {
	if u, ok := l.device.(Unpluggable); ok && l.ended == nil {
		l.ended = u.Gone()
	}
	return l.ended
}

var errNothingGiven = errors.New("the device announced bytes and gave none")

func (l *inProcess) hold(b []byte, by clock.Instant) (clock.Instant, error) { return l.send(b, by) }

// send takes as long as the characters do. It cannot be cut short: on a real line
// they would stand in the adapter and leave all the same.
func (l *inProcess) send(b []byte, _ clock.Instant) (clock.Instant, error) {
	if err := l.over(); err != nil {
		return 0, err
	}
	at := l.clock.Now() + l.line.Lasting(len(b))
	if err := l.clock.Sleep(at); err != nil {
		return 0, err
	}
	if err := l.over(); err != nil {
		return 0, err
	}
	l.device.Receive(at, b)
	return at, nil
}

func (l *inProcess) receive(dst []byte, by clock.Instant) ([]byte, clock.Instant, error) {
	for {
		dst, at := l.take(dst)
		if at != clock.Never || l.ended != nil {
			return dst, at, l.ended
		}
		woken, err := l.change.Wait(min(l.device.NextAt(), by))
		if err != nil || l.ended != nil {
			return dst, clock.Never, errors.Join(err, l.ended)
		}
		if now := l.clock.Now(); woken || now >= by && l.device.NextAt() > now {
			return dst, clock.Never, nil
		}
	}
}

func (l *inProcess) take(dst []byte) ([]byte, clock.Instant) {
	at := l.device.NextAt()
	if at > l.clock.Now() || l.over() != nil {
		return dst, clock.Never
	}
	got := l.device.Take(at, dst)
	if len(got) == len(dst) {
		if l.device.NextAt() <= at { // whoever waits would turn for ever on the spot
			l.ended = errNothingGiven
		}
		return dst, clock.Never
	}
	return got, at
}

func (l *inProcess) interrupt() { l.change.Signal() }

func (l *inProcess) close() error {
	if l.ended == nil {
		l.ended = errClosed
	}
	l.change.Signal()
	return nil
}
