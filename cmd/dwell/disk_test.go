//go:build unix

package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// smallDisk has a dwell write its run folder to a small file system of its own, in
// a mount namespace of its own. When it has ended, what it left is copied to kept.
// The test is skipped where the system does not allow that.
func smallDisk(t *testing.T, size, kept string, args ...string) (p *process, seen func() string) {
	t.Helper()
	const script = `mount -t tmpfs -o size="$1" none "$2" && out="$2" kept="$3" && shift 3 || exit 70
"$@"; code=$?; cp -r "$out/." "$kept"; exit $code`
	root := args[len(args)-1] // of the run folders
	for _, space := range [][]string{{"unshare", "-m"}, {"unshare", "-rm"}} {
		by, cancel := context.WithTimeout(t.Context(), patience)
		err := exec.CommandContext(by, space[0], append(space[1:], "mount", "-t", "tmpfs", "none", root)...).Run()
		cancel()
		if err != nil {
			continue
		}
		p = ready(t, args...)
		p.cmd.Args = append(append(space, "sh", "-c", script, "sh", size, root, kept), p.cmd.Args...)
		path, err := exec.LookPath(space[0])
		if err != nil {
			t.Fatal(err)
		}
		p.cmd.Path, p.cmd.Args[0] = path, path
		p.start()
		// From here the small disk is reached through its process.
		return p, func() string { return filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "root", root) }
	}
	t.Skip("no file system can be mounted in a namespace of its own here")
	return nil, nil
}

// The disk fills up in the middle of a run.
func TestTheDiskFillsUp(t *testing.T) {
	t.Parallel()
	s := serve(t)
	kept, root := t.TempDir(), t.TempDir()
	p, disk := smallDisk(t, "64m", kept, s.arguments("warm.yaml", "", "--json", "--out", root)...)
	s.until(0, "plate", "heat", 1)
	folder := theFolder(t, disk())
	before := acknowledged(t, folder)
	wait(t, "acknowledged readings", func() bool { return acknowledged(t, folder) > before+4 })
	text, chained := promised(t, folder)

	here := s.place()
	fill(t, filepath.Join(disk(), "filler"))
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	p.exits(exitFailed)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "failed", "safe": true, "exit": 4.0})
	if !strings.Contains(p.err.String(), "no space left") {
		t.Error("the reason is not said")
	}
	s.expectKept(theFolder(t, withoutFiller(t, kept)), text, chained)
}

// fill writes until nothing more fits.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 64<<10)
	for len(block) > 0 {
		if _, err := f.Write(block); err != nil {
			if !errors.Is(err, syscall.ENOSPC) {
				t.Fatal(err)
			}
			block = block[:len(block)/2]
		}
	}
}

func withoutFiller(t *testing.T, root string) string {
	t.Helper()
	if err := os.Remove(filepath.Join(root, "filler")); err != nil {
		t.Fatal(err)
	}
	return root
}

// Too little room for the whole run is seen before anything is touched.
func TestTheDiskIsTooSmall(t *testing.T) {
	t.Parallel()
	s := serve(t)
	root := t.TempDir()
	p, _ := smallDisk(t, "1m", t.TempDir(), s.arguments("warm.yaml", "", "--out", root)...)
	p.exits(exitUsage)
	if want := "the run needs about"; !strings.Contains(p.err.String(), want) {
		t.Errorf("expected the words %q", want)
	}
	s.expectNothing()
}

// A file that may not grow beyond a size, as a quota has it, is a full disk too.
// The limit is reached some seconds after the plate has begun to heat.
func TestAFileMayNotGrow(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a quarter of a minute")
	}
	t.Parallel()
	s := serve(t)
	root := t.TempDir()
	p := ready(t, s.arguments("warm.yaml", root, "--json")...)
	// In units of 512 bytes. The files that a folder is born with are smaller.
	p.cmd.Args = append([]string{"/bin/sh", "-c", `ulimit -f 48 && exec "$@"`, "sh"}, p.cmd.Args...)
	p.cmd.Path = "/bin/sh"
	p.start()
	s.until(0, "plate", "heat", 1)
	p.exits(exitFailed)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "failed", "safe": true, "exit": 4.0})
	if !strings.Contains(p.err.String(), "file too large") {
		t.Error("the reason is not said")
	}
	if n := acknowledged(t, theFolder(t, root)); n < 5 {
		t.Errorf("%d readings acknowledged", n)
	}
}

// A result that no disk took is no success; a reader that left is no failure.
func TestLostResultIsNoSuccess(t *testing.T) {
	t.Parallel()
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	for _, args := range [][]string{{"check", leafClip + "short.yaml"}, {"check", leafClip + "short.yaml", "--json"}} {
		p := ready(t, args...)
		p.cmd.Stdout = full
		p.start().exits(exitFailed)
		if !strings.Contains(p.err.String(), "the result was not written") {
			t.Errorf("%v: it says %s", args, p.err)
		}
	}
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	from.Close()
	defer to.Close()
	p := ready(t, "check", leafClip+"short.yaml")
	p.cmd.Stdout = to
	p.start().exits(exitDone)
}
