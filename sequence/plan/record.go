package plan

import (
	"fmt"
	"math"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// This file settles which channels are read and how often, and makes sure that the
// instruments have the time for it.

// wish is a channel that is to be read: because the protocol records it, or
// because a limit or an interlock is about it.
type wish struct {
	channel  int
	first    Polled        // at the beginning
	leastNs  int64         // the fastest it is read, over the whole plan
	mostNs   int64         // the slowest
	staleNs  int64         // the longest it may be silent
	typical  clock.Instant // of its exchange, at the slowest settings
	worst    clock.Instant
	node     *yamltext.Node // nil if the protocol does not name it
	later    bool           // it is not read from the start
	wasAsked bool           // some step reads it
	tooRare  bool           // which has been told
}

// unnamedEvery is how often a channel is read that only a limit or an interlock is
// about, when nothing else is read in the same exchange. A plate at full power warms
// by about a kelvin in that time.
const unnamedEvery = int64(clock.Second)

// gatherWishes reads the section record, and adds what the limits and the rig's
// interlocks need, and the temperature of whatever can heat.
func (c *compiler) gatherWishes(n *yamltext.Node) {
	for _, p := range c.pairs(n) {
		if i := c.channel(p.Key); i >= 0 {
			c.wish(i, c.rate(i, p.Value), p.Value)
		} else {
			c.time(p.Value)
		}
	}
	_, heaters := c.heaters("")
	for _, i := range heaters {
		c.needs(c.temperatureChannel(i))
	}
	for _, b := range c.rules.bounds {
		c.needs(c.rig.Channel(b.Channel))
	}
	for _, r := range c.rules.rates {
		c.needs(c.rig.Channel(r.Channel))
	}
	c.builtInNeeds()
	for _, n := range c.rig.Interlocks {
		for _, p := range n.Pairs {
			if p.Key.Text == "when" && p.Value.Kind == yamltext.Scalar {
				for _, i := range c.reads(expression{c.rig.Doc, p.Value, ""}) {
					c.needs(i)
				}
			}
		}
	}
	c.at = keyOf(c.doc.Root, "record")
	for i := range c.rig.Instruments {
		c.busy(i)
	}
	c.at = nil
}

// rate reads how often a channel is read.
func (c *compiler) rate(i int, n *yamltext.Node) int64 {
	every := c.time(n)
	if every == 0 {
		c.rateless[i] = true
		return unnamedEvery
	}
	return every
}

// wish notes a channel and its rate.
func (c *compiler) wish(i int, every int64, n *yamltext.Node) {
	c.world.wishNs[i] = every
	w := wish{channel: i, node: n, later: !c.isNow(i), leastNs: every, mostNs: every,
		first: Polled{Channel: c.rig.Channels[i].Name, EveryNs: every, StaleNs: c.staleNs(i, every)}}
	c.wanted = append(c.wanted, w)
	if !w.later {
		c.world.everyNs[i] = every
		c.asked(i, every)
	}
}

// asked notes that a channel is read from here on at a rate.
func (c *compiler) asked(i int, every int64) {
	w := c.wished(i)
	w.wasAsked = true
	w.leastNs, w.mostNs = min(w.leastNs, every), max(w.mostNs, every)
	w.staleNs = max(w.staleNs, c.staleNs(i, every))
	typical, worst := c.queryTime(i)
	w.typical, w.worst = max(w.typical, typical), max(w.worst, worst)
}

// wished is what is known of a channel that is to be read; nil for another one.
func (c *compiler) wished(i int) *wish {
	for k := range c.wanted {
		if c.wanted[k].channel == i {
			return &c.wanted[k]
		}
	}
	return nil
}

// isNow is whether a channel can be read as things stand.
func (c *compiler) isNow(i int) bool {
	yes, _ := c.world.holds(c.rig.Channels[i].Instrument, c.query(i).Needs)
	return yes
}

func (c *compiler) query(i int) *rig.Query {
	ch := c.rig.Channels[i]
	return &c.rig.Instruments[ch.Instrument].Profile.Queries[ch.Query]
}

// needs makes sure that a channel is read, if nobody asked for it: with the others
// of its exchange, which costs nothing, or every second.
func (c *compiler) needs(i int) {
	if i < 0 || c.world.wishNs[i] > 0 {
		return
	}
	every, ch := int64(0), c.rig.Channels[i]
	for _, w := range c.wanted {
		o := c.rig.Channels[w.channel]
		if o.Instrument == ch.Instrument && o.Query == ch.Query && (every == 0 || w.first.EveryNs < every) {
			every = w.first.EveryNs
		}
	}
	if every == 0 {
		every = unnamedEvery
		typical, _ := c.queryTime(i)
		for float64(typical) > float64(every)*mostBusy/2 {
			every += unnamedEvery
		}
	}
	c.wish(i, every, nil)
}

// queryTime is how long the exchange of a channel takes as its instrument is set.
func (c *compiler) queryTime(i int) (typical, worst clock.Instant) {
	ch := c.rig.Channels[i]
	return c.rig.Instruments[ch.Instrument].Profile.QueryTime(ch.Query, c.settings(ch.Instrument))
}

// settings are what the time of a measurement depends on, now.
func (c *compiler) settings(i int) rig.Settings {
	p := c.rig.Instruments[i].Profile
	s := p.Defaults()
	if k := p.Set(setIntegration); k >= 0 && c.world.settings[i][k].known {
		s.LineCycles = c.world.settings[i][k].value
	}
	if k := p.Set(setReverse); k >= 0 {
		now := c.world.settings[i][k]
		s.Reverse = !now.known || now.state == p.Sets[k].State(stateOn)
	}
	return s
}

// A channel counts as silent when three readings in a row are missing and the
// worst exchange besides, but not before 2 s. Common practice, no source.
const (
	missed     = 3
	leastStale = int64(2 * clock.Second)
)

func (c *compiler) staleNs(i int, every int64) int64 {
	_, worst := c.queryTime(i)
	return max(leastStale, missed*every+int64(worst))
}

// poll emits new rates for channels, and 0 for those that cannot be read now.
func (c *compiler) poll(channels []int) {
	var polled []Polled
	for _, i := range channels {
		every, was := c.world.wishNs[i], c.world.everyNs[i]
		if !c.isNow(i) {
			every = 0
		}
		if every == 0 && was == 0 {
			continue
		}
		c.world.everyNs[i] = every
		p := Polled{Channel: c.rig.Channels[i].Name, EveryNs: every}
		if every > 0 {
			p.StaleNs = c.staleNs(i, every)
			c.asked(i, every)
		}
		polled = append(polled, p)
	}
	if len(polled) > 0 {
		c.emit(Action{Op: Record, Polled: polled})
	}
}

// dependents are the wanted channels of an instrument that need a state to be read.
func (c *compiler) dependents(i int) []int {
	var all []int
	for _, w := range c.wanted {
		if c.rig.Channels[w.channel].Instrument == i && c.query(w.channel).Needs != nil {
			all = append(all, w.channel)
		}
	}
	return all
}

// polledNow are the channels that are read at this place of the plan.
func (c *compiler) polledNow() []safety.Stale {
	var all []safety.Stale
	for i, every := range c.world.everyNs {
		if every > 0 {
			all = append(all, safety.Stale{Channel: c.rig.Channels[i].Name, EveryNs: every, AfterNs: c.staleNs(i, every)})
		}
	}
	return all
}

// mostBusy is the part of an instrument's time that readings may take: the rest is
// for commands, for its error queue, and for answers slower than typical. Common
// practice, no source.
const mostBusy = 0.8

// busy makes sure that an instrument has the time for its readings.
func (c *compiler) busy(i int) {
	d := c.rig.Instruments[i]
	if c.world.doubtful[i] && d.Profile.Set(setIntegration) >= 0 {
		return // its readings take as long as nobody knows
	}
	total, parts, worst := 0.0, []string(nil), -1
	for q := range d.Profile.Queries {
		periods := c.periods(i, q)
		if len(periods) == 0 {
			continue
		}
		typical, _ := d.Profile.QueryTime(q, c.settings(i))
		first := c.named(periods[0].channel)
		name := c.rig.Channels[first].Name
		if every := periods[0].everyNs; int64(typical) > every {
			c.wrong(c.rateNode(first), "%s needs %s a reading, asked every %s", name, near(typical.Seconds(), inSeconds), near(float64(every)/1e9, inSeconds)).
				Hint(c.howSet(i))
			return
		}
		part := 0.0
		for _, p := range periods {
			part += float64(typical) / float64(p.everyNs)
		}
		total += part
		worst = first
		parts = append(parts, fmt.Sprintf("%s takes %.0f %%", name, 100*part))
	}
	if total > mostBusy {
		c.wrong(c.rateNode(worst), "%s is asked for more than it has time for: %s, and at most %.0f %% leave room for commands", d.Name,
			strings.Join(parts, ", "), 100*mostBusy).Hint(c.howSet(i))
	}
}

// named is the channel of the same exchange and rate that the protocol names, if it
// names one: people look for that.
func (c *compiler) named(channel int) int {
	for _, w := range c.wanted {
		if w.node != nil && c.query(w.channel) == c.query(channel) && c.world.everyNs[w.channel] == c.world.everyNs[channel] {
			return w.channel
		}
	}
	return channel
}

// howSet says what the time of an instrument's reading comes from.
func (c *compiler) howSet(i int) string {
	d, s := c.rig.Instruments[i], c.settings(i)
	if s.LineCycles == 0 {
		return "ask less often"
	}
	text := fmt.Sprintf("%s integrates over %g line cycles of %g Hz", d.Name, s.LineCycles, d.Profile.LineHz)
	if s.Reverse {
		text += ", once each way round"
	}
	return text + ": ask less often, or integrate less"
}

// period is a rate at which a query is made.
type period struct {
	channel int
	everyNs int64
}

// periods are the rates at which a query is made, the fastest first. Channels whose
// rate is a whole number of times slower come along.
func (c *compiler) periods(i, query int) []period {
	var all []period
	for ch, every := range c.world.everyNs {
		if o := c.rig.Channels[ch]; every == 0 || o.Instrument != i || o.Query != query {
			continue
		}
		at := 0
		for at < len(all) && all[at].everyNs <= every {
			at++
		}
		all = append(all[:at], append([]period{{ch, every}}, all[at:]...)...)
	}
	kept := all[:0]
	for _, p := range all {
		along := false
		for _, k := range kept {
			along = along || math.Mod(float64(p.everyNs), float64(k.everyNs)) == 0
		}
		if !along {
			kept = append(kept, p)
		}
	}
	return kept
}

// rateNode is where a channel's rate was given, or where we are.
func (c *compiler) rateNode(channel int) *yamltext.Node {
	for _, w := range c.wanted {
		if w.channel == channel && w.node != nil {
			return w.node
		}
	}
	return c.at
}

// recordStep changes the rates of channels.
func (c *compiler) recordStep(s step) {
	var changed []int
	for _, p := range c.pairs(s.with) {
		i := c.channel(p.Key)
		if i < 0 {
			c.time(p.Value)
			continue
		}
		if c.readEvery(i, p.Key, p.Value) {
			changed = append(changed, i)
		}
	}
	c.begin()
	c.poll(c.along(changed))
	for i := range c.rig.Instruments {
		c.busy(i)
	}
}

// readEvery wants a channel to be read at a rate from here on, if it can be read.
func (c *compiler) readEvery(i int, at, rate *yamltext.Node) bool {
	every := c.rate(i, rate)
	name := c.rig.Channels[i].Name
	if c.wished(i) == nil {
		c.wanted = append(c.wanted, wish{channel: i, later: true, leastNs: every, mostNs: every,
			first: Polled{Channel: name, EveryNs: every, StaleNs: c.staleNs(i, every)}})
	}
	c.wished(i).node = rate
	c.world.wishNs[i] = every
	if !c.isNow(i) {
		c.wrong(at, "%s cannot be read before its instrument is switched on by source", name)
		return false
	}
	return true
}

// along adds to channels whose rate was changed those of the same exchange that the
// protocol does not name: they are read with the fastest that it does.
func (c *compiler) along(changed []int) []int {
	all := changed
	for _, w := range c.wanted {
		if w.node != nil || !c.isNow(w.channel) {
			continue
		}
		fastest, touched := int64(0), false
		for _, o := range c.wanted {
			if o.node == nil || c.query(o.channel) != c.query(w.channel) || c.world.wishNs[o.channel] == 0 {
				continue
			}
			touched = touched || isOneOf(changed, o.channel)
			if every := c.world.wishNs[o.channel]; fastest == 0 || every < fastest {
				fastest = every
			}
		}
		if touched {
			c.world.wishNs[w.channel] = fastest
			all = append(all, w.channel)
		}
	}
	return all
}

// finishPolled puts down what is read from the start, and lets the first action
// hold back what cannot be read yet.
func (c *compiler) finishPolled() {
	held := &c.plan.Actions[0]
	for _, w := range c.wanted {
		if !w.wasAsked {
			if w.node != nil {
				c.wrong(w.node, "%s is never read: no step switches %s on", w.first.Channel, c.rig.Instruments[c.rig.Channels[w.channel].Instrument].Name).
					Hint("add a step source, or leave the channel out")
			}
			continue
		}
		c.plan.Polled = append(c.plan.Polled, w.first)
		c.plan.Rules.Stale = append(c.plan.Rules.Stale, safety.Stale{Channel: w.first.Channel, EveryNs: w.leastNs, AfterNs: w.staleNs})
		if w.later {
			held.Polled = append(held.Polled, Polled{Channel: w.first.Channel})
		}
	}
	if len(held.Polled) == 0 {
		c.plan.Actions = c.plan.Actions[1:]
		for i := range c.plan.Actions {
			if a := &c.plan.Actions[i]; a.Op == Again || a.Op == Life || a.Op == Cycle && a.When != "" {
				a.Jump--
			}
		}
	}
}
