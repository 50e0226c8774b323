package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// TestFileSystemsAgree runs the same calls on the disk and in memory: what a drill
// sees must be what a run would.
func TestFileSystemsAgree(t *testing.T) {
	said := map[string]string{}
	for name, disk := range map[string]FS{"disk": Disk{}, "memory": NewMemory()} {
		root := "root"
		if name == "disk" {
			root = t.TempDir()
		} else if err := disk.Mkdir(root); err != nil {
			t.Fatal(err)
		}
		said[name] = tour(disk, root)
	}
	if said["disk"] != said["memory"] {
		t.Errorf("the disk says\n%s\nthe memory says\n%s", said["disk"], said["memory"])
	}
	if n := strings.Count(said["disk"], "\n"); n != 34 {
		t.Errorf("expected 34 answers, got %d:\n%s", n, said["disk"])
	}
}

// tour makes calls that go well and badly, and writes down what came of each.
func tour(disk FS, root string) string {
	var b strings.Builder
	say := func(what string, err error, more ...any) {
		kind := "ok"
		for _, k := range []error{fs.ErrExist, fs.ErrNotExist, io.EOF} {
			if errors.Is(err, k) {
				kind = k.Error()
			}
		}
		if kind == "ok" && err != nil {
			kind = "some error"
		}
		fmt.Fprintln(&b, what, kind, more)
	}
	at := func(name string) string { return filepath.Join(root, name) }
	say("mkdir", disk.Mkdir(at("d")))
	say("mkdir again", disk.Mkdir(at("d")))
	say("mkdir in nothing", disk.Mkdir(at("no/d")))
	f, err := disk.Create(at("d/f"))
	say("create", err)
	_, err = disk.Create(at("d/f"))
	say("create again", err)
	_, err = disk.Create(at("no/f"))
	say("create in nothing", err)
	_, err = disk.Open(at("no"))
	say("open nothing", err)
	_, err = disk.Append(at("no"))
	say("append to nothing", err)
	n, err := f.Write([]byte("0123456789"))
	say("write", err, n)
	say("sync", f.Sync())
	buf := make([]byte, 4)
	n, err = f.ReadAt(buf, 3)
	say("read", err, n, string(buf[:n]))
	n, err = f.ReadAt(buf, 8)
	say("read over the end", err, n, string(buf[:n]))
	n, err = f.ReadAt(buf, 10)
	say("read at the end", err, n)
	say("truncate", f.Truncate(5))
	n, err = f.Write([]byte("ab"))
	say("write after", err, n)
	size, err := f.Size()
	say("size", err, size)
	say("close", f.Close())
	f, err = disk.Open(at("d/f"))
	say("open", err)
	_, err = f.Write([]byte("x"))
	say("write to what is open to read", err)
	say("truncate what is open to read", f.Truncate(0))
	n, err = f.ReadAt(make([]byte, 7), 0)
	say("read all", err, n)
	f.Close()
	f, err = disk.Append(at("d/f"))
	say("append", err)
	_, err = f.Write([]byte("!"))
	say("write at the end", err)
	f.Close()
	f, _ = disk.Create(at("d/g"))
	f.Close()
	say("rename over", disk.Rename(at("d/g"), at("d/f")))
	say("rename nothing", disk.Rename(at("d/g"), at("d/h")))
	say("rename back", disk.Rename(at("d/f"), at("d/h")))
	f, _ = disk.Create(at("e"))
	f.Close()
	say("syncdir", disk.SyncDir(root))
	entries, err := disk.List(root)
	for i := range entries {
		if entries[i].Dir {
			entries[i].Size = 0 // a file system's own business
		}
	}
	say("list", err, entries)
	_, err = disk.List(at("no"))
	say("list nothing", err)
	say("remove a full folder", nil, disk.Remove(at("d")) != nil)
	say("remove", disk.Remove(at("d/h")))
	say("remove again", disk.Remove(at("d/h")))
	say("remove an empty folder", disk.Remove(at("d")))
	free, err := disk.Free(root)
	say("free", err, free > 0)
	return b.String()
}

// TestCrashClone: what was synced is there, what was not may be.
func TestCrashClone(t *testing.T) {
	m := NewMemory()
	m.Mkdir("d")
	m.SyncDir(".")
	f, _ := m.Create("d/kept")
	old := bytes.Repeat([]byte("old."), 500)
	f.Write(old)
	f.Sync()
	m.SyncDir("d")
	f.Write(bytes.Repeat([]byte("new."), 2000))
	g, _ := m.Create("d/perhaps")
	g.Write([]byte("x"))
	g.Sync()
	seen := map[string]bool{}
	for seed := range uint64(300) {
		for _, percent := range []int{0, 50, 100} {
			c := m.CrashClone(percent, seed)
			got := content(t, c, "d/kept")
			if !strings.HasPrefix(got, string(old)) || strings.Trim(got[len(old):], "new.\x00") != "" {
				t.Fatalf("%d %%: synced content is lost: %d bytes", percent, len(got))
			}
			_, err := c.Open("d/perhaps")
			there := fmt.Sprint(percent, " file ", err == nil)
			seen[there] = true
			seen[fmt.Sprint(percent, " whole ", got == string(f.(*memoryFile).n.data))] = true
			seen[fmt.Sprint(percent, " old only ", got == string(old))] = true
			if strings.Contains(got, "\x00.") || strings.Contains(got, "\x00n") {
				seen["hole"] = true
			}
			if again := content(t, m.CrashClone(percent, seed), "d/kept"); again != got {
				t.Fatal("the same seed crashes differently")
			}
		}
	}
	for _, want := range []string{"0 file false", "100 file true", "50 file true", "50 file false", "0 old only true", "100 whole true", "50 whole false", "50 old only false", "hole"} {
		if !seen[want] {
			t.Errorf("never seen: %s", want)
		}
	}
	for _, never := range []string{"0 file true", "100 file false", "0 old only false", "100 whole false"} {
		if seen[never] {
			t.Errorf("seen: %s", never)
		}
	}
}

// TestRenamesCrashWhole: a replaced file is the old or the new one, never none.
func TestRenamesCrashWhole(t *testing.T) {
	m := NewMemory()
	m.Mkdir("d")
	m.SyncDir(".")
	replaceFile(m, "d/f", []byte("old"))
	var between []*Memory
	m.Before = func(c Call) error {
		for seed := range uint64(20) {
			between = append(between, m.CrashClone(50, seed))
		}
		return nil
	}
	if err := replaceFile(m, "d/f", []byte("new")); err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, c := range between {
		seen[content(t, c, "d/f")]++
	}
	if len(seen) != 2 || seen["old"] == 0 || seen["new"] == 0 {
		t.Errorf("expected old and new, got %v", seen)
	}
	m.Before = nil
	if got := content(t, m.CrashClone(0, 1), "d/f"); got != "new" {
		t.Errorf("replaced and synced, and yet %q", got)
	}
}

// TestFailedSyncLies: the second sync succeeds, and the bytes are gone, as on Linux.
func TestFailedSyncLies(t *testing.T) {
	m := NewMemory()
	f, _ := m.Create("f")
	m.SyncDir(".")
	f.Write([]byte("one "))
	m.Before = func(c Call) error {
		if c.Op == "sync" {
			return errors.New("broken")
		}
		return nil
	}
	if err := f.Sync(); err == nil {
		t.Fatal("expected an error")
	}
	m.Before = nil
	f.Write([]byte("two"))
	if err := f.Sync(); err != nil {
		t.Fatal(err)
	}
	if got := content(t, m.CrashClone(0, 1), "f"); got != "\x00\x00\x00\x00two" {
		t.Errorf("got %q", got)
	}
}

func TestCapacity(t *testing.T) {
	m := NewMemory()
	m.Capacity = 10
	f, _ := m.Create("f")
	if n, err := f.Write([]byte("123456")); n != 6 || err != nil {
		t.Fatal(n, err)
	}
	if n, err := f.Write([]byte("123456")); n != 4 || !errors.Is(err, ErrFull) {
		t.Fatal(n, err)
	}
	f.Truncate(3)
	if free, _ := m.Free("."); free != 7 {
		t.Errorf("free: %d", free)
	}
	m.Remove("f")
	if free, _ := m.Free("."); free != 10 {
		t.Errorf("free: %d", free)
	}
}

func TestRoom(t *testing.T) {
	m := NewMemory()
	m.Capacity = 50_000_000
	if err := Room(m, "not/there/yet", 25_000_000); err != nil {
		t.Error(err)
	}
	err := Room(m, "not/there/yet", 25_000_001)
	if err == nil || !strings.Contains(err.Error(), "needs about 25.0 MB, and as much again should stay free, but only 50.0 MB are free") {
		t.Errorf("got %v", err)
	}
	if err := Room(Disk{}, filepath.Join(t.TempDir(), "runs", "x"), 1); err != nil {
		t.Error(err)
	}
	if err := Room(Disk{}, t.TempDir(), 1<<62); err == nil {
		t.Error("expected no disk of 4 EB")
	}
}

// nothingSynced spares a test the copies that Memory keeps of synced content.
type nothingSynced struct{ FS }
type unsyncedFile struct{ File }

func (d nothingSynced) Append(name string) (File, error) {
	f, err := d.FS.Append(name)
	return unsyncedFile{f}, err
}
func (unsyncedFile) Sync() error { return nil }

func commit2(w *Writer) {
	if b := w.Begin(); b != nil {
		b.Commit()
		b.Done()
	}
}

func TestFolderName(t *testing.T) {
	for _, c := range [][4]string{
		{"20260102T030405Z", "staircase", "foil-07", "20260102T030405Z-staircase-foil-07"},
		{"20260102T030405Z", "up & down", "Folie 7/ä", "20260102T030405Z-up___down-Folie_7__"},
		{"20260102T030405Z", "x", "", "20260102T030405Z-x"},
		{"20260102T030405Z", "x", "a.", "20260102T030405Z-x-a"},
		{"20260102T030405Z", strings.Repeat("é", 99), "..", "20260102T030405Z-" + strings.Repeat("_", 60) + "-"},
	} {
		if got := FolderName(c[0], c[1], c[2]); got != c[3] {
			t.Errorf("%q: expected %q, got %q", c[:3], c[3], got)
		}
	}
}
