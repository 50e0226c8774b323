package clock

import (
	"errors"
	"fmt"
	"strings"
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
			for i, ms := range []Instant{30, 10, 20} {
				c.Go(fmt.Sprint(i), func() error {
					if err := c.Sleep(ms * Millisecond); err != nil {
						return err
					}
					order = append(order, fmt.Sprint(ms))
					return nil
				})
			}
			return c.Sleep(60 * Millisecond)
		})
		if err != nil || strings.Join(order, " ") != "10 20 30" {
			t.Fatalf("order %v, error %v", order, err)
		}
		if now := c.Now(); now < 60*Millisecond {
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
		turn := NewTurn(c)
		var order []string
		queue := func(name string, at Instant, take func(Instant) error) {
			c.Go(name, func() error {
				if err := c.Sleep(at); err != nil {
					return err
				}
				if err := take(Minute); err != nil {
					return err
				}
				if !turn.Mine() {
					t.Errorf("%s has taken the turn and does not have it", name)
				}
				order = append(order, name)
				err := c.Sleep(c.Now() + Millisecond)
				turn.Give()
				return err
			})
		}
		err := c.Run(func() error {
			if err := turn.Take(Minute); err != nil {
				return err
			}
			queue("first", 5*Millisecond, turn.Take)
			queue("second", 10*Millisecond, turn.Take)
			queue("urgent", 15*Millisecond, turn.Urgently)
			c.Go("impatient", func() error {
				if err := turn.Take(20 * Millisecond); err != ErrTurn {
					t.Errorf("impatient: %v", err)
				}
				return nil
			})
			if err := c.Sleep(40 * Millisecond); err != nil {
				return err
			}
			turn.Give()
			return c.Sleep(c.Now() + 30*Millisecond)
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
