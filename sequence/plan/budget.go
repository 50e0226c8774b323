package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/safety"
	"dwell/safety/condition"
)

// This file adds up how long it takes at worst from a fault to a safe bench: until the
// next reading, through a line on which another exchange is just coming to nothing,
// and until the last safe command has been obeyed; and how far a heater that is stuck
// at full power gets in that time. One fault at a time: the line to make safe works, and
// what is told to be off, or has its mains cut, goes off.

// decisionNs is what a busy computer may take to judge and to begin to send. On an
// idle one it is well below a millisecond. A rule of thumb, no source.
const decisionNs = int64(100 * clock.Millisecond)

// way is how a fault is seen and acted on.
type way struct{ sampling, inFlight, link clock.Instant }

// lasting is the way of what must last: seen at the next reading only, and seen to have
// lasted at the next one after.
func (w way) lasting(ns int64) way {
	if ns > 0 {
		w.sampling *= 2
	}
	return w
}

func (w way) and(v way) way {
	return way{max(w.sampling, v.sampling), max(w.inFlight, v.inFlight), max(w.link, v.link)}
}

// seen is the way by which a reading of a channel comes.
func (c *compiler) seen(channel int) way {
	w := c.wished(channel)
	if w == nil {
		return way{}
	}
	i := c.rig.Channels[channel].Instrument
	link := w.worst
	if l := c.rig.Instruments[i].Longest; l != nil {
		link = max(w.typical, l.Takes+c.rig.Instruments[i].Profile.Line.Pause)
	}
	return way{clock.Instant(w.mostNs), c.inFlight(i), link}
}

// inFlight is how long an instrument's line can be taken by an exchange that comes to
// nothing.
func (c *compiler) inFlight(i int) clock.Instant {
	longest := clock.Instant(0)
	for _, w := range c.wanted {
		if w.wasAsked && c.rig.Channels[w.channel].Instrument == i {
			longest = max(longest, rig.Patience(w.worst))
		}
	}
	return longest
}

// watched is the way by which something is seen that is asked for every so often.
func (c *compiler) watched(i int, every int64) way {
	if w := c.fastest(i); w != nil {
		every += w.mostNs // it is asked along with this one
	}
	return way{clock.Instant(every), c.inFlight(i), c.rig.Instruments[i].Profile.HealthTime()}
}

// readWhile is when channels are read: always, or only while an output is on.
func (c *compiler) readWhile(channels ...int) string {
	for _, ch := range channels {
		if n := c.query(ch).Needs; n != nil && isOutputOn(c.rig.Instruments[c.rig.Channels[ch].Instrument].Profile, n) {
			return safety.Sourcing
		}
	}
	return ""
}

// action is how long making safe takes until everything is off, all instruments at
// once.
func (c *compiler) action() clock.Instant {
	longest := clock.Instant(0)
	for _, d := range c.rig.Instruments {
		longest = max(longest, d.Profile.SafeTime())
	}
	return longest
}

// pauseAction is how long a pause takes until the outputs are off: one after the other.
func (c *compiler) pauseAction(p *safety.Pause) clock.Instant {
	t := clock.Instant(0)
	for i, d := range c.rig.Instruments {
		if c.sourced[i] != nil || d.Name == p.Heater {
			t += c.inFlight(i) + d.Profile.CommandTime()
		}
	}
	return t
}

// reaction adds one to the summary.
func (c *compiler) reaction(r Reaction, w way, action clock.Instant) *Reaction {
	r.SamplingNs, r.InFlightNs, r.LinkNs = int64(w.sampling), int64(w.inFlight), int64(w.link)
	r.DecisionNs, r.ActionNs, r.Never = decisionNs, int64(action), c.neverArmed(r.While)
	if r.Then == "warn" {
		r.ActionNs = 0
	}
	r.TotalNs = r.SamplingNs + r.InFlightNs + r.LinkNs + r.DecisionNs + r.ActionNs
	all := &c.plan.Summary.Reactions
	*all = append(*all, r)
	return &(*all)[len(*all)-1]
}

// finishReactions works out those of all rules.
func (c *compiler) finishReactions() {
	r, safe := &c.plan.Rules, c.action()
	for i, l := range r.Limits {
		ch := c.rig.Channel(l.Channel)
		text := func(word string, v float64) string {
			return l.Channel + " " + word + " " + near(v, c.rig.Channels[ch].Unit.Dim)
		}
		if l.Below != nil {
			x := c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfLimitBelow, Index: i}, Rule: text("below", *l.Below), From: l.From, While: c.readWhile(ch), Then: "trip", HoldsNs: l.LastingNs}, c.seen(ch).lasting(l.LastingNs), safe)
			c.overshoot(x, ch, *l.Below)
		}
		if l.Above != nil {
			c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfLimitAbove, Index: i}, Rule: text("above", *l.Above), From: l.From, While: c.readWhile(ch), Then: "trip", HoldsNs: l.LastingNs}, c.seen(ch).lasting(l.LastingNs), safe)
		}
	}
	for i, l := range r.Rates {
		ch := c.rig.Channel(l.Channel)
		text := fmt.Sprintf("%s changes slower than %s/min", l.Channel, near(60*l.Below, difference(c.rig.Channels[ch].Unit.Dim)))
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfRate, Index: i}, Rule: text, From: l.From, While: c.readWhile(ch), Then: "trip", HoldsNs: l.WindowNs}, c.seen(ch), safe)
	}
	for i, x := range r.Interlocks {
		c.interlockReaction(x, safety.Ref{Kind: safety.OfInterlock, Index: i}, safe)
	}
	c.silenceReactions(safe)
	for i, x := range r.Compliance {
		w := way{}
		for _, k := range c.wanted {
			if ch := c.rig.Channels[k.channel]; k.wasAsked && c.rig.Instruments[ch.Instrument].Name == x.Instrument {
				w = w.and(c.seen(k.channel))
			}
		}
		while := safety.Sourcing
		if c.rig.Instrument(x.Instrument) == c.specimenMeter() && slices.ContainsFunc(c.plan.Actions, func(a Action) bool { return a.Op == Life && a.Open }) {
			while += ", but not where an open specimen is its end (until failed)"
		}
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfCompliance, Index: i}, Rule: x.Instrument + " in compliance", From: x.From, While: while, Then: "trip", HoldsNs: x.LastingNs}, w.lasting(x.LastingNs), safe)
	}
	for i, x := range r.Drives {
		w := c.seen(c.rig.Channel(x.Channel)).lasting(x.LastingNs)
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfDrives, Index: i}, Rule: x.Instrument + " drives another " + x.Quantity, From: x.From, While: safety.Sourcing, Then: "trip", HoldsNs: x.LastingNs}, w, safe)
	}
	c.builtInReactions(safe)
	c.unarmed()
	c.readOften()
	c.fedInTime()
	c.actsInTime()
}

func (c *compiler) interlockReaction(x safety.Interlock, of safety.Ref, safe clock.Instant) {
	done, _ := condition.Compile(x.When, safety.Vocabulary(c.rig.Channels, c.plan.Rules.Stale))
	if done == nil {
		return // a mistake that has been told
	}
	w := way{}
	for _, ch := range done.Reads() {
		w = w.and(c.seen(ch))
	}
	r := Reaction{Of: of, Rule: x.When, From: x.From, While: x.While, Then: x.Then, HoldsNs: x.LastingNs + done.Window()}
	if x.Name != "" {
		r.Rule = x.Name
	}
	if x.While == "" {
		r.While = c.readWhile(done.Reads()...)
	}
	if x.Pause != nil {
		safe = c.pauseAction(x.Pause)
	}
	c.reaction(r, w.lasting(x.LastingNs), safe)
}

// silenceReactions are those to readings that do not come. There is nothing to wait
// for but the time that a channel may be silent.
func (c *compiler) silenceReactions(safe clock.Instant) {
	type group struct {
		instrument int
		after      int64
	}
	var order []group
	names, first := map[group][]string{}, map[group]int{}
	for i, s := range c.plan.Rules.Stale {
		g := group{c.rig.Channels[c.rig.Channel(s.Channel)].Instrument, s.AfterNs}
		if names[g] == nil {
			order, first[g] = append(order, g), i
		}
		names[g] = append(names[g], s.Channel)
	}
	for _, g := range order {
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfSilence, Index: first[g]}, Rule: "no good reading of " + strings.Join(names[g], ", "), From: builtIn("silence is a fault"), While: c.readWhile(c.rig.Channel(names[g][0])), Then: "trip", HoldsNs: g.after}, way{}, safe)
	}
}

// builtInReactions are those of the rules that are no expressions.
func (c *compiler) builtInReactions(safe clock.Instant) {
	r := &c.plan.Rules
	for i, x := range r.HeatsNot {
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfHeatsNot, Index: i}, Rule: x.Instrument + " heats not", From: x.From, While: safety.Heating, Then: "trip", HoldsNs: x.WithinNs}, c.seen(c.rig.Channel(x.Channel)), safe)
	}
	for i, x := range r.KeepsWarming {
		ch := c.rig.Channel(x.Channel)
		k := c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfKeepsWarming, Index: i}, Rule: x.Instrument + " keeps warming", From: x.From, Then: "trip"}, c.seen(ch), safe)
		c.overshoot(k, ch, c.plan.Summary.HighestDegC+x.OvershootK)
	}
	for i, x := range r.Frozen {
		c.frozenReaction(x, safety.Ref{Kind: safety.OfFrozen, Index: i}, safe)
	}
	joule, _ := inJoule.Canonical()
	for i, x := range r.Energy {
		w := way{}
		for _, name := range []string{x.Power, x.Voltage, x.Current} {
			if name != "" {
				w = w.and(c.seen(c.rig.Channel(name)))
			}
		}
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfEnergy, Index: i}, Rule: "energy in the specimen below " + quantity.Quantity{Value: x.BelowJ, Unit: joule}.String(), From: x.From, While: safety.Sourcing, Then: "trip"}, w, safe)
	}
	for i, x := range r.Watched {
		c.reaction(Reaction{Of: safety.Ref{Kind: safety.OfWatched, Index: i}, Rule: x.Instrument + " " + x.For, From: x.From, Then: "trip"}, c.watched(c.rig.Instrument(x.Instrument), x.EveryNs), safe)
	}
}

func (c *compiler) frozenReaction(x safety.Frozen, of safety.Ref, safe clock.Instant) {
	ch := c.rig.Channel(x.Channel)
	w, r := c.seen(ch), Reaction{Of: of, Rule: x.Channel + " frozen", From: x.From, While: x.While, Then: "trip", HoldsNs: x.AfterNs}
	switch {
	case x.Heater != "":
		r.Rule, r.While = r.Rule+" away from its setpoint", safety.Heating
	case x.Follows != "":
		r.Rule, w = r.Rule+" while "+x.Follows+" moves", w.and(c.seen(c.rig.Channel(x.Follows)))
	case x.Below != "":
		r.Rule, w = r.Rule+" under a warmer "+x.Below, w.and(c.seen(c.rig.Channel(x.Below)))
	default:
		r.While = c.readWhile(ch)
	}
	c.reaction(r, w, safe)
}

// overshoot works out how far a heater stuck at full power gets when its own channel
// passes a level, and how much time there would be up to the next looser limit.
func (c *compiler) overshoot(r *Reaction, channel int, level float64) {
	_, heaters := c.heaters("")
	i := slices.IndexFunc(heaters, func(i int) bool { return c.temperatureChannel(i) == channel })
	if i < 0 || !c.plan.Summary.Heats {
		return
	}
	h := c.law(heaters[i])
	peak := round12(h.After(c.rig.AmbientDegC, level, float64(r.HoldsNs+r.TotalNs)/1e9+h.DeadS))
	r.PeakDegC = &peak
	if r.From == builtIn("keeps warming") {
		return // it is no limit, and the limits have rows of their own
	}
	for _, b := range c.tightest(c.rig.Channels[channel].Name) {
		if b.Below == nil || *b.Below <= level {
			continue
		}
		if s, ok := h.Until(c.rig.AmbientDegC, level, *b.Below); ok {
			looser, leeway := *b.Below, int64(math.Max(0, s-h.DeadS)*1e9)
			r.LooserDegC, r.LeewayNs = &looser, &leeway
			c.readTooRarely(channel, peak, b)
		}
		return
	}
}

// readTooRarely refuses a protocol that has a heater's own thermometer read so rarely
// that one limit is of no help in keeping the next.
func (c *compiler) readTooRarely(channel int, peakDegC float64, next bound) {
	w := c.wished(channel)
	if w.mostNs <= unnamedEvery || peakDegC <= *next.Below || w.tooRare {
		return
	}
	w.tooRare = true
	n, dim := w.node, c.rig.Channels[channel].Unit.Dim
	if n == nil {
		n = keyOf(c.doc.Root, "steps")
	}
	c.m.Add(c.doc, n, "read every %s, %s shows a heater stuck at full power so late that it gets to %s", near(float64(w.mostNs)/1e9, inSeconds), c.rig.Channels[channel].Name, near(peakDegC, dim)).
		Note(next.Doc, next.Node, "it must stay below "+near(*next.Below, dim)).
		Hint("read it more often: " + near(float64(unnamedEvery)/1e9, inSeconds) + " is always allowed")
}

// mostRare is how seldom what a rule is about may be read: to look less often would be to
// loosen it. A rule of thumb, no source.
const mostRare = int64(clock.Minute)

// readOften refuses a protocol by which the rules of others, or built-in ones, are looked
// at so seldom that they guard little.
func (c *compiler) readOften() {
	for k := range c.wanted {
		w := &c.wanted[k]
		if !w.wasAsked || w.mostNs <= mostRare || w.tooRare || w.node == nil || !c.isGuarded(c.rig.Channels[w.channel].Name) {
			continue
		}
		c.m.Add(c.doc, w.node, "%s is read every %s: a rule that is looked at so seldom is a looser one", c.rig.Channels[w.channel].Name, near(float64(w.mostNs)/1e9, inSeconds)).
			Hint("limits of bench and specimen, or built-in rules, are about it, or about what is read along with it: read it at least every " + near(float64(mostRare)/1e9, inSeconds))
	}
}

// fedInTime refuses a protocol by which an instrument is read so seldom that its own
// watchdog, which is fed by the readings, could trip although nothing is wrong.
func (c *compiler) fedInTime() {
	for i, d := range c.rig.Instruments {
		dog, k := d.Profile.Watchdog, c.rig.Instrument(d.Switches)
		if dog == nil || !c.heated[i] && (k < 0 || !c.heated[k]) {
			continue
		}
		w := c.watched(i, int64(dog.FeedEvery))
		latest := w.sampling + w.inFlight + d.Profile.CommandTime()
		fastest := c.fastest(i)
		if fastest == nil || fastest.tooRare || latest < dog.TripsAfter {
			continue
		}
		fastest.tooRare = true
		s := func(t clock.Instant) string { return near(t.Seconds(), inSeconds) }
		c.m.Add(c.doc, or(fastest.node, keyOf(c.doc.Root, "steps")), "%s is read every %s, and its own watchdog is fed when it is read: at worst after %s, and it trips after %s",
			d.Name, near(float64(fastest.mostNs)/1e9, inSeconds), s(latest), s(dog.TripsAfter)).
			Hint("it is fed by the first reading after " + s(dog.FeedEvery) + " (" + d.Profile.Name + "): read " + c.rig.Channels[fastest.channel].Name + " more often")
	}
}

// fastest is what is read most often of an instrument; nil where nothing is.
func (c *compiler) fastest(i int) *wish {
	var found *wish
	for k := range c.wanted {
		if w := &c.wanted[k]; w.wasAsked && c.rig.Channels[w.channel].Instrument == i && (found == nil || w.mostNs < found.mostNs) {
			found = w
		}
	}
	return found
}

// isGuarded tells whether a channel, or one that is read along with it, is what a rule is
// about that is not this protocol's own.
func (c *compiler) isGuarded(channel string) bool {
	own := strings.TrimSuffix(place(c.doc, nil), "1:1")
	others := c.plan.Rules
	others.Stale, others.Limits, others.Rates = nil, nil, nil // a limit that the protocol has tightened is also another's
	others.Interlocks = slices.DeleteFunc(slices.Clone(others.Interlocks), func(x safety.Interlock) bool { return strings.HasPrefix(x.From, own) })
	rules := text(others)
	for _, ch := range c.rig.Channels {
		along := ch.Name == channel || c.query(c.rig.Channel(ch.Name)) == c.query(c.rig.Channel(channel))
		if along && (strings.Contains(rules, ch.Name) || slices.ContainsFunc(c.rules.bounds, func(b bound) bool { return b.Channel == ch.Name && b.who != "this protocol" })) {
			return true
		}
	}
	return false
}

// law is what is known of a heater at full power. Where it was not identified, the
// profile's rate is taken to hold at any temperature.
func (c *compiler) law(i int) rig.Identified {
	d := c.rig.Instruments[i]
	if d.Identified != nil {
		return *d.Identified
	}
	h := d.Profile.HeatingOrUsual()
	const straight = 1e6 // s: so slow a lag is a straight line
	return rig.Identified{RiseK: h.RateKPerS * straight, TauS: straight, DeadS: h.DeadS}
}

// actsInTime holds the reactions against what the rig asks for, and names all that are too slow.
func (c *compiler) actsInTime() {
	within := int64(c.rig.ActWithin)
	c.plan.Summary.ActWithinNs = within
	late := slices.DeleteFunc(slices.Clone(c.plan.Summary.Reactions), func(r Reaction) bool { return r.Then == "warn" || r.TotalNs <= within })
	if within == 0 || len(late) == 0 {
		return
	}
	slices.SortStableFunc(late, func(a, b Reaction) int { return cmp.Compare(b.TotalNs, a.TotalNs) })
	s := func(ns int64) string { return near(float64(ns)/1e9, inSeconds) }
	worst, n := late[0], valueOf(c.rig.Doc.Root, "must act within")
	x := c.m.Add(c.rig.Doc, n,
		"on this rig it can take %s from a breach of %q (%s) to a safe bench: %s to the reading that shows it, %s for a line that is taken, %s for the exchange, %s to decide, %s to act",
		s(worst.TotalNs), worst.Rule, worst.From, s(worst.SamplingNs), s(worst.InFlightNs), s(worst.LinkNs), s(worst.DecisionNs), s(worst.ActionNs)).
		Hint("read it more often, or use a faster line")
	for _, r := range late[1:] {
		x.Note(c.rig.Doc, n, fmt.Sprintf("%s after a breach of %q (%s)", s(r.TotalNs), r.Rule, r.From))
	}
}

// finishMeasured notes what was measured on this rig, refuses an unattended run that
// heats without it, and notes what would stay on by itself.
func (c *compiler) finishMeasured() {
	unattended := c.plan.Unattended && c.plan.Summary.Heats
	refused := func(d rig.Description, what, add string) {
		x := c.m.Add(c.rig.Doc, d.Node, "%s was not measured on this rig: it heats unattended only with that", what).
			Hint("add " + add + ": dwell figures gives it after a run of identify.yaml, which dwell init writes")
		if n := valueOf(c.doc.Root, "unattended"); n != nil {
			x.Note(c.doc, n, "nobody will be there")
		}
	}
	for i, d := range c.rig.Instruments {
		m := Measured{Instrument: d.Name, Heats: c.heated[i]}
		if d.Identified != nil {
			m.IdentifiedOn = d.Identified.On
			c.weaker(i, d)
		} else if unattended && m.Heats {
			refused(d, "how "+d.Name+" responds to full power", "identified: {rise at full power: …, time constant: …, dead time: …, date: …}")
		}
		polled := slices.ContainsFunc(c.wanted, func(w wish) bool { return w.wasAsked && c.rig.Channels[w.channel].Instrument == i })
		if l := d.Longest; l != nil {
			m.LongestNs, m.LongestOn = int64(l.Takes), l.On
		} else if unattended && polled {
			refused(d, "the longest exchange with "+d.Name, "longest exchange: {takes: …, measured on: …}")
		}
		if polled || m.Heats {
			c.plan.Summary.Measured = append(c.plan.Summary.Measured, m)
		}
		c.staysOn(i, d)
	}
}

// weaker refuses a plan, otherwise right, that heats above what full power was measured to reach: one of
// the two is wrong, and how far the heater overshoots follows from the other.
func (c *compiler) weaker(i int, d rig.Description) {
	if top := c.rig.AmbientDegC + d.Identified.RiseK; c.heated[i] && c.plan.Summary.HighestDegC > top && c.m.Len() == 0 {
		c.m.Add(c.rig.Doc, d.Node, "%s is told to heat to %s, and at full power it was measured to reach %s above the ambient of %s: %s", d.Name,
			degC(c.plan.Summary.HighestDegC), near(d.Identified.RiseK, inKelvin), degC(c.rig.AmbientDegC), degC(top)).
			Hint("measure it again, and correct identified")
	}
}

// staysOn notes what the plan switches on that no watchdog of its own switches off.
func (c *compiler) staysOn(i int, d rig.Description) {
	x := StaysOn{Instrument: d.Name}
	if w := d.Profile.Watchdog; w != nil {
		x.ForNs = int64(w.TripsAfter)
	}
	if k := c.rig.SwitchOf(d.Name); k >= 0 {
		x.By = c.rig.Instruments[k].Name
		if w := c.rig.Instruments[k].Profile.Watchdog; x.ForNs == 0 || int64(w.TripsAfter) < x.ForNs {
			x.ForNs = int64(w.TripsAfter)
		}
	}
	if c.heated[i] {
		x.What = setHeat
		if d.Identified != nil {
			x.FullDegC = round12(c.rig.AmbientDegC + d.Identified.RiseK)
		}
		c.plan.Summary.StaysOn = append(c.plan.Summary.StaysOn, x)
		x.FullDegC = 0
	}
	if c.sourced[i] != nil {
		x.What = setOutput
		c.plan.Summary.StaysOn = append(c.plan.Summary.StaysOn, x)
	}
}
