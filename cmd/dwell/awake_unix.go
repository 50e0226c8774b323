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

// inhibitor is a program that keeps a system awake for as long as another runs. That other
// one is cat, which ends with our end of its pipe, however we end.
type inhibitor struct {
	words []string
	but   string // what it does not keep from sending the system to sleep
}

// inhibitors are tried in this order. A closed lid passes over what only forbids sleep
// (logind.conf(5), LidSwitchIgnoreInhibited; from memory), and not everybody may forbid more.
var inhibitors = map[string][]inhibitor{
	"linux":  {{systemdInhibit("sleep:idle:handle-lid-switch"), ""}, {systemdInhibit("sleep:idle"), lidStays}},
	"darwin": {{[]string{"caffeinate", "-i", "-s", "cat"}, lidStays}},
}

const lidStays = "closing its lid may still send it to sleep"

func systemdInhibit(what string) []string {
	return []string{"systemd-inhibit", "--what=" + what, "--who=dwell", "--why=an experiment is running", "--mode=block", "cat"}
}

// inhibitPatience is how long the system may take to grant it.
const inhibitPatience = 5 * clock.Second

func inhibitSleep() (but string, release func(), err error) {
	err = errors.New("dwell does not know how to on this system")
	for _, i := range inhibitors[runtime.GOOS] {
		if release, err = i.start(); err == nil {
			return i.but, release, nil
		}
	}
	return "", nil, err
}

func (i inhibitor) start() (release func(), err error) {
	words := i.words
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
