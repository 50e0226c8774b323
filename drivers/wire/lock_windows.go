package wire

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockFile locks one byte far beyond the text, which stays readable for others.
func lockFile(f *os.File) error {
	far := windows.Overlapped{OffsetHigh: 1}
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &far)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errLocked
	}
	return err
}
