package plan

import (
	"slices"
	"strconv"
	"strings"

	"dwell/drivers/yamltext"
)

// This file goes through the steps of a protocol in the order in which they will be
// performed. A for each is unrolled; a repeat becomes a counted loop, looked at in
// its first and in a later pass.

// step is one entry of a list of steps.
type step struct {
	verb *yamltext.Node // its key
	name string         // what it is, or is taken for when it is misspelt
	with *yamltext.Node // what stands behind it
	do   *yamltext.Node // the steps inside
}

// verbs are the steps there are.
var verbs = []string{"confirm", "source", "source off", "for each", "repeat", "group", "until failed", "bring", "ramp", "hold", "record",
	"mark", "note", "sweep", "place", "lift", "ask", "home", "bend", "flat", "open", "cycle"}

// containers are the steps with steps inside.
var containers = []string{"for each", "repeat", "group", "until failed"}

// stepKeys are keys that stand inside a step.
var stepKeys = []string{"at most", "then wait", "within", "for", "until", "otherwise", "without waiting", "and back", "shuffled", "times", "as",
	"compliance", "wires", "integration", "reverse", "settle", "read", "t0", "by", "to", "at", "plate to", "current", "voltage", "instrument"}

// otherWords are what people call steps elsewhere.
var otherWords = map[string]string{"wait": "hold", "pause": "hold", "sleep": "hold", "dwell": "hold", "soak": "hold", "delay": "hold",
	"heat": "bring", "set": "bring or source", "heat to": "bring", "goto": "bring", "loop": "repeat", "for": "for each", "foreach": "for each",
	"measure": "record or sweep", "read": "record or sweep", "log": "record", "comment": "note", "steps": "do", "prompt": "ask", "output off": "source off", "iv": "sweep"}

func isIn(list []string, word string) bool { return slices.Contains(list, word) }
func isOneOf(list []int, n int) bool       { return slices.Contains(list, n) }

// walk goes through a list of steps.
func (c *compiler) walk(n *yamltext.Node) {
	if n != nil && n.Kind == yamltext.Mapping {
		c.wrong(n, "a list is expected here, not %s", n.Kind).Hint("begin every step with a dash, as in - hold: 2 min")
		c.doubtAll()
		return
	}
	items := c.items(n)
	if n != nil && n.Kind == yamltext.Sequence && len(items) == 0 {
		c.wrong(n, "there are no steps here")
	}
	if len(items) == 0 {
		c.doubtAll()
	}
	c.path = append(c.path, 0)
	for i, item := range items {
		if c.stopped {
			break
		}
		c.path[len(c.path)-1] = i + 1
		for _, s := range c.entry(item) {
			outer := c.at
			c.at = s.verb
			done := c.open(s, i+1)
			c.perform(s)
			done()
			c.at = outer
		}
		c.count(item)
	}
	c.path = c.path[:len(c.path)-1]
}

// count bounds the work and the size of a plan.
func (c *compiler) count(n *yamltext.Node) {
	c.steps++
	if c.m.Len() > mostMistakes {
		c.stopped = true
	}
	if c.stopped || c.steps <= mostSteps && len(c.plan.Actions) <= mostActions {
		return
	}
	c.stopped = true
	c.wrong(n, "the protocol becomes longer than %d actions here", mostActions).Hint("repeat counts without growing; for each does not")
}

// entry finds the steps of an entry: one, and more of them only where a dash is
// missing.
func (c *compiler) entry(n *yamltext.Node) (all []step) {
	if n.Kind != yamltext.Mapping {
		x := c.wrong(n, "a step is a verb with a colon behind it, as in hold: 2 min")
		if key, value, is := strings.Cut(n.Text, ":"); is {
			x.Hint("a space stands behind the colon: write " + key + ": " + strings.TrimSpace(value))
		}
		c.doubtAll()
		return nil
	}
	var do *yamltext.Node
	isRead := true
	for _, p := range n.Pairs {
		name := p.Key.Text
		if name != "do" && !isIn(verbs, name) {
			isRead, name = false, c.misspelt(p.Key, all)
		}
		switch {
		case name == "do":
			do = p.Value
		case name != "" && len(all) > 0:
			c.wrong(p.Key, "a second step in one entry").Note(c.doc, all[0].verb, "the first one").Hint("begin every step with a dash")
			isRead = false
			fallthrough
		case name != "":
			all = append(all, step{verb: p.Key, name: name, with: p.Value})
		}
	}
	k := slices.IndexFunc(all, func(s step) bool { return isIn(containers, s.name) })
	switch {
	case !isRead:
	case len(all) == 0:
		c.wrong(n, "a step without a verb")
		c.doubtAll()
	case k >= 0 && do == nil:
		c.wrong(all[k].verb, "%q needs steps under do", all[k].name)
	case k < 0 && do != nil:
		c.wrong(do, "%q has no steps inside", all[0].name).Hint("for each, repeat, group and until failed have")
	}
	if k >= 0 {
		all[k].do = do
	} else {
		c.nameless(do)
	}
	return all
}

// misspelt reports a verb that there is none of, and returns the one it is taken for;
// with none, whatever it was to do is in doubt.
func (c *compiler) misspelt(n *yamltext.Node, before []step) string {
	x := c.wrong(n, "%q is no step", n.Text)
	near := yamltext.Nearest(n.Text, append(slices.Clone(verbs), "do"))
	meant := otherWords[strings.ToLower(n.Text)]
	switch {
	case isIn(stepKeys, n.Text) && len(before) > 0:
		x.Hint("if it belongs to " + before[0].verb.Text + ", put it inside its braces")
		return "" // what it was to say is missing there
	case meant != "":
		x.Hint("did you mean " + meant + "?")
		near = ""
	case near == "":
		x.Hint("steps are " + strings.Join(verbs, ", "))
	default:
		x.Hint("did you mean " + near + "?")
	}
	if near == "" || near == "source off" { // "source on" is near to it, and is something else
		c.doubtAll()
		return ""
	}
	return near
}

func (c *compiler) perform(s step) {
	switch s.name {
	case "confirm":
		c.confirmStep(s)
	case "source":
		c.source(s)
	case "source off":
		c.sourceOff(s)
	case "for each":
		c.forEach(s)
	case "repeat":
		c.repeat(s)
	case "group":
		c.group(s)
	case "bring":
		c.bring(s)
	case "ramp":
		c.ramp(s)
	case "hold":
		c.hold(s)
	case "record":
		c.recordStep(s)
	case "mark", "note":
		c.remark(s)
	case "sweep":
		c.sweep(s)
	case "place", "lift":
		c.move(s)
	case "ask":
		c.ask(s)
	case "until failed":
		c.untilFailed(s)
	case "home":
		c.homeStep(s)
	case "bend", "flat", "open":
		c.bendStep(s)
	case "cycle":
		c.cycle(s)
	}
}

// stepName is the path and the name of the step we are at: "5.2 bring".
func (c *compiler) stepName() string {
	var parts []string
	for _, k := range c.path {
		parts = append(parts, strconv.Itoa(k))
	}
	name := strings.Join(parts, ".")
	if c.at != nil {
		name += " " + c.at.Text
	}
	return name
}

// begin opens a step in the plan.
func (c *compiler) begin() { c.emit(Action{Op: Begin, Role: c.role}) }

// emit adds an action to the plan, unless a loop is only being looked at.
func (c *compiler) emit(a Action) {
	c.noted(a)
	if c.quiet > 0 || c.stopped {
		return
	}
	a.Step = c.stepName()
	if c.at != nil {
		a.Line = c.at.Pos.Line
	}
	c.plan.Actions = append(c.plan.Actions, a)
	c.outline.of = append(c.outline.of, c.outline.now)
}

// deeper is whether steps may be nested once more.
func (c *compiler) deeper(at *yamltext.Node) bool {
	if c.depth < deepest {
		return true
	}
	c.wrong(at, "steps are nested deeper than %d levels here", deepest)
	c.doubtAll()
	return false
}

// as reads the role of what is inside.
func (c *compiler) as(n *yamltext.Node) {
	if n != nil {
		c.role = c.word(n, "role", "conditioning", "warm-up", checkStandard)
	}
}

// inside walks through the steps of a container.
func (c *compiler) inside(steps *yamltext.Node) {
	c.depth++
	c.walk(steps)
	c.depth--
}

func (c *compiler) group(s step) {
	t := c.table(s.with, "!as")
	if !c.deeper(s.verb) {
		return
	}
	role := c.role
	c.as(t["as"])
	c.inside(s.do)
	c.role = role
}

// forEach unrolls a loop over a range or a list. The number of the pass stands in
// the path behind that of the step.
func (c *compiler) forEach(s step) {
	known := []string{"and back", "shuffled"}
	isRead := s.with.Kind == yamltext.Mapping
	var key, over *yamltext.Node
	var back, seed *yamltext.Node
	for _, p := range c.pairs(s.with) {
		switch {
		case p.Key.Text == "and back":
			back = p.Value
		case p.Key.Text == "shuffled":
			seed = p.Value
		case key != nil || !isName(p.Key.Text):
			isRead = false
			x := c.wrong(p.Key, "unknown key %q", p.Key.Text)
			if near := yamltext.Nearest(p.Key.Text, known); near != "" {
				x.Hint("did you mean " + near + "?")
			} else {
				x.Hint("for each gives one name to one value after the other")
			}
		default:
			key, over = p.Key, p.Value
		}
	}
	if key == nil && isRead {
		c.wrong(s.verb, "a name for the values is missing").Hint("for each: {setpoint: 20 degC to 40 degC by 5 K}")
	}
	if key == nil {
		c.nameless(s.do)
		return
	}
	all := c.values(over)
	all = c.order(all, back, seed)
	if !c.deeper(s.verb) {
		return
	}
	outer, had := c.names[key.Text]
	if c.taken(key) || len(all) == 0 { // a mistake already; what stands inside is looked at all the same
		all = []value{{}}
	}
	c.path = append(c.path, 0)
	for i, v := range all {
		c.names[key.Text] = given{v.Quantity, key}
		c.path[len(c.path)-1] = i + 1
		c.pass(v)
		c.round(int64(len(all)), true, func() { c.inside(s.do) })
	}
	if delete(c.names, key.Text); had {
		c.names[key.Text] = outer
	}
	c.path = c.path[:len(c.path)-1]
}

// taken is whether a word cannot be the name of a loop's value.
func (c *compiler) taken(key *yamltext.Node) bool {
	before := c.m.Len()
	_, had := c.names[key.Text]
	c.name(key, given{}.Quantity)
	if !had {
		delete(c.names, key.Text)
	}
	return had || c.m.Len() > before
}

// order brings values into the order asked for.
func (c *compiler) order(all []value, back, seed *yamltext.Node) []value {
	if seed != nil {
		if back != nil {
			c.wrong(seed, "a shuffled order has no way back").Note(c.doc, back, "asked for here")
		}
		const largest = 1<<31 - 1
		if k, ok := c.doc.Int(seed, c.m, 0, largest); ok {
			shuffle(all, uint64(k))
			c.plan.Seed = uint64(k)
		}
		return all
	}
	if c.flag(back) {
		for i := len(all) - 2; i >= 0; i-- {
			all = append(all, all[i])
		}
	}
	return all
}

// shuffle puts values into an order that only depends on the seed: Fisher-Yates
// over SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; constants from memory, and it
// is the order in the plan that counts).
func shuffle(all []value, seed uint64) {
	next := func() uint64 {
		seed += 0x9e3779b97f4a7c15
		z := seed
		z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		return z ^ z>>31
	}
	for i := len(all) - 1; i > 0; i-- {
		k := next() % uint64(i+1) // at most 10,000 values: the bias is below 1e-15
		all[i], all[k] = all[k], all[i]
	}
}

// repeat makes a counted loop. Its steps are looked at twice, as they find the
// bench in the first pass and as they leave it for the next; then they are taken
// down once, in such a way that both are served.
func (c *compiler) repeat(s step) {
	t := c.table(s.with, "!times", "as")
	times, ok := 0, false
	if t["times"] != nil {
		times, ok = c.doc.Int(t["times"], c.m, 1, mostTimes)
	}
	if !c.deeper(s.verb) {
		return
	}
	role := c.role
	c.as(t["as"])
	start, again := c.world.clone(), c.again
	c.quiet++
	before := c.tally
	inside := func() { c.round(int64(times), false, func() { c.inside(s.do) }) }
	inside()
	first := c.tally.minus(before)
	end := c.world.clone()
	if !ok || times > 1 {
		c.again = s.verb
		inside()
		c.again = again
		later := c.tally.minus(before).minus(first)
		c.tally = before.plus(first).plus(later.times(float64(max(0, times-1))))
	}
	c.quiet--
	after := c.world
	c.begin()
	jump := len(c.plan.Actions)
	c.emit(Action{Op: Loop, Count: int64(times)})
	switch {
	case c.quiet == 0 && c.muted != nil: // inside a loop that is being taken down
		c.world = start.either(end)
		inside()
	case c.quiet == 0:
		c.mute(func() {
			c.world = start.either(end)
			inside()
		})
	}
	c.emit(Action{Op: Again, Jump: jump})
	c.world, c.role = after, role
}

// mute does something whose mistakes and times have been told before.
func (c *compiler) mute(f func()) {
	m, t, p := c.m, c.tally, c.peak
	c.m, c.muted = &yamltext.Mistakes{}, m
	f()
	c.m, c.muted, c.tally, c.peak = m, nil, t, p
}

// remark is a mark or a note.
func (c *compiler) remark(s step) {
	op := Mark
	if s.name == "note" {
		op = Note
	}
	text := c.text(s.with)
	c.begin()
	c.emit(Action{Op: op, Text: text})
}
