package sequence_test

import (
	"errors"
	"slices"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/safety"
	"dwell/sequence"
)

// watcher is whoever watches a run.
type watcher struct {
	clock    clock.Clock
	beats    []clock.Instant
	keys     []int64
	told     int           // times that something was about to be switched on
	toldAt   clock.Instant // the first time
	refuses  error
	sleepsAt clock.Instant
	slept    clock.Instant
}

func (w *watcher) watched(c clock.Clock) *sequence.Watched {
	w.clock = c
	return &sequence.Watched{
		Beat: func(key int64) { w.beats, w.keys = append(w.beats, c.Now()), append(w.keys, key) },
		Energising: func() error {
			if w.told++; w.told == 1 {
				w.toldAt = c.Now()
			}
			return w.refuses
		},
		Slept: func() clock.Instant {
			if w.sleepsAt > 0 && c.Now() >= w.sleepsAt {
				return w.slept
			}
			return 0
		},
	}
}

// longestGap is the longest time without proof of life between two moments.
func (w *watcher) longestGap(from, to clock.Instant) (gap clock.Instant) {
	last := from
	for _, at := range append(slices.Clone(w.beats), to) {
		if at >= from && at <= to {
			gap = max(gap, at-last)
			last = at
		}
	}
	return gap
}

func TestProofOfLife(t *testing.T) {
	w := &watcher{}
	var switchedOn clock.Instant
	x := trial{watch: w.watched, steps: source + "  - bring: {plate to: 25 degC, at most: 20 min}\n  - hold: 1 min",
		meddle: func(c clock.Clock, r *sequence.Run, b *twin.Bench) {
			for b.World().Source().Mode == twin.SourceOff && !b.World().Heating() {
				if c.Sleep(c.Now()+clock.Millisecond) != nil {
					return
				}
			}
			switchedOn = c.Now()
		}}
	_, o := x.do(t)
	expect(t, o, "completed", 0, "")
	if w.told < 3 || w.toldAt >= switchedOn {
		t.Errorf("told %d times, first at %d ns, switched on at %d ns", w.told, w.toldAt, switchedOn)
	}
	end := clock.Instant(x.seconds * 1e9)
	if gap := w.longestGap(w.toldAt, end); gap > clock.Second/4 {
		t.Errorf("%g s without proof of life", gap.Seconds())
	}
	for i := range w.keys[1:] {
		if w.keys[i+1] <= w.keys[i] {
			t.Fatalf("key %d after %d", w.keys[i+1], w.keys[i])
		}
	}
	if last := w.keys[len(w.keys)-1]; last < o.Readings {
		t.Errorf("the last key is %d, %d readings were judged", last, o.Readings)
	}
}

// While an instrument does not let itself be made safe the run goes on trying, and is
// alive.
func TestProofOfLifeWhileMakingSafe(t *testing.T) {
	w := &watcher{}
	from := 25 * clock.Second
	x := trial{watch: w.watched, steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
		device: func(n string, d wire.Device) wire.Device {
			if n == "plate" {
				return &deaf{d, from, from + clock.Minute}
			}
			return d
		}}
	_, o := x.do(t)
	expect(t, o, "failed", safety.Failed, "no good reading")
	end := clock.Instant(x.seconds * 1e9)
	if end < from+clock.Minute {
		t.Fatalf("over at %g s: the test shows nothing", x.seconds)
	}
	if gap := w.longestGap(w.toldAt, end); gap > clock.Second/4 {
		t.Errorf("%g s without proof of life", gap.Seconds())
	}
}

func TestASleepOfTheComputerTrips(t *testing.T) {
	for slept, word := range map[clock.Instant]string{40 * clock.Second: "tripped", 100 * clock.Millisecond: "completed"} {
		w := &watcher{sleepsAt: 20 * clock.Second, slept: slept}
		x := trial{watch: w.watched, steps: source + "  - bring: {plate to: 25 degC, at most: 20 min}"}
		_, o := x.do(t)
		expect(t, o, word, safety.Tripped, "the computer slept for 40 s")
	}
}

func TestNothingIsSwitchedOnUnlessTheWatcherKnows(t *testing.T) {
	w := &watcher{refuses: errors.New("it takes nothing")}
	x := trial{watch: w.watched, steps: source + "  - bring: {plate to: 25 degC, at most: 20 min}"}
	_, o := x.do(t)
	expect(t, o, "failed", safety.Failed, "it takes nothing")
	if len(x.energise) > 0 {
		t.Errorf("switched on: %v", x.energise)
	}
}

func TestAReasonFromOutside(t *testing.T) {
	x := trial{steps: source + `  - bring: {plate to: 30 degC, at most: 20 min}`,
		meddle: func(c clock.Clock, r *sequence.Run, _ *twin.Bench) {
			if c.Sleep(20*clock.Second) == nil {
				r.Fail("the guard process is gone")
			}
		}}
	_, o := x.do(t)
	expect(t, o, "failed", safety.Failed, "the guard process is gone")
}
