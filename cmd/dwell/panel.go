package main

import (
	"fmt"
	"math"
	"strings"

	"dwell/drivers/clock"
	"dwell/logs"
	"dwell/sequence"
)

// panel shows a run while it goes: a block redrawn in place on a terminal, plain
// lines elsewhere. It writes under Block, in a process of its own: a terminal that
// takes no more text stops the panel and nothing else. It never changes how the
// terminal works, so that there is nothing to put right afterwards, however the run
// ends.
type panel struct {
	x      *execution
	run    *sequence.Run
	alarm  *alarm      // since the bench is being made safe
	queue  []string    // lines to say, oldest first
	held   *held       // among them; nil for none
	drawn  []int       // columns of the block's lines on the screen, from above
	below  []int       // columns of what a person has typed below it since
	asking func() bool // a person is typing: leave the screen alone
	done   progress
}

// redraw and plainly are how often the block is drawn, and a plain line printed.
const (
	redraw   = 250 * clock.Millisecond
	plainly  = clock.Minute
	mostTalk = 200 // events that wait for a stuck terminal
)

// say queues an event, but for attempts that fail again: those are the alarm's.
func (p *panel) say(e sequence.Event) {
	gap := clock.Instant(0)
	for _, f := range e.Fields {
		if f.Key == "gap_s" {
			gap = clock.Instant(f.Value * 1e9)
		}
	}
	if p.done.seen == nil && p.x.again != nil { // what was before, this process has not heard
		p.done.ahead = p.x.again.from.Ran - e.At
	}
	p.done.hear(e.Kind, e.Step, e.At, gap)
	if e.Evidence != nil && !p.safing(e.At).hear(*e.Evidence) {
		return
	}
	if worthSaying[e.Kind] && len(p.queue) < mostTalk {
		if isEnd[e.Kind] && p.held == nil {
			p.held = &held{line: len(p.queue), mark: p.x.record.writer.Written(), by: e.At + heldPatience}
		}
		p.tell(p.stamp(e.At) + " " + p.eventLine(e))
	}
}

// held is the line of the queue that says why the run ends. It is not said before that is on
// the disk: whoever kills a run which has said that it tripped must find the trip in the
// record, and resume too. A disk that takes nothing holds it up no longer than until by.
type held struct {
	line int
	mark logs.Mark
	by   clock.Instant
}

// isEnd are the events that say why a run ends.
var isEnd = map[string]bool{"tripped": true, "failed": true, "stopped": true}

const (
	// heldPatience is several times what a slow card takes. Common practice, no source.
	heldPatience = 2 * clock.Second
	notOnDisk    = " (the disk has not taken this)"
)

// due takes from the queue what may be said; all of it at the end.
func (p *panel) due(now clock.Instant, end bool) []string {
	n := len(p.queue)
	if h := p.held; h != nil {
		switch w := p.x.record.writer; {
		case w.Acknowledged().Covers(h.mark):
			p.held = nil
		case now >= h.by || end || w.Err() != nil:
			p.held = nil
			p.queue[h.line] += notOnDisk
		default:
			n, h.line = h.line, 0
		}
	}
	said := p.queue[:n:n]
	p.queue = p.queue[n:]
	return said
}

// safing is the alarm, from when it is needed.
func (p *panel) safing(now clock.Instant) *alarm {
	if p.alarm == nil {
		p.alarm = newAlarm(p.x.bench, p.x.origin, now)
	}
	return p.alarm
}

// alarmText is the alarm for somebody who asks from elsewhere; empty where there is none.
func (p *panel) alarmText() string {
	if !p.alarm.on() {
		return ""
	}
	return p.alarm.line(p.x.clock.Now())
}

func (p *panel) stamp(at clock.Instant) string { return stamp(p.x.origin, at) }

// tell queues a line, such as a question: the panel shows it in its place.
func (p *panel) tell(line string) { p.queue = append(p.queue, line) }

// typed notes a line that a person has typed, which the terminal has shown by itself.
func (p *panel) typed(line string) { p.below = append(p.below, width(line)) }

// start shows until the world ends.
func (p *panel) start(c clock.Clock) {
	c.Go("panel", func() error {
		nextPlain := plainly
		for at := redraw; ; at += redraw {
			err := c.Sleep(at)
			var b strings.Builder
			now := c.Now()
			if p.run != nil && p.run.Status().Stopping {
				p.safing(p.run.Status().Since)
			}
			if p.x.speech.terminal {
				p.block(&b, p.due(now, err != nil), now, err == nil && !p.asking())
			} else {
				p.lines(&b, p.due(now, err != nil), now, &nextPlain)
			}
			text := b.String()
			c.Block(func() error { fmt.Fprint(p.x.speech.err, text); return nil })
			if err != nil {
				return nil
			}
			at = max(at, c.Now()-redraw)
		}
	})
}

// The end of a line and all below it are rubbed out only after the new text has been
// written over the old, so that nothing flickers.
const (
	rubLine  = "\x1b[K\n"
	rubBelow = "\x1b[J"
)

// bell rings at the alarm's intervals, where a terminal does.
const bell = '\a'

// block says what is new where the block begins, and draws it again below.
func (p *panel) block(b *strings.Builder, said []string, now clock.Instant, more bool) {
	columns, rows := p.x.speech.size()
	if more = more && p.run != nil; len(p.drawn)+len(said) == 0 && !more {
		return // whoever is asked something may be typing
	}
	p.back(b, columns)
	for _, line := range said {
		for _, part := range wrap(line, columns) {
			b.WriteString(clip(part, math.MaxInt) + rubLine)
		}
	}
	if p.alarm.again(now) != "" {
		b.WriteByte(bell)
	}
	if more {
		lines := p.status(now, columns)
		for _, l := range lines[:min(len(lines), rows-1)] {
			text := clip(l.text, columns)
			p.drawn = append(p.drawn, width(text))
			b.WriteString(l.paint(text) + rubLine)
		}
	}
	b.WriteString(rubBelow)
}

// back goes to where the block begins. Its lines count as the terminal shows them now:
// one that was made narrower has broken them.
func (p *panel) back(b *strings.Builder, columns int) {
	up := 0
	for _, w := range p.drawn {
		up += max(1, (w+columns-1)/columns)
	}
	for _, w := range p.below {
		up += 1 + w/columns
	}
	if b.WriteByte('\r'); len(p.drawn) > 0 {
		fmt.Fprintf(b, "\x1b[%dA", up)
	}
	p.drawn, p.below = p.drawn[:0], p.below[:0]
}

// shown is a line of the block.
type shown struct {
	text  string
	paint func(string) string
}

func plain(text string) string { return text }

// status is the block: how the run goes, or how making it safe does. A bench that is
// not confirmed safe is all that it is about.
func (p *panel) status(now clock.Instant, columns int) (lines []shown) {
	s := p.run.Status()
	switch {
	case p.alarm.on():
		for _, part := range wrap(loud, columns) {
			lines = append(lines, shown{part, p.x.speech.alarmed})
		}
		return append(lines, p.instruments(now, columns, s.Stops)...)
	case s.Stopping:
		lines = append(lines, shown{"the rig is being made safe, since " + span(now-s.Since), p.x.speech.bold})
		return append(lines, p.instruments(now, columns, s.Stops)...)
	}
	left := "how long it still takes is not known"
	if t, ok := p.done.left(p.x.job.plan, now); ok {
		left = "about " + span(t) + " left"
	}
	lines = append(lines, shown{stepText(s.Step), p.x.speech.bold},
		shown{fmt.Sprintf("  %s of the run, %s, %d readings", span(now), left, s.Readings), plain})
	for _, v := range strings.Split(strings.TrimSuffix(table(p.values(s)), "\n"), "\n") {
		lines = append(lines, shown{v, plain})
	}
	return append(lines, shown{"  stop with Ctrl-C: all is switched off and read back", plain})
}

// instruments says of each how far making it safe has come, the bad ones first, and how
// to end it: the first stop of a bench that is being made safe gives up nothing.
func (p *panel) instruments(now clock.Instant, columns, stops int) (lines []shown) {
	add := func(text, indent string, paint func(string) string) {
		for i, part := range wrap(text, columns-4) {
			if i > 0 {
				part = indent + part
			}
			lines = append(lines, shown{"  " + part, paint})
		}
	}
	for _, failing := range []bool{true, false} {
		for i := range p.alarm.known {
			if p.alarm.fails(i) != failing {
				continue
			}
			if add(p.alarm.about(i, now), "  ", map[bool]func(string) string{true: p.x.speech.red, false: plain}[failing]); failing && p.alarm.known[i].confirmed == 0 {
				add("  the last: "+why(p.alarm.known[i].last), "  ", plain)
			}
		}
	}
	if p.alarm.on() {
		how := "twice"
		if stops > 0 {
			how = "once more"
		}
		add("dwell goes on trying. When the mains are off, end it with Ctrl-C, "+how, "", plain)
	}
	return lines
}

// lines prints what is new, and now and then how things stand.
func (p *panel) lines(b *strings.Builder, said []string, now clock.Instant, next *clock.Instant) {
	for _, line := range said {
		b.WriteString(line + "\n")
	}
	if line := p.alarm.again(now); line != "" {
		b.WriteString(p.x.speech.alarmed(line) + "\n")
	}
	if now < *next || p.run == nil || p.alarm.on() {
		return
	}
	*next = now + plainly
	s := p.run.Status()
	var values []string
	for _, v := range p.values(s) {
		values = append(values, strings.Join(v, " "))
	}
	fmt.Fprintf(b, "%s %s, %d readings; %s\n", p.stamp(now), stepText(s.Step), s.Readings, strings.Join(values, ", "))
}

// stepText is a step, or what goes before the first one.
func stepText(step string) string {
	if step == "" {
		return "preparing the instruments"
	}
	return step
}

// values are the channels that are read, by name.
func (p *panel) values(s sequence.Status) (rows [][]string) {
	for _, polled := range p.x.job.plan.Polled {
		if i := p.x.job.rig.Channel(polled.Channel); i >= 0 {
			rows = append(rows, []string{polled.Channel, valueText(s.Latest[i], p.x.job.rig.Channels[i])})
		}
	}
	return rows
}
