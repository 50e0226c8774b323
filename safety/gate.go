// Package safety decides. It holds the limits and interlocks of a run, judges
// every setpoint before it is sent and every reading as it arrives, latches the
// first reason to stop, and knows one way to make the bench safe, for a trip, for a
// stop and for the end of every run alike.
//
// The gate is a pure function of what it is shown: it asks no clock, reads no file
// and sends nothing. Unknown is never good: a reading that does not come, or is
// worth nothing, stops the run as surely as one that is too high. It must never
// loosen what it was given, and nothing in it can be switched off.
package safety

import (
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/safety/condition"
)

// Kind is what sort of reason ended a run early.
type Kind uint8

// The kinds, by what they mean for the exit code.
const (
	Tripped Kind = iota // a condition that must never hold
	Failed              // an instrument, a link or the disk
	Ceiling             // a time that must not be passed
	Stopped             // the operator
	Program             // a fault of dwell
)

// Cause is why a run is made safe. The first one is kept.
type Cause struct {
	Kind Kind
	Text string // of a limit only once Error was asked for: making safe comes before words
	From string // the rule's place in a file, if it was one
	At   clock.Instant
	// Since is when the rule could have asked for this at the earliest: the moment of
	// the last look that did not show it, and as long as it must last. 0 if no rule did.
	Since clock.Instant

	beyond *beyond
}

// beyond is a reading that is not inside of a limit.
type beyond struct {
	channel *rig.Channel
	value   float64
	word    string // where it must stay
	limit   float64
}

func (b *beyond) String() string {
	u := b.channel.Unit
	return fmt.Sprintf("%s is %s and must stay %s %s", b.channel.Name, quantity.Quantity{Value: b.value, Unit: quantity.Best(b.value, u.Dim)},
		b.word, quantity.Quantity{Value: b.limit, Unit: u})
}

func (c *Cause) Error() string {
	if c.beyond != nil {
		c.Text, c.beyond = c.beyond.String(), nil
	}
	if c.From == "" {
		return c.Text
	}
	return c.Text + " (" + c.From + ")"
}

// Gate holds a run to its rules.
type Gate struct {
	rules    Rules
	channels []rig.Channel
	names    map[string]int
	checks   [][]int // by channel: the watches it feeds
	watches  []watch
	bounds   []bound
	comply   []Compliance // by instrument
	built    [][]judged   // by channel: the rules that are no expressions
	pauses   []int        // the watches that pause
	instr    []rig.Description
	state    State

	inCompliance int // an instrument that is forced to count as such, or -1
}

// State is what the gate remembers, plain and copied whole by Save.
type State struct {
	Latched *Cause
	Held    []held  // by watch
	Fresh   []fresh // by channel
	Comply  []held  // by instrument
	Memory  *condition.Memory
	Warned  []string // texts of warnings not yet fetched

	Off      bool   // everything is being switched off
	OffPlate bool   // the specimen is not on the plate
	MayOpen  string // the source-meter of a specimen that may be open now: that is a result then, and no fault
	Told     []Told // by instrument
	Cold     []cold // by rule, like the following
	Warming  []warming
	Still    []still
	Spent    []spent
	Driven   []driven
}

// held is how long a condition has held: time runs up while it holds and down four
// times slower while it does not, so that flicker cannot postpone a trip for ever.
type held struct {
	HoldingNs int64
	LastNs    int64
	Seen      bool
	DueNs     int64 // when it could have held for as long as it must, at the earliest
	SinceNs   int64 // unknown since
	Unknown   bool
	Warned    bool

	Pausing bool  // it has the run paused
	PauseNs int64 // since then
	Clear   bool  // it does not hold now
	ClearNs int64 // since then
}

type fresh struct {
	Armed    bool
	LastNs   clock.Instant // last good reading, or when the channel was armed
	AfterNs  clock.Instant
	PausedTo clock.Instant
	LastFlag drivers.Flag
	SeenNs   clock.Instant // the last reading of any kind, or when the channel was armed
}

// watch is a limit or an interlock ready to be judged.
type watch struct {
	text      string
	from      string
	lasting   int64
	channel   int // of a level; -1 for a condition
	below     float64
	above     float64
	hasBelow  bool
	hasAbove  bool
	condition *condition.Condition
	reads     []int // channels of a condition
	patience  int64 // how long a condition may be unknown
	name      string
	armed     arming
	warn      bool
	pause     *Pause
	forced    bool // for a proof test: a condition that is taken to hold
}

// bound is a limit as the judge of setpoints sees it.
type bound struct {
	instrument, quantity string
	limit                Limit
}

// NewGate prepares the rules for the channels of a rig.
func NewGate(rules Rules, r *rig.Rig) (*Gate, error) {
	g := &Gate{rules: rules.ownRules(), inCompliance: -1, channels: r.Channels, instr: r.Instruments, names: map[string]int{},
		checks: make([][]int, len(r.Channels)), comply: make([]Compliance, len(r.Instruments))}
	g.state.Fresh = make([]fresh, len(r.Channels))
	g.state.Comply = make([]held, len(r.Instruments))
	for i, c := range r.Channels {
		g.names[c.Name] = i
	}
	for _, c := range rules.Compliance {
		for i, d := range r.Instruments {
			if d.Name == c.Instrument {
				g.comply[i] = c
			}
		}
	}
	for _, l := range rules.Limits {
		if err := g.addLimit(l); err != nil {
			return nil, err
		}
	}
	if err := g.addConditions(); err != nil {
		return nil, err
	}
	if err := g.addBuiltIn(); err != nil {
		return nil, err
	}
	g.state.Held = make([]held, len(g.watches))
	return g, nil
}

func (g *Gate) addLimit(l Limit) error {
	i, ok := g.names[l.Channel]
	if !ok {
		return fmt.Errorf("%s: a limit on %q, which is no channel of this rig", l.From, l.Channel)
	}
	c := g.channels[i]
	if c.Through == "" {
		g.bounds = append(g.bounds, bound{g.instr[c.Instrument].Name, c.Quantity, l})
	}
	w := watch{from: l.From, lasting: l.LastingNs, channel: i}
	if l.Below != nil {
		w.below, w.hasBelow = *l.Below, true
	}
	if l.Above != nil {
		w.above, w.hasAbove = *l.Above, true
	}
	g.checks[i] = append(g.checks[i], len(g.watches))
	g.watches = append(g.watches, w)
	return nil
}

// addConditions turns rates and interlocks into conditions. A rate is the slope
// over its window, either way.
func (g *Gate) addConditions() error {
	v := Vocabulary(g.channels, g.rules.Stale)
	all := g.rules.Interlocks
	for _, r := range g.rules.Rates {
		c, ok := g.names[r.Channel]
		if !ok {
			return fmt.Errorf("%s: a rate of %q, which is no channel of this rig", r.From, r.Channel)
		}
		all = append(all[:len(all):len(all)], Interlock{When: rateText(r, g.channels[c]), Then: "trip", From: r.From})
	}
	var conditions []*condition.Condition
	for _, i := range all {
		c, faults := condition.Compile(i.When, v)
		if len(faults) > 0 {
			return fmt.Errorf("%s: %q: %s", i.From, i.When, faults[0].Text)
		}
		w := watch{text: i.When, from: i.From, lasting: i.LastingNs, channel: -1, condition: c, reads: c.Reads(), name: i.Name, warn: i.Then == "warn"}
		var err error
		if w.armed, err = armingOf(i.While); err != nil {
			return fmt.Errorf("%s: %w", i.From, err)
		}
		if i.Then == "pause" {
			if w.pause = i.Pause; w.pause == nil {
				return fmt.Errorf("%s: how to pause is missing", i.From)
			}
			g.pauses = append(g.pauses, len(g.watches))
		}
		for _, ch := range w.reads {
			g.checks[ch] = append(g.checks[ch], len(g.watches))
			w.patience = max(w.patience, v.Channels[ch].StaleNs)
		}
		w.patience += c.Window()
		conditions = append(conditions, c)
		g.watches = append(g.watches, w)
	}
	g.state.Memory = condition.NewMemory(v, conditions...)
	return nil
}

func rateText(r Rate, c rig.Channel) string {
	per := c.Unit.Dim.Div(quantity.Dimension{S: 1})
	per.Absolute = false
	limit := quantity.Quantity{Value: r.Below}
	if u, ok := per.Canonical(); ok {
		limit.Unit = u
	}
	window := string(quantity.AppendSeconds(nil, r.WindowNs)) + " s"
	return fmt.Sprintf("abs(rate(%s, %s)) > %s", r.Channel, window, limit)
}

// Vocabulary is what conditions on this rig may speak of.
func Vocabulary(channels []rig.Channel, polled []Stale) condition.Vocabulary {
	v := condition.Vocabulary{Names: map[string]quantity.Quantity{}}
	for _, c := range channels {
		k := condition.Channel{Name: c.Name, Dim: c.Unit.Dim, Display: c.Display, Lowest: c.Lowest, Highest: c.Highest}
		for _, s := range polled {
			if s.Channel == c.Name {
				k.EveryNs, k.StaleNs = s.EveryNs, s.AfterNs
			}
		}
		v.Channels = append(v.Channels, k)
	}
	return v
}

// Latched is the reason to stop, nil while there is none.
func (g *Gate) Latched() *Cause { return g.state.Latched }

// Latch keeps the first cause and returns it.
func (g *Gate) Latch(c Cause) *Cause {
	if g.state.Latched == nil {
		g.state.Latched = &c
	}
	return g.state.Latched
}

// Allow implements drivers.Judge: nothing after a trip, nothing beyond a limit.
func (g *Gate) Allow(s drivers.Setpoint) error {
	if c := g.state.Latched; c != nil {
		return fmt.Errorf("%s refused: the run has been stopped: %w", s, c)
	}
	if s.State != "" {
		return nil
	}
	bounded := s.Quantity
	for _, d := range g.instr {
		if d.Name == s.Instrument {
			bounded = d.Profile.BoundedBy(s.Quantity)
		}
	}
	for _, b := range g.bounds {
		if b.instrument != s.Instrument || b.quantity != bounded {
			continue
		}
		if l := b.limit.Below; l != nil && !(s.Value.Value < *l) {
			return fmt.Errorf("%s refused: %s must stay below %s (%s)", s, b.limit.Channel, in(*l, s), b.limit.From)
		}
		if l := b.limit.Above; l != nil && !(s.Value.Value > *l) {
			return fmt.Errorf("%s refused: %s must stay above %s (%s)", s, b.limit.Channel, in(*l, s), b.limit.From)
		}
	}
	return nil
}

// in prints a bound in the unit in which the setpoint was written.
func in(value float64, s drivers.Setpoint) quantity.Quantity {
	return quantity.Quantity{Value: value, Unit: s.Value.Unit}
}

// Arm expects a reading of the channel at least every `after` from now on; zero
// expects none any more.
func (g *Gate) Arm(channel int, now, after clock.Instant) {
	g.state.Fresh[channel] = fresh{Armed: after > 0, LastNs: now, AfterNs: after, SeenNs: now}
}

// Pause expects no reading of the channel until then: its instrument is busy with
// something that was planned.
func (g *Gate) Pause(channel int, until clock.Instant) {
	g.state.Fresh[channel].PausedTo = until
}

// Observe judges one reading. It returns the cause if the run must stop.
func (g *Gate) Observe(r drivers.Reading) *Cause {
	f := &g.state.Fresh[r.Channel]
	before, latched := f.SeenNs, g.state.Latched
	f.SeenNs = max(before, r.At)
	f.LastFlag = r.Flag
	good := r.Flag == drivers.Good
	if good || r.Flag == drivers.InCompliance {
		f.LastNs = max(f.LastNs, r.At)
	}
	g.state.Memory.Observe(r.Channel, int64(r.At), r.Value, good)
	c := g.complied(r, before)
	for k := 0; c == nil && k < len(g.checks[r.Channel]); k++ {
		c = g.judge(g.checks[r.Channel][k], r, good, before)
	}
	if c == nil {
		c = g.builtIn(r, before)
	}
	if c == nil {
		return g.state.Latched
	}
	if latched == nil && c.Since == 0 {
		c.Since = before // it was not so then
	}
	return c
}

func (g *Gate) judge(i int, r drivers.Reading, good bool, before clock.Instant) *Cause {
	w, h := &g.watches[i], &g.state.Held[i]
	truth := condition.Unknown
	switch {
	case w.condition != nil && (g.state.Off || !g.armed(w.armed)):
		*h = held{}
		return nil
	case w.condition != nil:
		if truth = w.condition.Eval(g.state.Memory, int64(r.At), 0); w.forced {
			truth = condition.True
		}
	case good && (w.hasBelow && !(r.Value < w.below) || w.hasAbove && !(r.Value > w.above)):
		truth = condition.True
	case good:
		truth = condition.False
	default:
		return nil // a level that is not known is the business of Silent
	}
	holds := g.holds(w, h, truth, r.At, before)
	if w.pause != nil {
		return g.pausing(w, h, truth, holds, r)
	}
	if !holds {
		return nil
	}
	if w.warn {
		if !h.Warned {
			h.Warned = true
			g.state.Warned = append(g.state.Warned, g.sentence(w, h, r)+" ("+w.from+")")
		}
		return nil
	}
	c := Cause{Kind: Tripped, From: w.from, At: r.At}
	if w.condition == nil {
		c.beyond = g.beyond(w, r)
	} else {
		c.Text = g.sentence(w, h, r)
	}
	if !h.Unknown {
		c.Since = clock.Instant(h.DueNs)
	}
	return g.Latch(c)
}

// holds tells whether a watch holds for as long as it must, or cannot be judged for
// longer than it may. What the reading is about was looked at before.
func (g *Gate) holds(w *watch, h *held, truth condition.Truth, at, before clock.Instant) bool {
	if truth != condition.Unknown {
		h.Unknown = false
		return h.count(truth == condition.True, int64(at), int64(before), w.lasting)
	}
	for _, ch := range w.reads {
		if g.state.Fresh[ch].PausedTo > at {
			h.Unknown = false // as planned
			return false
		}
	}
	if !h.Unknown {
		h.Unknown, h.SinceNs = true, int64(at)
	}
	return int64(at)-h.SinceNs > w.patience
}

// pausing has the run paused by a watch that holds, and lets it go on when that has
// been clear for long enough. Unknown is not clear.
func (g *Gate) pausing(w *watch, h *held, truth condition.Truth, holds bool, r drivers.Reading) *Cause {
	now := int64(r.At)
	switch {
	case !h.Pausing && holds:
		h.Pausing, h.PauseNs, h.Clear = true, now, false
		return nil
	case !h.Pausing:
		return nil
	case truth != condition.False:
		h.Clear = false
	case !h.Clear:
		h.Clear, h.ClearNs = true, now
	}
	switch {
	case h.Clear && now-h.ClearNs >= w.pause.ClearNs:
		*h = held{}
		return nil
	case now-h.PauseNs <= w.pause.AtMostNs:
		return nil
	}
	return g.trip(w.from, r.At, "paused for %s s, and %s has not been clear for %s s", seconds(w.pause.AtMostNs), w.label(), seconds(w.pause.ClearNs))
}

// Pausing is how the run is to pause now; nil when it is not.
func (g *Gate) Pausing() *Pause {
	for _, i := range g.pauses {
		if g.state.Held[i].Pausing {
			return g.watches[i].pause
		}
	}
	return nil
}

// WhyPausing is what has the run paused.
func (g *Gate) WhyPausing() string {
	var all []string
	for _, i := range g.pauses {
		if w := &g.watches[i]; g.state.Held[i].Pausing {
			all = append(all, w.label()+" ("+w.from+")")
		}
	}
	return strings.Join(all, "; ")
}

// notNow is DueNs while a condition does not hold.
const notNow = -1

// count keeps the time a condition has held and tells whether that is long enough. It
// may have begun to hold right after what it is about was looked at before.
func (h *held) count(holds bool, now, before, lasting int64) bool {
	passed := int64(0)
	if h.Seen {
		passed = now - h.LastNs
	}
	h.LastNs = now
	switch {
	case holds && h.Seen:
		if h.DueNs == notNow {
			h.DueNs = before + lasting - h.HoldingNs
		}
		h.HoldingNs += passed
	case holds:
		h.Seen, h.DueNs = true, before+lasting
	default:
		h.DueNs = notNow
		if h.HoldingNs -= passed / 4; h.HoldingNs <= 0 {
			h.HoldingNs, h.Seen, h.Warned = 0, false, false
		}
		return false
	}
	return h.HoldingNs >= lasting
}

func (g *Gate) sentence(w *watch, h *held, r drivers.Reading) string {
	if w.condition != nil {
		if h.Unknown {
			return w.label() + " cannot be judged: a reading is missing or worth nothing"
		}
		return w.label() + " holds" + g.values(w)
	}
	return g.beyond(w, r).String()
}

func (g *Gate) beyond(w *watch, r drivers.Reading) *beyond {
	b := &beyond{&g.channels[r.Channel], r.Value, "below", w.below}
	if !w.hasBelow || r.Value < w.below {
		b.word, b.limit = "above", w.above
	}
	return b
}

// label is how a watch is called.
func (w *watch) label() string {
	if w.name != "" {
		return w.name + " (" + w.text + ")"
	}
	return w.text
}

// values are the readings that a built-in interlock is about: its text alone says
// little to a person.
func (g *Gate) values(w *watch) string {
	if w.name == "" {
		return ""
	}
	text := ""
	for _, ch := range w.reads {
		if v, known := g.latest(ch); known {
			text += ", " + g.channels[ch].Name + " is " + g.show(ch, v)
		}
	}
	return text
}

// MayOpen has a source-meter in compliance count as a specimen that is open, which the
// plan has declared to be its end, and not as a fault; "" for none. Every limit holds.
func (g *Gate) MayOpen(instrument string) { g.state.MayOpen = instrument }

// complied counts the time a source-meter has been in compliance.
func (g *Gate) complied(r drivers.Reading, before clock.Instant) *Cause {
	i := g.channels[r.Channel].Instrument
	rule := g.comply[i]
	if rule.Instrument == "" || g.state.Off || r.Flag != drivers.Good && r.Flag != drivers.InCompliance {
		return nil
	}
	h := &g.state.Comply[i]
	if rule.Instrument == g.state.MayOpen {
		*h = held{}
		return nil
	}
	if h.Seen && int64(r.At) <= h.LastNs {
		return nil // another channel of the same exchange
	}
	if !h.count(r.Flag == drivers.InCompliance || i == g.inCompliance, int64(r.At), int64(before), rule.LastingNs) {
		return nil
	}
	return g.Latch(Cause{Kind: Tripped, From: rule.From, At: r.At, Since: clock.Instant(h.DueNs),
		Text: fmt.Sprintf("%s is in compliance: the specimen is not driven as the protocol says", rule.Instrument)})
}

// Silent judges what has not come: it returns the cause if a channel has been
// without a good reading for too long, and otherwise when to look again.
func (g *Gate) Silent(now clock.Instant) (*Cause, clock.Instant) {
	next := clock.Never
	if g.state.Off {
		return g.state.Latched, next
	}
	for i := range g.state.Fresh {
		f := &g.state.Fresh[i]
		if !f.Armed {
			continue
		}
		due := max(f.LastNs, f.PausedTo).After(f.AfterNs)
		if now <= due {
			next = min(next, due.After(1))
			continue
		}
		kind, what := Failed, "no reading came"
		switch f.LastFlag {
		case drivers.Overflow, drivers.NotMeasured, drivers.NoProbe:
			kind, what = Tripped, "the last one was flagged "+f.LastFlag.String()
		case drivers.Garbled, drivers.Lost, drivers.CutShort:
			what = "the last one was flagged " + f.LastFlag.String()
		}
		return g.Latch(Cause{Kind: kind, At: now, Since: due, From: "built-in: silence is a fault",
			Text: fmt.Sprintf("%s has had no good reading for %s s: %s", g.channels[i].Name,
				quantity.AppendSeconds(nil, int64(now-max(f.LastNs, f.PausedTo))/1e6*1e6), what)}), next
	}
	return g.state.Latched, next
}

// Warnings returns the warnings since the last call.
func (g *Gate) Warnings() []string {
	w := g.state.Warned
	g.state.Warned = nil
	return w
}

// Save copies what the gate remembers.
func (g *Gate) Save() State {
	s := g.state
	if s.Latched != nil {
		c := *s.Latched
		s.Latched = &c
	}
	s.Held = append([]held(nil), s.Held...)
	s.Fresh = append([]fresh(nil), s.Fresh...)
	s.Comply = append([]held(nil), s.Comply...)
	s.Warned = append([]string(nil), s.Warned...)
	s.Told = append([]Told(nil), s.Told...)
	s.Cold = append([]cold(nil), s.Cold...)
	s.Warming = append([]warming(nil), s.Warming...)
	s.Still = append([]still(nil), s.Still...)
	s.Spent = append([]spent(nil), s.Spent...)
	s.Driven = append([]driven(nil), s.Driven...)
	s.Memory = s.Memory.Clone()
	return s
}

// Restore goes on from what was saved.
func (g *Gate) Restore(s State) {
	g.state = s
	g.state = g.Save()
}
