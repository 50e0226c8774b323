package plan

import (
	"math"
	"strings"

	"dwell/drivers/bending"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// This file makes the step that bends again and again. One cycle is flat, bent, flat; or,
// where the step says from which shape, that one, the other, and that one again. The size of the plan does not grow with the count: cycles are loops of blocks, and the
// counts at which is measured grow as a logarithm, or are a loop of their own.

// cycling is a step cycle as it was read.
type cycling struct {
	st     *stage
	first  value  // the shape in which a cycle begins and ends: flat, where the step says none
	bent   value  // the other one
	words  string // one cycle
	times  int64
	period float64 // s
	speed  float64 // that gives it
	every  int64   // measure every so many, or
	counts []int64 // at these
	waitNs int64   // in each shape, before the mark
	follow follow  // cycles that are looked into
	until  string  // a condition that ends the step; "" for none
}

func (c *compiler) cycle(s step) {
	t := c.table(s.with, "from", "!to", "!times", "!rate", "measure", "stop when")
	from, to := c.table(t["from"], shapes...), c.table(t["to"], shapes...)
	st := c.stageOf(s.verb)
	if st == nil || t == nil {
		return
	}
	c.homed(st)
	y := &cycling{st: st, first: st.flat()}
	bent, name, ok := c.shape(st, to, or(t["to"], s.with))
	if y.words = st.rest() + ", " + name + ", " + st.rest(); t["from"] != nil {
		first, begins, is := c.shape(st, from, t["from"])
		y.first, y.words = first, begins+", "+name+", "+begins
		ok = is && ok
	}
	ok = ok && c.twoShapes(y, bent, t["from"], or(t["to"], s.with))
	if t["times"] != nil {
		n, is := c.doc.Int(t["times"], c.m, 1, mostCycles)
		y.times, ok = int64(n), ok && is
	}
	rate := c.positive(t["rate"], perSecond)
	if y.bent = bent; rate > 0 {
		y.period = 1 / rate
	}
	ok = c.measured(y, t["measure"]) && ok && t["times"] != nil
	if !ok || rate == 0 {
		return
	}
	for _, shape := range []value{y.first, y.bent} {
		c.allowed(st.instrument, c.rig.Instruments[st.instrument].Profile.Set(setPosition), shape)
	}
	if n := t["stop when"]; n != nil {
		x, is := c.expression(n)
		if ok = is && c.awaited(x, 0, nil) != nil; ok {
			y.until = x.text
		}
	}
	c.onePhase(y, t["rate"])
	if ok = c.paced(y, t["rate"]) && ok && c.followed(y); ok {
		c.begin()
		from := len(c.plan.Actions)
		c.cycles(y)
		for i := from; i < len(c.plan.Actions); i++ {
			if a := &c.plan.Actions[i]; a.Op == Cycle && a.When != "" {
				a.Jump = len(c.plan.Actions)
			}
		}
		switch { // it may end in a cycle that is read otherwise
		case y.until != "" && c.life != nil:
			c.begin()
			c.poll(c.along(c.inCycles(y)))
		case y.until != "" && y.follow.cycles > 0:
			c.begin()
			c.poll(c.inCycles(y))
		}
		if !y.fromFlat() {
			c.begin()
			c.toShape(y, y.st.flat())
		}
	}
}

// twoShapes refuses cycles between a shape and itself, and those that should begin at the
// other end: what is bent at both ends is compared with the film at rest.
func (c *compiler) twoShapes(y *cycling, bent value, from, to *yamltext.Node) bool {
	apart := func(a, b float64) bool { return math.Abs(a-b) > c.within(y.st) }
	switch {
	case !apart(y.first.Value, bent.Value):
		x := c.wrong(to, "both shapes are one: the stage stands at %s for them", near(bent.Value, inMetre))
		if from != nil {
			x.Note(c.doc, from, "the first stands here")
		}
		return false
	case from != nil && !apart(bent.Value, y.st.bench.FlatAtM):
		c.wrong(to, "this is %s, where cycles begin when nothing is said: leave from out, and put the other shape here", y.st.rest())
		return false
	}
	return true
}

// fromFlat tells whether a cycle begins where the film lies flat.
func (y *cycling) fromFlat() bool { return y.first.Value == y.st.bench.FlatAtM }

// rest is the word for the shape that others are compared with.
func (s *stage) rest() string {
	if s.bench.GapM > 0 {
		return "open"
	}
	return "flat"
}

// mostCycles is beyond what a film has ever been bent: a year at three cycles a second.
const mostCycles = 100_000_000

// paced works out the speed that gives the rate: from rest to rest, twice a cycle.
func (c *compiler) paced(y *cycling, n *yamltext.Node) bool {
	half, length, a := y.period/2, math.Abs(y.bent.Value-y.first.Value), y.st.accel
	shortest := y.st.lasting(y.first.Value, y.bent.Value, y.st.fastest)
	if half < shortest*(1-1e-9) {
		c.wrong(n, "the stage needs %s for the %s from %s and back: at most %.3g Hz", spanText(2*shortest), near(length, inMetre), y.begins(), 1/(2*shortest)).
			Hint("its highest speed and acceleration stand in its profile")
		return false
	}
	// length/v + v/a = half
	y.speed = a / 2 * (half - math.Sqrt(math.Max(0, float64(half*half)-4*length/a)))
	y.speed = math.Min(y.speed, y.st.fastest)
	if least := y.st.slowest; y.speed < least {
		c.wrong(n, "at this rate the stage moves at %s, slower than it can be told to (%s): more than %.3g Hz", near(y.speed, inMPerS), near(least, inMPerS), 1/(2*(length/least+least/a)))
		return false
	}
	return true
}

// begins is the word for the shape in which a cycle begins.
func (y *cycling) begins() string {
	if y.fromFlat() {
		return y.st.rest()
	}
	return "the first shape"
}

// firstShape is the mark of a shape in which a cycle begins that is not flat.
const firstShape = "first shape"

// measured reads at which counts is measured, flat and bent.
func (c *compiler) measured(y *cycling, n *yamltext.Node) bool {
	if n == nil {
		return true
	}
	t := c.table(n, "!at", "!for", "follow")
	y.waitNs, y.follow.node = c.time(t["for"]), t["follow"]
	text := c.text(t["at"])
	if text == "" {
		return false
	}
	before, last, _ := strings.Cut(text, " ")
	switch k, isWhole1 := isWhole(last); {
	case text == "1-2-5":
		for ten := int64(1); ten <= y.times; ten *= 10 {
			y.counts = append(y.counts, ten, 2*ten, 5*ten)
		}
	case before == "every" && isWhole1:
		if y.every = k; k > y.times && y.times > 0 {
			c.warn(t["at"], "of %d cycles none is the %dth: it is measured before the first and after the last alone", y.times, k)
		}
	case last == "per decade":
		k, ok := isWhole(before)
		if !ok || k > 100 {
			c.wrong(t["at"], "1 to 100 counts per decade are possible, not %q", before)
			return false
		}
		for j := int64(0); ; j++ {
			n := int64(math.Round(math.Pow(10, float64(j)/float64(k))))
			if n > y.times {
				break
			}
			y.counts = append(y.counts, n)
		}
	default:
		c.wrong(t["at"], "%q is no series of counts", text).Hint("1-2-5, every 1000, or 3 per decade")
		return false
	}
	return y.waitNs > 0 && c.measurable(y, n, t["for"])
}

// leastMeasured is how many readings are needed in the half of a shape that figures are taken
// from: with two, their scatter is seen. Common practice, no source.
const leastMeasured = 2

// measurable refuses to measure a film that is not read, and says where it is read so seldom
// that figures will have little to go by.
func (c *compiler) measurable(y *cycling, n, wait *yamltext.Node) bool {
	film := c.rig.Channel(c.rig.Place.Resistance)
	if film < 0 || c.wished(film) == nil {
		return true // what is not recorded is measured by somebody else
	}
	if !c.isNow(film) {
		c.wrong(n, "%s is not read here, since its source is off (until failed ends with that): nothing can be measured", c.rig.Channels[film].Name).
			Hint("leave measure out, or switch the source on before this step")
		return false
	}
	if every := c.world.wishNs[film]; y.waitNs < 2*leastMeasured*every {
		c.warn(wait, "%s is read every %s, and figures take the second half of what is measured: they need %s for %d readings there, and %s were asked for",
			c.rig.Channels[film].Name, near(float64(every)/1e9, inSeconds), near(float64(2*leastMeasured*every)/1e9, inSeconds), leastMeasured, near(float64(y.waitNs)/1e9, inSeconds))
	}
	return true
}

// cycles takes the step down. The cycle at a count that is measured is done slowly, with
// a wait in each shape: it is one of those that were asked for. The film is measured flat
// too where no cycle takes it there: between two of them.
func (c *compiler) cycles(y *cycling) {
	if y.waitNs > 0 {
		c.begin()
		c.restAt(y, y.st.flat(), 0)
	} else if !y.fromFlat() {
		c.begin()
	}
	if !y.fromFlat() {
		c.toShape(y, y.first)
	}
	done := int64(0)
	if y.every > 0 && y.times >= y.every {
		whole := y.times / y.every
		c.looped(whole, func() { c.upTo(y, y.every) })
		done = whole * y.every
	}
	for _, n := range y.counts {
		if n > done && n <= y.times {
			c.upTo(y, n-done)
			done = n
		}
	}
	switch left := y.times - done; {
	case left > 0 && y.waitNs > 0:
		c.upTo(y, left)
	case left > 0:
		c.inLife(y, left)
	}
}

// upTo does so many cycles, of which the last is measured.
func (c *compiler) upTo(y *cycling, n int64) {
	c.runFollowed(y, n-1)
	c.begin()
	c.restAt(y, y.bent, 0)
	c.restAt(y, y.first, 1)
	if !y.fromFlat() {
		c.restAt(y, y.st.flat(), 0)
		c.toShape(y, y.first)
	}
}

// looped does something so many times.
func (c *compiler) looped(times int64, f func()) {
	for times > mostTimes { // loops count so far: a loop of loops
		inner := int64(mostTimes)
		whole := times / inner
		c.looped(whole, func() { c.looped(inner, f) })
		times -= whole * inner
	}
	if times == 0 {
		return
	}
	jump, before := len(c.plan.Actions), c.tally
	c.emit(Action{Op: Loop, Count: times})
	f()
	c.emit(Action{Op: Again, Jump: jump})
	once := c.tally.minus(before)
	c.tally = before.plus(once.times(float64(times)))
}

// run does so many cycles, in blocks.
func (c *compiler) run(y *cycling, n int64) {
	if whole := n / blockCycles; whole > 0 {
		c.looped(whole, func() { c.block(y, blockCycles) })
	}
	if n %= blockCycles; n > 0 {
		c.block(y, n)
	}
}

// block is a number of cycles at the end of which the stage must stand where they begin.
// Before each of them the run can be put down.
func (c *compiler) block(y *cycling, n int64) {
	i, p := y.st.instrument, c.rig.Instruments[y.st.instrument].Profile
	set := p.Set(setPosition)
	c.begin()
	speed := c.command(i, map[int]want{p.Set(setSpeed): {value: y.speed}})
	c.emit(Action{Op: Set, Setpoints: speed})
	a := c.motionTo(y, y.first.Value)
	a.Op, a.Count, a.DurationNs, a.Text = Cycle, n, nanoseconds(y.period), y.words
	a.Setpoints = []Setpoint{c.setpoint(i, set, want{value: y.bent.Value}), c.setpoint(i, set, want{value: y.first.Value})}
	a.AtMostNs, a.When = arriveSpareNs+nanoseconds(2*y.period), y.until
	c.world.settings[i][set] = setting{known: true, value: y.first.Value}
	c.emit(a)
	c.talks(c.setTime(speed))
	c.tally.exchanges += float64(n)*2/float64(max(1, p.Ahead)) + 1
	c.spend(float64(n) * y.period)
}

// motionTo is what a motion of the stage needs to know it has ended.
func (c *compiler) motionTo(y *cycling, to float64) Action {
	return Action{Channel: c.rig.Channels[y.st.position].Name, Channels: []string{c.rig.Channels[y.st.motion].Name}, Target: to, Within: c.within(y.st)}
}

// toShape goes to a shape, as fast as in cycles.
func (c *compiler) toShape(y *cycling, to value) {
	speed := to
	speed.Value, speed.Unit = y.speed, canonicalSpeed()
	way := y.st.lasting(y.st.bench.FlatAtM, math.Max(y.first.Value, y.bent.Value), y.speed)
	c.goTo(y.st, to, speed, arriveSpareNs+nanoseconds(2*math.Max(y.period, way)), nil)
}

// restAt goes to a shape, waits there and marks it; what it ends counts as so many cycles.
func (c *compiler) restAt(y *cycling, to value, ends int64) {
	c.toShape(y, to)
	if n := len(c.plan.Actions); c.quiet == 0 && n > 0 && c.plan.Actions[n-1].Op == Move {
		if c.plan.Actions[n-1].Count = ends; to.Value == y.bent.Value {
			c.plan.Actions[n-1].Text = y.words
		}
	}
	c.emit(Action{Op: Wait, DurationNs: y.waitNs})
	c.spend(float64(y.waitNs) / 1e9)
	switch to.Value {
	case y.bent.Value:
		c.emit(c.answers(y, Action{Op: Mark, Text: "bent"}))
	case y.st.bench.FlatAtM:
		c.emit(c.answers(y, Action{Op: Mark, Text: y.st.rest()}))
	default:
		c.emit(Action{Op: Mark, Text: firstShape})
	}
}

// AnswerChanged is the part by which the film's answer to bending may differ from the first
// one before that is worth saying. Common practice, no source.
const AnswerChanged = 0.1

// answers has the film's resistance looked at at a mark, to tell a strip that slips: beside
// which thermometer, and by how much flat has moved when the answer is that much smaller.
func (c *compiler) answers(y *cycling, mark Action) Action {
	r := c.rig.Channel(c.rig.Place.Resistance)
	if r < 0 || !c.isNow(r) {
		return mark
	}
	mark.Channel, mark.DurationNs, mark.Target, mark.From = c.rig.Place.Resistance, y.waitNs, y.bent.Value, c.partPerK()
	for _, name := range c.placeThermometers() {
		if c.isNow(c.rig.Channel(name)) {
			mark.Channels = []string{name}
		}
	}
	bent, err := y.st.fixture.AtTravel(y.bent.Value - y.st.bench.FlatAtM)
	if err == nil && y.st.bench.GapM == 0 {
		var slipped bending.Bend
		if slipped, err = y.st.fixture.AtRadius(bent.NeutralRadiusM / AnswerChanged); err == nil {
			mark.Within = round12(slipped.TravelM)
		}
	}
	return mark
}

// partPerK is by which part of it a kelvin changes the film's resistance; 0 when that is not
// stated.
func (c *compiler) partPerK() float64 {
	at := c.specimen.AtDegC
	if c.specimen.R0Ohm == 0 {
		return 0
	}
	return round12((c.specimen.ExpectedOhm(at+0.5) - c.specimen.ExpectedOhm(at-0.5)) / c.specimen.R0Ohm)
}

// flatRead is how the film is read flat, nil where no stage bends it or nothing reads it.
func (c *compiler) flatRead() *FlatRead {
	film := c.rig.Channel(c.rig.Place.Resistance)
	if len(c.plan.Summary.Bends) == 0 || c.rig.Bending.RodsM != nil || film < 0 {
		return nil
	}
	w := c.wished(film)
	if w == nil || !w.wasAsked {
		return nil
	}
	f := &FlatRead{Channel: c.rig.Place.Resistance, PartPerK: c.partPerK(), ForNs: 2 * w.mostNs}
	for _, name := range c.placeThermometers() {
		if w := c.wished(c.rig.Channel(name)); w != nil && w.wasAsked {
			f.Thermometer = name
		}
	}
	return f
}

func canonicalSpeed() quantity.Unit {
	u, _ := inMPerS.Canonical()
	return u
}
