package wire

import (
	"os"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

var places = map[string]func(t *testing.T) place{"pty": ptyPlace, "tcp": socketPlace}

// ptyPlace is a pseudo-terminal, whose master the instrument has. It holds 20 KiB,
// which at 9600 baud would take longer than any test.
func ptyPlace(t *testing.T) place {
	t.Helper()
	blocking, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	// To close a file that blocks does not end a read of it: poll instead.
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	blocking.Close()
	if err := unix.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	master := os.NewFile(uintptr(fd), "master of "+slave.Name())
	t.Cleanup(func() { master.Close(); slave.Close() })
	line := plate7E1
	line.Baud = 4_000_000
	const readable = 4096 // what the master's end has taken over cannot be taken back
	return place{"serial:" + slave.Name(), line, 64 << 10, readable + mostWrite, func() far { return master }}
}
