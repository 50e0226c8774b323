package clock

import "syscall"

// synchronised asks the kernel about its time discipline: adjtimex(2), STA_UNSYNC
// in status, maxerror in microseconds.
func synchronised() (string, float64) {
	var t syscall.Timex
	if _, err := syscall.Adjtimex(&t); err != nil {
		return "not known", 0
	}
	const unsynchronised = 0x40
	if t.Status&unsynchronised != 0 {
		return "no", 0
	}
	return "yes", float64(t.Maxerror) * 1e-6
}
