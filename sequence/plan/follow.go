package plan

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers/yamltext"
)

// This file follows single cycles: for a few of them, before each count that is measured,
// film and stage are read so often that resistance can be drawn against curvature within
// a cycle. All other cycles are read as rarely as before, so that the log stays small.

// follow is which cycles are followed, and how.
type follow struct {
	cycles  int64   // before each count; 0 for none
	everyNs int64   // between readings
	period  float64 // s
	speed   float64 // that gives it
	node    *yamltext.Node
}

// mostFollowed is how many cycles a block has: more could be uncertain after a crash.
const mostFollowed = blockCycles

// followed reads which cycles are followed. Their rate is their own: how well the moments
// of readings are known decides how narrow a loop can be seen, and slowly it costs less.
func (c *compiler) followed(y *cycling) bool {
	n := y.follow.node
	if n == nil {
		return true
	}
	t := c.table(n, "!cycles", "!every", "rate")
	if t == nil {
		return false
	}
	ok := t["cycles"] != nil
	if ok {
		k, is := c.doc.Int(t["cycles"], c.m, 1, mostFollowed)
		y.follow.cycles, ok = int64(k), is
	}
	y.follow.everyNs = c.time(t["every"])
	slow := *y
	if t["rate"] != nil {
		rate := c.positive(t["rate"], perSecond)
		if rate == 0 {
			return false
		}
		slow.period = 1 / rate
	}
	if ok = ok && y.follow.everyNs > 0 && c.paced(&slow, or(t["rate"], n)); !ok {
		return false
	}
	y.follow.period, y.follow.speed = slow.period, slow.speed
	return c.canFollow(y, t["every"])
}

// canFollow makes sure that the film is read at all, and that both instruments have the
// time.
func (c *compiler) canFollow(y *cycling, n *yamltext.Node) bool {
	ok := c.spread(y, n)
	for _, i := range c.inCycles(y) {
		if c.wished(i) == nil || !c.isNow(i) {
			c.wrong(n, "%s is not read here: nothing can be drawn against curvature", c.rig.Channels[i].Name).
				Hint("it belongs under record, and its instrument must be switched on by source")
			ok = false
			continue
		}
		typical, _ := c.queryTime(i)
		if least := float64(typical) / mostBusy; float64(y.follow.everyNs) < least {
			c.wrong(n, "%s needs %s a reading: at most every %s", c.rig.Channels[i].Name, near(typical.Seconds(), inSeconds), near(math.Ceil(least/1e6)/1e3, inSeconds)).
				Hint(c.howSet(c.rig.Channels[i].Instrument))
			ok = false
		}
	}
	return ok
}

// mostApart is how far apart in a cycle places may be that are read, as a share of it: three
// on each way in the middle half of the curvature, which lasts about half of the way; fewer
// determine no parabola.
const mostApart = 1. / 12

// spread refuses an interval at which readings meet the same few places in each cycle.
func (c *compiler) spread(y *cycling, n *yamltext.Node) bool {
	every, period := float64(y.follow.everyNs)/1e9, y.follow.period
	if every < mostApart*period || widestApart(every, period, y.follow.cycles) < mostApart {
		return true
	}
	better := every
	for better > period*mostApart/2 && widestApart(better, period, y.follow.cycles) >= mostApart*0.9 {
		better *= 0.99
	}
	c.wrong(n, "read every %s, %d cycles of %s are met at too few places: no loop can be told from them", spanText(every), y.follow.cycles, spanText(period)).
		Hint("every: " + near(better, inSeconds))
	return false
}

// widestApart is the greatest share of a cycle that lies between two places that are read
// in so many of them.
func widestApart(every, period float64, cycles int64) float64 {
	var phases []float64
	for at := 0.; at < float64(cycles)*period; at += every {
		phases = append(phases, math.Mod(at/period, 1))
	}
	slices.Sort(phases)
	widest := 1 + phases[0] - phases[len(phases)-1]
	for i := 1; i < len(phases); i++ {
		widest = max(widest, phases[i]-phases[i-1])
	}
	return widest
}

// inCycles are the channels that are read within cycles.
func (c *compiler) inCycles(y *cycling) []int {
	film := c.rig.Channel(c.rig.Place.Resistance)
	if film < 0 {
		return []int{y.st.position}
	}
	return []int{film, y.st.position}
}

// runFollowed does so many cycles, of which the last ones are followed.
func (c *compiler) runFollowed(y *cycling, n int64) {
	k := min(y.follow.cycles, n)
	c.inLife(y, n-k)
	if k == 0 {
		return
	}
	if c.life != nil {
		c.life.follows = true
	}
	both := c.inCycles(y)
	was := make([]int64, len(both))
	for j, i := range both {
		was[j], c.world.wishNs[i] = c.world.wishNs[i], y.follow.everyNs
	}
	c.begin()
	c.poll(both)
	slow := *y
	slow.period, slow.speed = y.follow.period, y.follow.speed
	c.run(&slow, k)
	for j, i := range both {
		c.world.wishNs[i] = was[j]
	}
	c.begin()
	c.poll(both)
}

// followedWords says of a step how many of its cycles are followed, and how.
func (c *compiler) followedWords(cycles int64, a Action, polled []Polled) string {
	return fmt.Sprintf("; %d of them in %s, and meanwhile it %s", cycles, near(float64(a.DurationNs)/1e9, inSeconds), c.readText(polled))
}
