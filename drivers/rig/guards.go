package rig

import (
	"bytes"
	"math"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/dialect"
	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// This file reads what a profile says of safety: how the instrument is watched,
// made safe and limited.

// watch reads what shows that somebody else changed the instrument.
func (r *profileReader) watch(n *yamltext.Node) {
	t := r.table(n, "ask", "settings")
	for _, n := range r.items(t["ask"]) {
		c := r.table(n, "!ask", "answer", "channel", "wrong bits", "wrong values", "wrong words", "while", "reset")
		check := Check{Question: r.question(c), Bits: r.wrongs(c["wrong bits"]), Values: r.wrongs(c["wrong values"])}
		for _, pair := range r.entries(c["wrong words"]) {
			check.Words = append(check.Words, WrongWord{pair.Key.Text, r.text(pair.Value)})
		}
		r.resets(&check, c["reset"])
		check.While = r.condition(c["while"])
		if c != nil && len(check.Bits)+len(check.Values)+len(check.Words) == 0 {
			r.wrong(n, "wrong bits, values or words are missing here: nothing would ever be found")
		}
		r.p.Watch.Checks = append(r.p.Watch.Checks, check)
	}
	for _, name := range r.texts(t["settings"]) {
		i := r.p.Set(name)
		switch {
		case i < 0:
			r.unknown(t["settings"], "quantity that can be set", name, r.p.setNames())
		case r.p.Sets[i].Back == nil:
			r.wrong(t["settings"], "%q cannot be read back", name)
		default:
			r.p.Watch.Settings = append(r.p.Watch.Settings, i)
		}
	}
}

// resets reads which of the wrong numbers say that the instrument was reset.
func (r *profileReader) resets(c *Check, n *yamltext.Node) {
	for _, one := range r.oneOrMore(n) {
		number, err := strconv.Atoi(r.text(one))
		known := slices.ContainsFunc(append(slices.Clone(c.Bits), c.Values...), func(w Wrong) bool { return w.Number == number })
		if err != nil || !known {
			r.wrong(one, "%q is none of the wrong numbers here", one.Text)
			continue
		}
		c.Resets = append(c.Resets, number)
	}
}

func (r *profileReader) wrongs(n *yamltext.Node) []Wrong {
	var all []Wrong
	for _, pair := range r.entries(n) {
		number, err := strconv.Atoi(pair.Key.Text)
		if err != nil {
			r.wrong(pair.Key, "a whole number is expected here, not %q", pair.Key.Text)
		}
		all = append(all, Wrong{number, r.text(pair.Value)})
	}
	return all
}

// safe reads what makes the instrument safe, and what shows it.
func (r *profileReader) safe(n, root *yamltext.Node) {
	proven, shown := false, false
	var echoes []*yamltext.Node // the grades of those that only read back what was commanded
	for _, n := range r.items(n) {
		t := r.table(n, "!send", "then wait", "ask", "answer", "channel", "expect", "within", "evidence")
		a := SafeAction{Send: r.commands(t["send"]), After: r.span(t["then wait"]), Expect: r.texts(t["expect"])}
		a.Within = r.number(t["within"])
		for _, text := range a.Expect {
			if x, ok := dialect.Number([]byte(text)); ok && !(a.Within >= 0 && a.Within <= max(1, mostOff*math.Abs(x))) {
				r.wrong(t["within"], "an answer as far from %s as this would show nothing: 1, or 10 %% of what is expected, is the most", text)
			}
		}
		if t["ask"] != nil {
			q := r.question(t)
			a.Back = &q
		}
		words := []string{drivers.Indirect.String(), drivers.Direct.String()}
		if i := r.oneOf(t["evidence"], "grade of evidence", words); i >= 0 {
			a.Grade = [...]drivers.Grade{drivers.Indirect, drivers.Direct}[i]
		}
		if has := t["ask"] != nil; t != nil && (has != (t["expect"] != nil) || has != (t["evidence"] != nil)) {
			r.wrong(n, "ask, expect and evidence belong together: what is asked, what must be answered, and what that is worth")
		}
		if c := r.echoed(a); c != nil {
			r.unheated(c, a, t["expect"])
			echoes = append(echoes, or(t["evidence"], n))
		} else {
			shown = shown || a.Back != nil && a.Grade == drivers.Direct
		}
		proven = proven || a.Back != nil
		r.p.Safe = append(r.p.Safe, a)
	}
	for _, n := range echoes {
		if n.Text == drivers.Direct.String() && !shown {
			r.wrong(n, "that a commanded value is answered as it was sent is no direct evidence that nothing heats").
				Hint("write indirect, or ask for the state of the heat as well")
		}
	}
	nodes, sent := []*yamltext.Node{}, [][][]byte{}
	for i, n := range r.items(n) {
		said := slices.Clone(r.p.Safe[i].Send)
		if back := r.p.Safe[i].Back; back != nil {
			said = append(said, back.Ask)
		}
		nodes, sent = append(nodes, n), append(sent, said)
	}
	r.switched("making safe", nodes, sent)
	r.switchedOff(or(n, root))
	for _, c := range r.p.Sets {
		if (len(c.Energises) > 0 || c.Moves) && !proven {
			r.wrong(or(n, root), "%s can energise, but nothing under safe shows that it is off again", c.Quantity).
				Hint("an action under safe needs ask, expect and evidence")
			return
		}
	}
}

// mostOff is how far an answer that shows safety may be from what is expected, as a part
// of it: a rule of thumb, no source.
const mostOff = 0.1

// echoed is the value whose question back an action under safe asks, where the instrument
// heats: it shows what was commanded, and not what happens.
func (r *profileReader) echoed(a SafeAction) *Commanded {
	if a.Back == nil || r.p.Set(heat) < 0 {
		return nil
	}
	for i := range r.p.Sets {
		if c := &r.p.Sets[i]; len(c.States) == 0 && c.Back != nil && bytes.Equal(c.Back.Ask, a.Back.Ask) {
			return c
		}
	}
	return nil
}

// unheated makes sure that a value commanded to be safe is not above the one that the
// instrument is prepared with.
func (r *profileReader) unheated(c *Commanded, a SafeAction, n *yamltext.Node) {
	for _, text := range a.Expect {
		if x, ok := dialect.Number([]byte(text)); ok && c.HasDefault && x*c.Unit.Factor > c.DefaultValue {
			r.wrong(n, "a %s of %s is above its default: making safe must not heat", c.Quantity, text)
		}
	}
}

// switched makes sure that what is sent to be prepared or safe, written at these nodes,
// brings nothing into a state that energises. Letters count as the same in either case,
// since many instruments take them so.
func (r *profileReader) switched(what string, nodes []*yamltext.Node, sent [][][]byte) {
	for k := range r.p.Sets {
		c := &r.p.Sets[k]
		_, rest := c.energising()
		for i, state := range c.States {
			if !slices.Contains(c.Energises, state) {
				continue
			}
			for j, messages := range sent {
				if slices.ContainsFunc(messages, func(m []byte) bool { return sends(c.Send[i], m) && !sends(rest, m) }) {
					r.wrong(nodes[j], "this switches %s to %s: %s must not energise", c.Quantity, state, what)
				}
			}
		}
	}
}

// energising is what is sent for the states that energise, and for the others.
func (c *Commanded) energising() (those, rest [][]byte) {
	for i, state := range c.States {
		if slices.Contains(c.Energises, state) {
			those = append(those, c.Send[i]...)
		} else {
			rest = append(rest, c.Send[i]...)
		}
	}
	return those, rest
}

func sends(all [][]byte, message []byte) bool {
	return slices.ContainsFunc(all, func(m []byte) bool { return bytes.EqualFold(m, message) })
}

// switchedOff makes sure that what energises and can be switched off is switched off to
// be safe, and that the two differ.
func (r *profileReader) switchedOff(n *yamltext.Node) {
	var sent [][]byte
	for _, a := range r.p.Safe {
		sent = append(sent, a.Send...)
	}
	for k := range r.p.Sets {
		c := &r.p.Sets[k]
		those, rest := c.energising()
		if len(those) == 0 || len(rest) == 0 {
			continue // a stage that seeks its switch is stopped by a command of its own
		}
		if !slices.ContainsFunc(those, func(m []byte) bool { return !sends(rest, m) }) {
			r.wrong(n, "%s is sent the same to energise as to be off", c.Quantity)
		}
		off := func(state string) bool {
			return !slices.Contains(c.Energises, state) && !slices.ContainsFunc(c.Send[c.State(state)], func(m []byte) bool { return !sends(sent, m) })
		}
		if !slices.ContainsFunc(c.States, off) {
			r.wrong(n, "nothing under safe switches %s off: send the bytes of a state that does not energise", c.Quantity)
		}
	}
}

// watchdog reads the instrument's own switch-off.
func (r *profileReader) watchdog(n *yamltext.Node) {
	t := r.table(n, "!arm", "feed", "!disarm", "!trips after", "!feed every")
	if t == nil {
		return
	}
	w := &Watchdog{TripsAfter: r.span(t["trips after"]), FeedEvery: r.span(t["feed every"])}
	if w.FeedEvery*3 > w.TripsAfter || w.FeedEvery == 0 {
		r.wrong(or(t["feed every"], n), "a watchdog is fed at least three times before it trips").Note(r.doc, t["trips after"], "it trips after this")
	}
	seconds := string(strconv.AppendInt(nil, int64(w.TripsAfter/clock.Second), 10))
	w.Arm, w.Disarm = r.order(t["arm"], seconds), r.order(t["disarm"], seconds)
	w.Feed = w.Arm
	if t["feed"] != nil {
		w.Feed = r.order(t["feed"], seconds)
	}
	r.p.Watchdog = w
}

// order reads a command with an answer of its own.
func (r *profileReader) order(n *yamltext.Node, seconds string) Order {
	t := r.table(n, "!send", "answer", "expect")
	fill := strings.NewReplacer("{seconds}", seconds)
	o := Order{Style: r.p.Answer, Expect: fill.Replace(r.text(t["expect"]))}
	if send := r.text(t["send"]); send != "" {
		o.Send = []byte(fill.Replace(send) + r.ends)
	}
	if t["answer"] != nil {
		o.Style = r.style(t["answer"], r.p.Answer, Silence, OneValue, Echo, Okay)
	}
	if (o.Style == OneValue) != (t["expect"] != nil) && t != nil {
		r.wrong(n, "a value in the answer needs expect, and only that")
	}
	return o
}

func (r *profileReader) heating(n *yamltext.Node) {
	if n == nil {
		return
	}
	r.p.Heating = &Heating{}
	before := r.m.Len()
	r.heats(r.p.Heating, n)
	if h := r.p.Heating; (h.RateKPerS == 0 || h.CoolingS == 0) && r.m.Len() == before {
		r.wrong(n, "rate and cooling time constant are needed here")
	}
}

// mostRateKPerS is more than any plate or bath here heats by. A rule of thumb, no source.
const mostRateKPerS = 50

// heats reads how an instrument heats and cools, over what is known of it already.
func (r reader) heats(h *Heating, n *yamltext.Node) {
	t := r.table(n, "rate", "dead time", "approach time constant", "cooling time constant")
	if t["rate"] != nil {
		if h.RateKPerS = r.positive(t["rate"], inKPerS); h.RateKPerS > mostRateKPerS {
			r.wrong(t["rate"], "nothing on a bench heats by more than %d K/s", mostRateKPerS)
		}
	}
	if t["dead time"] != nil {
		h.DeadS = r.span(t["dead time"]).Seconds()
	}
	if t["approach time constant"] != nil {
		h.ApproachS = r.positive(t["approach time constant"], inSeconds)
	}
	if t["cooling time constant"] != nil {
		h.CoolingS = r.positive(t["cooling time constant"], inSeconds)
	}
}

// limits reads the instrument's own limits on what it measures.
func (r *profileReader) limits(n *yamltext.Node) []Limit {
	var all []Limit
	for _, pair := range r.entries(n) {
		q, f, ok := r.p.Measured(pair.Key.Text)
		if !ok {
			r.unknown(pair.Key, "measured quantity", pair.Key.Text, r.p.measuredNames())
			continue
		}
		all = append(all, r.limit(pair, r.p.Queries[q].Fields[f].Unit.Dim))
	}
	return all
}

// limit reads one limit, of a channel or a quantity of the dimension.
func (r reader) limit(pair yamltext.Pair, dim quantity.Dimension) Limit {
	t := r.table(pair.Value, "below", "above", "lasting")
	l := Limit{Channel: pair.Key.Text, Where: r.place(pair.Value), Doc: r.doc, Node: pair.Value}
	if t["below"] == nil && t["above"] == nil && t != nil && len(t) == len(pair.Value.Pairs) { // or another key is meant to be one
		r.wrong(pair.Value, "below or above is missing here: nothing would be limited")
	}
	if q, ok := r.quantity(t["below"], dim); ok {
		l.Below, l.Node = &q.Value, t["below"]
	}
	if q, ok := r.quantity(t["above"], dim); ok {
		l.Above = &q.Value
		if l.Below == nil {
			l.Node = t["above"]
		}
	}
	if signed := dim == inAmpere || dim == inVolt; signed && l.Below != nil && l.Above == nil && *l.Below > 0 {
		opposite := -*l.Below // a current that is too high is so either way round
		l.Above = &opposite
	}
	if l.Below != nil && l.Above != nil && *l.Above >= *l.Below {
		r.wrong(or(t["above"], pair.Value), "no value is above this and below the other")
	}
	l.LastingNs = int64(r.span(t["lasting"]))
	l.Where = r.place(l.Node)
	return l
}

// accuracy reads what is promised of one measured quantity.
func (r *profileReader) accuracy(n *yamltext.Node) {
	t := r.table(n, "!quantity", "up to", "of reading", "of range", "plus", "resolution")
	name := r.text(t["quantity"])
	q, f, ok := r.p.Measured(name)
	if !ok {
		if t["quantity"] != nil {
			r.unknown(t["quantity"], "measured quantity", name, r.p.measuredNames())
		}
		return
	}
	dim := r.p.Queries[q].Fields[f].Unit.Dim
	a := Accuracy{Quantity: name, UpTo: math.Inf(1), OfReading: r.value(t["of reading"], plain), OfRange: r.value(t["of range"], plain),
		Plus: r.value(t["plus"], difference(dim)), Resolution: r.value(t["resolution"], difference(dim))}
	if t["up to"] != nil {
		a.UpTo = r.value(t["up to"], dim)
	} else if a.OfRange != 0 {
		r.wrong(t["of range"], "a part of the range needs the range, under up to")
	}
	r.p.Accuracies = append(r.p.Accuracies, a)
}

// complete makes sure that a profile has what others rely on.
func (r *profileReader) complete(n *yamltext.Node) {
	for _, k := range kinds {
		if k.name != r.p.Kind {
			continue
		}
		for _, name := range k.measures {
			if _, _, ok := r.p.Measured(name); !ok {
				r.wrong(n, "a %s measures %q, but nothing under measures does", k.name, name)
			}
		}
		for _, name := range k.sets {
			if r.p.Set(name) < 0 {
				r.wrong(n, "a %s sets %q, but nothing under sets does", k.name, name)
			}
		}
	}
	energises := slices.ContainsFunc(r.p.Sets, func(c Commanded) bool { return len(c.Energises) > 0 || c.Moves })
	if (r.p.Watchdog != nil || r.p.Heating != nil) && !energises {
		r.wrong(n, "nothing under sets energises, though this heats or has a watchdog").Hint("write energises, such as energises: on, at what switches it on")
	}
	if i := r.p.Set(mains); r.p.Kind == mainsSwitch && i >= 0 {
		r.completeSwitch(n, &r.p.Sets[i])
	}
	if r.p.Kind == "stage" && r.p.FullSpeed == 0 {
		r.wrong(n, "full speed after is missing: how long the stage takes from rest to its highest speed")
	}
	if i := r.p.Set("integration"); i >= 0 && !r.p.Sets[i].HasDefault {
		r.wrong(n, "the default of integration is missing: the time of a reading depends on it")
	}
}

// completeSwitch makes sure that a mains switch is one that opens by itself.
func (r *profileReader) completeSwitch(n *yamltext.Node, c *Commanded) {
	if c.State(stateOpen) < 0 || c.State(stateClosed) < 0 || !slices.Equal(c.Energises, []string{stateClosed}) {
		r.wrong(n, "mains can be open or closed, and closed energises")
	}
	if r.p.Watchdog == nil {
		r.wrong(n, "a mains switch opens by itself when the computer has died: a watchdog is missing")
	}
	q, f, ok := r.p.Measured(mains)
	if ok && !slices.Contains(r.p.Queries[q].Fields[f].States, stateClosed) {
		r.wrong(n, "what mains reads is missing its state closed")
	}
}
