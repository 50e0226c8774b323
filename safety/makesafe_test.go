package safety

import (
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

func exampleText(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile("../examples/leaf-clip/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// abandoned is the example's bench after its run has died: the meter behind a socket
// with its output on, the plate on a port that is not there.
func abandoned(t *testing.T) (*rig.Rig, *twin.Bench, net.Listener) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(exampleText(t, "rig.yaml"), "port: twin", "port: \"serial:"+filepath.Join(t.TempDir(), "gone")+"\"", 1)
	text = strings.Replace(text, "port: twin", "port: \"tcp:"+l.Addr().String()+"\"", 1)
	m := &yamltext.Mistakes{}
	r := rig.Load(yamltext.Parse("rig.yaml", []byte(text), m), nil, m)
	s := rig.LoadSpecimen(yamltext.Parse("specimen.yaml", []byte(exampleText(t, "specimen.yaml")), m), m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	b, err := twin.New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"SOUR:FUNC CURR\n", "SOUR:CURR 1e-5\n", "OUTP ON\n"} {
		b.Device("meter").Receive(0, []byte(words))
	}
	b.Advance(clock.Second / 10)
	if b.World().Source().Mode == twin.SourceOff {
		t.Fatal("the meter drives nothing: there is nothing to make safe")
	}
	return r, b, l
}

// An instrument whose port is not there, or that somebody else has, keeps no other.
func TestWhatCannotBeOpenedKeepsNobodyElse(t *testing.T) {
	r, virtual, l := abandoned(t)
	c := clock.Wall(0)
	err := c.Run(func() error {
		c.Go("virtual bench", func() error { return virtual.Live(c) })
		c.Go("connections", func() error {
			for {
				var conn io.ReadWriteCloser
				if c.Block(func() (err error) { conn, err = l.Accept(); return err }) != nil {
					return nil
				}
				line := r.Instruments[1].Profile.Line
				line.Baud = 0
				twin.Serve(c, virtual.Device("meter"), conn, line)
				conn.Close()
			}
		})
		defer l.Close()
		lock, err := wire.Take(r.Instruments[1].Address.Key(), "the run that is ending")
		if err != nil {
			return err
		}
		began := c.Now()
		const held = 200 * clock.Millisecond
		c.Go("the end of the last owner", func() error {
			defer lock.Give()
			return c.Sleep(began + held)
		})
		var safeAt clock.Instant
		bench := rig.Unopened(c, r, "a test")
		report := MakeSafe(c, bench, func() bool { return safeAt > 0 }, func(e drivers.Evidence) {
			if e.Instrument == "meter" && e.Grade == drivers.Direct {
				safeAt = e.At
			}
		})
		if report.Confirmed || len(report.Evidence) != 2 {
			t.Errorf("report %+v", report)
		}
		if e := report.Evidence[0]; e.Instrument != "plate" || e.Grade != drivers.Unconfirmed || !strings.Contains(e.Text, "there is no port") {
			t.Errorf("the plate: %+v", e)
		}
		if safeAt < began+held || safeAt > began+held+3*clock.Second {
			t.Errorf("the meter was safe after %g s, its port was free after %g s", (safeAt - began).Seconds(), held.Seconds())
		}
		if on := virtual.World().Source().Mode; on != twin.SourceOff {
			t.Errorf("the meter drives the film still: %v", on)
		}
		// Somebody was seen to have it, and may make the same bench safe: it is given up.
		if lock, err := wire.Take(r.Instruments[1].Address.Key(), "x"); err != nil {
			t.Errorf("the port is kept by who made it safe: %v", err)
		} else {
			lock.Give()
		}
		return bench.Close()
	})
	if err != nil {
		t.Error(err)
	}
}
