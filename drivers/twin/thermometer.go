package twin

import (
	"math"
	"slices"

	"dwell/drivers/clock"
)

// The firmware of a bench multimeter of 6 1/2 digits that reads the resistance of
// the Pt100 on the foil, with two or four wires. The words and ranges are those of
// a common family, from memory.

var ohmRanges = [...]float64{100, 1e3, 10e3, 100e3, 1e6, 10e6}

const (
	multimeterOver   = 1.2   // a range reaches 20 % over its nominal end
	multimeterLead   = 0.2   // ohm, each lead, seen with two wires; demo data
	multimeterNoise  = 3e-6  // of range, one standard deviation at one cycle; demo data
	multimeterZero   = 2     // integrations in one reading with autozero on
	multimeterLength = 15    // characters of a reading: +1.09734700E+02
	leastPeriods     = 0.02  // cycles of the mains, one integration
	mostPeriods      = 100.0 //
)

// noiseMultimeter is its channel of noise; see noise.go.
const noiseMultimeter uint64 = 1000

// ohmSettings is what a program has told the multimeter.
type ohmSettings struct {
	fourWire bool
	span     float64 // fixed range, 0 when it follows the value
	cycles   float64
	autozero bool
}

// ohmAction is the end of a reading, or the wish to have the last one again.
type ohmAction struct {
	at       clock.Instant
	measures bool
	says     bool
	set      ohmSettings
	place    int64
}

// thermometer is the firmware and its state.
type thermometer struct {
	scpi
	set     ohmSettings
	todo    []ohmAction
	last    float64
	any     bool
	lineHz  float64
	noise   stream
	errorOf rangeErrors
}

func newThermometer(f fitted) (firmware, device) {
	m := &thermometer{lineHz: f.lineHz, noise: newStream(f.seed, noiseMultimeter),
		errorOf: drawErrors(f, "resistance", "measured", ohmRanges[:])}
	return m, device{ends: "\r\n", alone: "\x03"}
}

func (m *thermometer) clone() firmware {
	c := *m
	c.todo = slices.Clone(m.todo)
	return &c
}

func (m *thermometer) start(d *device) {
	m.powerOn(unitTime)
	m.busyUntil = d.bench.world.Now()
	m.set.reset()
	m.todo, m.any = m.todo[:0], false
	d.started, d.dueAt = m.busyUntil, clock.Never
}

func (s *ohmSettings) reset() { *s = ohmSettings{cycles: 10, autozero: true} }

func (m *thermometer) message(d *device, text message) {
	switch {
	case len(text.text) == 1 && text.text[0] == 3:
		d.out.clear(text.at)
		m.busyUntil, m.todo = text.at, m.todo[:0]
	case len(m.todo) >= mostActions:
		m.fail(errOverrun)
	default:
		carryOut(m, thermometerCommands, &m.scpi, d, text)
	}
	m.plan(d)
}

func (m *thermometer) plan(d *device) {
	if d.dueAt = clock.Never; len(m.todo) > 0 {
		d.dueAt = m.todo[0].at
	}
}

func (m *thermometer) act(d *device) {
	m.carry(d, &m.todo[0])
	m.todo = m.todo[:copy(m.todo, m.todo[1:])]
	m.plan(d)
}

func (m *thermometer) carry(d *device, a *ohmAction) {
	if a.measures {
		m.last, m.any = m.measured(d.bench.world, &a.set), true
	}
	if b := d.out.room(a.place, multimeterLength); a.says && b != nil {
		appendNR3(b[:0], m.last, 8)
	}
}

func (m *thermometer) integration(s *ohmSettings) clock.Instant {
	return clock.Instant(math.Round(s.cycles / m.lineHz * 1e9))
}

// measured is a reading that ends now.
func (m *thermometer) measured(w *World, s *ohmSettings) float64 {
	_, ohm := w.FoilThermometer()
	if !s.fourWire {
		ohm += 2 * multimeterLead
	}
	span := s.span
	for i := 0; span == 0 && i < len(ohmRanges); i++ {
		if ohm <= multimeterOver*ohmRanges[i] {
			span = ohmRanges[i]
		}
	}
	if span == 0 || ohm > multimeterOver*span {
		return overflow
	}
	t := m.integration(s)
	noise := m.noise.sub(uint64(t)).normal(int64(w.Now() / t))
	ohm = m.errorOf.of(ohm, span) + float64(float64(span*multimeterNoise/math.Sqrt(s.cycles))*noise)
	return rounded(ohm, span)
}

var thermometerCommands = []command[*thermometer]{
	{pattern: "READ", ask: (*thermometer).read},
	{pattern: "SYSTem:ERRor[:NEXT]", ask: (*thermometer).askError},
	{pattern: "*IDN", ask: (*thermometer).identify},
	{pattern: "*RST", set: (*thermometer).reset},
	{"*CLS", (*thermometer).common, nil, commonCLS},
	{"*ESE", (*thermometer).common, (*thermometer).commonAsked, commonESE},
	{pattern: "*ESR", ask: (*thermometer).commonAsked, which: commonESR},
	{"*OPC", (*thermometer).common, (*thermometer).commonAsked, commonOPC},
	{"*SRE", (*thermometer).common, (*thermometer).commonAsked, commonSRE},
	{pattern: "*STB", ask: (*thermometer).commonAsked, which: commonSTB},
	{pattern: "*TST", ask: (*thermometer).commonAsked, which: commonTST},
	{"*WAI", (*thermometer).common, nil, commonWAI},
	{pattern: "INITiate[:IMMediate]", set: (*thermometer).initiate},
	{pattern: "FETCh", ask: (*thermometer).fetch},
	{pattern: "ABORt", set: (*thermometer).takeNone},
	{pattern: "CONFigure:RESistance", set: (*thermometer).configure, which: 2},
	{pattern: "CONFigure:FRESistance", set: (*thermometer).configure, which: 4},
	{pattern: "MEASure:RESistance", ask: (*thermometer).measureOne, which: 2},
	{pattern: "MEASure:FRESistance", ask: (*thermometer).measureOne, which: 4},
	{"[:SENSe]:FUNCtion[:ON]", (*thermometer).setFunction, (*thermometer).askFunction, 0},
	{"[:SENSe]:RESistance:NPLCycles", (*thermometer).setCycles, (*thermometer).askCycles, 0},
	{"[:SENSe]:FRESistance:NPLCycles", (*thermometer).setCycles, (*thermometer).askCycles, 0},
	{"[:SENSe]:RESistance:RANGe[:UPPer]", (*thermometer).setSpan, (*thermometer).askSpan, 0},
	{"[:SENSe]:FRESistance:RANGe[:UPPer]", (*thermometer).setSpan, (*thermometer).askSpan, 0},
	{"[:SENSe]:RESistance:RANGe:AUTO", (*thermometer).setSpanAuto, (*thermometer).askSpanAuto, 0},
	{"[:SENSe]:FRESistance:RANGe:AUTO", (*thermometer).setSpanAuto, (*thermometer).askSpanAuto, 0},
	{"[:SENSe]:ZERO:AUTO", (*thermometer).setAutozero, (*thermometer).askAutozero, 0},
	{pattern: "SYSTem:VERSion", ask: (*thermometer).askVersion},
	{pattern: "SYSTem:LOCal", set: (*thermometer).takeNone},
	{pattern: "SYSTem:REMote", set: (*thermometer).takeNone},
	{pattern: "SYSTem:BEEPer:STATe", set: (*thermometer).take},
	{pattern: "DISPlay", set: (*thermometer).take},
}

func (m *thermometer) common(c *call)      { c.common() }
func (m *thermometer) commonAsked(c *call) { c.commonAsked() }
func (m *thermometer) askError(c *call)    { c.answerError() }
func (m *thermometer) take(c *call)        { c.flag() }
func (m *thermometer) takeNone(c *call)    { c.none() }
func (m *thermometer) askVersion(c *call)  { c.answer([]byte("1991.0")) } // from memory

func (m *thermometer) identify(c *call) {
	c.answer([]byte("VIRTUAL INSTRUMENTS,MULTIMETER,0001,1.0"))
}

func (m *thermometer) reset(c *call) {
	if c.none() {
		m.set.reset()
	}
}

func (m *thermometer) read(c *call) {
	if c.none() {
		m.takeReading(c, true)
	}
}

func (m *thermometer) initiate(c *call) {
	if c.none() {
		m.takeReading(c, false)
	}
}

func (m *thermometer) takeReading(c *call, says bool) {
	count := 1
	if m.set.autozero {
		count = multimeterZero
	}
	end := c.at + readingTime + clock.Instant(count)*m.integration(&m.set)
	m.busyUntil = end + unitTime
	m.then(c, ohmAction{at: end, measures: true, says: says, set: m.set})
}

// fetch answers the last reading again.
func (m *thermometer) fetch(c *call) {
	switch {
	case !c.none():
	case !m.any && len(m.todo) == 0:
		m.fail(errStale)
	default:
		m.then(c, ohmAction{at: c.at, says: true})
	}
}

// then keeps room for the answer, and does the action when its moment has come.
func (m *thermometer) then(c *call, a ohmAction) {
	if a.says {
		var blank [multimeterLength]byte
		var ok bool
		if a.place, ok = c.answer(blank[:]); !ok {
			return
		}
	}
	if a.at <= c.d.bench.world.Now() {
		m.carry(c.d, &a)
		return
	}
	m.todo = append(m.todo, a)
}

// configure presets one function: autorange, ten cycles. A range may be given.
func (m *thermometer) configure(c *call) {
	s := ohmSettings{fourWire: c.which == 4, cycles: 10, autozero: true}
	if len(c.args) > 0 {
		if !m.span(c, &s) {
			return
		}
	}
	m.set = s
}

func (m *thermometer) measureOne(c *call) {
	m.configure(c)
	m.takeReading(c, true)
}

// span reads a range and takes the smallest that holds it.
func (m *thermometer) span(c *call, s *ohmSettings) bool {
	largest := ohmRanges[len(ohmRanges)-1]
	v, ok := c.number(0, multimeterOver*largest, largest)
	if !ok {
		return false
	}
	for _, r := range ohmRanges {
		if s.span = r; v <= multimeterOver*r {
			break
		}
	}
	return true
}

func (m *thermometer) setFunction(c *call) {
	arg, ok := c.one()
	if !ok {
		return
	}
	f, ok := quotedWord(arg, "RESistance", "FRESistance")
	if !ok {
		m.fail(errIllegal)
		return
	}
	m.set.fourWire = f == 1
}

func (m *thermometer) askFunction(c *call) {
	if m.set.fourWire {
		c.answer([]byte(`"FRES"`))
		return
	}
	c.answer([]byte(`"RES"`))
}

func (m *thermometer) setCycles(c *call) {
	if v, ok := c.number(leastPeriods, mostPeriods, 10); ok {
		m.set.cycles = v
	}
}

func (m *thermometer) askCycles(c *call) { c.answerNumber(m.set.cycles) }

func (m *thermometer) setSpan(c *call) { m.span(c, &m.set) }

func (m *thermometer) askSpan(c *call) {
	if m.set.span == 0 {
		c.answerNumber(ohmRanges[0])
		return
	}
	c.answerNumber(m.set.span)
}

func (m *thermometer) setSpanAuto(c *call) {
	on, ok := c.flag()
	switch {
	case ok && on:
		m.set.span = 0
	case ok && m.set.span == 0:
		m.set.span = ohmRanges[0]
	}
}

func (m *thermometer) askSpanAuto(c *call) { c.answerFlag(m.set.span == 0) }

func (m *thermometer) setAutozero(c *call) {
	if on, ok := c.flag(); ok {
		m.set.autozero = on
	}
}

func (m *thermometer) askAutozero(c *call) { c.answerFlag(m.set.autozero) }
