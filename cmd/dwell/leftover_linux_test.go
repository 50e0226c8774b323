package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// What a test has left is found by its environment, whoever its parent is; what belongs
// to another test, of a longer name too, is spared.
func TestWhatIsLeftIsFound(t *testing.T) {
	started := func(own string) (*exec.Cmd, chan struct{}) {
		c, over := exec.Command("sleep", "60"), make(chan struct{})
		c.Env = append(os.Environ(), marked(own))
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		go func() { c.Wait(); close(over) }()
		t.Cleanup(func() { c.Process.Kill(); soon(over, patience) })
		return c, over
	}
	mine := filepath.Join(scratch, "left")
	_, over := started(mine)
	_, others := started(mine + "over")
	left := endLeft(marked(mine) + "\x00")
	if !soon(over, patience) || !slices.ContainsFunc(left, func(words string) bool { return strings.HasPrefix(words, "sleep 60") }) {
		t.Errorf("found only %q", left)
	}
	if len(left) != 1 || soon(others, 0) {
		t.Errorf("ended %q", left)
	}
}
