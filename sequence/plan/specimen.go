package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// This file makes the steps that are about the specimen: making sure that it is the
// right one, laying it down and lifting it, sweeping it; and those for a person.

// Defaults of confirm. Common practice, no source: a microampere heats no film that
// can be handled, nor do ten microwatts; 5 % leave room for thermal voltages in contacts
// that are ohmic; where the meter itself may make a difference of more than 10 %, that
// there is none says little. Four fifths of a limit keep the distance from it.
const (
	harmlessA      = 1e-6
	harmlessW      = 1e-5
	mostOffset     = 0.1
	shareOfLimit   = 0.8
	asymmetry      = 0.05
	settleNs       = int64(200 * clock.Millisecond)
	leastCompliant = 0.1 // V
)

// personS is how long a person who stands there and is ready takes to answer: what the
// virtual one takes on average. Nobody knows how long a real one does.
const personS = 2

// personNs is how long a person is waited for, unless the protocol says otherwise.
const personNs = int64(30 * clock.Minute)

// confirmStep makes sure of the specimen: its id, its resistance, the same both ways.
func (c *compiler) confirmStep(s step) {
	c.world.confirmed = true // or what is wrong with this step would be said of every heat, too
	i := c.specimenMeter()
	others := []string{"wires", setIntegration}
	if i >= 0 {
		others = slices.DeleteFunc(extras(c.rig.Instruments[i].Profile), func(name string) bool { return name == setReverse })
	} else if !c.rig.Place.Lost && !c.rig.Excused(c.rig.Place.Resistance) {
		c.wrong(s.verb, "the rig does not say which channel is the specimen's resistance").
			Note(c.rig.Doc, keyOf(c.rig.Doc.Root, "specimen place"), "it belongs here")
	}
	t := c.table(s.with, append([]string{"!specimen", "resistance within", inCurrent, "compliance", "symmetric within", "at most"}, others...)...)
	check, ok := c.check(t, s.verb)
	most := c.patience(t["at most"])
	if first := c.sourced[i]; first != nil {
		c.wrong(s.verb, "the specimen is confirmed after a current has gone through it").Note(c.doc, first, "source stands before it here")
	}
	if i < 0 {
		return
	}
	p := c.rig.Instruments[i].Profile
	wants, ok2 := c.setUp(i, inCurrent, t)
	if !ok || !ok2 {
		return
	}
	if k := p.Set(setReverse); k >= 0 {
		wants[k] = want{state: p.Sets[k].State(stateOff)}
	}
	current := value{Quantity: amperes(check.CurrentA), node: or(t[inCurrent], s.verb)}
	limit := value{Quantity: volts(check.LimitV), node: or(t["compliance"], s.verb)}
	if !c.wantLevels(i, wants, inCurrent, current, limit) {
		return
	}
	c.through(inCurrent, current, check.LimitV)
	check.Instrument, check.Channel = c.rig.Instruments[i].Name, c.rig.Place.Resistance
	c.begin()
	out := c.command(i, wants)
	c.spend(personS)
	c.emit(Action{Op: Confirm, Confirm: check, Setpoints: out, DurationNs: settleNs, AtMostNs: most})
	o := p.Set(setOutput)
	c.world.settings[i][o] = setting{known: true, state: p.Sets[o].State(stateOff)} // the step itself does that
	c.world.settings[i][p.Set(inCurrent)].known = false
	c.confirming(i, out, check)
	c.throughLeads(i, check, s.verb)
}

// leadsOhm is what leads and electrodes of a printed film may add to what is read of it
// with two wires. A rule of thumb, no source; the virtual bench's add 31 Ohm.
const leadsOhm = 30

// throughLeads warns of a confirmation with two wires of a film whose band is narrower than
// what leads and contacts may add to it.
func (c *compiler) throughLeads(i int, check *Check, verb *yamltext.Node) {
	p := c.rig.Instruments[i].Profile
	k := p.Set("wires")
	if k < 0 || c.world.settings[i][k].state != p.Sets[k].State("2") {
		return
	}
	expected := (check.LowOhm + check.HighOhm) / 2
	if spare := check.HighOhm - expected; spare < leadsOhm {
		c.warn(verb, "confirm reads %s with two wires, and only %s of leads and contacts are inside its band (%s to %s); they are often up to %s: read it with wires: 4, if %s is wired so",
			near(expected, inOhm), near(spare, inOhm), near(check.LowOhm, inOhm), near(check.HighOhm, inOhm), near(leadsOhm, inOhm), c.rig.Instruments[i].Name)
	}
}

// confirming lets the time of a confirm pass: the settings and a reading, the level
// turned round and a reading, and the output off.
func (c *compiler) confirming(i int, out []Setpoint, check *Check) {
	p := c.rig.Instruments[i].Profile
	typical, _ := c.queryTime(c.rig.Channel(check.Channel))
	k, o := p.Set(inCurrent), p.Set(setOutput)
	t := c.setTime(out).Plus(p.SetTime(k, -1)).Plus(p.SetTime(o, p.Sets[o].State(stateOff)))
	c.tally.readings += 2
	c.tally.exchanges += float64(t.Exchanges + 2)
	c.spendBut(i, t.Takes.Seconds()+2*(float64(settleNs)/1e9+typical.Seconds()))
}

// check reads what is made sure of.
func (c *compiler) check(t map[string]*yamltext.Node, verb *yamltext.Node) (*Check, bool) {
	expected := c.specimen.ExpectedOhm(c.rig.AmbientDegC)
	k := &Check{Specimen: c.text(t["specimen"]), CurrentA: c.harmless(expected), Asymmetry: asymmetry}
	if k.Specimen != c.specimen.ID && k.Specimen != "" && c.specimen.ID != "" {
		c.wrong(t["specimen"], "the protocol is about %q, the specimen file about %q", k.Specimen, c.specimen.ID).
			Note(c.specimen.Doc, valueOf(c.specimen.Doc.Root, "specimen"), "its id stands here")
	}
	band := c.specimen.BandRel
	if n := t["resistance within"]; n != nil {
		if given := c.positive(n, plain); given > band && band > 0 {
			c.wrong(n, "%s is wider than the band of the specimen (%g %%)", asShare(n.Text, given), 100*band).
				Note(c.specimen.Doc, valueOf(valueOf(c.specimen.Doc.Root, "film"), "within"), "the band stands here").Hint(asPercent(n.Text, given))
		} else if given > 0 {
			band = given
		}
	}
	if n := t["symmetric within"]; n != nil {
		k.Asymmetry = c.positive(n, plain)
	}
	if n := t[inCurrent]; n != nil {
		k.CurrentA = c.positive(n, inAmpere)
	}
	if i := c.specimenMeter(); i >= 0 && t["symmetric within"] == nil {
		own := offsets(c.rig.Instruments[i].Profile, k.CurrentA, expected)
		if k.Asymmetry += round12(own); own > mostOffset {
			c.wrong(or(t[inCurrent], verb), "at %s the offset of %s itself may make a difference of %.2g %% between both ways round of %s: a contact that conducts one way only would not be seen",
				near(k.CurrentA, inAmpere), c.rig.Instruments[i].Name, 100*own, near(expected, inOhm)).
				Hint("give confirm a larger current: that this specimen stands, or say symmetric within:")
		}
	}
	k.LowOhm, k.HighOhm = round12(expected*(1-band)), round12(expected*(1+band))
	k.LimitV = max(leastCompliant, math.Ceil(20*k.CurrentA*k.HighOhm)/10) // twice what it should need
	if n := t["compliance"]; n != nil {
		k.LimitV = c.positive(n, inVolt)
	}
	return k, t["specimen"] != nil && k.CurrentA > 0 && k.LimitV > 0 && k.LowOhm > 0
}

// harmless is the current of a confirmation that names none: the least one at which the
// meter's own offset is small beside the reading, as far as the limits leave room.
func (c *compiler) harmless(ohm float64) float64 {
	i := c.specimenMeter()
	if i < 0 || !(ohm > 0) {
		return harmlessA
	}
	place, most := c.rig.Place, ohm*(1+c.specimen.BandRel)
	amps := harmlessA
	for _, next := range []float64{2e-6, 5e-6, 1e-5, 2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 5e-3, 1e-2} {
		if offsets(c.rig.Instruments[i].Profile, amps, ohm) <= mostOffset || next*next*most > harmlessW ||
			!c.leavesRoom(place.Current, next) || !c.leavesRoom(place.Voltage, next*most) || !c.leavesRoom(place.Power, next*next*most) {
			break
		}
		amps = next
	}
	return amps
}

// leavesRoom is whether a size keeps its distance from all limits on a channel.
func (c *compiler) leavesRoom(channel string, size float64) bool {
	return !slices.ContainsFunc(c.tightest(channel), func(b bound) bool { return b.Below != nil && size > shareOfLimit**b.Below })
}

// asShare is what somebody wrote, and what it means where that is not plain to see.
func asShare(text string, given float64) string {
	if strings.Contains(text, "%") {
		return text
	}
	return fmt.Sprintf("%s means %g %%, which", text, round12(100*given))
}

// asPercent is for somebody who wrote a percentage as a number.
func asPercent(text string, given float64) string {
	if given < 1 || strings.Contains(text, "%") {
		return ""
	}
	return "write " + text + " %"
}

// offsets is how much the resistance may differ between both ways round by what the
// instrument itself may be wrong: an offset adds one way and takes away the other.
func offsets(p *rig.Profile, amps, ohm float64) float64 {
	part := func(quantity string, size float64) float64 {
		var best *rig.Accuracy // of the smallest range that it fits in
		for k := range p.Accuracies {
			if a := &p.Accuracies[k]; a.Quantity == quantity && a.UpTo >= size && (best == nil || a.UpTo < best.UpTo) {
				best = a
			}
		}
		switch {
		case best == nil || !(size > 0):
			return 0
		case best.OfRange == 0:
			return best.Plus / size
		}
		return (best.Plus + best.OfRange*best.UpTo) / size
	}
	return 2 * (part(inVoltage, amps*ohm) + part(inCurrent, amps))
}

func amperes(v float64) quantity.Quantity {
	u, _ := quantity.LookUp("A")
	return quantity.Quantity{Value: v, Unit: u}
}

func volts(v float64) quantity.Quantity {
	u, _ := quantity.LookUp("V")
	return quantity.Quantity{Value: v, Unit: u}
}

func or(a, b *yamltext.Node) *yamltext.Node {
	if a != nil {
		return a
	}
	return b
}

// patience is how long a person is waited for.
func (c *compiler) patience(n *yamltext.Node) int64 {
	if n == nil {
		return personNs
	}
	return c.time(n)
}

// alone refuses what needs a person where there is none.
func (c *compiler) alone(n *yamltext.Node) {
	if c.quiet == 0 {
		c.plan.Summary.NeedsPerson = true
	}
	if !c.plan.Unattended {
		return
	}
	x := c.wrong(n, "this needs a person, and the run is unattended")
	if at := valueOf(c.doc.Root, "unattended"); at != nil {
		x.Note(c.doc, at, "as is said here")
	}
}

// ask waits for a person.
func (c *compiler) ask(s step) {
	text, most := s.with, personNs
	if s.with.Kind == yamltext.Mapping {
		t := c.table(s.with, "!to", "at most")
		text, most = t["to"], c.patience(t["at most"])
	}
	c.alone(s.verb)
	a := Action{Op: Person, Text: c.text(text), AtMostNs: most}
	c.begin()
	c.emit(a)
	c.spend(personS)
}

// onsetNs is how long before and after a movement its onset is looked for, at least.
// Common practice, no source.
const (
	onsetNs       = int64(10 * clock.Second)
	onsetReadings = 8 // on either side
)

// move lays the specimen down or lifts it.
func (c *compiler) move(s step) {
	keys := []string{"by", "t0", "at most"}
	a := Action{Op: Place}
	if s.name == "lift" {
		a.Op, keys = Lift, append(keys, "!to")
	}
	t := c.table(s.with, keys...)
	if n := t["to"]; n != nil {
		a.To = c.word(n, "place for the specimen", "air", "moving air", "cold block")
	}
	a.AtMostNs = c.patience(t["at most"])
	isMover := c.mover(&a, t["by"], s)
	c.momentZero(&a, t["t0"])
	c.world.moved = true
	if !isMover {
		return
	}
	c.begin()
	c.emit(a)
	if a.By == "person" {
		c.spend(personS)
	}
	c.talks(c.setTime(a.Setpoints))
	for k := range c.rig.Instruments {
		c.disturb(k, 0, c.world.aimDegC[k])
	}
	if a.T0 == "onset" {
		c.spend(2 * float64(a.DurationNs) / 1e9)
	}
	c.electric()
}

// mover reads who moves the specimen.
func (c *compiler) mover(a *Action, n *yamltext.Node, s step) bool {
	a.By = c.rig.Place.MovedBy
	if n != nil {
		known := []string{"person"}
		for _, d := range c.rig.Instruments {
			if d.Profile.Set(rig.SetPlace) >= 0 {
				known = append(known, d.Name)
			}
		}
		if a.By = ""; !c.rig.Excused(n.Text) {
			a.By = c.word(n, "one who moves a specimen on this rig", known...)
		}
	} else if a.By == "" && !c.rig.Place.Lost {
		c.wrong(s.verb, "the rig does not say who moves the specimen").
			Note(c.rig.Doc, keyOf(c.rig.Doc.Root, "specimen place"), "it belongs here")
	}
	if a.By == "person" {
		c.alone(or(n, s.verb))
		return true
	}
	if a.By == "" || c.rig.Excused(a.By) || a.Op == Lift && a.To == "" {
		return false
	}
	i := c.rig.Instrument(a.By)
	k, to := c.rig.Instruments[i].Profile.Set(rig.SetPlace), a.To
	if a.Op == Place {
		to = "plate"
	}
	if k < 0 || c.rig.Instruments[i].Profile.Sets[k].State(to) < 0 {
		c.wrong(or(n, s.verb), "%s cannot move a specimen to %q", a.By, to)
		return false
	}
	a.Setpoints = c.command(i, map[int]want{k: {state: c.rig.Instruments[i].Profile.Sets[k].State(to)}})
	return true
}

// momentZero reads from what the moment of the movement is known.
func (c *compiler) momentZero(a *Action, n *yamltext.Node) {
	if a.By == "person" {
		a.T0 = "key"
	}
	if n == nil {
		return
	}
	if n.Kind == yamltext.Scalar {
		if word := c.word(n, "moment", "key"); word != "" && a.By != "person" && a.By != "" {
			c.wrong(n, "nobody presses a key when %s moves the specimen", a.By)
		}
		return
	}
	t := c.table(n, "contact", "onset of")
	switch contact, onset := t["contact"], t["onset of"]; {
	case contact != nil && onset != nil:
		c.wrong(onset, "the moment is known from one thing").Note(c.doc, contact, "and from this")
	case contact != nil:
		if x, ok := c.expression(contact); ok {
			a.T0, a.When = "contact", x.text
			c.awaited(x, a.AtMostNs, nil)
		}
	case onset != nil:
		i := c.channel(onset)
		if i < 0 {
			return
		}
		every := c.world.everyNs[i]
		if every == 0 && !c.rateless[i] {
			c.wrong(onset, "%s is not read then", onset.Text).Hint("record it; a source-meter is read from source on")
		}
		a.T0, a.Channel, a.DurationNs = "onset", onset.Text, max(onsetNs, onsetReadings*every)
	case t != nil && len(t) == len(n.Pairs): // or another key is meant to be one
		c.wrong(n, "contact or onset of is missing here")
	}
}

// sweep drives the specimen through a list of levels and reads at each. Meanwhile
// the instrument is not read by the clock.
func (c *compiler) sweep(s step) {
	t := c.table(s.with, "!instrument", inCurrent, inVoltage, "settle", "!read")
	i := c.meter(t["instrument"])
	function, n := c.level(t, s.with)
	dim, other := dimensionOf(function)
	settle := settleNs
	if t["settle"] != nil {
		settle = c.time(t["settle"])
	}
	values := c.values(n)
	channels, query := c.sweptChannels(i, t["read"])
	a := Action{Op: Sweep, Channels: channels, DurationNs: settle}
	for _, v := range values {
		if v.Unit.Dim != dim && function != "" {
			c.wrongValue(v, "%s is expected here, not %s", describe(dim), v.Quantity)
			return
		}
	}
	if i < 0 || function == "" {
		return
	}
	p, now := c.rig.Instruments[i].Profile, c.world.settings[i]
	k, l := p.Find(function, dim), p.Find(setCompliance, other)
	if !c.sourcing(i, function) || k < 0 || l < 0 {
		c.wrong(s.verb, "%s does not source a %s when this sweep begins", c.rig.Instruments[i].Name, function).Hint("a step source sets it up")
		return
	}
	for _, v := range values {
		c.allowed(i, k, v)
		if i == c.specimenMeter() && now[l].known {
			c.through(function, v, now[l].value)
		}
		a.Values = append(a.Values, v.Value)
	}
	if len(channels) == 0 || len(values) == 0 || c.world.doubtful[i] {
		return
	}
	c.begin()
	c.swept(i, k, a, query)
}

// sourcing is whether an instrument sources a current or a voltage as things stand, or
// may do so for all that is known.
func (c *compiler) sourcing(i int, function string) bool {
	p, now := c.rig.Instruments[i].Profile, c.world.settings[i]
	f, o := p.Set(setFunction), p.Set(setOutput)
	on := now[o].known && now[o].state == p.Sets[o].State(stateOn)
	return c.world.doubtful[i] || on && now[f].known && now[f].state == p.Sets[f].State(function)
}

// sweptChannels reads what is read at each level: channels that come in one
// exchange.
func (c *compiler) sweptChannels(i int, n *yamltext.Node) (names []string, query int) {
	items := []*yamltext.Node{n}
	if n == nil {
		return nil, 0
	}
	if n.Kind == yamltext.Sequence {
		items = c.items(n)
	}
	for _, item := range items {
		ch := c.channel(item)
		if ch < 0 {
			continue
		}
		o := c.rig.Channels[ch]
		if o.Instrument != i && i >= 0 {
			c.wrong(item, "%s is not read by %s", item.Text, c.rig.Instruments[i].Name)
			continue
		}
		if len(names) > 0 && o.Query != query {
			c.wrong(item, "%s does not come in the same answer as %s", item.Text, names[0]).Hint("sweep once for each")
			continue
		}
		names, query = append(names, item.Text), o.Query
	}
	if len(items) == 0 {
		c.wrong(n, "nothing is read here")
	}
	return names, query
}

// swept takes a sweep down, between what has to be changed for it and back.
func (c *compiler) swept(i, k int, a Action, query int) {
	p := c.rig.Instruments[i].Profile
	level := c.world.settings[i][k]
	r := p.Set(setReverse)
	if c.muted != nil && (!level.known || r >= 0 && !c.world.settings[i][r].known) {
		c.muted.Add(c.doc, c.at, "%s is not set the same in every pass of this loop when the sweep begins", c.rig.Instruments[i].Name).
			Hint("put a step source before it, inside the loop")
	}
	var back map[int]want
	if r >= 0 {
		was := c.world.settings[i][r]
		if out := c.command(i, map[int]want{r: {state: p.Sets[r].State(stateOff)}}); len(out) > 0 {
			c.emit(Action{Op: Set, Setpoints: out})
			back = map[int]want{r: {state: was.state}}
		}
	}
	a.Setpoints = []Setpoint{c.setpoint(i, k, want{value: a.Values[0]})}
	c.emit(a)
	typical, _ := p.QueryTime(query, c.settings(i))
	set := p.SetTime(k, -1)
	took := float64(len(a.Values)) * (float64(a.DurationNs)/1e9 + (set.Takes + typical).Seconds())
	c.tally.readings += float64(len(a.Values) * len(a.Channels))
	c.tally.exchanges += float64((1 + set.Exchanges) * len(a.Values))
	c.spendBut(i, took)
	c.gap(i, took)
	if back == nil {
		back = map[int]want{}
	}
	back[k] = want{value: level.value}
	if out := c.command(i, back); len(out) > 0 {
		c.emit(Action{Op: Set, Setpoints: out})
	}
}
