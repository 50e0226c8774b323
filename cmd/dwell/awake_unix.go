//go:build unix

package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"

	"dwell/drivers/clock"
)

// inhibitors are programs that keep a system awake for as long as another runs. That
// other one is cat, which ends with our end of its pipe, however we end.
var inhibitors = map[string][]string{
	"linux":  {"systemd-inhibit", "--what=sleep:idle", "--who=dwell", "--why=an experiment is running", "--mode=block", "cat"},
	"darwin": {"caffeinate", "-i", "-s", "cat"},
}

// inhibitPatience is how long the system may take to grant it.
const inhibitPatience = 5 * clock.Second

func inhibitSleep() (release func(), err error) {
	words := inhibitors[runtime.GOOS]
	if len(words) == 0 {
		return nil, errors.New("dwell does not know how to on this system")
	}
	in, to, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	from, out, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(err, in.Close(), to.Close())
	}
	defer from.Close()
	var complaint bytes.Buffer
	c := exec.Command(words[0], words[1:]...)
	c.Stdin, c.Stdout, c.Stderr = in, out, &complaint
	c.SysProcAttr = apart()
	err = c.Start()
	in.Close()
	out.Close()
	if err != nil {
		return nil, errors.Join(err, to.Close())
	}
	to.WriteString("awake\n")
	from.SetReadDeadline(wallDeadline(inhibitPatience))
	if _, err := bufio.NewReader(from).ReadString('\n'); err != nil { // cat was never started
		to.Close()
		c.Process.Kill()
		c.Wait()
		return nil, fmt.Errorf("%s: %s", words[0], strings.TrimSpace(complaint.String()))
	}
	return func() {
		to.Close()
		go c.Wait() // it ends by itself; nobody waits for that
	}, nil
}
