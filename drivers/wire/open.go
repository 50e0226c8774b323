package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"dwell/drivers/clock"

	"go.bug.st/serial"
)

// Attach returns a port to a device in this process.
func Attach(c clock.Clock, name string, d Device, line Line) *Port {
	return newPort(c, name, "twin", &inProcess{clock: c, device: d, line: line, change: clock.NewEvent(c)}, line)
}

// Open opens a serial line or a socket for this program alone. Closing the port
// does not give up the lock: that goes with the Lock.
func Open(c clock.Clock, name string, a Address, line Line, by clock.Instant) (*Port, error) {
	var rw io.ReadWriteCloser
	err := c.Block(func() (err error) {
		switch a.Kind {
		case Serial:
			rw, err = openSerial(a.Path, line)
		case TCP:
			rw, err = openSocket(a.Path, time.Duration(by-c.Now()))
		default:
			err = errors.New("a twin is attached, not opened")
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("%s on %s: cannot be opened: %w", name, a, err)
	}
	if a.Kind == TCP {
		line.Baud = 0
	}
	return newPort(c, name, a.Text, newStream(c, name, rw, line), line), nil
}

// mostDescriptor is the highest file descriptor a serial port may get: the serial
// library waits with select(2), whose sets end at 1024.
const mostDescriptor = 1000

func openSerial(path string, line Line) (io.ReadWriteCloser, error) {
	if err := descriptorsLeft(); err != nil {
		return nil, err
	}
	mode := &serial.Mode{BaudRate: line.Baud, DataBits: line.DataBits, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	switch line.Parity {
	case EvenParity:
		mode.Parity = serial.EvenParity
	case OddParity:
		mode.Parity = serial.OddParity
	}
	if line.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	p, err := serial.Open(path, mode)
	if err != nil {
		return nil, serialError(path, err)
	}
	if err := p.SetReadTimeout(serial.NoTimeout); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return serialPort{p}, nil
}

// serialPort turns the library's end of a line into an end of file: its Read gives
// "port closed" for a pulled cable and for our own Close alike.
type serialPort struct{ serial.Port }

func (p serialPort) Read(b []byte) (n int, err error) {
	defer func() { // the library's select panics on a descriptor it cannot hold
		if v := recover(); v != nil {
			err = fmt.Errorf("serial library: %v", v)
		}
	}()
	n, err = p.Port.Read(b)
	var pe *serial.PortError
	if errors.As(err, &pe) && pe.Code() == serial.PortClosed {
		return n, errUnplugged
	}
	return n, err
}

var errUnplugged = errors.New("the port is gone (cable or adapter pulled, or the other side closed)")

func serialError(path string, err error) error {
	var pe *serial.PortError
	if !errors.As(err, &pe) {
		return err
	}
	switch pe.Code() {
	case serial.PortNotFound:
		return fmt.Errorf("there is no port %s: is the instrument plugged in and switched on?", path)
	case serial.PortBusy:
		return fmt.Errorf("%s is used by another program", path)
	case serial.PermissionDenied:
		return fmt.Errorf("no permission to use %s: on Linux the user must be in the group that owns it (often dialout)", path)
	}
	return err
}

func descriptorsLeft() error {
	f, err := os.Open(os.DevNull)
	if err != nil {
		return err
	}
	defer f.Close()
	if f.Fd() >= mostDescriptor {
		return fmt.Errorf("too many open files (%d) for a serial port", f.Fd())
	}
	return nil
}

func openSocket(hostPort string, patience time.Duration) (io.ReadWriteCloser, error) {
	if patience <= 0 {
		return nil, os.ErrDeadlineExceeded
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	d := net.Dialer{KeepAlive: time.Second}
	conn, err := d.DialContext(ctx, "tcp", hostPort)
	if err != nil {
		return nil, err
	}
	return socket{conn}, nil
}

type socket struct{ net.Conn }

func (s socket) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	if errors.Is(err, io.EOF) {
		err = errors.New("the instrument closed the connection")
	}
	return n, err
}
