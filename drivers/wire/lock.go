package wire

import (
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"path/filepath"
)

// Lock is the sole right to a port, or to a whole rig, among all programs of this
// machine that ask. It lives in a file that the system locks, so that it ends with
// the process however that ends; the file's text tells others how to reach the
// owner. The exclusive mode of a serial line is no substitute: it is void for an
// administrator, and a socket has none.
type Lock struct{ file *os.File }

// InUse says who has a port.
type InUse struct {
	What  string
	Owner string // the text the owner left
}

func (e *InUse) Error() string {
	return fmt.Sprintf("%s is in use by another run", e.What)
}

// Take takes the lock on key, or returns *InUse with the owner's text.
func Take(key, owner string) (*Lock, error) {
	path, err := lockPath(key)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, fmt.Errorf("lock of %s: %w", key, err)
	}
	if err := lockFile(f); err != nil {
		text, _ := io.ReadAll(io.LimitReader(f, 4096))
		f.Close()
		if errors.Is(err, errLocked) {
			return nil, &InUse{What: key, Owner: string(text)}
		}
		return nil, fmt.Errorf("lock of %s: %w", key, err)
	}
	f.Chmod(0o666) // as above
	lock := &Lock{f}
	if err := lock.Own(owner); err != nil {
		f.Close()
		return nil, fmt.Errorf("lock of %s: %w", key, err)
	}
	return lock, nil
}

// Own leaves another word of who has the lock, and how to reach them.
func (l *Lock) Own(owner string) error {
	_, err := l.file.WriteAt([]byte(owner), 0)
	if err == nil {
		err = l.file.Truncate(int64(len(owner)))
	}
	return err
}

// Give gives the lock up. The file stays: to remove it would let two owners lock
// two files of one name.
func (l *Lock) Give() error { return errors.Join(l.file.Truncate(0), l.file.Close()) }

var errLocked = errors.New("locked")

func lockPath(key string) (string, error) {
	dir := filepath.Join(os.TempDir(), "dwell-locks")
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return "", err
	}
	os.Chmod(dir, 0o777) // for other users of the bench; only its owner can, and has
	h := fnv.New64a()
	h.Write([]byte(key))
	return filepath.Join(dir, fmt.Sprintf("%016x.lock", h.Sum64())), nil
}
