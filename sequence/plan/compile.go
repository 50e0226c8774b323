package plan

import (
	"fmt"
	"maps"
	"slices"

	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// Options are what is decided outside a protocol.
type Options struct {
	Unattended bool // refuse whatever needs a person, whatever the protocol says
}

// Format is the edition of the protocol language.
const format = "1"

// Bounds on a protocol. Nobody writes by hand what is beyond them.
const (
	mostActions  = 100_000   // of a plan
	mostSteps    = 400_000   // looked at while a plan is made, with every pass of a for each
	mostTimes    = 1_000_000 // of a repeat
	mostMistakes = 1000      // before the rest is not looked at
	deepest      = 8         // for each, repeat and group inside each other
)

// compiler walks through a protocol once, in the order in which it will be
// performed, and knows at every step how the bench will stand then.
type compiler struct {
	doc      *yamltext.Document
	rig      *rig.Rig
	specimen *rig.Specimen
	m        *yamltext.Mistakes
	plan     *Plan

	names     map[string]given // let, and the names of for each
	lostNames bool             // some of them could not be read: any word may be one
	rules     rules
	wanted    []wish       // channels to be read: those named by record first
	rateless  map[int]bool // of these the rate could not be read

	world   world
	tally   tally
	outline outline
	peak    peak

	at      *yamltext.Node         // the verb of the step being looked at
	path    []int                  // numbers of the steps down to it
	life    *life                  // the block in which the specimen may fail, or nil
	depth   int                    // of nesting
	role    string                 // of the group or loop round it
	quiet   int                    // loops being looked at without taking down what they do
	muted   *yamltext.Mistakes     // where mistakes go while a loop is taken down that was looked at before
	again   *yamltext.Node         // the loop being looked at in a later pass
	steps   int                    // looked at so far
	stopped bool                   // the plan has become too long; said once
	waits   []expression           // that are waited for
	sourced map[int]*yamltext.Node // by instrument: the first step that switches its output on
	heated  map[int]bool           // by instrument: that some step has it heat
	said    map[said]bool
	// wrongValues is what was first said of a value that is wrong.
	wrongValues map[wrongAt]*yamltext.Mistake
	driven      map[int]*yamltext.Node // by instrument: where its level was last given
	levels      []level                // that sources are told, by what is commanded
}

// sections are those of a protocol; those after a "!" must be there.
var sections = []string{"!format", "!title", "unattended", "let", "limits", "interlocks", "record", "!ends", "!steps"}

// given is what a name stands for; nothing after a mistake.
type given struct {
	quantity.Quantity
	from *yamltext.Node
}

// Compile turns a protocol into a plan for a rig and a specimen, and adds every
// mistake it finds to m. With mistakes there the plan is not to be used.
func Compile(doc *yamltext.Document, r *rig.Rig, s *rig.Specimen, o Options, m *yamltext.Mistakes) *Plan {
	c := &compiler{doc: doc, rig: r, specimen: s, m: m, names: map[string]given{}, sourced: map[int]*yamltext.Node{}, heated: map[int]bool{}, driven: map[int]*yamltext.Node{}, said: map[said]bool{}, wrongValues: map[wrongAt]*yamltext.Mistake{}, rateless: map[int]bool{},
		plan: &Plan{Version: Version, Rig: r.Name, Specimen: s.ID, Unattended: o.Unattended}}
	c.outline = outline{rows: map[*yamltext.Node]int{}, now: -1, times: 1}
	c.world, c.peak = newWorld(r), peak{degC: r.AmbientDegC}
	t := c.table(doc.Root, sections...)
	if n := t["format"]; n != nil && c.text(n) != format {
		c.wrong(n, "this is edition %q of the protocol language, dwell knows edition %s", n.Text, format)
	}
	c.plan.Title = c.text(t["title"])
	c.plan.Unattended = c.flag(t["unattended"]) || o.Unattended
	c.lostNames = t["let"] != nil && t["let"].Kind != yamltext.Mapping || doc.Root != nil && yamltext.IsMisspelt(doc.Root, []string{"let"}, "let")
	c.let(t["let"])
	c.ends(t["ends"])
	c.gatherLimits(t["limits"])
	c.gatherWishes(t["record"])
	c.gatherInterlocks(t["interlocks"])
	c.emit(Action{Op: Record}) // filled in at the end: what cannot be read yet
	c.prepared()
	c.walk(t["steps"])
	c.finish(t)
	return c.plan
}

// let gives names to quantities.
func (c *compiler) let(n *yamltext.Node) {
	for _, p := range c.pairs(n) {
		v, _ := c.quantity(p.Value)
		c.name(p.Key, v.Quantity)
	}
}

// name gives a name a meaning, if it can be one.
func (c *compiler) name(key *yamltext.Node, q quantity.Quantity) {
	word := key.Text
	_, isUnit := quantity.LookUp(word)
	known := c.names[word]
	switch {
	case !isName(word):
		c.wrong(key, "%q cannot be a name", word).Hint("use letters, digits and _, and begin with a letter")
	case isUnit:
		c.wrong(key, "%q cannot be a name: it is a unit", word)
	case slices.Contains(reserved, word):
		c.wrong(key, "%q cannot be a name: it means something in expressions", word)
	case known.from != nil:
		c.wrong(key, "the name %q is given a second time", word).Note(c.doc, known.from, "first given here")
	default:
		c.names[word] = given{q, key}
		return
	}
	if known.from == nil {
		c.names[word] = given{from: key}
	}
}

// reserved are the words of expressions (see safety/condition).
var reserved = []string{"abs", "and", "elapsed", "max", "mean", "min", "not", "or", "rate", "settled"}

func (c *compiler) nameList() []string { return slices.Sorted(maps.Keys(c.names)) }

// coolDefault is below what counts as safe to touch, if the protocol does not say.
const coolDefault = safety.TouchDegC

// coolMost is the warmest that may be called cool: safe to touch for ten minutes on any
// material (the same).
const coolMost = 48

// ends reads what ends the run at the latest.
func (c *compiler) ends(n *yamltext.Node) {
	t := c.table(n, "!at most", "off and cool by", "cool")
	c.plan.AtMostNs = c.time(t["at most"])
	c.plan.CoolDegC = coolDefault
	if v, ok := c.value(t["cool"], inDegC); ok {
		c.plan.CoolDegC = v.Value
		if v.Value <= c.rig.AmbientDegC {
			c.wrongValue(v, "nothing cools to %s where the ambient is %s", v.Quantity, degC(c.rig.AmbientDegC))
		} else if v.Value > coolMost {
			c.wrongValue(v, "what has %s is not cool: expected %s at most", v.Quantity, degC(coolMost))
		}
	}
	if by := t["off and cool by"]; by != nil {
		c.plan.OffBy = c.text(by)
		if !isTimeOfDay(c.plan.OffBy) {
			c.wrong(by, "%q is no time of day", by.Text).Hint(`write it as in "07:30", with 24 hours`)
		}
	}
}

func isTimeOfDay(text string) bool {
	var hours, minutes int
	n, err := fmt.Sscanf(text, "%02d:%02d", &hours, &minutes)
	return n == 2 && err == nil && len(text) == 5 && hours < 24 && minutes < 60 && hours >= 0 && minutes >= 0
}

func degC(v float64) quantity.Quantity {
	u, _ := quantity.LookUp("degC")
	return quantity.Quantity{Value: v, Unit: u}
}

// finish puts together what is only known at the end.
func (c *compiler) finish(t map[string]*yamltext.Node) {
	c.finishOutline()
	c.finishPolled()
	c.prelude()
	c.plan.Summary.Cover = c.cover()
	c.plan.FlatRead = c.flatRead()
	c.finishRules()
	c.finishWaits()
	c.finishSummary(t)
}
