//go:build unix

package wire

import (
	"syscall"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// openAlone opens a serial port so that no child process gets it too: the library
// leaves that open, and a child that outlives us, as a guard does, would keep the
// line. The library hides its descriptors, so all that there may be are told; the
// others are so already.
func openAlone(path string, mode *serial.Mode) (serial.Port, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	p, err := serial.Open(path, mode)
	for fd := firstOfOurs; fd <= mostDescriptor; fd++ {
		unix.CloseOnExec(fd)
	}
	return p, err
}

// firstOfOurs comes after standard input, output and error.
const firstOfOurs = 3
