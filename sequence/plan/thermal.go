package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/safety/condition"
)

// This file knows how long heating and cooling take, and makes the steps that use
// heat. The model is as simple as what is known of a plate: after a dead time it
// heats at a steady rate, or cools towards the ambient with one time constant, until its
// controller closes in on the set temperature, with a time constant of its own: from
// where that is slower.

// Words for what is commanded (see the profiles).
const (
	setHeat        = "heat"
	setTemperature = "temperature"
	stateOn        = "on"
	stateOff       = "off"
)

// Arrival is being within arriveWithin for arriveFor, unless the protocol says
// otherwise. Common practice, no source.
const (
	arriveWithinK = 0.5
	arriveForNs   = int64(10e9)
)

// leastAbove is how far above the ambient a plate without cooling must be held: it
// gets nearer and nearer to the ambient and never there. Common practice, no source.
const leastAboveK = 1

// heaters are the instruments that can be brought to a temperature.
func (c *compiler) heaters(suffix string) (keys []string, instruments []int) {
	for i, d := range c.rig.Instruments {
		if d.Profile.Set(setTemperature) >= 0 && d.Profile.Set(setHeat) >= 0 && c.temperatureChannel(i) >= 0 {
			keys, instruments = append(keys, d.Name+suffix), append(instruments, i)
		}
	}
	return keys, instruments
}

// heaterKeys are the keys for heaters in a table, with those for heaters that could not
// be read: they are instrument -1.
func (c *compiler) heaterKeys(n *yamltext.Node, suffix string) (keys []string, instruments []int) {
	keys, instruments = c.heaters(suffix)
	for _, p := range n.Pairs {
		if name, is := strings.CutSuffix(p.Key.Text, suffix); is && c.rig.Excused(name) {
			keys, instruments = append(keys, p.Key.Text), append(instruments, -1)
		}
	}
	return keys, instruments
}

// heater finds the one heater that a step names by a key such as "plate to".
func (c *compiler) heater(n *yamltext.Node, suffix string, others ...string) (i int, at *yamltext.Node, t map[string]*yamltext.Node) {
	keys, instruments := c.heaterKeys(n, suffix)
	isOther := slices.ContainsFunc(n.Pairs, func(p yamltext.Pair) bool { // which is a mistake already
		return strings.HasSuffix(p.Key.Text, suffix) && !isIn(keys, p.Key.Text)
	})
	if len(keys) == 0 && !c.rig.Lost() {
		c.wrong(c.at, "this rig has nothing that heats")
		return -1, nil, nil
	}
	t = c.table(n, append(keys, others...)...)
	i = -1
	for k, key := range keys {
		if t[key] == nil {
			continue
		}
		if at != nil {
			c.wrong(t[key], "one step brings one instrument to a temperature").Hint("use two steps, the first without waiting: true")
			return -1, nil, t
		}
		i, at = instruments[k], t[key]
	}
	if at == nil && t != nil && !isOther && len(keys) > 0 &&
		!slices.ContainsFunc(keys, func(k string) bool { return yamltext.IsMisspelt(n, append(keys, others...), k) }) {
		c.wrong(n, "%q is missing here", keys[0]).Hint("write it as in " + keys[0] + ": 30 degC")
	}
	return i, at, t
}

// doubtHeat notes that a heater was to be heated; i is below 0 when it is not known
// which.
func (c *compiler) doubtHeat(i int) {
	if !c.world.confirmed {
		c.heatsEarly()
	}
	for k := range c.rig.Instruments {
		if k == i || i < 0 && c.rig.Instruments[k].Profile.Set(setHeat) >= 0 {
			c.doubt(k)
		}
	}
}

// bring takes a plate to a temperature and waits until it is there.
func (c *compiler) bring(s step) {
	i, at, t := c.heater(s.with, " to", "within", "for", "at most", "then wait", "without waiting")
	to, ok := c.value(at, inDegC)
	within, held := arriveWithinK, arriveForNs
	if t["within"] != nil {
		within = c.positive(t["within"], inKelvin)
	}
	if t["for"] != nil {
		held = c.time(t["for"])
	}
	most, wait := c.time(t["at most"]), c.time(t["then wait"])
	leave := c.flag(t["without waiting"])
	for _, key := range []string{"within", "for", "at most", "then wait"} {
		if leave && t[key] != nil {
			c.wrong(t[key], "%q belongs to a bring that waits", key).Note(c.doc, t["without waiting"], "this one does not")
		}
	}
	if !leave && t != nil && t["at most"] == nil && !yamltext.IsMisspelt(s.with, []string{"at most"}, "at most") {
		c.wrong(s.verb, "how long this may take is missing").Hint("add at most: 30 min")
	}
	if i < 0 || !ok {
		c.doubtHeat(i)
		return
	}
	c.allowed(i, c.rig.Instruments[i].Profile.Set(setTemperature), to)
	c.reachable(i, to)
	c.begin()
	c.heat(i, to)
	c.electric()
	if leave {
		c.disturb(i, c.way(i, to.Value, arriveWithinK), to.Value)
		return
	}
	channel := c.temperatureChannel(i)
	c.arrivable(channel, t["within"], within)
	c.fits(i, to, within, held, most, t["at most"])
	c.emit(Action{Op: Arrive, Channel: c.rig.Channels[channel].Name, Target: to.Value, Within: within, DurationNs: held, AtMostNs: most})
	if c.heatingOf(i) == nil {
		c.spend(float64(most) / 1e9) // nothing is known of it
	}
	c.spend(c.way(i, to.Value, within) + float64(held)/1e9)
	c.disturb(i, -float64(held)/1e9, to.Value)
	c.world.degC[i] = to.Value
	c.electric()
	if wait > 0 {
		c.emit(Action{Op: Wait, DurationNs: wait})
		c.spend(float64(wait) / 1e9)
	}
}

// temperatureChannel is what shows the temperature of a heater.
func (c *compiler) temperatureChannel(i int) int {
	d := c.rig.Instruments[i]
	bounds := d.Profile.BoundedBy(setTemperature)
	for k, ch := range c.rig.Channels {
		if ch.Instrument == i && ch.Through == "" && (ch.Quantity == bounds || bounds == "" && ch.Quantity == setTemperature) {
			return k
		}
	}
	return -1
}

// heat sends the setpoint and switches heat on.
func (c *compiler) heat(i int, to value) {
	p := c.rig.Instruments[i].Profile
	k := p.Set(setHeat)
	out := c.command(i, map[int]want{
		p.Set(setTemperature): {value: to.Value},
		k:                     {state: p.Sets[k].State(stateOn)}})
	c.emit(Action{Op: Set, Setpoints: out})
	c.peak.degC = max(c.peak.degC, to.Value)
}

// arrivable refuses a band in which the display itself cannot rest.
func (c *compiler) arrivable(channel int, n *yamltext.Node, within float64) {
	ch := c.rig.Channels[channel]
	if least := 2 * ch.Display; within < least*(1-1e-9) {
		if n == nil {
			n = c.at
		}
		c.wrong(n, "the band is below two digits of what %s shows (%s)", ch.Name, near(least, inKelvin))
	}
}

// reachable refuses temperatures that this bench never gets to.
func (c *compiler) reachable(i int, to value) {
	lowest, ambient := c.rig.LowestDegC, keyOf(c.rig.Doc.Root, "ambient")
	switch uncooled := c.rig.Cooling == "none"; {
	case !uncooled && to.Value < lowest:
		c.wrongValue(to, "%s cannot be reached: this rig cools to %s", to.Quantity, degC(lowest)).Note(c.rig.Doc, ambient, "as is said here")
	case uncooled && to.Value < lowest:
		c.wrongValue(to, "%s cannot be reached: the ambient is %s and this rig has no cooling", to.Quantity, degC(lowest)).
			Note(c.rig.Doc, ambient, "as is said here")
	case uncooled && to.Value < lowest+leastAboveK:
		c.wrongValue(to, "%s cannot be reached in any time: the ambient is %s, without cooling nothing comes nearer to it than %s", to.Quantity,
			degC(lowest), near(leastAboveK, inKelvin)).Note(c.rig.Doc, ambient, "as is said here")
	}
}

// keyOf finds a key of a table.
func keyOf(n *yamltext.Node, key string) *yamltext.Node {
	if n == nil {
		return nil
	}
	for _, p := range n.Pairs {
		if p.Key.Text == key {
			return p.Key
		}
	}
	return nil
}

// heatingOf is what is known of how a heater heats and cools; nil for nothing.
func (c *compiler) heatingOf(i int) *rig.Heating { return c.rig.Instruments[i].Profile.Heating }

// takes is how long a heater needs from one temperature to another, in s; 0 if
// nothing is known of it, +Inf if it never gets there.
func (c *compiler) takes(i int, from, to, within float64) float64 {
	h := c.heatingOf(i)
	switch {
	case h == nil || math.Abs(to-from) <= within:
		return 0
	case to > from:
		left := within
		if h.ApproachS > 0 {
			left = min(max(within, h.RateKPerS*h.ApproachS), to-from)
		}
		return h.DeadS + (to-from-left)/h.RateKPerS + approach(h, left, within)
	}
	left := within // of the way, from where the controller holds against the cooling
	if above := to - c.coldest(); h.ApproachS > 0 && above > 0 {
		left = from - to
		if h.CoolingS > h.ApproachS {
			left = min(max(within, above*h.ApproachS/(h.CoolingS-h.ApproachS)), left)
		}
	}
	return c.cools(i, from, to+left) + approach(h, left, within)
}

// soonest is takes with a controller that loses no time at the end of the way: what
// cannot be done in less is refused.
func (c *compiler) soonest(i int, from, to, within float64) float64 {
	h := c.heatingOf(i)
	switch {
	case h == nil || math.Abs(to-from) <= within:
		return 0
	case to > from:
		return h.DeadS + (to-from)/h.RateKPerS
	}
	return c.cools(i, from, to+within)
}

// approach is how long the last of the way takes, in s.
func approach(h *rig.Heating, left, within float64) float64 {
	if !(left > within) {
		return 0
	}
	return h.ApproachS * math.Log(left/within)
}

// cools is how long a heater needs to cool from one temperature to another with the heat
// off, in s; +Inf if it never gets there.
func (c *compiler) cools(i int, from, to float64) float64 {
	h := c.heatingOf(i)
	if h == nil || from <= to {
		return 0
	}
	end := c.coldest()
	if to <= end {
		return math.Inf(1)
	}
	return h.DeadS + h.CoolingS*math.Log((from-end)/(to-end))
}

// coldest is where a heater ends up with the heat off.
func (c *compiler) coldest() float64 {
	if c.rig.Cooling != "none" {
		return min(c.rig.AmbientDegC, c.rig.LowestDegC)
	}
	return c.rig.AmbientDegC
}

// fits refuses a ceiling that is too low for the way.
func (c *compiler) fits(i int, to value, within float64, held, most int64, n *yamltext.Node) {
	from := c.world.degC[i]
	s := c.soonest(i, from, to.Value, within) + float64(held)/1e9
	if c.heatingOf(i) == nil || from == to.Value {
		return
	}
	if most == 0 || n == nil || !(s > float64(most)/1e9) || math.IsInf(s, 1) {
		return
	}
	h, word := c.heatingOf(i), "heating"
	known := fmt.Sprintf("%s, and %s before it begins", near(h.RateKPerS*60, inKelvin)+"/min", near(h.DeadS, inSeconds))
	if to.Value < from {
		word, known = "cooling", fmt.Sprintf("time constant %s, ambient %s", spanText(h.CoolingS), degC(c.rig.AmbientDegC))
	}
	c.wrong(n, "%s from %s to %s takes about %s (%s), longer than this", word, degC(from), to.Quantity, spanText(s), known)
}

// ramp moves a setpoint at a steady rate.
func (c *compiler) ramp(s step) {
	i, at, t := c.heater(s.with, " from", "!to", "!at")
	from, ok1 := c.value(at, inDegC)
	to, ok2 := c.value(t["to"], inDegC)
	rate := c.positive(t["at"], inKPerS)
	if i < 0 {
		c.doubtHeat(i)
		return
	}
	p := c.rig.Instruments[i].Profile
	set := p.Set(setTemperature)
	for _, v := range []value{from, to} {
		c.allowed(i, set, v)
		c.reachable(i, v)
	}
	if !ok1 || !ok2 || rate == 0 {
		c.doubtHeat(i)
		return
	}
	if now := c.world.degC[i]; now != from.Value && now == now {
		c.wrongValue(from, "%s is not at %s when this ramp begins", c.rig.Instruments[i].Name, from.Quantity).
			Hint("bring it there first")
	}
	if from.Value == to.Value {
		c.wrongValue(to, "this ramp goes nowhere")
		return
	}
	c.follows(i, from.Value, to.Value, rate, t["at"])
	c.begin()
	c.heat(i, from)
	every := renewal(rate, p.Sets[set].Format)
	target := c.setpoint(i, set, want{value: to.Value})
	c.world.settings[i][set] = setting{known: true, value: to.Value}
	c.emit(Action{Op: Ramp, Setpoints: []Setpoint{target}, From: from.Value, RatePerS: rate, EveryNs: every})
	c.peak.degC = max(c.peak.degC, to.Value)
	c.world.degC[i] = to.Value
	length := math.Abs(to.Value-from.Value) / rate
	c.tally.exchanges += float64(p.SetTime(set, -1).Exchanges) * length * 1e9 / float64(every)
	c.tally.events += length * 1e9 / float64(every)
	c.spend(length)
	c.disturb(i, 0, to.Value)
	c.electric()
	if length > longest {
		c.wrong(t["at"], "this ramp takes %s", spanText(length))
	}
}

// follows refuses a ramp that the plate cannot keep up with.
func (c *compiler) follows(i int, from, to, rate float64, n *yamltext.Node) {
	h := c.heatingOf(i)
	if h == nil {
		return
	}
	most, word := h.RateKPerS, "heats"
	if to < from {
		most, word = (to-c.rig.AmbientDegC)/h.CoolingS, "cools at "+degC(to).String()
	}
	if rate > most && c.rig.Cooling == "none" {
		c.wrong(n, "%s %s at %s/min at most", c.rig.Instruments[i].Name, word, near(most*60, inKelvin))
	}
}

// renewal is how often a ramp's setpoint is sent again: when it has moved by what
// can be set, but not more than once a second.
func renewal(rate float64, f rig.NumberFormat) int64 {
	step := 0.1
	if !f.Scientific {
		step = math.Pow(10, -float64(f.Decimals))
	}
	const slowest = 60
	return int64(math.Ceil(min(max(step/rate, 1), slowest)) * 1e9)
}

// hold waits for a time, or until something is so.
func (c *compiler) hold(s step) {
	if s.with.Kind == yamltext.Scalar {
		d := c.time(s.with)
		c.begin()
		c.emit(Action{Op: Wait, DurationNs: d})
		c.spend(float64(d) / 1e9)
		return
	}
	if n := keyOf(s.with, "for"); n != nil && keyOf(s.with, "until") == nil {
		c.wrong(n, "a hold for a time is written without a table").Hint("write it as in hold: 2 min")
		return
	}
	t := c.table(s.with, "!until", "at most", "otherwise")
	most := c.time(t["at most"])
	if t["at most"] == nil && t != nil && !yamltext.IsMisspelt(s.with, []string{"at most"}, "at most") {
		c.wrong(s.with, "how long this may take is missing").Hint("add at most: 15 min")
	}
	goOn := false
	if n := t["otherwise"]; n != nil {
		goOn = c.word(n, "thing to do otherwise", "go on", "stop") == "go on"
	}
	if t["until"] == nil {
		return
	}
	x, ok := c.expression(t["until"])
	if !ok {
		return
	}
	done := c.awaited(x, most, t["at most"])
	c.begin()
	c.emit(Action{Op: Until, When: x.text, AtMostNs: most, GoOn: goOn})
	if i, needs, degC, ok := c.passes(done); ok {
		c.spend(min(needs, float64(most)/1e9))
		c.world.degC[i] = degC // from there it goes on to wherever it is told next
		return
	}
	c.spend(min(c.until(done), float64(most)/1e9))
}

// passes is how long a heater on its way needs until a condition about its own temperature
// holds, in s, and where it turns when it is told to turn then. ok is false for anything
// else.
func (c *compiler) passes(x *condition.Condition) (i int, s, degC float64, ok bool) {
	if x == nil || len(x.Reads()) != 1 || x.Window() > 0 {
		return 0, 0, 0, false
	}
	channel := x.Reads()[0]
	i = c.rig.Channels[channel].Instrument
	from, aim, left := c.world.degC[i], c.world.aimDegC[i], -c.world.restS[i]
	if !c.heated[i] || channel != c.temperatureChannel(i) || !(left > 0) {
		return 0, 0, 0, false
	}
	const parts = 200
	for k := range parts + 1 {
		at := from + (aim-from)*float64(k)/parts
		m := condition.NewMemory(safety.Vocabulary(c.rig.Channels, c.polledNow()), x)
		m.Observe(channel, 0, at, true)
		if x.Eval(m, 0, 0) != condition.True {
			continue
		}
		gone := c.takes(i, from, aim, arriveWithinK) - left
		s = max(0, c.takes(i, from, aim, max(math.Abs(aim-at), arriveWithinK))-gone)
		if h := c.law(i); aim > from {
			at = min(aim, h.After(c.rig.AmbientDegC, at, h.DeadS)) // its controller lets it go no further
		}
		return i, s, at, true
	}
	return 0, 0, 0, false
}

// disturb notes that an instrument is on its way to a temperature, for so long.
func (c *compiler) disturb(i int, s, aimDegC float64) {
	if math.IsNaN(s) || math.IsInf(s, 0) {
		s = 0
	}
	if k := math.Abs(aimDegC - c.world.aimDegC[i]); k > 0 {
		c.world.stepK[i] = k
	}
	c.world.restS[i], c.world.aimDegC[i] = -s, aimDegC
}

// way is how long a heater still needs to a temperature, in s.
func (c *compiler) way(i int, to, within float64) float64 {
	from, aim, left := c.world.degC[i], c.world.aimDegC[i], -c.world.restS[i]
	switch {
	case aim == to && left > 0:
		return left
	case left <= 0:
		from = aim
	}
	return c.takes(i, from, to, within)
}

// followsS is the time constant with which what lies on a plate follows it: nine tenths
// in a minute, for a film on a glass slide. Common practice, no source.
const followsS = 26

// until is how long a condition is waited for, in s: until what it is about has come to
// rest, and its window is full of that.
func (c *compiler) until(x *condition.Condition) float64 {
	if x == nil {
		return 0
	}
	need, window := 0.0, float64(x.Window())/1e9
	for i := range c.rig.Instruments {
		reads, others := false, false
		for _, ch := range x.Reads() {
			reads = reads || c.rig.Channels[ch].Instrument == i
			others = others || ch != c.temperatureChannel(i)
		}
		switch {
		case c.heated[i] && others && window > 0:
			lag := followsS * math.Log(max(1, c.world.stepK[i]/arriveWithinK))
			need = max(need, lag+window-c.world.restS[i])
		case c.heated[i] || reads:
			need = max(need, window-c.world.restS[i])
		}
	}
	return need
}

// awaited checks a condition that is waited for.
func (c *compiler) awaited(x expression, most int64, n *yamltext.Node) *condition.Condition {
	done := c.condition(x, c.polledNow())
	if done == nil {
		return nil
	}
	if c.muted == nil && !slices.ContainsFunc(c.waits, func(w expression) bool { return w.text == x.text }) {
		c.waits = append(c.waits, x)
	}
	if n != nil && most > 0 && done.Window() > most {
		c.wrong(n, "the condition looks back over %s, which is longer than this", spanText(float64(done.Window())/1e9))
	}
	return done
}
