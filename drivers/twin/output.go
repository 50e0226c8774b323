package twin

import (
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// device is what all virtual instruments share: a line, an ear, a mouth, and a
// place on the bench. It is a wire.Device, reacts to bytes and due moments only,
// and is plain data but for its firmware, which is too.
type device struct {
	bench    *Bench
	name     string
	firmware firmware
	line     wire.Line
	mask     byte   // of the data bits that reach the firmware
	ends     string // bytes that end a line
	alone    string // bytes that are a message each, wherever they come
	urgent   string // the same, but the line in which they come goes on
	empties  bool   // a line without anything in it is one all the same
	speaks   bool   // by itself, when something that it does has come to its end

	heard   [mostHeard]byte // the line that is being received
	length  int             // of it; more than fit when the line is too long
	single  [1]byte         // one of the urgent bytes
	began   clock.Instant   // when its first byte began to come
	out     output
	dueAt   clock.Instant // when the firmware does something by itself
	started clock.Instant // when it was switched on
}

// mostHeard bounds a line that an instrument can take. The heaters here promise 80
// characters, source-meters some hundreds.
const mostHeard = 256

// firmware is what makes instruments of different kinds different. It must not
// keep the device: a copied firmware goes on in a copied device.
type firmware interface {
	// message takes a line without its end, or one of the bytes that stand alone.
	message(d *device, m message)
	// act does what was due at d.dueAt, and sets the next due moment.
	act(d *device)
	// start is what switching on does, at the bench's present instant.
	start(d *device)
	// clone copies all state.
	clone() firmware
}

// message is one line that an instrument has heard.
type message struct {
	text    []byte
	from    clock.Instant // when its first byte began to come
	at      clock.Instant // when its last one, the end, was there
	tooLong bool          // the text is cut
}

func (d *device) clone(b *Bench) *device {
	c := *d
	c.bench, c.firmware, c.out = b, d.firmware.clone(), d.out.clone()
	return &c
}

// Receive implements wire.Device. Each line is dealt with at the moment at which
// its own last byte came. Ends and bytes that stand alone are control characters.
func (d *device) Receive(at clock.Instant, b []byte) {
	for i, c := range b {
		c &= d.mask
		control := c < ' '
		switch {
		case strings.IndexByte(d.urgent, c) >= 0:
			when := at - d.line.Lasting(len(b)-1-i)
			d.single[0] = c
			d.hear(message{d.single[:1], when - d.line.Lasting(1), when, false})
		case control && strings.IndexByte(d.alone, c) >= 0:
			when := at - d.line.Lasting(len(b)-1-i)
			d.length, d.heard[0] = 0, c
			d.hear(message{d.heard[:1], when - d.line.Lasting(1), when, false})
		case control && strings.IndexByte(d.ends, c) >= 0:
			if n := d.length; n > 0 || d.empties {
				d.length = 0
				d.hear(message{d.heard[:min(n, mostHeard)], d.began, at - d.line.Lasting(len(b)-1-i), n > mostHeard})
			}
		default:
			if d.length == 0 {
				d.began = at - d.line.Lasting(len(b)-i)
			}
			if d.length < mostHeard {
				d.heard[d.length] = c
			}
			d.length = min(d.length+1, mostHeard+1)
		}
	}
}

// hear deals with a message, when everything that was due before has happened.
func (d *device) hear(m message) {
	d.bench.Advance(m.at)
	if d.name == d.bench.heater && !d.bench.world.MainsOn() {
		return // it has no supply, and hears nothing
	}
	d.firmware.message(d, m)
	d.bench.look()
}

// NextAt implements wire.Device.
func (d *device) NextAt() clock.Instant {
	if d.speaks {
		return min(d.out.nextAt(), d.dueAt)
	}
	return d.out.nextAt()
}

// Take implements wire.Device.
func (d *device) Take(at clock.Instant, dst []byte) []byte {
	if d.dueAt <= at {
		d.bench.Advance(at)
	}
	return d.out.take(at, dst)
}

// say has the device say a text, from the given instant on at the earliest, and
// returns where it stands, so that it can still be filled in.
func (d *device) say(from clock.Instant, text []byte) (place int64, ok bool) {
	return d.out.say(from, text, d.line)
}

// hangUp is the end of a connection: half a line and what was not taken are gone.
func (d *device) hangUp() {
	d.length = 0
	d.out.clear(d.bench.world.Now())
}

// output holds what a device says, in chunks whose last byte arrives at a known
// instant. In steady state nothing is allocated.
type output struct {
	bytes  []byte
	base   int64 // place of bytes[0] in all that was ever said
	chunks []chunk
	taken  int           // chunks taken already
	last   clock.Instant // when the last byte said so far arrives
}

type chunk struct {
	at  clock.Instant
	end int64 // place behind its last byte
}

// mostSaid bounds what nobody takes.
const mostSaid = 16 << 10

func (o *output) clone() output {
	c := *o
	c.bytes, c.chunks = slices.Clone(o.bytes), slices.Clone(o.chunks)
	return c
}

// say appends a chunk, unless too much is waiting already.
func (o *output) say(from clock.Instant, text []byte, line wire.Line) (place int64, ok bool) {
	if len(o.bytes)+len(text) > mostSaid {
		return 0, false
	}
	place = o.base + int64(len(o.bytes))
	o.bytes = append(o.bytes, text...)
	o.last = max(from, o.last) + line.Lasting(len(text))
	o.chunks = append(o.chunks, chunk{o.last, place + int64(len(text))})
	return place, true
}

// lengthen adds a byte to the chunk said last.
func (o *output) lengthen(c byte, line wire.Line) {
	if last := len(o.chunks) - 1; last >= o.taken {
		o.bytes = append(o.bytes, c)
		o.last += line.Lasting(1)
		o.chunks[last].at, o.chunks[last].end = o.last, o.chunks[last].end+1
	}
}

// room is where a text of a length stands that was said before, nil when it was
// cleared meanwhile.
func (o *output) room(place int64, length int) []byte {
	from := place - o.base
	if from < 0 || from+int64(length) > int64(len(o.bytes)) {
		return nil
	}
	return o.bytes[from : from+int64(length)]
}

// waiting tells whether something said has not been taken.
func (o *output) waiting() bool { return o.taken < len(o.chunks) }

// clear forgets what was not taken; nothing of it comes any more.
func (o *output) clear(now clock.Instant) {
	o.base += int64(len(o.bytes))
	o.bytes, o.chunks, o.taken = o.bytes[:0], o.chunks[:0], 0
	o.last = now
}

func (o *output) nextAt() clock.Instant {
	if o.taken == len(o.chunks) {
		return clock.Never
	}
	return o.chunks[o.taken].at
}

func (o *output) take(at clock.Instant, dst []byte) []byte {
	from, next := 0, o.taken
	if next > 0 {
		from = int(o.chunks[next-1].end - o.base)
	}
	for next < len(o.chunks) && o.chunks[next].at <= at {
		next++
	}
	if next == o.taken {
		return dst
	}
	end := int(o.chunks[next-1].end - o.base)
	dst = append(dst, o.bytes[from:end]...)
	o.taken = next
	o.tidy(end)
	return dst
}

// tidy gives back the space of what was taken, at once when all of it was, and
// otherwise before it grows beyond its bound.
func (o *output) tidy(end int) {
	if o.taken < len(o.chunks) && end < mostSaid/2 {
		return
	}
	o.base += int64(end)
	o.bytes = o.bytes[:copy(o.bytes, o.bytes[end:])]
	o.chunks = o.chunks[:copy(o.chunks, o.chunks[o.taken:])]
	o.taken = 0
}
