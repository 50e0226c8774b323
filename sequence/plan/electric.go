package plan

import (
	"math"
	"slices"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// This file makes the steps that put current through the specimen, and works out
// what it will see: its resistance follows from its own law at every temperature
// the plan visits, and may be off by the band its file states.

// Words for what is commanded (see the profiles).
const (
	setFunction    = "function"
	setCompliance  = "compliance"
	setOutput      = "output"
	setIntegration = "integration"
	setReverse     = "reverse"
	inCurrent      = "current" // the level, and the state of function
	inVoltage      = "voltage"
)

// complianceNs is how long a source-meter may be limited: longer than a change of
// level takes to settle. Common practice, no source.
const complianceNs = int64(2 * clock.Second)

// level is what a source can be told to drive: a set of its profile.
type level struct{ instrument, set int }

// meter finds the source-meter that a step names.
func (c *compiler) meter(n *yamltext.Node) int {
	if n == nil {
		return -1
	}
	var names []string
	for _, d := range c.rig.Instruments {
		if d.Profile.Set(setOutput) >= 0 && d.Profile.Set(setFunction) >= 0 {
			names = append(names, d.Name)
		}
	}
	if c.rig.Excused(n.Text) {
		return -1
	}
	if name := c.word(n, "source-meter of this rig", names...); name != "" {
		return c.rig.Instrument(name)
	}
	return -1
}

// extras are the settings of a source-meter that a step may name besides level and
// compliance: wires, integration, reverse, as its profile has them.
func extras(p *rig.Profile) []string {
	var names []string
	for k, s := range p.Sets {
		switch {
		case s.Quantity == setFunction || s.Quantity == setOutput || s.Quantity == inCurrent || s.Quantity == inVoltage:
		case k == p.Find(setCompliance, inVolt) || k == p.Find(setCompliance, inAmpere):
		default:
			names = append(names, s.Quantity)
		}
	}
	return names
}

// levels are what a step can source, and what stands beside it.
var levels = []string{inCurrent, inVoltage, "instrument", "compliance"}

// level reads which of current and voltage a step sources; "" for a mistake.
func (c *compiler) level(t map[string]*yamltext.Node, at *yamltext.Node) (function string, n *yamltext.Node) {
	switch current, voltage := t[inCurrent], t[inVoltage]; {
	case t == nil:
	case current != nil && voltage != nil:
		c.wrong(voltage, "either a current or a voltage is sourced, not both").Note(c.doc, current, "the current")
	case current != nil:
		return inCurrent, current
	case voltage != nil:
		return inVoltage, voltage
	case yamltext.IsMisspelt(at, levels, inCurrent) || yamltext.IsMisspelt(at, levels, inVoltage):
	default:
		c.wrong(at, "a current or a voltage is missing here")
	}
	return "", nil
}

// dimensionOf is the dimension of a level, and of the compliance that belongs to it.
func dimensionOf(function string) (level, compliance quantity.Dimension) {
	switch function {
	case "": // a mistake
		return anything, anything
	case inVoltage:
		return inVolt, inAmpere
	}
	return inAmpere, inVolt
}

// source sets a source-meter up, from its function to its output. What the step
// does not name is as the instrument's profile has it by default.
func (c *compiler) source(s step) {
	i := c.meter(valueOf(s.with, "instrument"))
	others := []string{"wires", setIntegration, setReverse}
	if i >= 0 {
		others = extras(c.rig.Instruments[i].Profile)
	}
	t := c.table(s.with, append(others, "!instrument", inCurrent, inVoltage, "!compliance")...)
	function, n := c.level(t, s.with)
	dim, other := dimensionOf(function)
	level, ok1 := c.value(n, dim)
	limit, ok2 := c.value(t["compliance"], other)
	if i < 0 {
		c.doubtMeters()
		return
	}
	wants, ok3 := c.setUp(i, function, t)
	ok4 := c.wantLevels(i, wants, function, level, limit)
	if !ok1 || !ok2 || !ok3 || !ok4 || function == "" {
		c.doubt(i)
		return
	}
	c.begin()
	c.seesLevel(i, function)
	c.energise(i, wants)
	c.world.doubtful[i] = false
	c.driven[i] = n
	if c.sourced[i] == nil {
		c.sourced[i] = s.verb
	}
	c.electric()
	c.busy(i)
}

// seesLevel has what a source drives read, from here on, and held against what it was told.
func (c *compiler) seesLevel(i int, function string) {
	dim, _ := dimensionOf(function)
	l := level{i, c.rig.Instruments[i].Profile.Find(function, dim)}
	ch := c.levelChannel(l)
	if ch < 0 {
		return
	}
	if !slices.Contains(c.levels, l) {
		c.levels = append(c.levels, l)
	}
	if w := c.wished(ch); w != nil {
		c.world.wishNs[ch] = max(c.world.wishNs[ch], w.first.EveryNs) // on another way to this step too
	} else {
		c.needs(ch)
		c.wished(ch).later = c.query(ch).Needs != nil // not before this step
	}
}

// levelChannel is the channel that shows what a source drives, or -1.
func (c *compiler) levelChannel(l level) int {
	return slices.IndexFunc(c.rig.Channels, func(ch rig.Channel) bool {
		return ch.Instrument == l.instrument && ch.Quantity == c.rig.Instruments[l.instrument].Profile.Sets[l.set].Bounds && ch.Through == ""
	})
}

// wantLevels adds level and compliance to what is wanted.
func (c *compiler) wantLevels(i int, wants map[int]want, function string, level, limit value) bool {
	if function == "" {
		return false
	}
	p := c.rig.Instruments[i].Profile
	dim, other := dimensionOf(function)
	k, l := p.Find(function, dim), p.Find(setCompliance, other)
	if k < 0 || l < 0 {
		c.wrongValue(level, "%s cannot source a %s with a compliance", c.rig.Instruments[i].Name, function)
		return false
	}
	c.allowed(i, k, level)
	if !(limit.Value > 0) {
		c.wrongValue(limit, "a compliance is above zero: it limits both directions")
		return false
	}
	c.allowed(i, l, limit)
	if wants != nil {
		wants[k], wants[l] = want{value: level.Value}, want{value: limit.Value}
	}
	return true
}

// setUp is everything that a source-meter is to be set to besides its levels.
func (c *compiler) setUp(i int, function string, t map[string]*yamltext.Node) (wants map[int]want, ok bool) {
	p := c.rig.Instruments[i].Profile
	f, o := p.Set(setFunction), p.Set(setOutput)
	wants, ok = map[int]want{f: {state: p.Sets[f].State(function)}, o: {state: p.Sets[o].State(stateOn)}}, true
	if function == "" {
		wants[f] = want{state: -1}
	} else if wants[f].state < 0 || wants[o].state < 0 {
		c.wrong(c.at, "%s cannot source a %s", c.rig.Instruments[i].Name, function)
		return nil, false
	}
	for _, name := range extras(p) {
		k := p.Set(name)
		s := &p.Sets[k]
		if w := s.While; w != nil && w.Set == f && w.State != wants[f].state {
			continue
		}
		w := want{s.DefaultValue, s.DefaultState}
		if n := t[name]; n != nil {
			var good bool
			w, good = c.setTo(i, k, n)
			ok = ok && good
		} else if !s.HasDefault {
			continue
		}
		wants[k] = w
	}
	return wants, ok
}

// setTo reads what one quantity is to be set to.
func (c *compiler) setTo(i, k int, n *yamltext.Node) (want, bool) {
	s := &c.rig.Instruments[i].Profile.Sets[k]
	if len(s.States) == 0 {
		v, ok := c.value(n, s.Unit.Dim)
		if ok {
			c.allowed(i, k, v)
		}
		return want{value: v.Value}, ok
	}
	if s.State(stateOn) >= 0 && s.State(stateOff) >= 0 {
		text := stateOff
		on, ok := c.doc.Bool(n, c.m)
		if on {
			text = stateOn
		}
		return want{state: s.State(text)}, ok
	}
	word := c.word(n, "state of "+s.Quantity, s.States...)
	return want{state: s.State(word)}, word != ""
}

// energise sends the settings. While the output is off on the way, channels that
// need it are not read.
func (c *compiler) energise(i int, wants map[int]want) {
	out := c.command(i, wants)
	for k, s := range out {
		if s.Quantity == setOutput && s.State == stateOff && k < len(out)-1 {
			c.rest(c.dependents(i))
			break
		}
	}
	c.emit(Action{Op: Set, Setpoints: out})
	c.poll(c.dependents(i))
}

// rest lets channels not be read for now.
func (c *compiler) rest(channels []int) {
	var polled []Polled
	for _, i := range channels {
		if c.world.everyNs[i] > 0 {
			c.world.everyNs[i] = 0
			polled = append(polled, Polled{Channel: c.rig.Channels[i].Name})
		}
	}
	if len(polled) > 0 {
		c.emit(Action{Op: Record, Polled: polled})
	}
}

// sourceOff switches an output off.
func (c *compiler) sourceOff(s step) {
	i := c.meter(s.with)
	if i < 0 {
		c.doubtMeters()
		return
	}
	p := c.rig.Instruments[i].Profile
	o := p.Set(setOutput)
	c.begin()
	c.rest(c.dependents(i))
	if out := c.command(i, map[int]want{o: {state: p.Sets[o].State(stateOff)}}); len(out) > 0 {
		c.emit(Action{Op: Set, Setpoints: out})
	}
	c.electric()
}

// valueOf finds the value of a key.
func valueOf(n *yamltext.Node, key string) *yamltext.Node {
	if n == nil {
		return nil
	}
	for _, p := range n.Pairs {
		if p.Key.Text == key {
			return p.Value
		}
	}
	return nil
}

// electric works out what the specimen sees as things stand, if a source-meter
// drives it.
func (c *compiler) electric() {
	i := c.specimenMeter()
	c.world.watts = 0
	if i < 0 {
		return
	}
	p := c.rig.Instruments[i].Profile
	now := c.world.settings[i]
	o, f := p.Set(setOutput), p.Set(setFunction)
	if o < 0 || f < 0 || now[o].known && now[o].state != p.Sets[o].State(stateOn) || !now[f].known || now[f].state < 0 {
		return
	}
	function := p.Sets[f].States[now[f].state]
	dim, other := dimensionOf(function)
	k, l := p.Find(function, dim), p.Find(setCompliance, other)
	if k < 0 || l < 0 || !now[k].known || !now[l].known {
		return
	}
	v := value{Quantity: quantity.Quantity{Value: now[k].value, Unit: quantity.Best(now[k].value, dim)}, node: c.at, from: c.driven[i], name: function}
	if c.at.Text == "source" {
		v.node, v.from = c.driven[i], nil
	}
	c.world.watts = c.through(function, v, now[l].value)
}

// specimenMeter is the source-meter that the specimen is wired to, or -1.
func (c *compiler) specimenMeter() int {
	ch := c.rig.Channel(c.rig.Place.Resistance)
	if ch < 0 {
		return -1
	}
	i := c.rig.Channels[ch].Instrument
	if p := c.rig.Instruments[i].Profile; p.Set(setFunction) < 0 || p.Set(setOutput) < 0 || p.Set(inCurrent) < 0 {
		return -1
	}
	return i
}

// specimenDegC are the temperatures the specimen may have at this place of the
// plan. In between its resistance lies in between too.
func (c *compiler) specimenDegC() []float64 {
	all := []float64{}
	i := c.rig.Instrument(c.rig.Place.On)
	if i < 0 || c.world.moved {
		all = append(all, c.rig.AmbientDegC)
	}
	if i < 0 {
		return all
	}
	all = append(all, c.world.degC[i])
	p := c.rig.Instruments[i].Profile
	h, t := p.Set(setHeat), p.Set(setTemperature)
	if h < 0 || t < 0 {
		return all
	}
	heat, to := c.world.settings[i][h], c.world.settings[i][t]
	if to.known && (!heat.known || heat.state == p.Sets[h].State(stateOn)) && to.value != c.world.degC[i] {
		all = append(all, to.value)
	}
	return all
}

// through holds a level that goes through the specimen against compliance and
// limits, at every temperature the specimen may have, and returns the highest power.
func (c *compiler) through(function string, level value, compliance float64) (most float64) {
	if level.node == nil {
		return 0
	}
	for _, t := range c.specimenDegC() {
		ohm := c.specimen.ExpectedOhm(t)
		if !(ohm > 0) || math.IsNaN(t) {
			continue
		}
		high, low := ohm*(1+c.specimen.BandRel), ohm*(1-c.specimen.BandRel)
		size := math.Abs(level.Value)
		amps, volts, watts := size, size*high, size*size*high
		if function == inVoltage {
			amps, volts, watts = size/low, size, size*size/low
		}
		most = max(most, watts)
		c.peak.amps, c.peak.volts, c.peak.watts = max(c.peak.amps, amps), max(c.peak.volts, volts), max(c.peak.watts, watts)
		at := "at " + near(t, inDegC)
		if function == inCurrent && volts >= compliance && c.first(level, setCompliance) {
			c.wrongValue(level, "%s needs %s %s (%s and %g %% more), which the compliance of %s does not leave", near(level.Value, inAmpere),
				near(volts, inVolt), at, near(ohm, inOhm), 100*c.specimen.BandRel, near(compliance, inVolt))
		}
		if function == inVoltage && amps >= compliance && c.first(level, setCompliance) {
			c.wrongValue(level, "%s drives %s %s (%s and %g %% less), which the compliance of %s does not leave", near(level.Value, inVolt),
				near(amps, inAmpere), at, near(ohm, inOhm), 100*c.specimen.BandRel, near(compliance, inAmpere))
		}
		if function == inVoltage { // a level itself was held against its limits before
			c.inSpecimen(c.rig.Place.Current, amps, inAmpere, level, at)
		} else {
			c.inSpecimen(c.rig.Place.Voltage, volts, inVolt, level, at)
		}
		c.inSpecimen(c.rig.Place.Power, watts, inWatt, level, at)
	}
	return most
}

// first is whether nothing has been said of a level and something that it is too
// much for: one mistake is enough, at the first temperature that shows it.
func (c *compiler) first(level value, what string) bool {
	at := level.node
	if level.from != nil {
		at = level.from
	}
	key := said{at, what}
	if c.said[key] || c.muted != nil {
		return false
	}
	c.said[key] = true
	return true
}

// said is a value about which something was said.
type said struct {
	value *yamltext.Node
	what  string
}

// inSpecimen holds what the specimen sees against the limits on a channel.
func (c *compiler) inSpecimen(channel string, size float64, dim quantity.Dimension, level value, at string) {
	for _, b := range c.tightest(channel) {
		if b.Below == nil || size < *b.Below || !c.first(level, channel) {
			continue
		}
		c.wrongValue(level, "%s puts up to %s %s into the specimen, %s allows less than %s", near(level.Value, level.Unit.Dim), near(size, dim), at, b.who, c.written(b)).
			Note(b.Doc, b.Node, "the limit stands here")
		return
	}
}
