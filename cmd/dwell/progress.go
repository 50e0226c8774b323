package main

import (
	"fmt"
	"time"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// progress follows a run through its plan by its events, and says how much of it is left:
// what the plan foresees for the rest, from the step that is under way on.
type progress struct {
	step  string
	began clock.Instant // of the step, later by how long it was paused
	seen  map[string]int64
	again bool // the run was taken up, and the step that comes is done once more
	over  bool
	ahead clock.Instant // if its beginning was not heard: how much further it is in the plan than in time
}

// hear takes an event; gap is how long a pause that ends with it was.
func (p *progress) hear(kind, step string, at, gap clock.Instant) {
	if p.seen == nil {
		p.seen = map[string]int64{}
	}
	switch kind {
	case "step":
		if again := p.again && step == p.step; !again {
			p.seen[step]++
		}
		p.step, p.began, p.again = step, at, false
	case "resumed":
		p.began += gap
	case "segment", "gap":
		p.again, p.over = true, false
	case "tripped", "failed", "stopped", "safe", "not safe", "ended":
		p.over = true
	}
}

// left is how long the plan goes on at a moment; ok is false where that cannot be told. A
// step that takes longer than foreseen stays at its end.
func (p *progress) left(x *plan.Plan, now clock.Instant) (left clock.Instant, ok bool) {
	whole := clock.Instant(x.Summary.DurationNs)
	if p.step == "" || p.ahead != 0 {
		return max(0, whole-now-p.ahead), !p.over
	}
	starts, takes, ok := x.Summary.Foreseen(p.step, p.seen[p.step]-1)
	gone := min(now-p.began, clock.Instant(takes))
	return max(0, whole-clock.Instant(starts)-gone), ok && !p.over
}

// leftText says how long a plan still goes on, when it will have been done, and when the
// bench will be cool, by the clock on the wall; from is the moment of now.
func leftText(x *plan.Plan, left clock.Instant, from time.Time) string {
	at := func(t clock.Instant) string { return from.Add(time.Duration(t)).Local().Format("Mon 15:04") }
	text := fmt.Sprintf("about %s if it goes on: done and off at about %s local time", span(left), at(left))
	if cool := clock.Instant(x.Summary.CoolingNs); cool > 0 {
		text += fmt.Sprintf(", below %.3g degC at about %s", x.CoolDegC, at(left+cool))
	}
	return text
}
