//go:build unix

package main

import (
	"math"
	"testing"
	"time"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// What is said to be left at the beginning of each step is held against what it still took:
// within the 15 % that durations are foreseen with, of what is left, and half a minute. The
// same is said in the middle of a step, and never less while a step takes too long.
func TestWhatIsLeft(t *testing.T) {
	t.Parallel()
	for _, protocol := range []string{"staircase.yaml", "overnight.yaml", "response.yaml", "identify.yaml"} {
		t.Run(protocol, func(t *testing.T) {
			x := rehearsed(t, protocol, 1)
			var p progress
			count := 0
			ended := x.outcome.Report.Done
			for _, h := range happenings(t, x.folder) {
				at := clock.Instant(h.AtNs)
				if p.hear(h.Event, h.Step, at, 0); h.Event != "step" || at > ended {
					continue
				}
				left, ok := p.left(x.job.plan, at)
				if off := math.Abs((left - (ended - at)).Seconds()); !ok || off > durationWithin*(ended-at).Seconds()+30 {
					t.Errorf("%s at %.0f s: %.0f s are said to be left, it was %.0f s", h.Step, at.Seconds(), left.Seconds(), (ended - at).Seconds())
				}
				_, takes, _ := x.job.plan.Summary.Foreseen(p.step, p.seen[p.step]-1)
				later, _ := p.left(x.job.plan, at+clock.Instant(takes)/2)
				late, _ := p.left(x.job.plan, at+10*clock.Instant(takes)+clock.Hour)
				if d := left - later - clock.Instant(takes)/2; d > clock.Millisecond || d < -clock.Instant(takes) || late > later || left-late > clock.Instant(takes) {
					t.Errorf("%s, which takes %d ns: %d, then %d, then %d ns left", h.Step, takes, left, later, late)
				}
				count++
			}
			if _, ok := p.left(x.job.plan, ended); ok || count < 8 {
				t.Errorf("%d steps; what is left when all is over: %v", count, ok)
			}
		})
	}
}

func TestLeftText(t *testing.T) {
	utc := time.Local
	time.Local = time.UTC
	defer func() { time.Local = utc }()
	x := &plan.Plan{CoolDegC: 43, Summary: plan.Summary{CoolingNs: int64(2 * clock.Minute)}}
	got := leftText(x, 90*clock.Minute, time.Date(2026, 11, 28, 23, 0, 0, 0, time.UTC))
	if want := "about 1 h 30 min if it goes on: done and off at about Sun 00:30 local time, below 43 degC at about Sun 00:32"; got != want {
		t.Errorf("%s\nexpected %s", got, want)
	}
}
