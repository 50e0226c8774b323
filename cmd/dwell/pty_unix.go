//go:build unix

package main

import (
	"io"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// newPTY makes a pair of a PTY. The far side stays open with it: a client that
// leaves must not end the line. The near side is opened again without blocking, so
// that closing it ends a read.
func newPTY() (near io.ReadWriteCloser, far *os.File, err error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, nil, err
	}
	defer master.Close()
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		slave.Close()
		return nil, nil, err
	}
	fd, err := unix.FcntlInt(master.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err != nil {
		slave.Close()
		return nil, nil, err
	}
	return os.NewFile(uintptr(fd), master.Name()), slave, nil
}
