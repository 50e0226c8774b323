package rig

import (
	"dwell/drivers/clock"
	"dwell/drivers/convert"
	"dwell/drivers/yamltext"
)

// This file reads what was measured on this very bench, and says how long things take
// on it at worst: what the time from a fault to a safe bench is added up from.

// Longest is the longest exchange with an instrument that was measured on this bench,
// from the first byte of the question to the last of the answer.
type Longest struct {
	Takes clock.Instant
	On    string // the date
}

// Identified is a heater as its response to full power was measured: a first-order lag
// behind a dead time.
type Identified struct {
	RiseK float64 // above ambient, at full power for ever
	TauS  float64
	DeadS float64
	On    string // the date
}

// mostTaken is the longest that one question and its answer can have taken: beyond it
// something else was measured. A rule of thumb, no source.
const mostTaken = clock.Minute

func (r *rigReader) longest(n *yamltext.Node) *Longest {
	t := r.table(n, "!takes", "!measured on")
	if t == nil {
		return nil
	}
	l := &Longest{Takes: r.span(t["takes"]), On: r.date(t["measured on"])}
	if t["takes"] != nil && (l.Takes == 0 || l.Takes > mostTaken) {
		r.wrong(t["takes"], "an exchange takes more than no time, and at most 1 min")
	}
	return l
}

func (r *rigReader) identified(n *yamltext.Node, p *Profile) *Identified {
	t := r.table(n, "!rise at full power", "!time constant", "!dead time", "!date")
	if t == nil {
		return nil
	}
	if p.Name != "" && p.Set(heat) < 0 {
		r.wrong(n, "%s does not heat", p.Name)
	}
	return &Identified{RiseK: r.positive(t["rise at full power"], inKelvin), TauS: r.positive(t["time constant"], inSeconds),
		DeadS: r.span(t["dead time"]).Seconds(), On: r.date(t["date"])}
}

// After is the temperature a time after the moment at which the reading was from, with
// full power all the while.
func (h *Identified) After(ambientDegC, from, s float64) float64 {
	end := ambientDegC + h.RiseK
	if from >= end {
		return from
	}
	return end - float64((end-from)*convert.Exp(-s/h.TauS))
}

// Until is how long full power takes from one temperature to another, in s; ok is
// false if it never gets there.
func (h *Identified) Until(ambientDegC, from, to float64) (s float64, ok bool) {
	end := ambientDegC + h.RiseK
	switch {
	case to <= from:
		return 0, true
	case to >= end:
		return 0, false
	}
	return h.TauS * convert.Log((end-from)/(end-to)), true
}

// SafeTime is how long the commands that make the instrument safe are on their way at
// most, from the moment at which the port is free for them: the end of a line, each
// command with the pause before it, and the instrument's own time for the last one.
func (p *Profile) SafeTime() clock.Instant {
	if len(p.Safe) == 0 {
		return 0
	}
	t := p.characters(len(p.Footing.Clear)) + p.Line.Pause
	for _, a := range p.Safe {
		for _, words := range a.Send {
			t += p.characters(len(words)) + p.Line.Pause
		}
		t += a.After
	}
	return t + p.Worst
}

// CommandTime is how long a command of usual length, and what is asked after it, take
// at most: the error queue, and the value read back.
func (p *Profile) CommandTime() clock.Instant {
	return 3 * (p.Worst + p.Line.Pause + p.characters(mostCommand+longestAnswer))
}

// HealthTime is how long one look at the instrument's health takes at most.
func (p *Profile) HealthTime() clock.Instant {
	n := len(p.Watch.Checks) + len(p.Watch.Settings)
	if p.Errors != nil {
		n++
	}
	return clock.Instant(n) * (p.Worst + p.Line.Pause + p.characters(mostCommand+perNumber))
}

// Patience is how long a reading is waited for at most, with the question asked once
// more and time for a port in use: so long can a port be taken by an exchange that
// comes to nothing.
func Patience(worst clock.Instant) clock.Instant { return 2*worst + clock.Second/2 }
