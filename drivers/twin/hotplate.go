package twin

import (
	"bytes"
	"math"
	"strconv"

	"dwell/drivers/clock"
)

// The firmware of two hotplates that speak in the style of NAMUR NE 28, with the
// habits of their families: A answers value and channel, is silent to commands, has
// a watchdog that must be fed; B echoes everything and has a link check.

// How a hotplate behaves apart from its words. Where no source is named the value
// is demo data.
const (
	answerTime   = 15 * clock.Millisecond // from the end of a question to the answer: one pass of the firmware's main loop
	highestSetC  = 300.0                  // highest set value
	shortestDog  = 20                     // s, the watchdog's range (makers' manuals)
	longestDog   = 1500                   // s
	linkCheck    = 10 * clock.Second      // of B, without any command (maker's manual)
	safetyOffset = 0.3                    // K, what the safety thermometer shows above the other

	// B asks for 0.1 s between commands and loses one that comes too early. As with
	// most such promises there is a little to spare, or every wobble of a wall clock
	// would lose one.
	pauseB = 80 * clock.Millisecond

	missingProbeA = -200.0 // what A shows without an external probe: "a number far off"
	missingProbeB = 999.9
)

// hotplate is the state of a hotplate of either family.
type hotplate struct {
	echoes     bool // it is of family B
	forgets    bool // starting the heater sets the set value to 0 degC (noted once, A)
	remote     bool
	failed     bool // the watchdog has tripped, and only RESET helps
	oldWords   bool // B after RESET: only PA_NEW is understood
	safeDegC   float64
	dog        clock.Instant // watchdog's time, 0 when it sleeps
	dogLowers  bool          // it lowers the set value instead of switching off
	linkOn     bool          // B checks the link
	linkLost   bool          // and has switched off
	wasHeating bool          // when it did
	free       clock.Instant // when it can take a command
}

func newHotplateA(fitted) (firmware, device) {
	return &hotplate{forgets: true}, device{ends: "\n"}
}

func newHotplateB(fitted) (firmware, device) {
	return &hotplate{echoes: true}, device{ends: "\n"}
}

func (h *hotplate) clone() firmware {
	c := *h
	return &c
}

// start is switching on: nothing heats, and the set value is what it was.
func (h *hotplate) start(d *device) {
	*h = hotplate{echoes: h.echoes, forgets: h.forgets}
	d.bench.world.SetHeater(false)
	d.dueAt = clock.Never
}

func (h *hotplate) message(d *device, m message) {
	m.text = trim(m.text)
	switch {
	case m.tooLong || len(m.text) == 0 || d.bench.world.Faults().PlateHung:
	case h.echoes:
		h.hearB(d, m)
	default:
		h.hearA(d, m)
	}
}

// act is what the watchdog or the link check does.
func (h *hotplate) act(d *device) {
	w := d.bench.world
	d.dueAt = clock.Never
	switch {
	case w.Faults().PlateHung:
		return
	case h.echoes:
		h.linkLost, h.wasHeating = true, w.HeaterOn()
		d.bench.note(d.name, noteWatchdog, linkCheck.Seconds(), "link check: no command")
		w.SetHeater(false)
	case h.dogLowers:
		d.bench.note(d.name, noteWatchdog, h.dog.Seconds(), "set value lowered")
		h.target(d, h.safeDegC)
	default:
		d.bench.note(d.name, noteWatchdog, h.dog.Seconds(), "switched off, waits for RESET")
		h.failed = true
		w.SetHeater(false)
	}
	h.dog = 0
}

// command is a line taken apart: the word, and its number.
type plateCommand struct {
	word     []byte
	value    float64
	hasValue bool
}

// parse takes a line apart at the separators that it may have.
func parsePlate(text []byte, separators string) (plateCommand, bool) {
	i := bytes.IndexAny(text, separators)
	if i < 0 {
		return plateCommand{word: text}, true
	}
	v, ok := decimal(trim(text[i+1:]))
	return plateCommand{text[:i], v, true}, ok && !math.IsInf(v, 0)
}

// hearA is family A. What it does not understand it does not answer.
func (h *hotplate) hearA(d *device, m message) {
	c, ok := parsePlate(m.text, " @")
	if !ok {
		return
	}
	if bytes.HasPrefix(c.word, []byte("OUT_WD")) && bytes.IndexByte(m.text, '@') < 0 {
		return // the blank works for set values, not for these
	}
	w := d.bench.world
	switch string(c.word) {
	case "IN_NAME":
		h.say(d, m, "HOTPLATE A \r\n")
	case "IN_PV_1":
		h.valueA(d, m, h.external(w, missingProbeA), 1)
	case "IN_PV_2":
		h.valueA(d, m, w.PlateShown(), 2)
	case "IN_PV_3":
		h.valueA(d, m, w.PlateShown()+safetyOffset, 3)
	case "IN_SP_1":
		h.valueA(d, m, w.PlateTarget(), 1)
	case "OUT_SP_1":
		if c.hasValue && c.value >= 0 && c.value <= highestSetC {
			d.told(m.text)
			h.target(d, c.value)
		}
	case "OUT_SP_12":
		if c.hasValue && c.value >= 0 && c.value <= highestSetC {
			d.told(m.text)
			h.safeDegC = c.value
			h.echoValue(d, m, c.value, 1)
		}
	case "START_1", "STOP_1", "RESET":
		d.told(m.text)
		h.switchA(d, string(c.word))
	case "OUT_WD1", "OUT_WD2":
		h.watchdogA(d, m, c)
	}
}

// switchA starts, stops, or goes back to local operation.
func (h *hotplate) switchA(d *device, word string) {
	w := d.bench.world
	switch {
	case word == "START_1" && !h.failed:
		h.remote = true
		if h.forgets {
			h.target(d, 0)
		}
		w.SetHeater(true)
	case word == "STOP_1":
		w.SetHeater(false)
	case word == "RESET":
		h.remote, h.failed, h.dog, d.dueAt = false, false, 0, clock.Never
		w.SetHeater(false)
	}
}

// watchdogA arms, feeds or stops the watchdog: it is the command itself that must
// come again.
func (h *hotplate) watchdogA(d *device, m message, c plateCommand) {
	lowers := c.word[len(c.word)-1] == '2'
	switch {
	case !c.hasValue:
		return
	case lowers && c.value == 0:
		h.dog, d.dueAt = 0, clock.Never
	case c.value < shortestDog || c.value > longestDog:
		return
	default:
		h.dog, h.dogLowers = clock.Instant(math.Round(c.value*1e9)), lowers
		d.dueAt = m.at + h.dog
	}
	d.told(m.text)
	h.echoValue(d, m, c.value, 0)
}

// hearB is family B: every command is echoed, and a command that comes too soon
// after the one before is lost.
func (h *hotplate) hearB(d *device, m message) {
	if m.from < h.free+pauseB && h.free > 0 {
		return
	}
	h.free = m.at
	if h.linkOn {
		d.dueAt = m.at + linkCheck
	}
	c, ok := parsePlate(m.text, " ")
	if !ok || h.oldWords && string(c.word) != "PA_NEW" {
		return
	}
	w := d.bench.world
	if h.linkLost { // any command restores
		h.linkLost = false
		w.SetHeater(h.wasHeating)
	}
	switch string(c.word) {
	case "IN_PV_1", "IN_PV_2":
		h.valueB(d, m, c, h.external(w, missingProbeB))
	case "IN_PV_3":
		h.valueB(d, m, c, w.PlateShown())
	case "IN_PV_4":
		h.valueB(d, m, c, w.PlateShown()+safetyOffset)
	case "IN_SP_1":
		h.valueB(d, m, c, w.PlateTarget())
	case "STATUS":
		h.statusB(d, m)
	case "OUT_SP_1":
		if c.hasValue && c.value >= 0 && c.value <= highestSetC {
			d.told(m.text)
			h.target(d, c.value)
			h.valueB(d, m, c, c.value)
		}
	case "START_1", "STOP_1", "CC_ON", "CC_OFF", "PA_NEW", "RESET":
		d.told(m.text)
		h.switchB(d, m, string(c.word))
		var buffer [16]byte
		h.sayBytes(d, m, append(append(buffer[:0], c.word...), "\r\n"...))
	}
}

func (h *hotplate) switchB(d *device, m message, word string) {
	w := d.bench.world
	switch word {
	case "START_1":
		h.remote = true
		w.SetHeater(true)
	case "STOP_1":
		h.remote = true
		w.SetHeater(false)
	case "CC_ON":
		h.linkOn, d.dueAt = true, m.at+linkCheck
	case "CC_OFF":
		h.linkOn, d.dueAt = false, clock.Never
	case "PA_NEW":
		h.oldWords = false
	case "RESET": // also back to the words of old
		h.remote, h.oldWords, h.linkOn, d.dueAt = false, true, false, clock.Never
		w.SetHeater(false)
	}
}

func (h *hotplate) statusB(d *device, m message) {
	switch {
	case !h.remote:
		h.say(d, m, "STATUS 0\r\n")
	case d.bench.world.HeaterOn():
		h.say(d, m, "STATUS 1\r\n")
	default:
		h.say(d, m, "STATUS 2\r\n")
	}
}

// external is what the external probe shows: the thermometer on the foil, as a
// multimeter beside the plate does.
func (h *hotplate) external(w *World, missing float64) float64 {
	degC := w.ProbeShown()
	if math.IsNaN(degC) {
		return missing
	}
	return degC
}

// target gives the plate's controller a set value.
func (h *hotplate) target(d *device, degC float64) {
	if degC != d.bench.world.PlateTarget() {
		d.bench.note(d.name, noteSetpoint, degC, "plate in degC")
	}
	d.bench.world.SetPlateTarget(degC)
}

// valueA answers value and channel: 25.3 2.
func (h *hotplate) valueA(d *device, m message, v float64, channel byte) {
	var buffer [32]byte
	h.sayBytes(d, m, append(appendDecimals(buffer[:0], v, 1), ' ', '0'+channel, ' ', '\r', '\n'))
}

// echoValue answers the value that was taken.
func (h *hotplate) echoValue(d *device, m message, v float64, decimals int) {
	var buffer [32]byte
	h.sayBytes(d, m, append(appendDecimals(buffer[:0], v, decimals), ' ', '\r', '\n'))
}

// valueB repeats the command before the value: IN_PV_3 25.3.
func (h *hotplate) valueB(d *device, m message, c plateCommand, v float64) {
	var buffer [48]byte
	b := append(append(buffer[:0], c.word...), ' ')
	h.sayBytes(d, m, append(appendDecimals(b, v, 1), '\r', '\n'))
}

// appendDecimals writes a number with a point, and no sign on a zero.
func appendDecimals(dst []byte, v float64, decimals int) []byte {
	scale := [...]float64{1, 10, 100}[decimals]
	if math.Abs(v*scale) < 0.5 {
		v = 0
	}
	return strconv.AppendFloat(dst, v, 'f', decimals, 64)
}

func (h *hotplate) say(d *device, m message, text string) { h.sayBytes(d, m, []byte(text)) }

// sayBytes answers when the firmware comes round to it. What nobody reads is lost.
func (h *hotplate) sayBytes(d *device, m message, text []byte) {
	from := max(m.at, h.free) + answerTime
	if d.say(from, text); h.echoes {
		h.free = d.out.last
	} else {
		h.free = from
	}
}
