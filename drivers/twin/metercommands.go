package twin

import (
	"bytes"
	"math"

	"dwell/drivers/clock"
)

// meterCommands is the command tree of the source-meter. Headers that are used in
// every reading stand first: the tree is searched from the top.
var meterCommands = []command[*sourceMeter]{
	{pattern: "READ", ask: (*sourceMeter).read},
	{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", (*sourceMeter).setLevel, (*sourceMeter).askLevel, amps},
	{"SOURce:VOLTage[:LEVel][:IMMediate][:AMPLitude]", (*sourceMeter).setLevel, (*sourceMeter).askLevel, volts},
	{pattern: "[:SENSe]:VOLTage[:DC]:PROTection:TRIPped", ask: (*sourceMeter).askTripped, which: volts},
	{pattern: "[:SENSe]:CURRent[:DC]:PROTection:TRIPped", ask: (*sourceMeter).askTripped, which: amps},
	{pattern: "SYSTem:ERRor[:NEXT]", ask: (*sourceMeter).askError},
	{pattern: "STATus:QUEue[:NEXT]", ask: (*sourceMeter).askError},
	{pattern: "*IDN", ask: (*sourceMeter).identify},
	{pattern: "*RST", set: (*sourceMeter).reset},
	{"*CLS", (*sourceMeter).common, nil, commonCLS},
	{"*ESE", (*sourceMeter).common, (*sourceMeter).commonAsked, commonESE},
	{pattern: "*ESR", ask: (*sourceMeter).commonAsked, which: commonESR},
	{"*OPC", (*sourceMeter).common, (*sourceMeter).commonAsked, commonOPC},
	{"*SRE", (*sourceMeter).common, (*sourceMeter).commonAsked, commonSRE},
	{pattern: "*STB", ask: (*sourceMeter).commonAsked, which: commonSTB},
	{pattern: "*TST", ask: (*sourceMeter).commonAsked, which: commonTST},
	{"*WAI", (*sourceMeter).common, nil, commonWAI},
	{"OUTPut[:STATe]", (*sourceMeter).setOutput, (*sourceMeter).askOutput, 0},
	{"OUTPut:SMODe", (*sourceMeter).setOffMode, (*sourceMeter).askOffMode, 0},
	{"SOURce:FUNCtion[:MODE]", (*sourceMeter).setSources, (*sourceMeter).askSources, 0},
	{"SOURce:CURRent:RANGe", (*sourceMeter).setSourceRange, (*sourceMeter).askSourceRange, amps},
	{"SOURce:VOLTage:RANGe", (*sourceMeter).setSourceRange, (*sourceMeter).askSourceRange, volts},
	{"SOURce:CURRent:RANGe:AUTO", (*sourceMeter).setSourceAuto, (*sourceMeter).askSourceAuto, amps},
	{"SOURce:VOLTage:RANGe:AUTO", (*sourceMeter).setSourceAuto, (*sourceMeter).askSourceAuto, volts},
	{"SOURce:DELay", (*sourceMeter).setDelay, (*sourceMeter).askDelay, 0},
	{"SOURce:DELay:AUTO", (*sourceMeter).setAutoDelay, (*sourceMeter).askAutoDelay, 0},
	{"[:SENSe]:VOLTage[:DC]:PROTection[:LEVel]", (*sourceMeter).setLimit, (*sourceMeter).askLimit, volts},
	{"[:SENSe]:CURRent[:DC]:PROTection[:LEVel]", (*sourceMeter).setLimit, (*sourceMeter).askLimit, amps},
	{"[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", (*sourceMeter).setSpan, (*sourceMeter).askSpan, volts},
	{"[:SENSe]:CURRent[:DC]:RANGe[:UPPer]", (*sourceMeter).setSpan, (*sourceMeter).askSpan, amps},
	{"[:SENSe]:VOLTage[:DC]:RANGe:AUTO", (*sourceMeter).setSpanAuto, (*sourceMeter).askSpanAuto, volts},
	{"[:SENSe]:CURRent[:DC]:RANGe:AUTO", (*sourceMeter).setSpanAuto, (*sourceMeter).askSpanAuto, amps},
	{"[:SENSe]:VOLTage[:DC]:NPLCycles", (*sourceMeter).setCycles, (*sourceMeter).askCycles, 0},
	{"[:SENSe]:CURRent[:DC]:NPLCycles", (*sourceMeter).setCycles, (*sourceMeter).askCycles, 0},
	{"[:SENSe]:RESistance:NPLCycles", (*sourceMeter).setCycles, (*sourceMeter).askCycles, 0},
	{"[:SENSe]:RESistance:MODE", (*sourceMeter).setOhmsMode, (*sourceMeter).askOhmsMode, 0},
	{"[:SENSe]:FUNCtion[:ON]", (*sourceMeter).setFunctions, (*sourceMeter).askFunctions, 1},
	{"[:SENSe]:FUNCtion:OFF", (*sourceMeter).setFunctions, nil, 0},
	{"[:SENSe]:FUNCtion[:ON]:ALL", (*sourceMeter).setAllFunctions, nil, 1},
	{"[:SENSe]:FUNCtion:OFF:ALL", (*sourceMeter).setAllFunctions, nil, 0},
	{"[:SENSe]:FUNCtion:CONCurrent", (*sourceMeter).setConcurrent, (*sourceMeter).askConcurrent, 0},
	{"SYSTem:RSENse", (*sourceMeter).setRemoteSense, (*sourceMeter).askRemoteSense, 0},
	{"SYSTem:AZERo[:STATe]", (*sourceMeter).setAutozero, (*sourceMeter).askAutozero, 0},
	{"SYSTem:LFRequency", (*sourceMeter).setMains, (*sourceMeter).askMains, 0},
	{pattern: "SYSTem:VERSion", ask: (*sourceMeter).askVersion},
	{pattern: "SYSTem:TIME:RESet", set: (*sourceMeter).resetTime},
	{pattern: "SYSTem:PRESet", set: (*sourceMeter).reset},
	{pattern: "SYSTem:BEEPer:STATe", set: (*sourceMeter).take},
	{pattern: "SYSTem:LOCal", set: (*sourceMeter).takeNone},
	{pattern: "SYSTem:REMote", set: (*sourceMeter).takeNone},
	{pattern: "SYSTem:RWLock", set: (*sourceMeter).takeNone},
	{pattern: "DISPlay:ENABle", set: (*sourceMeter).take},
	{"FORMat[:DATA]", (*sourceMeter).setFormat, (*sourceMeter).askFormat, 0},
	{"FORMat:ELEMents[:SENSe]", (*sourceMeter).setElements, (*sourceMeter).askElements, 0},
	{"ROUTe:TERMinals", (*sourceMeter).setTerminals, (*sourceMeter).askTerminals, 0},
	{pattern: "INITiate[:IMMediate]", set: (*sourceMeter).initiate},
	{pattern: "FETCh", ask: (*sourceMeter).fetch},
	{pattern: "ABORt", set: (*sourceMeter).takeNone},
	{pattern: "MEASure", ask: (*sourceMeter).read},
	{pattern: "MEASure:VOLTage[:DC]", ask: (*sourceMeter).measureOne, which: volts},
	{pattern: "MEASure:CURRent[:DC]", ask: (*sourceMeter).measureOne, which: amps},
	{pattern: "MEASure:RESistance", ask: (*sourceMeter).measureOne, which: 2},
	{pattern: "CONFigure:VOLTage[:DC]", set: (*sourceMeter).configure, which: volts},
	{pattern: "CONFigure:CURRent[:DC]", set: (*sourceMeter).configure, which: amps},
	{pattern: "CONFigure:RESistance", set: (*sourceMeter).configure, which: 2},
}

func (m *sourceMeter) common(c *call)      { c.common() }
func (m *sourceMeter) commonAsked(c *call) { c.commonAsked() }
func (m *sourceMeter) askError(c *call)    { c.answerError() }

func (m *sourceMeter) identify(c *call) {
	c.answer([]byte("VIRTUAL INSTRUMENTS,SOURCE-METER A,0001,1.0"))
}

func (m *sourceMeter) askVersion(c *call) { c.answer([]byte("1996.0")) } // the edition that this family names, from memory

// reset is *RST, which leaves the queue and the registers alone.
func (m *sourceMeter) reset(c *call) {
	if c.none() {
		m.set.reset()
		m.told(c)
	}
}

// read is ABORt, INITiate, FETCh?: a reading is made and answered. With the output
// off there is none, and no answer.
func (m *sourceMeter) read(c *call) {
	if c.none() {
		m.takeReading(c, m.set.elements)
	}
}

// initiate makes a reading that FETCh? can ask for.
func (m *sourceMeter) initiate(c *call) {
	if c.none() {
		m.takeReading(c, 0)
	}
}

func (m *sourceMeter) takeReading(c *call, elements uint8) {
	if !m.set.output {
		m.fail(errOutputOff)
		return
	}
	end := c.at + m.window()
	m.busyUntil = end + unitTime
	a := action{at: end, kind: actMeasure, set: m.set, elements: elements}
	if elements != 0 && !m.keepPlace(c, &a) {
		return
	}
	m.then(c, a)
}

// keepPlace makes room for an answer whose text is not known yet.
func (m *sourceMeter) keepPlace(c *call, a *action) (ok bool) {
	var blank [elements * (numberLength + 1)]byte
	a.place, ok = c.answer(blank[:length(a.elements)])
	return ok
}

// fetch answers the last reading again.
func (m *sourceMeter) fetch(c *call) {
	if !c.none() {
		return
	}
	any := m.last.any
	for i := range m.todo {
		any = any || m.todo[i].kind == actMeasure
	}
	if !any {
		m.fail(errStale)
		return
	}
	a := action{at: c.at, kind: actSay, elements: m.set.elements}
	if m.keepPlace(c, &a) {
		m.then(c, a)
	}
}

// configure sets up one function alone.
func (m *sourceMeter) configure(c *call) {
	if c.none() {
		m.set.measures = [3]bool{}
		m.choose(c.which, true)
		m.told(c)
	}
}

func (m *sourceMeter) measureOne(c *call) {
	m.configure(c)
	m.read(c)
}

func (m *sourceMeter) setOutput(c *call) {
	if on, ok := c.flag(); ok {
		m.set.output = on
		m.told(c)
	}
}

func (m *sourceMeter) askOutput(c *call) {
	c.answerFlag(m.set.output || m.applied.output && c.d.bench.world.Faults().OutputStuck)
}

var offModes = []string{"HIMPedance", "NORMal", "ZERO", "GUARd"}

func (m *sourceMeter) setOffMode(c *call) {
	if i, ok := c.word(offModes...); ok {
		m.set.offMode = i
	}
}

func (m *sourceMeter) askOffMode(c *call) { c.answer([]byte(offModes[m.set.offMode][:4])) }

// setSources chooses what is sourced. The output goes off when that changes.
func (m *sourceMeter) setSources(c *call) {
	i, ok := c.word("VOLTage", "CURRent")
	if !ok {
		return
	}
	if i != m.set.sources {
		m.set.output = false
	}
	m.set.sources = i
	m.told(c)
}

func (m *sourceMeter) askSources(c *call) {
	c.answer([]byte([...]string{"VOLT", "CURR"}[m.set.sources]))
}

// largest is the most that is sourced or limited.
func largest(q int) float64 { return [...]float64{highVolts, strongAmps}[q] }

// setLevel sets what is sourced. A fixed range, and the power that the instrument
// can supply, bound it.
func (m *sourceMeter) setLevel(c *call) {
	s, q := m.set, c.which
	most := largest(q)
	if s.fixed[q] > 0 {
		most = min(most, beyond*s.fixed[q])
	}
	v, ok := c.number(-most, most, 0)
	if !ok {
		return
	}
	s.level[q] = v
	m.agree(c, &s)
}

// agree takes changed settings if they do not contradict each other.
func (m *sourceMeter) agree(c *call, s *meterSettings) {
	v, i := s.level[volts], s.limit[amps]
	if s.sources == amps {
		v, i = s.limit[volts], s.level[amps]
	}
	if math.Abs(v) > wideVolts && math.Abs(i) > modestAmps || s.measures[2] && s.autoOhms {
		m.fail(errSettings)
		return
	}
	m.set = *s
	m.told(c)
}

func (m *sourceMeter) askLevel(c *call) { c.answerNumber(m.set.level[c.which]) }

// setSourceRange fixes the source's range to the smallest that takes a value.
func (m *sourceMeter) setSourceRange(c *call) {
	q := c.which
	v, ok := c.number(-largest(q), largest(q), m.set.level[q])
	if !ok {
		return
	}
	r := rangeFor(q, v)
	if math.Abs(m.set.level[q]) > beyond*r {
		m.fail(errSettings)
		return
	}
	m.set.fixed[q] = r
	m.told(c)
}

func (m *sourceMeter) askSourceRange(c *call) { c.answerNumber(m.set.sourceRange(c.which)) }

func (m *sourceMeter) setSourceAuto(c *call) {
	if on, ok := c.flag(); ok {
		if m.set.fixed[c.which] = 0; !on {
			m.set.fixed[c.which] = m.set.sourceRange(c.which)
		}
		m.told(c)
	}
}

func (m *sourceMeter) askSourceAuto(c *call) { c.answerFlag(m.set.fixed[c.which] == 0) }

func (m *sourceMeter) setDelay(c *call) {
	if v, ok := c.number(0, longestDelayS, 0); ok {
		m.set.delay, m.set.autoDelay = clock.Instant(math.Round(v*1e9)), false
	}
}

func (m *sourceMeter) askDelay(c *call) { c.answerNumber(m.set.delay.Seconds()) }

func (m *sourceMeter) setAutoDelay(c *call) {
	if on, ok := c.flag(); ok {
		m.set.autoDelay = on
	}
}

func (m *sourceMeter) askAutoDelay(c *call) { c.answerFlag(m.set.autoDelay) }

func (m *sourceMeter) setLimit(c *call) {
	s, q := m.set, c.which
	least, otherwise := leastVolts, defaultVoltLimit
	if q == amps {
		least, otherwise = leastAmps, defaultAmpereLimit
	}
	v, ok := c.number(least, largest(q), otherwise)
	if !ok {
		return
	}
	s.limit[q] = v
	m.agree(c, &s)
}

func (m *sourceMeter) askLimit(c *call) { c.answerNumber(m.set.limit[c.which]) }

// askTripped answers whether a limit holds: that of the quantity not sourced.
func (m *sourceMeter) askTripped(c *call) {
	if !c.none() {
		return
	}
	if c.which == m.set.sources || !m.set.output {
		c.answerInt(0)
		return
	}
	if place, ok := c.answer([]byte("0")); ok {
		m.then(c, action{at: c.at, kind: actTrip, place: place})
	}
}

func (m *sourceMeter) setSpan(c *call) {
	q := c.which
	if v, ok := c.number(-largest(q), largest(q), largest(q)); ok {
		m.set.span[q] = rangeFor(q, v)
		m.told(c)
	}
}

func (m *sourceMeter) askSpan(c *call) {
	if q := c.which; m.set.span[q] > 0 {
		c.answerNumber(m.set.span[q])
	} else {
		c.answerNumber(rangeFor(q, m.set.limit[q]))
	}
}

func (m *sourceMeter) setSpanAuto(c *call) {
	if on, ok := c.flag(); ok {
		if m.set.span[c.which] = 0; !on {
			m.set.span[c.which] = rangeFor(c.which, m.set.limit[c.which])
		}
		m.told(c)
	}
}

func (m *sourceMeter) askSpanAuto(c *call) { c.answerFlag(m.set.span[c.which] == 0) }

func (m *sourceMeter) setCycles(c *call) {
	if v, ok := c.number(leastCycles, mostCycles, 1); ok {
		m.set.cycles = v
	}
}

func (m *sourceMeter) askCycles(c *call) { c.answerNumber(m.set.cycles) }

// setOhmsMode: in automatic mode the instrument chooses the source by itself as
// soon as ohms are measured; in manual mode it computes them.
func (m *sourceMeter) setOhmsMode(c *call) {
	if i, ok := c.word("MANual", "AUTO"); ok {
		m.set.autoOhms = i == 1
		m.choose(2, m.set.measures[2])
		m.told(c)
	}
}

func (m *sourceMeter) askOhmsMode(c *call) {
	if m.set.autoOhms {
		c.answer([]byte("AUTO"))
		return
	}
	c.answer([]byte("MAN"))
}

var functionWords = []string{"VOLTage[:DC]", "CURRent[:DC]", "RESistance"}

// setFunctions adds or takes away what is measured. Names stand in quotation marks;
// unless functions are concurrent the last one replaces the others.
func (m *sourceMeter) setFunctions(c *call) {
	if len(c.args) == 0 {
		m.fail(errMissing)
		return
	}
	for rest := c.args; rest != nil; {
		var arg []byte
		arg, rest = cutOutside(rest, ',')
		f, ok := quotedWord(trim(arg), functionWords...)
		if !ok {
			m.fail(errIllegal)
			return
		}
		m.choose(f, c.which == 1)
	}
	m.told(c)
}

// autoOhmsAmps is what automatic ohms sources. The real ones choose it by the
// range; this is the one for 20 to 200 kOhm, from memory.
const autoOhmsAmps = 10e-6

// choose adds or takes away one function.
func (m *sourceMeter) choose(f int, on bool) {
	s := &m.set
	if on && !s.concurrent {
		s.measures = [3]bool{}
	}
	s.measures[f] = on
	if f == 2 && on && s.autoOhms {
		s.sources, s.level[amps], s.fixed[amps] = amps, autoOhmsAmps, 0
		s.limit[volts] = defaultVoltLimit
		s.measures = [3]bool{true, true, true}
	}
}

func (m *sourceMeter) askFunctions(c *call) {
	var buffer [64]byte
	b := buffer[:0]
	for f, word := range []string{`"VOLT:DC"`, `"CURR:DC"`, `"RES"`} {
		if m.set.measures[f] {
			if len(b) > 0 {
				b = append(b, ',')
			}
			b = append(b, word...)
		}
	}
	if len(b) == 0 {
		b = append(b, `""`...)
	}
	c.answer(b)
}

func (m *sourceMeter) setAllFunctions(c *call) {
	if !c.none() {
		return
	}
	for f := range m.set.measures {
		m.choose(f, c.which == 1)
	}
	m.told(c)
}

func (m *sourceMeter) setConcurrent(c *call) {
	if on, ok := c.flag(); ok {
		if m.set.concurrent = on; !on {
			m.set.measures = [3]bool{volts: true}
		}
	}
}

func (m *sourceMeter) askConcurrent(c *call) { c.answerFlag(m.set.concurrent) }

func (m *sourceMeter) setRemoteSense(c *call) {
	if on, ok := c.flag(); ok {
		m.set.fourWire = on
		m.told(c)
	}
}

func (m *sourceMeter) askRemoteSense(c *call) { c.answerFlag(m.set.fourWire) }

func (m *sourceMeter) setAutozero(c *call) {
	if arg, ok := c.one(); ok && isWord("ONCE", arg) {
		m.busyUntil += (zeroFactor - 1) * m.integration(&m.set)
		m.set.autozero = false
	} else if on, ok := c.flag(); ok {
		m.set.autozero = on
	}
}

func (m *sourceMeter) askAutozero(c *call) { c.answerFlag(m.set.autozero) }

func (m *sourceMeter) setMains(c *call) {
	if v, ok := c.number(50, 60, 50); ok {
		if v != 50 && v != 60 {
			m.fail(errRange)
			return
		}
		m.lineHz = v
	}
}

func (m *sourceMeter) askMains(c *call) { c.answerInt(int(m.lineHz)) }

func (m *sourceMeter) resetTime(c *call) {
	if c.none() {
		c.d.started = c.at
	}
}

// take and takeNone are for commands that change nothing here.
func (m *sourceMeter) take(c *call)     { c.flag() }
func (m *sourceMeter) takeNone(c *call) { c.none() }

func (m *sourceMeter) setFormat(c *call) {
	if arg, _ := cutOutside(c.args, ','); isWord("REAL", trim(arg)) {
		m.fail(errASCIIOnly)
		return
	}
	c.word("ASCii")
}

func (m *sourceMeter) askFormat(c *call) { c.answer([]byte("ASC")) }

// setElements chooses what a reading consists of; its order stays as it is.
func (m *sourceMeter) setElements(c *call) {
	if len(c.args) == 0 {
		m.fail(errMissing)
		return
	}
	var chosen uint8
	for rest := c.args; rest != nil; {
		var arg []byte
		arg, rest = cutOutside(rest, ',')
		known := false
		for e, word := range elementWords {
			if isWord(word, trim(arg)) {
				chosen, known = chosen|1<<e, true
			}
		}
		if !known {
			m.fail(errIllegal)
			return
		}
	}
	m.set.elements = chosen
}

func (m *sourceMeter) askElements(c *call) {
	var buffer [32]byte
	b := buffer[:0]
	for e, word := range elementWords {
		if m.set.elements&(1<<e) != 0 {
			if len(b) > 0 {
				b = append(b, ',')
			}
			n := bytes.IndexFunc([]byte(word), func(r rune) bool { return r >= 'a' })
			if n < 0 {
				n = len(word)
			}
			b = append(b, word[:n]...)
		}
	}
	c.answer(b)
}

func (m *sourceMeter) setTerminals(c *call) {
	if i, ok := c.word("FRONt", "REAR"); ok {
		m.set.rear = i == 1
		m.told(c)
	}
}

func (m *sourceMeter) askTerminals(c *call) {
	if m.set.rear {
		c.answer([]byte("REAR"))
		return
	}
	c.answer([]byte("FRON"))
}
