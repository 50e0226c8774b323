package main

import (
	"os"
	"os/signal"
	"syscall"

	"golang.org/x/sys/windows"
)

// apart gives a child process a group of its own and no console: neither Ctrl-C nor a
// window that is closed reaches it.
func apart() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{CreationFlags: windows.CREATE_NEW_PROCESS_GROUP | windows.DETACHED_PROCESS}
}

// deafen is for a process that nothing but its pipe may end.
func deafen() { signal.Ignore(os.Interrupt, syscall.SIGTERM, syscall.SIGHUP) }

// wakeful is for systems on which a terminal can stop a process.
func wakeful() {}
