package plan

import (
	"fmt"
	"math"

	"dwell/drivers/yamltext"
)

// This file makes the block in which a specimen may fail. That ends its part of the run,
// and nothing else: what stands behind the block is done all the same.

// life is the block that is being compiled.
type life struct {
	everyNs int64
	node    *yamltext.Node // of that
	follows bool           // cycles inside are read more often: it may end in one of them
}

// phasesApart is how far, in cycles, one reading must be from the place in its cycle at
// which the last but one, or the last, was taken: nearer, and what is read is the same
// part of the cycle for many readings. Common practice, no source.
const phasesApart = 0.05

// untilFailed does its steps until the specimen has failed. Then, and at their end, the
// strip goes back to flat and the source off: its part is over.
func (c *compiler) untilFailed(s step) {
	t := c.table(s.with, "open", "when", "!judged every")
	st := c.stageOf(s.verb)
	channel := c.rig.Channel(c.rig.Place.Resistance)
	if !c.deeper(s.verb) {
		return
	}
	if c.life != nil {
		c.wrong(s.verb, "a specimen fails once: this stands inside of another until failed already")
		return
	}
	a := Action{Op: Life, Open: c.flag(t["open"]), Channel: c.rig.Place.Resistance}
	when := t["when"]
	if t != nil && !a.Open && when == nil {
		c.wrong(s.with, "when the specimen has failed is missing here").Hint("open: true, or when: \"element.resistance > 13 kOhm\", or both")
	}
	if channel < 0 && !c.rig.Place.Lost {
		c.wrong(s.verb, "nothing on this rig reads the specimen's resistance").Note(c.rig.Doc, keyOf(c.rig.Doc.Root, "specimen place"), "resistance: belongs here")
	}
	if st == nil || channel < 0 || t["judged every"] == nil {
		c.inside(s.do)
		return
	}
	c.homed(st)
	c.life = &life{node: t["judged every"]}
	defer func() { c.life = nil }()
	c.begin()
	recorded := c.world.wishNs[channel]
	if c.readEvery(channel, t["judged every"], t["judged every"]) {
		if c.life.everyNs = c.world.wishNs[channel]; recorded > 0 {
			c.world.wishNs[channel] = min(recorded, c.life.everyNs)
		}
		c.poll(c.along([]int{channel}))
		for i := range c.rig.Instruments {
			c.busy(i)
		}
	}
	a.EveryNs = c.life.everyNs
	if when != nil {
		if x, is := c.expression(when); is && c.awaited(x, 0, nil) != nil {
			a.When = x.text
		}
	}
	at := len(c.plan.Actions)
	c.emit(a)
	c.inside(s.do)
	c.partOver(st, at)
}

// partOver is the end of a specimen's part, whether it has failed or not.
func (c *compiler) partOver(st *stage, life int) {
	if c.quiet == 0 && life < len(c.plan.Actions) {
		c.plan.Actions[life].Jump = len(c.plan.Actions)
	}
	c.begin()
	if c.life.follows {
		c.poll([]int{st.position})
	}
	c.goTo(st, st.flat(), c.speed(st, nil), arriveSpareNs+nanoseconds(st.lasting(0, c.furthest(st), usualSpeed)), nil)
	i := c.specimenMeter()
	p := c.rig.Instruments[i].Profile
	c.rest(c.dependents(i))
	c.world.settings[i][p.Set(setOutput)].known = false // it is switched off in any case
	c.emit(Action{Op: Set, Setpoints: c.command(i, map[int]want{p.Set(setOutput): {state: p.Sets[p.Set(setOutput)].State(stateOff)}})})
	c.electric()
	c.emit(Action{Op: Over})
}

// furthest is how far the stage can be from where it is bent least.
func (c *compiler) furthest(st *stage) float64 { return st.fixture.Limits().GreatestTravelM }

// samePlaces tells how far, in cycles, a reading is from the place in its cycle of the one
// before, or of the last but one, and whether that is too near.
func samePlaces(everyNs int64, period float64) (beside float64, same bool) {
	passed := float64(everyNs) / 1e9 / period
	beside = math.Abs(2*passed-math.Round(2*passed)) / 2
	return beside, beside < phasesApart
}

// onePhase refuses a rate of cycling at which readings meet the same part of each cycle:
// a film that is open only while it is bent would not show.
func (c *compiler) onePhase(y *cycling, rate *yamltext.Node) {
	if c.life == nil || c.life.everyNs == 0 || y.period == 0 {
		return
	}
	if _, as := c.judgedApart(y); !as { // read more often than judged, and that does
		return
	}
	every := float64(c.life.everyNs) / 1e9
	beside, same := samePlaces(c.life.everyNs, y.period)
	if !same {
		return
	}
	better := (math.Floor(every/y.period) + 0.38) * y.period // of the golden section: no phase comes again soon
	if better < every {
		better += y.period
	}
	again := "which always meets the same places in it"
	if beside >= 0.0005 {
		again = fmt.Sprintf("and every reading, or every other one, is only %.2g of a cycle from the place in it of the one before", beside)
	}
	c.wrong(rate, "a cycle takes %.6g s, and the film is judged every %.6g s, %s: what is open only while it is bent would not show, or late",
		y.period, every, again).Note(c.doc, c.life.node, "as is said here").
		Hint("judged every: " + near(better, inSeconds))
}

// judgedApart tells how often the film is read outside of cycles, and whether it is read
// within them as often as it is judged: always, where it is not recorded more often, and
// else where readings at that rate would meet the same places in each cycle.
func (c *compiler) judgedApart(y *cycling) (recordedNs int64, as bool) {
	recordedNs = c.world.wishNs[c.rig.Channel(c.rig.Place.Resistance)]
	_, same := samePlaces(recordedNs, y.period)
	return recordedNs, same || recordedNs >= c.life.everyNs
}

// inLife does so many cycles, in which the film may have to be read at another rate than
// between them.
func (c *compiler) inLife(y *cycling, n int64) {
	if n == 0 {
		return
	}
	if c.life == nil || c.life.everyNs == 0 {
		c.run(y, n)
		return
	}
	recorded, as := c.judgedApart(y)
	if !as || recorded == c.life.everyNs {
		c.run(y, n)
		return
	}
	film := c.rig.Channel(c.rig.Place.Resistance)
	c.world.wishNs[film] = c.life.everyNs
	c.begin()
	c.poll(c.along([]int{film}))
	c.run(y, n)
	c.world.wishNs[film] = recorded
	c.begin()
	c.poll(c.along([]int{film}))
}

// failsWords says when a specimen has failed.
func failsWords(a Action) string {
	text := "until the specimen has failed: "
	switch {
	case a.Open && a.When != "":
		text += "it is open in three readings, or " + a.When
	case a.Open:
		text += "it is open in three readings"
	default:
		text += a.When
	}
	return text + "; judged every " + near(float64(a.EveryNs)/1e9, inSeconds) + "; then, or at the end, back to flat and the source off"
}
