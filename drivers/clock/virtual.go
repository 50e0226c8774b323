package clock

import (
	"fmt"
	"iter"
)

// mostAtOnce bounds the wake-ups at one instant. A rig has tens of processes, so
// a million of them without a nanosecond passing is a loop.
const mostAtOnce = 1_000_000

// World is virtual time: a deterministic discrete-event scheduler.
type World struct {
	now      Instant
	seq      uint64
	atOnce   int
	heap     []*process // by (at, seq)
	all      []*process // in order of birth
	current  *process
	ending   error
	failed   error
	overtime int // waits since the end
}

// Virtual returns a world whose time starts at the given instant: 0 for a new
// run, the instant of a snapshot for a continued one.
func Virtual(start Instant) *World { return &World{now: start} }

// Now implements Clock.
func (w *World) Now() Instant { return w.now }

func (w *World) running() *process { return w.current }

// Block implements Clock; in virtual time a system call takes no time.
func (w *World) Block(f func() error) error { return f() }

// Go implements Clock.
func (w *World) Go(name string, f func() error) {
	p := &process{name: name, place: -1}
	p.resume, _ = iter.Pull(func(yield func(struct{}) bool) {
		p.yield = yield
		if err := protect(name, f); fails(err, w.ending, w.failed) {
			w.fail(fmt.Errorf("%s: %w", name, err))
		}
		p.done = true
	})
	w.all = append(w.all, p)
	w.push(p, w.now)
}

// Run implements Clock.
func (w *World) Run(main func() error) error {
	var said error
	w.Go("main", func() error {
		said = protect("main", main)
		w.end(ErrEnded)
		return nil
	})
	for {
		for len(w.heap) > 0 {
			p := w.heap[0]
			w.remove(p)
			w.advance(p.at)
			w.current = p
			p.resume()
			w.current = nil
			if p.done {
				w.forget(p)
			}
		}
		if len(w.all) == 0 {
			break
		}
		w.fail(fmt.Errorf("nothing will ever happen again: %s wait for ever", names(w.all)))
	}
	return result(said, w.failed)
}

// fail ends the world for a cause.
func (w *World) fail(cause error) {
	w.failed = cause
	w.end(&ended{cause})
}

// over is the answer of every wait after the end. A process that goes on as if it
// had not heard would never let Run return.
func (w *World) over() error {
	if w.overtime++; w.overtime > mostAtOnce {
		panic("goes on after the end of its world")
	}
	return w.ending
}

// end makes every wait, present and future, return err.
func (w *World) end(err error) {
	if w.ending != nil {
		return
	}
	w.ending = err
	for _, p := range w.all {
		if p != w.current {
			w.ready(p)
		}
	}
}

func (w *World) forget(p *process) {
	for i, q := range w.all {
		if q == p {
			w.all = append(w.all[:i], w.all[i+1:]...)
			return
		}
	}
}

func (w *World) advance(to Instant) {
	if to > w.now {
		w.now, w.atOnce = to, 0
		return
	}
	if w.atOnce++; w.atOnce > mostAtOnce && w.ending == nil {
		w.fail(ErrStalled)
	}
}

// Freeze lets a span pass in which no process runs, as when the whole program was
// stopped. Whatever was due meanwhile is late.
func (w *World) Freeze(span Instant) { w.advance(w.now.After(span)) }

// Sleep implements Clock.
func (w *World) Sleep(until Instant) error {
	if until <= w.now && w.ending == nil {
		w.advance(w.now)
		return w.ending
	}
	return w.park(until)
}

// park implements Clock. When nobody else is due before, time simply goes on: no
// switch is needed, since nobody could have woken this process earlier.
func (w *World) park(until Instant) error {
	if w.ending != nil {
		return w.over()
	}
	if until < Never && (len(w.heap) == 0 || w.heap[0].at > until) {
		w.advance(until)
		return w.ending
	}
	p := w.current
	if until < Never {
		w.push(p, until)
	}
	p.yield(struct{}{})
	return w.ending
}

func (w *World) ready(p *process) {
	if p.place >= 0 {
		w.remove(p)
	}
	w.push(p, w.now)
}

// push, remove and the two sifts are a binary heap in place: container/heap costs
// an interface call a comparison, and this is the innermost loop of a rehearsal.
func (w *World) push(p *process, at Instant) {
	if at < w.now {
		at = w.now
	}
	p.at, p.seq = at, w.seq
	w.seq++
	p.place = len(w.heap)
	w.heap = append(w.heap, p)
	w.up(p.place)
}

func (w *World) remove(p *process) {
	i, last := p.place, len(w.heap)-1
	p.place = -1
	moved := w.heap[last]
	w.heap[last] = nil
	w.heap = w.heap[:last]
	if i == last {
		return
	}
	w.heap[i] = moved
	moved.place = i
	w.down(i)
	w.up(moved.place)
}

func (w *World) earlier(i, j int) bool {
	a, b := w.heap[i], w.heap[j]
	return a.at < b.at || a.at == b.at && a.seq < b.seq
}

func (w *World) swap(i, j int) {
	w.heap[i], w.heap[j] = w.heap[j], w.heap[i]
	w.heap[i].place, w.heap[j].place = i, j
}

func (w *World) up(i int) {
	for i > 0 {
		parent := (i - 1) / 2
		if !w.earlier(i, parent) {
			return
		}
		w.swap(i, parent)
		i = parent
	}
}

func (w *World) down(i int) {
	for {
		child := 2*i + 1
		if child >= len(w.heap) {
			return
		}
		if child+1 < len(w.heap) && w.earlier(child+1, child) {
			child++
		}
		if !w.earlier(child, i) {
			return
		}
		w.swap(i, child)
		i = child
	}
}
