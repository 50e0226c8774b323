package main

import (
	"errors"
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/sequence"
)

// report tells how an execution went, to a person or as an object, and returns the
// error whose code the program exits with. A fault in putting things away does not
// hide how the run went.
func (x *execution) report(err error, took string) error {
	if x.outcome.Word == "" {
		return err
	}
	code := outcomeCode(x.outcome)
	object := map[string]any{"run": x.folder, "outcome": x.outcome.Word, "safe": x.outcome.Safe, "readings": x.outcome.Readings}
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
		word = s.red(o.Word) + ": " + o.Cause.Error()
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
			text = fmt.Sprintf("%s: %s: %s", e.Instrument, s.red("NOT CONFIRMED"), e.Text)
		}
		lines = append(lines, [2]string{head, text})
	}
	lines = append(lines, [2]string{"readings", fmt.Sprintf("%d, %d flagged, %d left out because the instrument was busy",
		o.Readings, x.record.bad, o.Missed)})
	var b strings.Builder
	for _, l := range lines {
		fmt.Fprintf(&b, "%-10s%s\n", l[0], l[1])
	}
	b.WriteString(x.markTable())
	fmt.Fprintf(&b, "%-10s%s\n", "folder", x.folder)
	return b.String()
}

// mostColumns keeps the table of marks on a page; the plan names first what the
// protocol records.
const mostColumns = 4

// markTable shows what was last read at every mark of the protocol.
func (x *execution) markTable() string {
	if len(x.record.marks) == 0 {
		return ""
	}
	channels := x.job.rig.Channels
	head := []string{"mark"}
	head = append(head, "at")
	var shown []int
	for _, p := range x.job.plan.Polled[:min(mostColumns, len(x.job.plan.Polled))] {
		for i, c := range channels {
			if c.Name == p.Channel {
				shown = append(shown, i)
				head = append(head, c.Name)
			}
		}
	}
	rows := [][]string{head}
	for _, m := range x.record.marks {
		row := []string{m.text, span(m.at)}
		for _, i := range shown {
			row = append(row, valueText(m.values[i], channels[i]))
		}
		rows = append(rows, row)
	}
	text := table(rows)
	if x.record.lost > 0 {
		text += fmt.Sprintf("  and %d more marks, in events.jsonl\n", x.record.lost)
	}
	return text
}

// valueText is a reading to look at, not to compute with.
func valueText(x drivers.Reading, c rig.Channel) string {
	switch {
	case x.At == 0:
		return "-"
	case x.Flag != drivers.Good:
		return x.Flag.String()
	}
	return fmt.Sprintf("%.6g %s", x.Value/c.Unit.Factor, c.Unit.Symbol)
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
	"not yet": true, "suspended": true, "may sleep": true, "paused": true, "resumed": true}

// eventLine is an event as one line of talk.
func (p *panel) eventLine(e sequence.Event) string {
	line := e.Kind
	if e.Kind == "step" {
		line = "step " + e.Step
	}
	if e.Text != "" {
		line += ": " + e.Text
	}
	for _, f := range e.Fields {
		line += fmt.Sprintf(" %s=%.6g", f.Key, f.Value)
	}
	return line
}
