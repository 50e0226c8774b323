package main

import (
	"strings"

	"dwell/drivers/clock"
)

// outlet writes lines in a process of its own, so that a disk, a terminal or a pipe
// that takes nothing holds up nobody. The first failure is the last.
type outlet struct {
	clock  clock.Clock
	write  func([]byte) error
	queue  []string
	latest string // replaces the one before, if that has not been written yet
	busy   bool
	failed error
	news   *clock.Event
	idle   *clock.Event
}

// mostQueued bounds the lines that wait; later ones are lost.
const mostQueued = 1000

func newOutlet(c clock.Clock, name string, write func([]byte) error) *outlet {
	o := &outlet{clock: c, write: write, news: clock.NewEvent(c), idle: clock.NewEvent(c)}
	c.Go(name, o.run)
	return o
}

func (o *outlet) run() error {
	for o.failed == nil {
		if o.empty() {
			o.idle.Signal()
			if _, err := o.news.Wait(clock.Never); err != nil {
				return nil
			}
			continue
		}
		text := []byte(strings.Join(o.queue, "") + o.latest)
		o.queue, o.latest, o.busy = o.queue[:0], "", true
		o.failed = o.clock.Block(func() error { return o.write(text) })
		o.busy = false
	}
	o.idle.Signal()
	return nil
}

func (o *outlet) empty() bool { return len(o.queue) == 0 && o.latest == "" }

// say queues a line, which brings its own end.
func (o *outlet) say(line string) {
	if len(o.queue) < mostQueued && o.failed == nil {
		o.queue = append(o.queue, line)
		o.news.Signal()
	}
}

// renew is say for a line that makes the one before worthless.
func (o *outlet) renew(line string) {
	o.latest = line
	o.news.Signal()
}

// flush waits until everything has been taken.
func (o *outlet) flush(by clock.Instant) bool {
	for o.failed == nil && (o.busy || !o.empty()) {
		if came, err := o.idle.Wait(by); err != nil || !came {
			return false
		}
	}
	return o.failed == nil
}
