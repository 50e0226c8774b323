package main

import (
	"runtime"

	"golang.org/x/sys/windows"
)

// SetThreadExecutionState (winbase.h) holds for as long as the thread that called it.
const (
	esContinuous     = 0x80000000
	esSystemRequired = 0x00000001
)

// inhibitSleep keeps idleness from sending the computer to sleep, and no more than that.
func inhibitSleep() (but string, release func(), err error) {
	set := windows.NewLazySystemDLL("kernel32.dll").NewProc("SetThreadExecutionState")
	if err := set.Find(); err != nil {
		return "", nil, err
	}
	over, result := make(chan struct{}), make(chan error)
	go func() {
		runtime.LockOSThread()
		was, _, failure := set.Call(esContinuous | esSystemRequired)
		if was == 0 {
			result <- failure
			return
		}
		result <- nil
		<-over
	}()
	if err := <-result; err != nil {
		return "", nil, err
	}
	return "its lid and its power button may still send it to sleep", func() { close(over) }, nil
}
