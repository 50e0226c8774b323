package main

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"

	"github.com/spf13/cobra"
)

// twinServer is the virtual bench in wall time, behind real ports.
type twinServer struct {
	speech  *speech
	seed    uint64
	journal string
	write   string // a copy of the rig file with the ports filled in

	clock   clock.Clock
	bench   *twin.Bench
	rigDoc  *yamltext.Document
	closers []io.Closer
	mutex   sync.Mutex // of closers: connections come and go in system calls
}

func twinCommand(s *speech) *cobra.Command {
	var f files
	t := &twinServer{speech: s}
	c := &cobra.Command{
		Use:   "twin --rig RIG",
		Short: "serve the virtual bench behind real ports",
		Long: `twin serves the virtual counterpart of every instrument in the rig file: serial
ones behind a PTY, the others behind a TCP socket on this machine (all of them
behind sockets where there are no PTYs). Any program can talk to them. With
--write-rig it leaves a copy of the rig file that names these ports; it replaces a
file that it wrote before, and no other.

Type "place", "lift air", "lift moving air" or "lift cold block" to move the
virtual specimen by hand. Ctrl-C ends it.`,
		Example: `  dwell twin --rig examples/leaf-clip/rig.yaml --write-rig twin-rig.yaml --journal twin.jsonl
  dwell run --rig twin-rig.yaml --specimen examples/leaf-clip/specimen.yaml examples/leaf-clip/short.yaml`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if f.rig == "" {
				return usage(fmt.Errorf("twin needs --rig"))
			}
			return t.serve(f)
		},
	}
	c.Flags().StringVar(&f.rig, "rig", "", "the rig file")
	c.Flags().StringVar(&f.specimen, "specimen", "", "the specimen file (default: specimen.yaml beside the rig file)")
	c.Flags().Uint64Var(&t.seed, "seed", 1, "seed of the virtual bench")
	c.Flags().StringVar(&t.journal, "journal", "", "append a JSON line for everything that changes the virtual world")
	c.Flags().StringVar(&t.write, "write-rig", "", "write a copy of the rig file with these ports")
	return c
}

func (t *twinServer) serve(f files) error {
	m := &yamltext.Mistakes{}
	j := &job{}
	if err := j.bench(f, filepath.Dir(f.rig), m); err != nil {
		return err
	}
	if m.Len() > 0 {
		return t.speech.mistakes(m)
	}
	text, err := os.ReadFile(f.rig)
	if err != nil {
		return usage(err)
	}
	t.rigDoc = yamltext.Parse(f.rig, text, m)
	if err := t.mayWrite(); err != nil {
		return err
	}
	if t.bench, err = twin.New(j.rig, j.specimen, t.seed); err != nil {
		return usage(err)
	}
	if err := t.openJournal(); err != nil {
		return err
	}
	wall := clock.Wall(0)
	t.clock = wall
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	return wall.Run(func() error {
		defer t.closeAll()
		ports := map[string]string{}
		for _, d := range j.rig.Instruments {
			port, err := t.open(d)
			if err != nil {
				return fmt.Errorf("%s: %w", d.Name, err)
			}
			ports[d.Name] = port
			t.speech.say("%s: %s", d.Name, port)
		}
		if err := t.writeRig(ports); err != nil {
			return err
		}
		t.hands()
		wall.Go("virtual bench", func() error { return t.bench.Live(wall) })
		t.speech.say("the specimen lies on the plate; to move it, type: lift air, lift moving air, lift cold block, or place")
		t.speech.result("serving; end with Ctrl-C\n")
		return wall.Block(func() error { <-signals; return nil })
	})
}

// openJournal appends to the journal, unbuffered: it is a witness.
func (t *twinServer) openJournal() error {
	if t.journal == "" {
		return nil
	}
	f, err := os.OpenFile(t.journal, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o666)
	if err != nil {
		return usage(err)
	}
	t.closers = append(t.closers, f)
	t.bench.Journal(func(_ clock.Instant, line []byte) {
		if _, err := f.Write(append(line, '\n')); err != nil {
			t.speech.say("%s the journal cannot be written: %v", t.speech.red("error:"), err)
		}
	})
	return nil
}

// open puts one instrument behind a port of the kind that the rig file names, or
// where it says twin, of the kind that is usual for its dialect.
func (t *twinServer) open(d rig.Description) (string, error) {
	serial := d.Address.Kind == wire.Serial || d.Address.Kind == wire.Twin && d.Profile.Dialect != "scpi"
	if serial {
		if near, far, err := newPTY(); err == nil {
			t.closers = append(t.closers, near, far)
			t.clock.Go("line of "+d.Name, func() error {
				twin.Serve(t.clock, t.bench.Device(d.Name), near, d.Profile.Line)
				return nil
			})
			return "serial:" + far.Name(), nil
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	t.closers = append(t.closers, l)
	t.clock.Go("connections to "+d.Name, func() error { return t.accept(l, d) })
	return "tcp:" + l.Addr().String(), nil
}

// accept serves one connection after the other, as such instruments do.
func (t *twinServer) accept(l net.Listener, d rig.Description) error {
	for {
		var conn net.Conn
		err := t.clock.Block(func() (err error) { conn, err = l.Accept(); return err })
		if err != nil {
			return nil
		}
		t.add(conn)
		line := d.Profile.Line
		line.Baud = 0
		twin.Serve(t.clock, t.bench.Device(d.Name), conn, line)
		conn.Close()
	}
}

func (t *twinServer) add(c io.Closer) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.closers = append(t.closers, c)
}

func (t *twinServer) closeAll() {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	for _, c := range t.closers {
		c.Close()
	}
}

// hands moves the specimen as the person types. The goroutine that reads lives as
// long as the program.
func (t *twinServer) hands() {
	lines := make(chan string)
	over := make(chan struct{})
	go func() {
		for r := bufio.NewScanner(os.Stdin); r.Scan(); {
			select {
			case lines <- strings.TrimSpace(r.Text()):
			case <-over:
				return
			}
		}
	}()
	t.add(closing(func() { close(over) }))
	t.clock.Go("hands", func() error {
		for {
			var line string
			err := t.clock.Block(func() error {
				select {
				case line = <-lines:
					return nil
				case <-over:
					return io.EOF
				}
			})
			if err != nil {
				return nil
			}
			if err := t.bench.Move(t.clock.Now(), line); err != nil {
				t.speech.say("%v", err)
			}
		}
	})
}

type closing func()

func (c closing) Close() error { c(); return nil }
