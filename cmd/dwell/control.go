package main

import (
	"bufio"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dwell/drivers/clock"
)

// A run that owns ports listens on the machine's own loopback address for one
// request: "make safe". The address and a secret stand in the text of the port's
// lock, so that whoever may open the lock file may ask.

// owner is what stands in a lock file.
type owner struct {
	PID     int    `json:"pid"`
	Role    string `json:"role,omitempty"`   // roleGuard, of the guard of a run that is gone
	Folder  string `json:"folder,omitempty"` // of the run, once it has one
	Control string `json:"control"`
	Secret  string `json:"secret"`
}

const roleGuard = "guard"

// in is the text of a lock with the folder of the run added.
func in(text, folder string) string {
	var o owner
	whole, err := filepath.Abs(folder)
	if err != nil || json.Unmarshal([]byte(text), &o) != nil {
		return text
	}
	o.Folder = whole
	return o.text()
}

func (o owner) text() string {
	b, _ := json.Marshal(o) // a struct of an int and strings always marshals
	return string(b)
}

// control is the listening side.
type control struct {
	listener net.Listener
	owner    owner
	asked    chan net.Conn
	closed   chan struct{}
	waiting  int // for an answer
}

func newControl() (*control, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	secret := make([]byte, 16)
	rand.Read(secret)
	c := &control{listener: l, asked: make(chan net.Conn), closed: make(chan struct{}),
		owner: owner{PID: os.Getpid(), Control: l.Addr().String(), Secret: hex.EncodeToString(secret)}}
	go c.accept()
	return c, nil
}

// text is what the locks carry.
func (c *control) text() string { return c.owner.text() }

// asking is what the locks carry while a person is asked, and no run can be: whoever needs
// the rig then ends this process.
func asking() string { return owner{PID: os.Getpid()}.text() }

// accept hands on every connection that knows the secret.
func (c *control) accept() {
	for {
		conn, err := c.listener.Accept()
		if err != nil {
			return
		}
		conn.SetDeadline(wallDeadline(controlPatience))
		line, err := bufio.NewReader(conn).ReadString('\n')
		if err != nil || line != "make safe "+c.owner.Secret+"\n" {
			conn.Close()
			continue
		}
		select {
		case c.asked <- conn:
		case <-c.closed:
			conn.Close()
		}
	}
}

// controlPatience is how long either side waits for the other's words.
const controlPatience = clock.Second

const (
	// stateEvery is how often somebody who waits is told how it stands.
	stateEvery = 5 * clock.Second
	// answerAfter is how soon after its end they hear of it.
	answerAfter = 20 * clock.Millisecond
)

// serve stops the run when somebody asks, answers at once, says now and then how it stands,
// if there is something to say, and at last whether the bench is safe or not.
func (c *control) serve(k clock.Clock, stop func(), state func() string, done func() (safe, over bool)) {
	k.Go("control", func() error {
		for {
			var conn net.Conn
			err := k.Block(func() error {
				select {
				case conn = <-c.asked:
					return nil
				case <-c.closed:
					return net.ErrClosed
				}
			})
			if err != nil {
				return nil
			}
			stop()
			fmt.Fprintln(conn, "stopping")
			c.waiting++
			k.Go("answer to control", func() error {
				defer func() { c.waiting-- }()
				defer conn.Close()
				for next := k.Now(); ; {
					if safe, over := done(); over {
						conn.SetDeadline(wallDeadline(controlPatience))
						fmt.Fprintln(conn, map[bool]string{true: "safe", false: "not safe"}[safe])
						return nil
					}
					if text := state(); text != "" && k.Now() >= next {
						next = k.Now() + stateEvery
						conn.SetDeadline(wallDeadline(controlPatience))
						fmt.Fprintln(conn, "state "+strings.ReplaceAll(text, "\n", " "))
					}
					if k.Sleep(k.Now()+answerAfter) != nil {
						return nil
					}
				}
			})
		}
	})
}

// answered waits until everybody who asked has been answered.
func (c *control) answered(k clock.Clock, by clock.Instant) {
	for c.waiting > 0 && k.Now() < by && k.Sleep(k.Now()+answerAfter) == nil {
	}
}

func (c *control) close() {
	close(c.closed)
	c.listener.Close()
}

// askOwner asks whoever has a port to make the bench safe, and hands on how that stands. It
// returns what came last: "safe", "not safe", "stopping" when nothing else came within the
// time it has, and "" when nobody answers.
func askOwner(o owner, most clock.Instant, told func(state string)) string {
	conn, err := net.DialTimeout("tcp", o.Control, time.Duration(controlPatience))
	if err != nil {
		return ""
	}
	defer conn.Close()
	conn.SetDeadline(wallDeadline(controlPatience))
	fmt.Fprintf(conn, "make safe %s\n", o.Secret)
	r := bufio.NewReader(conn)
	if line, err := r.ReadString('\n'); err != nil || line != "stopping\n" {
		return ""
	}
	conn.SetDeadline(wallDeadline(most))
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return "stopping"
		}
		state, is := strings.CutPrefix(strings.TrimSuffix(line, "\n"), "state ")
		if !is {
			return state
		}
		told(state)
	}
}

// wallDeadline is a moment for the network library, which only knows the calendar.
func wallDeadline(in clock.Instant) time.Time {
	return clock.Today().UTC.Add(time.Duration(in))
}
