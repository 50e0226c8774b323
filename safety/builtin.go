package safety

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
)

// This file judges what is built in for kinds of instrument: it follows what an
// instrument was told, and compares with what its readings do.

// Told is what an instrument was told last, as the plan has it.
type Told struct {
	Heat      bool
	Output    bool
	Homed     bool // it has found its switch: from here on it knows where it is, or is in alarm
	HasTarget bool
	Target    float64 // degC, meaningful while Heat
}

// cold is a heater that should be warming.
type cold struct {
	Armed   bool
	SinceNs clock.Instant
	Lowest  float64
}

// warming is what a heater's reading must not rise far above.
type warming struct {
	Known  bool
	Base   float64 // the lowest reading since it was told something else
	Last   float64
	LastNs clock.Instant
}

// still is a reading that has not changed.
type still struct {
	Seen    bool
	Value   float64
	SinceNs clock.Instant
	Same    int64
	HasRef  bool
	Ref     float64 // of what it follows, when it changed last
	Due     bool    // a change is due
	DueNs   clock.Instant
	Any     bool
	Lowest  float64 // ever
}

// spent is the energy that went into the specimen.
type spent struct {
	Joules float64
	Seen   bool
	Watts  float64
	LastNs clock.Instant
}

// driven is the level that a source was told last, and how long it has put out another.
type driven struct {
	Told  bool
	Level float64
	Other held
}

// judged is a built-in rule with its place among those of its kind. Its channel was
// looked at before at some moment.
type judged func(r drivers.Reading, before clock.Instant) *Cause

// addBuiltIn prepares the rules that are no expressions.
func (g *Gate) addBuiltIn() error {
	g.built = make([][]judged, len(g.channels))
	g.state.Told = make([]Told, len(g.instr))
	g.state.Cold = make([]cold, len(g.rules.HeatsNot))
	g.state.Warming = make([]warming, len(g.rules.KeepsWarming))
	g.state.Still = make([]still, len(g.rules.Frozen))
	g.state.Spent = make([]spent, len(g.rules.Energy))
	g.state.Driven = make([]driven, len(g.rules.Drives))
	for k := range g.rules.HeatsNot {
		w := &g.rules.HeatsNot[k]
		if err := g.onReading(w.From, w.Channel, w.Instrument, func(i int) judged {
			return func(r drivers.Reading, _ clock.Instant) *Cause { return g.heatsNot(w, i, k, r) }
		}); err != nil {
			return err
		}
	}
	for k := range g.rules.KeepsWarming {
		w := &g.rules.KeepsWarming[k]
		if err := g.onReading(w.From, w.Channel, w.Instrument, func(i int) judged {
			return func(r drivers.Reading, _ clock.Instant) *Cause { return g.keepsWarming(w, i, k, r) }
		}); err != nil {
			return err
		}
	}
	for k := range g.rules.Frozen {
		if err := g.addFrozen(k); err != nil {
			return err
		}
	}
	for k := range g.rules.Energy {
		if err := g.addEnergy(k); err != nil {
			return err
		}
	}
	for k := range g.rules.Drives {
		w := &g.rules.Drives[k]
		if err := g.onReading(w.From, w.Channel, w.Instrument, func(i int) judged {
			return func(r drivers.Reading, before clock.Instant) *Cause { return g.drives(w, i, k, r, before) }
		}); err != nil {
			return err
		}
	}
	for _, w := range g.rules.Watched {
		if _, err := g.instrument(w.From, w.Instrument); err != nil {
			return err
		}
	}
	return nil
}

// onReading has every reading of a channel judged; instrument may be "".
func (g *Gate) onReading(from, channel, instrument string, make func(instrument int) judged) error {
	c, ok := g.names[channel]
	if !ok {
		return fmt.Errorf("%s: %q is no channel of this rig", from, channel)
	}
	i := g.channels[c].Instrument
	if instrument != "" {
		var err error
		if i, err = g.instrument(from, instrument); err != nil {
			return err
		}
	}
	g.built[c] = append(g.built[c], make(i))
	return nil
}

func (g *Gate) instrument(from, name string) (int, error) {
	for i, d := range g.instr {
		if d.Name == name {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%s: %q is no instrument of this rig", from, name)
}

func (g *Gate) addFrozen(k int) error {
	w := &g.rules.Frozen[k]
	follows := -1
	if other := w.Follows + w.Below; other != "" {
		var ok bool
		if follows, ok = g.names[other]; !ok {
			return fmt.Errorf("%s: %q is no channel of this rig", w.From, other)
		}
	}
	arming, err := armingOf(w.While)
	if err != nil {
		return fmt.Errorf("%s: %w", w.From, err)
	}
	return g.onReading(w.From, w.Channel, w.Heater, func(i int) judged {
		return func(r drivers.Reading, _ clock.Instant) *Cause { return g.frozen(w, i, follows, arming, k, r) }
	})
}

func (g *Gate) addEnergy(k int) error {
	w := &g.rules.Energy[k]
	if w.Power != "" {
		return g.onReading(w.From, w.Power, "", func(i int) judged {
			return func(r drivers.Reading, _ clock.Instant) *Cause { return g.energy(w, i, k, r, r.Value) }
		})
	}
	volts, ok := g.names[w.Voltage]
	if !ok {
		return fmt.Errorf("%s: %q is no channel of this rig", w.From, w.Voltage)
	}
	return g.onReading(w.From, w.Current, "", func(i int) judged {
		return func(r drivers.Reading, _ clock.Instant) *Cause {
			v, known := g.latest(volts)
			if !known { // limited, or not read: not less than before
				return g.energy(w, i, k, r, g.state.Spent[k].Watts)
			}
			return g.energy(w, i, k, r, v*r.Value)
		}
	})
}

// Sent notes what an instrument was told, when it was.
func (g *Gate) Sent(s drivers.Setpoint) {
	i, err := g.instrument("", s.Instrument)
	if err != nil {
		return
	}
	p := g.instr[i].Profile
	k := p.Set(s.Quantity)
	t := &g.state.Told[i]
	switch {
	case s.Quantity == "heat" && s.State != "":
		on := isOneOf(p.Sets[k].Energises, s.State)
		if t.Heat {
			g.lowered(i) // told to heat once more, its old target is not its new one
		}
		t.Heat = on
		for _, u := range p.Sets[k].Upsets {
			if p.Sets[u].Quantity == "temperature" {
				t.HasTarget = false
			}
		}
	case s.Quantity == "temperature" && s.State == "":
		if t.Heat && t.HasTarget && s.Value.Value < t.Target {
			g.lowered(i)
		}
		t.HasTarget, t.Target = true, s.Value.Value
	case s.Quantity == "output" && s.State != "":
		t.Output = isOneOf(p.Sets[k].Energises, s.State)
	case s.Quantity == "reference" && s.State != "":
		t.Homed = true
	}
	for k := range g.rules.Drives { // a source drives one thing: what it was told last
		if w := &g.rules.Drives[k]; w.Instrument == s.Instrument && s.State == "" && g.isLevel(s) {
			d := &g.state.Driven[k]
			d.Told, d.Level = w.Quantity == s.Quantity, s.Value.Value
		}
	}
}

// isLevel tells whether some rule is about what this commands.
func (g *Gate) isLevel(s drivers.Setpoint) bool {
	return slices.ContainsFunc(g.rules.Drives, func(w Drives) bool { return w.Instrument == s.Instrument && w.Quantity == s.Quantity })
}

func isOneOf(list []string, word string) bool {
	for _, w := range list {
		if w == word {
			return true
		}
	}
	return false
}

// lowered is a heater being told to stop or to hold less: from here on its reading
// must come down from where it rightly is.
func (g *Gate) lowered(i int) {
	t := &g.state.Told[i]
	for k := range g.rules.KeepsWarming {
		if s := &g.state.Warming[k]; g.rules.KeepsWarming[k].Instrument == g.instr[i].Name && s.Known {
			top := s.Base
			if t.Heat && t.HasTarget {
				top = max(top, t.Target)
			}
			s.Base = min(s.Last, top)
		}
	}
}

// Off notes that everything is being switched off. From here on only levels are
// judged, and heaters that keep warming: other conditions may need what is off.
func (g *Gate) Off() {
	for i := range g.state.Told {
		if t := &g.state.Told[i]; t.Heat {
			g.lowered(i)
			t.Heat = false
		}
		g.state.Told[i].Output = false
	}
	g.state.Off = true
}

// Told is what an instrument was told last.
func (g *Gate) Told(instrument int) Told { return g.state.Told[instrument] }

// Specimen notes whether the specimen lies on the plate.
func (g *Gate) Specimen(onPlate bool) { g.state.OffPlate = !onPlate }

// arming is what a rule is armed by.
type arming uint8

const (
	always arming = iota
	onPlate
	heating
	sourcing
	homed
)

func armingOf(word string) (arming, error) {
	if word == "" {
		return always, nil
	}
	for k, w := range Arming {
		if w == word {
			return arming(k + 1), nil
		}
	}
	return always, fmt.Errorf("nothing is armed by %q", word)
}

// armed tells whether a rule is judged now.
func (g *Gate) armed(a arming) bool {
	switch a {
	case onPlate:
		return !g.state.OffPlate
	case heating, sourcing, homed:
		for i := range g.state.Told {
			if t := &g.state.Told[i]; a == heating && t.Heat || a == sourcing && t.Output || a == homed && t.Homed {
				return true
			}
		}
		return false
	}
	return true
}

// latest is the last reading of a channel, if it was a good one.
func (g *Gate) latest(channel int) (v float64, known bool) {
	m := &g.state.Memory.Channels[channel]
	return m.Last, m.Seen && m.Good
}

func (g *Gate) builtIn(r drivers.Reading, before clock.Instant) *Cause {
	for _, judge := range g.built[r.Channel] {
		if c := judge(r, before); c != nil {
			return c
		}
	}
	return nil
}

func (g *Gate) heatsNot(w *HeatsNot, i, k int, r drivers.Reading) *Cause {
	s, t := &g.state.Cold[k], &g.state.Told[i]
	switch {
	case r.Flag != drivers.Good:
		return nil
	case !t.Heat || !t.HasTarget || !(t.Target-r.Value > w.AboveK):
		s.Armed = false
		return nil
	case !s.Armed:
		*s = cold{true, r.At, r.Value}
		return nil
	case r.Value >= s.Lowest+w.ByK:
		s.SinceNs, s.Lowest = r.At, r.Value
		return nil
	}
	s.Lowest = min(s.Lowest, r.Value)
	if r.At-s.SinceNs <= clock.Instant(w.WithinNs) {
		return nil
	}
	return g.trip(w.From, r.At, "%s was told to heat to %s and does not warm: %s is %s, and has not gained %s in %s s", w.Instrument,
		g.show(r.Channel, t.Target), w.Channel, g.show(r.Channel, r.Value), kelvin(w.ByK), seconds(w.WithinNs))
}

func (g *Gate) keepsWarming(w *KeepsWarming, i, k int, r drivers.Reading) *Cause {
	s, t := &g.state.Warming[k], &g.state.Told[i]
	if r.Flag != drivers.Good || r.Value != r.Value {
		return nil
	}
	if !s.Known {
		s.Known, s.Base, s.LastNs = true, r.Value, r.At
	}
	s.Base = min(s.Base+float64(w.DriftKPerS*(r.At-s.LastNs).Seconds()), r.Value)
	s.Last, s.LastNs = r.Value, r.At
	top := s.Base
	if t.Heat {
		if !t.HasTarget {
			return nil // it is being told
		}
		top = max(top, t.Target)
	}
	if !(r.Value > top+w.OvershootK) {
		return nil
	}
	told := "to be off"
	if t.Heat {
		told = "to hold " + g.show(r.Channel, t.Target)
	}
	return g.trip(w.From, r.At, "%s was told %s and keeps warming: %s is %s, more than %s above %s", w.Instrument, told, w.Channel,
		g.show(r.Channel, r.Value), kelvin(w.OvershootK), g.show(r.Channel, top))
}

func (g *Gate) frozen(w *Frozen, i, follows int, a arming, k int, r drivers.Reading) *Cause {
	s := &g.state.Still[k]
	if r.Flag != drivers.Good {
		return nil
	}
	if !g.armed(a) {
		s.Seen = false
		return nil
	}
	if !s.Any || r.Value < s.Lowest {
		s.Any, s.Lowest = true, r.Value
	}
	if !s.Seen || r.Value != s.Value {
		*s = still{Seen: true, Value: r.Value, SinceNs: r.At, Same: 1, Any: true, Lowest: s.Lowest}
	} else {
		s.Same++
	}
	if !g.changeDue(w, s, i, follows, r.Value) {
		s.Due = false
		return nil
	}
	since := s.SinceNs
	if w.Readings == 0 {
		if !s.Due {
			s.Due, s.DueNs = true, r.At
		}
		since = max(since, s.DueNs)
	}
	if r.At-since <= clock.Instant(w.AfterNs) {
		return nil
	}
	why := "its noise is above its last digit"
	switch {
	case w.Follows != "":
		why = w.Follows + " has moved"
	case w.Below != "":
		why = w.Below + ", which lies on it, is warmer"
	case w.Heater != "":
		why = w.Heater + " was told to be elsewhere"
	}
	return g.trip(w.From, r.At, "%s is frozen: it has been %s for %s s, and %s", w.Channel, g.show(r.Channel, r.Value),
		seconds(int64(r.At-s.SinceNs)), why)
}

// changeDue tells whether a reading that stays the same should have changed.
func (g *Gate) changeDue(w *Frozen, s *still, i, follows int, v float64) bool {
	switch {
	case w.Readings != 0: // negative when it is forced
		return s.Same > w.Readings
	case follows >= 0:
		ref, known := g.latest(follows)
		if w.Below != "" {
			return known && ref-v > w.MovedBy
		}
		if known && !s.HasRef {
			s.HasRef, s.Ref = true, ref
		}
		return known && math.Abs(ref-s.Ref) > w.MovedBy
	}
	t := &g.state.Told[i]
	return t.Heat && t.HasTarget && (t.Target-v > w.BehindBy || v-max(t.Target, w.Lowest) > w.MovedBy ||
		w.SeenBy > 0 && v-max(t.Target, w.Lowest, s.Lowest) > w.SeenBy)
}

// energy adds up what goes into the specimen: between two readings the greater power
// of the two.
func (g *Gate) energy(w *Energy, i, k int, r drivers.Reading, watts float64) *Cause {
	s := &g.state.Spent[k]
	if !g.state.Told[i].Output {
		s.Seen = false
		return nil
	}
	if r.Flag != drivers.Good && r.Flag != drivers.InCompliance || watts != watts {
		return nil
	}
	watts = math.Abs(watts)
	if s.Seen && r.At > s.LastNs {
		s.Joules += float64(max(watts, s.Watts) * (r.At - s.LastNs).Seconds())
	}
	s.Seen, s.Watts, s.LastNs = true, watts, r.At
	if s.Joules < w.BelowJ {
		return nil
	}
	joule, _ := quantity.LookUp("J")
	return g.trip(w.From, r.At, "the specimen has taken %s and must take less than %s",
		quantity.Quantity{Value: s.Joules, Unit: joule}, quantity.Quantity{Value: w.BelowJ, Unit: joule})
}

// drives judges what a source puts out. In compliance that is another rule's business,
// and a reading that is none is that of silence.
func (g *Gate) drives(w *Drives, i, k int, r drivers.Reading, before clock.Instant) *Cause {
	s := &g.state.Driven[k]
	if g.state.Off || !g.state.Told[i].Output || !s.Told {
		s.Other = held{}
		return nil
	}
	if r.Flag != drivers.Good && r.Flag != drivers.InCompliance {
		return nil
	}
	off := w.nearness(s.Level)
	if !s.Other.count(r.Flag == drivers.Good && !(math.Abs(r.Value-s.Level) <= off), int64(r.At), int64(before), w.LastingNs) {
		return nil
	}
	return g.Latch(Cause{Kind: Tripped, From: w.From, At: r.At, Since: clock.Instant(s.Other.DueNs),
		Text: fmt.Sprintf("%s was told to drive %s and drives another %s: %s is %s, more than %s from that", w.Instrument,
			g.near(r.Channel, s.Level), w.Quantity, w.Channel, g.near(r.Channel, r.Value), g.near(r.Channel, off))})
}

// nearness is how far from a level its reading may be.
func (w *Drives) nearness(level float64) float64 {
	size := math.Abs(level)
	for _, n := range w.Within {
		if n.UpTo == 0 || size <= n.UpTo*(1+1e-9) { // a range holds its own end
			return float64(n.Of*size) + n.By
		}
	}
	return 0
}

// Found judges what an instrument says of itself, and did not say when it was asked
// before.
func (g *Gate) Found(f *rig.Finding, before, now clock.Instant) *Cause {
	for _, w := range g.rules.Watched {
		if w.Instrument == f.Instrument && w.For == f.What {
			return g.Latch(Cause{Kind: Tripped, Text: fmt.Sprintf("%s: %s: %s", f.Instrument, f.What, f.Err), From: w.From, At: now, Since: before})
		}
	}
	return nil
}

func (g *Gate) trip(from string, at clock.Instant, format string, args ...any) *Cause {
	return g.Latch(Cause{Kind: Tripped, Text: fmt.Sprintf(format, args...), From: from, At: at})
}

func (g *Gate) show(channel int, v float64) string {
	return quantity.Quantity{Value: round(v), Unit: g.channels[channel].Unit}.String()
}

// near shows a small value in the unit in which people would say it.
func (g *Gate) near(channel int, v float64) string {
	return quantity.Near(v, g.channels[channel].Unit.Dim)
}

// round keeps six digits, for a text.
func round(v float64) float64 {
	if v == 0 || math.IsInf(v, 0) || v != v {
		return v
	}
	scale := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

func kelvin(v float64) string {
	k, _ := quantity.LookUp("K")
	return quantity.Quantity{Value: round(v), Unit: k}.String()
}

func seconds(ns int64) string { return string(quantity.AppendSeconds(nil, ns/1e6*1e6)) }
