package twin

import (
	"math"
	"strconv"

	"dwell/drivers/clock"
)

// The firmware of a one-axis stage that takes lines of G-code, with the rules of the
// most widespread one (its interface document of version 1.1, and what was observed on
// it running on a pseudo terminal): a line is acknowledged when it is queued; single
// bytes are obeyed at once; nothing is said while it looks for its limit switch; after
// an alarm it is locked; reset while moving it does not know where it is.
//
// Simplified: every line of motion begins and ends at rest, and only G-code that one
// axis needs is known.

// How the stage is. Demo data where no source is named.
const (
	stageTravelM = 0.100                   // soft limit
	stageSpeed   = 3.0 / 60                // m/s, its highest
	stageAccel   = 0.5                     // m/s2
	seekSpeed    = 0.5 / 60                // m/s (500 mm/min), looking for the switch
	locateTime   = 2 * clock.Second        // clear of it, and onto it slowly
	plannerSize  = 15                      // lines of motion (interface document)
	hearingSize  = 128                     // bytes not yet looked at (interface document)
	queueTime    = 2 * clock.Millisecond   // until a line is acknowledged (observed)
	resetTime    = 300 * clock.Millisecond // until the banner (observed: 30 to 550 ms)
	lockTime     = 540 * clock.Millisecond // until the message after a soft limit (observed)
	lostAtResetM = 60e-6                   // the motor misses steps when it is cut off at speed
)

// stageState is what it says of itself.
type stageState uint8

const (
	stageIdle stageState = iota
	stageRun
	stageSlowing
	stageHeld
	stageAlarm
	stageHoming
)

var stageWords = [...]string{"Idle", "Run", "Hold:1", "Hold:0", "Alarm", "Home"}

// gcodeStage is the state of the firmware.
type gcodeStage struct {
	state    stageState
	locked   bool // hears a reset only
	stray    bool // that line is still to be acknowledged
	inch     bool
	relative bool
	motion   byte    // '0' or '1', the modal word
	feed     float64 // m/s; 0 for none
	targets  [plannerSize]move
	queued   int     // the first is being carried out
	planM    float64 // where the last of them ends
	unheard  [hearingSize]byte
	length   int
	until    clock.Instant // dwelling, homing, resetting or locking up
	resets   bool          // it is starting again
	locking  bool          // about to say that only a reset helps
	asked    int           // reports asked for while it was looking for the switch
	reports  int
	resumes  float64       // where the line that was held is to end
	dwell    clock.Instant // to begin when all that is queued has been carried out
}

// move is one line of motion.
type move struct{ toM, speed float64 }

func newGcodeStage(fitted) (firmware, device) {
	return &gcodeStage{}, device{ends: "\r\n", urgent: "?!~\x18", empties: true, speaks: true}
}

func (s *gcodeStage) clone() firmware {
	c := *s
	return &c
}

// start is switching on: it believes that it is at zero, and is locked until it has
// found its switch.
func (s *gcodeStage) start(d *device) {
	w := d.bench.world
	now := w.Now()
	at, _, _ := w.StageAt(now)
	*s = gcodeStage{state: stageAlarm, motion: '0'}
	w.count(now)
	w.state.Stage.Motion, w.state.Stage.OffsetM = Motion{}, at
	if d.dueAt = clock.Never; now > 0 {
		s.resets, s.until = true, now+resetTime
		d.dueAt = s.until
	}
}

func (s *gcodeStage) message(d *device, m message) {
	if d.bench.world.Faults().StageHung || s.resets {
		return
	}
	if len(m.text) == 1 && &m.text[0] == &d.single[0] {
		s.atOnce(d, m.at, m.text[0])
		s.schedule(d)
		return
	}
	if s.locked || s.length+len(m.text)+1 > hearingSize || m.tooLong {
		return
	}
	s.length += copy(s.unheard[s.length:], m.text)
	s.unheard[s.length] = '\n'
	s.length++
	s.work(d, m.at)
	s.schedule(d)
}

// atOnce obeys a single byte.
func (s *gcodeStage) atOnce(d *device, at clock.Instant, c byte) {
	switch {
	case c == 0x18:
		s.reset(d, at)
	case s.locked:
	case c == '?' && s.state == stageHoming:
		s.asked++
	case c == '?':
		s.report(d, at)
	case c == '!' && s.state == stageRun:
		s.brake(d, at)
		s.state = stageSlowing
	case c == '!' && s.state == stageIdle:
		s.state = stageHeld
	case c == '~' && s.state == stageHeld:
		s.state = stageIdle
		s.next(d, at)
		s.work(d, at)
	}
}

// brake slows down to rest from where it is.
func (s *gcodeStage) brake(d *device, at clock.Instant) {
	w := d.bench.world
	motion := w.state.Stage.Motion
	_, from, v := w.StageAt(at)
	s.resumes = motion.ToM
	way := math.Min(float64(v*v)/(2*stageAccel), math.Abs(motion.ToM-from))
	w.Drive(Motion{FromM: from, ToM: from + math.Copysign(way, motion.ToM-motion.FromM), Began: at, SpeedMPerS: v, AccelMPerS2: stageAccel, Brakes: true})
}

// reset forgets all that is queued. Cut off while it moves, it does not know where it
// is; in an alarm it stays there.
func (s *gcodeStage) reset(d *device, at clock.Instant) {
	w := d.bench.world
	really, counted, v := w.StageAt(at)
	alarm := s.state == stageAlarm || s.locked
	if s.state == stageRun || s.state == stageSlowing || s.state == stageHoming {
		alarm = true
		code := "ALARM:3\r\n"
		if s.state == stageHoming {
			code = "ALARM:6\r\n"
		}
		d.say(at+queueTime, []byte(code))
		if v > 0 {
			w.Drive(Motion{FromM: counted, ToM: counted})
			w.state.Stage.OffsetM = really - counted + lostAtResetM
			s.stands(d)
		}
	}
	if s.stray {
		d.say(at+queueTime, []byte("ok\r\n"))
	}
	*s = gcodeStage{state: stageIdle, motion: '0', planM: counted, reports: s.reports, resets: true, until: at + resetTime}
	if alarm {
		s.state = stageAlarm
	}
}

// schedule says when something happens by itself.
func (s *gcodeStage) schedule(d *device) {
	d.dueAt = clock.Never
	if s.until > 0 {
		d.dueAt = s.until
	}
	if s.state == stageRun || s.state == stageSlowing {
		m := d.bench.world.state.Stage.Motion
		d.dueAt = min(d.dueAt, m.Began+m.lasting())
	}
}

// act is the end of a motion, of a dwell, of looking for the switch, of a reset.
func (s *gcodeStage) act(d *device) {
	now := d.dueAt
	waited := s.until > 0 && s.until <= now
	if waited {
		s.until = 0
	}
	switch {
	case waited && s.resets:
		s.resets = false
		d.say(now, []byte("\r\nGrbl 1.1h ['$' for help]\r\n"))
		if s.state == stageAlarm {
			d.say(now, []byte("[MSG:'$H'|'$X' to unlock]\r\n"))
		}
	case waited && s.locking:
		s.locking = false
		s.stands(d)
		d.say(now, []byte("[MSG:Reset to continue]\r\n"))
	case waited && s.state == stageHoming:
		s.found(d, now)
	case waited: // a dwell is over, and its line acknowledged
		d.say(now, []byte("ok\r\n"))
	case s.state == stageRun:
		s.stands(d)
		copy(s.targets[:], s.targets[1:s.queued])
		s.queued--
		s.state = stageIdle
		if s.next(d, now); s.queued == 0 && s.dwell > 0 {
			s.until, s.dwell = now+s.dwell, 0
		}
	case s.state == stageSlowing:
		s.stands(d)
		s.state = stageHeld
		s.targets[0].toM = s.resumes
	}
	s.work(d, now)
	s.schedule(d)
}

// stands notes that the carriage does not move any more.
func (s *gcodeStage) stands(d *device) {
	w := d.bench.world
	w.turn()
	at, _, _ := w.StageAt(w.Now())
	d.bench.note(d.name, noteMotion, 0, "at "+millimetres(at))
}

func millimetres(m float64) string { return strconv.FormatFloat(m*1e3, 'f', 3, 64) + " mm" }

// next begins the first line of motion that is queued.
func (s *gcodeStage) next(d *device, at clock.Instant) {
	if s.queued == 0 || s.state != stageIdle {
		return
	}
	w := d.bench.world
	_, from, _ := w.StageAt(at)
	m := s.targets[0]
	w.Drive(Motion{FromM: from, ToM: m.toM, Began: at, SpeedMPerS: m.speed, AccelMPerS2: stageAccel})
	s.state = stageRun
	if d.bench.journal != nil {
		d.bench.note(d.name, noteMotion, 1, "to "+millimetres(m.toM))
	}
}

// found is the end of looking for the switch: now it knows where it is.
func (s *gcodeStage) found(d *device, now clock.Instant) {
	w := d.bench.world
	w.Drive(Motion{})
	if !w.state.Faults.StageStuck {
		w.state.Stage.OffsetM = 0
	}
	s.state, s.planM = stageIdle, 0
	s.stands(d)
	for ; s.asked > 0; s.asked-- {
		s.report(d, now)
	}
	d.say(now+queueTime, []byte("ok\r\n"))
}

// home begins to look for the switch.
func (s *gcodeStage) home(d *device, at clock.Instant) {
	w := d.bench.world
	really, from, _ := w.StageAt(at)
	seek := Motion{FromM: from, ToM: from - really, Began: at, SpeedMPerS: seekSpeed, AccelMPerS2: stageAccel}
	w.Drive(seek)
	d.bench.note(d.name, noteMotion, 1, "looking for its switch")
	s.state, s.until = stageHoming, at+seek.lasting()+locateTime
}

// report says state and position.
func (s *gcodeStage) report(d *device, at clock.Instant) {
	_, counted, v := d.bench.world.StageAt(at)
	var buffer [96]byte
	b := append(buffer[:0], '<')
	b = append(b, stageWords[s.state]...)
	b = append(b, "|MPos:"...)
	b = strconv.AppendFloat(b, math.Round(counted*1e6)/1e3+0, 'f', 3, 64)
	b = append(b, ",0.000,0.000|FS:"...)
	b = strconv.AppendFloat(b, math.Round(v*60e3), 'f', 0, 64)
	b = append(b, ",0"...)
	if s.reports++; s.reports%10 == 1 { // now and then
		b = append(b, "|WCO:0.000,0.000,0.000"...)
	}
	d.say(at+queueTime, append(b, ">\r\n"...))
}
