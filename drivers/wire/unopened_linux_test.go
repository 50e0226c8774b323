package wire

import (
	"os/exec"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

func TestAnUnopenedPortSendsNothing(t *testing.T) {
	c := clock.Virtual(0)
	err := c.Run(func() error {
		p := Unopened(c, "plate", Address{Text: "serial:/dev/ttyNONE", Kind: Serial}, plate7E1)
		if err := p.Seize(clock.Second); err != nil {
			return err
		}
		defer p.End()
		x, err := p.Exchange([]byte("STOP_1\r\n"), nil, clock.Second)
		if err == nil || x.Ended != LinkLost || !strings.Contains(err.Error(), "plate on serial:/dev/ttyNONE") {
			t.Errorf("ended %s, %v", x.Ended, err)
		}
		if p.Lost() == nil {
			t.Error("the link is said to stand")
		}
		return p.Close()
	})
	if err != nil {
		t.Error(err)
	}
}

// A process that is started while a port is open must not keep it open.
func TestAChildDoesNotGetThePort(t *testing.T) {
	at := ptyPlace(t)
	c := clock.Wall(0)
	err := c.Run(func() error {
		p, _, err := open(c, at)
		if err != nil {
			return err
		}
		if len(opened(t, at)) == 0 {
			t.Error("the port is not open: the test shows nothing")
		}
		out, err := exec.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
		if err != nil {
			return err
		}
		if path := strings.TrimPrefix(at.address, "serial:"); strings.Contains(string(out), path) {
			t.Errorf("a child has %s open:\n%s", path, out)
		}
		return p.Close()
	})
	if err != nil {
		t.Error(err)
	}
}
