package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/logs"
	"dwell/sequence/plan"
)

// This file lays two runs beside each other, step by step.

// compareSteps does so with two run folders.
func compareSteps(folders []string) (*pair, error) {
	var sides [2]compared
	for k := range sides {
		if err := sides[k].open(folders[k]); err != nil {
			return nil, err
		}
	}
	p := &pair{old: &sides[0], now: &sides[1]}
	p.compare()
	return p, nil
}

// compared is one of two runs.
type compared struct {
	folder   string
	identity logs.Identity
	rig      *rig.Rig
	parts    []logs.Part
	plan     string // digest of what it does
	waits    map[string]waiting
}

// waiting is what a step waits for: its time is its plan's, or that of the bench, or of a
// person.
type waiting int

const (
	waitsForTime waiting = iota
	waitsForBench
	waitsForPerson
)

// waitsOf says so of the steps of a plan.
func waitsOf(p *plan.Plan) map[string]waiting {
	all := map[string]waiting{}
	for _, a := range p.Actions {
		w := waitsForTime
		switch {
		case a.Op == plan.Person || a.Op == plan.Confirm || a.Op == plan.Wrap || a.Op == plan.Home || a.By == "person":
			w = waitsForPerson
		case a.AtMostNs > 0 || a.When != "":
			w = waitsForBench
		}
		all[a.Step] = max(all[a.Step], w)
	}
	return all
}

func (c *compared) open(dir string) error {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if r == nil || err != nil && !errors.Is(err, logs.ErrCorrupt) { // what is damaged has been said with the figures
		return fmt.Errorf("%s is no run folder that can be read: %w", dir, err)
	}
	c.folder, c.plan = dir, planOf(r)
	if c.identity, err = r.Identity(); err != nil {
		return err
	}
	if c.rig, err = keptRig(r, nil); err != nil {
		return err
	}
	if text, err := r.File("plan.json"); err == nil {
		if p, err := plan.ReadJSON(text); err == nil { // why not, is told with the figures
			c.waits = waitsOf(p)
		}
	}
	c.parts, err = logs.Parts(r)
	return err
}

// pair is what comes of laying two runs beside each other.
type pair struct {
	old, now *compared
	rows     []beside
	missing  []string // steps of one that the other does not have, in words
	alone    string   // the one repeats a step of the other, in words; then no step is missing
	times    []took   // steps that did not take the same time
	steps    int      // that both have
	first    *beside  // that does not agree
	differ   int
}

// beside is one channel in one step of both runs.
type beside struct {
	step       string
	pass       int
	channel    string
	unit       string
	old, now   float64
	u          float64 // expanded, of the difference
	atOld      clock.Instant
	lineOld    int64
	lineNow    int64
	oldS, nowS float64 // how long the step took
}

// took is a step that took another time.
type took struct {
	step       string
	pass       int
	oldS, nowS float64
	within     float64 // what they may differ by, in s
}

// Two runs of a step never take the same time to the last digit: instruments line up before
// it. What the bench has to come to is not reached at the same moment twice either: a reading
// that leaves its band once has the wait begin anew. Rules of thumb, no source.
const (
	lineUpS     = 1.0
	benchS      = 10.0
	benchWithin = 0.2 // of the longer time, and benchS
)

// time lays the times of a step beside each other. What a person takes says nothing.
func (p *pair) time(a, b *logs.Part) {
	t := took{a.Step, a.Pass, clock.Instant(a.Lasted()).Seconds(), clock.Instant(b.Lasted()).Seconds(), lineUpS}
	switch max(p.old.waitsIn(a.Step), p.now.waitsIn(a.Step)) {
	case waitsForPerson:
		return
	case waitsForBench:
		t.within += benchS + benchWithin*max(t.oldS, t.nowS)
	}
	if math.Abs(t.oldS-t.nowS) > t.within {
		p.times = append(p.times, t)
	}
}

func (c *compared) waitsIn(step string) waiting {
	if w, known := c.waits[step]; known {
		return w
	}
	return waitsForBench // its plan cannot be read
}

func (t took) String() string {
	return fmt.Sprintf("step %s, pass %d, took %.1f s and %.1f s, which is more than %.1f s apart", t.step, t.pass+1, t.oldS, t.nowS, t.within)
}

func (x *beside) agrees() bool { return math.Abs(x.now-x.old) <= x.u }

func (p *pair) compare() {
	find := func(parts []logs.Part, step string, pass int) *logs.Part {
		for k := range parts {
			if parts[k].Step == step && parts[k].Pass == pass {
				return &parts[k]
			}
		}
		return nil
	}
	for k := range p.old.parts {
		a := &p.old.parts[k]
		if b := find(p.now.parts, a.Step, a.Pass); b != nil {
			p.steps++
			p.step(a, b)
			p.time(a, b)
		} else {
			p.missing = append(p.missing, fmt.Sprintf("step %s, pass %d, is in the old run only", a.Step, a.Pass+1))
		}
	}
	for _, b := range p.now.parts {
		if find(p.old.parts, b.Step, b.Pass) == nil {
			p.missing = append(p.missing, fmt.Sprintf("step %s, pass %d, is in the new run only", b.Step, b.Pass+1))
		}
	}
	for k, x := range [][2]*compared{{p.old, p.now}, {p.now, p.old}} {
		if r := x[1].identity.Repeats; r != nil && r.Only != "" && r.Run == filepath.Base(filepath.Clean(x[0].folder)) {
			p.alone = fmt.Sprintf("the %s run repeats step %s of the %s one alone, after the way there: of the others nothing is compared", [...]string{"new", "old"}[k], r.Only, [...]string{"old", "new"}[k])
			p.missing = nil
		}
	}
	for k := range p.rows {
		if x := &p.rows[k]; !x.agrees() {
			if p.differ++; p.first == nil {
				p.first = x
			}
		}
	}
}

// fewest readings tell something of their spread. A rule of thumb, no source.
const fewest = 8

// step lays one step beside the same step.
func (p *pair) step(a, b *logs.Part) {
	for _, old := range a.Channels {
		for _, now := range b.Channels {
			if old.Channel == now.Channel && old.Unit == now.Unit && min(old.N, now.N) >= fewest {
				p.rows = append(p.rows, beside{step: a.Step, pass: a.Pass, channel: old.Channel, unit: old.Unit, old: old.Mean, now: now.Mean,
					u: p.uncertainty(old, now, a, b) + p.warmer(old, a, b), atOld: clock.Instant(a.FromNs), lineOld: old.First, lineNow: now.First,
					oldS: clock.Instant(a.Lasted()).Seconds(), nowS: clock.Instant(b.Lasted()).Seconds()})
			}
		}
	}
}

// coverage is the factor of an expanded uncertainty (JCGM 100, about 95 %).
const coverage = 2

// uncertainty is that of the difference of two means. The spread itself is taken, not
// that of a mean: readings of a plate that is held are anything but independent, and one
// that moves does not do it twice alike. Declared accuracies and last digits are bounds.
func (p *pair) uncertainty(old, now logs.Held, a, b *logs.Part) float64 {
	u := old.Spread*old.Spread + now.Spread*now.Spread
	for _, x := range []struct {
		side *compared
		part *logs.Part
	}{{p.old, a}, {p.now, b}} {
		k := x.side.rig.Channel(old.Channel)
		if k < 0 {
			continue
		}
		c := x.side.rig.Channels[k]
		digit := c.Display / c.Unit.Factor / 2
		u += digit * digit / 3
		if p.sameInstrument(c) || c.Through != "" {
			continue
		}
		bound := x.side.bound(k, x.part)
		u += bound * bound / 3
	}
	return coverage * math.Sqrt(u)
}

// warmer is by how much a reading of the film must differ because one run was warmer in this
// step than the other, by what its thermometers read: a bound, by the steepest course of the
// old run between neighbouring temperatures.
func (p *pair) warmer(old logs.Held, a, b *logs.Part) (bound float64) {
	place := p.old.rig.Place
	if !slices.Contains([]string{place.Resistance, place.Voltage, place.Current, place.Power}, old.Channel) {
		return 0
	}
	for _, thermometer := range place.Temperature {
		then, ok := heldIn(a, thermometer)
		now, ok2 := heldIn(b, thermometer)
		if ok && ok2 && then.Unit == now.Unit {
			bound = max(bound, math.Abs(now.Mean-then.Mean)*p.old.steepest(old.Channel, thermometer, then.Mean))
		}
	}
	return bound
}

func heldIn(part *logs.Part, channel string) (logs.Held, bool) {
	k := slices.IndexFunc(part.Channels, func(h logs.Held) bool { return h.Channel == channel })
	if k < 0 {
		return logs.Held{}, false
	}
	return part.Channels[k], true
}

// apartK is how far two temperatures must be apart to tell a slope, and nearK how near to the
// temperature it is wanted for. Rules of thumb, no source.
const (
	apartK = 2.0
	nearK  = 10.0
)

// steepest is the largest slope of a channel with a temperature between steps of a run, near
// to one: 0 where no two steps tell.
func (c *compared) steepest(channel, thermometer string, at float64) (slope float64) {
	type point struct{ t, y float64 }
	var all []point
	for k := range c.parts {
		t, ok := heldIn(&c.parts[k], thermometer)
		y, ok2 := heldIn(&c.parts[k], channel)
		if ok && ok2 && math.Abs(t.Mean-at) <= nearK {
			all = append(all, point{t.Mean, y.Mean})
		}
	}
	for i, x := range all {
		for _, y := range all[:i] {
			if math.Abs(x.t-y.t) >= apartK {
				slope = max(slope, math.Abs((x.y-y.y)/(x.t-y.t)))
			}
		}
	}
	return slope
}

// bound is what the profile declares of the accuracy of a channel, at its mean in a part
// and in its unit. That of a quotient or a product is made of the two others'.
func (c *compared) bound(channel int, part *logs.Part) float64 {
	ch := c.rig.Channels[channel]
	size, known := 0.0, false
	for _, h := range part.Channels {
		if h.Channel == ch.Name {
			size, known = math.Abs(h.Mean*ch.Unit.Factor), true
		}
	}
	if !known {
		return 0
	}
	profile := c.rig.Instruments[ch.Instrument].Profile
	best := math.Inf(1)
	bound := 0.0
	for _, x := range promisesOf(profile, ch.Quantity) {
		if upTo := endOfRange(x.UpTo); size <= upTo && upTo <= best {
			best, bound = upTo, x.OfReading*size+x.Plus
		}
	}
	if field := profile.Queries[ch.Query].Fields[ch.Field]; math.IsInf(best, 1) && bound == 0 && field.Op != 0 {
		for _, f := range []int{field.A, field.B} {
			for k, o := range c.rig.Channels {
				if o.Instrument == ch.Instrument && o.Query == ch.Query && o.Field == f {
					bound += size * c.relative(k, part)
					break
				}
			}
		}
	}
	return bound / ch.Unit.Factor
}

// endOfRange is the end of a range, endless where none is stated.
func endOfRange(upTo float64) float64 {
	if upTo == 0 {
		return math.Inf(1)
	}
	return upTo
}

// relative is a bound in parts of the mean.
func (c *compared) relative(channel int, part *logs.Part) float64 {
	for _, h := range part.Channels {
		if h.Channel == c.rig.Channels[channel].Name && h.Mean != 0 {
			return c.bound(channel, part) / math.Abs(h.Mean)
		}
	}
	return 0
}

// sameInstrument tells whether a channel was read by the same instrument in both runs,
// which makes the same error twice.
func (p *pair) sameInstrument(c rig.Channel) bool {
	name := p.old.rig.Instruments[c.Instrument].Name
	var who [2]logs.Instrument
	for k, side := range []*compared{p.old, p.now} {
		for _, i := range side.identity.Instruments {
			if i.Name == name {
				who[k] = i
			}
		}
	}
	virtual := who[0].Port == "twin" || who[1].Port == "twin"
	seeds := !virtual || p.old.identity.Seed == p.now.identity.Seed // a twin of another seed has other errors
	return who[0].Identity != "" && who[0].Identity == who[1].Identity && who[0].Calibrated == who[1].Calibrated && seeds &&
		(who[0].Port == "twin") == (who[1].Port == "twin")
}

// sameBytes tells whether readings.csv is the same in both, or which line is not.
func (p *pair) sameBytes() (bool, int) {
	var text [2][]byte
	for k, side := range []*compared{p.old, p.now} {
		f, err := os.Open(filepath.Join(side.folder, "readings.csv"))
		if err != nil {
			return false, 0
		}
		text[k], err = io.ReadAll(f)
		if f.Close(); err != nil {
			return false, 0
		}
	}
	n := 0
	for n < min(len(text[0]), len(text[1])) && text[0][n] == text[1][n] {
		n++
	}
	return bytes.Equal(text[0], text[1]), bytes.Count(text[0][:n], []byte("\n")) + 1
}

// agree tells whether everything does.
func (p *pair) agree() bool { return p.differ == 0 && len(p.missing)+len(p.times) == 0 }

// samePlan tells whether both did the same.
func (p *pair) samePlan() bool {
	return p.old.plan == p.now.plan && !strings.HasPrefix(p.old.plan, noPlan)
}

// verdict is the same for --json: nil where nothing could be compared.
func (p *pair) verdict() any {
	same, _ := p.sameBytes()
	if len(p.rows)+len(p.missing)+len(p.times) == 0 && !same {
		return nil
	}
	return p.agree()
}

// word is the same in words.
func (p *pair) word() string {
	switch p.verdict() {
	case nil:
		return "could not be compared"
	case true:
		return "agree"
	}
	return "do not agree"
}

// text says whether they agree, and with every the differences one by one.
func (p *pair) text(s *speech, every bool) string {
	var b strings.Builder
	b.WriteString("\nstep by step\n")
	if p.alone != "" {
		b.WriteString("  " + p.alone + "\n")
	}
	for _, text := range p.missing {
		b.WriteString("  " + text + "\n")
	}
	rows := [][]string{{"step", "took", "channel", "first run", "second run", "difference", "U"}}
	for k := range p.rows {
		if x := &p.rows[k]; !x.agrees() {
			rows = append(rows, []string{fmt.Sprintf("%s (%d)", x.step, x.pass+1), fmt.Sprintf("%.1f s, %.1f s", x.oldS, x.nowS), x.channel,
				fmt.Sprintf("%.6g %s", x.old, x.unit), fmt.Sprintf("%.6g", x.now), fmt.Sprintf("%.3g", x.now-x.old), fmt.Sprintf("%.2g", x.u)})
		}
	}
	if every && p.differ > 0 {
		b.WriteString(table(rows))
	}
	same, line := p.sameBytes()
	const most = 5 // of times are told without --steps
	for k, t := range p.times {
		if k == most && !every {
			fmt.Fprintf(&b, "  and %d more steps took other times\n", len(p.times)-k)
			break
		}
		fmt.Fprintf(&b, "  %s\n", t)
	}
	if len(p.rows) > 0 {
		fmt.Fprintf(&b, "  %d of %d means agree within U (k = 2)\n", len(p.rows)-p.differ, len(p.rows))
	}
	but := ""
	if !p.samePlan() {
		but = ", and their plans are not the same"
	}
	switch {
	case same:
		fmt.Fprintf(&b, "  readings.csv is the same in both, to the byte%s\n", but)
	case p.first != nil:
		fmt.Fprintf(&b, "  %s: the first is %s in step %s, pass %d (readings.csv:%d and :%d)%s\n", s.red("they do not agree"), p.first.channel, p.first.step, p.first.pass+1,
			p.first.lineOld, p.first.lineNow, but)
	case len(p.missing) > 0:
		fmt.Fprintf(&b, "  %s: their steps are not the same%s\n", s.red("they do not agree"), but)
	case len(p.times) > 0:
		fmt.Fprintf(&b, "  %s: their steps did not take the same time; the first is %s, pass %d%s\n", s.red("they do not agree"), p.times[0].step, p.times[0].pass+1, but)
	case len(p.rows) == 0:
		fmt.Fprintf(&b, "  nothing could be compared: no step has %d readings of a channel in both runs%s\n", fewest, but)
	default:
		fmt.Fprintf(&b, "  %s; the first row of readings.csv that is not the same is line %d\n", p.agreement(), line)
	}
	return b.String()
}

// agreement is in how far they agree.
func (p *pair) agreement() string {
	switch {
	case p.alone != "":
		return fmt.Sprintf("the %d steps that both have agree", p.steps)
	case !p.samePlan():
		return fmt.Sprintf("the %d steps of both agree, but their plans are not the same", p.steps)
	}
	return "they agree"
}

// object is the same for --json.
func (p *pair) object() map[string]any {
	same, _ := p.sameBytes()
	return map[string]any{"agree": p.verdict(), "identical": same, "compared": len(p.rows), "differ": p.differ, "same_plan": p.samePlan(),
		"times": p.timesObject(), "alone": p.alone, "missing": append([]string{}, p.missing...), "means": p.objects()}
}

func (p *pair) timesObject() []map[string]any {
	all := []map[string]any{}
	for _, t := range p.times {
		all = append(all, map[string]any{"step": t.step, "pass": t.pass + 1, "old_s": t.oldS, "new_s": t.nowS, "within_s": t.within})
	}
	return all
}

func (p *pair) objects() []map[string]any {
	all := []map[string]any{}
	for k := range p.rows {
		x := &p.rows[k]
		all = append(all, map[string]any{"step": x.step, "pass": x.pass + 1, "channel": x.channel, "unit": x.unit, "old": x.old, "new": x.now,
			"difference": x.now - x.old, "U": x.u, "k": coverage, "agree": x.agrees(), "old_s": x.oldS, "new_s": x.nowS})
	}
	return all
}
