package main

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// exited returns a channel that is closed when a process, which need not be a child,
// has ended and let go of everything it had open; nil where the kernel has no handles
// of processes.
func exited(p *os.Process) <-chan struct{} {
	own := -1
	err := p.WithHandle(func(handle uintptr) {
		if fd, err := unix.FcntlInt(handle, unix.F_DUPFD_CLOEXEC, 0); err == nil {
			own = fd
		}
	})
	if err != nil || own < 0 {
		return nil
	}
	gone := make(chan struct{})
	go func() {
		for {
			_, err := unix.Poll([]unix.PollFd{{Fd: int32(own), Events: unix.POLLIN}}, -1)
			if err == nil {
				close(gone)
			}
			if !errors.Is(err, unix.EINTR) {
				return
			}
		}
	}()
	return gone
}
