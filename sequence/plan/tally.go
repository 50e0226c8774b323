package plan

import (
	"fmt"
	"math"
	"strconv"

	"dwell/drivers/quantity"
	"dwell/drivers/rig"
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
	links     float64 // lines of the chain
	events    float64
	joules    float64 // into the specimen
}

func (t tally) plus(u tally) tally {
	return tally{t.seconds + u.seconds, t.readings + u.readings, t.exchanges + u.exchanges, t.links + u.links, t.events + u.events, t.joules + u.joules}
}

func (t tally) minus(u tally) tally { return t.plus(u.times(-1)) }

func (t tally) times(n float64) tally {
	return tally{t.seconds * n, t.readings * n, t.exchanges * n, t.links * n, t.events * n, t.joules * n}
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
	for i := range c.world.restS {
		c.world.restS[i] += seconds
	}
	asked, exchanges := 0.0, 0.0 // a second
	for i := range c.rig.Instruments {
		if i == busy {
			continue
		}
		for q := range c.rig.Instruments[i].Profile.Queries {
			for _, p := range c.periods(i, q) {
				rate := 1e9 / float64(p.everyNs)
				asked += rate
				if c.settings(i).Reverse && c.rig.Instruments[i].Profile.Queries[q].Reversal != nil {
					rate *= exchangesReversed
				}
				exchanges += rate
			}
		}
	}
	for ch, every := range c.world.everyNs {
		if every > 0 && c.rig.Channels[ch].Instrument != busy {
			c.tally.readings += seconds * 1e9 / float64(every)
		}
	}
	c.tally.exchanges += seconds * exchanges
	c.tally.links += seconds * (written(asked) + written(exchanges))
}

// written is how many times a second something new is found in a file at a sync, of what
// comes at a rate and without an order.
func written(rate float64) float64 { return syncsPerSecond * (1 - math.Exp(-rate/syncsPerSecond)) }

// talks lets an exchange with an instrument take its time, while everything is read.
func (c *compiler) talks(t rig.Talk) {
	c.tally.exchanges += float64(t.Exchanges)
	c.spend(t.Takes.Seconds())
}

// setTime is how long it takes to send setpoints.
func (c *compiler) setTime(all []Setpoint) (t rig.Talk) {
	for _, s := range all {
		p := c.rig.Instruments[c.rig.Instrument(s.Instrument)].Profile
		k, state := p.Set(s.Quantity), -1
		if s.State != "" {
			state = p.Sets[k].State(s.State)
		} else {
			u, _ := quantity.LookUp(s.Unit)
			k = p.Find(s.Quantity, u.Dim)
		}
		if k < 0 {
			continue // a mistake that has been told
		}
		t = t.Plus(p.SetTime(k, state))
	}
	return t
}

// noted counts the events of an action, and lets time pass that it takes by itself.
func (c *compiler) noted(a Action) {
	switch a.Op {
	case Begin, Arrive, Until, Mark, Note, Person, Place, Lift:
		c.tally.events++
	case Set:
		c.tally.events += float64(len(a.Setpoints))
		c.talks(c.setTime(a.Setpoints))
	case Confirm, Sweep:
		c.tally.events += float64(len(a.Setpoints) + len(a.Values) + 2)
	}
}

// prepared is the time before the first step: every instrument, one after the other.
func (c *compiler) prepared() {
	for _, d := range c.rig.Instruments {
		t := d.Profile.PrepareTime()
		c.tally.exchanges += float64(t.Exchanges)
		c.tally.seconds += t.Takes.Seconds()
		c.tally.events++
	}
}

// madeSafe is the time after the last step: everything is switched off at once, and what
// heats is seen to cool. Only what needs no output is read meanwhile.
func (c *compiler) madeSafe() {
	longest := 0.0
	for i, d := range c.rig.Instruments {
		t := d.Profile.SafeTypical()
		c.tally.exchanges += float64(t.Exchanges)
		c.tally.events++
		s := t.Takes.Seconds()
		if ch := c.temperatureChannel(i); c.heated[i] && ch >= 0 {
			degC := c.world.aimDegC[i]
			if math.IsNaN(degC) {
				degC = c.peak.degC
			}
			s += safety.CoolsTypically(d.Profile.HeatingOrUsual(), c.rig.Channels[ch].Display, c.rig.AmbientDegC, degC).Seconds()
			c.tally.events++
		}
		for _, ch := range c.dependents(i) {
			c.world.everyNs[ch] = 0
		}
		longest = max(longest, s)
	}
	c.spend(longest)
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

// What a run folder takes, in bytes, as measured on the examples: a reading is a row of
// readings.csv, an exchange a line of wire.jsonl, an event one of events.jsonl, and the
// chain has a line for each file that was written to when it is synced; aligned.csv has a
// row for each time the fastest channel is read, with a cell for every channel; figures and
// report, run.json, seal.json and the descriptions of the columns are the rest. A reversed reading is four
// exchanges: reading, level, reading, level back.
const (
	bytesPerReading   = 71
	bytesPerExchange  = 176
	bytesPerEvent     = 90
	bytesPerLink      = 92
	bytesPerCell      = 11
	bytesBesides      = 40_000
	bytesReported     = 20      // of figures.json and report.html, for a reading,
	bytesOfReport     = 400_000 // up to this
	syncsPerSecond    = 2
	exchangesReversed = 4
)

// folderBytes is the size of all files of a run folder.
func (c *compiler) folderBytes() float64 {
	t, p := c.tally, c.plan
	bytes := bytesBesides + min(bytesOfReport, t.readings*bytesReported) + t.readings*bytesPerReading + t.exchanges*bytesPerExchange + t.events*bytesPerEvent + t.links*bytesPerLink
	fastest := int64(math.MaxInt64)
	for _, x := range p.Polled {
		fastest = min(fastest, x.EveryNs)
	}
	bytes += t.seconds * 1e9 / float64(fastest) * float64((len(p.Polled)+1)*bytesPerCell)
	for _, d := range []*yamltext.Document{c.doc, c.rig.Doc, c.specimen.Doc} {
		if d != nil {
			bytes += float64(len(d.Text))
		}
	}
	kept := map[string]bool{}
	for _, d := range c.rig.Instruments {
		if !kept[d.Profile.Name] {
			kept[d.Profile.Name], bytes = true, bytes+float64(len(d.Profile.Text))
		}
	}
	if c.m.Len() == 0 {
		if text, err := WriteJSON(p); err == nil {
			bytes += float64(len(text))
		}
	}
	return bytes
}

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
	for _, l := range c.levels {
		r.Drives = append(r.Drives, c.drives(l))
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
	steps := c.tally.seconds
	c.madeSafe()
	c.tended()
	s.DurationNs = countable(c.tally.seconds)
	s.Readings = int64(min(c.tally.readings, 1e15))
	s.HighestDegC = max(c.peak.degC, c.rig.AmbientDegC)
	s.HighestAmps, s.HighestVolts, s.HighestWatts = c.peak.amps, c.peak.volts, c.peak.watts
	ends := t["ends"]
	if most := c.plan.AtMostNs; most > 0 && steps > float64(most)/1e9 {
		c.wrong(valueOf(ends, "at most"), "the steps take about %s, longer than this", spanText(steps))
	}
	s.CoolingNs = c.cooling(valueOf(ends, "off and cool by"))
	c.finishReactions()
	c.finishMeasured()
	s.Bytes = int64(round3(min(c.folderBytes(), 1e17)))
}

// tended counts what is asked besides readings, over the whole run: the health of the
// instruments, and their watchdogs.
func (c *compiler) tended() {
	often := map[string]int64{}
	for _, w := range c.plan.Rules.Watched {
		if had := often[w.Instrument]; had == 0 || w.EveryNs < had {
			often[w.Instrument] = w.EveryNs
		}
	}
	for i, d := range c.rig.Instruments {
		if every := often[d.Name]; every > 0 {
			c.tally.exchanges += c.tally.seconds * 1e9 / float64(every) * float64(d.Profile.WatchTime().Exchanges)
		}
		if w := d.Profile.Watchdog; w != nil && c.heated[i] && w.FeedEvery > 0 {
			c.tally.exchanges += c.tally.seconds / w.FeedEvery.Seconds() * float64(d.Profile.FeedTime().Exchanges)
		}
	}
}

// round3 rounds to three digits: more of them would only pretend to be known.
func round3(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 2, 64), 64)
	if err != nil {
		return v
	}
	return r
}

// cooling is how long the bench needs, with everything off, from the highest temperature until it is
// cool, whenever it is stopped.
func (c *compiler) cooling(offBy *yamltext.Node) int64 {
	if c.peak.degC <= c.plan.CoolDegC {
		return 0
	}
	longest := 0.0
	_, heaters := c.heaters("")
	for _, i := range heaters {
		s := c.cools(i, c.peak.degC, c.plan.CoolDegC)
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
