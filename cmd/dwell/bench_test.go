//go:build unix

package main

import (
	"encoding/json"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/yamltext"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// served is the virtual bench in this process, in wall time, behind real ports: the
// plate behind a PTY, the meter behind a socket, the stage, if there is one, behind another
// PTY. Its journal is the witness of what
// dwell has done to the world, and what goes over its lines can be spoiled.
type served struct {
	t     *testing.T
	dir   string // of the example's rig and specimen
	rig   string // the file that names the ports
	clock *clock.WallClock
	began time.Time // of the clock
	bench *twin.Bench
	hands chan func() // what is to be done in the bench's time
	plate *line
	meter *line
	stage *line // nil: none

	mutex   sync.Mutex
	journal []entry
	news    chan struct{} // closed when there is another entry
	truth   []truth
}

// entry is a line of the journal.
type entry struct {
	AtS        float64  `json:"at_s"`
	Instrument string   `json:"instrument"`
	What       string   `json:"what"`
	Value      *float64 `json:"value"`
	Text       string   `json:"text"`
}

func (e entry) is(instrument, what string, value float64) bool {
	return e.Instrument == instrument && e.What == what && e.Value != nil && *e.Value == value
}

// truth is the world at a moment.
type truth struct {
	at                   time.Time
	plate, foil, filmOhm float64
}

// line is one instrument's line, with what is done to its bytes.
type line struct {
	about rig.Description
	path  string // the PTY's stable name, or the socket's address

	mutex    sync.Mutex
	hear     func([]byte) []byte // what the instrument hears of what came; nil: all of it
	say      func([]byte) []byte // what leaves of what it says
	listener net.Listener
	ends     []io.Closer // of the connections, or of the PTY
	over     bool        // the test is: nothing may connect any more
}

// spoil has the instrument hear and say something else from now on.
func (l *line) spoil(hear, say func([]byte) []byte) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	l.hear, l.say = hear, say
}

// spoiled is a connection of a line.
type spoiled struct {
	io.ReadWriteCloser
	line *line
}

func (s spoiled) Read(b []byte) (int, error) {
	n, err := s.ReadWriteCloser.Read(b)
	s.line.mutex.Lock()
	hear := s.line.hear
	s.line.mutex.Unlock()
	if hear == nil || n <= 0 {
		return n, err
	}
	return copy(b, hear(b[:n])), err
}

func (s spoiled) Write(b []byte) (int, error) {
	s.line.mutex.Lock()
	say := s.line.say
	s.line.mutex.Unlock()
	out := b
	if say != nil {
		out = say(append([]byte(nil), b...))
	}
	if len(out) > 0 {
		if n, err := s.ReadWriteCloser.Write(out); err != nil {
			return n, err
		}
	}
	return len(b), nil
}

// serve builds the example's bench and puts it behind ports until the test ends.
func serve(t *testing.T) *served {
	t.Helper()
	return serveRigOf(t, leafClip)
}

// serveRigOf does so with the rig and the specimen of a folder.
func serveRigOf(t *testing.T, dir string) *served {
	t.Helper()
	s := &served{t: t, dir: dir, hands: make(chan func()), news: make(chan struct{})}
	var f files
	m := &yamltext.Mistakes{}
	j := &job{}
	if err := j.bench(f, dir, m); err != nil || m.Len() > 0 {
		m.Print(os.Stderr)
		t.Fatal("the example's rig", err)
	}
	var err error
	if s.bench, err = twin.New(j.rig, j.specimen, 1); err != nil {
		t.Fatal(err)
	}
	s.bench.Journal(s.note)
	s.plate, s.meter = &line{about: j.rig.Instruments[0]}, &line{about: j.rig.Instruments[1]}
	if len(j.rig.Instruments) > 2 {
		s.stage = &line{about: j.rig.Instruments[2]}
	}
	s.clock, s.began = clock.Wall(0), time.Now()
	ready, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		if err := s.clock.Run(func() error { return s.live(ready) }); err != nil {
			t.Errorf("the virtual bench: %v", err)
		}
	}()
	if !soon(ready, patience) {
		t.Fatalf("waited %v in vain for the virtual bench", patience)
	}
	t.Cleanup(func() {
		close(s.hands)
		if !soon(over, patience) {
			t.Errorf("waited %v in vain for the end of the virtual bench", patience)
		}
	})
	s.openPTY()
	s.listen()
	if s.stage != nil {
		s.behindPTY(s.stage)
	}
	s.rig = s.writeRig()
	return s
}

// live does what hands are told to, in the bench's time, until there are none.
func (s *served) live(ready chan struct{}) error {
	s.clock.Go("virtual bench", func() error { return s.bench.Live(s.clock) })
	s.clock.Go("truth", s.watch)
	close(ready)
	for {
		var do func()
		s.clock.Block(func() error { do = <-s.hands; return nil })
		if do == nil {
			break
		}
		do()
	}
	if s.meter.listener != nil {
		s.clock.Block(s.meter.listener.Close)
	}
	for _, l := range s.lines() {
		l.mutex.Lock()
		l.over = true
		l.mutex.Unlock()
		l.cut()
	}
	return nil
}

func (s *served) lines() []*line {
	if s.stage == nil {
		return []*line{s.plate, s.meter}
	}
	return []*line{s.plate, s.meter, s.stage}
}

// do does something in the bench's time, and returns when it is done.
func (s *served) do(f func()) {
	s.t.Helper()
	done, most := make(chan struct{}), time.After(patience)
	select {
	case s.hands <- func() { defer close(done); f() }:
	case <-most:
		s.t.Fatalf("waited %v in vain for the virtual bench to listen", patience)
	}
	select {
	case <-done:
	case <-most:
		s.t.Fatalf("waited %v in vain for the virtual bench to do as told", patience)
	}
}

// watch keeps what is true, ten times a second.
func (s *served) watch() error {
	for {
		w := s.bench.World()
		x := truth{time.Now(), w.PlateSensor(), w.ProbeShown(), filmOhm(w.FilmTemperature())}
		s.mutex.Lock()
		s.truth = append(s.truth, x)
		s.mutex.Unlock()
		if s.clock.Sleep(s.clock.Now()+100*clock.Millisecond) != nil {
			return nil
		}
	}
}

// openPTY gives the plate a PTY.
func (s *served) openPTY() {
	s.t.Helper()
	s.behindPTY(s.plate)
}

// behindPTY gives an instrument a PTY under its stable name. The far side is held open
// too: a program that leaves must not end the line.
func (s *served) behindPTY(l *line) {
	s.t.Helper()
	master, slave := openPTY(s.t)
	if l.path == "" {
		l.path = filepath.Join(s.t.TempDir(), l.about.Name)
	}
	os.Remove(l.path)
	if err := os.Symlink(slave.Name(), l.path); err != nil {
		s.t.Fatal(err)
	}
	l.mutex.Lock()
	l.ends = []io.Closer{master, slave}
	l.mutex.Unlock()
	s.do(func() {
		s.clock.Go("line of the "+l.about.Name, func() error {
			twin.Serve(s.clock, s.bench.Device(l.about.Name), spoiled{master, l}, l.about.Profile.Line)
			return nil
		})
	})
}

// openPTY returns both ends of a raw PTY. A read of the master ends when it is
// closed, which it does not the way the library opens it: then the line would only
// be cut with the next bytes.
func openPTY(t testing.TB) (master, slave *os.File) {
	t.Helper()
	blocking, slave := openBlockingPTY(t)
	defer blocking.Close()
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err != nil {
		t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "master"), slave
}

// openBlockingPTY is one whose reads keep a thread each.
func openBlockingPTY(t testing.TB) (master, slave *os.File) {
	t.Helper()
	master, slave, err := pty.Open()
	if err == nil {
		_, err = term.MakeRaw(int(slave.Fd()))
	}
	if err != nil {
		t.Fatal(err)
	}
	return master, slave
}

// listen puts the meter behind a socket, for one program after the other.
func (s *served) listen() {
	s.t.Helper()
	l := s.meter
	where := "127.0.0.1:0"
	if l.path != "" {
		where = l.path
	}
	var err error
	if l.listener, err = net.Listen("tcp", where); err != nil {
		s.t.Fatal(err)
	}
	l.path = l.listener.Addr().String()
	listener := l.listener
	s.do(func() {
		s.clock.Go("connections to the meter", func() error {
			for {
				var conn net.Conn
				if s.clock.Block(func() (err error) { conn, err = listener.Accept(); return err }) != nil {
					return nil
				}
				l.mutex.Lock()
				if l.ends = append(l.ends, conn); l.over { // it came while the test ended
					conn.Close()
				}
				l.mutex.Unlock()
				without := l.about.Profile.Line
				without.Baud = 0
				twin.Serve(s.clock, s.bench.Device("meter"), spoiled{conn, l}, without)
			}
		})
	})
}

// cut ends whatever connection there is, as a pulled cable does. The name of a PTY
// goes first: the system may give its number to the next one.
func (l *line) cut() {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	if l.about.Profile.Line.Baud > 0 && !strings.Contains(l.path, ":") {
		os.Remove(l.path)
	}
	for _, e := range l.ends {
		e.Close()
	}
	l.ends = nil
}

func (s *served) writeRig() string {
	s.t.Helper()
	text := read(s.t, s.dir+"rig.yaml")
	for _, l := range s.lines() {
		before, after, found := strings.Cut(text, "port: twin\n")
		if !found {
			s.t.Fatalf("the example's rig has no %d instruments on the port twin", len(s.lines()))
		}
		port := "serial:" + l.path
		if l == s.meter {
			port = "tcp:" + l.path
		}
		text = before + `port: "` + port + "\"\n" + after
	}
	return write(s.t, filepath.Join(s.t.TempDir(), "rig.yaml"), text)
}

// note takes a line of the journal.
func (s *served) note(_ clock.Instant, line []byte) {
	var e entry
	if err := json.Unmarshal(line, &e); err != nil {
		s.t.Errorf("journal: %v: %s", err, line)
	}
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.journal = append(s.journal, e)
	close(s.news)
	s.news = make(chan struct{})
}

// said is the journal so far.
func (s *served) said() []entry {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return append([]entry(nil), s.journal...)
}

// place is where the journal ends now.
func (s *served) place() int { return len(s.said()) }

// until waits for an entry behind a place.
func (s *served) until(from int, instrument, what string, value float64) entry {
	s.t.Helper()
	timeout := time.After(patience)
	for {
		s.mutex.Lock()
		news := s.news
		for _, e := range s.journal[from:] {
			if e.is(instrument, what, value) {
				s.mutex.Unlock()
				return e
			}
		}
		s.mutex.Unlock()
		select {
		case <-news:
		case <-timeout:
			s.t.Fatalf("waited %v in vain for %s %s %v in the journal, which ends %+v", patience, instrument, what, value, s.tail())
		}
	}
}

func (s *served) tail() []entry {
	all := s.said()
	return all[max(0, len(all)-8):]
}

// on tells whether heat, output or motion is on, by the journal.
func (s *served) on(instrument, what string) (on bool) {
	for _, e := range s.said() {
		if e.is(instrument, what, 1) {
			on = true
		} else if e.is(instrument, what, 0) {
			on = false
		}
	}
	return on
}

// expectOff is what must be true at every end but one.
func (s *served) expectOff() {
	s.t.Helper()
	heat, output, motion := s.on("plate", "heat"), s.on("meter", "output"), s.on("stage", "motion")
	if heat || output || motion {
		s.t.Errorf("left on: heat %v, output %v, motion %v; the journal ends %+v", heat, output, motion, s.tail())
	}
}

// expectNothing is for a run that was refused: nothing was told to change.
func (s *served) expectNothing() {
	s.t.Helper()
	if j := s.said(); len(j) > 0 {
		s.t.Errorf("%d entries in the journal, expected none; the first is %+v", len(j), j[0])
	}
}

// run starts a protocol of testdata on the bench, with nobody to ask.
func (s *served) run(protocol string, more ...string) (p *process, root string) {
	s.t.Helper()
	root = s.t.TempDir()
	return start(s.t, s.arguments(protocol, root, more...)...), root
}

func (s *served) arguments(protocol, root string, more ...string) []string {
	if !strings.Contains(protocol, "/") {
		protocol = "testdata/" + protocol
	}
	id := "LC-07"
	if s.stage != nil {
		id = "LC-21"
	}
	return append([]string{"run", protocol, "--rig", s.rig, "--specimen", s.dir + "specimen.yaml", "--out", root, "--confirm", id}, more...)
}

// warming starts a run and returns when the film is driven, the plate heats, and
// some readings have been acknowledged.
func (s *served) warming(more ...string) (p *process, root string) {
	s.t.Helper()
	p, root = s.run("warm.yaml", more...)
	s.underWay(root)
	return p, root
}

// underWay waits for heat, output and acknowledged readings.
func (s *served) underWay(root string) {
	s.t.Helper()
	s.until(0, "plate", "heat", 1)
	if !s.on("meter", "output") {
		s.t.Fatal("the plate heats and the film is not driven")
	}
	folder := theFolder(s.t, root)
	before := acknowledged(s.t, folder)
	wait(s.t, "acknowledged readings", func() bool { return acknowledged(s.t, folder) > before+4 })
}

func acknowledged(t *testing.T, folder string) int64 {
	t.Helper()
	r, _ := openRecord(t, folder)
	return r.Acknowledged().Readings
}

// filmOhm is the demo specimen's law, as examples/leaf-clip/specimen.yaml states it.
func filmOhm(degC float64) float64 {
	return 10e3 * math.Exp(1000*(1/(degC+273.15)-1/298.15))
}
