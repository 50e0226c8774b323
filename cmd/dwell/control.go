package main

import (
	"bufio"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"time"

	"dwell/drivers/clock"
)

// A run that owns ports listens on the machine's own loopback address for one
// request: "make safe". The address and a secret stand in the text of the port's
// lock, so that whoever may open the lock file may ask.

// owner is what stands in a lock file.
type owner struct {
	PID     int    `json:"pid"`
	Control string `json:"control"`
	Secret  string `json:"secret"`
}

// control is the listening side.
type control struct {
	listener net.Listener
	owner    owner
	asked    chan net.Conn
	closed   chan struct{}
}

func newControl() (*control, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	secret := make([]byte, 16)
	rand.Read(secret)
	c := &control{listener: l, asked: make(chan net.Conn), closed: make(chan struct{}),
		owner: owner{os.Getpid(), l.Addr().String(), hex.EncodeToString(secret)}}
	go c.accept()
	return c, nil
}

// text is what the locks carry.
func (c *control) text() string {
	b, _ := json.Marshal(c.owner) // a struct of an int and two strings always marshals
	return string(b)
}

// asking is what the locks carry while a person is asked, and no run can be: whoever needs
// the rig then ends this process.
func asking() string {
	b, _ := json.Marshal(owner{PID: os.Getpid()})
	return string(b)
}

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

// serve stops the run when somebody asks, answers at once, and again when the bench
// is safe or not.
func (c *control) serve(k clock.Clock, stop func(), done func() (safe, over bool)) {
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
			k.Go("answer to control", func() error {
				defer conn.Close()
				for {
					if safe, over := done(); over {
						conn.SetDeadline(wallDeadline(controlPatience))
						fmt.Fprintln(conn, map[bool]string{true: "safe", false: "not safe"}[safe])
						return nil
					}
					if k.Sleep(k.Now()+20*clock.Millisecond) != nil {
						return nil
					}
				}
			})
		}
	})
}

func (c *control) close() {
	close(c.closed)
	c.listener.Close()
}

// askOwner asks the run that has a port to make the bench safe. It returns what the
// run said: answered is false if nothing came within the time it has.
func askOwner(o owner, most clock.Instant) (safe, answered bool) {
	conn, err := net.DialTimeout("tcp", o.Control, time.Duration(controlPatience))
	if err != nil {
		return false, false
	}
	defer conn.Close()
	conn.SetDeadline(wallDeadline(controlPatience))
	fmt.Fprintf(conn, "make safe %s\n", o.Secret)
	r := bufio.NewReader(conn)
	if line, err := r.ReadString('\n'); err != nil || line != "stopping\n" {
		return false, false
	}
	conn.SetDeadline(wallDeadline(most))
	line, err := r.ReadString('\n')
	return line == "safe\n", err == nil
}

// wallDeadline is a moment for the network library, which only knows the calendar.
func wallDeadline(in clock.Instant) time.Time {
	return clock.Today().UTC.Add(time.Duration(in))
}
