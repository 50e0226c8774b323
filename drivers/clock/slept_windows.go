package clock

import (
	"syscall"
	"time"
	"unsafe"
)

// slept is the time since the start less that without suspends (kernel32, since
// Windows 7), both counted by the system.
func slept(time.Time) Instant {
	kernel := syscall.NewLazyDLL("kernel32.dll")
	awake, all := kernel.NewProc("QueryUnbiasedInterruptTime"), kernel.NewProc("GetTickCount64")
	if awake.Find() != nil || all.Find() != nil || unsafe.Sizeof(uintptr(0)) < 8 {
		return 0 // a count of 64 bits does not come back whole in a register of 32
	}
	var hundredsOfNs uint64
	awake.Call(uintptr(unsafe.Pointer(&hundredsOfNs)))
	ms, _, _ := all.Call()
	return Instant(ms)*Millisecond - Instant(hundredsOfNs)*100
}
