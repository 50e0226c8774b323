package twin

import (
	"errors"
	"io"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// server lets a device live behind a real port.
type server struct {
	clock  clock.Clock
	device wire.Device
	rw     io.ReadWriteCloser
	line   wire.Line
	heard  *clock.Event
	over   bool
	err    error // of the port, when it is over
}

// Serve lets a device talk over a port, in the time of c, until the port ends or
// the world does; then it closes the port. Bytes take as long as on the line: they
// are given to the device when the last of them would have come, and an answer is
// written when its last byte would have. One process reads, the caller's speaks.
// What the other side has not taken when the port ends is lost.
func Serve(c clock.Clock, d wire.Device, rw io.ReadWriteCloser, line wire.Line) error {
	if v, ok := d.(*device); ok {
		v.line = line
		defer v.hangUp()
	}
	s := &server{clock: c, device: d, rw: rw, line: line, heard: clock.NewEvent(c)}
	c.Go("ear of a virtual instrument", s.listen)
	err := s.speak()
	s.over = true
	return errors.Join(err, rw.Close())
}

// listen hands what comes to the device, in its own time.
func (s *server) listen() error {
	var buffer [256]byte
	free := clock.Instant(0) // when the line is through with what came before
	for !s.over {
		var n int
		var at clock.Instant
		err := s.clock.Block(func() (err error) {
			n, err = s.rw.Read(buffer[:])
			at = s.clock.Now()
			return err
		})
		if n > 0 {
			free = max(at, free) + s.line.Lasting(n)
			if s.clock.Sleep(free) != nil {
				return nil
			}
			s.device.Receive(s.clock.Now(), buffer[:n])
		}
		if err != nil {
			s.over, s.err = true, err
		}
		s.heard.Signal()
	}
	return nil
}

// speak writes what the device says, when it has said it.
func (s *server) speak() error {
	var out []byte
	for !s.over {
		at := s.device.NextAt()
		if at > s.clock.Now() {
			if _, err := s.heard.Wait(at); err != nil {
				return nil
			}
			continue
		}
		if out = s.device.Take(s.clock.Now(), out[:0]); len(out) == 0 {
			continue
		}
		err := s.clock.Block(func() error {
			_, err := s.rw.Write(out)
			return err
		})
		if err != nil {
			return err
		}
	}
	if s.err == io.EOF {
		return nil
	}
	return s.err
}
