package plan

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// This file makes the outline of a plan: its steps as they stand in the protocol, what
// stands in a loop once, with what each of them sets and waits for in words, read off the
// very actions that will be performed, defaults included.

// Step is one step of the outline.
type Step struct {
	Number      string   `json:"step"` // as in the step column; n for the number of the pass
	Depth       int      `json:"depth,omitempty"`
	Line        int      `json:"line"`
	Verb        string   `json:"verb"`
	Does        string   `json:"does,omitempty"`
	Values      []string `json:"values,omitempty"` // of a for each
	Role        string   `json:"role,omitempty"`
	StartsNs    int64    `json:"starts_ns"` // the first time
	TakesNs     int64    `json:"takes_ns"`  // the first time
	LongestNs   int64    `json:"longest_ns,omitempty"`
	Times       int64    `json:"times"`               // in the whole run
	PassesNs    []int64  `json:"passes_ns,omitempty"` // when they begin, beside the values
	NeedsPerson bool     `json:"needs_person,omitempty"`
}

// outline is what is noted while the compiler walks.
type outline struct {
	rows  map[*yamltext.Node]int // by verb
	now   int                    // the row being looked at, -1 before the first
	of    []int                  // row by action
	times int64                  // how often the place we are at is come by
	place []string               // path, with n for the number of a pass
}

// open begins a step of the outline, or comes by it again.
func (c *compiler) open(s step, k int) (close func()) {
	o := &c.outline
	outer, began := o.now, c.tally.seconds
	o.place = append(o.place, strconv.Itoa(k))
	at, known := o.rows[s.verb]
	if !known {
		at = len(c.plan.Summary.Steps)
		o.rows[s.verb] = at
		c.plan.Summary.Steps = append(c.plan.Summary.Steps, Step{Number: strings.Join(o.place, "."), Depth: len(o.place) - 1,
			Line: s.verb.Pos.Line, Verb: s.name, Role: c.role, StartsNs: countable(began), Times: o.times})
	}
	o.now = at
	return func() {
		x := &c.plan.Summary.Steps[at]
		took := countable(c.tally.seconds - began)
		switch {
		case !known:
			x.TakesNs = took
		case took > max(x.TakesNs, x.LongestNs)+1e9:
			x.LongestNs = took
		}
		o.now, o.place = outer, o.place[:len(o.place)-1]
	}
}

// round goes through the steps of a loop; what stands in them is done so many times as
// often as the loop.
func (c *compiler) round(times int64, passes bool, f func()) {
	o := &c.outline
	outer := o.times
	if o.times *= max(1, times); passes {
		o.place = append(o.place, "n")
		defer func() { o.place = o.place[:len(o.place)-1] }()
	}
	f()
	o.times = outer
}

// passes notes when the passes of a for each begin, the first time that it is done.
func (c *compiler) pass(v value) {
	x := &c.plan.Summary.Steps[c.outline.now]
	if x.TakesNs > 0 || len(x.PassesNs) >= mostPasses {
		return
	}
	x.PassesNs = append(x.PassesNs, countable(c.tally.seconds))
	x.Values = append(x.Values, v.String())
}

// mostPasses bounds what is listed of a for each.
const mostPasses = 100

// countable is a time that may be too long to be counted, in ns.
func countable(s float64) int64 { return int64(min(s, 9e9) * 1e9) }

// finishOutline says what every step does.
func (c *compiler) finishOutline() {
	said := make([][]string, len(c.plan.Summary.Steps)) // by row: of each time that it was taken down
	open := make([][]Action, len(said))
	end := func(row int) {
		if len(open[row]) > 0 {
			said[row] = append(said[row], c.words(open[row]))
			open[row] = nil
		}
	}
	for i, row := range c.outline.of {
		if row < 0 {
			continue
		}
		if c.plan.Actions[i].Op == Begin {
			end(row)
		}
		a := c.plan.Actions[i]
		open[row] = append(open[row], a)
		if a.Op == Person || a.Op == Wrap || (a.Op == Place || a.Op == Lift) && a.By == "person" {
			c.plan.Summary.Steps[row].NeedsPerson = true
		}
	}
	for row := range said {
		end(row)
		x := &c.plan.Summary.Steps[row]
		if x.Does = alike(said[row]); x.Verb == "cycle" {
			x.Does = c.cycleWords(row)
		}
	}
}

// cycleWords says what a step that cycles does: so many cycles in blocks, and how often it
// looks at the specimen between them.
func (c *compiler) cycleWords(row int) string {
	cycles, looks, first, look, part := int64(0), int64(0), Action{}, []Action(nil), []Action(nil)
	followed, how, polled, follows := int64(0), Action{}, []Polled(nil), false // single cycles are read more often
	times := []int64{1}
	isLook := false // a mark stands in what began last
	for i, r := range c.outline.of {
		if r != row {
			continue
		}
		switch a := c.plan.Actions[i]; a.Op {
		case Begin:
			isLook, part = false, nil
		case Loop:
			times = append(times, times[len(times)-1]*a.Count)
		case Again:
			times = times[:len(times)-1]
		case Cycle:
			cycles += times[len(times)-1] * a.Count
			if follows {
				followed, how = followed+times[len(times)-1]*a.Count, a
			} else {
				first = a
			}
		case Record:
			if follows = !follows; follows {
				polled = a.Polled
			}
		default:
			if part = append(part, a); a.Op == Mark && !isLook {
				isLook, looks = true, looks+times[len(times)-1]
			}
			if isLook && looks == times[len(times)-1] {
				look = part
			}
		}
	}
	if first.Op == "" {
		first = how
	}
	if first.Op == "" {
		return ""
	}
	first.Count = cycles
	text := c.does(first)
	if followed > 0 {
		text += c.followedWords(followed, how, polled)
	}
	if looks > 0 {
		text += fmt.Sprintf("; %d times between them: %s", looks, c.words(look))
	}
	return text
}

// prelude is what comes before the first step.
func (c *compiler) prelude() {
	steps, held := &c.plan.Summary.Steps, map[string]bool{}
	if len(c.plan.Actions) > 0 && c.plan.Actions[0].Op == Record {
		for _, p := range c.plan.Actions[0].Polled {
			held[p.Channel] = true
		}
	}
	now := slices.DeleteFunc(slices.Clone(c.plan.Polled), func(p Polled) bool { return held[p.Channel] })
	x := Step{Number: "0", Verb: "prepare", Does: "every instrument to a known state, everything off", Times: 1}
	if text := c.readText(now); text != "" {
		x.Does += "; " + text
	}
	if len(*steps) > 0 {
		x.TakesNs = (*steps)[0].StartsNs
	}
	*steps = slices.Insert(*steps, 0, x)
}

// words says what the actions of one step do.
func (c *compiler) words(all []Action) string {
	var parts []string
	for _, a := range all {
		if text := c.does(a); text != "" {
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, "; ")
}

func (c *compiler) does(a Action) string {
	s := func(ns int64) string { return near(float64(ns)/1e9, inSeconds) }
	in := func(channel string, v float64, delta bool) string {
		dim := c.rig.Channels[c.rig.Channel(channel)].Unit.Dim
		if delta {
			dim = difference(dim)
		}
		return near(v, dim)
	}
	orElse := ", or the run ends"
	if a.GoOn {
		orElse = ", then goes on"
	}
	switch a.Op {
	case Set:
		return settings(a.Setpoints)
	case Arrive:
		return fmt.Sprintf("waits until %s is within %s of %s for %s, at most %s%s", a.Channel, in(a.Channel, a.Within, true), in(a.Channel, a.Target, false), s(a.DurationNs), s(a.AtMostNs), orElse)
	case Wait:
		return "waits " + s(a.DurationNs)
	case Until:
		return fmt.Sprintf("waits until %s, at most %s%s", a.When, s(a.AtMostNs), orElse)
	case Ramp:
		return fmt.Sprintf("%s from %s at %s/min", settings(a.Setpoints), near(a.From, inDegC), near(60*a.RatePerS, inKelvin))
	case Sweep:
		x := a.Setpoints[0]
		var values []string
		for _, v := range a.Values {
			x.Value = v
			values = append(values, valueText(x))
		}
		return fmt.Sprintf("%s %s %s; at each waits %s and reads %s", x.Instrument, x.Quantity, shortened(values), s(a.DurationNs), strings.Join(a.Channels, ", "))
	case Mark, Note:
		return a.Text
	case Loop:
		return strconv.FormatInt(a.Count, 10) + " times"
	}
	return c.doesByHand(a)
}

// doesByHand is about the specimen and whoever stands at the bench.
func (c *compiler) doesByHand(a Action) string {
	s := func(ns int64) string { return near(float64(ns)/1e9, inSeconds) }
	switch a.Op {
	case Person:
		return fmt.Sprintf("asks a person: %q, at most %s", a.Text, s(a.AtMostNs))
	case Place, Lift:
		to := "onto the plate"
		if a.Op == Lift {
			to = "to " + a.To
		}
		text := fmt.Sprintf("%s moves the specimen %s, at most %s", a.By, to, s(a.AtMostNs))
		switch a.T0 {
		case "onset":
			text += fmt.Sprintf("; the moment is looked for in %s, %s before and after", a.Channel, s(a.DurationNs))
		case "contact":
			text += "; the moment is that of " + a.When
		}
		return text
	case Confirm:
		k := a.Confirm
		return fmt.Sprintf("asks for the id, expects %s; %s; expects %s to %s, the same both ways within %.2g %%", k.Specimen, settings(a.Setpoints), near(k.LowOhm, inOhm), near(k.HighOhm, inOhm), 100*k.Asymmetry)
	case Record:
		return c.readText(a.Polled)
	case Life:
		return failsWords(a)
	case Wrap:
		return fmt.Sprintf("a person lays the strip %s, at most %s", a.Text, s(a.AtMostNs))
	case Home, Move, Cycle:
		return c.doesMotion(a)
	}
	return ""
}

// doesMotion is about a stage.
func (c *compiler) doesMotion(a Action) string {
	most := near(float64(a.AtMostNs)/1e9, inSeconds)
	switch a.Op {
	case Home:
		text := fmt.Sprintf("%s looks for its switch, at most %s", a.Setpoints[0].Instrument, most)
		if a.Text != "" {
			text = "asks a person whether it may; " + text
		}
		return text
	case Cycle:
		if a.When != "" {
			most += "; ends the step as soon as " + a.When
		}
		return fmt.Sprintf("%d times %s (%s %s and back to %s), each time in %s; then looks whether it stands there, at most %s", a.Count, a.Text, a.Setpoints[0].Instrument,
			valueText(a.Setpoints[0]), valueText(a.Setpoints[1]), near(float64(a.DurationNs)/1e9, inSeconds), most)
	}
	return fmt.Sprintf("%s; waits until it stands within %s of %s, at most %s, or the run ends", settings(a.Setpoints), near(a.Within, inMetre), near(a.Target, inMetre), most)
}

// readText says at what rates is read from a step on.
func (c *compiler) readText(polled []Polled) string {
	text, last := "", int64(0)
	for k, p := range polled {
		if p.EveryNs == 0 {
			continue // only for as long as the output is off
		}
		switch {
		case text == "":
			text = "reads "
		case p.EveryNs == last:
			text += ", "
		default:
			text += "; "
		}
		text, last = text+p.Channel, p.EveryNs
		if k == len(polled)-1 || polled[k+1].EveryNs != last {
			text += " every " + near(float64(last)/1e9, inSeconds)
		}
	}
	return text
}

// settings says what is set to what.
func settings(all []Setpoint) string {
	text, last := "", ""
	for _, s := range all {
		switch {
		case text == "":
			text = s.Instrument + " "
		case s.Instrument != last:
			text += "; " + s.Instrument + " "
		default:
			text += ", "
		}
		last = s.Instrument
		text += s.Quantity + " " + valueText(s)
	}
	return text
}

func valueText(s Setpoint) string {
	if s.State != "" {
		return s.State
	}
	u, _ := quantity.LookUp(s.Unit)
	return near(s.Value, u.Dim)
}

// shortened leaves out the middle of a long list.
func shortened(all []string) string {
	const most = 8
	if len(all) > most {
		return fmt.Sprintf("%s, … %s (%d values)", strings.Join(all[:3], ", "), all[len(all)-1], len(all))
	}
	return strings.Join(all, ", ")
}

// alike is what several passes through one step have in common: numbers that differ
// become a range. A later pass may lack what the first one had to set (heat on). When
// more than that differs it is the first pass.
func alike(all []string) string {
	if len(all) == 0 {
		return ""
	}
	words := strings.Split(all[0], " ")
	low, high := make([]float64, len(words)), make([]float64, len(words))
	for k := range words {
		low[k], _ = number(words[k])
		high[k] = low[k]
	}
	for _, text := range all[1:] {
		these := strings.Split(text, " ")
		for n := 1; n <= min(len(words), len(these)); n++ { // from the end
			k := len(words) - n
			w := these[len(these)-n]
			v, isNumber := number(w)
			_, both := number(words[k])
			switch {
			case isNumber && both:
				low[k], high[k] = min(low[k], v), max(high[k], v)
			case w != words[k] && len(these)-n <= 1 && len(these) < len(words):
			case w != words[k]:
				return all[0] + " (the first time)"
			}
		}
	}
	for k, w := range words {
		if low[k] != high[k] {
			words[k] = fmt.Sprintf("%g…%g%s", low[k], high[k], w[len(strings.TrimRight(w, ",;")):])
		}
	}
	return strings.Join(words, " ")
}

func number(word string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.TrimRight(word, ",;"), 64)
	return v, err == nil
}
