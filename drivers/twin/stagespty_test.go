package twin

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"

	"github.com/creack/pty"
)

// wordStage is a stage that is known by its profile alone: a controller of lines of words,
// with the rules that such ones have. It is locked until it has found its switch, says
// nothing while it looks for it, greets whoever listens after its supply was cut, and does
// not know where it is then.
type wordStage struct {
	scpi             bool
	heard            string
	lines            []string
	said             []saying
	homed            bool
	homes            clock.Instant // until then
	began            clock.Instant
	from, to, speed  float64 // mm, mm/s
	errors, searched int
}

type saying struct {
	at   clock.Instant
	text string
}

const homesFor = 700 * clock.Millisecond

func (s *wordStage) at(t clock.Instant) (mm float64, moving bool) {
	length := math.Abs(s.to - s.from)
	gone := s.speed * (t - s.began).Seconds()
	if s.speed == 0 || gone >= length {
		return s.to, false
	}
	return s.from + math.Copysign(gone, s.to-s.from), true
}

func (s *wordStage) end() string {
	if s.scpi {
		return "\n"
	}
	return "\r"
}

func (s *wordStage) say(at clock.Instant, text string) {
	if text != "" {
		s.said = append(s.said, saying{at, text + "\r\n"})
	}
}

// cut interrupts its supply.
func (s *wordStage) cut(at clock.Instant) {
	mm, _ := s.at(at)
	s.homed, s.speed, s.from, s.to, s.homes = false, 0, mm, mm, 0
	s.say(at+20*clock.Millisecond, "STAGE 2 READY")
}

func (s *wordStage) Receive(at clock.Instant, b []byte) {
	s.heard += string(b)
	for {
		line, rest, whole := strings.Cut(s.heard, s.end())
		if !whole {
			return
		}
		s.heard = rest
		if line = strings.TrimSpace(line); line != "" {
			s.lines = append(s.lines, line)
			s.obey(at, line)
		}
	}
}

func (s *wordStage) obey(at clock.Instant, line string) {
	mm, moving := s.at(at)
	if at < s.homes && line != "STOP" && line != "ST" {
		if s.searched++; strings.HasPrefix(line, "*OPC?") {
			s.say(s.homes, "1")
		}
		return // it looks for its switch, and answers nothing
	}
	answer := "OK"
	value := func(head string) (float64, bool) {
		rest, is := strings.CutPrefix(line, head)
		v, err := strconv.ParseFloat(rest, 64)
		return v, is && err == nil
	}
	move := func(to float64) {
		if !s.homed {
			s.errors++
			answer = "ERR not homed"
			return
		}
		s.from, s.to, s.began = mm, to, at
	}
	switch line {
	case "VER":
		answer = "STAGE 2"
	case "*IDN?":
		answer = "A,STAGE,0,1"
	case "SYST:ERR?":
		if answer = `0,"No error"`; s.errors > 0 {
			s.errors--
			answer = `-200,"not homed"`
		}
	case "*OPC?;:REF:FOUND?":
		answer = map[bool]string{true: "1", false: "0"}[s.homed]
	case "ST", "STOP":
		s.from, s.to, s.homes = mm, mm, 0
	case "HM", "REF:SEARCH":
		s.homes, s.homed, s.from, s.to = at+homesFor, true, 0, 0
		s.say(s.homes, map[bool]string{false: answer}[s.scpi])
		return
	case "P", "POS?":
		answer = strconv.FormatFloat(mm, 'f', 3, 64)
	case "SPEED?":
		answer = strconv.FormatFloat(s.speed, 'f', 4, 64)
	case "Q", "STATE?":
		k := 0
		if moving {
			k = 1
		}
		if !s.homed {
			k = 2
		}
		answer = map[bool][]string{true: {"READY", "MOVING", "FAULT"}, false: {"S", "M", "E"}}[s.scpi][k]
	default:
		if v, is := value(map[bool]string{true: "SPEED ", false: "VE"}[s.scpi]); is {
			s.speed = v
		} else if v, is := value(map[bool]string{true: "MOVE:ABS ", false: "MA"}[s.scpi]); is {
			move(v)
		}
	}
	if s.scpi && !strings.HasSuffix(line, "?") {
		return
	}
	s.say(at+2*clock.Millisecond, answer)
}

func (s *wordStage) NextAt() clock.Instant {
	if len(s.said) == 0 {
		return clock.Never
	}
	return s.said[0].at
}

func (s *wordStage) Take(at clock.Instant, dst []byte) []byte {
	for len(s.said) > 0 && s.said[0].at <= at {
		dst = append(dst, s.said[0].text...)
		s.said = s.said[1:]
	}
	return dst
}

// restless is a device that may say something at any time, without having been asked.
type restless struct {
	wire.Device
	seen clock.Instant
}

func (r *restless) NextAt() clock.Instant { return min(r.Device.NextAt(), r.seen+10*clock.Millisecond) }

func (r *restless) Take(at clock.Instant, dst []byte) []byte {
	r.seen = at
	return r.Device.Take(at, dst)
}

// onPTY opens a stage of a profile behind a pseudo terminal.
func onPTY(t *testing.T, profile string, d wire.Device, live func(c clock.Clock) error, test func(c clock.Clock, i *rig.Instrument, by clock.Instant) error) {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Skipf("no PTY here: %v", err)
	}
	var m yamltext.Mistakes
	r := rig.Load(yamltext.Parse("rig.yaml", []byte("format: 1\nrig: b\nambient: {temperature: 18 degC, cooling: none}\n"+
		"instruments:\n  stage: {profile: "+profile+", port: \"serial:"+far.Name()+"\"}\n"), &m), nil, &m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	c := clock.Wall(0)
	if err := c.Run(func() error {
		defer far.Close()
		c.Go("stage", func() error { Serve(c, &restless{Device: d}, near, line115200); return nil })
		c.Go("bench", func() error { return live(c) })
		by := c.Now() + 60*clock.Second
		b, err := rig.Open(c, r, anything{}, rig.Opening{}, by)
		if err != nil {
			return err
		}
		defer b.Close()
		i := b.Instruments[0]
		if err := i.Begin(by); err != nil {
			return err
		}
		defer i.End()
		if _, err := i.Identify(by); err != nil {
			return err
		}
		if err := i.Prepare(by); err != nil {
			return err
		}
		return test(c, i, by)
	}); err != nil {
		t.Errorf("%s: %v", profile, err)
	}
}

// reads asks for state and position of a stage, whatever questions that takes.
func reads(i *rig.Instrument, by clock.Instant) (motion string, mm float64, err error) {
	p := i.Profile()
	for q, query := range p.Queries {
		rs, err := i.Measure(q, nil, by)
		if err != nil {
			return "", 0, err
		}
		if len(rs) != len(query.Fields) {
			return "", 0, fmt.Errorf("%d readings to question %d", len(rs), q)
		}
		for k, f := range query.Fields {
			switch {
			case rs[k].Flag != drivers.Good:
				return "", 0, fmt.Errorf("%s is %s", f.Quantity, rs[k].Flag)
			case f.Quantity == "motion":
				motion = f.States[int(rs[k].Value)]
			case f.Quantity == "position":
				mm = 1e3 * rs[k].Value
			}
		}
	}
	return motion, mm, nil
}

// What may happen to a stage, on each of the three profiles, over a pseudo terminal: it is
// locked and does not move before it has found its switch; it answers nothing meanwhile;
// that it takes a command is not that it has arrived; its banner after a reset, or after
// its supply was cut, is taken for no answer; and reset while it moves it is locked, and
// says so.
func TestThreeStagesOverAPTY(t *testing.T) {
	for _, profile := range []string{"gcode-stage", "scpi-stage", "plain-stage"} {
		t.Run(profile, func(t *testing.T) {
			t.Parallel()
			v := aStage(t)
			d, live := v.Device("stage"), v.Live
			cut := func(at clock.Instant) { d.Receive(at, []byte{0x18}) }
			words := &wordStage{scpi: profile == "scpi-stage"}
			if profile != "gcode-stage" {
				d, live, cut = words, func(clock.Clock) error { return nil }, words.cut
			}
			onPTY(t, profile, d, live, func(c clock.Clock, i *rig.Instrument, by clock.Instant) error {
				return whatMayHappen(t, c, i, by, cut, words)
			})
			if profile != "gcode-stage" && words.searched == 0 && !slices.Contains(words.lines, "HM") {
				t.Error("nothing was asked while it looked for its switch: the test shows nothing")
			}
		})
	}
}

func whatMayHappen(t *testing.T, c clock.Clock, i *rig.Instrument, by clock.Instant, cut func(clock.Instant), words *wordStage) error {
	speed, _ := quantity.Parse("5 mm/s")
	slow := drivers.Setpoint{Instrument: "stage", Quantity: "speed", Value: speed}
	home := drivers.Setpoint{Instrument: "stage", Quantity: "reference", State: "home"}
	if motion, _, err := reads(i, by); err != nil || motion != "alarm" {
		t.Errorf("switched on, it is %q, %v: expected it to be locked", motion, err)
	}
	if err := i.Apply(metres(5e-3), by); err == nil || !strings.Contains(err.Error(), "while reference is home") {
		t.Errorf("it moves before it knows where it is: %v", err)
	}
	if slices.ContainsFunc(words.lines, func(l string) bool { return strings.HasPrefix(l, "MA") || strings.HasPrefix(l, "MOVE") }) {
		t.Errorf("it was told to move: %q", words.lines)
	}
	began := c.Now()
	if err := errors.Join(i.Apply(home, by), i.Apply(slow, by), i.Apply(metres(5e-3), by)); err != nil {
		return err
	}
	if took := c.Now() - began; took < homesFor {
		t.Errorf("it had found its switch after %g s: nobody waited for it", took.Seconds())
	}
	if motion, mm, err := reads(i, by); err != nil || motion != "moving" || mm > 4.9 {
		t.Errorf("it has just taken a command, and is %q at %g mm, %v", motion, mm, err)
	}
	if err := arrived(c, i, 5, by); err != nil {
		return err
	}
	return cutOff(t, c, i, by, cut, home, slow)
}

func arrived(c clock.Clock, i *rig.Instrument, mm float64, by clock.Instant) error {
	for {
		motion, at, err := reads(i, by)
		if err != nil || c.Now() > by {
			return errors.Join(err, fmt.Errorf("it is %q at %g mm", motion, at))
		}
		if motion == "still" && math.Abs(at-mm) < 1e-6 {
			return nil
		}
	}
}

// cutOff resets the stage, or cuts its supply, at rest and in motion.
func cutOff(t *testing.T, c clock.Clock, i *rig.Instrument, by clock.Instant, cut func(clock.Instant), home, slow drivers.Setpoint) error {
	cut(c.Now())
	if err := c.Sleep(c.Now() + clock.Second); err != nil {
		return err
	}
	if _, mm, err := reads(i, by); err != nil || math.Abs(mm-5) > 1e-6 {
		t.Errorf("its banner stands on the line: it is at %g mm, %v", mm, err)
	}
	if err := errors.Join(i.Apply(home, by), i.Apply(slow, by), i.Apply(metres(20e-3), by), c.Sleep(c.Now()+clock.Second/2)); err != nil {
		return err
	}
	cut(c.Now())
	if err := c.Sleep(c.Now() + clock.Second); err != nil {
		return err
	}
	if motion, mm, err := reads(i, by); err != nil || motion != "alarm" || mm > 19 {
		t.Errorf("cut off while it moves it is %q at %g mm, %v", motion, mm, err)
	}
	err := i.Apply(metres(6e-3), by)
	if err == nil {
		err = i.Watch(by)
	}
	if err == nil {
		t.Error("locked, it takes a command, and nothing is wrong with it")
	}
	if err := errors.Join(i.Apply(home, by), i.Apply(slow, by), i.Apply(metres(6e-3), by)); err != nil {
		return err
	}
	return arrived(c, i, 6, by)
}
