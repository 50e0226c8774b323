package twin

import (
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/dialect"
	"dwell/drivers/wire"

	"github.com/creack/pty"
)

// served is a bench in wall time with its plate behind a PTY and its meter behind a
// socket; f is the client. Opening the port makes the PTY raw.
func served(t *testing.T, f func(c *clock.WallClock, b *Bench, plate, meter wire.Address) error) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("no PTY here: %v", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := aBench(t, nil)
	c := clock.Wall(0)
	err = c.Run(func() error {
		defer l.Close()
		defer slave.Close() // ends the read of the other side: the library leaves it blocking
		c.Go("plate", func() error { Serve(c, b.Device("plate"), master, line7E1); return nil })
		c.Go("meter", func() error {
			for {
				var conn net.Conn
				if err := c.Block(func() (err error) { conn, err = l.Accept(); return err }); err != nil {
					return nil
				}
				if err := Serve(c, b.Device("meter"), conn, socket); err != nil {
					t.Logf("meter: %v", err)
				}
			}
		})
		c.Go("bench", func() error { return b.Live(c) })
		return f(c, b, wire.Address{Text: "serial:" + slave.Name(), Kind: wire.Serial, Path: slave.Name()},
			wire.Address{Text: "tcp:" + l.Addr().String(), Kind: wire.TCP, Path: l.Addr().String()})
	})
	if err != nil {
		t.Fatal(err)
	}
}

// opened is a port that is the caller's.
func opened(c clock.Clock, name string, a wire.Address, line wire.Line) (*wire.Port, error) {
	p, err := wire.Open(c, name, a, line, c.Now()+5*clock.Second)
	if err != nil {
		return nil, err
	}
	return p, p.Begin(c.Now() + clock.Second)
}

// TestServe has the same conversation in wall time, over real ports, as the bench
// has in virtual time.
func TestServe(t *testing.T) {
	conversation := []struct{ name, told, answer string }{
		{"plate", "IN_NAME\r\n", "HOTPLATE A \r\n"}, {"plate", "OUT_SP_1 30.0\r\n", ""}, {"plate", "IN_SP_1\r\n", "30.0 1 \r\n"},
		{"meter", "*IDN?\n", "VIRTUAL INSTRUMENTS,SOURCE-METER A,0001,1.0\n"}, {"meter", sourcing, ""}, {"meter", "SYST:ERR?\n", "0,\"No error\"\n"},
		{"meter", "FORM:ELEM CURR;:READ?\n", "+1.000000E-05\n"}, {"meter", "OUTP?\n", "1\n"},
	}
	served(t, func(c *clock.WallClock, b *Bench, plate, meter wire.Address) error {
		ports := map[string]*wire.Port{}
		var err error
		if ports["plate"], err = opened(c, "plate", plate, line7E1); err != nil {
			return err
		}
		if ports["meter"], err = opened(c, "meter", meter, socket); err != nil {
			return err
		}
		for _, l := range conversation {
			var end wire.Framing
			if l.answer != "" {
				end = dialect.Line
			}
			x, err := ports[l.name].Exchange([]byte(l.told), end, c.Now()+5*clock.Second)
			if err != nil {
				return err
			}
			if string(x.Reply) != l.answer {
				t.Errorf("%s was told %q and answered %q, expected %q", l.name, l.told, x.Reply, l.answer)
			}
			// 9 characters and 8 at 9600 baud, and the plate's own time.
			if least := line7E1.Lasting(17) + answerTime; l.told == "IN_SP_1\r\n" && x.Last-x.Sent < least {
				t.Errorf("the answer of the plate was there after %v ms, sooner than the line allows", float64(x.Last-x.Sent)/1e6)
			}
		}
		return errors.Join(ports["meter"].Close(), ports["plate"].Close())
	})
}

// A client that comes after one that left does not get the other's answer, nor does
// half a line of the other's spoil its own; what the other did holds.
func TestServeAfterAnother(t *testing.T) {
	served(t, func(c *clock.WallClock, b *Bench, _, meter wire.Address) error {
		var first net.Conn
		err := c.Block(func() (err error) {
			if first, err = net.Dial("tcp", meter.Path); err == nil {
				_, err = io.WriteString(first, sourcing+"SENS:VOLT:NPLC 10;:READ?\nSOUR:CU")
			}
			return err
		})
		if err != nil {
			return err
		}
		for by := c.Now() + 5*clock.Second; b.World().Source().Mode == SourceOff; {
			if c.Now() > by {
				return errors.New("the first client was not heard")
			}
			if err := c.Sleep(c.Now() + clock.Millisecond); err != nil {
				return err
			}
		}
		first.Close()
		p, err := opened(c, "meter", meter, socket)
		if err != nil {
			return err
		}
		x, err := p.Exchange([]byte("OUTP?\n"), dialect.Line, c.Now()+5*clock.Second)
		if err != nil {
			return err
		}
		if string(x.Reply) != "1\n" {
			t.Errorf("the second client asked for the output and got %q", x.Reply)
		}
		return p.Close()
	})
}

// What an instrument does by itself is in the journal soon after, with nobody there.
func TestLiveWithNobodyThere(t *testing.T) {
	b := aBench(t, nil)
	journal := journalOf(b)
	ask(b, "plate", 0, "START_1\r\nOUT_WD1@20\r\n")
	b.find("plate").dueAt = b.World().Now() + 300*clock.Millisecond // or the test would take as long as a watchdog
	c := clock.Wall(b.World().Now())
	c.Go("bench", func() error { return b.Live(c) })
	err := c.Run(func() error {
		for by := c.Now() + 5*clock.Second; !strings.Contains(journal.String(), noteWatchdog); {
			if c.Now() > by {
				return errors.New("the watchdog is not in the journal")
			}
			if err := c.Sleep(c.Now() + 10*clock.Millisecond); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// An end of the world ends a server whose client says nothing.
func TestServeEndsWithTheWorld(t *testing.T) {
	began := time.Now()
	served(t, func(c *clock.WallClock, b *Bench, plate, _ wire.Address) error {
		p, err := opened(c, "plate", plate, line7E1)
		if err != nil {
			return err
		}
		return p.Close()
	})
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("the end took %v", took)
	}
}
