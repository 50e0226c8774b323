package clock

import (
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"
)

// farewell is how long the end of a world waits for its processes. One that is
// still at work by then, mostly in a system call, is named in the error and left
// behind.
const farewell = 3 * time.Second

// WallClock is time as it passes, on the machine's monotonic clock.
type WallClock struct {
	start    time.Time
	zero     Instant
	farewell time.Duration

	baton   sync.Mutex // held by the process that runs; guards all below
	current *process
	ending  error
	failed  error
	live    []*process
	over    chan struct{} // closed when the world ends
	left    chan struct{} // a token each time a process has left
}

// Wall returns a clock that shows the given instant now: 0 for a new run.
func Wall(zero Instant) *WallClock {
	return &WallClock{start: time.Now(), zero: zero, farewell: farewell,
		over: make(chan struct{}), left: make(chan struct{}, 1)}
}

// Now implements Clock.
func (w *WallClock) Now() Instant { return w.zero + Instant(time.Since(w.start)) }

func (w *WallClock) running() *process { return w.current }

// yields is how often a process lets another go first before it blocks. Once is enough but
// for one time in 61, when Go's scheduler takes it up again before the other.
const yields = 3

// Block implements Clock. Whoever this process has woken waits to run on its thread, and
// goes first: from behind a system call another thread would have to come and fetch it,
// which can take Go's runtime 10 ms.
func (w *WallClock) Block(f func() error) error {
	p := w.current
	w.current = nil
	w.baton.Unlock()
	for k := 0; p.woke != nil && k < yields && !p.woke.ran.Load(); k++ {
		runtime.Gosched()
	}
	p.woke = nil
	defer func() {
		w.baton.Lock()
		w.current = p
	}()
	return f()
}

// Go implements Clock. Outside a running world it may be called only before Run.
func (w *WallClock) Go(name string, f func() error) {
	p := &process{name: name, wake: make(chan struct{}, 1)}
	w.live = append(w.live, p)
	go func() {
		w.baton.Lock()
		w.current = p
		if err := protect(name, f); fails(err, w.ending, w.failed) {
			w.failed = fmt.Errorf("%s: %w", name, err)
			w.end(&ended{w.failed})
		}
		w.leave(p)
		w.current = nil
		w.baton.Unlock()
		select {
		case w.left <- struct{}{}:
		default:
		}
	}()
}

func (w *WallClock) leave(p *process) {
	for i, q := range w.live {
		if q == p {
			w.live = append(w.live[:i], w.live[i+1:]...)
			return
		}
	}
}

// Run implements Clock.
func (w *WallClock) Run(main func() error) error {
	var said error
	w.baton.Lock()
	w.Go("main", func() error {
		said = protect("main", main)
		w.end(ErrEnded)
		return nil
	})
	w.baton.Unlock()
	<-w.over
	patience := time.NewTimer(w.farewell)
	defer patience.Stop()
	for {
		w.baton.Lock()
		remaining, err := names(w.live), result(said, w.failed)
		w.baton.Unlock()
		if remaining == "" {
			return err
		}
		select {
		case <-w.left:
		case <-patience.C:
			return errors.Join(err, fmt.Errorf("left behind, still at work: %s", remaining))
		}
	}
}

func (w *WallClock) end(err error) {
	if w.ending == nil {
		w.ending = err
		close(w.over)
	}
}

// Sleep implements Clock.
func (w *WallClock) Sleep(until Instant) error {
	if until <= w.Now() && w.ending == nil {
		return nil
	}
	w.current.woken = false
	return w.park(until)
}

// park implements Clock. A wake-up that came together with an earlier deadline
// may have left its token behind; it is taken out first.
func (w *WallClock) park(until Instant) error {
	p := w.current
	if w.ending != nil {
		// A process that goes on after the end must not keep the baton from Run.
		w.current = nil
		w.baton.Unlock()
		runtime.Gosched()
		w.baton.Lock()
		w.current = p
		return w.ending
	}
	select {
	case <-p.wake:
	default:
	}
	p.woke = nil
	alarm := p.timer.set(until, w.Now())
	w.current = nil
	w.baton.Unlock()
	select {
	case <-p.wake:
	case <-alarm:
	case <-w.over:
	}
	p.ran.Store(true)
	p.timer.stop()
	w.baton.Lock()
	w.current = p
	return w.ending
}

func (w *WallClock) ready(p *process) {
	w.current.woke = p
	p.ran.Store(false)
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// wallTimer is one timer used again and again by its process, made when it is first needed.
type wallTimer struct{ t *time.Timer }

// set returns the channel that fires at the instant, nil for Never.
func (t *wallTimer) set(until, now Instant) <-chan time.Time {
	if until == Never {
		return nil
	}
	if t.t == nil {
		t.t = time.NewTimer(time.Duration(until - now))
	} else {
		t.t.Reset(time.Duration(until - now))
	}
	return t.t.C
}

func (t *wallTimer) stop() {
	if t.t != nil {
		t.t.Stop()
	}
}

// Origin ties a run's time base to the calendar, once.
type Origin struct {
	UTC          time.Time // at Instant 0
	Synchronised string    // "yes", "no" or "not known"
	UncertaintyS float64   // the system's own estimate, 0 when not known
}

// Today returns the calendar's moment now and the state of the system's clock.
func Today() Origin {
	o := Origin{UTC: time.Now().UTC().Round(0), Synchronised: "not known"}
	o.Synchronised, o.UncertaintyS = synchronised()
	return o
}

// Slept is how long this computer has been suspended, since some fixed moment: what
// counts is by how much it grows. Wall time, which stands still meanwhile on most
// systems, does not show it.
func (w *WallClock) Slept() Instant { return slept(w.start) }

// UntilTimeOfDay is how long it is from a start until the clock on the wall next shows
// HH:MM, local time. The start is such a time of day too, or "" for now; begins is what
// the clock shows then.
func UntilTimeOfDay(start, hhmm string) (left Instant, begins string, err error) {
	return untilTimeOfDay(time.Now(), start, hhmm)
}

func untilTimeOfDay(now time.Time, start, hhmm string) (left Instant, begins string, err error) {
	if start != "" {
		if now, err = nextTimeOfDay(now, start); err != nil {
			return 0, "", err
		}
	}
	next, err := nextTimeOfDay(now, hhmm)
	return Instant(next.Sub(now)), now.Format("15:04"), err
}

func nextTimeOfDay(now time.Time, hhmm string) (time.Time, error) {
	at, err := time.Parse("15:04", hhmm)
	if err != nil {
		return now, fmt.Errorf("%q is no time of day: expected HH:MM", hhmm)
	}
	next := time.Date(now.Year(), now.Month(), now.Day(), at.Hour(), at.Minute(), 0, 0, now.Location())
	if !next.After(now) {
		next = time.Date(now.Year(), now.Month(), now.Day()+1, at.Hour(), at.Minute(), 0, 0, now.Location())
	}
	return next, nil
}
