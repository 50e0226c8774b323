package wire

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dwell/drivers/clock"
)

// plate7E1 is the line of many hotplates. A PTY knows no baud rate, parity or 7-bit
// mode: what is tested on one is that they can be asked for.
var plate7E1 = Line{Baud: 9600, DataBits: 7, Parity: EvenParity, StopBits: 1}

// far is the instrument's end of a real line.
type far interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

// place is somewhere to open, and how to get its far end once it has been opened.
type place struct {
	address string
	line    Line
	much    int // bytes that nobody's buffers hold
	taken   int // bytes that may be read of them after a hasty Close
	own     int // the test's descriptor of a PTY's other end
	end     func() far
}

// socketPlace listens for one connection. Both ends are told to keep little.
func socketPlace(t *testing.T) place {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return place{"tcp:" + l.Addr().String(), plate7E1, 2 << 20, 512 << 10, -1, func() far {
		l.(*net.TCPListener).SetDeadline(time.Now().Add(5 * time.Second))
		c, err := l.Accept()
		if err != nil {
			t.Error(err)
			return nil
		}
		t.Cleanup(func() { c.Close() })
		c.(*net.TCPConn).SetReadBuffer(16 << 10)
		return c.(*net.TCPConn)
	}}
}

// onEach runs a test over every kind of real line there is here.
func onEach(t *testing.T, f func(t *testing.T, at place)) {
	for name, make := range places {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f(t, make(t))
		})
	}
}

// live lives a world in wall time with a port on a real line that its main has.
func live(t *testing.T, at place, main func(c *clock.WallClock, p *Port, instrument far, record *book) error) {
	t.Helper()
	c := clock.Wall(0)
	err := c.Run(func() error {
		p, end, err := open(c, at)
		if err != nil {
			return err
		}
		record := &book{}
		p.Tap(record.tap)
		if err := p.Begin(c.Now() + clock.Second); err != nil {
			return err
		}
		err = main(c, p, end, record)
		return errors.Join(err, p.Close())
	})
	if err != nil {
		t.Error(err)
	}
}

func open(c clock.Clock, at place) (*Port, far, error) {
	a, err := ParseAddress(at.address)
	if err != nil {
		return nil, nil, err
	}
	p, err := Open(c, "plate", a, at.line, c.Now()+5*clock.Second)
	if err != nil {
		return nil, nil, err
	}
	if s, ok := p.link.(*stream).conn.(socket); ok {
		if err := s.Conn.(*net.TCPConn).SetWriteBuffer(16 << 10); err != nil {
			return nil, nil, err
		}
	}
	return p, at.end(), nil
}

// serve answers lines until the line ends; a reply of "" is none.
func serve(end far, answer func(question string) string) {
	r := bufio.NewReader(end)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		if reply := answer(strings.TrimRight(line, "\n")); reply != "" {
			io.WriteString(end, reply)
		}
	}
}

// soon bounds what takes no time of its own, and inTime tells whether something did,
// less what the machine has kept from everybody meanwhile.
const soon = 200 * ms

func inTime(took clock.Instant) bool { return took <= soon || took <= soon+machine.stalled(took) }

// machine notes when the machine, shared with others, did not let this process run.
var machine stalls

type stalls struct {
	sync.Mutex
	at   []time.Time
	late []time.Duration
}

func (s *stalls) watch() {
	const step = 2 * time.Millisecond
	for {
		before := time.Now()
		time.Sleep(step)
		now := time.Now()
		if late := now.Sub(before) - step; late > 5*time.Millisecond {
			s.Lock()
			s.at, s.late = append(s.at, now), append(s.late, late)
			s.Unlock()
		}
	}
}

// stalled sums up the stalls that ended within the last span.
func (s *stalls) stalled(span clock.Instant) (sum clock.Instant) {
	s.Lock()
	defer s.Unlock()
	since := time.Now().Add(-time.Duration(span) - 20*time.Millisecond)
	for i, at := range s.at {
		if at.After(since) {
			sum += clock.Instant(s.late[i])
		}
	}
	return sum
}

func TestMain(m *testing.M) {
	go machine.watch()
	m.Run()
}

// until waits in small steps until something holds, which other processes bring about.
func until(t *testing.T, c clock.Clock, what string, holds func() bool) {
	t.Helper()
	for by := c.Now() + 5*clock.Second; !holds(); {
		if c.Now() > by {
			t.Errorf("%s: not within 5 s", what)
			return
		}
		if c.Sleep(c.Now()+ms) != nil {
			return
		}
	}
}

func TestExchangesOnARealLine(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			go serve(end, func(question string) string { return strings.ToLower(question) + "\r\n" })
			for i := range 50 {
				answers(t, p, fmt.Sprintf("READ %d\n", i), fmt.Sprintf("read %d\r\n", i), c.Now()+5*clock.Second)
			}
			x, err := p.Exchange([]byte("A\n"), lineEnd, c.Now()+5*clock.Second)
			if err != nil || x.First < x.Sent || x.Last < x.First || x.Last > c.Now() || x.Last-x.Sent > clock.Second {
				t.Errorf("sent %d, first %d, last %d, now %d, %v", x.Sent, x.First, x.Last, c.Now(), err)
			}
			if len(record.lines) != 51 {
				t.Errorf("%d exchanges recorded", len(record.lines))
			}
			return nil
		})
	})
}

// Each piece is sent when the framing has seen the one before.
func TestReplyInPiecesOnARealLine(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			pieces := []string{"2", "3.", "5\r", "\nmore"}
			next := make(chan bool, 1)
			go serve(end, func(string) string {
				for _, piece := range pieces {
					io.WriteString(end, piece)
					<-next
				}
				return ""
			})
			var seen []string
			framing := func(got []byte) int {
				if s := string(got); len(seen) == 0 || seen[len(seen)-1] != s {
					seen = append(seen, s)
					next <- true
				}
				return lineEnd(got)
			}
			x, err := p.Exchange([]byte("READ?\n"), framing, c.Now()+5*clock.Second)
			if err != nil || string(x.Reply) != "23.5\r\n" || x.First >= x.Last {
				t.Errorf("got %q, first %d, last %d, %v", x.Reply, x.First, x.Last, err)
			}
			if got := fmt.Sprintf("%q", seen); got != `["2" "23." "23.5\r" "23.5\r\nmore"]` {
				t.Errorf("saw %s", got)
			}
			if len(record.lines) != 2 || !strings.Contains(record.lines[1], `"more"`) || !strings.HasSuffix(record.lines[1], "unasked") {
				t.Errorf("recorded %q", record.lines)
			}
			return nil
		})
	})
}

// What comes while nobody asks is recorded when it comes, and forgotten.
func TestUnaskedBytesOnARealLine(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			before := c.Now()
			io.WriteString(end, "switched on\n")
			until(t, c, "banner", func() bool { return len(record.lines) == 1 })
			var sent, first, last clock.Instant
			var request, reply, ended string
			if len(record.lines) == 1 {
				fmt.Sscanf(record.lines[0], "%d %q %d %q %d %s", &sent, &request, &first, &reply, &last, &ended)
			}
			if reply != "switched on\n" || ended != "unasked" || last < before || last > c.Now() {
				t.Errorf("recorded %q between %d and %d", record.lines, before, c.Now())
			}
			go serve(end, func(string) string { return "1\n" })
			answers(t, p, "READ?\n", "1\n", c.Now()+5*clock.Second)
			return nil
		})
	})
}

// The answer comes after its deadline, on the test's word: before the next question,
// or when the footing's question has arrived.
func TestALateAnswerOnARealLine(t *testing.T) {
	for _, when := range []string{"before", "during"} {
		onEach(t, func(t *testing.T, at place) {
			live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
				go serve(end, func(question string) string {
					switch {
					case question == "A":
						return "" // said below
					case question == "WHO" && when == "during":
						return "late\nME\n"
					case question == "WHO":
						return "ME\n"
					}
					return strings.ToLower(question) + "\n"
				})
				p.SetFooting(Footing{Question: []byte("WHO\n"), End: lineEnd, Quiet: 20 * ms,
					Answer: func(reply []byte) bool { return string(reply) == "ME\n" }})
				fails(t, p, "A\n", NoAnswer, c.Now()+30*ms)
				if when == "before" {
					io.WriteString(end, "late\n")
				}
				answers(t, p, "B\n", "b\n", c.Now()+5*clock.Second)
				answers(t, p, "C\n", "c\n", c.Now()+5*clock.Second)
				if got := strings.Count(strings.Join(record.lines, "\n"), "late"); got != 1 {
					t.Errorf("recorded %q", record.lines)
				}
				return nil
			})
		})
	}
}

func TestDeadlineOnARealLine(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			by := c.Now() + 50*ms
			fails(t, p, "READ?\n", NoAnswer, by)
			if late := c.Now() - by; late < 0 || !inTime(late) {
				t.Errorf("ended %d ns after its deadline", late)
			}
			return nil
		})
	})
}

// A line that never falls silent, as fast as it can, ends every exchange in time and
// fills no memory.
func TestAFloodOnARealLine(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		c := clock.Wall(0)
		err := c.Run(func() error {
			p, end, err := open(c, at)
			if err != nil {
				return err
			}
			p.Tap(func(*Exchange) {})
			if err := p.Begin(c.Now() + clock.Second); err != nil {
				return err
			}
			go func() {
				for {
					if _, err := io.WriteString(end, strings.Repeat("babble ", 100)); err != nil {
						return
					}
				}
			}()
			for _, request := range []string{"A\n", "B\n"} {
				by := c.Now() + 100*ms
				p.Exchange([]byte(request), lineEnd, by)
				if late := c.Now() - by; !inTime(late) {
					t.Errorf("%q ended %d ns after its deadline", request, late)
				}
			}
			s := p.link.(*stream)
			if kept := cap(s.inbox) + cap(p.reply) + cap(p.surplus); kept > 1<<20 {
				t.Errorf("keeps %d bytes", kept)
			}
			go io.Copy(io.Discard, end)
			return p.Close()
		})
		if err != nil {
			t.Error(err)
		}
	})
}

// unplugs are ways in which a line ends, by kind of line.
var unplugs = map[string]func(end far){
	"closed": func(end far) { end.Close() },
	"reset": func(end far) {
		if c, ok := end.(*net.TCPConn); ok {
			c.SetLinger(0)
		}
		end.Close()
	},
}

func TestUnplugInMidRead(t *testing.T) {
	for name, unplug := range unplugs {
		onEach(t, func(t *testing.T, at place) {
			live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
				pulled := make(chan clock.Instant, 1)
				go serve(end, func(string) string {
					io.WriteString(end, "23.")
					pulled <- c.Now()
					unplug(end)
					return ""
				})
				text := fails(t, p, "READ?\n", LinkLost, c.Now()+10*clock.Second)
				if took := c.Now() - <-pulled; !inTime(took) {
					t.Errorf("%s: noticed after %d ns", name, took)
				}
				if !strings.HasPrefix(text, "plate on "+at.address) || !strings.Contains(text, "link lost: ") {
					t.Errorf("%s: %s", name, text)
				}
				if p.Lost() == nil {
					t.Errorf("%s: not lost", name)
				}
				before := c.Now()
				for range 3 {
					fails(t, p, "READ?\n", LinkLost, c.Now()+10*clock.Second)
				}
				if took := c.Now() - before; !inTime(took) {
					t.Errorf("%s: exchanges on a lost link took %d ns", name, took)
				}
				return nil
			})
		})
	}
}

func TestUnplugWhileNobodyAsks(t *testing.T) {
	for name, unplug := range unplugs {
		onEach(t, func(t *testing.T, at place) {
			live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
				go serve(end, func(string) string { return "1\n" })
				answers(t, p, "READ?\n", "1\n", c.Now()+5*clock.Second)
				if p.Lost() != nil {
					t.Errorf("lost: %v", p.Lost())
				}
				before := c.Now()
				unplug(end)
				until(t, c, "unplug", func() bool { return p.Lost() != nil })
				if took := c.Now() - before; !inTime(took) {
					t.Errorf("%s: noticed after %d ns", name, took)
				}
				if p.Lost() != nil && !strings.HasPrefix(p.Lost().Error(), "plate on "+at.address+": link lost: ") {
					t.Errorf("%s: %v", name, p.Lost())
				}
				if last := record.lines[len(record.lines)-1]; !strings.HasSuffix(last, "link lost") {
					t.Errorf("%s: recorded %q", name, record.lines)
				}
				fails(t, p, "READ?\n", LinkLost, c.Now()+10*clock.Second)
				return nil
			})
		})
	}
}

// In its pause, or waiting for silence: an unplug ends that too.
func TestUnplugWhileThePortWaitsForItself(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			go serve(end, func(string) string { return "1\n" })
			answers(t, p, "READ?\n", "1\n", c.Now()+5*clock.Second)
			p.line.Pause = clock.Minute
			c.Go("hand", func() error { end.Close(); return nil })
			before := c.Now()
			fails(t, p, "READ?\n", LinkLost, c.Now()+2*clock.Minute)
			if took := c.Now() - before; !inTime(took) {
				t.Errorf("noticed after %d ns", took)
			}
			return nil
		})
	})
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			p.SetFooting(Footing{Quiet: clock.Minute})
			p.owes = true
			c.Go("hand", func() error { end.Close(); return nil })
			before := c.Now()
			fails(t, p, "READ?\n", LinkLost, c.Now()+2*clock.Minute)
			if took := c.Now() - before; !inTime(took) {
				t.Errorf("noticed after %d ns", took)
			}
			return nil
		})
	})
}

// command is more than the buffers between hold.
func (at place) command() []byte { return []byte(strings.Repeat("x", at.much) + "\n") }

// A write that the other side never takes ends at its deadline, or when the system has
// had leastTaking for it. Meanwhile another
// process keeps its schedule and another port its exchanges.
func TestAWriteThatIsNeverTaken(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			other, otherEnd, err := open(c, socketPlace(t))
			if err != nil {
				return err
			}
			go serve(otherEnd, func(string) string { return "1\n" })
			const span = 400 * ms
			command := at.command()
			var worst clock.Instant
			exchanges, ticks, finished := 0, 0, 0
			by := c.Now() + span
			c.Go("poller", func() error {
				if err := other.Begin(by); err != nil {
					return err
				}
				defer other.End()
				for c.Now() < by {
					answers(t, other, "READ?\n", "1\n", c.Now()+clock.Second)
					exchanges++
				}
				finished++
				return nil
			})
			c.Go("schedule", func() error {
				for at := c.Now(); at < by; at += 10 * ms {
					if err := c.Sleep(at); err != nil {
						return err
					}
					worst = max(worst, c.Now()-at)
					ticks++
				}
				finished++
				return nil
			})
			due := max(by, c.Now()+leastTaking)
			x, err := p.Exchange(command, lineEnd, by)
			if late := c.Now() - due; x.Ended != NotTaken || !errors.Is(err, errNotTaken) || late < 0 || !inTime(late) {
				t.Errorf("%s %d ns after its deadline, %v", x.Ended, late, err)
			}
			if !strings.Contains(err.Error(), "plate on "+at.address) || len(err.Error()) > 1000 {
				t.Errorf("%.1000s", err)
			}
			until(t, c, "end of the others", func() bool { return finished == 2 })
			if worst > soon+machine.stalled(2*span) || ticks < 5 || exchanges < 20 {
				t.Errorf("meanwhile %d exchanges, %d ticks, the worst %d ns late", exchanges, ticks, worst)
			}
			before := c.Now()
			fails(t, p, "READ?\n", LinkLost, c.Now()+10*clock.Second)
			err = p.Close()
			if took := c.Now() - before; !inTime(took-mostClosing) || err != nil && !errors.Is(err, errLeft) {
				t.Errorf("closed after %d ns, %v", took, err)
			}
			end.Close()
			return other.Close()
		})
	})
}

// A seized port gives up the write of others at once, and works as soon as the other
// side takes what is on its way.
func TestSeizeDuringAWriteThatIsNotTaken(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			p.End()
			c.Go("asker", func() error {
				if err := p.Begin(c.Now() + clock.Second); err != nil {
					return err
				}
				defer p.End()
				if x, err := p.Exchange(at.command(), lineEnd, c.Now()+clock.Minute); x.Ended != CutShort {
					t.Errorf("%s, %v", x.Ended, err)
				}
				return nil
			})
			until(t, c, "stuck", func() bool { return p.link.(*stream).flying })
			if err := c.Sleep(c.Now() + 20*ms); err != nil { // fill what there is to fill
				return err
			}
			before := c.Now()
			if err := p.Seize(c.Now() + clock.Second); err != nil {
				return err
			}
			if took := c.Now() - before; !inTime(took) {
				t.Errorf("seized after %d ns", took)
			}
			began := make(chan int, 1) // bytes of the command that was cut short
			go serve(end, func(question string) string {
				if strings.Contains(question, "x") {
					began <- len(question)
					return ""
				}
				return strings.ToLower(question) + "\n"
			})
			p.SetFooting(Footing{Clear: []byte("\n"), Question: []byte("WHO\n"), End: lineEnd, Quiet: 20 * ms,
				Answer: func(reply []byte) bool { return string(reply) == "who\n" }})
			answers(t, p, "OFF\n", "off\n", c.Now()+10*clock.Second)
			p.End()
			if n := <-began; n >= at.much {
				t.Errorf("all %d bytes have been sent", n)
			}
			return nil
		})
	})
}

// The other side hangs up without having taken anything.
func TestHangingUpEndsAWriteThatIsNotTaken(t *testing.T) {
	live(t, socketPlace(t), func(c *clock.WallClock, p *Port, end far, record *book) error {
		var hungUp clock.Instant
		c.Go("hand", func() error {
			until(t, c, "stuck", func() bool { return p.link.(*stream).flying })
			hungUp = c.Now()
			return end.(*net.TCPConn).CloseWrite()
		})
		if x, err := p.Exchange(socketPlace(t).command(), lineEnd, c.Now()+clock.Minute); x.Ended != LinkLost {
			t.Errorf("%s, %v", x.Ended, err)
		}
		if took := c.Now() - hungUp; !inTime(took) {
			t.Errorf("noticed after %d ns", took)
		}
		return nil
	})
}

// stubborn is a line that takes nothing, until it is let go.
type stubborn struct {
	let   chan int // how many bytes it takes then
	done  chan bool
	calls []string
}

func (s *stubborn) Read([]byte) (int, error) { <-s.done; return 0, io.EOF }
func (s *stubborn) Write(b []byte) (int, error) {
	return <-s.let, nil
}
func (s *stubborn) Close() error { s.calls = append(s.calls, "close"); return nil }
func (s *stubborn) stop(discard bool) {
	if len(s.calls) == 0 {
		close(s.done)
	}
	s.calls = append(s.calls, fmt.Sprintf("stop, discard %v", discard))
}

// stubbornPort is a port on it, and a request that it has not taken.
func stubbornPort(t *testing.T, c clock.Clock) (*Port, *stream, *stubborn) {
	line := &stubborn{let: make(chan int, 1), done: make(chan bool)}
	s := newStream(c, "plate", Line{}, line)
	p := newPort(c, "plate", "stubborn", s, Line{})
	s.heard, s.broke = p.heard, p.broke
	p.turn.Take(clock.Never)
	return p, s, line
}

// A line that is closed under a write is closed by that write, when it ends, and
// what it has left in the system's buffers is thrown away.
func TestAStuckLineIsClosedByWhoeverLeavesItLast(t *testing.T) {
	c := clock.Wall(0)
	err := c.Run(func() error {
		p, s, line := stubbornPort(t, c)
		if _, err := p.Exchange([]byte("OUTP ON\n"), nil, c.Now()+10*ms); !errors.Is(err, errNotTaken) {
			t.Error(err)
		}
		if err := p.Close(); !errors.Is(err, errLeft) || !strings.HasPrefix(err.Error(), "plate on stubborn: ") {
			t.Error(err)
		}
		line.let <- 3
		until(t, c, "closing", func() bool { return s.users < 0 })
		if got := strings.Join(line.calls, "; "); got != "stop, discard true; stop, discard true; close" {
			t.Errorf("calls: %s", got)
		}
		return p.Close()
	})
	if err != nil {
		t.Error(err)
	}
}

// scribe is a line that answers nothing and keeps what it is given, one entry a write.
type scribe struct {
	*stubborn
	wrote []string
}

func (s *scribe) Write(b []byte) (int, error) {
	s.wrote = append(s.wrote, string(b))
	return len(b), nil
}

// What ends a half line goes out in one piece with a hurried request, and is recorded by
// itself, unless the instrument needs a pause between the two.
func TestAHurriedRequestTakesOneWrite(t *testing.T) {
	for pause, want := range map[clock.Instant]string{0: `["\nSTOP\n" "AGAIN\n"]`, ms: `["\n" "STOP\n" "AGAIN\n"]`} {
		c := clock.Wall(0)
		err := c.Run(func() error {
			line := &scribe{stubborn: &stubborn{done: make(chan bool)}}
			s := newStream(c, "plate", Line{}, line)
			p := newPort(c, "plate", "scribe", s, Line{Pause: pause})
			s.heard, s.broke = p.heard, p.broke
			record := &book{}
			p.Tap(record.tap)
			p.SetFooting(Footing{Clear: []byte("\n"), Hurried: true, Quiet: 1})
			if err := p.Seize(c.Now() + clock.Second); err != nil {
				return err
			}
			for _, words := range []string{"STOP\n", "AGAIN\n"} {
				if _, err := p.Exchange([]byte(words), nil, c.Now()+clock.Second); err != nil {
					return err
				}
			}
			err := p.Close()
			if got := fmt.Sprintf("%q", line.wrote); got != want {
				t.Errorf("after a pause of %d ns: %s, expected %s", pause, got, want)
			}
			if n := len(record.lines); n != 3 {
				t.Errorf("%d exchanges recorded, expected 3", n)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// A line that takes nothing and calls that a success must not make the writer turn
// on the spot.
func TestAWriteOfNothingIsAFailure(t *testing.T) {
	c := clock.Wall(0)
	err := c.Run(func() error {
		p, _, line := stubbornPort(t, c)
		line.let <- 0
		x, err := p.Exchange([]byte("OUTP ON\n"), nil, c.Now()+5*clock.Second)
		if x.Ended != LinkLost || !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("%s, %v", x.Ended, err)
		}
		return p.Close()
	})
	if err != nil {
		t.Error(err)
	}
}

// The world ends, in spite of a write that the system does not give back, and says so.
func TestTheWorldEndsWithAWriteThatIsNeverTaken(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		c := clock.Wall(0)
		var end far
		var ended clock.Instant
		err := c.Run(func() error {
			var p *Port
			var err error
			if p, end, err = open(c, at); err != nil {
				return err
			}
			if err := p.Begin(c.Now() + clock.Second); err != nil {
				return err
			}
			if _, err := p.Exchange(at.command(), lineEnd, c.Now()+200*ms); !errors.Is(err, errNotTaken) {
				t.Error(err)
			}
			ended = c.Now()
			return nil
		})
		if err == nil || !strings.Contains(err.Error(), "writer of plate") {
			t.Errorf("ended with %v", err)
		}
		if took := c.Now() - ended; took > 4*clock.Second {
			t.Errorf("ended after %d ns", took)
		}
		end.Close()
	})
}

// After Close nothing of ours reaches the other side, not even what was begun.
func TestAfterCloseNothingIsSent(t *testing.T) {
	onEach(t, func(t *testing.T, at place) {
		live(t, at, func(c *clock.WallClock, p *Port, end far, record *book) error {
			if _, err := p.Exchange(at.command(), lineEnd, c.Now()+clock.Second); !errors.Is(err, errNotTaken) {
				t.Error(err)
			}
			p.Close()
			for range 3 {
				p.Exchange([]byte("OUTP ON\n"), nil, c.Now()+50*ms)
			}
			end.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
			got, err := io.ReadAll(end)
			if _, tcp := end.(*net.TCPConn); tcp && runtime.GOOS != "windows" && !errors.Is(err, syscall.ECONNRESET) {
				t.Errorf("what has not left yet may still come: %v", err)
			}
			if strings.Contains(string(got), "OUTP") || len(got) > at.taken {
				t.Errorf("got %d bytes after Close", len(got))
			}
			return nil
		})
	})
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := "tcp:" + l.Addr().String()
	l.Close()
	c := clock.Wall(0)
	err = c.Run(func() error {
		for _, x := range []struct {
			address, want string
			line          Line
			by            clock.Instant
		}{
			{address, "refused", plate7E1, 5 * clock.Second},
			{address, "plate on " + address + ": cannot be opened: ", plate7E1, 0},
			{"serial:/dev/no-such-port", "no port /dev/no-such-port", plate7E1, 5 * clock.Second},
			{"serial:/dev/no-such-port", "9600 baud, 9 data bits", Line{Baud: 9600, DataBits: 9, StopBits: 1}, 5 * clock.Second},
			{"serial:/dev/no-such-port", "0 baud", Line{DataBits: 8, StopBits: 1}, 5 * clock.Second},
			{"serial:/dev/no-such-port", "3 stop bits", Line{Baud: 9600, DataBits: 8, StopBits: 3}, 5 * clock.Second},
			{"serial:" + os.DevNull, "plate on serial:", plate7E1, 5 * clock.Second},
			{"twin", "attached", plate7E1, 5 * clock.Second},
		} {
			a, err := ParseAddress(x.address)
			if err != nil {
				return err
			}
			p, err := Open(c, "plate", a, x.line, x.by)
			if err == nil || p != nil || !strings.Contains(err.Error(), x.want) {
				t.Errorf("%s: %v, want %q", x.address, err, x.want)
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// Some systems take longer to open a port than anybody waits. It is closed again
// when it comes.
func TestAPortThatOpensTooLateIsClosed(t *testing.T) {
	c := clock.Wall(0)
	err := c.Run(func() error {
		line := &stubborn{done: make(chan bool)}
		release := make(chan bool)
		by := c.Now() + 20*ms
		rw, err := connect(c, "plate", by, func() (conn, error) { <-release; return line, nil })
		if late := c.Now() - by; rw != nil || !errors.Is(err, os.ErrDeadlineExceeded) || late < 0 || !inTime(late) {
			t.Errorf("got %v, %v, %d ns after the deadline", rw, err, late)
		}
		close(release)
		until(t, c, "closing", func() bool { return len(line.calls) == 1 })
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestOpenNeedsRealTime(t *testing.T) {
	at := socketPlace(t)
	c := clock.Virtual(0)
	err := c.Run(func() error {
		_, _, err := open(c, at)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "real time") {
		t.Errorf("got %v", err)
	}
}
