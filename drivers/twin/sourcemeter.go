package twin

import (
	"math"
	"slices"

	"dwell/drivers/clock"
)

// The firmware of a classic five-field source-meter: SCPI with the habits of its
// family (one global integration time, functions that accumulate, a reply whose
// order is fixed, a status word sent as a float, no data with the output off).
// Ranges and limits are those of that family, from memory: 0.2 to 200 V, 1 uA to
// 1 A, 20 W.

// Quantities that a source-meter sources and measures.
const (
	volts = iota
	amps
)

var (
	voltRanges   = [...]float64{0.2, 2, 20, 200}
	ampereRanges = [...]float64{1e-6, 10e-6, 100e-6, 1e-3, 10e-3, 100e-3, 1}
	rangesOf     = [...][]float64{voltRanges[:], ampereRanges[:]}
)

// beyond is how far over its nominal end a range reaches.
const beyond = 1.05

// The two fields of power that it can supply: up to 20 V at 1 A, or 200 V at 0.1 A.
const (
	wideVolts, strongAmps   = 21.0, 1.05
	highVolts, modestAmps   = 210.0, 0.105
	leastVolts, leastAmps   = 200e-6, 1e-9 // of a compliance
	defaultVoltLimit        = 21.0
	defaultAmpereLimit      = 105e-6
	leastCycles, mostCycles = 0.01, 10.0
	longestDelayS           = 999.9999
	largestOhm              = 210e6
)

// How long the instrument takes beside integrating. Order of magnitude of such
// instruments on a socket, no source; a serial line adds its characters.
const (
	unitTime    = 300 * clock.Microsecond // for any unit of a message
	readingTime = 2 * clock.Millisecond   // to start a reading and put it into words
	sourceDelay = 1 * clock.Millisecond   // automatic source delay
)

// zeroFactor is the integrations in one reading with autozero on: signal, zero,
// reference.
const zeroFactor = 3

// Elements of a reading, in the fixed order of the reply.
const (
	elementVolt = iota
	elementCurr
	elementRes
	elementTime
	elementStat
	elements
)

var elementWords = [...]string{"VOLTage", "CURRent", "RESistance", "TIME", "STATus"}

// Bits of the status word.
const (
	statusOverflow   = 1 << 0
	statusFront      = 1 << 2
	statusCompliance = 1 << 3
	statusMeasures   = 1 << 11 // volts, then amps, then ohms
	statusSources    = 1 << 14 // volts, then amps
	statusRange      = 1 << 16 // compliance holds at the end of a fixed range
	statusRemote     = 1 << 22
)

// NaN and overflow as the instrument writes them.
const (
	notMeasured = 9.91e37
	overflow    = 9.9e37
)

// numberLength is one number of a reading: +1.234567E-03.
const numberLength = 13

// meterSettings is what a person or a program has told a source-meter.
type meterSettings struct {
	output     bool
	sources    int // volts or amps
	level      [2]float64
	fixed      [2]float64 // source range, 0 when it follows the level
	limit      [2]float64 // limit[volts] holds while it sources amps
	measures   [3]bool    // volts, amps, ohms
	concurrent bool
	span       [2]float64 // fixed measuring range, 0 when it follows the value
	autoOhms   bool       // chooses the source by itself when ohms are measured
	fourWire   bool
	cycles     float64 // of the mains, one integration
	autozero   bool
	delay      clock.Instant
	autoDelay  bool
	elements   uint8 // bits by element
	offMode    int
	rear       bool
}

// reset is the state after *RST.
func (s *meterSettings) reset() {
	*s = meterSettings{limit: [2]float64{defaultVoltLimit, defaultAmpereLimit}, measures: [3]bool{amps: true}, concurrent: true,
		autoOhms: true, cycles: 1, autozero: true, autoDelay: true, elements: 1<<elements - 1}
}

// meterReading is what the last reading found.
type meterReading struct {
	any    bool
	value  [elements]float64
	inside bool // in compliance
}

// action is something that a source-meter does at a moment: what it was told while
// it was busy, or the end of a reading.
type action struct {
	at       clock.Instant
	kind     uint8
	set      meterSettings
	place    int64 // of the answer
	elements uint8
}

const (
	actApply   uint8 = iota // settings to the terminals
	actMeasure              // a reading ends
	actSay                  // the last reading is put into words
	actTrip                 // whether the limit holds
)

// mostActions bounds what an instrument still has to do: with more, messages are
// lost, as on a line without flow control.
const mostActions = 64

// sourceMeter is the firmware and its state.
type sourceMeter struct {
	scpi
	set     meterSettings // as told; the terminals may follow later
	applied meterSettings // at the terminals
	todo    []action
	last    meterReading
	lineHz  float64
	errorOf [2]rangeErrors // of measuring
	sourced [2]rangeErrors // of sourcing

	rearOhm, driftPerHour float64
}

func newSourceMeter(f fitted) (firmware, device) {
	m := &sourceMeter{lineHz: f.lineHz, rearOhm: f.rearOhm, driftPerHour: f.driftPerHour}
	for q, name := range []string{"voltage", "current"} {
		m.errorOf[q] = drawErrors(f, name, "measured", rangesOf[q])
		m.sourced[q] = drawErrors(f, name, "sourced", rangesOf[q])
	}
	// Commands end on CR over a serial line, on LF over others; ^C and ^X clear.
	return m, device{ends: "\r\n", alone: "\x03\x18"}
}

func (m *sourceMeter) clone() firmware {
	c := *m
	c.todo = slices.Clone(m.todo)
	return &c
}

// start is switching on.
func (m *sourceMeter) start(d *device) {
	now := d.bench.world.Now()
	m.powerOn(unitTime)
	m.busyUntil = now
	m.set.reset()
	m.todo, m.last = m.todo[:0], meterReading{}
	d.started, d.dueAt = now, clock.Never
	m.apply(d, m.set)
}

func (m *sourceMeter) message(d *device, text message) {
	if len(text.text) == 1 && (text.text[0] == 3 || text.text[0] == 0x18) {
		m.deviceClear(d, text.at)
		return
	}
	if len(m.todo) >= mostActions {
		m.fail(errOverrun)
		return
	}
	carryOut(m, meterCommands, &m.scpi, d, text)
	m.plan(d)
}

// deviceClear drops readings and answers. What was told before is in force at once:
// settings are taken down in the order of the messages.
func (m *sourceMeter) deviceClear(d *device, at clock.Instant) {
	d.out.clear(at)
	m.busyUntil = at
	m.todo = m.todo[:0]
	m.apply(d, m.set)
	m.plan(d)
}

func (m *sourceMeter) plan(d *device) {
	if d.dueAt = clock.Never; len(m.todo) > 0 {
		d.dueAt = m.todo[0].at
	}
}

// act does the next of what is left to do.
func (m *sourceMeter) act(d *device) {
	a := &m.todo[0]
	m.carry(d, a)
	m.todo = m.todo[:copy(m.todo, m.todo[1:])]
	m.plan(d)
}

func (m *sourceMeter) carry(d *device, a *action) {
	switch a.kind {
	case actApply:
		m.apply(d, a.set)
	case actMeasure:
		m.measure(d, &a.set)
		m.say(d, a)
	case actSay:
		m.say(d, a)
	case actTrip:
		if b := d.out.room(a.place, 1); b != nil {
			b[0] = '0'
			if m.limited(d) {
				b[0] = '1'
			}
		}
	}
}

// then does something as soon as the instrument gets to it: now, or behind what it
// still has to do.
func (m *sourceMeter) then(c *call, a action) {
	if a.at <= c.d.bench.world.Now() {
		m.carry(c.d, &a)
		return
	}
	m.todo = append(m.todo, a)
}

// told brings changed settings to the terminals.
func (m *sourceMeter) told(c *call) {
	c.d.told(c.unit)
	m.then(c, action{at: c.at, kind: actApply, set: m.set})
}

// apply brings settings to the terminals and notes what changed there.
func (m *sourceMeter) apply(d *device, s meterSettings) {
	before := m.applied
	s.output = s.output || before.output && d.bench.world.Faults().OutputStuck
	m.applied = s
	source := m.source(&s)
	if m.atRear(&s) {
		source = Source{} // the film is not connected
	}
	if source != d.bench.world.Source() {
		d.bench.world.SetSource(source)
	}
	if d.bench.journal != nil {
		m.noteChanges(d, &before, &s)
	}
}

// source is what the meter puts out.
func (m *sourceMeter) source(s *meterSettings) Source {
	if !s.output {
		return Source{}
	}
	q := s.sources
	source := Source{Mode: SourceVoltage, FourWire: s.fourWire, Level: m.sourced[q].of(s.level[q], s.sourceRange(q)), Compliance: s.clamp(1 - q)}
	if q == amps {
		source.Mode = SourceCurrent
	}
	return source
}

// atRear tells whether the check standard is connected instead of the film.
func (m *sourceMeter) atRear(s *meterSettings) bool { return s.rear && m.rearOhm > 0 }

// found is what there is at the terminals.
func (m *sourceMeter) found(w *World, s *meterSettings) Electrical {
	if m.atRear(s) {
		return m.source(s).solve(m.rearOhm, 0)
	}
	return w.Electrical(w.Now(), m.integration(s))
}

func (m *sourceMeter) noteChanges(d *device, before, s *meterSettings) {
	unit := [...]string{"V", "A"}
	for q := range s.level {
		if s.level[q] != before.level[q] {
			d.bench.note(d.name, noteSetpoint, s.level[q], "level in "+unit[q])
		}
		if s.limit[q] != before.limit[q] {
			d.bench.note(d.name, noteSetpoint, s.limit[q], "limit in "+unit[q])
		}
	}
	if s.output != before.output {
		text, value := "off", 0.0
		if s.output {
			text, value = [...]string{"on, sources V", "on, sources A"}[s.sources], 1
		}
		d.bench.note(d.name, noteOutput, value, text)
	}
}

// sourceRange is the range that a level is sourced in.
func (s *meterSettings) sourceRange(q int) float64 {
	if s.fixed[q] > 0 {
		return s.fixed[q]
	}
	return rangeFor(q, s.level[q])
}

// clamp is the limit that holds: a fixed measuring range ends it earlier (range
// compliance).
func (s *meterSettings) clamp(q int) float64 {
	if s.span[q] > 0 {
		return min(s.limit[q], beyond*s.span[q])
	}
	return s.limit[q]
}

// rangeFor is the smallest range that takes a value.
func rangeFor(q int, v float64) float64 {
	ranges := rangesOf[q]
	for _, r := range ranges {
		if math.Abs(v) <= beyond*r {
			return r
		}
	}
	return ranges[len(ranges)-1]
}

// integration is the time of one integration.
func (m *sourceMeter) integration(s *meterSettings) clock.Instant {
	return clock.Instant(math.Round(s.cycles / m.lineHz * 1e9))
}

// window is how long a reading takes, from its start to the end of its integration.
func (m *sourceMeter) window() clock.Instant {
	s := &m.set
	t := readingTime + m.integration(s)
	if s.autozero {
		t += (zeroFactor - 1) * m.integration(s)
	}
	if s.autoDelay {
		return t + sourceDelay
	}
	return t + s.delay
}

// measure is the end of a reading.
func (m *sourceMeter) measure(d *device, s *meterSettings) {
	w := d.bench.world
	now := w.Now()
	found := m.found(w, s)
	true_ := [2]float64{found.Volts, found.Amps}
	r := &m.last
	*r = meterReading{any: true, inside: found.InCompliance}
	status := statusFront
	for q, v := range true_ {
		if !s.measures[q] {
			r.value[q] = notMeasured
			if q == s.sources {
				r.value[q] = s.level[q] // programmed, not measured
			}
			continue
		}
		status |= statusMeasures << q
		span := s.measuringRange(q, v) // the limit keeps the value inside it
		if q == volts && m.driftPerHour != 0 {
			v = float64(v * (1 + float64(m.driftPerHour*now.Seconds()/3600)))
		}
		r.value[q] = rounded(m.errorOf[q].of(v, span), span)
	}
	r.value[elementRes] = notMeasured
	if s.measures[2] {
		status |= statusMeasures << 2
		r.value[elementRes] = r.value[volts] / r.value[amps]
		if !(math.Abs(r.value[elementRes]) <= largestOhm) {
			r.value[elementRes] = overflow
			status |= statusOverflow
		}
	}
	r.value[elementTime] = math.Mod((now - d.started).Seconds(), 100_000) // wraps at 99 999.999 s
	r.value[elementStat] = float64(status | m.statusOf(s, r.inside))
}

// statusOf is the bits of the status word that do not come from the values.
func (m *sourceMeter) statusOf(s *meterSettings, limited bool) int {
	status := statusSources << s.sources
	if limited {
		status |= statusCompliance
		if s.clamp(1-s.sources) < s.limit[1-s.sources] {
			status |= statusRange
		}
	}
	if s.fourWire {
		status |= statusRemote
	}
	if s.rear {
		status &^= statusFront
	}
	return status
}

// measuringRange is the range that a value is measured in: that of the source for
// what it sources, a fixed one, or the best one up to the limit.
func (s *meterSettings) measuringRange(q int, v float64) float64 {
	switch {
	case q == s.sources:
		return max(s.sourceRange(q), rangeFor(q, v))
	case s.span[q] > 0:
		return s.span[q]
	}
	return rangeFor(q, v)
}

// rounded is a value at 6 1/2 digits: two million counts a range.
func rounded(v, span float64) float64 {
	step := span / 2e6
	return float64(math.Round(v/step) * step)
}

// limited tells whether the limit holds at this moment.
func (m *sourceMeter) limited(d *device) bool {
	if !m.applied.output {
		return false
	}
	return m.found(d.bench.world, &m.applied).InCompliance
}

// say puts the last reading into the place that was kept for it.
func (m *sourceMeter) say(d *device, a *action) {
	if a.elements == 0 {
		return
	}
	n := length(a.elements)
	room := d.out.room(a.place, n)
	if room == nil {
		return
	}
	b := room[:0]
	for e := range elements {
		if a.elements&(1<<e) == 0 {
			continue
		}
		if len(b) > 0 {
			b = append(b, ',')
		}
		b = appendNR3(b, m.last.value[e], 6)
	}
}

// length is that of a reading in words.
func length(elements uint8) int {
	n := -1
	for ; elements != 0; elements &= elements - 1 {
		n += numberLength + 1
	}
	return n
}
