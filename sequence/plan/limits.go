package plan

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// This file merges the limits of instrument profiles, rig, specimen and protocol,
// of which each may only tighten what stands before it, and holds every setpoint
// against them.

// rules is what the run is held to, as it was written.
type rules struct {
	bounds     []bound
	rates      []ratebound
	interlocks []interlock
}

// bound is a limit and who set it.
type bound struct {
	rig.Limit
	who string
}

// ratebound is a limit on how fast a channel changes.
type ratebound struct {
	safety.Rate
	node *yamltext.Node
}

// interlock is a condition that must never hold.
type interlock struct {
	expression
	safety.Interlock
}

// gatherLimits collects the limits of all levels. A specimen may bear more than
// this rig allows, and then the rig's limit holds; but a protocol that asks for
// more is a mistake, since it will not get it.
func (c *compiler) gatherLimits(n *yamltext.Node) {
	for _, l := range c.rig.Limits {
		who := "this rig"
		if l.Doc != c.rig.Doc {
			who = "the instrument"
		}
		c.rules.bounds = append(c.rules.bounds, bound{l, who})
	}
	for _, l := range c.rig.SpecimenLimits(c.specimen) {
		c.rules.bounds = append(c.rules.bounds, bound{l, "this specimen"})
	}
	given := c.rules.bounds
	for _, p := range c.pairs(n) {
		i := c.channel(p.Key)
		if i < 0 {
			c.limit(p, anything)
			continue
		}
		l, ok := c.limit(p, c.rig.Channels[i].Unit.Dim)
		if !ok {
			continue
		}
		for _, g := range given {
			if g.Channel == l.Channel && !l.NoLooser(&g.Limit) {
				c.wrong(l.Node, "this is looser than what %s allows (%s)", g.who, c.written(g)).
					Note(g.Doc, g.Node, "the tighter limit stands here").
					Hint("limits only tighten: lower it, or leave it out; a longer lasting counts as looser")
			}
		}
		c.passable(l, c.rig.Channels[i])
		c.tooLong(valueOf(p.Value, "lasting"), l.LastingNs)
		c.rules.bounds = append(c.rules.bounds, bound{l, "this protocol"})
	}
}

// passable refuses a limit beyond whatever its channel can show: it protects nobody.
func (c *compiler) passable(l rig.Limit, ch rig.Channel) {
	if ch.Lowest == ch.Highest {
		return // that is not known
	}
	if l.Below != nil && *l.Below > ch.Highest || l.Above != nil && *l.Above < ch.Lowest {
		c.wrong(l.Node, "%s shows nothing beyond this: it can never be passed", ch.Name).
			Hint(fmt.Sprintf("it shows %s to %s", near(ch.Lowest, ch.Unit.Dim), near(ch.Highest, ch.Unit.Dim)))
	}
}

// tooLong refuses a rule that must hold, or looks back, for longer than the whole run takes.
// A rule of the rig is for short runs and long ones, and is not held against one of them.
func (c *compiler) tooLong(n *yamltext.Node, lasting int64) {
	if n != nil && c.plan.AtMostNs > 0 && lasting >= c.plan.AtMostNs {
		c.wrong(n, "the whole run is over before: this can never come about").
			Note(c.doc, valueOf(valueOf(c.doc.Root, "ends"), "at most"), "it lasts so long at most")
	}
}

// channel finds the channel a node names, or -1.
func (c *compiler) channel(n *yamltext.Node) int {
	text := c.text(n)
	if text == "" {
		return -1
	}
	i := c.rig.Channel(text)
	if i < 0 && !c.rig.Excused(text) {
		c.unknown(n, "channel of this rig", text, c.rig.Names())
	}
	return i
}

// limit reads one limit of the protocol. One on the rate of change is put away by
// itself; ok is whether there is one on the level too.
func (c *compiler) limit(p yamltext.Pair, dim quantity.Dimension) (l rig.Limit, ok bool) {
	l = rig.Limit{Channel: p.Key.Text, Doc: c.doc}
	if p.Value.Kind == yamltext.Scalar {
		c.wrong(p.Value, "a table of keys is expected here, not %s", p.Value.Kind).Hint("write it as in {below: " + p.Value.Text + "}")
		return l, false
	}
	t := c.table(p.Value, "below", "above", "lasting", "changes slower than", "over")
	l.LastingNs = c.time(t["lasting"])
	if v, ok := c.value(t["above"], dim); ok {
		l.Above, l.Node = &v.Value, t["above"]
	}
	if v, ok := c.value(t["below"], dim); ok {
		l.Below, l.Node = &v.Value, t["below"]
	}
	if (dim == inAmpere || dim == inVolt) && l.Below != nil && l.Above == nil && *l.Below > 0 {
		opposite := -*l.Below // a limit on a current is one either way round, as in rig and specimen files
		l.Above = &opposite
	}
	if l.Below != nil && l.Above != nil && *l.Above >= *l.Below {
		c.wrong(t["above"], "no value is above this and below the other")
		return l, false
	}
	if slow := t["changes slower than"]; slow != nil {
		rate := anything
		if dim != anything {
			rate = difference(dim).Div(inSeconds)
		}
		r := safety.Rate{Channel: l.Channel, Below: c.positive(slow, rate), WindowNs: c.time(t["over"]), From: place(c.doc, slow)}
		if t["over"] == nil {
			c.wrong(slow, "over which time the change is looked at is missing").Hint("add over: 30 s")
		}
		c.tooLong(t["over"], r.WindowNs)
		if c.possible(r, slow); dim != anything {
			c.rules.rates = append(c.rules.rates, ratebound{r, slow})
		}
	} else if t["over"] != nil {
		c.wrong(t["over"], "only a rate of change has an over").Hint("a level has lasting: how long it must be passed")
	}
	unsaid := t["below"] == nil && t["above"] == nil && len(t) == len(p.Value.Pairs) // or another key is meant to be one
	if t["lasting"] != nil && unsaid {
		c.wrong(t["lasting"], "lasting belongs to below or above")
	}
	if unsaid && t["changes slower than"] == nil && t != nil {
		c.wrong(p.Value, "nothing is limited here").Hint("write below, above or changes slower than")
	}
	return l, l.Node != nil
}

// possible refuses a rate that a channel cannot reach within the window: from one end of
// what it shows to the other, the slope of a straight line through a step is half as
// much again as the step in that time.
func (c *compiler) possible(r safety.Rate, n *yamltext.Node) {
	i := c.rig.Channel(r.Channel)
	if i < 0 || r.WindowNs == 0 {
		return
	}
	if ch := c.rig.Channels[i]; ch.Highest > ch.Lowest && float64(r.Below*float64(r.WindowNs)/1e9) > 1.5*(ch.Highest-ch.Lowest) {
		c.wrong(n, "%s cannot change that fast: this can never be passed", ch.Name).
			Hint(fmt.Sprintf("it shows %s to %s", near(ch.Lowest, ch.Unit.Dim), near(ch.Highest, ch.Unit.Dim)))
	}
}

// written is what a limit allows, and where that stands: "80 degC, rig.yaml:11".
func (c *compiler) written(b bound) string {
	limit := b.Below
	if limit == nil {
		limit = b.Above
	}
	text := b.show(*limit, c.rig)
	if b.LastingNs > 0 {
		text += fmt.Sprintf(" for %s s", quantity.AppendSeconds(nil, b.LastingNs))
	}
	return fmt.Sprintf("%s, %s:%d", text, b.Doc.Name, b.Node.Pos.Line)
}

// show writes a value of the limited channel as a person would.
func (b bound) show(v float64, r *rig.Rig) string {
	if i := r.Channel(b.Channel); i >= 0 {
		return near(v, r.Channels[i].Unit.Dim)
	}
	return near(v, plain)
}

// Headroom is how far a setpoint must stay from the level at which the run would
// trip, for overshoot and noise: 2 K for temperatures, 2 % of the limit for
// everything else. Common practice, no source.
const (
	headroomK   = 2
	headroomRel = 0.02
)

// allowed holds a value for a commanded quantity against what the instrument can
// do and against every limit on what it moves.
func (c *compiler) allowed(i, set int, v value) {
	d := c.rig.Instruments[i]
	s := d.Profile.Sets[set]
	dim := s.Unit.Dim
	switch {
	case v.Value > s.Most:
		c.wrongValue(v, "%s is above what %s can be set to (%s)", v.Quantity, d.Name, near(s.Most, dim))
		return
	case v.Value < s.Least:
		c.wrongValue(v, "%s is below what %s can be set to (%s)", v.Quantity, d.Name, near(s.Least, dim))
		return
	}
	for _, ch := range c.rig.Channels {
		if ch.Instrument == i && ch.Quantity == s.Bounds && ch.Through == "" {
			if c.beyond(ch.Name, v, true) {
				return
			}
		}
	}
	if s.Bounds == "temperature" && c.rig.Place.On == d.Name {
		for _, l := range c.specimen.Limits { // of what lies on it, measured or not
			if l.Channel == "temperature" && c.beyondOne(bound{l, "this specimen"}, v, true, dim) {
				return
			}
		}
	}
}

// beyond holds a value against the limits on a channel, and tells whether it
// reported one.
func (c *compiler) beyond(channel string, v value, command bool) bool {
	i := c.rig.Channel(channel)
	if i < 0 {
		return false
	}
	for _, b := range c.tightest(channel) {
		if c.beyondOne(b, v, command, c.rig.Channels[i].Unit.Dim) {
			return true
		}
	}
	return false
}

// tightest are the limits on a channel, the most severe first.
func (c *compiler) tightest(channel string) []bound {
	var all []bound
	for _, b := range c.rules.bounds {
		if b.Channel == channel {
			all = append(all, b)
		}
	}
	slices.SortStableFunc(all, func(a, b bound) int {
		if a.Below != nil && b.Below != nil && *a.Below != *b.Below {
			return int(math.Copysign(1, *a.Below-*b.Below))
		}
		return 0
	})
	return all
}

// beyondOne holds a value against one limit. A command needs headroom.
func (c *compiler) beyondOne(b bound, v value, command bool, dim quantity.Dimension) bool {
	at := fmt.Sprintf("(%s, %s:%d)", "%s", b.Doc.Name, b.Node.Pos.Line)
	if l := b.Below; l != nil {
		room := headroom(*l, dim)
		switch at := fmt.Sprintf(at, near(*l, dim)); {
		case v.Value > *l:
			c.wrongValue(v, "%s is above what %s allows %s", v.Quantity, b.who, at)
			return true
		case v.Value == *l:
			c.wrongValue(v, "%s is not below what %s allows %s", v.Quantity, b.who, at)
			return true
		case command && v.Value > *l-room:
			c.wrongValue(v, "%s is too close to what %s allows %s: a setpoint stays %s away from it", v.Quantity, b.who, at, near(room, difference(dim)))
			return true
		}
	}
	if l := b.Above; l != nil {
		room := headroom(*l, dim)
		switch at := fmt.Sprintf(at, near(*l, dim)); {
		case v.Value <= *l:
			c.wrongValue(v, "%s is below what %s allows %s", v.Quantity, b.who, at)
			return true
		case command && v.Value < *l+room:
			c.wrongValue(v, "%s is too close to what %s allows %s: a setpoint stays %s away from it", v.Quantity, b.who, at, near(room, difference(dim)))
			return true
		}
	}
	return false
}

func headroom(limit float64, d quantity.Dimension) float64 {
	if d == inDegC {
		return headroomK
	}
	return headroomRel * math.Abs(limit)
}
