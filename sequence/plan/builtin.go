package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// This file adds the interlocks that hold for every bench, whether its rig file names
// them or not, by the kinds of its instruments. They stand in the plan as data, with
// their numbers and where those come from. Factors and spans without another source
// are common practice, no source.

// Heaters. A plate that is told to heat is behind by more than heatAboveK, gains
// heatByK within heatSlack times what it should take and heatSpare, or is broken. One
// that is told to stop goes on for twice its dead time (the second is for the lag of
// its own thermometer), and warmSpareK for noise and a controller's overshoot; a room
// in the morning sun warms by less than a hundredth of what the plate can do.
const (
	heatAboveK    = 5
	heatByK       = 2
	heatSlack     = 4
	heatSpareS    = 10
	warmSpareK    = 3
	driftOfRate   = 0.01
	frozenBehindK = 1  // the setpoint is above the reading by so much
	frozenMovedK  = 10 // or below it: a room may be warmer than the rig file says
	frozenSeenK   = 6  // or by so much, if the plate was that cold before: the room is not warmer then
	warmerK       = 3  // what lies on a plate that rests is no warmer than the plate, but for what both may be wrong
	followsMovedK = 5  // the plate has moved, and what lies on it must show that
	followsNs     = int64(clock.Minute)
)

// Thermometers at one place differ by what the specimen loses to the air, some 8 % of
// its temperature above ambient on the default slide of the virtual bench; by what
// both may be wrong; and for a while by its lag.
const (
	apartK        = 5
	apartOfExcess = 0.2
	apartNs       = int64(3 * clock.Minute)
)

// A restless reading repeats itself with a probability below 0.4 when its noise is its
// display step, so that restlessReadings equal ones in a row come by chance once in
// 1e16 (0.4^40).
const (
	restlessReadings = 40
	restlessNs       = int64(10 * clock.Second)
)

// watchNs is how often an instrument is asked after its health, beside after every
// change: often enough for a person who looks, seldom enough for the line.
const (
	watchNs      = int64(10 * clock.Second)
	watchLeastNs = int64(clock.Second)
)

// A source puts out its level but for what both its source and its meter may be wrong,
// of which only the meter's accuracy is promised: twice that, and twice more for a meter
// that was calibrated long ago in another room. On top comes drivenOf of the level,
// which does no harm: a setpoint stays as far from every limit (headroomRel). Where
// nothing is promised it is a tenth, and so many steps of the display.
const (
	drivenTimes    = 4
	drivenOf       = headroomRel
	drivenUnknown  = 0.1
	drivenDisplays = 10
)

func builtIn(name string) string { return "built-in: " + name }

// builtInNeeds makes sure that what the built-in interlocks look at is read.
func (c *compiler) builtInNeeds() {
	for _, name := range c.placeThermometers() {
		c.needs(c.rig.Channel(name))
	}
	for _, k := range c.rig.Contacts {
		c.needs(c.rig.Channel(k.Channel))
	}
	c.stageNeeds()
	for _, l := range c.specimen.Limits {
		switch p := c.rig.Place; {
		case l.Channel != "power" && l.Channel != "energy":
		case p.Power != "":
			c.needs(c.rig.Channel(p.Power))
		case p.Voltage != "" && p.Current != "":
			c.needs(c.rig.Channel(p.Voltage))
			c.needs(c.rig.Channel(p.Current))
		}
	}
}

// placeThermometers are the thermometers at the specimen's place that can be read all
// the time.
func (c *compiler) placeThermometers() []string {
	var all []string
	for _, name := range c.rig.Place.Temperature {
		if i := c.rig.Channel(name); i >= 0 && c.query(i).Needs == nil {
			all = append(all, name)
		}
	}
	return all
}

// builtInRules adds the rules.
func (c *compiler) builtInRules() {
	_, heaters := c.heaters("")
	for _, i := range heaters {
		c.heaterRules(i)
	}
	c.placeRules()
	c.specimenRules()
	c.stageRules()
	for _, w := range c.wanted {
		if ch := c.rig.Channels[w.channel]; w.wasAsked && ch.Through == "" && c.field(ch).Restless {
			c.plan.Rules.Frozen = append(c.plan.Rules.Frozen, safety.Frozen{Channel: ch.Name, Readings: restlessReadings,
				AfterNs: max(restlessNs, restlessReadings*w.mostNs), From: builtIn("frozen"),
				Source: fmt.Sprintf("its noise is above its last digit (%s), so %d equal readings in a row come by chance once in 1e16",
					c.rig.Instruments[ch.Instrument].Profile.Name, restlessReadings)})
		}
	}
	for _, k := range c.rig.Contacts {
		c.contactRule(k)
	}
	for i := range c.rig.Instruments {
		if c.inFlight(i) > 0 { // it is read
			c.watchRules(i)
		}
	}
}

func (c *compiler) field(ch rig.Channel) rig.Field {
	return c.rig.Instruments[ch.Instrument].Profile.Queries[ch.Query].Fields[ch.Field]
}

// heaterRules follow what a heater is told.
func (c *compiler) heaterRules(i int) {
	d, ch := c.rig.Instruments[i], c.rig.Channels[c.temperatureChannel(i)]
	h, r := d.Profile.HeatingOrUsual(), &c.plan.Rules
	source := fmt.Sprintf("rate %s/min and dead time %s, as is known of %s; the rest is common practice, no source",
		near(60*h.RateKPerS, inKelvin), near(h.DeadS, inSeconds), d.Profile.Name)
	if d.Profile.Heating == nil {
		source = fmt.Sprintf("nothing is known of %s: a slow plate, common practice, no source", d.Profile.Name)
	}
	by := max(heatByK, 4*ch.Display)
	r.HeatsNot = append(r.HeatsNot, safety.HeatsNot{Instrument: d.Name, Channel: ch.Name, AboveK: max(heatAboveK, 2*by), ByK: by,
		WithinNs: nanoseconds(2*h.DeadS + heatSlack*by/h.RateKPerS + heatSpareS), From: builtIn("heats not"), Source: source})
	r.KeepsWarming = append(r.KeepsWarming, safety.KeepsWarming{Instrument: d.Name, Channel: ch.Name,
		OvershootK: round12(warmSpareK + 2*h.DeadS*h.RateKPerS), DriftKPerS: round12(driftOfRate * h.RateKPerS),
		From: builtIn("keeps warming"), Source: source})
	lowest := c.rig.LowestDegC
	if c.rig.Cooling == "none" {
		lowest += leastAboveK
	}
	slowest := max(1/h.RateKPerS, h.CoolingS/frozenSeenK) // seconds for a kelvin, up and down
	r.Frozen = append(r.Frozen, safety.Frozen{Channel: ch.Name, Heater: d.Name, Lowest: lowest, BehindBy: max(frozenBehindK, 10*ch.Display), MovedBy: frozenMovedK, SeenBy: frozenSeenK,
		AfterNs: nanoseconds(2*h.DeadS + heatSlack*ch.Display*slowest + heatSpareS), From: builtIn("frozen"), Source: source})
}

func nanoseconds(s float64) int64 { return int64(math.Ceil(s * 1e9)) }

// placeRules compare the thermometers at the specimen's place.
func (c *compiler) placeRules() {
	names := c.placeThermometers()
	on := c.rig.Instrument(c.rig.Place.On)
	if on >= 0 && c.temperatureChannel(on) >= 0 {
		plate := c.rig.Channels[c.temperatureChannel(on)].Name
		for _, name := range names {
			if name != plate {
				c.plan.Rules.Frozen = append(c.plan.Rules.Frozen, safety.Frozen{Channel: name, Follows: plate, MovedBy: followsMovedK,
					AfterNs: followsNs, While: safety.OnPlate, From: builtIn("frozen"), Source: "common practice, no source"},
					safety.Frozen{Channel: plate, Below: name, MovedBy: warmerK,
						AfterNs: apartNs, While: safety.OnPlate, From: builtIn("frozen"), Source: "common practice, no source"})
			}
		}
	}
	by, of, lasting := c.apart()
	for k, a := range names {
		for _, b := range names[:k] {
			when := fmt.Sprintf("abs(%s - %s) > %s K + %s * (max(%s, %s) - %s)", b, a, quantity.AppendNumber(nil, by),
				quantity.AppendNumber(nil, of), b, a, degC(c.rig.AmbientDegC))
			c.plan.Rules.Interlocks = append(c.plan.Rules.Interlocks, safety.Interlock{Name: "thermometers disagree", When: when,
				While: safety.OnPlate, LastingNs: lasting, Then: "trip", From: builtIn("thermometers disagree"), Source: c.apartSource()})
		}
	}
}

// apart is how far thermometers at one place may differ: what is built in, or what
// the rig file tightens it to.
func (c *compiler) apart() (by, of float64, lasting int64) {
	by, of, lasting = apartK, apartOfExcess, apartNs
	a := c.rig.Apart
	looser := func(n *yamltext.Node, built string) {
		c.m.Add(c.rig.Doc, n, "this is looser than what is built in (%s)", built).Hint("limits only tighten: lower it, or leave it out")
	}
	if q := a.ByK; q != nil {
		if by = q.Value; by > apartK {
			looser(a.By, near(apartK, inKelvin))
		}
	}
	if q := a.OfExcess; q != nil {
		if of = q.Value; of > apartOfExcess {
			looser(a.Of, strconv.Itoa(100*apartOfExcess)+" %")
		}
	}
	if ns := a.LastingNs; ns != nil {
		if lasting = *ns; lasting > apartNs {
			looser(a.For, spanText(float64(apartNs)/1e9))
		}
	}
	return by, of, lasting
}

func (c *compiler) apartSource() string {
	if a := c.rig.Apart; a.By != nil || a.Of != nil || a.For != nil {
		return place(c.rig.Doc, valueOf(c.rig.Doc.Root, "thermometers disagree"))
	}
	return "common practice, no source"
}

// specimenRules hold what goes into the specimen against its limits, where the rig has
// no channel of its own for that.
func (c *compiler) specimenRules() {
	p := c.rig.Place
	first := c.sourced[c.specimenMeter()]
	for _, l := range c.specimen.Limits {
		c.unwatched(l, first)
		if l.Channel != "power" && l.Channel != "energy" || l.Below == nil {
			continue
		}
		from := place(l.Doc, l.Node)
		switch {
		case p.Power == "" && (p.Voltage == "" || p.Current == ""):
			if first != nil && !p.Lost {
				c.wrong(first, "the specimen has a limit on its %s, and nothing on this rig shows that", l.Channel).
					Note(l.Doc, l.Node, "the limit stands here").
					Note(c.rig.Doc, keyOf(c.rig.Doc.Root, "specimen place"), "power, or voltage and current, belong here")
			}
		case l.Channel == "energy":
			e := safety.Energy{Power: p.Power, BelowJ: *l.Below, From: from}
			if p.Power == "" {
				e.Voltage, e.Current = p.Voltage, p.Current
			}
			c.plan.Rules.Energy = append(c.plan.Rules.Energy, e)
			if c.tally.joules >= *l.Below {
				c.wrong(or(first, c.doc.Root), "the steps put about %s into the specimen, more than it bears", near(c.tally.joules, inJoule)).
					Note(l.Doc, l.Node, "its limit stands here")
			}
		case p.Power == "":
			watt, _ := inWatt.Canonical()
			c.plan.Rules.Interlocks = append(c.plan.Rules.Interlocks, safety.Interlock{Name: "power in the specimen",
				When:  fmt.Sprintf("abs(%s * %s) > %s", p.Voltage, p.Current, quantity.Quantity{Value: *l.Below, Unit: watt}),
				While: safety.Sourcing, LastingNs: l.LastingNs, Then: "trip", From: from, Source: from})
		}
	}
}

// unwatched refuses a limit of the specimen that would hold for no channel, where what it
// is about happens: a current when something is sourced, a temperature always.
func (c *compiler) unwatched(l rig.Limit, sourced *yamltext.Node) {
	p, at := c.rig.Place, sourced
	switch l.Channel {
	case "current":
		if p.Current != "" {
			return
		}
	case "voltage":
		if p.Voltage != "" {
			return
		}
	case "temperature":
		if len(p.Temperature) > 0 {
			return
		}
		at = c.doc.Root
	default:
		return
	}
	if at != nil && !p.Lost && valueOf(valueOf(c.rig.Doc.Root, "specimen place"), l.Channel) == nil {
		c.wrong(at, "the specimen has a limit on its %s, and nothing on this rig shows that", l.Channel).
			Note(l.Doc, l.Node, "the limit stands here").
			Note(c.rig.Doc, keyOf(c.rig.Doc.Root, "specimen place"), "the channel belongs here")
	}
}

// drives holds what a source puts out against the level it was told.
func (c *compiler) drives(l level) safety.Drives {
	d, ch := c.rig.Instruments[l.instrument], c.rig.Channels[c.levelChannel(l)]
	s := &d.Profile.Sets[l.set]
	x := safety.Drives{Instrument: d.Name, Quantity: s.Quantity, Channel: ch.Name, LastingNs: complianceNs, From: builtIn("drives another level"),
		Source: fmt.Sprintf("%d times the accuracy that %s promises and %g %% of the level: common practice, no source", drivenTimes, d.Profile.Name, 100*drivenOf)}
	for _, a := range d.Profile.Accuracies {
		if a.Quantity != ch.Quantity {
			continue
		}
		n := safety.Nearness{Of: round12(drivenOf + drivenTimes*a.OfReading), By: round12(drivenTimes * (a.Plus + a.Resolution))}
		if !math.IsInf(a.UpTo, 1) {
			n.UpTo, n.By = a.UpTo, round12(drivenTimes*(a.Plus+a.Resolution+float64(a.OfRange*a.UpTo)))
		}
		x.Within = append(x.Within, n)
	}
	slices.SortStableFunc(x.Within, func(a, b safety.Nearness) int { return cmp.Compare(orAny(a.UpTo), orAny(b.UpTo)) })
	if n := len(x.Within); n == 0 || x.Within[n-1].UpTo != 0 {
		x.Within = append(x.Within, safety.Nearness{Of: drivenUnknown, By: round12(drivenDisplays * ch.Display)})
	}
	return x
}

// orAny is the end of a range, that of one without an end being beyond all others.
func orAny(upTo float64) float64 {
	if upTo == 0 {
		return math.Inf(1)
	}
	return upTo
}

// contactRule makes an interlock of an outside contact.
func (c *compiler) contactRule(k rig.Contact) {
	number := func(v float64) []byte { return quantity.AppendNumber(nil, v) }
	c.plan.Rules.Interlocks = append(c.plan.Rules.Interlocks, safety.Interlock{
		Name: fmt.Sprintf("stop contact: %s must read %s", k.Channel, k.Word),
		When: fmt.Sprintf("not (%s < %s < %s)", number(k.Reads-0.5), k.Channel, number(k.Reads+0.5)),
		Then: "trip", From: place(c.rig.Doc, k.Node), Source: place(c.rig.Doc, k.Node)})
}

// watchRules have an instrument asked after its health: often enough for what the rig
// asks for, where it does.
func (c *compiler) watchRules(i int) {
	d, every := c.rig.Instruments[i], watchNs
	if act := c.rig.ActWithin; act > 0 {
		w := c.watched(i, 0)
		left := act - w.sampling - w.inFlight - w.link - clock.Instant(decisionNs) - c.action()
		every = max(watchLeastNs, min(every, int64(left)))
	}
	add := func(what string) {
		c.plan.Rules.Watched = append(c.plan.Rules.Watched, safety.Watched{Instrument: d.Name, For: what, EveryNs: every, From: builtIn(what)})
	}
	w := d.Profile.Watch
	resets := len(w.Settings) > 0
	for _, k := range w.Checks {
		resets = resets || len(k.Resets) > 0
	}
	if resets {
		add(rig.FoundReset)
	}
	if len(w.Checks) > 0 {
		add(rig.FoundFault)
	}
	if d.Profile.Errors != nil {
		add(rig.FoundErrors)
	}
}
