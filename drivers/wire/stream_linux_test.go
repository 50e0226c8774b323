package wire

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"

	"github.com/creack/pty"
	"go.bug.st/serial"
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
	return place{"serial:" + slave.Name(), line, 64 << 10, readable + mostWrite, int(slave.Fd()), func() far { return master }}
}

// The serial library writes to a descriptor's number after its Close, and whoever
// opens a file next has that number.
func TestAClosedPortDoesNotWriteIntoTheNextFile(t *testing.T) {
	for _, stuck := range []bool{false, true} {
		at := ptyPlace(t)
		c := clock.Wall(0)
		err := c.Run(func() error {
			p, end, err := open(c, at)
			if err != nil {
				return err
			}
			descriptors := opened(t, at)
			if err := p.Begin(c.Now() + clock.Second); err != nil {
				return err
			}
			if stuck {
				p.Exchange(at.command(), nil, c.Now()+200*ms)
			}
			// A write that does not end keeps its descriptor, so that nobody gets it.
			err = p.Close()
			if left := opened(t, at); (len(left) > 0) != stuck || errors.Is(err, errLeft) != stuck {
				t.Errorf("stuck %v: closed with %v, still open as %v", stuck, err, left)
			}
			var files []*os.File
			reused := false
			for range 10 {
				f, err := os.Create(filepath.Join(t.TempDir(), "readings.csv"))
				if err != nil {
					return err
				}
				defer f.Close()
				files = append(files, f)
				reused = reused || slices.Contains(descriptors, int(f.Fd()))
			}
			if reused == stuck {
				t.Errorf("stuck %v: a file has got a descriptor of %v: %v", stuck, descriptors, reused)
			}
			for range 3 {
				p.Exchange([]byte("SOUR:VOLT 40\n"), nil, c.Now()+50*ms)
			}
			p.Close()
			go io.Copy(io.Discard, end) // whoever still writes is set free
			until(t, c, "end of the descriptor", func() bool { return len(opened(t, at)) == 0 })
			for _, f := range files {
				if i, err := f.Stat(); err != nil || i.Size() != 0 {
					t.Errorf("stuck %v: a file holds %d bytes, %v", stuck, i.Size(), err)
				}
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// opened lists the descriptors of a serial port, without the test's own.
func opened(t *testing.T, at place) (numbers []int) {
	t.Helper()
	const own = "/proc/self/fd"
	entries, err := os.ReadDir(own)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if target, _ := os.Readlink(filepath.Join(own, e.Name())); "serial:"+target == at.address {
			if n, _ := strconv.Atoi(e.Name()); n != at.own {
				numbers = append(numbers, n)
			}
		}
	}
	return numbers
}

func TestAPortBeyondTheLibrarysDescriptorsIsRefused(t *testing.T) {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil || limit.Cur < mostDescriptor+100 {
		t.Skipf("only %d files may be open", limit.Cur)
	}
	at := ptyPlace(t)
	for n := 0; n < mostDescriptor; {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		n = int(f.Fd())
	}
	c := clock.Wall(0)
	err := c.Run(func() error {
		_, _, err := open(c, at)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "too many open files") {
		t.Errorf("got %v", err)
	}
}

// Should the library meet such a descriptor all the same, its panic is an error.
func TestThePanicOfTheLibraryIsAnError(t *testing.T) {
	p := &serialPort{Port: panicking{}}
	if _, err := p.Read(nil); err == nil || !strings.Contains(err.Error(), "serial library: out of range") {
		t.Errorf("got %v", err)
	}
}

type panicking struct{ serial.Port }

func (panicking) Read([]byte) (int, error) { panic("out of range") }

func TestASerialLineIsAskedForInFull(t *testing.T) {
	for _, x := range []struct {
		line Line
		want serial.Mode
	}{
		{Line{Baud: 9600, DataBits: 7, Parity: EvenParity, StopBits: 1}, serial.Mode{BaudRate: 9600, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.OneStopBit}},
		{Line{Baud: 19200, DataBits: 7, Parity: OddParity, StopBits: 2}, serial.Mode{BaudRate: 19200, DataBits: 7, Parity: serial.OddParity, StopBits: serial.TwoStopBits}},
		{Line{Baud: 115200, DataBits: 8, StopBits: 1}, serial.Mode{BaudRate: 115200, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}},
	} {
		if got, err := x.line.mode(); err != nil || *got != x.want {
			t.Errorf("%+v: got %+v, %v", x.line, got, err)
		}
	}
	at := ptyPlace(t)
	at.line = plate7E1
	live(t, at, func(c *clock.WallClock, p *Port, end far, _ *book) error {
		settings, err := unix.IoctlGetTermios(opened(t, at)[0], unix.TCGETS)
		if err != nil {
			return err
		}
		if settings.Cflag&unix.CBAUD != unix.B9600 || settings.Lflag&(unix.ECHO|unix.ICANON|unix.ISIG) != 0 || settings.Iflag&(unix.IXON|unix.ICRNL) != 0 {
			t.Errorf("the line is set to %+v", settings)
		}
		return nil
	})
}

// Two names of one adapter are one port. (The lock is of a file's name, since others
// on this machine may have locked the PTY's number for a PTY that is gone.)
func TestAPortIsOneBehindItsLinks(t *testing.T) {
	adapter := filepath.Join(t.TempDir(), "adapter")
	if err := os.WriteFile(adapter, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{ptyPlace(t).address, "serial:" + adapter} {
		link := filepath.Join(t.TempDir(), "usb-plate")
		if err := os.Symlink(strings.TrimPrefix(address, "serial:"), link); err != nil {
			t.Fatal(err)
		}
		if key(t, "serial:"+link) != key(t, address) {
			t.Errorf("%s has the key %q, its link %q", address, key(t, address), key(t, "serial:"+link))
		}
		if address != "serial:"+adapter {
			continue
		}
		defer removeLock(key(t, address))
		mine, err := Take(key(t, "serial:"+link), "run 1")
		if err != nil {
			t.Fatal(err)
		}
		defer mine.Give()
		var inUse *InUse
		if _, err := Take(key(t, address), "run 2"); !errors.As(err, &inUse) || inUse.Owner != "run 1" {
			t.Errorf("got %v", err)
		}
	}
}
