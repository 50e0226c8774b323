package wire

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// whoAmI is a question whose answer is like no other.
func whoAmI() Footing {
	return Footing{Clear: []byte("*CLS\n"), Question: []byte("WHO\n"), End: lineEnd,
		Answer: func(reply []byte) bool { return string(reply) == "ME\n" }, Quiet: 20 * ms}
}

// lateBy answers the first question so late, every other after 1 ms; WHO with ME,
// others with their own text in lower case. What sets something gets no answer.
func lateBy(late clock.Instant) func(clock.Instant, string) []piece {
	first := true
	return func(_ clock.Instant, question string) []piece {
		if strings.HasPrefix(question, "*") {
			return nil
		}
		after, reply := 1*ms, strings.ToLower(question)+"\n"
		if first {
			after = late
		}
		first = false
		if question == "WHO" {
			reply = "ME\n"
		}
		return []piece{{after, reply}}
	}
}

// The first answer comes after its deadline of 10 ms: before the next question, in
// each part of finding the footing (Clear at 40 ms, WHO at 60 ms, its answer at 61
// ms, B at 81 ms), or after everything.
func TestALateAnswerIsNeverTheNextOnes(t *testing.T) {
	for late := 11 * ms; late <= 100*ms; late += ms / 2 {
		b := &bench{answer: lateBy(late)}
		record := rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			p.SetFooting(whoAmI())
			fails(t, p, "A\n", NoAnswer, 10*ms)
			if err := c.Sleep(20 * ms); err != nil {
				return err
			}
			answers := func(request, reply string) {
				x, err := p.Exchange([]byte(request), lineEnd, c.Now()+200*ms)
				if err != nil || string(x.Reply) != reply {
					t.Errorf("late by %d: %q got %q, %v", late, request, x.Reply, err)
				}
			}
			// The instrument answers in order: from here on A's answer precedes.
			if late > 60*ms {
				for i := range b.coming {
					b.coming[i].after = min(b.coming[i].after, 60*ms+ms/2)
				}
			}
			answers("B\n", "b\n")
			answers("C\n", "c\n")
			return nil
		})
		all := strings.Join(record.lines, "\n")
		if !regexp.MustCompile(`"WHO\\n" \d+ "ME\\n" \d+ answered`).MatchString(all) {
			t.Errorf("late by %d: the footing is found by another answer:\n%s", late, all)
		}
		if got := strings.Count(all, `"a\n"`); got != 1 {
			t.Errorf("late by %d: its answer is recorded %d times", late, got)
		}
		if want := []string{"A", "*CLS", "WHO", "B", "C"}; !slices.Equal(b.heard, want) {
			t.Errorf("late by %d: heard %q, want %q", late, b.heard, want)
		}
	}
}

// The footing's question never gets there, once or twice: with time left it is asked again
// when its answer cannot come any more, and not waited for until the end.
func TestAQuestionThatGetsLostIsAskedAgain(t *testing.T) {
	for lost, within := range map[int]clock.Instant{1: 1500 * ms, 2: 3500 * ms} { // twice: and until both are too late
		left := lost
		b := &bench{answer: func(_ clock.Instant, question string) []piece {
			switch {
			case question == "A" || strings.HasPrefix(question, "*"):
				return nil
			case question == "WHO" && left > 0:
				left--
				return nil
			case question == "WHO":
				return []piece{{1 * ms, "ME\n"}}
			}
			return []piece{{1 * ms, "b\n"}}
		}}
		rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			f := whoAmI()
			f.Latest = clock.Second
			p.SetFooting(f)
			fails(t, p, "A\n", NoAnswer, 10*ms)
			began := c.Now()
			answers(t, p, "B\n", "b\n", 30*clock.Second)
			if took := c.Now() - began; took > within {
				t.Errorf("lost %d times: B was answered after %v", lost, took)
			}
			return nil
		})
	}
}

func TestTheFootingIsSoughtOnlyWhenLost(t *testing.T) {
	b := &bench{answer: lateBy(1 * ms)}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		p.SetFooting(whoAmI())
		answers(t, p, "A\n", "a\n", clock.Second)
		answers(t, p, "B\n", "b\n", clock.Second)
		if len(b.heard) != 2 {
			t.Errorf("heard %q", b.heard)
		}
		return nil
	})
}

// Half an answer before the deadline, half after: the rest is no answer either.
func TestTheRestOfAnAnswerIsThrownAway(t *testing.T) {
	b := &bench{answer: func(at clock.Instant, question string) []piece {
		switch question {
		case "A":
			return []piece{{5 * ms, "12"}, {25 * ms, "34\n"}}
		case "WHO":
			return []piece{{1 * ms, "ME\n"}}
		}
		return []piece{{1 * ms, "b\n"}}
	}}
	for _, f := range []Footing{whoAmI(), {Quiet: 20 * ms}} {
		rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			f.Clear = nil
			p.SetFooting(f)
			fails(t, p, "A\n", NoAnswer, 10*ms)
			answers(t, p, "B\n", "b\n", clock.Second)
			return nil
		})
	}
}

// Without a question there is silence: what comes within it is thrown away.
func TestWithoutAQuestionSilenceTells(t *testing.T) {
	for _, quiet := range []clock.Instant{0, 80 * ms} {
		silence := max(quiet, leastQuiet)
		for late := 11 * ms; late <= 10*ms+silence; late += ms {
			rehearse(t, &bench{answer: lateBy(late)}, Line{}, func(c *clock.World, p *Port) error {
				p.SetFooting(Footing{Quiet: quiet})
				fails(t, p, "A\n", NoAnswer, 10*ms)
				answers(t, p, "B\n", "b\n", clock.Second)
				if want := late + 2*silence + 1*ms; c.Now() != want {
					t.Errorf("late by %d: answered at %d, want %d", late, c.Now(), want)
				}
				before := c.Now()
				answers(t, p, "C\n", "c\n", clock.Second) // doubt is over
				if c.Now() != before+1*ms {
					t.Errorf("late by %d: C took %d", late, c.Now()-before)
				}
				return nil
			})
		}
	}
}

// An answer that comes after that silence, and after the next question, is not
// believed either, since its successor follows it.
func TestWithoutAQuestionTwoAnswersAreNone(t *testing.T) {
	for _, together := range []bool{false, true} {
		b := &bench{}
		b.answer = func(at clock.Instant, question string) []piece {
			switch {
			case question == "A":
				return nil
			case question == "B" && together:
				return []piece{{5 * ms, "a\nb\n"}}
			case question == "B":
				return []piece{{5 * ms, "a\n"}, {15 * ms, "b\n"}}
			}
			return []piece{{1 * ms, strings.ToLower(question) + "\n"}}
		}
		record := rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			p.SetFooting(Footing{Quiet: 20 * ms})
			fails(t, p, "A\n", NoAnswer, 10*ms)
			text := fails(t, p, "B\n", NoAnswer, clock.Second)
			if !strings.Contains(text, "more came than one answer") {
				t.Errorf("got %s", text)
			}
			answers(t, p, "C\n", "c\n", clock.Second)
			answers(t, p, "D\n", "d\n", clock.Second)
			return nil
		})
		for _, line := range record.lines {
			if strings.Contains(line, `"B\n"`) && strings.HasSuffix(line, "answered") {
				t.Errorf("recorded: %s", line)
			}
		}
	}
}

// Without time to see whether the answer stands alone, it is not believed.
func TestWithoutAQuestionHasteIsNoAnswer(t *testing.T) {
	b := &bench{answer: lateBy(clock.Minute)}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		fails(t, p, "A\n", NoAnswer, 10*ms)
		b.coming = nil
		fails(t, p, "B\n", NoAnswer, c.Now()+2*leastQuiet)
		answers(t, p, "C\n", "c\n", clock.Second)
		return nil
	})
}

// The footing's question, asked by anybody, was not answered in time. It is asked again
// at once. Of an instrument that answers in order, the first answer that comes then shows
// that what is older is through, and the second is nobody else's.
func TestALateAnswerToTheFootingsQuestion(t *testing.T) {
	for late := 101 * ms; late <= 300*ms; late += 7 * ms {
		n, busy := 0, late
		b := &bench{answer: func(at clock.Instant, question string) []piece {
			if n++; n == 1 {
				return []piece{{late, "ME\n"}}
			}
			if busy = max(busy, at) + 1*ms; question == "WHO" {
				busy += 50 * ms
				return []piece{{busy - at, "ME\n"}}
			}
			return []piece{{busy - at, strings.ToLower(question) + "\n"}}
		}}
		rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			p.SetFooting(whoAmI())
			fails(t, p, "WHO\n", NoAnswer, 100*ms)
			answers(t, p, "B\n", "b\n", clock.Second)
			answers(t, p, "C\n", "c\n", clock.Second)
			want := []string{"WHO", "WHO", "B", "C"}
			if late <= 120*ms { // it came in the silence before
				want = slices.Insert(want, 1, "*CLS")
			}
			if !slices.Equal(b.heard, want) {
				t.Errorf("late by %d: heard %q, want %q", late, b.heard, want)
			}
			return nil
		})
	}
}

// One of its answers is still to come, and something else was asked since, or it was
// asked twice in vain: it is not asked again while they may still come.
func TestTheFootingsQuestionIsNotAskedForEver(t *testing.T) {
	const latest = 300 * ms
	for name, c := range map[string]struct {
		lost   []string
		before func(p *Port) // 300 ms
		owed   clock.Instant // after the last time that it was asked
	}{
		"something else was asked since": {[]string{"WHO", "C"}, func(p *Port) {
			fails(t, p, "WHO\n", NoAnswer, 50*ms)
			answers(t, p, "B\n", "b\n", 200*ms)
			fails(t, p, "C\n", NoAnswer, 300*ms)
		}, latest},
		"asked twice in vain": {[]string{"WHO", "WHO"}, func(p *Port) {
			fails(t, p, "WHO\n", NoAnswer, 50*ms)
			fails(t, p, "B\n", NotTaken, 300*ms)
		}, 2 * latest},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{}
			b.answer = func(_ clock.Instant, question string) []piece {
				if len(c.lost) > 0 && question == c.lost[0] {
					c.lost = c.lost[1:]
					return nil
				}
				return []piece{{1 * ms, map[bool]string{true: "ME\n", false: strings.ToLower(question) + "\n"}[question == "WHO"]}}
			}
			rehearse(t, b, Line{}, func(clk *clock.World, p *Port) error {
				f := whoAmI()
				f.Clear, f.Latest = nil, latest
				p.SetFooting(f)
				c.before(p)
				text := fails(t, p, "D\n", NotTaken, 350*ms)
				if want := `"D\n" not sent: plate on twin: no sure answer: the answer to an older question may still come`; text != want || clk.Now() != 350*ms {
					t.Errorf("at %d: %s, want %s", clk.Now(), text, want)
				}
				asked := b.times[slices.Index(b.heard[1:], "WHO")+1]
				answers(t, p, "D\n", "d\n", clock.Second)
				if again := b.times[len(b.times)-2]; again != asked+c.owed+f.Quiet {
					t.Errorf("asked again at %d, want %d: heard %q at %d", again, asked+c.owed+f.Quiet, b.heard, b.times)
				}
				return nil
			})
		})
	}
}

// Once its late answer has come, whole or in pieces, nothing of it is waited for.
func TestALateAnswerThatHasCome(t *testing.T) {
	for _, pieces := range [][]piece{{{60 * ms, "ME\n"}}, {{40 * ms, "M"}, {60 * ms, "E\n"}}, {{60 * ms, "M"}, {65 * ms, "E\n"}}} {
		asked := 0
		b := &bench{answer: func(_ clock.Instant, question string) []piece {
			switch {
			case question == "C":
				return nil
			case question != "WHO":
				return []piece{{1 * ms, strings.ToLower(question) + "\n"}}
			}
			if asked++; asked == 1 {
				return pieces
			}
			return []piece{{1 * ms, "ME\n"}}
		}}
		rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
			f := whoAmI()
			f.Clear, f.Latest = nil, clock.Minute
			p.SetFooting(f)
			fails(t, p, "WHO\n", NoAnswer, 50*ms)
			answers(t, p, "B\n", "b\n", clock.Second)
			fails(t, p, "C\n", NoAnswer, c.Now()+10*ms)
			answers(t, p, "D\n", "d\n", clock.Second)
			return nil
		})
	}
}

// Making safe does not wait for that. The late answer answers nothing else either.
func TestMakingSafeDoesNotWaitForALateAnswer(t *testing.T) {
	n := 0
	b := &bench{answer: func(at clock.Instant, question string) []piece {
		switch n++; n {
		case 1: // WHO, too late
			return []piece{{150 * ms, "ME\n"}}
		case 2: // WHO again, while the port is seized: its answer is the first one's
			return []piece{{171*ms - at, "ME\n"}}
		case 3:
			return []piece{{2 * ms, "off\n"}}
		}
		return []piece{{1 * ms, "ME\n"}}
	}}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		f := whoAmI()
		f.Clear = nil
		p.SetFooting(f)
		fails(t, p, "WHO\n", NoAnswer, 100*ms)
		if err := p.Seize(clock.Second); err != nil {
			return err
		}
		p.SetFooting(Footing{}) // for a while: what is owed is not forgotten
		p.SetFooting(f)
		answers(t, p, "OFF\n", "off\n", clock.Second)
		if c.Now() != 172*ms {
			t.Errorf("safe at %d", c.Now())
		}
		answers(t, p, "MODEL\n", "ME\n", clock.Second) // none is outstanding any more
		return nil
	})
}

// An instrument that answers in order, mostly soon, sometimes late, sometimes never:
// whatever counts as answered is the answer to what was asked.
func TestAnswersAreNeverShifted(t *testing.T) {
	for seed := range uint64(20) {
		for _, f := range []Footing{whoAmI(), {Quiet: 300 * ms}} {
			latest := 3 * clock.Second
			f.Latest = 2 * latest // an answer may wait for the one before it
			if !f.asks() {
				latest = f.Quiet - ms // all that silence can promise
			}
			r := rand.New(rand.NewPCG(seed, 1))
			var busy clock.Instant
			b := &bench{answer: func(at clock.Instant, question string) []piece {
				chance := r.Float64()
				if question == "*CLS" || chance < 0.05 {
					return nil
				}
				took := 5 * ms
				if chance < 0.3 {
					took = clock.Instant(r.Int64N(int64(latest)))
				}
				busy = max(busy, at)
				if f.asks() {
					busy += took
				} else {
					busy = max(busy, at+took)
				}
				reply := "answer to " + question + "\n"
				if question == "WHO" {
					reply = "ME\n"
				}
				half := r.IntN(len(reply) + 1)
				return []piece{{busy - at, reply[:half]}, {busy - at, reply[half:]}}
			}}
			good := 0
			rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
				p.SetFooting(f)
				for k := range 2000 {
					deadline := 50*ms + clock.Instant(r.Int64N(int64(clock.Second)))
					x, err := p.Exchange(fmt.Appendf(nil, "%d\n", k), lineEnd, c.Now()+deadline)
					if err == nil {
						good++
						if want := fmt.Sprintf("answer to %d\n", k); string(x.Reply) != want {
							t.Errorf("seed %d, with a question %v: got %q, want %q", seed, f.asks(), x.Reply, want)
						}
					}
					if err := c.Sleep(c.Now() + 20*ms); err != nil {
						return err
					}
				}
				return nil
			})
			if good < 200 {
				t.Errorf("seed %d, with a question %v: only %d of 2000 answered", seed, f.asks(), good)
			}
		}
	}
}

// seize runs a world with an asker that has the port and, at 10 ms, somebody who
// makes safe.
func seize(t *testing.T, b *bench, line Line, ask, safe func(c clock.Clock, p *Port) error) *book {
	t.Helper()
	c := clock.Virtual(0)
	record := &book{}
	err := c.Run(func() error {
		p := Attach(c, "plate", b, line)
		p.SetFooting(whoAmI())
		p.Tap(record.tap)
		c.Go("asker", func() error {
			if err := p.Begin(clock.Second); err != nil {
				return err
			}
			defer p.End()
			return ask(c, p)
		})
		if err := c.Sleep(10 * ms); err != nil {
			return err
		}
		if err := p.Seize(clock.Second); err != nil {
			return err
		}
		defer p.End()
		return safe(c, p)
	})
	if err != nil {
		t.Error(err)
	}
	return record
}

func TestSeizeCutsAnExchangeShortAndMistrustsTheLine(t *testing.T) {
	b := &bench{}
	b.answer = func(at clock.Instant, question string) []piece {
		switch question {
		case "A":
			return []piece{{5 * ms, "12"}, {20 * ms, "34\n"}} // half of it when the port is seized
		case "WHO":
			return []piece{{1 * ms, "ME\n"}}
		case "*CLS":
			return nil
		}
		return []piece{{1 * ms, "off\n"}}
	}
	seize(t, b, Line{}, func(c clock.Clock, p *Port) error {
		text := fails(t, p, "A\n", CutShort, clock.Second)
		if want := `plate on twin: "A\n" was cut short: the rig is being made safe`; text != want || c.Now() != 10*ms {
			t.Errorf("at %d: %s, want %s", c.Now(), text, want)
		}
		return nil
	}, func(c clock.Clock, p *Port) error {
		if c.Now() != 10*ms {
			t.Errorf("seized at %d", c.Now())
		}
		answers(t, p, "OFF\n", "off\n", clock.Second)
		return nil
	}).check(t,
		`0 "A\n" 5000000 "12" 10000000 cut short`,
		`20000000 "" 20000000 "34\n" 20000000 unasked`,
		`40000000 "*CLS\n" 0 "" 40000000 no answer due`,
		`60000000 "WHO\n" 61000000 "ME\n" 61000000 answered`,
		`81000000 "OFF\n" 82000000 "off\n" 82000000 answered`)
}

// Between two exchanges of whoever has the port, in its pause, or while it finds
// its footing: nothing of it may go out any more.
func TestNothingIsSentWhileSomebodyMakesSafe(t *testing.T) {
	for name, ask := range map[string]func(c clock.Clock, p *Port) error{
		"between exchanges": func(c clock.Clock, p *Port) error {
			if err := c.Sleep(15 * ms); err != nil {
				return err
			}
			fails(t, p, "ON\n", CutShort, clock.Second)
			return nil
		},
		"in the pause": func(c clock.Clock, p *Port) error {
			answers(t, p, "A\n", "a\n", clock.Second)
			fails(t, p, "ON\n", CutShort, clock.Second)
			if c.Now() != 10*ms {
				t.Errorf("cut short at %d", c.Now())
			}
			return nil
		},
		"finding the footing": func(c clock.Clock, p *Port) error {
			p.owes = true
			fails(t, p, "ON\n", CutShort, clock.Second)
			if c.Now() != 10*ms {
				t.Errorf("cut short at %d", c.Now())
			}
			return nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{answer: lateBy(1 * ms)}
			seize(t, b, Line{Pause: 50 * ms}, ask, func(c clock.Clock, p *Port) error {
				answers(t, p, "OFF\n", "off\n", clock.Second)
				return nil
			})
			if slices.Contains(b.heard, "ON") || b.heard[len(b.heard)-1] != "OFF" {
				t.Errorf("heard %q", b.heard)
			}
		})
	}
}

func TestSeizeGoesBeforeTheQueueAndIsNotCutItself(t *testing.T) {
	b := &bench{answer: func(_ clock.Instant, question string) []piece {
		return []piece{{30 * ms, map[bool]string{true: "ME\n", false: strings.ToLower(question) + "\n"}[question == "WHO"]}}
	}}
	var order []string
	seize(t, b, Line{}, func(c clock.Clock, p *Port) error {
		for _, name := range []string{"second", "third"} {
			c.Go(name, func() error {
				if err := p.Begin(clock.Second); err != nil {
					return err
				}
				defer p.End()
				order = append(order, name)
				return nil
			})
		}
		fails(t, p, "A\n", CutShort, clock.Second)
		return nil
	}, func(c clock.Clock, p *Port) error {
		f := whoAmI()
		f.Clear = nil
		p.SetFooting(f)
		c.Go("another who makes safe", func() error {
			if err := c.Sleep(70 * ms); err != nil { // while OFF waits for its answer
				return err
			}
			if err := p.Seize(clock.Second); err != nil {
				return err
			}
			defer p.End()
			order = append(order, "another")
			answers(t, p, "OFF\n", "off\n", clock.Second)
			return nil
		})
		order = append(order, "safe")
		answers(t, p, "OFF\n", "off\n", clock.Second)
		p.End()
		return c.Sleep(clock.Second)
	})
	if got := strings.Join(order, " "); got != "safe another second third" {
		t.Errorf("order: %s", got)
	}
}

func TestTheHolderMaySeize(t *testing.T) {
	b := &bench{answer: lateBy(1 * ms)}
	rehearse(t, b, Line{}, func(c *clock.World, p *Port) error {
		p.SetFooting(whoAmI())
		if err := p.Seize(clock.Second); err != nil || c.Now() != 0 {
			t.Errorf("at %d: %v", c.Now(), err)
		}
		answers(t, p, "OFF\n", "off\n", clock.Second)
		p.End()
		p.End()
		if got := strings.Join(b.heard, " "); got != "*CLS WHO OFF" {
			t.Errorf("heard %s", got)
		}
		fails := make(chan error, 1)
		c.Go("next", func() error { fails <- p.Begin(c.Now() + ms); p.End(); return nil })
		if err := c.Sleep(c.Now() + 10*ms); err != nil {
			return err
		}
		return <-fails
	})
}

func TestWaitingForThePortEndsAtItsDeadline(t *testing.T) {
	rehearse(t, &bench{}, Line{}, func(c *clock.World, p *Port) error {
		for i, take := range []func(clock.Instant) error{p.Begin, p.Seize} {
			c.Go("impatient", func() error {
				at := clock.Instant(i+1) * 10 * ms
				err := take(at)
				if err == nil || !strings.HasPrefix(err.Error(), "plate on twin: ") || c.Now() != at {
					t.Errorf("at %d: %v", c.Now(), err)
				}
				return nil
			})
		}
		return c.Sleep(50 * ms)
	})
}

// torrent is a link on which something comes all the time, and never late enough
// for a deadline to come first.
type torrent struct{ clock clock.Clock }

func (l *torrent) send([]byte, clock.Instant) (clock.Instant, error) { return l.clock.Now(), nil }
func (l *torrent) hold([]byte, clock.Instant) (clock.Instant, error) { return l.clock.Now(), nil }
func (l *torrent) receive(dst []byte, _ clock.Instant) ([]byte, clock.Instant, error) {
	err := l.clock.Sleep(l.clock.Now() + ms)
	return append(dst, "babble\n"...), l.clock.Now(), err
}
func (l *torrent) take(dst []byte) ([]byte, clock.Instant) { return dst, clock.Never }
func (l *torrent) interrupt()                              {}
func (l *torrent) close() error                            { return nil }

func TestATorrentOfWholeLinesEndsAtTheDeadline(t *testing.T) {
	c := clock.Virtual(0)
	err := c.Run(func() error {
		p := newPort(c, "plate", "torrent", &torrent{c}, Line{})
		p.SetFooting(whoAmI())
		if err := p.Begin(clock.Second); err != nil {
			return err
		}
		x, err := p.exchange([]byte("WHO\n"), lineEnd, true, 100*ms)
		if x.Ended != NoAnswer || c.Now() != 100*ms {
			t.Errorf("%s at %d, %v", x.Ended, c.Now(), err)
		}
		p.stray = 0
		fails(t, p, "READ?\n", NotTaken, 200*ms)
		if c.Now() != 200*ms {
			t.Errorf("ended at %d", c.Now())
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}
