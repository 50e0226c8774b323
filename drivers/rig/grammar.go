package rig

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// This file reads the YAML of an instrument profile. The profiles that come with
// dwell, in the folder profiles, are its best description.

// profileReader reads one profile. Names that point forward are resolved at the end.
type profileReader struct {
	reader
	p       *Profile
	ends    string // what ends a command
	asked   Style  // of answers to questions, unless the question says otherwise
	resolve []func()
}

// LoadProfile reads a profile and adds everything wrong with it to m.
func LoadProfile(doc *yamltext.Document, m *yamltext.Mistakes) *Profile {
	p := &Profile{Text: doc.Text, Doc: doc, LineHz: 50, Worst: clock.Second}
	if doc.Root == nil {
		return p
	}
	r := &profileReader{reader: reader{doc, m}, p: p, ends: "\n", asked: OneValue}
	t := r.table(doc.Root, "!format", "!profile", "!kind", "!dialect", "twin", "!line", "ends with", "answers", "takes",
		"line frequency", "at once", "sends ahead", "full speed after", "refusals", "alarms", "!identity", "!footing", "errors", "prepare", "sets", "measures", "watch", "safe", "watchdog",
		"heating", "limits", "accuracy")
	r.edition(t["format"])
	r.head(t)
	r.identity(t["identity"], t["footing"])
	r.prepare(t["prepare"])
	for _, n := range r.items(t["sets"]) {
		r.set(n)
	}
	for _, n := range r.items(t["measures"]) {
		r.measure(n)
	}
	for _, f := range r.resolve {
		f()
	}
	r.watch(t["watch"])
	if t["prepare"] != nil {
		r.switched("preparing", []*yamltext.Node{t["prepare"]}, [][][]byte{r.p.Prepare})
	}
	r.safe(t["safe"], doc.Root)
	r.watchdog(t["watchdog"])
	r.heating(t["heating"])
	p.Limits = r.limits(t["limits"])
	for _, n := range r.items(t["accuracy"]) {
		r.accuracy(n)
	}
	r.complete(t["kind"])
	return p
}

// head reads what a profile is and how its bytes go.
func (r *profileReader) head(t map[string]*yamltext.Node) {
	p := r.p
	p.Name, p.Twin = r.text(t["profile"]), r.text(t["twin"])
	var names []string
	for _, k := range kinds {
		names = append(names, k.name)
	}
	if i := r.oneOf(t["kind"], "kind of instrument", names); i >= 0 {
		p.Kind = names[i]
	}
	dialects := []string{"scpi", "namur", "gcode"}
	if i := r.oneOf(t["dialect"], "dialect", dialects); i >= 0 {
		p.Dialect = dialects[i]
	}
	p.Line = r.line(t["line"])
	if n := t["ends with"]; n != nil {
		r.ends = r.text(n)
	}
	answers := r.table(t["answers"], "to commands", "to questions")
	p.Answer = r.style(answers["to commands"], Silence, Silence, Echo, Okay, Acknowledge)
	p.AtOnce, p.Ahead = r.text(t["at once"]), r.whole(t["sends ahead"], 1, 100)
	p.FullSpeed = r.span(t["full speed after"])
	p.Refusals, p.Alarms = r.codes(t["refusals"]), r.codes(t["alarms"])
	r.asked = r.style(answers["to questions"], OneValue, questionStyles...)
	p.Typical, p.Worst = r.takes(t["takes"], 0, clock.Second)
	if n := t["line frequency"]; n != nil {
		p.LineHz = r.positive(n, inHertz)
	}
	if e := r.table(t["errors"], "!ask", "!at most", "refused"); e != nil {
		p.Errors = &ErrorQueue{Ask: r.command(e["ask"]), Most: r.whole(e["at most"], 1, 1000)}
		if n := e["refused"]; n != nil {
			p.Errors.Refused = r.command(n)
			if p.Answer != Silence {
				r.wrong(n, "what is refused would be answered, and not as a command is").Hint("leave it out")
			}
		}
	}
}

// questionStyles are the styles in which a question can be answered.
var questionStyles = []Style{OneValue, ListOfValues, ValueAndChannel, EchoAndValue, StatusReport}

// prepare reads what brings the instrument into a known state.
func (r *profileReader) prepare(n *yamltext.Node) {
	if n != nil && n.Kind == yamltext.Mapping {
		t := r.table(n, "!send", "!then wait")
		r.p.Prepared = r.span(t["then wait"])
		n = t["send"]
	}
	r.p.Prepare = r.commands(n)
}

// codes reads what numbers mean.
func (r *profileReader) codes(n *yamltext.Node) map[int]string {
	known := map[int]string{}
	for _, w := range r.wrongs(n) {
		known[w.Number] = w.Text
	}
	return known
}

// line reads the settings of a serial line.
func (r reader) line(n *yamltext.Node) wire.Line {
	l := wire.Line{DataBits: 8, StopBits: 1}
	t := r.table(n, "!baud", "data bits", "parity", "stop bits", "pause")
	r.lineSettings(&l, t)
	l.Pause = r.span(t["pause"])
	return l
}

// lineSettings reads those that the instrument's own menu can change.
func (r reader) lineSettings(l *wire.Line, t map[string]*yamltext.Node) {
	if n := t["baud"]; n != nil {
		l.Baud = r.whole(n, 50, 4_000_000)
	}
	if n := t["data bits"]; n != nil {
		l.DataBits = r.whole(n, 7, 8)
	}
	if n := t["stop bits"]; n != nil {
		l.StopBits = r.whole(n, 1, 2)
	}
	parities := []string{"none", "even", "odd"}
	if i := r.oneOf(t["parity"], "parity", parities); i >= 0 {
		l.Parity = [...]wire.Parity{wire.NoParity, wire.EvenParity, wire.OddParity}[i]
	}
}

// style reads a style of answer, one of those that make sense here.
func (r reader) style(n *yamltext.Node, otherwise Style, allowed ...Style) Style {
	var words []string
	for _, s := range allowed {
		words = append(words, s.String())
	}
	if i := r.oneOf(n, "style of answer here", words); i >= 0 {
		return allowed[i]
	}
	return otherwise
}

// takes reads the instrument's own time for an answer.
func (r reader) takes(n *yamltext.Node, typical, worst clock.Instant) (clock.Instant, clock.Instant) {
	t := r.table(n, "!typical", "!at most")
	if t == nil {
		return typical, worst
	}
	typical, worst = r.span(t["typical"]), r.span(t["at most"])
	if worst < typical {
		r.wrong(t["at most"], "the longest time is below the typical one")
	}
	return typical, worst
}

// command reads one text to send and ends it.
func (r *profileReader) command(n *yamltext.Node) []byte {
	text := r.text(n)
	if text == "" {
		return nil
	}
	return r.ended(text)
}

// ended is a command as it is sent: a byte that is obeyed at once needs no end.
func (r *profileReader) ended(text string) []byte {
	if len(text) == 1 && strings.Contains(r.p.AtOnce, text) {
		return []byte(text)
	}
	return []byte(text + r.ends)
}

// commands reads one text to send, or several.
func (r *profileReader) commands(n *yamltext.Node) [][]byte {
	var all [][]byte
	for _, text := range r.texts(n) {
		all = append(all, r.ended(text))
	}
	return all
}

// question reads the keys ask, answer and channel of a table.
func (r *profileReader) question(t map[string]*yamltext.Node) Question {
	q := Question{Ask: r.command(t["ask"]), Style: r.asked}
	if n := t["answer"]; n != nil {
		q.Style = r.style(n, r.asked, questionStyles...)
	}
	if n := t["channel"]; n != nil {
		q.Channel = r.whole(n, 0, 999)
	}
	if q.Style == ValueAndChannel && t["channel"] == nil && t["ask"] != nil {
		r.wrong(t["ask"], "the channel that the answer must repeat is missing").Hint("add channel: and its number")
	}
	return q
}

func (r *profileReader) identity(who, footing *yamltext.Node) {
	p := r.p
	t := r.table(who, "!ask", "answer", "!looks like")
	styles := []Style{AnyText, EchoAndValue, Acknowledge, StatusReport}
	p.Identity = Identity{Question: Question{Ask: r.command(t["ask"]), Style: r.style(t["answer"], AnyText, styles...)},
		Pattern: r.text(t["looks like"])}
	t = r.table(footing, "send", "ask", "answer", "looks like", "!quiet", "latest")
	p.Footing = Footing{Clear: []byte(r.text(t["send"])), Ask: p.Identity, Quiet: r.span(t["quiet"]), Latest: r.span(t["latest"])}
	if t["ask"] != nil {
		p.Footing.Ask = Identity{Question: Question{Ask: r.command(t["ask"]), Style: r.style(t["answer"], AnyText, styles...)},
			Pattern: r.text(t["looks like"])}
	}
}

// set reads one commanded quantity.
func (r *profileReader) set(n *yamltext.Node) {
	t := r.table(n, "!quantity", "unit", "states", "send", "written", "kept by", "read back", "then wait", "takes at most", "least", "most",
		"default", "bounded by", "energises", "while", "changes only while", "upsets", "reversible")
	c := Commanded{Quantity: r.text(t["quantity"]), Least: math.Inf(-1), Most: math.Inf(1), After: r.span(t["then wait"]),
		Takes: r.span(t["takes at most"])}
	if t["quantity"] != nil && r.p.Set(c.Quantity) >= 0 {
		r.wrong(t["quantity"], "the quantity %q is given twice", c.Quantity)
	}
	if k := t["kept by"]; k != nil {
		c.Kept = r.oneOf(k, "keeper", []string{"dwell"}) == 0
	}
	switch {
	case t["states"] != nil && t["unit"] != nil:
		r.wrong(t["unit"], "a quantity has states or a unit, not both")
	case t["states"] != nil:
		r.states(&c, t)
	case t["unit"] != nil:
		r.level(&c, t)
	case t != nil:
		r.wrong(n, "states or a unit are missing here")
	}
	if b := t["read back"]; b != nil {
		r.readBack(&c, b)
	}
	c.Reversible = r.flag(t["reversible"])
	r.powered(&c, t)
	r.references(len(r.p.Sets), t)
	r.p.Sets = append(r.p.Sets, c)
}

// powered makes sure that what heats, sources or moves is said to energise: everything that
// guards it goes by that.
func (r *profileReader) powered(c *Commanded, t map[string]*yamltext.Node) {
	n := or(t["energises"], t["quantity"])
	switch {
	case c.Quantity == heat || c.Quantity == sources:
		for i, state := range c.States {
			if i != c.DefaultState && !slices.Contains(c.Energises, state) {
				r.wrong(n, "%s is not off when it is %s: energises must name that state", c.Quantity, state).
					Hint("write energises with every state but the one that is the default")
				return
			}
		}
	case c.Quantity == travels && !c.Moves:
		r.wrong(n, "a position is reached by moving: energises is missing").Hint("write energises: moves")
	}
}

// states reads the states of a quantity and the words for each.
func (r *profileReader) states(c *Commanded, t map[string]*yamltext.Node) {
	for _, pair := range r.entries(t["states"]) {
		c.States = append(c.States, pair.Key.Text)
		send, reads := pair.Value, []string(nil)
		if pair.Value.Kind == yamltext.Mapping {
			s := r.table(pair.Value, "!send", "reads")
			send, reads = s["send"], r.texts(s["reads"])
		}
		if c.Kept {
			r.text(send) // a word for the reader of the file
			send = nil
		}
		c.Send = append(c.Send, r.commands(send))
		c.Reads = append(c.Reads, reads)
		if t["read back"] != nil && len(reads) == 0 {
			r.wrong(pair.Key, "what the question back answers in this state is missing").Hint("write {send: …, reads: …}")
		}
	}
	c.DefaultState = -1
	if d := t["default"]; d != nil {
		c.DefaultState = r.oneOf(d, "state of "+c.Quantity, c.States)
		c.HasDefault = c.DefaultState >= 0
	}
	if e := t["energises"]; e != nil {
		for _, word := range r.texts(e) {
			if c.State(word) < 0 {
				r.unknown(e, "state of "+c.Quantity, word, c.States)
			}
			c.Energises = append(c.Energises, word)
		}
	}
	if c.HasDefault && slices.Contains(c.Energises, c.States[c.DefaultState]) {
		r.wrong(t["default"], "%s is %s by default, and that energises: it is prepared with nothing switched on", c.Quantity, t["default"].Text)
	}
	for _, key := range []string{"send", "written", "least", "most", "reversible"} {
		if t[key] != nil {
			r.wrong(t[key], "%q belongs to a quantity with a unit, not to one with states", key)
		}
	}
}

// gap is where the value goes in a command.
const gap = "{value}"

// level reads a quantity with a value.
func (r *profileReader) level(c *Commanded, t map[string]*yamltext.Node) {
	c.Unit = r.unit(t["unit"])
	if !c.Kept {
		send := r.text(t["send"])
		if strings.Count(send, gap) != 1 {
			r.wrong(or(t["send"], t["unit"]), "a command with exactly one %s in it is expected under send", gap)
		}
		c.Send = [][][]byte{{[]byte(send + r.ends)}}
		c.Format = r.written(t["written"], t["unit"])
	}
	if t["least"] == nil || t["most"] == nil {
		r.wrong(t["unit"], "least and most, what the instrument itself can do, are missing")
	}
	c.Least, c.Most = r.value(t["least"], c.Unit.Dim), r.value(t["most"], c.Unit.Dim)
	if c.Most < c.Least {
		r.wrong(t["most"], "most is below least")
	}
	if d := t["default"]; d != nil {
		c.DefaultValue, c.HasDefault = r.value(d, c.Unit.Dim), true
	}
	if e := t["energises"]; e != nil {
		c.Moves = r.oneOf(e, "way for a value to energise", []string{"moves"}) == 0
	}
	b := t["bounded by"]
	c.Bounds = r.text(b)
	if b == nil {
		return
	}
	r.resolve = append(r.resolve, func() {
		q, f, ok := r.p.Measured(c.Bounds)
		if !ok {
			r.unknown(b, "measured quantity", c.Bounds, r.p.measuredNames())
		} else if dim := r.p.Queries[q].Fields[f].Unit.Dim; dim != c.Unit.Dim {
			r.wrong(b, "%s is measured in %s and cannot bound a value in %s", c.Bounds, dim, c.Unit.Symbol)
		}
	})
}

func or(a, b *yamltext.Node) *yamltext.Node {
	if a != nil {
		return a
	}
	return b
}

// written reads how numbers are written: "scientific", or "1 decimal".
func (r *profileReader) written(n, otherwise *yamltext.Node) NumberFormat {
	if n == nil {
		r.wrong(otherwise, "how the number is written is missing").Hint("written: scientific, or written: 1 decimal")
		return NumberFormat{}
	}
	text := r.text(n)
	if text == "scientific" {
		return NumberFormat{Scientific: true}
	}
	count, word, _ := strings.Cut(text, " ")
	decimals, err := strconv.Atoi(count)
	if err != nil || decimals < 0 || decimals > 9 || word != "decimal" && word != "decimals" {
		r.wrong(n, "%q is no way to write a number", text).Hint("scientific, or 0 to 9 decimals, such as 1 decimal")
	}
	return NumberFormat{Decimals: decimals}
}

func (r *profileReader) readBack(c *Commanded, n *yamltext.Node) {
	t := r.table(n, "!ask", "answer", "channel", "within")
	c.Back = &ReadBack{Question: r.question(t)}
	if len(c.States) > 0 {
		if t["within"] != nil {
			r.wrong(t["within"], "a state is read back exactly")
		}
		return
	}
	if t["within"] == nil && t != nil {
		r.wrong(n, "how far the answer may differ is missing").Hint("add within: and a difference, or a part in %")
		return
	}
	for _, part := range r.oneOrMore(t["within"]) {
		if strings.HasSuffix(part.Text, "%") {
			c.Back.Relative = r.positive(part, plain)
		} else {
			c.Back.Absolute = r.positive(part, difference(c.Unit.Dim))
		}
	}
}

// references reads the keys of a set that name other sets; they can stand further
// down.
func (r *profileReader) references(i int, t map[string]*yamltext.Node) {
	while, only, upsets := t["while"], t["changes only while"], t["upsets"]
	r.resolve = append(r.resolve, func() {
		c := &r.p.Sets[i]
		c.While, c.ChangesOnly = r.condition(while), r.condition(only)
		for _, name := range r.texts(upsets) {
			k := r.p.Set(name)
			if k < 0 {
				r.unknown(upsets, "quantity that can be set", name, r.p.setNames())
				continue
			}
			c.Upsets = append(c.Upsets, k)
		}
	})
}

// condition reads {quantity: state}.
func (r *profileReader) condition(n *yamltext.Node) *Condition {
	pairs := r.entries(n)
	if len(pairs) != 1 {
		if n != nil && n.Kind == yamltext.Mapping {
			r.wrong(n, "one quantity with its state is expected here")
		}
		return nil
	}
	key, value := pairs[0].Key, pairs[0].Value
	k := r.p.Set(key.Text)
	if k < 0 {
		r.unknown(key, "quantity that can be set", key.Text, r.p.setNames())
		return nil
	}
	state := r.oneOf(value, "state of "+key.Text, r.p.Sets[k].States)
	if state < 0 {
		return nil
	}
	return &Condition{k, state}
}

func (p *Profile) setNames() []string {
	var names []string
	for _, c := range p.Sets {
		names = append(names, c.Quantity)
	}
	return names
}

func (p *Profile) measuredNames() []string {
	var names []string
	for _, q := range p.Queries {
		for _, f := range q.Fields {
			if f.Quantity != "" {
				names = append(names, f.Quantity)
			}
		}
	}
	return names
}

// measure reads one query.
func (r *profileReader) measure(n *yamltext.Node) {
	t := r.table(n, "!name", "ask", "ask by", "answer", "channel", "needs", "takes", "integrations", "fields", "computed", "reversal")
	q := Query{Name: r.text(t["name"]), Question: r.question(t), By: -1, Periods: r.whole(t["integrations"], 1, 100)}
	if (t["ask"] == nil) == (t["ask by"] == nil) && t != nil {
		r.wrong(n, "either ask or ask by is expected here")
	}
	r.askBy(&q, t["ask by"])
	typical, worst := r.takes(t["takes"], r.p.Typical, r.p.Worst)
	q.BaseNs, q.WorstNs = int64(typical), int64(worst)
	for _, f := range r.items(t["fields"]) {
		r.field(&q, f)
	}
	q.Answered = len(q.Fields)
	for _, f := range r.items(t["computed"]) {
		r.computed(&q, f)
	}
	if q.Answered == 0 && t != nil {
		r.wrong(n, "the fields of the answer are missing here")
	}
	if q.Style != ListOfValues && q.Style != StatusReport && q.Answered > 1 {
		r.wrong(t["fields"], "an answer in the style %q has one field, not %d", q.Style, q.Answered)
	}
	if v := r.table(t["reversal"], "!settle"); v != nil {
		q.Reversal = &Reversal{Settle: r.span(v["settle"])}
		if !slices.ContainsFunc(r.p.Sets, func(c Commanded) bool { return c.Reversible }) || r.p.Set("reverse") < 0 {
			r.wrong(t["reversal"], "a reversal needs the set quantity \"reverse\", with the states off and on, and one that is reversible")
		}
	}
	k := len(r.p.Queries)
	r.resolve = append(r.resolve, func() { r.p.Queries[k].Needs = r.condition(t["needs"]) })
	r.p.Queries = append(r.p.Queries, q)
}

// askBy reads a question that depends on a state: {function: {current: …, voltage: …}}.
func (r *profileReader) askBy(q *Query, n *yamltext.Node) {
	pairs := r.entries(n)
	if len(pairs) != 1 {
		if n != nil {
			r.wrong(n, "one quantity with the question for each of its states is expected here")
		}
		return
	}
	name := pairs[0].Key
	q.By = r.p.Set(name.Text)
	if q.By < 0 || len(r.p.Sets[q.By].States) == 0 {
		r.unknown(name, "quantity with states that can be set", name.Text, r.p.setNames())
		q.By = -1
		return
	}
	states := r.p.Sets[q.By].States
	var must []string
	for _, s := range states {
		must = append(must, "!"+s)
	}
	asks := r.table(pairs[0].Value, must...)
	for _, s := range states {
		q.Asks = append(q.Asks, r.command(asks[s]))
	}
}

// field reads one value of an answer.
func (r *profileReader) field(q *Query, n *yamltext.Node) {
	t := r.table(n, "quantity", "unit", "display", "from", "no probe", "no probe outside", "bits", "states", "restless",
		"updates every", "averages over", "filter")
	f := Field{Lowest: math.Inf(-1), Highest: math.Inf(1)}
	if t["quantity"] == nil {
		if t["bits"] == nil && t != nil {
			r.wrong(n, "a quantity, or the bits of a status word, are missing here")
		}
		r.bits(&f, t["bits"])
		q.Fields = append(q.Fields, f)
		return
	}
	r.named(&f, t["quantity"])
	f.Unit, _ = quantity.LookUp("1")
	if t["unit"] != nil {
		f.Unit = r.unit(t["unit"])
	}
	if t["states"] != nil {
		r.answersInWords(&f, q, t["states"])
		f.Display = 1
		q.Fields = append(q.Fields, f)
		return
	}
	r.from(&f, q, t["from"], n)
	if t["display"] == nil {
		r.wrong(n, "the smallest step that can be seen is missing").Hint("add display: and a value, such as display: 0.1 K")
	}
	f.Display = r.positive(t["display"], difference(f.Unit.Dim))
	if v := t["no probe"]; v != nil {
		number := r.number(v)
		f.NoProbe = &number
	}
	if v := t["no probe outside"]; v != nil {
		bounds := r.items(v)
		if len(bounds) != 2 {
			r.wrong(v, "two values are expected here, the lowest and the highest")
		} else {
			f.Lowest, f.Highest = r.value(bounds[0], f.Unit.Dim), r.value(bounds[1], f.Unit.Dim)
		}
	}
	r.bits(&f, t["bits"])
	f.Restless = r.flag(t["restless"])
	f.Age = Age{r.span(t["updates every"]), r.span(t["averages over"]), r.span(t["filter"])}
	q.Fields = append(q.Fields, f)
}

// from reads where a value stands in a report: the key of a field and the place of the
// value in it.
func (r *profileReader) from(f *Field, q *Query, n, otherwise *yamltext.Node) {
	if (n != nil) != (q.Style == StatusReport) {
		r.wrong(or(n, otherwise), "where the value stands is said, under from, of the values of a report, and of no others")
		return
	}
	if n == nil {
		return
	}
	key, place, _ := strings.Cut(r.text(n), " ")
	var err error
	if f.Key = key; place != "" {
		f.Place, err = strconv.Atoi(place)
	} else {
		f.Place = 1
	}
	if err != nil || f.Place < 1 || f.Place > 9 || key == "" {
		r.wrong(n, "%q is no place in a report", n.Text).Hint("the key of a field, and the number of the value in it, as in MPos 1")
	}
}

// named reads the name of a measured quantity, which stands in expressions.
func (r *profileReader) named(f *Field, n *yamltext.Node) {
	f.Quantity = r.text(n)
	if n == nil || f.Quantity == "" {
		return
	}
	if !isName(f.Quantity) {
		r.wrong(n, "%q cannot stand in expressions", f.Quantity).Hint("use letters, digits and _")
	}
	if _, _, twice := r.p.Measured(f.Quantity); twice {
		r.wrong(n, "the quantity %q is measured twice", f.Quantity)
	}
}

// bits reads what single bits of a status word say of the whole answer.
func (r *profileReader) bits(f *Field, n *yamltext.Node) {
	words := []string{drivers.InCompliance.String(), drivers.Overflow.String(), drivers.NoProbe.String()}
	flags := []drivers.Flag{drivers.InCompliance, drivers.Overflow, drivers.NoProbe}
	for _, pair := range r.entries(n) {
		bit := r.whole(pair.Key, 0, 31)
		if i := r.oneOf(pair.Value, "flag of a reading", words); i >= 0 {
			f.Bits = append(f.Bits, FlagBit{bit, flags[i]})
		}
	}
}

// computed reads a quantity that is the product or the quotient of two others.
func (r *profileReader) computed(q *Query, n *yamltext.Node) {
	t := r.table(n, "!quantity", "!is", "!display", "restless")
	f := Field{Lowest: math.Inf(-1), Highest: math.Inf(1)}
	r.named(&f, t["quantity"])
	words := strings.Fields(r.text(t["is"]))
	if len(words) != 3 || words[1] != "/" && words[1] != "*" {
		if t["is"] != nil {
			r.wrong(t["is"], "%q is not understood", t["is"].Text).Hint("two fields with / or * between, such as voltage / current")
		}
		return
	}
	place := func(name string) int {
		i := slices.IndexFunc(q.Fields, func(f Field) bool { return f.Quantity == name && f.Op == 0 })
		if i < 0 {
			var names []string
			for _, f := range q.Fields {
				names = append(names, f.Quantity)
			}
			r.unknown(t["is"], "field of this answer", name, names)
		}
		return i
	}
	f.Op, f.A, f.B = words[1][0], place(words[0]), place(words[2])
	if f.A < 0 || f.B < 0 {
		return
	}
	dim := q.Fields[f.A].Unit.Dim.Mul(q.Fields[f.B].Unit.Dim)
	if f.Op == '/' {
		dim = q.Fields[f.A].Unit.Dim.Div(q.Fields[f.B].Unit.Dim)
	}
	var known bool
	if f.Unit, known = dim.Canonical(); !known {
		r.wrong(t["is"], "dwell has no unit for %s", dim)
	}
	f.Display, f.Restless = r.positive(t["display"], dim), r.flag(t["restless"])
	q.Fields = append(q.Fields, f)
}
