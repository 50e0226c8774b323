package logs

import (
	"os"

	"golang.org/x/sys/windows"
)

// freeBytes is what this user may still write.
func freeBytes(name string) (int64, error) {
	path, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(path, &free, nil, nil); err != nil {
		return 0, &os.PathError{Op: "GetDiskFreeSpaceEx", Path: name, Err: err}
	}
	return int64(free), nil
}

// syncDir does nothing: NTFS journals names by itself, and Windows offers no way to
// wait for a folder.
func syncDir(string) error { return nil }
