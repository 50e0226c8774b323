package plan

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/safety/condition"
)

// This file reads interlocks: what must not hold, while what, for how long, and what
// is done then.

// gatherInterlocks reads those of the rig and of the protocol.
func (c *compiler) gatherInterlocks(n *yamltext.Node) {
	own, names := c.doc, c.names
	for _, x := range c.rig.Interlocks {
		c.doc, c.names = c.rig.Doc, nil
		c.interlock(x)
	}
	c.doc, c.names = own, names
	for _, x := range c.items(n) {
		c.interlock(x)
	}
}

func (c *compiler) interlock(n *yamltext.Node) {
	keys, heaters := c.heaterKeys(n, " to")
	t := c.table(n, append([]string{"!when", "while", "lasting", "!then", "clear for", "at most"}, keys...)...)
	x := safety.Interlock{Then: c.word(t["then"], "thing to do then", "trip", "pause", "warn"), LastingNs: c.time(t["lasting"])}
	if t["while"] != nil {
		x.While = c.word(t["while"], "thing that arms an interlock", safety.Arming...)
	}
	if x.While == safety.OnPlate && c.rig.Place.On == "" && !c.rig.Place.Lost {
		c.wrong(t["while"], "the rig does not say where the specimen lies").Hint("add specimen place: {lies on: …, moved by: …} to it")
	}
	c.armable(t["while"], x.While)
	if t["when"] == nil {
		return
	}
	e, ok := c.expression(t["when"])
	if !ok {
		return
	}
	if c.doc != c.rig.Doc {
		c.tooLong(t["lasting"], x.LastingNs)
	}
	if saysElapsed(e.text) {
		c.wrong(t["when"], "elapsed is the time of a step, and an interlock belongs to none").Hint("write lasting, or while")
	}
	x.When, x.From = e.text, place(c.doc, e.node)
	if x.Then == "pause" {
		x.Pause = c.pause(n, t, keys, heaters)
		c.readable(e)
	} else {
		for _, key := range append([]string{"clear for", "at most"}, keys...) {
			if t[key] != nil {
				c.wrong(t[key], "%q belongs to an interlock that pauses", key).Hint("write then: pause")
			}
		}
	}
	c.rules.interlocks = append(c.rules.interlocks, interlock{e, x})
}

// armable refuses an interlock that no instrument of the rig can bring about to be judged.
func (c *compiler) armable(n *yamltext.Node, while string) {
	quantity := map[string]string{safety.Heating: setHeat, safety.Sourcing: setOutput, safety.Homed: setReference}[while]
	if quantity == "" || c.rig.Lost() {
		return
	}
	if !slices.ContainsFunc(c.rig.Instruments, func(d rig.Description) bool { return d.Profile.Set(quantity) >= 0 }) {
		c.wrong(n, "no instrument of this rig sets %s: this would never be judged", quantity).
			Hint("leave while out, to have it judged always")
	}
}

// neverArmed tells whether nothing that the steps do arms what is armed by this.
func (c *compiler) neverArmed(while string) bool {
	does := func(what func(a Action) bool) bool { return slices.ContainsFunc(c.plan.Actions, what) }
	switch by, _, _ := strings.Cut(while, ","); by {
	case safety.Heating:
		return !c.plan.Summary.Heats
	case safety.Sourcing:
		return len(c.sourced) == 0 && !does(func(a Action) bool { return a.Confirm != nil && a.Confirm.Channel != "" })
	case safety.Homed:
		return !does(func(a Action) bool { return a.Op == Home })
	}
	return false
}

// unarmed warns of the protocol's own interlocks that it never arms: whoever wrote them
// counts on them. Those of a rig are for every protocol.
func (c *compiler) unarmed() {
	for _, x := range c.rules.interlocks {
		if x.doc == c.doc && c.neverArmed(x.While) {
			c.plan.Summary.Warnings = append(c.plan.Summary.Warnings, fmt.Sprintf("line %d: this interlock is judged while %s only, and no step of this protocol brings that about: it is never armed", x.node.Pos.Line, x.While))
		}
	}
}

// saysElapsed tells whether an expression speaks of the time since its step began.
func saysElapsed(text string) bool {
	words := strings.FieldsFunc(text, func(c rune) bool {
		return c != '.' && c != '_' && (c < '0' || c > '9') && (c|0x20 < 'a' || c|0x20 > 'z')
	})
	return slices.Contains(words, "elapsed")
}

// pause reads how to pause.
func (c *compiler) pause(n *yamltext.Node, t map[string]*yamltext.Node, keys []string, heaters []int) *safety.Pause {
	p := &safety.Pause{ClearNs: c.time(t["clear for"]), AtMostNs: c.time(t["at most"])}
	if t["clear for"] == nil {
		c.wrong(n, "for how long the condition must be clear is missing").Hint("add clear for: 1 min")
	}
	if t["at most"] == nil {
		c.wrong(n, "how long the pause may take is missing").Hint("add at most: 30 min; then the run trips")
	} else if p.ClearNs >= p.AtMostNs && p.AtMostNs > 0 {
		c.wrong(t["at most"], "it could not go on within this time").Note(c.doc, t["clear for"], "it must be clear for so long")
	}
	for k, key := range keys {
		switch to, ok := c.value(t[key], inDegC); {
		case !ok || heaters[k] < 0:
		case p.Heater != "":
			c.wrong(t[key], "one pause holds one heater")
		default:
			i := heaters[k]
			c.allowed(i, c.rig.Instruments[i].Profile.Set(setTemperature), to)
			c.reachable(i, to)
			p.Heater, p.DegC = c.rig.Instruments[i].Name, to.Value
			c.peak.degC = max(c.peak.degC, to.Value)
		}
	}
	return p
}

// readable refuses a condition that could not become clear in a pause: what needs an
// output is not read then.
func (c *compiler) readable(e expression) {
	for _, i := range c.reads(e) {
		if c.query(i).Needs != nil {
			c.m.Add(e.doc, e.node, "%s is not read in a pause, when the outputs are off: this would never be clear", c.rig.Channels[i].Name)
			return
		}
	}
}

// judgeable makes sure that an interlock can be judged all the time that it is armed:
// at the slowest and at the fastest rate of its channels, and never with one half of
// it switched off.
func (c *compiler) judgeable(x interlock) {
	var slow, fast []safety.Stale
	for _, w := range c.wanted {
		if w.wasAsked {
			slow = append(slow, safety.Stale{Channel: w.first.Channel, EveryNs: w.mostNs, AfterNs: w.staleNs})
			fast = append(fast, safety.Stale{Channel: w.first.Channel, EveryNs: w.leastNs, AfterNs: w.staleNs})
		}
	}
	done := c.condition(x.expression, slow)
	if done == nil || c.condition(x.expression, fast) == nil {
		return
	}
	if w := done.Window(); w > 0 && x.doc != c.rig.Doc {
		c.tooLong(x.node, w)
	}
	c.coolsMeanwhile(x, done, slow)
	if x.While == safety.Sourcing && c.oneSource(done) {
		return
	}
	var first *wish
	for _, i := range done.Reads() {
		w := c.wished(i)
		if first == nil {
			first = w
		}
		if a, b := c.query(first.channel).Needs, c.query(w.channel).Needs; w.later != first.later || a != nil && b != nil && *a != *b {
			off := w
			if first.later {
				off = first
			}
			c.m.Add(x.doc, x.node, "this could not be judged before %s is read: its instrument is not switched on from the start", off.first.Channel).
				Hint("write while: sourcing, to have it judged from then on")
			return
		}
	}
}

// coolsMeanwhile refuses a pause by a temperature that does not take the heat away, or takes
// a heater to where the condition would hold for ever.
func (c *compiler) coolsMeanwhile(x interlock, done *condition.Condition, polled []safety.Stale) {
	if x.Pause == nil || !c.plan.Summary.Heats {
		return
	}
	still := condition.NewMemory(safety.Vocabulary(c.rig.Channels, polled), done)
	warm := false
	for _, i := range done.Reads() {
		if c.rig.Channels[i].Unit.Dim == inDegC {
			warm = true
			still.Observe(i, 0, x.Pause.DegC, true)
		}
	}
	switch {
	case !warm:
	case x.Pause.Heater == "":
		c.m.Add(x.doc, x.node, "a pause by a temperature leaves the heat on as it is: where a heater goes meanwhile is missing").
			Hint("add plate to: 20 degC, for a heater named plate, or write then: trip")
	case done.Eval(still, 0, 0) == condition.True:
		c.m.Add(x.doc, x.node, "with %s at %s this still holds: it would never be clear", x.Pause.Heater, near(x.Pause.DegC, inDegC))
	}
}

// oneSource tells whether everything that a condition reads can be read whenever an
// output is on: there is but one, and nothing needs another state.
func (c *compiler) oneSource(x *condition.Condition) bool {
	if len(c.sourced) != 1 {
		return false
	}
	return !slices.ContainsFunc(x.Reads(), func(ch int) bool {
		i, needs := c.rig.Channels[ch].Instrument, c.query(ch).Needs
		return needs != nil && !isOutputOn(c.rig.Instruments[i].Profile, needs)
	})
}

func isOutputOn(p *rig.Profile, needs *rig.Condition) bool {
	return needs.Set == p.Set(setOutput) && needs.State == p.Sets[needs.Set].State(stateOn)
}
