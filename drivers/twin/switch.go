package twin

import (
	"bytes"
	"math"

	"dwell/drivers/clock"
)

// The firmware of a switch in the plate's mains. It is an invention of this bench, of
// the kind that a laboratory builds from a board and a contactor with a mirror contact.
// Lines end with LF, a CR before it is allowed:
//
//	NAME    says SWITCH 1.0
//	KEEP n  keeps it from opening by itself for n s, 1 to 60; 0 opens it at once
//	CLOSE   closes it, while it is kept; says OK
//	OPEN    opens it; says OK
//	STATE   says OPEN or CLOSED, what the contact does
//
// Anything else is answered by ERR_3, and what it cannot do now by ERR_4.

const (
	switchAnswer = 5 * clock.Millisecond // demo data
	longestKeep  = 60                    // s
)

// mainsSwitch has no state but the world's, and when it opens by itself.
type mainsSwitch struct{}

func newMainsSwitch(fitted) (firmware, device) { return &mainsSwitch{}, device{ends: "\n"} }

func (s *mainsSwitch) clone() firmware { return &mainsSwitch{} }

// start is open: the contactor has no coil current.
func (s *mainsSwitch) start(d *device) {
	d.dueAt = clock.Never
	s.put(d, false, "open")
}

func (s *mainsSwitch) message(d *device, m message) {
	m.text = trim(m.text)
	if len(m.text) == 0 {
		return
	}
	answer := "OK"
	word, number, _ := bytes.Cut(m.text, []byte(" "))
	switch string(word) {
	case "NAME":
		answer = "SWITCH 1.0"
	case "STATE":
		if answer = "OPEN"; d.bench.world.MainsOn() {
			answer = "CLOSED"
		}
	case "CLOSE":
		if d.told(m.text); d.dueAt == clock.Never {
			answer = "ERR_4"
		} else {
			s.put(d, true, "closed")
		}
	case "OPEN":
		d.told(m.text)
		s.put(d, false, "open")
	case "KEEP":
		answer = s.keep(d, m, number)
	default:
		answer = "ERR_3"
	}
	var buffer [16]byte
	d.say(m.at+switchAnswer, append(append(buffer[:0], answer...), "\r\n"...))
}

func (s *mainsSwitch) keep(d *device, m message, number []byte) string {
	n, ok := decimal(trim(number))
	switch {
	case !ok || n < 0 || n > longestKeep:
		return "ERR_4"
	case n == 0:
		d.dueAt = clock.Never
		s.put(d, false, "open")
	default:
		d.dueAt = m.at + clock.Instant(math.Round(n*1e9))
	}
	d.told(m.text)
	return "OK"
}

// act opens it for want of commands.
func (s *mainsSwitch) act(d *device) {
	d.bench.note(d.name, noteWatchdog, math.NaN(), "open: it was not kept closed")
	d.dueAt = clock.Never
	s.put(d, false, "open")
}

// put moves the contactor. What it feeds stops, or starts like anything that is
// switched on.
func (s *mainsSwitch) put(d *device, closed bool, text string) {
	if d.bench.mains(closed) {
		d.bench.note(d.name, noteMains, map[bool]float64{true: 1}[closed], text)
	}
}

// mains gives the plate its supply, or takes it away, and tells whether that changed
// anything. Contacts that have welded stay where they are.
func (b *Bench) mains(on bool) bool {
	w := b.world
	if w.MainsOn() == on || !on && w.Faults().SwitchWelded {
		return false
	}
	w.state.Plate.NoMains = !on
	if plate := b.find(b.heater); plate != nil {
		plate.hangUp()
		plate.firmware.start(plate)
	}
	b.look()
	return true
}

// MainsOn says whether the plate has its supply: always, where no switch is in it.
func (w *World) MainsOn() bool { return !w.state.Plate.NoMains }
