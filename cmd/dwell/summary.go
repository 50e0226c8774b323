package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// report tells how an execution went, to a person or as an object, and returns the
// error whose code the program exits with. A fault in putting things away does not
// hide how the run went.
func (x *execution) report(err error, took string) error {
	if never := (neverBegan{}); errors.As(err, &never) {
		x.speech.say("%s %v", x.speech.red("error:"), err)
		x.speech.say("the run has not begun: nothing was sent to any instrument, and none is confirmed safe.\n" +
			"If one may be on, look at it; dwell safe makes safe what can be reached.")
		x.speech.object(map[string]any{"run": x.folder, "outcome": "failed", "safe": false, "readings": 0, "error": err.Error(), "exit": exitUsage})
		return said(exitUsage)
	}
	if x.outcome.Word == "" {
		return err
	}
	code := outcomeCode(x.outcome)
	object := map[string]any{"run": x.folder, "outcome": x.outcome.Word, "safe": x.outcome.Safe, "readings": x.outcome.Readings}
	if x.repeats != nil {
		object["repeats"] = x.repeats.record()
	}
	x.speech.result(x.summary(took))
	if err != nil {
		var c *coded
		switch {
		case errors.As(err, &c):
			code = c.code
		case code == exitDone:
			code = exitProgram
		}
		object["error"] = err.Error()
		x.speech.say("%s %v", x.speech.red("error:"), err)
	}
	if !x.outcome.Safe {
		x.speech.say("\n%s", x.speech.alarmed(loud))
	}
	object["exit"] = code
	x.speech.object(object)
	if code != exitDone {
		return said(code)
	}
	return nil
}

// summary is what a tired person wants to know first.
func (x *execution) summary(took string) string {
	s, o := x.speech, x.outcome
	word := s.bold(o.Word)
	if o.Cause != nil {
		word = s.red(o.Word) + after(o.Word, o.Cause.Error())
	}
	if says := x.record.died.says; says != "" {
		word += "; " + s.bold(says)
	}
	lines := [][2]string{
		{"protocol", x.job.plan.Title},
		{"specimen", x.job.plan.Specimen + " on " + x.job.rig.Name},
		{"took", took},
		{"outcome", word},
	}
	for i, e := range o.Report.Evidence {
		head := ""
		if i == 0 {
			head = "safe"
		}
		text := fmt.Sprintf("%s: %s (%s evidence)", e.Instrument, s.bold("confirmed"), e.Grade)
		if e.Grade == drivers.Unconfirmed {
			text = fmt.Sprintf("%s: %s: %s", e.Instrument, s.red("NOT CONFIRMED"), why(e))
		}
		lines = append(lines, [2]string{head, text})
	}
	count := fmt.Sprintf("%d, %d flagged", o.Readings, x.record.bad)
	if x.record.cut > 0 {
		count += fmt.Sprintf(", %d cut short to make the rig safe", x.record.cut)
	}
	if o.Missed >= 0 {
		count += fmt.Sprintf(", %d left out because the instrument was busy", o.Missed)
	}
	lines = append(lines, [2]string{"readings", count})
	for i, text := range x.replays.compared(o) {
		head := ""
		if i == 0 {
			head = "record"
		}
		lines = append(lines, [2]string{head, text})
	}
	if o.Pauses > 0 {
		lines = append(lines, [2]string{"paused", fmt.Sprintf("%d times, %s in all", o.Pauses, span(o.Paused))})
	}
	var b strings.Builder
	for _, l := range lines {
		for i, part := range wrap(l[1], mostWide-10) {
			if i > 0 {
				l[0] = ""
			}
			fmt.Fprintf(&b, "%-10s%s\n", l[0], part)
		}
	}
	b.WriteString(x.markTable())
	fmt.Fprintf(&b, "%-10s%s\n", "folder", x.folder)
	return b.String()
}

// mostColumns and mostWide keep the table of marks, and what else is said, on a page;
// the plan names first what the protocol records.
const (
	mostColumns = 4
	mostWide    = 100
	mostMark    = 30 // of a mark's own words
)

// markTable shows what was last read before every mark of the protocol, with as many
// channels as there is room for.
func (x *execution) markTable() string {
	if len(x.record.marks) == 0 {
		return ""
	}
	var shown []int
	for _, p := range x.job.plan.Polled {
		if i := x.job.rig.Channel(p.Channel); i >= 0 && len(shown) < mostColumns {
			shown = append(shown, i)
		}
	}
	text := x.marksOf(shown)
	for len(shown) > 1 && width(text[:strings.Index(text, "\n")]) > mostWide {
		shown = shown[:len(shown)-1]
		text = x.marksOf(shown)
	}
	if x.record.lost > 0 {
		text += fmt.Sprintf("  and %d more marks, in events.jsonl\n", x.record.lost)
	}
	return fmt.Sprintf("%-10s%s\n%s", "marks", "with the last reading before each", text)
}

// marksOf is the table with some channels, each in one unit.
func (x *execution) marksOf(shown []int) string {
	rows := [][]string{{"mark", "at"}}
	var looks []quantity.Look
	for _, i := range shown {
		c, largest := x.job.rig.Channels[i], 0.0
		for _, m := range x.record.marks {
			if v := m.values[i]; v.At > 0 && v.Flag == drivers.Good {
				largest = max(largest, math.Abs(v.Value))
			}
		}
		rows[0] = append(rows[0], c.Name)
		looks = append(looks, quantity.LookOf(largest, c.Display, c.Unit.Dim))
	}
	for _, m := range x.record.marks {
		row := []string{clip(m.text, mostMark), span(m.at)}
		for k, i := range shown {
			text := readingText(m.values[i], looks[k])
			if v := m.values[i]; v.At > 0 && v.At < m.at-x.staleAfter(i) {
				text = "old" // as of a source that is off
			}
			row = append(row, text)
		}
		rows = append(rows, row)
	}
	return table(rows)
}

// staleAfter is the longest time after which a reading of a channel is too old, whatever it
// is read at: beside a later mark it would be believed to be of that moment.
func (x *execution) staleAfter(channel int) clock.Instant {
	name, most := x.job.rig.Channels[channel].Name, int64(0)
	look := func(all []plan.Polled) {
		for _, p := range all {
			if p.Channel == name {
				most = max(most, p.StaleNs)
			}
		}
	}
	look(x.job.plan.Polled)
	for i := range x.job.plan.Actions {
		look(x.job.plan.Actions[i].Polled)
	}
	return clock.Instant(most)
}

// valueText is a reading by itself, to look at and not to compute with.
func valueText(x drivers.Reading, c rig.Channel) string {
	return readingText(x, quantity.LookOf(x.Value, c.Display, c.Unit.Dim))
}

func readingText(x drivers.Reading, look quantity.Look) string {
	switch {
	case x.At == 0:
		return "-"
	case x.Flag != drivers.Good:
		return x.Flag.String()
	}
	return look.Text(x.Value)
}

// after is a text behind the word that it explains, and which it may begin with.
func after(word, text string) string {
	if rest, is := strings.CutPrefix(text, word+" "); is {
		return " " + rest
	}
	return ": " + text
}

// span is a length of time for a person.
func span(t clock.Instant) string {
	switch s := int64(t / clock.Second); {
	case t < clock.Minute:
		return fmt.Sprintf("%.1f s", t.Seconds())
	case t < clock.Hour:
		return fmt.Sprintf("%d min %02d s", s/60, s%60)
	default:
		return fmt.Sprintf("%d h %02d min", s/3600, s/60%60)
	}
}

// kinds of events worth a line on the screen.
var worthSaying = map[string]bool{"step": true, "instrument": true, "warning": true, "ceiling": true, "arrived": true,
	"moved": true, "specimen": true, "tripped": true, "failed": true, "stopped": true, "safe": true, "not safe": true,
	"not yet": true, "suspended": true, "may sleep": true, "warmth": true, "paused": true, "resumed": true, "specimen failed": true, "bent": true, "flat": true,
	"notified": true, "not notified": true}

// eventLine is an event as one line of talk.
func (p *panel) eventLine(e sequence.Event) string {
	line := e.Kind
	if e.Kind == "step" {
		line = "step " + e.Step
	}
	if e.Text != "" {
		line += after(e.Kind, e.Text)
	}
	between := ": "
	for _, f := range e.Fields {
		line += between + p.fieldText(e, f)
		between = ", "
	}
	if e.Kind == "moved" && p.byKey(e.Step) {
		line += ", if the key was pressed as it moved"
	}
	return line
}

// byKey is whether a step knows the moment of a movement from a key alone.
func (p *panel) byKey(step string) bool {
	return p.x.job.plan != nil && slices.ContainsFunc(p.x.job.plan.Actions, func(a plan.Action) bool { return a.Step == step && a.T0 == "key" })
}

// fieldText is a number of an event with its unit, which its key names, or the channel
// that the event is about.
func (p *panel) fieldText(e sequence.Event, f sequence.Field) string {
	name := f.Key
	unit := quantity.Unit{Symbol: "1", Factor: 1}
	if at := strings.LastIndexByte(name, '_'); at > 0 {
		if u, known := quantity.LookUp(name[at+1:]); known {
			name, unit = name[:at], u
		}
	} else if i := p.x.job.rig.Channel(e.Text); i >= 0 && name == "target" {
		unit = p.x.job.rig.Channels[i].Unit
	}
	if strings.HasPrefix(name, "u_") {
		name = "known within"
	}
	name = strings.ReplaceAll(name, "_", " ")
	if unit.Symbol == "s" && f.Value >= 0 {
		return name + " " + span(clock.Instant(f.Value*1e9))
	}
	if name == "target" { // somebody chose it
		return name + " " + quantity.Near(f.Value, unit.Dim)
	}
	return name + " " + quantity.Shown(f.Value*unit.Factor, unit.Dim)
}
