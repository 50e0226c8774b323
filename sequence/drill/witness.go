package drill

import (
	"bytes"
	"fmt"
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence/plan"
)

// This file judges a bench from outside: by its journal and by what is true in it.
// What the run thinks of itself counts only where it is compared with that.

// peril is a condition in which a bench must not be left with heat or output on.
type peril uint8

const (
	overLimit  peril = iota // a true value is beyond a limit of the run
	blind                   // a channel that has a limit shows nothing
	deceived                // or far less than is true
	disobeyed               // the plate goes by a higher set value than it was told, or the source drives something else
	unrecorded              // nothing that is read is kept
	perils
)

// energy is what must not be left on.
type energy uint8

const (
	heat   energy = iota // reaches the plate
	output               // of a source
	motion               // of a stage
	energies
)

// How long each may last where the rig does not say that it must act sooner. An
// interlock over two thermometers takes minutes to tell a lag from a fault, and nothing
// is beyond a limit yet. Rules of thumb, no source.
const (
	actWithin   = 10 * clock.Second // beyond a limit
	noticeAfter = 5 * clock.Minute  // everything else
)

// What counts as beyond or far. A limit is judged by instruments with errors of their
// own, and a setpoint stays as far from it as this. Rules of thumb, no source.
const (
	spareK    = 2    // beyond a limit of temperature
	spareRel  = 0.02 // of any other, relative to it
	wrongByK  = 10   // a thermometer: more than two differ while a plate warms
	wrongRel  = 0.1  // any other channel, relative to its limit
	turnedByK = 5    // a set value
	drivenRel = 0.5  // what a source drives, relative to what it was told
)

var inDegC = quantity.Dimension{K: 1, Absolute: true}

// watched is a channel with what is true of it.
type watched struct {
	name       string
	dim        quantity.Dimension
	truth      func(*twin.World) float64
	energy     energy  // which matters to it
	far        float64 // from the truth
	perS       float64 // by which the truth can change in a second, if a reading must be younger for it
	lastGood   clock.Instant
	wrong      bool
	wrongSince clock.Instant
}

// bounded is a limit on what is true.
type bounded struct {
	channel int // in watched
	limit   safety.Limit
	spare   float64
	beyond  bool
	since   clock.Instant
	lasting clock.Instant
}

// lasting is a peril as it was met.
type lasting struct {
	holds   bool
	since   clock.Instant
	past    clock.Instant // for which it held before
	longest clock.Instant
	text    string // of the longest
	now     string // of the present one
}

// witness sees what happens on a bench.
type witness struct {
	bench    *twin.Bench
	channels []watched // by channel of the rig; without a truth where none is known
	bounds   []bounded
	within   [perils]clock.Instant
	lost     *bool // nothing that is read is kept

	struck          clock.Instant // when the fault struck; Never before
	on              [energies]bool
	onAt            [energies]clock.Instant // since when
	offAt           clock.Instant           // since when both are off
	perils          [energies][perils]lasting
	plateDegC       float64 // highest since the fault
	filmDegC, watts float64
}

// newWitness prepares for a plan's limits; gap is the longest planned silence.
func newWitness(p *plan.Plan, rules *safety.Rules, r *rig.Rig, b *twin.Bench, now clock.Instant) *witness {
	w := &witness{bench: b, struck: clock.Never, onAt: [energies]clock.Instant{now, now, now}, offAt: now}
	for i := range r.Channels {
		w.channels = append(w.channels, truthOf(r, &r.Channels[i]))
	}
	gap := clock.Instant(0)
	for _, g := range p.Summary.Gaps {
		gap = max(gap, clock.Instant(g.DurationNs))
	}
	for k := range w.within {
		w.within[k] = noticeAfter
	}
	w.within[overLimit] = actWithin
	for k := range w.within { // a rig may only tighten them
		if r.ActWithin > 0 {
			w.within[k] = min(w.within[k], r.ActWithin)
		}
	}
	w.within[blind] += gap
	for _, l := range rules.Limits {
		i := r.Channel(l.Channel)
		if i < 0 || w.channels[i].truth == nil {
			continue
		}
		c := &w.channels[i]
		c.name, c.dim = l.Channel, r.Channels[i].Unit.Dim
		spare := float64(spareK)
		if c.energy != heat {
			spare = 0
			if l.Below != nil {
				spare = spareRel * math.Abs(*l.Below)
				c.far = min(c.far, wrongRel*math.Abs(*l.Below))
			}
		}
		w.bounds = append(w.bounds, bounded{channel: i, limit: l, spare: spare, lasting: clock.Instant(l.LastingNs)})
	}
	w.on = energised(b)
	b.Journal(w.read)
	return w
}

// energised is what can reach the world now.
func energised(b *twin.Bench) (on [energies]bool) {
	on[heat], on[output] = b.Energised()
	on[motion] = b.World().Moving()
	return on
}

func anyOf(on [energies]bool) bool { return on[heat] || on[output] || on[motion] }

// truthOf finds what is true of a channel on the virtual bench.
func truthOf(r *rig.Rig, c *rig.Channel) watched {
	kind := r.Instruments[c.Instrument].Profile.Kind
	switch {
	case isFoil(r, c):
		return watched{far: wrongByK, truth: (*twin.World).FilmTemperature}
	case kind == "hotplate" && c.Quantity == "temperature":
		return watched{far: wrongByK, truth: (*twin.World).PlateSurface}
	case kind == "stage" && c.Quantity == "position":
		return watched{energy: motion, far: math.Inf(1), perS: fastest(r.Instruments[c.Instrument].Profile), truth: func(x *twin.World) float64 { really, _, _ := x.StageAt(x.Now()); return really }}
	case kind != "source-meter":
		return watched{}
	}
	w := watched{energy: output, far: math.Inf(1)}
	switch c.Quantity {
	case "voltage":
		w.truth = func(x *twin.World) float64 { v, _, _ := x.FilmDriven(); return math.Abs(v) }
	case "current":
		w.truth = func(x *twin.World) float64 { _, a, _ := x.FilmDriven(); return math.Abs(a) }
	case "power":
		w.truth = func(x *twin.World) float64 { _, _, p := x.FilmDriven(); return p }
	}
	return w
}

// fastest is the highest speed of a stage.
func fastest(p *rig.Profile) float64 {
	k := p.Set("speed")
	if k < 0 {
		return math.Inf(1)
	}
	return p.Sets[k].Most
}

// read takes a line of the journal: only that counts for when heat and output went
// on and off.
func (w *witness) read(at clock.Instant, line []byte) {
	if !bytes.Contains(line, []byte(`"what":"heat"`)) && !bytes.Contains(line, []byte(`"what":"output"`)) && !bytes.Contains(line, []byte(`"what":"motion"`)) {
		return
	}
	was := w.on
	w.on = energised(w.bench)
	for e := range w.on {
		if w.on[e] && !was[e] {
			w.onAt[e] = at
		}
	}
	if anyOf(was) && !anyOf(w.on) {
		w.offAt = at
	}
}

// reading takes what a channel shows, at the moment at which it is known: it is from some
// time before.
func (w *witness) reading(x drivers.Reading, now, age clock.Instant) {
	c := &w.channels[x.Channel]
	if c.truth == nil || x.Flag != drivers.Good && x.Flag != drivers.InCompliance {
		return
	}
	c.lastGood = now
	shown := x.Value
	if c.energy == output {
		shown = math.Abs(shown)
	}
	wrong := c.truth(w.bench.World())-shown > c.far+float64(c.perS*age.Seconds())
	if wrong && !c.wrong {
		c.wrongSince = now
	}
	c.wrong = wrong
}

// look takes in what is true now, up to which the bench has been advanced.
func (w *witness) look(now clock.Instant) {
	world := w.bench.World()
	if now >= w.struck {
		_, _, watts := world.FilmDriven()
		w.plateDegC, w.filmDegC, w.watts = max(w.plateDegC, world.PlateSurface()), max(w.filmDegC, world.FilmTemperature()), max(w.watts, watts)
	}
	for e := range energies {
		w.lookAtLimits(e, now)
		w.lookAtChannels(e, now)
		w.note(e, unrecorded, w.on[e] && *w.lost, now, now, func() string { return "nothing that was read was kept" })
	}
	w.lookAtObedience(now)
}

func (w *witness) lookAtObedience(now clock.Instant) {
	world := w.bench.World()
	told, inForce := world.PlateObeys()
	w.note(heat, disobeyed, w.on[heat] && inForce-told > turnedByK, now, now, func() string {
		return fmt.Sprintf("the plate went by %.1f degC and was told %.1f degC", inForce, told)
	})
	source := world.Source()
	volts, amps, _ := world.FilmDriven()
	driven := amps
	if source.Mode == twin.SourceVoltage {
		driven = volts
	}
	w.note(output, disobeyed, w.on[output] && math.Abs(driven-source.Level) > drivenRel*math.Abs(source.Level), now, now, func() string {
		return fmt.Sprintf("the source drove %.3g and was told %.3g", driven, source.Level)
	})
}

func (w *witness) lookAtLimits(e energy, now clock.Instant) {
	var worst *bounded
	world := w.bench.World()
	for i := range w.bounds {
		b := &w.bounds[i]
		c := &w.channels[b.channel]
		if c.energy != e {
			continue
		}
		v := c.truth(world)
		beyond := w.on[e] && (b.limit.Below != nil && v > *b.limit.Below+b.spare || b.limit.Above != nil && v < *b.limit.Above-b.spare)
		if beyond && !b.beyond {
			b.since = now
		}
		b.beyond = beyond
		if beyond && now-b.since >= b.lasting && (worst == nil || b.since+b.lasting < worst.since+worst.lasting) {
			worst = b
		}
	}
	since := now
	if worst != nil {
		since = worst.since + worst.lasting
	}
	w.note(e, overLimit, worst != nil, since, now, func() string {
		c := &w.channels[worst.channel]
		return fmt.Sprintf("%s was truly %s, beyond its limit (%s),", c.name, quantity.Near(c.truth(world), c.dim), worst.limit.From)
	})
}

func (w *witness) lookAtChannels(e energy, now clock.Instant) {
	var dark, wrong *watched
	darkSince, wrongSince := now, now
	for i := range w.channels {
		c := &w.channels[i]
		if c.name == "" || c.energy != e || !w.on[e] {
			continue
		}
		if since := max(c.lastGood, w.onAt[e]); since < darkSince {
			dark, darkSince = c, since
		}
		if since := max(c.wrongSince, w.onAt[e]); c.wrong && since <= wrongSince {
			wrong, wrongSince = c, since
		}
	}
	w.note(e, blind, dark != nil, darkSince, now, func() string { return dark.name + " showed nothing" })
	w.note(e, deceived, wrong != nil, wrongSince, now, func() string {
		return fmt.Sprintf("%s was truly %s and showed far less", wrong.name, quantity.Near(wrong.truth(w.bench.World()), wrong.dim))
	})
}

// note keeps how long a peril lasts, all times together; only of silence the longest
// counts. text is asked for when it passes what is allowed.
func (w *witness) note(e energy, k peril, holds bool, since, now clock.Instant, text func() string) {
	p := &w.perils[e][k]
	if !holds {
		if p.holds && k != blind {
			p.past += now - p.since
		}
		p.holds, p.now = false, ""
		return
	}
	if !p.holds || k == blind {
		p.since = since
	}
	p.holds = true
	span := p.past + now - p.since
	if span > w.within[k] && p.now == "" {
		p.now = text()
	}
	if span > p.longest {
		p.longest, p.text = span, p.now
	}
}

// found is what lasted too long with one energy on, the worst of it; "" if nothing
// did.
func (w *witness) found(e energy) string {
	worst := ""
	least := clock.Instant(0)
	for k := range w.perils[e] {
		p := &w.perils[e][k]
		if over := p.longest - w.within[k]; over > least {
			least = over
			worst = fmt.Sprintf("%s for %.0f s, of %.0f s at most", p.text, p.longest.Seconds(), w.within[k].Seconds())
		}
	}
	return worst
}
