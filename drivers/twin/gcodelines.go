package twin

import (
	"bytes"

	"dwell/drivers/clock"
)

// This file is how the firmware of the stage takes its lines apart.

// Numbers with which a line is refused (interface document).
const (
	refusedNumber  = 2
	refusedSetting = 3
	refusedBusy    = 8
	refusedLocked  = 9
	refusedWord    = 20
	refusedNoFeed  = 22
)

// work takes the lines that wait, one after the other, until one must wait longer.
func (s *gcodeStage) work(d *device, at clock.Instant) {
	for !s.locked && !s.resets && s.until == 0 && s.dwell == 0 && s.state != stageSlowing && s.state != stageHeld {
		end := bytes.IndexByte(s.unheard[:s.length], '\n')
		if end < 0 || s.queued == plannerSize {
			return
		}
		var line [hearingSize]byte
		n := copy(line[:], s.unheard[:end])
		s.length = copy(s.unheard[:], s.unheard[end+1:s.length])
		s.line(d, at, trim(line[:n]))
	}
}

// line carries out one line.
func (s *gcodeStage) line(d *device, at clock.Instant, text []byte) {
	switch {
	case len(text) == 0:
		s.acknowledge(d, at, 0)
	case text[0] == '$':
		s.setting(d, at, string(text))
	case s.state == stageAlarm:
		s.acknowledge(d, at, refusedLocked)
	default:
		d.told(text)
		s.block(d, at, text)
	}
}

func (s *gcodeStage) acknowledge(d *device, at clock.Instant, refused int) {
	if refused == 0 {
		d.say(at+queueTime, []byte("ok\r\n"))
		return
	}
	var buffer [16]byte
	b := append(buffer[:0], "error:"...)
	if refused >= 10 {
		b = append(b, byte('0'+refused/10))
	}
	d.say(at+queueTime, append(b, byte('0'+refused%10), '\r', '\n'))
}

// setting is a line that begins with a dollar.
func (s *gcodeStage) setting(d *device, at clock.Instant, text string) {
	busy := s.state != stageIdle && s.state != stageAlarm
	switch {
	case text == "$I":
		d.say(at+queueTime, []byte("[VER:1.1h.20190825:]\r\n[OPT:V,15,128]\r\n"))
		s.acknowledge(d, at, 0)
	case busy:
		s.acknowledge(d, at, refusedBusy)
	case text == "$H":
		d.told([]byte(text))
		s.home(d, at)
	case text == "$X":
		d.told([]byte(text))
		if s.state == stageAlarm {
			s.state = stageIdle
			d.say(at+queueTime, []byte("[MSG:Caution: Unlocked]\r\n"))
		}
		s.acknowledge(d, at, 0)
	default:
		s.acknowledge(d, at, refusedSetting)
	}
}

// words are what a line of motion says.
type words struct {
	motion  bool // a target is given
	to      float64
	dwell   clock.Instant
	machine bool // in the machine's own positions, for this line
}

// block is a line of G-code: all of its words count, or none.
func (s *gcodeStage) block(d *device, at clock.Instant, text []byte) {
	next, w, refused := *s, words{}, 0
	for rest := text; len(rest) > 0 && refused == 0; {
		letter := rest[0] &^ 0x20
		n := 1
		for n < len(rest) && (rest[n] < 'A' || rest[n] > 'z') && rest[n] != ' ' {
			n++
		}
		v, ok := decimal(rest[1:n])
		if !ok {
			refused = refusedNumber
		} else {
			refused = next.word(&w, letter, v)
		}
		rest = trim(rest[n:])
	}
	switch {
	case refused == 0 && w.motion && next.motion == '1' && next.feed == 0:
		refused = refusedNoFeed
	case refused != 0:
	case w.motion && !(w.to >= -1e-9 && w.to <= stageTravelM+1e-9):
		s.softLimit(d, at)
		return
	}
	if refused != 0 {
		s.acknowledge(d, at, refused)
		return
	}
	s.inch, s.relative, s.motion, s.feed = next.inch, next.relative, next.motion, next.feed
	switch {
	case w.dwell > 0: // the acknowledgement comes after it
		if s.until = at + w.dwell; s.queued > 0 {
			s.until, s.dwell = 0, w.dwell
		}
		return
	case w.motion:
		s.plan(d, at, w.to)
	}
	s.acknowledge(d, at, 0)
}

// plan queues a line of motion.
func (s *gcodeStage) plan(d *device, at clock.Instant, to float64) {
	speed := stageSpeed
	if s.motion == '1' {
		speed = min(s.feed, stageSpeed)
	}
	if to == s.planM {
		return // nowhere to go
	}
	s.targets[s.queued] = move{to, speed}
	s.queued++
	s.planM = to
	s.next(d, at)
}

// softLimit stops, and locks up: only a reset is heard, and the line that was at fault
// is acknowledged after it.
func (s *gcodeStage) softLimit(d *device, at clock.Instant) {
	if s.state == stageRun {
		s.brake(d, at)
	}
	d.say(at+queueTime, []byte("ALARM:2\r\n"))
	s.state, s.locked, s.stray, s.locking, s.queued, s.length = stageAlarm, true, true, true, 0, 0
	s.until = at + lockTime
}

// word takes one word of a line.
func (s *gcodeStage) word(w *words, letter byte, v float64) (refused int) {
	length := v / 1e3
	if s.inch {
		length = v * 25.4e-3
	}
	switch {
	case letter == 'G' && (v == 0 || v == 1):
		s.motion = '0' + byte(v)
	case letter == 'G' && (v == 20 || v == 21):
		s.inch = v == 20
	case letter == 'G' && (v == 90 || v == 91):
		s.relative = v == 91
	case letter == 'G' && v == 53:
		w.machine = true
	case letter == 'G' && (v == 4 || v == 94):
	case letter == 'P' && v >= 0 && v < 1e5:
		w.dwell = max(1, clock.Instant(v*1e9))
	case letter == 'F' && v >= 0:
		s.feed = length / 60
	case letter == 'X':
		if w.motion, w.to = true, length; s.relative && !w.machine {
			w.to = s.planM + length
		}
	default:
		return refusedWord
	}
	return 0
}
