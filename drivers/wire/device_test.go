package wire

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

const ms = clock.Millisecond

// piece is a part of an answer that has arrived some time after the question had.
type piece struct {
	after clock.Instant
	text  string
}

// bench is an instrument in this process that answers lines by a script.
type bench struct {
	answer func(at clock.Instant, question string) []piece
	heard  []string
	times  []clock.Instant
	half   []byte
	coming []piece // in order of time; after is an instant here
}

func (b *bench) Receive(at clock.Instant, got []byte) {
	b.half = append(b.half, got...)
	for {
		line, rest, whole := bytes.Cut(b.half, []byte("\n"))
		if !whole {
			return
		}
		question := string(line)
		b.half = append([]byte(nil), rest...)
		b.heard, b.times = append(b.heard, question), append(b.times, at)
		if b.answer != nil {
			for _, p := range b.answer(at, question) {
				b.say(at+p.after, p.text)
			}
		}
	}
}

func (b *bench) say(at clock.Instant, text string) {
	b.coming = append(b.coming, piece{at, text})
	slices.SortStableFunc(b.coming, func(x, y piece) int { return int(x.after - y.after) })
}

func (b *bench) NextAt() clock.Instant {
	if len(b.coming) == 0 {
		return clock.Never
	}
	return b.coming[0].after
}

func (b *bench) Take(at clock.Instant, dst []byte) []byte {
	for len(b.coming) > 0 && b.coming[0].after <= at {
		dst = append(dst, b.coming[0].text...)
		b.coming = b.coming[1:]
	}
	return dst
}

// lineEnd is the framing of lines that end with a line feed.
func lineEnd(got []byte) int { return bytes.IndexByte(got, '\n') + 1 }

// book keeps copies of what a port has recorded, one line each.
type book struct{ lines []string }

func (b *book) tap(x *Exchange) {
	request := x.Request[:min(len(x.Request), 100)]
	b.lines = append(b.lines, fmt.Sprintf("%d %q %d %q %d %s", x.Sent, request, x.First, x.Reply, x.Last, x.Ended))
}

func (b *book) check(t *testing.T, want ...string) {
	t.Helper()
	if !slices.Equal(b.lines, want) {
		t.Errorf("recorded:\n  %s\nwant:\n  %s", strings.Join(b.lines, "\n  "), strings.Join(want, "\n  "))
	}
}

// rehearse lives a world with one port that its main process has.
func rehearse(t *testing.T, b *bench, line Line, main func(c *clock.World, p *Port) error) *book {
	t.Helper()
	c := clock.Virtual(0)
	record := &book{}
	err := c.Run(func() error {
		p := Attach(c, "plate", b, line)
		p.Tap(record.tap)
		if err := p.Begin(clock.Second); err != nil {
			return err
		}
		defer p.End()
		return main(c, p)
	})
	if err != nil {
		t.Error(err)
	}
	return record
}

// answers tells whether an exchange ended with this reply.
func answers(t *testing.T, p *Port, request, reply string, by clock.Instant) {
	t.Helper()
	x, err := p.Exchange([]byte(request), lineEnd, by)
	if err != nil || string(x.Reply) != reply || x.Ended != Answered {
		t.Errorf("%q got %q, %s, %v; want %q", request, x.Reply, x.Ended, err, reply)
	}
}

// fails tells whether an exchange ended so, and returns its error's text.
func fails(t *testing.T, p *Port, request string, ended Ending, by clock.Instant) string {
	t.Helper()
	x, err := p.Exchange([]byte(request), lineEnd, by)
	if err == nil || x.Ended != ended {
		t.Errorf("%q got %q, %s, %v; want it to end %q", request, x.Reply, x.Ended, err, ended)
		return ""
	}
	if !strings.HasPrefix(err.Error(), "plate on ") && !strings.Contains(err.Error(), " plate on ") {
		t.Errorf("%q does not name the port", err)
	}
	return err.Error()
}

func says(pieces ...piece) func(clock.Instant, string) []piece {
	return func(clock.Instant, string) []piece { return pieces }
}

// A character at 7E1 is ten bits: start, seven, parity, stop.
func TestCharacterTimes(t *testing.T) {
	for _, c := range []struct {
		line Line
		n    int
		want clock.Instant
	}{
		{Line{Baud: 9600, DataBits: 7, Parity: EvenParity, StopBits: 1}, 9, 9_375_000},
		{Line{Baud: 9600, DataBits: 7, Parity: OddParity, StopBits: 1}, 96, 100 * ms},
		{Line{Baud: 9600, DataBits: 8, StopBits: 1}, 960, clock.Second},
		{Line{Baud: 115200, DataBits: 8, StopBits: 1}, 11520, clock.Second},
		{Line{Baud: 9600, DataBits: 8, StopBits: 2}, 96, 110 * ms},
		{Line{Baud: 300, DataBits: 8, Parity: EvenParity, StopBits: 2}, 1 << 20, (1 << 20) * 12 * clock.Second / 300},
		{Line{DataBits: 8, StopBits: 1}, 1000, 0},
	} {
		if got := c.line.Lasting(c.n); got != c.want {
			t.Errorf("%d characters on %+v last %d ns, want %d", c.n, c.line, got, c.want)
		}
	}
}

func TestExchangeTakesWhatItsCharactersTake(t *testing.T) {
	line := Line{Baud: 9600, DataBits: 7, Parity: EvenParity, StopBits: 1}
	b := &bench{answer: says(piece{2*ms + 8_333_333, "23.50 1\n"})}
	rehearse(t, b, line, func(c *clock.World, p *Port) error {
		x, err := p.Exchange([]byte("IN_PV_2 \n"), lineEnd, clock.Second)
		if err != nil {
			return err
		}
		const sent, last = 9_375_000, 9_375_000 + 2_000_000 + 8_333_333
		if b.times[0] != sent || x.Sent != 0 || x.First != last || x.Last != last || c.Now() != last {
			t.Errorf("arrived at %d, sent at %d, first at %d, last at %d, now %d; want 0, %d, %d", b.times[0], x.Sent, x.First, x.Last, c.Now(), sent, last)
		}
		if x.Midpoint() != last/2 || x.Within() != (last+1)/2 {
			t.Errorf("dated at %d ± %d", x.Midpoint(), x.Within())
		}
		return nil
	})
}

func TestReplyInPieces(t *testing.T) {
	for _, pieces := range [][]piece{
		{{5 * ms, "23.5\r\n"}},
		{{1 * ms, "23"}, {2 * ms, ".5"}, {5 * ms, "\r\n"}},
		{{1 * ms, "23.5\r"}, {5 * ms, "\n"}},
		{{1 * ms, "2"}, {2 * ms, "3"}, {3 * ms, "."}, {4 * ms, "5\r"}, {5 * ms, "\n"}},
	} {
		rehearse(t, &bench{answer: says(pieces...)}, Line{}, func(c *clock.World, p *Port) error {
			x, err := p.Exchange([]byte("READ?\n"), lineEnd, clock.Second)
			if err != nil || string(x.Reply) != "23.5\r\n" || x.First != pieces[0].after || x.Last != 5*ms {
				t.Errorf("%v: got %q, first %d, last %d, %v", pieces, x.Reply, x.First, x.Last, err)
			}
			return nil
		})
	}
}

func TestSurplusIsThrownAwayAndRecorded(t *testing.T) {
	n := 0
	b := &bench{}
	b.answer = func(clock.Instant, string) []piece {
		n++
		return []piece{{1 * ms, fmt.Sprintf("%d\nmore", n)}, {2 * ms, " and\n"}, {3 * ms, "more\n"}}
	}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		answers(t, p, "a\n", "1\n", 10*ms)
		if err := c.Sleep(20 * ms); err != nil {
			return err
		}
		answers(t, p, "b\n", "2\n", 30*ms)
		return nil
	}).check(t,
		`0 "a\n" 1000000 "1\n" 1000000 answered`,
		`1000000 "" 1000000 "more" 1000000 unasked`,
		`2000000 "" 2000000 " and\n" 2000000 unasked`,
		`3000000 "" 3000000 "more\n" 3000000 unasked`,
		`20000000 "b\n" 21000000 "2\n" 21000000 answered`,
		`21000000 "" 21000000 "more" 21000000 unasked`)
}

// A block of IEEE 488.2: #, digits of the length, length, bytes, line feed.
func blockEnd(got []byte) int {
	if len(got) < 2 || got[0] != '#' {
		return 0
	}
	digits := int(got[1] - '0')
	length := 0
	if len(got) < 2+digits {
		return 0
	}
	for _, d := range got[2 : 2+digits] {
		length = 10*length + int(d-'0')
	}
	if whole := 2 + digits + length + 1; len(got) >= whole {
		return whole
	}
	return 0
}

func TestABlockMayHoldItsTerminator(t *testing.T) {
	b := &bench{answer: says(piece{1 * ms, "#21"}, piece{2 * ms, "2ab\ncd\n\x00\xff"}, piece{3 * ms, "ef\n\n"}, piece{4 * ms, "\n"})}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		x, err := p.Exchange([]byte("TRAC?\n"), blockEnd, clock.Second)
		if want := "#212ab\ncd\n\x00\xffef\n\n\n"; err != nil || string(x.Reply) != want || c.Now() != 4*ms {
			t.Errorf("got %q, %v", x.Reply, err)
		}
		return nil
	})
}

func TestDeadline(t *testing.T) {
	b := &bench{answer: says(piece{5 * ms, "12"})}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		text := fails(t, p, "READ?\n", NoAnswer, 10*ms)
		if want := `plate on twin: no complete answer to "READ?\n" in time, only "12"`; text != want {
			t.Errorf("got %s, want %s", text, want)
		}
		if c.Now() != 10*ms {
			t.Errorf("ended at %d", c.Now())
		}
		return nil
	}).check(t, `0 "READ?\n" 5000000 "12" 10000000 no answer`)
}

func TestNoAnswerIsDueWithoutFraming(t *testing.T) {
	b := &bench{}
	rehearse(t, b, Line{Baud: 9600, DataBits: 8, StopBits: 1}, func(c *clock.World, p *Port) error {
		x, err := p.Exchange([]byte("OUTP OFF\n"), nil, clock.Second)
		if err != nil || x.Ended != NoAnswerDue || c.Now() != 9_375_000 || len(b.heard) != 1 {
			t.Errorf("%s at %d, %v; heard %q", x.Ended, c.Now(), err, b.heard)
		}
		return nil
	})
}

// What cannot have left by its deadline is not sent at all: half a command, or one
// whose sender has turned to something else, is worse than none.
func TestWithoutTimeNothingIsSent(t *testing.T) {
	b := &bench{answer: says(piece{1 * ms, "1\n"})}
	line := Line{Baud: 9600, DataBits: 8, StopBits: 1, Pause: 100 * ms} // 9 characters take 9.375 ms
	rehearse(t, b, line, func(c *clock.World, p *Port) error {
		fails(t, p, "VOLT 40.\n", NotTaken, 9_374_999)
		if c.Now() != 0 {
			t.Errorf("took until %d", c.Now())
		}
		answers(t, p, "VOLT 40.\n", "1\n", clock.Second)
		text := fails(t, p, "VOLT 41.\n", NotTaken, c.Now()+50*ms) // the pause is longer
		if want := `plate on twin: "VOLT 41.\n" was not taken: no time was left to send it`; text != want {
			t.Errorf("got %s, want %s", text, want)
		}
		if p.Lost() != nil {
			t.Errorf("lost: %v", p.Lost())
		}
		answers(t, p, "VOLT 42.\n", "1\n", clock.Second)
		if want := 9_375_000 + 1*ms + 100*ms; p.last.Sent != want {
			t.Errorf("sent at %d, want %d: the pause is after what has been sent", p.last.Sent, want)
		}
		if got := strings.Join(b.heard, ", "); got != "VOLT 40., VOLT 42." {
			t.Errorf("heard %s", got)
		}
		return nil
	})
}

func TestALineThatBabbles(t *testing.T) {
	b := &bench{}
	babble := func(from clock.Instant) {
		for i := range clock.Instant(2000) {
			b.say(from+i*ms, "babble babble ")
		}
	}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		babble(0)
		text := fails(t, p, "READ?\n", NoAnswer, 500*ms)
		if c.Now() != 500*ms || len(text) > 1000 {
			t.Errorf("ended at %d with %d bytes of text", c.Now(), len(text))
		}
		text = fails(t, p, "READ?\n", NotTaken, 800*ms)
		if c.Now() != 800*ms || !strings.Contains(text, "does not fall silent") {
			t.Errorf("ended at %d with %s", c.Now(), text)
		}
		if len(b.heard) != 1 {
			t.Errorf("heard %q", b.heard)
		}
		if cap(p.reply)+cap(p.surplus)+cap(p.request) > 4*mostReply {
			t.Errorf("keeps %d bytes", cap(p.reply)+cap(p.surplus)+cap(p.request))
		}
		return nil
	})
	b = &bench{}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		for i := range clock.Instant(1000) {
			b.say(i, strings.Repeat("x", 1000))
		}
		text := fails(t, p, "READ?\n", NoAnswer, clock.Second)
		if !strings.Contains(text, "bytes without an end") || len(text) > 1000 || cap(p.reply) > 4*mostReply {
			t.Errorf("kept %d bytes, %s", cap(p.reply), text)
		}
		return nil
	})
}

// The bytes of an error must not change with the next exchange.
func TestAnErrorKeepsItsBytes(t *testing.T) {
	b := &bench{answer: says(piece{1 * ms, "half"})}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		_, err := p.Exchange([]byte("FIRST?\n"), lineEnd, 10*ms)
		before := fmt.Sprint(err)
		b.answer = says(piece{1 * ms, "whole\n"})
		answers(t, p, "SECOND?\n", "whole\n", clock.Second)
		if after := fmt.Sprint(err); after != before {
			t.Errorf("%s has become %s", before, after)
		}
		return nil
	})
}

func TestOnlyTheHolderSends(t *testing.T) {
	b := &bench{answer: says(piece{1 * ms, "1\n"})}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		c.Go("intruder", func() error {
			x, err := p.Exchange([]byte("OUTP ON\n"), lineEnd, clock.Second)
			if err == nil || x == nil || x.Ended != NotTaken {
				t.Errorf("%+v, %v", x, err)
			}
			p.End() // must not take the turn from its holder
			return nil
		})
		if err := c.Sleep(ms); err != nil {
			return err
		}
		answers(t, p, "READ?\n", "1\n", clock.Second)
		if len(b.heard) != 1 {
			t.Errorf("heard %q", b.heard)
		}
		return nil
	})
}

func TestCloseEndsAWaitingExchange(t *testing.T) {
	b := &bench{}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		c.Go("closer", func() error {
			if err := c.Sleep(7 * ms); err != nil {
				return err
			}
			return p.Close()
		})
		fails(t, p, "READ?\n", LinkLost, clock.Second)
		if c.Now() != 7*ms {
			t.Errorf("ended at %d", c.Now())
		}
		fails(t, p, "OUTP ON\n", LinkLost, clock.Second)
		if len(b.heard) != 1 || p.Lost() == nil {
			t.Errorf("heard %q, lost: %v", b.heard, p.Lost())
		}
		return p.Close()
	})
}

// A record must not call answered what the end of the world has interrupted,
// whoever has ended it.
func TestTheEndOfTheWorldIsNoAnswer(t *testing.T) {
	for _, cause := range []error{nil, errors.New("poller failed")} {
		c := clock.Virtual(0)
		record := &book{}
		err := c.Run(func() error {
			p := Attach(c, "plate", &bench{}, Line{})
			p.Tap(record.tap)
			c.Go("asker", func() error {
				if err := p.Begin(clock.Second); err != nil {
					return err
				}
				if _, err := p.Exchange([]byte("READ?\n"), lineEnd, clock.Second); !errors.Is(err, clock.ErrEnded) {
					t.Errorf("got %v", err)
				}
				if p.Lost() != nil {
					t.Errorf("lost: %v", p.Lost())
				}
				return nil
			})
			if err := c.Sleep(5 * ms); err != nil || cause == nil {
				return err
			}
			c.Go("poller", func() error { return cause })
			return c.Sleep(clock.Second)
		})
		if !errors.Is(err, cause) {
			t.Errorf("ended with %v, want %v", err, cause)
		}
		record.check(t, `0 "READ?\n" 0 "" 5000000 cut short`)
	}
}

// A device that announces what it does not give must not make its port turn on the
// spot.
type hollow struct{ bench }

func (h *hollow) NextAt() clock.Instant { return 0 }

func TestADeviceThatGivesNothing(t *testing.T) {
	c := clock.Virtual(0)
	err := c.Run(func() error {
		p := Attach(c, "plate", &hollow{}, Line{})
		if err := p.Begin(clock.Second); err != nil {
			return err
		}
		fails(t, p, "READ?\n", LinkLost, clock.Second)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// pluggable is a bench whose plug can be pulled.
type pluggable struct {
	bench
	gone error
}

func (b *pluggable) Gone() error { return b.gone }

// A link that goes is lost for good, and nothing reaches the device any more; a port
// that is opened when it is back is a sound one.
func TestALinkGoesAndComesBack(t *testing.T) {
	c := clock.Virtual(0)
	b := &pluggable{bench: bench{answer: says(piece{2 * ms, "25.3\n"})}}
	err := c.Run(func() error {
		p := Attach(c, "plate", b, Line{})
		if err := p.Begin(clock.Second); err != nil {
			return err
		}
		answers(t, p, "READ?\n", "25.3\n", clock.Second)
		c.Go("hand", func() error {
			c.Sleep(c.Now() + ms)
			b.gone = errors.New("unplugged")
			return nil
		})
		text := fails(t, p, "READ?\n", LinkLost, clock.Second)
		if !strings.Contains(text, "unplugged") || p.Lost() == nil {
			t.Errorf("%s, lost: %v", text, p.Lost())
		}
		fails(t, p, "READ?\n", LinkLost, clock.Second)
		fresh := Attach(c, "plate", b, Line{})
		if err := fresh.Begin(clock.Second); err != nil {
			return err
		}
		fails(t, fresh, "OUTP ON\n", LinkLost, clock.Second)
		if len(b.heard) != 2 {
			t.Errorf("it heard %q", b.heard)
		}
		b.gone, b.coming = nil, nil
		fails(t, p, "READ?\n", LinkLost, clock.Second)
		back := Attach(c, "plate", b, Line{})
		if err := back.Begin(clock.Second); err != nil {
			return err
		}
		answers(t, back, "READ?\n", "25.3\n", clock.Second)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestPauseIsKept(t *testing.T) {
	for _, c := range []clock.Clock{clock.Virtual(0), clock.Wall(0)} {
		const pause = 30 * ms
		b := &bench{answer: func(_ clock.Instant, question string) []piece {
			if question == "silent" {
				return nil
			}
			return []piece{{1 * ms, "1\n"}}
		}}
		err := c.Run(func() error {
			p := Attach(c, "plate", b, Line{Pause: pause})
			if err := p.Begin(clock.Second); err != nil {
				return err
			}
			var end clock.Instant // of the exchange before
			for i, request := range []string{"a\n", "b\n", "silent\n", "c\n"} {
				patience := clock.Second
				if request == "silent\n" {
					patience = 300 * ms
				}
				x, err := p.Exchange([]byte(request), lineEnd, c.Now()+patience)
				if x.Ended != Answered && x.Ended != NoAnswer {
					t.Errorf("%T: %q: %s, %v", c, request, x.Ended, err)
				}
				if i > 0 && x.Sent < end+pause {
					t.Errorf("%T: %q sent %d ns after the end of the exchange before it", c, request, x.Sent-end)
				}
				if _, virtual := c.(*clock.World); virtual && i == 1 && x.Sent != end+pause {
					t.Errorf("sent %d ns after, want %d", x.Sent-end, pause)
				}
				end = x.Last
			}
			x, err := p.Exchange([]byte("OUTP OFF\n"), nil, c.Now()+clock.Second)
			if err != nil || x.Sent < end+pause {
				t.Errorf("%T: sent %d ns after, %v", c, x.Sent-end, err)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

func exchangesWithSleep(n func() int) error {
	c := clock.Virtual(0)
	return c.Run(func() error {
		line := Line{Baud: 9600, DataBits: 7, Parity: EvenParity, StopBits: 1, Pause: 10 * ms}
		p := Attach(c, "plate", &parrot{reply: []byte("23.50 1\n"), latency: 20 * ms}, line)
		p.Tap(func(*Exchange) {})
		p.SetFooting(Footing{Question: []byte("WHO\n"), End: lineEnd, Answer: func([]byte) bool { return false }})
		request := []byte("IN_PV_2 \n")
		c.Go("bystander", func() error {
			for c.Sleep(c.Now()+clock.Second) == nil {
			}
			return nil
		})
		for range n() {
			if err := p.Begin(clock.Never); err != nil {
				return err
			}
			if _, err := p.Exchange(request, lineEnd, c.Now()+clock.Second); err != nil {
				return err
			}
			p.End()
			if err := c.Sleep(c.Now() + 100*ms); err != nil {
				return err
			}
		}
		return nil
	})
}

// parrot is the cheapest device there can be.
type parrot struct {
	reply   []byte
	latency clock.Instant
	at      clock.Instant
}

func (d *parrot) Receive(at clock.Instant, b []byte) { d.at = at + d.latency }
func (d *parrot) NextAt() clock.Instant {
	if d.at == 0 {
		return clock.Never
	}
	return d.at
}
func (d *parrot) Take(_ clock.Instant, dst []byte) []byte {
	d.at = 0
	return append(dst, d.reply...)
}

func TestAnExchangeAllocatesNothing(t *testing.T) {
	few := testing.AllocsPerRun(3, func() { exchangesWithSleep(func() int { return 100 }) })
	many := testing.AllocsPerRun(3, func() { exchangesWithSleep(func() int { return 10100 }) })
	if each := (many - few) / 10000; each > 0.001 {
		t.Errorf("%.3f allocations an exchange", each)
	}
}

// An exchange on a line with character times, a pause, and a sleep between.
func BenchmarkExchange(b *testing.B) {
	b.ReportAllocs()
	if err := exchangesWithSleep(func() int { b.ResetTimer(); return b.N }); err != nil {
		b.Fatal(err)
	}
}

// later is a device that does not know yet when it will speak: asked at one second, it
// says nothing, and that it will at two.
type later struct{ next clock.Instant }

func (l *later) Receive(clock.Instant, []byte) {}
func (l *later) NextAt() clock.Instant         { return l.next }
func (l *later) Take(at clock.Instant, dst []byte) []byte {
	switch l.next {
	case clock.Second:
		l.next = 2 * clock.Second
	default:
		dst, l.next = append(dst, "ok\n"...), clock.Never
	}
	return dst
}

func TestDeviceThatDoesNotKnowYet(t *testing.T) {
	c := clock.Virtual(0)
	if err := c.Run(func() error {
		p := Attach(c, "later", &later{clock.Second}, Line{})
		if err := p.Begin(clock.Second); err != nil {
			return err
		}
		x, err := p.Exchange([]byte("?\n"), func(b []byte) int { return bytes.IndexByte(b, '\n') + 1 }, 5*clock.Second)
		if err != nil || string(x.Reply) != "ok\n" || c.Now() != 2*clock.Second {
			t.Errorf("%q at %g s, %v", x.Reply, c.Now().Seconds(), err)
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
}
