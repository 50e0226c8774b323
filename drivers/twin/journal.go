package twin

import (
	"math"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
)

// The journal is what happened in the virtual world, written by the world itself:
// one JSON object a line, with the keys at_s, instrument, what, value and text,
// always all of them in this order. A value that there is none of is null.
//
//	command   an instrument was told to change something; text is what it was told
//	setpoint  a set value changed; value is the new one in SI units or degC
//	output    a source's output was switched; value is 1 or 0
//	heat      heat can reach the plate from now on, or cannot; value is 1 or 0
//	mains     the switch in the plate's mains has closed or opened; value is 1 or 0
//	place     the specimen was moved; text says where it is
//	motion    a carriage begins to move, or stands; value is 1 or 0, text says where
//	watchdog  an instrument switched itself off for want of commands
//	fault     something was broken for a drill; text says what
const (
	noteCommand  = "command"
	noteSetpoint = "setpoint"
	noteOutput   = "output"
	noteHeat     = "heat"
	noteMains    = "mains"
	notePlace    = "place"
	noteMotion   = "motion"
	noteWatchdog = "watchdog"
	noteFault    = "fault"
)

// note writes a line of the journal.
func (b *Bench) note(instrument, what string, value float64, text string) {
	if b.journal == nil {
		return
	}
	at := b.world.Now()
	l := append(b.line[:0], `{"at_s":`...)
	l = quantity.AppendSeconds(l, int64(at))
	l = append(l, `,"instrument":"`...)
	l = appendEscaped(l, instrument)
	l = append(l, `","what":"`...)
	l = append(l, what...)
	l = append(l, `","value":`...)
	if math.IsNaN(value) || math.IsInf(value, 0) {
		l = append(l, "null"...)
	} else {
		l = quantity.AppendNumber(l, value)
	}
	l = append(l, `,"text":"`...)
	l = appendEscaped(l, text)
	l = append(l, `"}`...)
	b.line = l
	b.journal(at, l)
}

// appendEscaped writes text inside a JSON string (RFC 8259, 7). Bytes beyond ASCII
// are written as the Latin-1 characters that they would be on the line.
func appendEscaped(dst []byte, text string) []byte {
	const hex = "0123456789abcdef"
	for i := range len(text) {
		switch c := text[i]; {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c < ' ' || c >= 0x7f:
			dst = append(dst, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		default:
			dst = append(dst, c)
		}
	}
	return dst
}

// told is a command that changes something, for the journal. Without a journal
// nothing is put together.
func (d *device) told(text []byte) {
	if d.bench.journal != nil {
		d.bench.note(d.name, noteCommand, math.NaN(), string(text))
	}
}

// Journal hands every line of the journal, without its end, to f from now on; the
// line is good until f returns. Nil ends it.
func (b *Bench) Journal(f func(at clock.Instant, line []byte)) { b.journal = f }
