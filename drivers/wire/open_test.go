package wire

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What a network says in numbers is said in words, the same for every system's numbers;
// what is our own stays as it is.
func TestSocketErrors(t *testing.T) {
	call := func(no syscall.Errno) error {
		return &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", no)}
	}
	for _, c := range []struct {
		err  error
		says string
	}{
		{call(syscall.ECONNREFUSED), "is refused there"},
		{call(10061), "is refused there"},
		{call(syscall.EHOSTUNREACH), "no way to it"},
		{call(10051), "no way to it"},
		{call(syscall.ECONNRESET), "broken the connection off"},
		{call(syscall.EPIPE), "broken the connection off"},
		{call(10054), "broken the connection off"},
		{call(syscall.ETIMEDOUT), "switched on"},
		{context.DeadlineExceeded, "switched on"},
		{&net.DNSError{Err: "no such host", Name: "plate.invalid", IsNotFound: true}, "is plate.invalid:5025 written right"},
		{os.ErrDeadlineExceeded, os.ErrDeadlineExceeded.Error()},
		{errClosed, errClosed.Error()},
	} {
		if got := socketError("plate.invalid:5025", c.err).Error(); !strings.Contains(got, c.says) || strings.Contains(got, "tcp") {
			t.Errorf("%v: %q, expected %q", c.err, got, c.says)
		}
	}
	if socketError("plate:1", nil) != nil {
		t.Error("an error out of none")
	}
}

// A connection that nobody takes, that is cut while it is read, and that is closed: by real
// sockets.
func TestSocketsThatFail(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		linger int
		says   string
	}{{-1, "the instrument closed the connection"}, {0, "broken the connection off"}} {
		there := make(chan net.Conn, 1)
		go func() {
			c, err := l.Accept()
			if err != nil {
				close(there)
				return
			}
			there <- c
		}()
		s, err := openSocket(l.Addr().String(), 10*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		other, ok := <-there
		if !ok {
			t.Fatal("nothing came")
		}
		other.(*net.TCPConn).SetLinger(c.linger)
		other.Close()
		if _, err := s.Read(make([]byte, 1)); err == nil || err.Error() == io.EOF.Error() || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, expected %q", err, c.says)
		}
		s.Close()
	}
	address := l.Addr().String()
	l.Close()
	if _, err := openSocket(address, 10*time.Second); err == nil || !strings.Contains(err.Error(), "is refused there") || errors.Is(err, syscall.ECONNREFUSED) {
		t.Errorf("%v, expected words", err)
	}
}
