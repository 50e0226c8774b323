package main

import (
	"fmt"
	"strings"
	"time"

	"dwell/drivers/clock"
	"dwell/sequence"
)

// panel shows a run while it goes: a block redrawn in place on a terminal, plain
// lines elsewhere. It writes under Block, in a process of its own: a terminal that
// takes no more text stops the panel and nothing else.
type panel struct {
	x      *execution
	run    *sequence.Run
	queue  []string    // lines to say, oldest first
	height int         // of the block on the screen
	asking func() bool // a person is typing: leave the screen alone
}

// redraw and plainly are how often the block is drawn, and a plain line printed.
const (
	redraw   = 250 * clock.Millisecond
	plainly  = clock.Minute
	mostTalk = 200 // lines that wait for a stuck terminal
)

// say queues an event.
func (p *panel) say(e sequence.Event) {
	if !worthSaying[e.Kind] || len(p.queue) == mostTalk {
		return
	}
	stamp := p.x.origin.UTC.Add(time.Duration(e.At)).Format("15:04:05Z")
	p.tell(stamp + " " + eventLine(e))
}

// tell queues a line, such as a question: the panel shows it in its place.
func (p *panel) tell(line string) { p.queue = append(p.queue, line) }

// start shows until the world ends.
func (p *panel) start(c clock.Clock) {
	c.Go("panel", func() error {
		nextPlain := plainly
		for at := redraw; ; at += redraw {
			err := c.Sleep(at)
			var b strings.Builder
			now := c.Now()
			if p.x.speech.terminal {
				p.block(&b, now, err == nil && !p.asking())
			} else {
				p.lines(&b, now, &nextPlain)
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

func (p *panel) drain(b *strings.Builder) {
	for _, l := range p.queue {
		b.WriteString(p.x.speech.clip(l) + "\n")
	}
	p.queue = p.queue[:0]
}

// block rubs out the old block, says what is new above it, and draws it again.
func (p *panel) block(b *strings.Builder, now clock.Instant, more bool) {
	if p.height > 0 {
		fmt.Fprintf(b, "\r\x1b[%dA\x1b[J", p.height)
		p.height = 0
	}
	p.drain(b)
	if !more || p.run == nil {
		return
	}
	s := p.run.Status()
	left := "about " + span(clock.Instant(p.x.job.plan.Summary.DurationNs)-now) + " left"
	if late := now - clock.Instant(p.x.job.plan.Summary.DurationNs); late > 0 {
		left = span(late) + " longer than estimated"
	}
	lines := []string{fmt.Sprintf("%s  %s of the run, %s, %d readings", p.x.speech.bold(s.Step), span(now), left, s.Readings)}
	for _, v := range p.values(s) {
		lines = append(lines, "  "+v)
	}
	lines = append(lines, "  stop with Ctrl-C: everything is switched off and read back")
	for _, l := range lines {
		b.WriteString(p.x.speech.clip(l) + "\n")
	}
	p.height = len(lines)
}

// lines prints what is new, and once a minute how things stand.
func (p *panel) lines(b *strings.Builder, now clock.Instant, next *clock.Instant) {
	p.drain(b)
	if now < *next || p.run == nil {
		return
	}
	*next = now + plainly
	s := p.run.Status()
	stamp := p.x.origin.UTC.Add(time.Duration(now)).Format("15:04:05Z")
	fmt.Fprintf(b, "%s %s, %d readings; %s\n", stamp, s.Step, s.Readings, strings.Join(p.values(s), ", "))
}

func (p *panel) values(s sequence.Status) []string {
	var out []string
	for _, polled := range p.x.job.plan.Polled {
		for i, c := range p.x.job.rig.Channels {
			if c.Name == polled.Channel {
				out = append(out, c.Name+" "+valueText(s.Latest[i], c))
			}
		}
	}
	return out
}
