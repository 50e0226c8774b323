package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
)

// Memory is a file system for drills and tests. It can be slow, full, or fail at a
// chosen call (see Before and Capacity), and it can be cut from its power: it
// remembers what was synced, CrashClone shows what a crash may leave. It is used by
// one process at a time.
type Memory struct {
	// Before is called before each operation when set. It may wait, and its error
	// is the operation's. A Sync that fails drops what it should have written, as
	// Linux does: a second one succeeds, and the bytes are gone.
	Before func(c Call) error
	// Capacity is how many bytes of content fit, 0 for no limit. The write that
	// comes to it is cut short with ErrFull.
	Capacity int64

	root *node
	used int64
}

// Call is one operation: mkdir create append open rename remove syncdir list free,
// read write truncate sync size close.
type Call struct {
	Op, Name string
	Bytes    int
}

// Changes tells whether a call touches the disk other than by reading.
func (c Call) Changes() bool {
	switch c.Op {
	case "append", "open", "list", "free", "read", "size", "close":
		return false
	}
	return true
}

func (c Call) String() string { return fmt.Sprintf("%s %s", c.Op, c.Name) }

// ErrFull is what Memory says when its capacity is used up.
var ErrFull = errors.New("no space left on the device")

// sector is the unit in which unsynced content is lost.
const sector = 512

// node is a file or a folder, as it is and as the disk has it.
type node struct {
	dir            bool
	data, durable  []byte
	dirty          int // data and durable agree below
	names, settled map[string]*node
	pending        []naming // made since the last SyncDir
}

// naming is a change of names in a folder: remove one, and set one.
type naming struct {
	remove, set string
	to          *node
}

func newDir() *node { return &node{dir: true, names: map[string]*node{}, settled: map[string]*node{}} }

// NewMemory is an empty file system.
func NewMemory() *Memory { return &Memory{root: newDir()} }

func (m *Memory) before(op, name string, n int) error {
	if m.Before == nil {
		return nil
	}
	return m.Before(Call{op, name, n})
}

// find looks a path up, from the root down. The working folder is the root.
func (m *Memory) find(name string) *node {
	name = filepath.Clean(name)
	above := filepath.Dir(name)
	if name == "." || name == above {
		return m.root
	}
	parent := m.find(above)
	if parent == nil || !parent.dir {
		return nil
	}
	return parent.names[filepath.Base(name)]
}

// place finds the folder of a path and its last name.
func (m *Memory) place(op, name string) (*node, string, error) {
	if err := m.before(op, name, 0); err != nil {
		return nil, "", &fs.PathError{Op: op, Path: name, Err: err}
	}
	parent := m.find(filepath.Dir(name))
	if parent == nil || !parent.dir {
		return nil, "", &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	return parent, filepath.Base(filepath.Clean(name)), nil
}

func (d *node) rename(n naming) {
	if n.remove != "" {
		delete(d.names, n.remove)
	}
	if n.set != "" {
		d.names[n.set] = n.to
	}
	d.pending = append(d.pending, n)
}

func (m *Memory) add(op, name string, n *node) error {
	parent, base, err := m.place(op, name)
	if err != nil {
		return err
	}
	if parent.names[base] != nil || m.find(name) == m.root {
		return &fs.PathError{Op: op, Path: name, Err: fs.ErrExist}
	}
	parent.rename(naming{set: base, to: n})
	return nil
}

func (m *Memory) Mkdir(name string) error { return m.add("mkdir", name, newDir()) }

func (m *Memory) Create(name string) (File, error) {
	n := &node{}
	if err := m.add("create", name, n); err != nil {
		return nil, err
	}
	return &memoryFile{m, n, name, true}, nil
}

func (m *Memory) Append(name string) (File, error) { return m.open("append", name, true) }
func (m *Memory) Open(name string) (File, error)   { return m.open("open", name, false) }

func (m *Memory) open(op, name string, write bool) (File, error) {
	parent, base, err := m.place(op, name)
	if err != nil {
		return nil, err
	}
	n := parent.names[base]
	if n == nil || n.dir {
		return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	return &memoryFile{m, n, name, write}, nil
}

func (m *Memory) Rename(from, to string) error {
	parent, base, err := m.place("rename", from)
	if err != nil {
		return err
	}
	n := parent.names[base]
	target := filepath.Base(filepath.Clean(to))
	if n == nil || m.find(filepath.Dir(to)) != parent {
		return &fs.PathError{Op: "rename", Path: from, Err: fs.ErrNotExist}
	}
	if old := parent.names[target]; old != nil {
		if old.dir || n.dir {
			return &fs.PathError{Op: "rename", Path: to, Err: fs.ErrExist}
		}
		m.used -= int64(len(old.data))
	}
	parent.rename(naming{base, target, n})
	return nil
}

func (m *Memory) Remove(name string) error {
	parent, base, err := m.place("remove", name)
	if err != nil {
		return err
	}
	n := parent.names[base]
	if n == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	if len(n.names) > 0 {
		return &fs.PathError{Op: "remove", Path: name, Err: errors.New("the folder is not empty")}
	}
	m.used -= int64(len(n.data))
	parent.rename(naming{remove: base})
	return nil
}

func (m *Memory) folder(op, name string) (*node, error) {
	if err := m.before(op, name, 0); err != nil {
		return nil, &fs.PathError{Op: op, Path: name, Err: err}
	}
	n := m.find(name)
	if n == nil || !n.dir {
		return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	return n, nil
}

func (m *Memory) SyncDir(name string) error {
	d, err := m.folder("syncdir", name)
	if err != nil {
		return err
	}
	d.settled, d.pending = maps.Clone(d.names), nil
	return nil
}

func (m *Memory) List(name string) ([]Entry, error) {
	d, err := m.folder("list", name)
	if err != nil {
		return nil, err
	}
	var entries []Entry
	for _, base := range slices.Sorted(maps.Keys(d.names)) {
		n := d.names[base]
		entries = append(entries, Entry{base, n.dir, int64(len(n.data))})
	}
	return entries, nil
}

func (m *Memory) Free(name string) (int64, error) {
	if _, err := m.folder("free", name); err != nil {
		return 0, err
	}
	if m.Capacity == 0 {
		return 1 << 40, nil
	}
	return m.Capacity - m.used, nil
}

type memoryFile struct {
	m     *Memory
	n     *node
	name  string
	write bool
}

func (f *memoryFile) before(op string, n int) error {
	if err := f.m.before(op, f.name, n); err != nil {
		return &fs.PathError{Op: op, Path: f.name, Err: err}
	}
	if !f.write && (op == "write" || op == "truncate" || op == "sync") {
		return &fs.PathError{Op: op, Path: f.name, Err: fs.ErrPermission}
	}
	return nil
}

func (f *memoryFile) ReadAt(p []byte, offset int64) (int, error) {
	if err := f.before("read", len(p)); err != nil {
		return 0, err
	}
	if offset < 0 || offset >= int64(len(f.n.data)) {
		return 0, io.EOF
	}
	n := copy(p, f.n.data[offset:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memoryFile) Write(p []byte) (int, error) {
	if err := f.before("write", len(p)); err != nil {
		return 0, err
	}
	fits := p
	if f.m.Capacity > 0 {
		fits = p[:max(0, min(int64(len(p)), f.m.Capacity-f.m.used))]
	}
	f.n.data = append(f.n.data, fits...)
	f.m.used += int64(len(fits))
	if len(fits) < len(p) {
		return len(fits), &fs.PathError{Op: "write", Path: f.name, Err: ErrFull}
	}
	return len(p), nil
}

func (f *memoryFile) Truncate(size int64) error {
	if err := f.before("truncate", int(size)); err != nil {
		return err
	}
	if size < 0 || size > int64(len(f.n.data)) {
		return &fs.PathError{Op: "truncate", Path: f.name, Err: fs.ErrInvalid}
	}
	f.m.used -= int64(len(f.n.data)) - size
	f.n.data = f.n.data[:size]
	f.n.dirty = min(f.n.dirty, int(size))
	return nil
}

func (f *memoryFile) Sync() error {
	err := f.before("sync", 0)
	n := f.n
	if err == nil {
		n.durable = append(n.durable[:min(n.dirty, len(n.durable))], make([]byte, max(0, n.dirty-len(n.durable)))...)
		n.durable = append(n.durable, n.data[n.dirty:]...)
	}
	n.dirty = len(n.data)
	return err
}

func (f *memoryFile) Size() (int64, error) { return int64(len(f.n.data)), f.before("size", 0) }
func (f *memoryFile) Close() error         { return f.before("close", 0) }

// CrashClone is a copy of the file system as a power cut might leave it: all that
// was synced, and of the rest percent in a hundred, chosen by seed sector by sector
// and name by name. Where the end of a file is kept and its content is not, there
// are zeros.
func (m *Memory) CrashClone(percent int, seed uint64) *Memory {
	keep := chance{percent, rand.New(rand.NewPCG(seed, uint64(percent)))}
	c := &Memory{Capacity: m.Capacity}
	c.root = m.root.crash(keep, c)
	return c
}

type chance struct {
	percent int
	rng     *rand.Rand
}

func (c chance) yes() bool { return c.rng.IntN(100) < c.percent }

func (n *node) crash(keep chance, into *Memory) *node {
	if !n.dir {
		b := n.crashContent(keep)
		into.used += int64(len(b))
		return &node{data: b, durable: bytes.Clone(b), dirty: len(b)}
	}
	names := maps.Clone(n.settled)
	for _, p := range n.pending {
		if !keep.yes() {
			continue
		}
		delete(names, p.remove)
		if p.set != "" {
			names[p.set] = p.to
		}
	}
	d := newDir()
	for _, base := range slices.Sorted(maps.Keys(names)) {
		d.names[base] = names[base].crash(keep, into)
	}
	d.settled = maps.Clone(d.names)
	return d
}

func (n *node) crashContent(keep chance) []byte {
	size := len(n.durable)
	if keep.yes() {
		size = len(n.data)
	} else if grown := len(n.data) - size; grown > 0 && keep.percent > 0 {
		size += keep.rng.IntN(grown + 1)
	}
	b := make([]byte, size)
	copy(b, n.durable)
	for at := n.dirty / sector * sector; at < len(n.data) && at < size; at += sector {
		if keep.yes() {
			copy(b[at:], n.data[at:min(at+sector, len(n.data))])
		}
	}
	return b
}
