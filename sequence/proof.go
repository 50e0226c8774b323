package sequence

import (
	"fmt"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/safety"
)

// Watched is what a run does for another process that watches it. A rehearsal has
// none, and pays nothing for it.
type Watched struct {
	// Beat is proof of life, with a key that grows. It comes from the process that
	// looks for silence, and only while readings arrive and are judged, or while
	// making safe goes on: never from a timer of its own, never from the disk's
	// process. It must not wait.
	Beat func(key int64)
	// Energising is called before anything is switched on, which does not happen if
	// it fails.
	Energising func() error
	// Slept is how long the computer has been suspended, since some fixed moment.
	Slept func() clock.Instant
}

const (
	// beatEvery is the longest time between two proofs of life.
	beatEvery = clock.Second / 4
	// stuckAfter is longer than any attempt to make an instrument safe, with the rest
	// before it.
	stuckAfter = 2 * safety.Attempt
	// shortestSleep is shorter than any suspend and longer than the error of reading
	// two clocks. A rule of thumb, no source.
	shortestSleep = clock.Second / 2
)

// attempted is how far making an instrument safe has come.
type attempted struct {
	at        clock.Instant // the end of the last attempt
	confirmed int           // in a row
	cools     clock.Instant // how long one that can heat is watched, after it was confirmed to be off
}

// over tells whether nothing more is to come of an instrument.
func (a attempted) over() bool { return a.confirmed > 1 || a.confirmed == 1 && a.cools == 0 }

// prove gives proof of life, and returns when the next is due.
func (r *Run) prove(now clock.Instant) clock.Instant {
	before := r.slept
	if r.slept = r.watch.Slept(); r.slept-before > shortestSleep {
		text := string(quantity.AppendSeconds(nil, int64((r.slept-before)/clock.Millisecond*clock.Millisecond)))
		r.event(Event{Kind: "suspended", Text: fmt.Sprintf("the computer slept for %s s", text)})
		r.latch(&safety.Cause{Kind: safety.Tripped, Text: fmt.Sprintf("the computer slept for %s s", text), At: now})
	}
	if r.alive(now) {
		r.judged++
		r.watch.Beat(r.judged)
	}
	return now + beatEvery
}

// alive tells whether the run does what it is there for. That no channel is stale is
// seen before: a run with one is being made safe.
func (r *Run) alive(now clock.Instant) bool {
	if !r.safing {
		return r.polling == len(r.bench.Instruments)
	}
	if r.report != nil {
		return true
	}
	for _, a := range r.attempts {
		within := stuckAfter
		if a.confirmed > 0 {
			within += a.cools
		}
		if !a.over() && now-max(a.at, r.safingAt) > within {
			return false
		}
	}
	return true
}

// progress notes that an attempt to make an instrument safe has ended.
func (r *Run) progress(e drivers.Evidence) {
	a := &r.attempts[r.instr[e.Instrument]]
	a.at = r.clock.Now()
	if a.confirmed++; e.Grade == drivers.Unconfirmed {
		a.confirmed = 0
	}
}

// energising tells whoever watches that something is about to be switched on.
func (r *Run) energising() error {
	if r.watch == nil {
		return nil
	}
	return r.watch.Energising()
}
