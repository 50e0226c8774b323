package plan

import (
	"math"
	"strings"

	"dwell/drivers/yamltext"
)

// This file keeps mistakes apart from what only follows from them. What a step with a
// mistake leaves behind is in doubt, and nothing that depends on it is a mistake.

// doubt notes that a step was to set an instrument, and cannot be understood: from here
// on it is taken to be switched on, and nothing else is known of it.
func (c *compiler) doubt(i int) {
	now := c.world.settings[i]
	for k := range now {
		now[k].known = false
	}
	c.world.doubtful[i], c.world.degC[i] = true, math.NaN()
	p := c.rig.Instruments[i].Profile
	if o := p.Set(setOutput); o >= 0 {
		now[o] = setting{known: true, state: p.Sets[o].State(stateOn)}
		c.poll(c.dependents(i))
	}
}

// doubtMeters notes that some source-meter was to be set.
func (c *compiler) doubtMeters() {
	for i, d := range c.rig.Instruments {
		if d.Profile.Set(setOutput) >= 0 {
			c.doubt(i)
		}
	}
}

// doubtAll notes that steps could not be read, whatever they were to do.
func (c *compiler) doubtAll() {
	c.world.confirmed = true
	for i := range c.rig.Instruments {
		c.doubt(i)
	}
}

// nameless looks at steps with names that could not be read.
func (c *compiler) nameless(steps *yamltext.Node) {
	if steps == nil || !c.deeper(steps) {
		return
	}
	was := c.lostNames
	c.lostNames = true
	c.inside(steps)
	c.lostNames = was
}

// excused is whether a word of an expression is a mistake already, or stands for one.
func (c *compiler) excused(word string, own bool) bool {
	if i := c.rig.Channel(word); i >= 0 && c.rateless[i] || strings.Contains(word, ".") && c.rig.Excused(word) {
		return true
	}
	g, ok := c.names[word]
	return own && (ok && g.Unit.Symbol == "" || !ok && c.lostNames && isName(word) && !isIn(reserved, word))
}
