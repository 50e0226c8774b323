//go:build linux || darwin || freebsd

package logs

import (
	"os"
	"syscall"
)

// freeBytes is what an ordinary user may still write.
func freeBytes(name string) (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(name, &s); err != nil {
		return 0, &os.PathError{Op: "statfs", Path: name, Err: err}
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

func syncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	err = d.Sync()
	if err2 := d.Close(); err == nil {
		err = err2
	}
	return err
}
