package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"sync/atomic"
	"syscall"
	"time"

	"dwell/drivers/clock"

	"go.bug.st/serial"
)

// Attach returns a port to a device in this process.
func Attach(c clock.Clock, name string, d Device, line Line) *Port {
	return newPort(c, name, "twin", &inProcess{clock: c, device: d, line: line, change: clock.NewEvent(c)}, line)
}

// Open opens a serial line or a socket. It takes no lock: take that first, with
// Take, and give it after Close.
func Open(c clock.Clock, name string, a Address, line Line, by clock.Instant) (*Port, error) {
	if a.Kind == TCP {
		line.Baud = 0
	}
	if _, virtual := c.(*clock.World); virtual {
		return nil, fmt.Errorf("%s on %s: cannot be opened: a real port answers in real time only", name, a)
	}
	patience := time.Duration(by - c.Now())
	rw, err := connect(c, name, by, func() (conn, error) {
		switch a.Kind {
		case Serial:
			return openSerial(a.Path, line)
		case TCP:
			return openSocket(a.Path, patience)
		default:
			return nil, errors.New("a twin is attached, not opened")
		}
	})
	if err != nil {
		return nil, fmt.Errorf("%s on %s: cannot be opened: %w", name, a, err)
	}
	s := newStream(c, name, line, rw)
	p := newPort(c, name, a.Text, s, line)
	s.heard, s.broke = p.heard, p.broke
	return p, nil
}

// connect opens in a process of its own, since some systems take their time, or
// for ever. One that comes too late is closed again.
func connect(c clock.Clock, name string, by clock.Instant, dial func() (conn, error)) (conn, error) {
	var rw conn
	var failure error
	var opened, late bool
	done := clock.NewEvent(c)
	c.Go("opener of "+name, func() error {
		failure = c.Block(func() (err error) {
			rw, err = dial()
			return err
		})
		if late && failure == nil {
			c.Block(rw.Close)
		}
		opened = true
		done.Signal()
		return nil
	})
	for !opened {
		came, err := done.Wait(by)
		if err == nil && !came {
			err = os.ErrDeadlineExceeded
		}
		if err != nil {
			late = true
			return nil, err
		}
	}
	return rw, failure
}

// mostDescriptor is the highest file descriptor a serial port may get: the serial
// library waits with select(2), whose sets end at 1024.
const mostDescriptor = 1000

// stopEvery is how often a serial Read looks whether it is to stop: the only way
// out of it that does not free its descriptor under it.
const stopEvery = 50 * time.Millisecond

func openSerial(path string, line Line) (conn, error) {
	mode, err := line.mode()
	if err != nil {
		return nil, err
	}
	if err := descriptorsLeft(); err != nil {
		return nil, err
	}
	p, err := openAlone(path, mode)
	if err != nil {
		return nil, serialError(path, err)
	}
	if err := p.SetReadTimeout(stopEvery); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return &serialPort{Port: p}, nil
}

// mode is the line in the serial library's terms, all of it said: the library takes
// 9600 8N1 for what is left out. Its initial status bits stay out: a PTY has none.
func (l Line) mode() (*serial.Mode, error) {
	if l.Baud < 1 || l.DataBits < 7 || l.DataBits > 8 || l.StopBits < 1 || l.StopBits > 2 || l.Parity > OddParity {
		return nil, fmt.Errorf("a line of %d baud, %d data bits, %d stop bits: expected a baud rate, 7 or 8, 1 or 2", l.Baud, l.DataBits, l.StopBits)
	}
	return &serial.Mode{
		BaudRate: l.Baud,
		DataBits: l.DataBits,
		Parity:   [...]serial.Parity{NoParity: serial.NoParity, EvenParity: serial.EvenParity, OddParity: serial.OddParity}[l.Parity],
		StopBits: [...]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}[l.StopBits],
	}, nil
}

// serialPort is the library's port with its traps taken out.
type serialPort struct {
	serial.Port
	stopped atomic.Bool
}

// Read waits for bytes or the end: the library returns nothing and no error when
// its own time is over, and one error for a pulled cable and our own Close alike.
func (p *serialPort) Read(b []byte) (n int, err error) {
	defer func() { // the library's select panics on a descriptor it cannot hold
		if v := recover(); v != nil {
			err = fmt.Errorf("serial library: %v", v)
		}
	}()
	for n == 0 && err == nil {
		if p.stopped.Load() {
			return 0, errClosed
		}
		n, err = p.Port.Read(b)
	}
	var pe *serial.PortError
	if errors.As(err, &pe) && pe.Code() == serial.PortClosed {
		err = errUnplugged
	}
	return n, err
}

// Write says of a port that is gone what Read says.
func (p *serialPort) Write(b []byte) (int, error) {
	n, err := p.Port.Write(b)
	if errors.Is(err, syscall.EIO) || errors.Is(err, syscall.ENXIO) {
		err = errUnplugged
	}
	return n, err
}

func (p *serialPort) stop(discard bool) {
	p.stopped.Store(true)
	if discard {
		p.ResetOutputBuffer() // where that fails there is nothing else to try
	}
}

var errUnplugged = errors.New("the port is gone (cable or adapter pulled, or the other side closed)")

func serialError(path string, err error) error {
	var pe *serial.PortError
	switch {
	case errors.Is(err, os.ErrNotExist):
		return errNoPort(path)
	case !errors.As(err, &pe):
		return err
	}
	switch pe.Code() {
	case serial.PortNotFound:
		return errNoPort(path)
	case serial.PortBusy:
		return fmt.Errorf("%s is used by another program", path)
	case serial.PermissionDenied:
		return fmt.Errorf("no permission to use %s: on Linux the user must be in the group that owns it (often dialout)", path)
	}
	return err
}

func errNoPort(path string) error {
	return fmt.Errorf("there is no port %s: is the instrument plugged in and switched on?", path)
}

// descriptorsLeft tries the three descriptors that the library will take.
func descriptorsLeft() error {
	for range 3 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			return err
		}
		defer f.Close()
		if f.Fd() >= mostDescriptor {
			return fmt.Errorf("too many open files (%d) for a serial port", f.Fd())
		}
	}
	return nil
}

func openSocket(hostPort string, patience time.Duration) (conn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	// A cable pulled far away is seen by probes alone: after 1 + 3 s.
	d := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: time.Second, Interval: time.Second, Count: 3}}
	c, err := d.DialContext(ctx, "tcp", hostPort)
	if err != nil {
		return nil, socketError(hostPort, err)
	}
	return socket{c}, nil
}

// The numbers that Windows has for what other systems call ECONNREFUSED and so on
// (winsock2.h); no system has them for anything else.
const (
	winNetUnreachable  = syscall.Errno(10051)
	winConnAborted     = syscall.Errno(10053)
	winConnReset       = syscall.Errno(10054)
	winTimedOut        = syscall.Errno(10060)
	winConnRefused     = syscall.Errno(10061)
	winHostUnreachable = syscall.Errno(10065)
)

// socketError says in words what a network says in numbers, and what to look at.
func socketError(hostPort string, err error) error {
	is := func(all ...error) bool {
		return slices.ContainsFunc(all, func(one error) bool { return errors.Is(err, one) })
	}
	var name *net.DNSError
	var nobody net.Error
	switch {
	case errors.As(err, &name):
		return fmt.Errorf("the network knows no address of that name: is %s written right?", hostPort)
	case is(syscall.ECONNREFUSED, winConnRefused):
		return errors.New("the connection is refused there: is the port's number right, is the instrument ready, and does nobody else hold the one connection that it takes?")
	case is(syscall.EHOSTUNREACH, syscall.ENETUNREACH, winHostUnreachable, winNetUnreachable):
		return errors.New("there is no way to it on the network: look at the cable and at the address")
	case is(syscall.ECONNRESET, syscall.EPIPE, syscall.ECONNABORTED, winConnReset, winConnAborted):
		return errors.New("the instrument, or what is between, has broken the connection off")
	case is(context.DeadlineExceeded, syscall.ETIMEDOUT, winTimedOut), errors.As(err, &nobody) && nobody.Timeout() && !is(os.ErrDeadlineExceeded):
		return errors.New("nobody answers there: is the instrument switched on, and its network cable in?")
	}
	return err
}

// socket is a connection whose end has a name.
type socket struct{ net.Conn }

func (s socket) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	if errors.Is(err, io.EOF) {
		return n, errors.New("the instrument closed the connection")
	}
	return n, socketError("it", err)
}

func (s socket) Write(b []byte) (int, error) {
	n, err := s.Conn.Write(b)
	return n, socketError("it", err)
}

// stop ends reads and writes by a deadline long past; a connection that is reset
// at its end does not deliver what still waits.
func (s socket) stop(discard bool) {
	if c, ok := s.Conn.(*net.TCPConn); ok && discard {
		c.SetLinger(0)
	}
	s.SetDeadline(time.Unix(1, 0))
}
