package wire

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// freeKey is a key that no other test and no other run of the tests uses.
func freeKey(t *testing.T) string {
	key := fmt.Sprintf("test:%s:%d:%d", t.Name(), os.Getpid(), time.Now().UnixNano())
	t.Cleanup(func() { removeLock(key) })
	return key
}

func removeLock(key string) {
	if path, err := lockPath(key); err == nil {
		os.Remove(path)
	}
}

func TestALockHasOneOwner(t *testing.T) {
	key := freeKey(t)
	first, err := Take(key, "the owner's text, quite long")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // a refusal must not free it
		var inUse *InUse
		second, err := Take(key, "another")
		if !errors.As(err, &inUse) || second != nil || inUse.Owner != "the owner's text, quite long" || inUse.What != key {
			t.Fatalf("got %v", err)
		}
		if want := key + " is in use by another run"; err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	other, err := Take(freeKey(t), "x")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(first.Give(), other.Give()); err != nil {
		t.Error(err)
	}
	third, err := Take(key, "short")
	if err != nil {
		t.Fatal(err)
	}
	var inUse *InUse
	if _, err := Take(key, "x"); !errors.As(err, &inUse) || inUse.Owner != "short" {
		t.Errorf("got %+v", inUse)
	}
	if err := third.Give(); err != nil {
		t.Error(err)
	}
}

const lockVariable = "DWELL_TEST_LOCK"

// TestTakeInAnotherProcess is that process: it says what came of it and keeps the
// lock until its input ends.
func TestTakeInAnotherProcess(t *testing.T) {
	key := os.Getenv(lockVariable)
	if key == "" {
		t.Skip("started by the tests below")
	}
	var inUse *InUse
	l, err := Take(key, "process of a test")
	switch {
	case errors.As(err, &inUse):
		fmt.Printf("in use by %s\n", inUse.Owner)
	case err != nil:
		fmt.Printf("failed: %v\n", err)
	default:
		fmt.Println("taken")
		io.Copy(io.Discard, os.Stdin)
		l.Give()
	}
}

// takeElsewhere starts another process that takes a lock, and returns what it says.
func takeElsewhere(t *testing.T, key string) (*exec.Cmd, io.Closer, string) {
	t.Helper()
	c := exec.Command(os.Args[0], "-test.run=^TestTakeInAnotherProcess$")
	c.Env = append(os.Environ(), lockVariable+"="+key)
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return c, in, strings.TrimSpace(line)
}

func TestALockIsSeenByOtherProcesses(t *testing.T) {
	key := freeKey(t)
	mine, err := Take(key, "run 1, process 7")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, said := takeElsewhere(t, key); said != "in use by run 1, process 7" {
		t.Errorf("the other process said %q", said)
	}
	if err := mine.Give(); err != nil {
		t.Error(err)
	}
	other, in, said := takeElsewhere(t, key)
	var inUse *InUse
	if _, err := Take(key, "x"); said != "taken" || !errors.As(err, &inUse) || inUse.Owner != "process of a test" {
		t.Errorf("the other process said %q, and here: %v", said, err)
	}
	in.Close()
	other.Wait()
	again, err := Take(key, "x")
	if err != nil {
		t.Fatal(err)
	}
	again.Give()
}

func TestALockEndsWithItsProcess(t *testing.T) {
	key := freeKey(t)
	owner, _, said := takeElsewhere(t, key)
	if said != "taken" {
		t.Fatalf("the other process said %q", said)
	}
	if err := owner.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	owner.Wait()
	mine, err := Take(key, "next")
	if err != nil {
		t.Fatal(err)
	}
	defer mine.Give()
	var inUse *InUse
	if _, err := Take(key, "x"); !errors.As(err, &inUse) || inUse.Owner != "next" { // nothing of the dead one's text
		t.Errorf("got %+v, %v", inUse, err)
	}
}
