// Package clock is the only place in dwell that asks the time, waits, or
// starts anything. It offers one small interface twice:
//
//   - Wall runs on the machine's monotonic clock. Every process is a goroutine,
//     but a baton is handed round so that one of them runs at a time.
//   - Virtual is a discrete-event scheduler. Every process is a coroutine; the
//     one with the earliest wake-up runs next, ties by order of arrival, so the
//     same program always does the same things in the same order, and a night
//     passes in a second.
//
// Because one process runs at a time in both, the rooms above need no locks:
// state may change only across a wait (Sleep, Event.Wait, Turn.Take, Block), and
// is read again after each.
//
// A blocking read with a deadline is decided here for both times: a process of
// its own makes the system call under Block, which gives the baton away, puts
// what came into memory and signals an Event; whoever wants the bytes waits on
// that Event with a deadline. In virtual time nothing blocks: the bytes' arrival
// is a computed Instant, and the wait is the same.
//
// Every wait returns an error, so that a world can end; errors.Is(err, ErrEnded) is
// true for it, and Run returns the cause if that was a failure. The room must never be bypassed: a test forbids the time package's clocks, and go
// statements, elsewhere.
package clock

import (
	"errors"
	"fmt"
	"math"
	"runtime/debug"
	"strings"
	"sync/atomic"
)

// Instant is a moment in nanoseconds since the epoch of the run's time base. It
// never runs backwards and knows nothing of dates.
type Instant int64

// Spans of time, in the unit of Instant.
const (
	Microsecond Instant = 1_000
	Millisecond Instant = 1_000_000
	Second      Instant = 1_000_000_000
	Minute              = 60 * Second
	Hour                = 60 * Minute
)

// Never is later than every moment that comes.
const Never Instant = math.MaxInt64

// Seconds returns the instant in seconds, for messages and physics, not for files.
func (t Instant) Seconds() float64 { return float64(t) / 1e9 }

// After returns t plus a span, or Never if that lies beyond it.
func (t Instant) After(span Instant) Instant {
	if t > 0 && span > Never-t {
		return Never
	}
	return t + span
}

// Clock is time for everything that runs on it. Only this package implements it.
type Clock interface {
	// Run lives a whole world: main and everything it starts. When main returns,
	// every other process is woken with ErrEnded and waited for.
	Run(main func() error) error
	// Now may be called from anywhere.
	Now() Instant
	// Sleep waits until the given instant; a past one returns at once.
	Sleep(until Instant) error
	// Go starts a process that the clock owns and waits for. An error or panic
	// from it ends the world: a process that may fail keeps its own counsel.
	Go(name string, f func() error)
	// Block makes a system call; others may run meanwhile.
	Block(f func() error) error

	// running is the process that now runs; park takes it off until it is
	// woken or the instant comes; ready lets a parked one go on.
	running() *process
	park(until Instant) error
	ready(p *process)
}

// Errors that end waits.
var (
	// ErrEnded says that the world is over: return, do not wait again.
	ErrEnded = errors.New("the run's time has ended")
	// ErrStalled says that processes kept waking each other without time going on.
	ErrStalled = errors.New("time stands still: too many events at one instant")
)

// ended is ErrEnded with the failure that ended the world.
type ended struct{ cause error }

func (e *ended) Error() string        { return e.cause.Error() }
func (e *ended) Is(target error) bool { return target == ErrEnded }
func (e *ended) Unwrap() error        { return e.cause }

// result is what Run returns: what main says, and a failure that it does not know.
func result(main, failed error) error {
	if failed == nil || errors.Is(main, failed) {
		return main
	}
	return errors.Join(main, failed)
}

// fails tells whether err, from a process, ends its world or is to be told at its
// end: after that, only a panic is news.
func fails(err, ending, failed error) bool {
	var p *Panicked
	return err != nil && (ending == nil || failed == nil && errors.As(err, &p))
}

// Panicked is what becomes of a panic in a process.
type Panicked struct {
	Process string
	Value   any
	Stack   []byte
}

func (p *Panicked) Error() string {
	return fmt.Sprintf("fault of the program in %q: %v", p.Process, p.Value)
}

// process is one thread of work on either clock.
type process struct {
	name  string
	done  bool
	woken bool // by an event rather than by its deadline

	// virtual
	resume func() (struct{}, bool)
	yield  func(struct{}) bool
	at     Instant
	seq    uint64
	place  int // in the heap, -1 when not there

	// wall
	wake  chan struct{}
	timer wallTimer
	woke  *process    // whom it woke last, since it last gave the baton away
	ran   atomic.Bool // since it was last woken
}

// protect runs f and turns a panic into an error.
func protect(name string, f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &Panicked{Process: name, Value: v, Stack: debug.Stack()}
		}
	}()
	return f()
}

// Event lets processes wait for something another process says has happened. It
// carries no data: look at the state after every wait.
type Event struct {
	clock   Clock
	waiting []*process
}

// NewEvent returns an event on c.
func NewEvent(c Clock) *Event { return &Event{clock: c} }

// Wait waits for the next Signal, at most until by. It tells whether the signal
// came (true) or the deadline (false).
func (e *Event) Wait(by Instant) (bool, error) {
	p := e.clock.running()
	p.woken = false
	e.waiting = append(e.waiting, p)
	err := e.clock.park(by)
	if p.woken {
		return err == nil, err
	}
	for i, q := range e.waiting {
		if q == p {
			e.waiting = append(e.waiting[:i], e.waiting[i+1:]...)
			break
		}
	}
	return false, err
}

// Signal wakes everyone who waits now, in the order in which they came.
func (e *Event) Signal() {
	for i, p := range e.waiting {
		p.woken = true
		e.clock.ready(p)
		e.waiting[i] = nil
	}
	e.waiting = e.waiting[:0]
}

// ErrTurn is returned by Turn.Take when the deadline came first.
var ErrTurn = errors.New("waited too long for a turn")

// Turn is a right that one process has at a time, given on in order of arrival.
// Whoever takes it with Urgently goes before everybody who waits.
type Turn struct {
	clock   Clock
	taken   bool
	holder  *process
	waiting []*process
}

// NewTurn returns a turn that nobody has.
func NewTurn(c Clock) *Turn { return &Turn{clock: c} }

// Take waits for the turn, at most until by.
func (t *Turn) Take(by Instant) error { return t.take(by, false) }

// Urgently is Take ahead of the queue.
func (t *Turn) Urgently(by Instant) error { return t.take(by, true) }

func (t *Turn) take(by Instant, urgent bool) error {
	p := t.clock.running()
	if !t.taken {
		t.taken, t.holder = true, p
		return nil
	}
	p.woken = false
	t.waiting = append(t.waiting, p)
	if urgent {
		copy(t.waiting[1:], t.waiting)
		t.waiting[0] = p
	}
	err := t.clock.park(by)
	if p.woken { // Give has made this process the holder
		if err != nil {
			t.Give()
		}
		return err
	}
	for i, q := range t.waiting {
		if q == p {
			t.waiting = append(t.waiting[:i], t.waiting[i+1:]...)
			break
		}
	}
	if err != nil {
		return err
	}
	return ErrTurn
}

// Give hands the turn to the next in the queue.
func (t *Turn) Give() {
	t.taken, t.holder = false, nil
	if len(t.waiting) == 0 {
		return
	}
	p := t.waiting[0]
	copy(t.waiting, t.waiting[1:])
	t.waiting = t.waiting[:len(t.waiting)-1]
	t.taken, t.holder = true, p
	p.woken = true
	t.clock.ready(p)
}

// Mine tells whether the process that runs now has the turn.
func (t *Turn) Mine() bool { return t.taken && t.holder == t.clock.running() }

// names lists processes for an error message.
func names(ps []*process) string {
	var s []string
	for _, p := range ps {
		s = append(s, fmt.Sprintf("%q", p.name))
	}
	return strings.Join(s, ", ")
}
