package clock

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// both runs a test in virtual and in wall time.
func both(t *testing.T, f func(t *testing.T, c Clock)) {
	t.Run("virtual", func(t *testing.T) { f(t, Virtual(0)) })
	t.Run("wall", func(t *testing.T) { f(t, Wall(0)) })
}

func TestSleepersWakeInOrderOfTheirTimes(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		var order []string
		err := c.Run(func() error {
			for i, ms := range []Instant{300, 100, 200} {
				c.Go(fmt.Sprint(i), func() error {
					if err := c.Sleep(ms * Millisecond); err != nil {
						return err
					}
					order = append(order, fmt.Sprint(ms))
					return nil
				})
			}
			for len(order) < 3 {
				if err := c.Sleep(c.Now() + 10*Millisecond); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil || strings.Join(order, " ") != "100 200 300" {
			t.Fatalf("order %v, error %v", order, err)
		}
		if now := c.Now(); now < 300*Millisecond {
			t.Errorf("ended at %d ns, before the sleep was over", now)
		}
	})
}

func TestTiesGoByArrival(t *testing.T) {
	for range 20 {
		w := Virtual(0)
		var order []int
		err := w.Run(func() error {
			for i := range 9 {
				w.Go("", func() error {
					for k := 1; k < 5; k++ {
						if err := w.Sleep(Instant(k) * Second); err != nil {
							return err
						}
						order = append(order, i)
					}
					return nil
				})
			}
			return w.Sleep(Minute)
		})
		for k, i := range order {
			if i != k%9 {
				t.Fatalf("wake-up %d went to process %d", k, i)
			}
		}
		if err != nil || len(order) != 36 {
			t.Fatalf("%d wake-ups, %v", len(order), err)
		}
	}
}

func TestEventWakesBeforeItsDeadline(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		e := NewEvent(c)
		err := c.Run(func() error {
			c.Go("signaller", func() error {
				err := c.Sleep(5 * Millisecond)
				e.Signal()
				return err
			})
			if came, err := e.Wait(Minute); !came || err != nil {
				t.Errorf("signal: came %v, error %v", came, err)
			}
			if came, err := e.Wait(c.Now() + 5*Millisecond); came || err != nil {
				t.Errorf("deadline: came %v, error %v", came, err)
			}
			if len(e.waiting) != 0 {
				t.Errorf("%d still registered", len(e.waiting))
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	})
}

// A late token of an earlier wake-up must not end the next wait.
func TestALateWakeUpIsNotTakenForTheNext(t *testing.T) {
	c := Wall(0)
	err := c.Run(func() error {
		p := c.running()
		c.ready(p) // as if a signal had come together with a deadline
		began := c.Now()
		if err := c.Sleep(began + 20*Millisecond); err != nil {
			return err
		}
		if slept := c.Now() - began; slept < 20*Millisecond {
			t.Errorf("slept %d ns of 20 ms", slept)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestTurnIsGivenInOrderAndUrgentlyFirst(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		turn, done := NewTurn(c), NewEvent(c)
		var order []string
		// queue starts a process that waits for the turn, and returns once it does.
		queue := func(name string, take func(Instant) error) error {
			before := len(turn.waiting)
			c.Go(name, func() error {
				if err := take(Never); err != nil {
					return err
				}
				if !turn.Mine() {
					t.Errorf("%s has taken the turn and does not have it", name)
				}
				order = append(order, name)
				turn.Give()
				done.Signal()
				return nil
			})
			for len(turn.waiting) == before {
				if err := c.Sleep(c.Now() + Millisecond); err != nil {
					return err
				}
			}
			return nil
		}
		err := c.Run(func() error {
			if err := turn.Take(Minute); err != nil {
				return err
			}
			if err := errors.Join(queue("first", turn.Take), queue("second", turn.Take), queue("urgent", turn.Urgently)); err != nil {
				return err
			}
			impatient := false
			c.Go("impatient", func() error {
				if err := turn.Take(c.Now() + 5*Millisecond); err != ErrTurn {
					t.Errorf("impatient: %v", err)
				}
				impatient = true
				done.Signal()
				return nil
			})
			for !impatient {
				if _, err := done.Wait(Never); err != nil {
					return err
				}
			}
			turn.Give()
			for len(order) < 3 {
				if _, err := done.Wait(Never); err != nil {
					return err
				}
			}
			return nil
		})
		if got := strings.Join(order, " "); err != nil || got != "urgent first second" {
			t.Fatalf("order %q, error %v", got, err)
		}
	})
}

func TestEndOfMainEndsEveryWait(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		var ends []error
		e, turn := NewEvent(c), NewTurn(c)
		err := c.Run(func() error {
			turn.Take(Minute)
			for _, wait := range []func() error{
				func() error { return c.Sleep(Hour) },
				func() error { _, err := e.Wait(Never); return err },
				func() error { return turn.Take(Never) },
			} {
				c.Go("waiter", func() error {
					ends = append(ends, wait(), c.Sleep(Hour))
					return nil
				})
			}
			return c.Sleep(5 * Millisecond)
		})
		if err != nil || len(ends) != 6 {
			t.Fatalf("%v; ends %v", err, ends)
		}
		for _, end := range ends {
			if end != ErrEnded {
				t.Errorf("a wait ended with %v", end)
			}
		}
	})
}

func TestPanicBecomesAnErrorThatNamesTheProcess(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		err := c.Run(func() error {
			c.Go("poller of plate", func() error { panic("index out of range") })
			return c.Sleep(Hour)
		})
		var p *Panicked
		if !errors.As(err, &p) || p.Process != "poller of plate" || len(p.Stack) == 0 {
			t.Errorf("got %v", err)
		}
	})
}

func TestStandingStillIsAFault(t *testing.T) {
	w := Virtual(0)
	err := w.Run(func() error {
		a, b := NewEvent(w), NewEvent(w)
		w.Go("echo", func() error {
			for {
				if _, err := b.Wait(Never); err != nil {
					return nil
				}
				a.Signal()
			}
		})
		if err := w.Sleep(1); err != nil {
			return err
		}
		for {
			b.Signal()
			if _, err := a.Wait(Never); err != nil {
				return err
			}
		}
	})
	if !errors.Is(err, ErrStalled) {
		t.Errorf("got %v", err)
	}
}

func TestWaitingForNothingIsAFault(t *testing.T) {
	w := Virtual(0)
	err := w.Run(func() error { _, err := NewEvent(w).Wait(Never); return err })
	if err == nil || !strings.Contains(err.Error(), `"main"`) {
		t.Errorf("got %v", err)
	}
}

func TestBlockLetsOthersRun(t *testing.T) {
	c := Wall(0)
	gate := make(chan struct{})
	err := c.Run(func() error {
		c.Go("opener", func() error { close(gate); return nil })
		return c.Block(func() error {
			select {
			case <-gate:
				return nil
			case <-time.After(5 * time.Second):
				return errors.New("nobody else could run")
			}
		})
	})
	if err != nil {
		t.Error(err)
	}
}

func TestAProcessLeftInASystemCallIsNamed(t *testing.T) {
	c := Wall(0)
	c.farewell = 20 * time.Millisecond
	never := make(chan struct{})
	defer close(never)
	err := c.Run(func() error {
		c.Go("writer of plate", func() error { return c.Block(func() error { <-never; return nil }) })
		return c.Sleep(5 * Millisecond)
	})
	if err == nil || !strings.Contains(err.Error(), "writer of plate") {
		t.Errorf("got %v", err)
	}
}

// Run must return even though a process does not hear that its world has ended.
func TestAProcessThatGoesOnAfterTheEnd(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		if w, ok := c.(*WallClock); ok {
			w.farewell = 20 * time.Millisecond
		}
		var enough atomic.Bool
		defer enough.Store(true)
		err := c.Run(func() error {
			c.Go("deaf", func() error {
				for !enough.Load() {
					c.Sleep(c.Now() + Millisecond)
				}
				return nil
			})
			return c.Sleep(5 * Millisecond)
		})
		if err == nil || !strings.Contains(err.Error(), "deaf") {
			t.Errorf("got %v", err)
		}
	})
}

func TestAFailureEndsEveryWaitAndIsToldOnce(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		cause := errors.New("disk full")
		var bystander error
		err := c.Run(func() error {
			c.Go("bystander", func() error { bystander = c.Sleep(Hour); return bystander })
			c.Go("logger", func() error { return cause })
			return c.Sleep(Hour)
		})
		if !errors.Is(err, cause) || strings.Count(err.Error(), "logger: disk full") != 1 {
			t.Errorf("Run returned %q", err)
		}
		if !errors.Is(bystander, ErrEnded) || !errors.Is(bystander, cause) {
			t.Errorf("the bystander's wait returned %v", bystander)
		}
	})
}

func TestAFailureIsToldThoughMainSaysSomethingElse(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		cause, other := errors.New("disk full"), errors.New("plate not safe")
		err := c.Run(func() error {
			c.Go("logger", func() error { return cause })
			c.Sleep(Hour)
			return other
		})
		if !errors.Is(err, cause) || !errors.Is(err, other) {
			t.Errorf("Run returned %v", err)
		}
	})
}

func TestAPanicAfterTheEndIsTold(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		err := c.Run(func() error {
			c.Go("closer", func() error { c.Sleep(Hour); panic("nil map") })
			return c.Sleep(5 * Millisecond)
		})
		var p *Panicked
		if !errors.As(err, &p) || p.Process != "closer" {
			t.Errorf("Run returned %v", err)
		}
	})
}

// System calls, signals and deadlines of many processes at once: what they share
// is guarded by the baton alone, which the race detector sees.
func TestBlockSignalAndDeadlineAtOnce(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		const processes, rounds = 8, 40
		e := NewEvent(c)
		var shared, signals, deadlines, done int
		err := c.Run(func() error {
			for i := range processes {
				c.Go("signaller", func() error {
					for range rounds {
						private := 0
						if err := c.Block(func() error { private++; return nil }); err != nil {
							return err
						}
						shared += private
						e.Signal()
						if err := c.Sleep(c.Now() + Instant(i)*50*Microsecond); err != nil {
							return err
						}
					}
					done++
					e.Signal()
					return nil
				})
				c.Go("waiter", func() error {
					for range rounds {
						came, err := e.Wait(c.Now() + Instant(i)*30*Microsecond)
						if err != nil {
							return err
						}
						if came {
							signals++
						} else {
							deadlines++
						}
					}
					done++
					e.Signal()
					return nil
				})
			}
			for done < 2*processes {
				if _, err := e.Wait(Minute); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil || shared != processes*rounds || signals+deadlines != processes*rounds || len(e.waiting) != 0 {
			t.Errorf("%v; %d shared, %d signals, %d deadlines, %d still wait", err, shared, signals, deadlines, len(e.waiting))
		}
		if signals == 0 || deadlines == 0 {
			t.Errorf("%d signals and %d deadlines: one of them is not tested", signals, deadlines)
		}
	})
}

// However deadlines and gifts cross, one process has the turn, and in the end
// nobody has.
func TestTurnWithDeadlinesUnderContention(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		const processes, rounds = 8, 25
		turn, finished := NewTurn(c), NewEvent(c)
		holders, taken, refused, done := 0, 0, 0, 0
		err := c.Run(func() error {
			for i := range processes {
				c.Go("taker", func() error {
					take := turn.Take
					if i == 0 {
						take = turn.Urgently
					}
					for range rounds {
						err := take(c.Now() + Instant(i)*100*Microsecond)
						switch {
						case err == ErrTurn:
							refused++
							continue
						case err != nil:
							return err
						}
						taken++
						if holders++; holders != 1 || !turn.Mine() {
							t.Errorf("%d have the turn", holders)
						}
						if err := c.Sleep(c.Now() + 150*Microsecond); err != nil {
							return err
						}
						holders--
						turn.Give()
					}
					done++
					finished.Signal()
					return nil
				})
			}
			for done < processes {
				if _, err := finished.Wait(Minute); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil || taken+refused != processes*rounds || turn.taken || len(turn.waiting) != 0 {
			t.Errorf("%v; %d taken, %d refused, taken still: %v, %d wait", err, taken, refused, turn.taken, len(turn.waiting))
		}
		if taken == 0 || refused == 0 {
			t.Errorf("%d taken and %d refused: one of them is not tested", taken, refused)
		}
	})
}

func TestProcessesStartProcesses(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		leaves, grown := 0, NewEvent(c)
		var grow func(depth int) func() error
		grow = func(depth int) func() error {
			return func() error {
				if depth == 0 {
					leaves++
					grown.Signal()
					return nil
				}
				c.Go("left", grow(depth-1))
				if err := c.Sleep(c.Now() + 10*Microsecond); err != nil {
					return err
				}
				c.Go("right", grow(depth-1))
				return nil
			}
		}
		err := c.Run(func() error {
			c.Go("root", grow(7))
			for leaves < 128 {
				if _, err := grown.Wait(Minute); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil || leaves != 128 {
			t.Errorf("%d leaves, %v", leaves, err)
		}
	})
}

func TestAPanicInASystemCallGivesTheBatonBack(t *testing.T) {
	both(t, func(t *testing.T, c Clock) {
		err := c.Run(func() error {
			c.Go("reader", func() error { return c.Block(func() error { panic("index out of range") }) })
			return c.Sleep(Hour)
		})
		var p *Panicked
		if !errors.As(err, &p) || p.Process != "reader" {
			t.Errorf("got %v", err)
		}
	})
}

// A program that was stopped finds everything late that was due meanwhile, in the
// order in which it was due, and time goes on from there.
func TestAFrozenProgramIsLate(t *testing.T) {
	w := Virtual(0)
	var woken []Instant
	err := w.Run(func() error {
		for _, at := range []Instant{3, 1, 9} {
			w.Go("sleeper", func() error {
				err := w.Sleep(at * Second)
				woken = append(woken, at, w.Now()/Second)
				return err
			})
		}
		w.Sleep(Second / 2)
		w.Freeze(5 * Second)
		if w.Now() != 5*Second+Second/2 {
			t.Errorf("after five seconds it is %d ns", w.Now())
		}
		return w.Sleep(10 * Second)
	})
	if want := "[1 5 3 5 9 9]"; err != nil || fmt.Sprint(woken) != want {
		t.Errorf("woken %v, expected %v; %v", woken, want, err)
	}
}

func TestTimeBeginsWhereItIsTold(t *testing.T) {
	if now := Virtual(Hour).Now(); now != Hour {
		t.Errorf("virtual time begins at %d", now)
	}
	c := Wall(Hour)
	before := c.Now()
	if after := c.Now(); before < Hour || before > Hour+Minute || after < before {
		t.Errorf("wall time begins at %d and goes on at %d", before, after)
	}
}

func TestAfterStopsAtNever(t *testing.T) {
	for _, x := range [][3]Instant{{1, 2, 3}, {Never, 1, Never}, {Never - 1, 2, Never}, {1, Never, Never}, {-5, 3, -2}, {-5, Never, Never - 5}, {5, -7, -2}} {
		if got := x[0].After(x[1]); got != x[2] {
			t.Errorf("%d after %d is %d, want %d", x[1], x[0], got, x[2])
		}
	}
}

// Three processes that poll ten times a second for twelve hours.
func BenchmarkVirtualWakeUps(b *testing.B) {
	b.ReportAllocs()
	w := Virtual(0)
	n := 0
	err := w.Run(func() error {
		for i := range Instant(3) {
			w.Go("", func() error {
				for at := i; ; at += 100 * Millisecond {
					if w.Sleep(at) != nil {
						return nil
					}
					n++
				}
			})
		}
		for n < b.N {
			if err := w.Sleep(w.Now() + Second); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}

// A computer that runs this test does not sleep: what can be shown of Slept is that it
// stands still, however busy the computer is.
func TestAComputerAtWorkDoesNotSleep(t *testing.T) {
	const within = 50 * Millisecond // three steps of the coarsest clock, that of Windows
	w := Wall(0)
	first := w.Slept()
	for began := time.Now(); time.Since(began) < 200*time.Millisecond; {
		if grown := w.Slept() - first; grown > within || grown < -within {
			t.Fatalf("slept for %d ns meanwhile", grown)
		}
	}
}
