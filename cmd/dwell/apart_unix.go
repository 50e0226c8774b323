//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// apart puts a child process into a session of its own: neither a signal to our group
// nor a terminal that hangs up reaches it.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setsid: true} }

// deafen is for a process that nothing but its pipe may end.
func deafen() {
	signal.Ignore(syscall.SIGHUP, syscall.SIGINT, syscall.SIGTERM, syscall.SIGQUIT, syscall.SIGTSTP, syscall.SIGTTIN, syscall.SIGTTOU)
}

// wakeful keeps a run from being stopped by Ctrl-Z, or by reading from a terminal that
// it was put in the background of: its guard would take it for hung.
func wakeful() { signal.Ignore(syscall.SIGTSTP, syscall.SIGTTIN, syscall.SIGTTOU) }
