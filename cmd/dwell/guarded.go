package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"

	"dwell/drivers/clock"
	"dwell/safety"
	"dwell/sequence"
)

// guarded is the run's side of its guard. A nil one is that of a run whose instruments
// are all virtual: they end with it.
type guarded struct {
	clock *clock.WallClock
	cmd   *exec.Cmd
	to    *os.File
	from  *os.File
	words *outlet
	over  chan struct{}

	state    safety.Guard // of the guard, as the run sees it
	heard    *clock.Event
	last     string // word of the guard, other than a heartbeat
	gone     bool
	told     bool // that something is energised
	fail     func(text string)
	warn     func(text string)
	strength int64 // of its heartbeat
}

const (
	// guardPatience is how long a guard may take to be ready, on a busy machine too.
	guardPatience = 10 * clock.Second
	// guardSilence is how long the guard may be silent. A run without a guard is no
	// danger yet, so this is longer than the other way round.
	guardSilence = guardLimit * 3 / 2
	// wordPatience is how long the guard may take to hear a word.
	wordPatience = 2 * clock.Second
)

// startGuard starts the guard of a run and waits until it is ready.
func (x *execution) startGuard() (*guarded, error) {
	wall, ok := x.clock.(*clock.WallClock)
	if !ok || !opensPorts(x.job.rig) {
		return nil, nil
	}
	g := &guarded{clock: wall, over: make(chan struct{}), heard: clock.NewEvent(wall), state: safety.Guard{Limit: guardSilence},
		fail: func(string) {}, warn: func(string) {}}
	if err := wall.Block(func() error { return g.start(x.folder) }); err != nil {
		return nil, fmt.Errorf("the guard process cannot be started: %w", err)
	}
	g.words = newOutlet(wall, "words to the guard", func(b []byte) error { _, err := g.to.Write(b); return err })
	wall.Go("words of the guard", g.listen)
	if err := g.await("ready"); err != nil {
		g.cmd.Process.Kill()
		g.close()
		return nil, err
	}
	return g, nil
}

func (g *guarded) start(folder string) error {
	exe, err := os.Executable()
	if err != nil {
		return err
	}
	in, to, err := os.Pipe()
	if err != nil {
		return err
	}
	from, out, err := os.Pipe()
	if err != nil {
		return errors.Join(err, in.Close(), to.Close())
	}
	g.to, g.from = to, from
	g.cmd = exec.Command(exe, "guard", "--folder", folder, "--owner", strconv.Itoa(os.Getpid()))
	g.cmd.Stdin, g.cmd.Stdout, g.cmd.Stderr = in, out, os.Stderr
	g.cmd.SysProcAttr = apart()
	err = g.cmd.Start()
	in.Close()
	out.Close()
	if err != nil {
		return errors.Join(err, to.Close(), from.Close())
	}
	go g.cmd.Wait() // how it ended does not matter: its pipe says when
	return nil
}

// listen hears the guard, to its end.
func (g *guarded) listen() error {
	lines := readLines(g.from, g.over)
	for {
		var line string
		more := true
		err := g.clock.Block(func() error {
			select {
			case line, more = <-lines:
			case <-g.over:
				return io.EOF
			}
			return nil
		})
		if err != nil {
			return nil
		}
		word, rest, _ := strings.Cut(line, " ")
		switch {
		case !more:
			g.gone = true
			g.step(safety.Ended, 0)
			g.heard.Signal()
			return nil
		case word == "beat":
			g.strength++
			g.step(safety.Beat, g.strength)
		case word == "late":
			g.warn("the guard process has missed the heartbeat for " + rest + " s")
		default:
			g.last = word
		}
		g.heard.Signal()
	}
}

// await waits for a word of the guard.
func (g *guarded) await(word string) error {
	by := g.clock.Now() + guardPatience
	for g.last != word {
		if g.gone {
			return fmt.Errorf("the guard process has ended before it was %s", word)
		}
		if came, err := g.heard.Wait(by); err != nil || !came {
			return errors.Join(err, fmt.Errorf("the guard process was not %s within %g s", word, guardPatience.Seconds()))
		}
	}
	return nil
}

// watched is what the run tells the guard; nil without one.
func (g *guarded) watched() *sequence.Watched {
	if g == nil {
		return nil
	}
	return &sequence.Watched{
		Beat:       func(key int64) { g.words.renew(fmt.Sprintf("beat %d\n", key)) },
		Energising: g.energising,
		Slept:      g.clock.Slept,
	}
}

// energising tells the guard, once, and waits until its pipe has the word: it is heard
// then, even if this process ends the next moment.
func (g *guarded) energising() error {
	if g.told {
		return nil
	}
	g.words.say("energising\n")
	if !g.words.flush(g.clock.Now() + wordPatience) {
		return errors.New("the guard process does not hear")
	}
	g.told = true
	return nil
}

// arm has the guard watch from now on.
func (g *guarded) arm(r *sequence.Run) error {
	if g == nil {
		return nil
	}
	g.words.say(fmt.Sprintf("armed %d\n", int64(g.clock.Now())))
	if err := g.await("armed"); err != nil {
		g.cmd.Process.Kill() // nothing has been touched: there is nothing to take over
		return err
	}
	r.Remark("guard", fmt.Sprintf("process %d guards this run", g.cmd.Process.Pid))
	g.fail, g.warn = r.Fail, func(text string) { r.Remark("warning", text) }
	g.step(safety.Energising, 0)
	g.clock.Go("look at the guard", func() error {
		for g.clock.Sleep(g.clock.Now()+guardLooks) == nil {
			g.step(safety.Nothing, 0)
		}
		return nil
	})
	return nil
}

// step takes a sign of the guard to the same state machine by which it watches us.
func (g *guarded) step(s safety.Sign, key int64) {
	var action safety.Action
	g.state, action = g.state.Step(g.clock.Now(), s, key)
	switch action {
	case safety.Warn:
		g.warn("the guard process is late")
	case safety.TakeOver:
		text := fmt.Sprintf("the guard process has not answered for %g s", guardSilence.Seconds())
		if g.gone {
			text = "the guard process is gone"
		}
		g.fail(text)
	}
}

// dismiss lets the guard go, after a run of which it is known how it left the bench.
// A run that does not know leaves it to the guard, by ending.
func (g *guarded) dismiss(o sequence.Outcome) {
	switch {
	case g == nil:
	case o.Safe:
		g.words.say("safe\n")
		g.leave()
	case o.GaveUp:
		g.words.say("gave up\n")
		g.leave()
	}
}

// leave says good-bye and waits until the guard has put its record away.
func (g *guarded) leave() {
	g.state.Phase = safety.Gone
	g.words.say("bye\n")
	by := g.clock.Now() + wordPatience
	for !g.gone {
		if came, err := g.heard.Wait(by); err != nil || !came {
			g.cmd.Process.Kill()
			return
		}
	}
}

// close ends what listens here. The pipe to the guard ends with this process and not
// before: its end is a word too.
func (g *guarded) close() {
	if g != nil {
		close(g.over)
	}
}
