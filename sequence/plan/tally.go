package plan

import (
	"fmt"
	"math"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/safety/condition"
)

// This file adds up what a plan will take: time, readings, room on the disk.

// tally is what has been used up to a place of the plan.
type tally struct {
	seconds   float64
	readings  float64
	exchanges float64
	joules    float64 // into the specimen
}

func (t tally) plus(u tally) tally {
	return tally{t.seconds + u.seconds, t.readings + u.readings, t.exchanges + u.exchanges, t.joules + u.joules}
}

func (t tally) minus(u tally) tally { return t.plus(u.times(-1)) }

func (t tally) times(n float64) tally {
	return tally{t.seconds * n, t.readings * n, t.exchanges * n, t.joules * n}
}

// peak is the most that anything sees.
type peak struct{ degC, amps, volts, watts float64 }

// spend lets time pass: channels are read.
func (c *compiler) spend(seconds float64) { c.spendBut(-1, seconds) }

// spendBut lets time pass while an instrument is used for something else.
func (c *compiler) spendBut(busy int, seconds float64) {
	if !(seconds > 0) || math.IsInf(seconds, 1) {
		return
	}
	c.tally.seconds += seconds
	c.tally.joules += seconds * c.world.watts
	for i := range c.rig.Instruments {
		if i == busy {
			continue
		}
		for q := range c.rig.Instruments[i].Profile.Queries {
			for _, p := range c.periods(i, q) {
				n := seconds * 1e9 / float64(p.everyNs)
				if c.settings(i).Reverse && c.rig.Instruments[i].Profile.Queries[q].Reversal != nil {
					n *= exchangesReversed
				}
				c.tally.exchanges += n
			}
		}
	}
	for ch, every := range c.world.everyNs {
		if every > 0 && c.rig.Channels[ch].Instrument != busy {
			c.tally.readings += seconds * 1e9 / float64(every)
		}
	}
}

// gap notes how long the channels of an instrument are not read.
func (c *compiler) gap(i int, seconds float64) {
	g := Gap{Line: c.at.Pos.Line, DurationNs: int64(seconds * 1e9)}
	for ch, every := range c.world.everyNs {
		if every > 0 && c.rig.Channels[ch].Instrument == i {
			g.Channels = append(g.Channels, c.rig.Channels[ch].Name)
		}
	}
	for _, known := range c.plan.Summary.Gaps {
		if known.Line == g.Line {
			return
		}
	}
	if len(g.Channels) > 0 {
		c.plan.Summary.Gaps = append(c.plan.Summary.Gaps, g)
	}
}

// What a run folder takes, in bytes, as measured on the staircase of the examples: a
// reading is a row of readings.csv and a cell of aligned.csv; an exchange is a line
// of wire.jsonl; the chain has up to six lines a second; the rest is input files,
// plan, events, metadata. A reversed reading is four exchanges: level, reading, level
// back, reading.
const (
	bytesPerReading   = 75 + 20
	bytesPerExchange  = 175
	bytesPerSecond    = 362
	bytesBesides      = 60_000
	exchangesReversed = 4
)

// finishRules puts down what the gate will hold the run to.
func (c *compiler) finishRules() {
	r := &c.plan.Rules
	r.Limits = c.limits()
	for _, b := range c.rules.rates {
		r.Rates = append(r.Rates, b.Rate)
		c.rateKnown(b)
	}
	for _, x := range c.rules.interlocks {
		c.judgeable(x)
		r.Interlocks = append(r.Interlocks, x.Interlock)
	}
	for i, d := range c.rig.Instruments {
		if c.sourced[i] != nil {
			r.Compliance = append(r.Compliance, safety.Compliance{Instrument: d.Name, LastingNs: complianceNs, From: builtIn("in compliance")})
		}
	}
	c.builtInRules()
}

// finishWaits compiles what is waited for once more, as the run will: with the
// fastest rates of the whole plan.
func (c *compiler) finishWaits() {
	for _, x := range c.waits {
		if _, faults := condition.Compile(x.text, safety.Vocabulary(c.rig.Channels, c.plan.Rules.Stale)); len(faults) > 0 {
			c.m.Add(x.doc, x.node, "at the fastest that its channels are read: %s", faults[0].Text).Hint(faults[0].Hint)
		}
	}
}

// rateKnown makes sure that the window of a limit on a rate holds readings enough,
// at the slowest that its channel is read.
func (c *compiler) rateKnown(b ratebound) {
	w := c.wished(c.rig.Channel(b.Channel))
	if w == nil || c.rateless[w.channel] || b.WindowNs == 0 || b.Below == 0 {
		return
	}
	text := fmt.Sprintf("rate(%s, %s s) > %s", b.Channel, quantity.AppendSeconds(nil, b.WindowNs), slope(c.rig.Channels[w.channel].Unit.Dim))
	polled := []safety.Stale{{Channel: b.Channel, EveryNs: w.mostNs, AfterNs: w.staleNs}}
	if _, faults := condition.Compile(text, safety.Vocabulary(c.rig.Channels, polled)); len(faults) > 0 {
		c.wrong(b.node, "%s", faults[0].Text).Hint(faults[0].Hint)
	}
}

// slope is one unit of a quantity a second, as an expression takes it.
func slope(d quantity.Dimension) string {
	d = difference(d).Div(inSeconds)
	u, _ := d.Canonical()
	return quantity.Quantity{Value: 1, Unit: u}.String()
}

// limits keeps of all limits those that no other makes superfluous, side by side.
func (c *compiler) limits() []safety.Limit {
	var all []safety.Limit
	add := func(l safety.Limit) {
		for _, o := range all {
			if o.Channel == l.Channel && o.LastingNs <= l.LastingNs &&
				(l.Below != nil && o.Below != nil && *o.Below <= *l.Below || l.Above != nil && o.Above != nil && *o.Above >= *l.Above) {
				return
			}
		}
		all = append(all, l)
	}
	for k := len(c.rules.bounds) - 1; k >= 0; k-- { // the last to speak is the tightest
		b := c.rules.bounds[k]
		from := place(b.Doc, b.Node)
		if b.Below != nil {
			add(safety.Limit{Channel: b.Channel, Below: b.Below, LastingNs: b.LastingNs, From: from})
		}
		if b.Above != nil {
			add(safety.Limit{Channel: b.Channel, Above: b.Above, LastingNs: b.LastingNs, From: from})
		}
	}
	return all
}

// finishSummary adds up.
func (c *compiler) finishSummary(t map[string]*yamltext.Node) {
	s := &c.plan.Summary
	s.DurationNs = int64(min(c.tally.seconds, 9e9) * 1e9)
	s.Readings = int64(min(c.tally.readings, 1e15))
	bytes := c.tally.readings*bytesPerReading + c.tally.exchanges*bytesPerExchange + c.tally.seconds*bytesPerSecond
	s.Bytes = int64(min(bytes, 1e17)) + bytesBesides
	s.HighestDegC = max(c.peak.degC, c.rig.AmbientDegC)
	s.HighestAmps, s.HighestVolts, s.HighestWatts = c.peak.amps, c.peak.volts, c.peak.watts
	ends := t["ends"]
	if most := c.plan.AtMostNs; most > 0 && s.DurationNs > most {
		c.wrong(valueOf(ends, "at most"), "the steps take about %s, longer than this", spanText(c.tally.seconds))
	}
	s.CoolingNs = c.cooling(valueOf(ends, "off and cool by"))
	c.finishReactions()
	c.finishMeasured()
}

// cooling is how long the bench needs from the highest temperature until it is
// cool, whenever it is stopped.
func (c *compiler) cooling(offBy *yamltext.Node) int64 {
	if c.peak.degC <= c.plan.CoolDegC {
		return 0
	}
	longest := 0.0
	_, heaters := c.heaters("")
	for _, i := range heaters {
		s := c.takes(i, c.peak.degC, c.plan.CoolDegC, 0)
		if c.heatingOf(i) == nil && offBy != nil {
			c.wrong(offBy, "nothing is known of how fast %s cools", c.rig.Instruments[i].Name).
				Hint("add heating: {rate: …, dead time: …, cooling time constant: …} to it in the rig file")
		}
		if !math.IsInf(s, 1) {
			longest = max(longest, s)
		}
	}
	return int64(longest * 1e9)
}
