package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/safety"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// The guard is a second process of the same program. A run starts it before anything
// is sent to an instrument, and speaks to it through two pipes, in lines:
//
//	to the guard    armed T        instruments are spoken to from now on; T is the run's
//	                               time in ns
//	                energising     heat or output is about to be switched on
//	                beat N         what was read has been judged; N grows
//	                safe           the bench has been read back and is safe
//	                gave up        it is not, and the operator has ended the attempts
//	                bye            the run needs no guard any more
//	to the run      ready, armed   as asked
//	                beat N         the guard looks
//	                late T         the run's heartbeat is late, by T in seconds
//
// The end of the pipe without "bye" is the end of the run. The guard has no port and
// no lock until it takes over; all it needs for that is in memory by the time it is
// armed. It lives in a session of its own and is deaf to the terminal.
type guard struct {
	clock   *clock.WallClock
	rig     *rig.Rig
	folder  string
	owner   *os.Process
	exited  <-chan struct{} // closed when the owner is no more; nil where that cannot be seen
	control *control
	encoder zapcore.Encoder
	over    chan struct{}

	state   safety.Guard
	changed *clock.Event // the state, or the owner is gone
	gone    bool         // the owner is
	safe    bool
	offset  clock.Instant // from this process's time to the run's
	slept   clock.Instant
	looked  clock.Instant // when it looked last
	held    clock.Instant // when it came to itself, after it had been stopped; 0 for never
	why     string
	log     *outlet
	screen  *outlet
	run     *outlet
	said    map[string]remark // by instrument
	speech  *speech
	shouts  *alarm
	caller  *caller
	alive   *wire.Lock // ends with this process, however that ends
}

// remark is what was said last of an instrument.
type remark struct {
	text      string
	at        clock.Instant
	confirmed bool
}

const (
	// guardLimit is how long a run may be silent before its guard takes over: some
	// beats, and far below what a plate heats in it. A rule of thumb, no source.
	guardLimit = clock.Second
	// guardLooks is how often the guard looks, and says that it does.
	guardLooks = guardLimit / 8
	// dying is how long the system may take to end a process that was killed.
	dying = clock.Second
	// heldUp is longer than a busy computer keeps the guard from looking. A rule of thumb,
	// no source.
	heldUp = 2 * clock.Second
	// repeatAfter is how long the same failure is not worth another line.
	repeatAfter = clock.Minute
	// flushPatience is how long the guard's last words may take.
	flushPatience = 2 * clock.Second
)

func guardCommand(s *speech) *cobra.Command {
	var folder string
	var owner int
	c := &cobra.Command{
		Use:    "guard",
		Short:  "watch a run; started by run, not by people",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			g, file, err := newGuard(s, folder, owner)
			if err != nil {
				return &coded{exitFailed, fmt.Errorf("guard: %w", err)}
			}
			return g.clock.Run(func() error { return g.serve(file) })
		},
	}
	c.Flags().StringVar(&folder, "folder", "", "the run folder")
	c.Flags().IntVar(&owner, "owner", 0, "the process number of the run")
	return c
}

// newGuard prepares everything that a take-over needs.
func newGuard(s *speech, folder string, owner int) (*guard, *os.File, error) {
	deafen()
	g := &guard{clock: clock.Wall(0), encoder: eventEncoder(), over: make(chan struct{}),
		state: safety.Guard{Limit: guardLimit}, said: map[string]remark{}, speech: s}
	var err error
	if g.owner, err = os.FindProcess(owner); err != nil {
		return nil, nil, err
	}
	if os.Getppid() != owner {
		return nil, nil, fmt.Errorf("process %d, which was to be watched, has not started this one", owner)
	}
	g.exited = exited(g.owner)
	g.folder = folder
	name := filepath.Join(folder, "rig.yaml")
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, nil, err
	}
	m := &yamltext.Mistakes{}
	g.rig = rig.LoadKept(yamltext.Parse(name, text, m), ownProfiles(name), m)
	if m.Len() > 0 {
		m.Print(s.err)
		return nil, nil, m.Err()
	}
	if err := movedPorts(g.rig, folder); err != nil {
		return nil, nil, err
	}
	if g.control, err = newControl(); err != nil {
		return nil, nil, err
	}
	if g.control.owner.Folder, err = filepath.Abs(folder); err != nil {
		return nil, nil, err
	}
	g.control.owner.Role = roleGuard
	g.alive, _ = wire.Take(guardKey(folder), g.control.text()) // without it nobody can tell that it lives
	file, err := os.OpenFile(filepath.Join(folder, guardFile), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o666)
	return g, file, err
}

// serve is the main process: it waits until there is something to do.
func (g *guard) serve(file *os.File) error {
	defer close(g.over)
	defer g.control.close()
	g.changed = clock.NewEvent(g.clock)
	g.log = newOutlet(g.clock, "guard's record", func(b []byte) error {
		// read each time: dwell safe leaves word there, while this process is stopped
		text, _ := os.ReadFile(filepath.Join(g.folder, guardFile))
		_, err := file.Write(behind(text, b))
		return errors.Join(err, file.Sync())
	})
	g.screen = newOutlet(g.clock, "screen", func(b []byte) error { os.Stderr.Write(b); return nil })
	g.run = newOutlet(g.clock, "words to the run", func(b []byte) error { _, err := os.Stdout.Write(b); return err })
	g.caller = newCaller(g.clock, g.rig, g.folder, g.note)
	bench := rig.Unopened(g.clock, g.rig, g.control.text())
	g.slept, g.looked = g.clock.Slept(), g.clock.Now()
	g.clock.Go("words of the run", g.listen)
	g.clock.Go("look", g.look)
	g.run.say("ready\n")
	for g.state.Phase != safety.TakingOver && g.state.Phase != safety.Gone {
		if _, err := g.changed.Wait(clock.Never); err != nil {
			return err
		}
	}
	if g.state.Phase == safety.TakingOver {
		g.takeOver(bench)
	}
	by := g.clock.Now() + flushPatience
	g.control.answered(g.clock, by)
	g.log.flush(by)
	g.screen.flush(by)
	return nil
}

// listen hears the run, to its end. Reading and the wait for its exit go on outside
// of the guard's time, and are left behind with the program.
func (g *guard) listen() error {
	lines, exited := readLines(os.Stdin, g.over), g.exited
	for lines != nil || exited != nil {
		var line string
		more, gone := true, false
		err := g.clock.Block(func() error {
			select {
			case line, more = <-lines:
			case <-exited:
				gone = true
			case <-g.over:
				return io.EOF
			}
			return nil
		})
		switch {
		case err != nil:
			return nil
		case gone:
			exited, g.gone = nil, true
			g.changed.Signal()
			g.step(safety.Ended, 0)
		case !more:
			lines = nil
			g.step(safety.Ended, 0)
		default:
			g.hear(line)
		}
	}
	return nil
}

// readLines reads lines until they end, or until nobody wants them.
func readLines(r io.Reader, over <-chan struct{}) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			select {
			case lines <- s.Text():
			case <-over:
				return
			}
		}
	}()
	return lines
}

// hear takes a line of the run.
func (g *guard) hear(line string) {
	word, rest, _ := strings.Cut(line, " ")
	number, _ := strconv.ParseInt(rest, 10, 64)
	switch word {
	case "beat":
		g.step(safety.Beat, number)
	case "armed":
		g.offset = clock.Instant(number) - g.clock.Now()
		g.step(safety.Begins, 0)
		g.note("armed", fmt.Sprintf("process %d watches process %d", os.Getpid(), g.owner.Pid))
		g.run.say("armed\n")
	case "energising":
		g.step(safety.Energising, 0)
	case "safe":
		g.step(safety.MadeSafe, 0)
		g.note("confirmed", "the run has made the bench safe")
	case "gave":
		g.note("given up", "the operator has ended the run's attempts to make the bench safe")
		g.step(safety.GaveUp, 0)
	case "bye":
		g.step(safety.Leaving, 0)
	}
}

// look looks at the time, and shows the run that it does. It is the loop that judges.
func (g *guard) look() error {
	for n := 1; ; n++ {
		if err := g.clock.Sleep(g.clock.Now() + guardLooks); err != nil {
			return nil
		}
		if slept := g.clock.Slept(); slept-g.slept > clock.Second/2 {
			g.note("suspended", fmt.Sprintf("the computer slept for %.1f s", (slept-g.slept).Seconds()))
			g.slept = slept
		}
		g.lookNow()
		g.step(safety.Nothing, 0)
		g.run.renew(fmt.Sprintf("beat %d\n", n))
	}
}

// lookNow notes that it looks, and whether it had been kept from that.
func (g *guard) lookNow() {
	now := g.clock.Now()
	if now-g.looked > heldUp {
		g.held = now
	}
	g.looked = now
}

// superseded is why the bench is not the guard's business any more; empty if it is. Only one
// that had been stopped asks: what it is to do cannot have been done without it otherwise.
// It does not wait long for a disk.
func (g *guard) superseded() (why string) {
	if g.lookNow(); g.held == 0 || g.held < g.clock.Now()-heldUp {
		return ""
	}
	over, done := false, clock.NewEvent(g.clock)
	g.clock.Go("what was done since", func() error {
		text := ""
		g.clock.Block(func() error { text = doneSince(g.folder, g.rig, g.owner.Pid); return nil })
		why, over = text, true
		done.Signal()
		return nil
	})
	for by := g.clock.Now() + clock.Second; !over; {
		if came, err := done.Wait(by); err != nil || !came {
			return ""
		}
	}
	return why
}

// step takes a sign to the state machine, and does what that says.
func (g *guard) step(s safety.Sign, key int64) {
	now, before := g.clock.Now(), g.state.Phase
	silence := g.state.Silence(now)
	var action safety.Action
	g.state, action = g.state.Step(now, s, key)
	switch action {
	case safety.Warn:
		g.note("late", fmt.Sprintf("no heartbeat for %.2f s", silence.Seconds()))
		g.run.say(fmt.Sprintf("late %.2f\n", silence.Seconds()))
	case safety.TakeOver:
		switch s {
		case safety.Ended:
			g.why = "the run has ended and left the bench as it was"
		case safety.Leaving:
			g.why = "the run has left without making the bench safe"
		default:
			g.why = fmt.Sprintf("the run has been silent for %.2f s", silence.Seconds())
		}
	}
	if g.state.Phase != before {
		g.changed.Signal()
	}
}

// takeOver ends what is left of the run and makes the bench safe, for as long as it
// takes.
func (g *guard) takeOver(bench *rig.Bench) {
	if why := g.superseded(); why != "" {
		g.note("stood down", why)
		return
	}
	g.note("taking over", g.why)
	g.end()
	g.control.serve(g.clock, func() {}, g.standing, func() (safe, over bool) { return g.safe, g.safe })
	g.clock.Go("call for help", func() error { return g.alarm(len(bench.Instruments)) })
	now := g.clock.Now()
	origin := clock.Today()
	origin.UTC = origin.UTC.Add(-time.Duration(now))
	g.shouts = newAlarm(bench, origin, now)
	g.shouts.repeat(g.clock, func(line string) { g.screen.say(g.speech.alarmed("guard: "+line) + "\n") })
	report := safety.MakeSafe(g.clock, bench, func() bool { return false }, g.evidence)
	if err := bench.Close(); err != nil {
		g.note("closing", err.Error())
	}
	if g.safe = report.Confirmed; !g.safe {
		return
	}
	g.step(safety.TookOver, 0)
	warm := ""
	for _, w := range report.Warm {
		text := w.Text(bench.Rig, safety.TouchDegC)
		g.note("warmth", text)
		warm += "; " + text
	}
	g.note("safe", fmt.Sprintf("the bench is confirmed safe, %.2f s after the guard began", (report.Done-report.Began).Seconds()))
	g.caller.call(g.why + "; the guard has made the bench safe" + warm)
}

// standing is how far it is, for somebody who asks.
func (g *guard) standing() string {
	switch {
	case g.shouts.on():
		return g.shouts.line(g.clock.Now())
	case g.shouts != nil && !g.safe:
		return "the guard is making the rig safe: NOT CONFIRMED yet"
	}
	return ""
}

// alarm tells somebody, once, that after some time not every instrument has confirmed.
// One that is off and watched while it cools has.
func (g *guard) alarm(instruments int) error {
	by := g.clock.Now() + alarmAfter
	for {
		if err := g.clock.Sleep(by); err != nil || g.safe {
			return nil
		}
		confirmed := 0
		for _, last := range g.said {
			if last.confirmed {
				confirmed++
			}
		}
		if confirmed < instruments {
			break
		}
		by += clock.Second
	}
	g.note("alarm", loud)
	g.caller.call(loud + "; " + g.why + ", and the guard keeps trying")
	return nil
}

// end kills the run by its handle, stopped or not, and waits until its ports and
// locks are free.
func (g *guard) end() {
	if err := g.owner.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		g.note("killing", err.Error())
	}
	by := g.clock.Now() + dying
	for g.exited != nil && !g.gone {
		if came, err := g.changed.Wait(by); err != nil || !came {
			return
		}
	}
}

// evidence notes every result, and a failure that stays the same now and then. The
// screen is told of the first one, and then by the alarm.
func (g *guard) evidence(e drivers.Evidence) {
	now, last := g.clock.Now(), g.said[e.Instrument]
	isNew := g.shouts.hear(e)
	if e.Text == last.text && now-last.at < repeatAfter {
		return
	}
	g.said[e.Instrument] = remark{e.Text, now, e.Grade != drivers.Unconfirmed}
	kind := "made safe"
	if e.Grade == drivers.Unconfirmed {
		kind = "not safe"
	}
	text := e.Instrument + ": " + e.Grade.String() + ": " + e.Text
	if g.write(kind, text); isNew {
		g.show(kind, text)
	}
}

// silently are notes for the record alone: while the run lives the screen is its own.
var silently = map[string]bool{"armed": true, "confirmed": true, "given up": true, "late": true, "suspended": true, "alarm": true}

// note writes to the record and shows it, neither of which it waits for.
func (g *guard) note(kind, text string) {
	if g.write(kind, text); !silently[kind] {
		g.show(kind, text)
	}
}

func (g *guard) write(kind, text string) {
	line, err := g.encoder.EncodeEntry(zapcore.Entry{Message: kind}, []zapcore.Field{
		zap.Int64("t_ns", int64(g.clock.Now()+g.offset)),
		zap.String("utc", clock.Today().UTC.Format(time.RFC3339Nano)), zap.String("text", text)})
	if err == nil {
		g.log.say(line.String() + "\n")
		line.Free()
	}
}

func (g *guard) show(kind, text string) { g.screen.say("guard: " + kind + ": " + text + "\n") }
