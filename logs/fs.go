package logs

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// FS is the file system below a run folder: Disk, or Memory in drills. Names are
// paths of the operating system.
type FS interface {
	Mkdir(name string) error           // fs.ErrExist if there is anything of that name
	Create(name string) (File, error)  // fs.ErrExist likewise
	Append(name string) (File, error)  // an existing file, writes go to its end
	Open(name string) (File, error)    // an existing file, to read
	Rename(from, to string) error      // within one folder; a file in the way is replaced
	Remove(name string) error          // a file or an empty folder
	SyncDir(name string) error         // names of files in the folder survive a power cut
	List(name string) ([]Entry, error) // sorted by name
	Free(name string) (int64, error)   // bytes that can still be written beside name
}

// File is one open file.
type File interface {
	io.ReaderAt
	io.Writer // at the end
	Truncate(size int64) error
	Sync() error // the content survives a power cut
	Size() (int64, error)
	Close() error
}

// Entry is one name in a folder.
type Entry struct {
	Name string
	Dir  bool
	Size int64
}

// Disk is the file system of the machine.
type Disk struct{}

type diskFile struct{ *os.File }

func (f diskFile) Size() (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

func openDisk(name string, flags int) (File, error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() { // a pipe would be waited for
		return nil, &fs.PathError{Op: "open", Path: name, Err: errors.New("it is no ordinary file")}
	}
	f, err := os.OpenFile(name, flags, 0o666)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

func (Disk) Mkdir(name string) error { return os.Mkdir(name, 0o777) }
func (Disk) Create(name string) (File, error) {
	return openDisk(name, os.O_RDWR|os.O_APPEND|os.O_CREATE|os.O_EXCL)
}
func (Disk) Append(name string) (File, error) { return openDisk(name, os.O_RDWR|os.O_APPEND) }
func (Disk) Open(name string) (File, error)   { return openDisk(name, os.O_RDONLY) }
func (Disk) Rename(from, to string) error     { return os.Rename(from, to) }
func (Disk) Remove(name string) error         { return os.Remove(name) }
func (Disk) SyncDir(name string) error        { return syncDir(name) }
func (Disk) Free(name string) (int64, error)  { return freeBytes(name) }

func (Disk) List(name string) ([]Entry, error) {
	found, err := os.ReadDir(name)
	if err != nil {
		return nil, err
	}
	entries := make([]Entry, 0, len(found))
	for _, f := range found {
		info, err := f.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue // removed in the meantime
		}
		if err != nil {
			return nil, err
		}
		entries = append(entries, Entry{f.Name(), f.IsDir(), info.Size()})
	}
	return entries, nil
}

// Room says whether at or above the folder root, which may not exist yet, twice the
// bytes are free that a run needs: others write too.
func Room(disk FS, root string, need int64) error {
	for {
		free, err := disk.Free(root)
		above := filepath.Dir(root)
		if errors.Is(err, fs.ErrNotExist) && above != root {
			root = above
			continue
		}
		if err != nil {
			return fmt.Errorf("free space of %s: %w", root, err)
		}
		if need > free/2 {
			return fmt.Errorf("%s: the run needs about %s, and as much again should stay free, but only %s are free", root, megabytes(need), megabytes(free))
		}
		return nil
	}
}

func megabytes(n int64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }

// FolderName is <UTC start>-<protocol>-<specimen> with every sign that a file
// system might refuse replaced. The caller gives the time, as 20061102T150405Z.
func FolderName(utc, protocol, specimen string) string {
	safe := func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.' {
			return r
		}
		return '_'
	}
	parts := []string{utc, protocol, specimen}
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == "" })
	for i, p := range parts {
		p = strings.Map(safe, p)
		parts[i] = p[:min(len(p), 60)]
	}
	return strings.TrimRight(strings.Join(parts, "-"), ".")
}

// makeRoot makes a folder and those above it, each durable in its parent.
func makeRoot(disk FS, root string) error {
	if _, err := disk.List(root); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	above := filepath.Dir(root)
	if above != root {
		if err := makeRoot(disk, above); err != nil {
			return err
		}
	}
	if err := disk.Mkdir(root); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return disk.SyncDir(above)
}

// exists tells whether there is anything of that name.
func exists(disk FS, name string) (bool, error) {
	entries, err := disk.List(filepath.Dir(name))
	return slices.ContainsFunc(entries, func(e Entry) bool { return e.Name == filepath.Base(name) }), err
}

// createFile writes a new file whole and syncs it.
func createFile(disk FS, name string, write func(f File) error) error {
	f, err := disk.Create(name)
	if err != nil {
		return err
	}
	if err = write(f); err == nil {
		err = f.Sync()
	}
	if err2 := f.Close(); err == nil {
		err = err2
	}
	return err
}

// replaceWith puts a new file in the place of an old one, or of none, so that a
// crash leaves the one or the other.
func replaceWith(disk FS, name string, write func(f File) error) error {
	if err := disk.Remove(name + temporary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := createFile(disk, name+temporary, write); err != nil {
		disk.Remove(name + temporary) // as far as the disk lets us
		return err
	}
	if err := disk.Rename(name+temporary, name); err != nil {
		return err
	}
	return disk.SyncDir(filepath.Dir(name))
}

func replaceFile(disk FS, name string, content []byte) error {
	return replaceWith(disk, name, func(f File) error { return writeAll(f, content) })
}

// writeAll takes a short write without an error for the error it is.
func writeAll(f File, b []byte) error {
	n, err := f.Write(b)
	if err == nil && n < len(b) {
		err = io.ErrShortWrite
	}
	return err
}

// readFile reads a file of bounded size.
func readFile(disk FS, name string, most int64) ([]byte, error) {
	f, err := disk.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	if size > most {
		return nil, fmt.Errorf("%s: %d bytes, at most %d are read", name, size, most)
	}
	b := make([]byte, size)
	n, err := f.ReadAt(b, 0)
	if err == io.EOF || n == len(b) {
		err = nil
	}
	return b[:n], err
}
