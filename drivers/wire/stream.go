package wire

import (
	"errors"
	"io"

	"dwell/drivers/clock"
)

// stream is a link over a serial line or a socket: a process that reads, and one
// that writes, so that neither a silent nor a stuck line holds anybody up. The last
// of the two to leave closes the line: to close it under a read or a write would
// free a descriptor that is still used, and the next file opened would get it.
type stream struct {
	clock clock.Clock
	conn  conn
	line  Line                                  // character times of a serial line
	heard func(b []byte, at clock.Instant) bool // takes bytes that nobody waits for
	broke func(cause error)                     // told once, when the line fails

	inbox   []byte
	at      clock.Instant // when the last byte of inbox came
	arrived *clock.Event
	emptied *clock.Event

	outbox  []byte // what is left to write
	held    []byte // goes out in front of what is sent next
	memory  []byte // of outbox
	flying  bool   // a write is in the system's hands
	stuck   bool   // and was not taken in time
	cut     bool   // somebody interrupted
	wanted  *clock.Event
	written *clock.Event

	failure  error // of the line, or that it was closed
	closed   bool
	users    int // processes that still use the line
	gone     *clock.Event
	closeErr error
}

// conn is a line that can be told to stop, so that nobody stays in it.
type conn interface {
	io.ReadWriteCloser
	// stop ends a Read, and a Write where the system can. What has not left yet is
	// thrown away if discard is set: it must not reach the instrument some day.
	stop(discard bool)
}

const (
	// mostWrite bounds one write, and with it what cannot be taken back.
	mostWrite = 256
	// leastTaking is how long the system has to take a write at least, before the line
	// counts as stuck: on a busy computer the writer itself may have to wait for its turn.
	leastTaking = clock.Second
	// mostInbox bounds what is kept of what comes in; the rest waits outside.
	mostInbox = 64 << 10
	// mostClosing bounds the wait for a line to close: a serial driver may want to
	// drain for 30 s what nobody takes.
	mostClosing = clock.Second / 2
)

func newStream(c clock.Clock, name string, line Line, rw conn) *stream {
	s := &stream{clock: c, conn: rw, line: line, users: 2}
	for _, e := range []**clock.Event{&s.arrived, &s.emptied, &s.wanted, &s.written, &s.gone} {
		*e = clock.NewEvent(c)
	}
	c.Go("reader of "+name, s.read)
	c.Go("writer of "+name, s.write)
	return s
}

// read puts what comes into the inbox until the line ends.
func (s *stream) read() error {
	defer s.leave()
	buf := make([]byte, 4096)
	for s.failure == nil {
		var n int
		var at clock.Instant
		err := s.clock.Block(func() (err error) {
			n, err = s.conn.Read(buf)
			at = s.clock.Now()
			return err
		})
		if n > 0 && !s.closed && !s.heard(buf[:n], at) {
			s.inbox, s.at = append(s.inbox, buf[:n]...), at
			s.arrived.Signal()
		}
		if err != nil {
			s.fail(err)
		}
		for len(s.inbox) >= mostInbox && s.failure == nil {
			if _, err := s.emptied.Wait(clock.Never); err != nil {
				return nil
			}
		}
	}
	return nil
}

// write sends the outbox whenever there is something in it.
func (s *stream) write() error {
	defer s.leave()
	for s.failure == nil {
		if len(s.outbox) == 0 {
			if _, err := s.wanted.Wait(clock.Never); err != nil {
				return nil
			}
			continue
		}
		part := s.outbox[:min(len(s.outbox), mostWrite)]
		var n int
		s.flying = true
		err := s.clock.Block(func() (err error) {
			n, err = s.conn.Write(part)
			return err
		})
		s.flying = false
		s.outbox = s.outbox[min(n, len(s.outbox)):] // shorter if the sender has given up
		if n == 0 && err == nil {
			err = io.ErrShortWrite
		}
		if err != nil {
			s.fail(err)
		}
		s.written.Signal()
	}
	return nil
}

// fail marks the end of the line for everybody who waits for it.
func (s *stream) fail(err error) {
	if s.failure != nil {
		return
	}
	s.failure, s.outbox = err, nil
	for _, e := range []*clock.Event{s.arrived, s.emptied, s.wanted, s.written} {
		e.Signal()
	}
	if !s.closed {
		s.broke(err)
	}
}

// leave is the end of the reader and of the writer.
func (s *stream) leave() {
	if s.users--; s.users > 0 {
		return
	}
	if s.stuck {
		s.conn.stop(true)
	}
	s.closeErr = s.clock.Block(s.conn.Close)
	s.users = -1
	s.gone.Signal()
}

func (s *stream) send(b []byte, by clock.Instant) (clock.Instant, error) {
	s.cut = false
	for s.flying && s.failure == nil { // what a sender that was cut short has left
		if err := s.await(by); err != nil {
			return 0, err
		}
	}
	if s.failure != nil {
		return 0, s.failure
	}
	by = max(by, s.clock.Now()+leastTaking)
	s.memory = append(append(s.memory[:0], s.held...), b...)
	s.held = s.held[:0]
	s.outbox = s.memory
	s.wanted.Signal()
	for len(s.outbox) > 0 {
		if err := s.await(by); err != nil {
			s.outbox = nil
			return 0, err
		}
	}
	if s.failure != nil {
		return 0, s.failure
	}
	return s.clock.Now() + s.line.Lasting(len(b)), nil
}

// hold saves the wait for the writer, in which others would come first.
func (s *stream) hold(b []byte, _ clock.Instant) (clock.Instant, error) {
	s.held = append(s.held, b...)
	return s.clock.Now() + s.line.Lasting(len(b)), s.failure
}

// await waits for the next thing that happens to a write.
func (s *stream) await(by clock.Instant) error {
	came, err := s.written.Wait(by)
	switch {
	case err != nil:
		return err
	case s.cut:
		return errCutShort
	case !came:
		s.stuck = true
		return errNotTaken
	}
	return nil
}

func (s *stream) receive(dst []byte, by clock.Instant) ([]byte, clock.Instant, error) {
	if len(s.inbox) == 0 && s.failure == nil {
		if _, err := s.arrived.Wait(by); err != nil {
			return dst, clock.Never, err
		}
	}
	if dst, at := s.take(dst); at != clock.Never {
		return dst, at, nil
	}
	return dst, clock.Never, s.failure
}

func (s *stream) take(dst []byte) ([]byte, clock.Instant) {
	if len(s.inbox) == 0 {
		return dst, clock.Never
	}
	dst = append(dst, s.inbox...)
	s.inbox = s.inbox[:0]
	s.emptied.Signal()
	return dst, s.at
}

func (s *stream) interrupt() {
	s.cut = true
	s.arrived.Signal()
	s.written.Signal()
}

var errLeft = errors.New("does not close; left to itself")

// close makes both processes leave, and waits for that, but not for long: with a
// write that the system does not give back the line stays open until it does.
func (s *stream) close() error {
	if s.closed {
		return nil
	}
	s.stuck = s.stuck || s.flying
	s.closed = true
	s.conn.stop(s.stuck)
	s.fail(errClosed)
	by := s.clock.Now() + mostClosing
	for s.users >= 0 {
		came, err := s.gone.Wait(by)
		if err != nil {
			return nil // the world has ended; its clock waits for both, and names who stays
		}
		if !came {
			return errLeft
		}
	}
	return s.closeErr
}
