package wire

import (
	"errors"
	"io"

	"dwell/drivers/clock"
)

// link moves bytes and knows nothing of questions and answers. One process sends
// and receives at a time; interrupt may come from any other.
type link interface {
	// send gives bytes to the other side and returns the instant at which the
	// last of them has left.
	send(b []byte, by clock.Instant) (left clock.Instant, err error)
	// receive waits for more and appends it to dst. at is when it was there, or
	// clock.Never if nothing came until by or somebody interrupted.
	receive(dst []byte, by clock.Instant) (_ []byte, at clock.Instant, err error)
	// take appends what has arrived, without waiting.
	take(dst []byte) []byte
	// interrupt ends a receive.
	interrupt()
	close() error
}

var errNotTaken = errors.New("the other side takes no bytes")

// stream is a link over a serial line or a socket: a process that reads, and one
// that writes, so that neither a silent nor a stuck line holds anybody up. Both end
// when the stream is closed; a write that never ends is abandoned with its stream.
type stream struct {
	clock   clock.Clock
	rw      io.ReadWriteCloser
	line    Line // character times of a serial line
	arrived *clock.Event
	inbox   []byte
	at      clock.Instant // when the last byte of inbox came
	failure error         // of the reader

	outbox   []byte // non-empty while a write is wanted or in flight
	wanted   *clock.Event
	written  *clock.Event
	writeErr error
	closed   bool
}

// mostWrite bounds one write: a PTY or an adapter takes that much at once.
const mostWrite = 256

// mostInbox bounds what a line that babbles while nobody asks can make us keep.
const mostInbox = 64 << 10

func newStream(c clock.Clock, name string, rw io.ReadWriteCloser, line Line) *stream {
	s := &stream{clock: c, rw: rw, line: line,
		arrived: clock.NewEvent(c), wanted: clock.NewEvent(c), written: clock.NewEvent(c)}
	c.Go("reader of "+name, s.read)
	c.Go("writer of "+name, s.write)
	return s
}

// read puts what comes into the inbox until the line ends. A serial read that
// returns nothing and no error is a timeout of the library, not an end.
func (s *stream) read() error {
	buf := make([]byte, 4096)
	for !s.closed {
		var n int
		var at clock.Instant
		err := s.clock.Block(func() (err error) {
			n, err = s.rw.Read(buf)
			at = s.clock.Now()
			return err
		})
		if keep := mostInbox - len(s.inbox); n > keep {
			n = keep
		}
		s.inbox, s.at = append(s.inbox, buf[:n]...), at
		if err != nil {
			s.failure = err
		}
		s.arrived.Signal()
		if err != nil {
			return nil
		}
	}
	return nil
}

// write sends the outbox whenever there is something in it.
func (s *stream) write() error {
	for {
		for len(s.outbox) == 0 {
			if _, err := s.wanted.Wait(clock.Never); err != nil || s.closed {
				return nil
			}
		}
		part := s.outbox[:min(len(s.outbox), mostWrite)]
		var n int
		err := s.clock.Block(func() (err error) {
			n, err = s.rw.Write(part)
			return err
		})
		s.outbox = s.outbox[n:]
		if err != nil {
			s.writeErr, s.outbox = err, nil
		}
		s.written.Signal()
		if err != nil {
			return nil
		}
	}
}

func (s *stream) send(b []byte, by clock.Instant) (clock.Instant, error) {
	if s.failure != nil {
		return 0, s.failure
	}
	if s.closed {
		return 0, errClosed
	}
	if len(s.outbox) > 0 {
		return 0, errNotTaken
	}
	s.outbox = append([]byte(nil), b...)
	s.wanted.Signal()
	for len(s.outbox) > 0 {
		came, err := s.written.Wait(by)
		if err != nil {
			return 0, err
		}
		if !came {
			return 0, errNotTaken
		}
	}
	return s.clock.Now() + clock.Instant(len(b))*s.line.character(), s.writeErr
}

func (s *stream) receive(dst []byte, by clock.Instant) ([]byte, clock.Instant, error) {
	if len(s.inbox) == 0 && s.failure == nil {
		if _, err := s.arrived.Wait(by); err != nil {
			return dst, clock.Never, err
		}
	}
	if len(s.inbox) > 0 {
		at := s.at
		return s.take(dst), at, nil
	}
	return dst, clock.Never, s.failure
}

func (s *stream) take(dst []byte) []byte {
	dst = append(dst, s.inbox...)
	s.inbox = s.inbox[:0]
	return dst
}

func (s *stream) interrupt() { s.arrived.Signal() }

// close ends both processes. With a write in flight the line is left alone: to
// close it may block for ever, and would free a descriptor that is still used.
func (s *stream) close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	s.wanted.Signal()
	if len(s.outbox) > 0 {
		return errNotTaken
	}
	return s.clock.Block(s.rw.Close)
}

// Device is an instrument in this process: it reacts to bytes and to nothing else.
// The clock calls it in order of time.
type Device interface {
	// Receive takes bytes whose last one arrived at the given instant.
	Receive(at clock.Instant, b []byte)
	// NextAt is when the last byte of its next output will have arrived here, or
	// clock.Never.
	NextAt() clock.Instant
	// Take appends what has arrived here by the given instant.
	Take(at clock.Instant, dst []byte) []byte
}

// inProcess is a link to a Device. Character times are computed, so that a
// rehearsal takes as long, in virtual time, as the run.
type inProcess struct {
	clock  clock.Clock
	device Device
	line   Line
	change *clock.Event
	closed bool
}

func (l *inProcess) send(b []byte, by clock.Instant) (clock.Instant, error) {
	if l.closed {
		return 0, errClosed
	}
	at := l.clock.Now() + clock.Instant(len(b))*l.line.character()
	if err := l.clock.Sleep(at); err != nil {
		return 0, err
	}
	l.device.Receive(at, b)
	return at, nil
}

func (l *inProcess) receive(dst []byte, by clock.Instant) ([]byte, clock.Instant, error) {
	if l.closed {
		return dst, clock.Never, errClosed
	}
	for {
		at := l.device.NextAt()
		if now := l.clock.Now(); at <= now {
			return l.device.Take(now, dst), now, nil
		}
		woken, err := l.change.Wait(min(at, by))
		if err != nil || woken {
			return dst, clock.Never, err
		}
		if l.clock.Now() >= by && l.device.NextAt() > by {
			return dst, clock.Never, nil
		}
	}
}

func (l *inProcess) take(dst []byte) []byte { return l.device.Take(l.clock.Now(), dst) }

func (l *inProcess) interrupt() { l.change.Signal() }

func (l *inProcess) close() error { l.closed = true; return nil }
