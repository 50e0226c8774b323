package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/logs"
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
}

func (c *compared) open(dir string) error {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if r == nil || err != nil {
		return fmt.Errorf("%s is no run folder that can be read: %w", dir, err)
	}
	c.folder, c.plan = dir, planOf(r)
	if c.identity, err = r.Identity(); err != nil {
		return err
	}
	if c.rig, err = keptRig(r, nil); err != nil {
		return err
	}
	c.parts, err = logs.Parts(r)
	return err
}

// pair is what comes of laying two runs beside each other.
type pair struct {
	old, now *compared
	rows     []beside
	missing  []string // steps of one that the other does not have, in words
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
			p.step(a, b)
		} else {
			p.missing = append(p.missing, fmt.Sprintf("step %s, pass %d, is in the old run only", a.Step, a.Pass+1))
		}
	}
	for _, b := range p.now.parts {
		if find(p.old.parts, b.Step, b.Pass) == nil {
			p.missing = append(p.missing, fmt.Sprintf("step %s, pass %d, is in the new run only", b.Step, b.Pass+1))
		}
	}
	if r := p.now.identity.Repeats; r != nil && r.Only != "" && r.Run == filepath.Base(filepath.Clean(p.old.folder)) {
		p.missing = []string{"the new run repeats step " + r.Only + " of the old one alone, after the way there"}
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
					u: p.uncertainty(old, now, a, b), atOld: clock.Instant(a.FromNs), lineOld: old.First, lineNow: now.First,
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
func (p *pair) agree() bool { return p.differ == 0 && len(p.missing) == 0 }

// verdict is the same for --json: nil where nothing could be compared.
func (p *pair) verdict() any {
	same, _ := p.sameBytes()
	if len(p.rows)+len(p.missing) == 0 && !same {
		return nil
	}
	return p.agree()
}

// text says whether they agree, and with every the differences one by one.
func (p *pair) text(s *speech, every bool) string {
	var b strings.Builder
	b.WriteString("\nstep by step\n")
	if p.old.plan != p.now.plan {
		b.WriteString("  their plans are not the same\n")
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
	if len(p.rows) > 0 {
		fmt.Fprintf(&b, "  %d of %d means agree within U (k = 2)\n", len(p.rows)-p.differ, len(p.rows))
	}
	switch {
	case same:
		b.WriteString("  readings.csv is the same in both, to the byte\n")
	case p.first != nil:
		fmt.Fprintf(&b, "  %s: the first is %s in step %s, pass %d (readings.csv:%d and :%d)\n", s.red("they do not agree"), p.first.channel, p.first.step, p.first.pass+1,
			p.first.lineOld, p.first.lineNow)
	case !p.agree():
		fmt.Fprintf(&b, "  %s: their steps are not the same\n", s.red("they do not agree"))
	case len(p.rows) == 0:
		fmt.Fprintf(&b, "  nothing could be compared: no step has %d readings of a channel in both runs\n", fewest)
	default:
		fmt.Fprintf(&b, "  they agree; the first row of readings.csv that is not the same is line %d\n", line)
	}
	return b.String()
}

// object is the same for --json.
func (p *pair) object() map[string]any {
	same, _ := p.sameBytes()
	return map[string]any{"agree": p.verdict(), "identical": same, "compared": len(p.rows), "differ": p.differ,
		"missing": append([]string{}, p.missing...), "means": p.objects()}
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
