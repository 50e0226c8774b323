package clock

import (
	"syscall"
	"time"
	"unsafe"
)

// clock_gettime(2): the second one does not stand still while the system sleeps.
const (
	monotonic = 1
	boottime  = 7
)

func slept(time.Time) Instant {
	// Whoever is held up between two readings reads again.
	const near = Millisecond
	for range 100 {
		before, asleep, after := read(monotonic), read(boottime), read(monotonic)
		if after-before < near {
			return asleep - before
		}
	}
	return read(boottime) - read(monotonic)
}

func read(which uintptr) Instant {
	var t syscall.Timespec
	if _, _, failed := syscall.RawSyscall(syscall.SYS_CLOCK_GETTIME, which, uintptr(unsafe.Pointer(&t)), 0); failed != 0 {
		return 0
	}
	return Instant(t.Nano())
}
