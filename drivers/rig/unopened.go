package rig

import (
	"errors"
	"slices"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// Unopened is a bench on which nothing is open, for making it safe from outside of
// the run that had it. Each instrument takes its lock and opens its port when it is
// made safe, and again when that failed, by itself: one that cannot be opened keeps
// none of the others. Virtual instruments, which ended with their run, are left out.
// The owner's text is left in the locks.
func Unopened(c clock.Clock, r *Rig, owner string) *Bench {
	b := &Bench{Rig: r}
	for k, d := range r.Instruments {
		if d.Address.Kind == wire.Twin {
			continue
		}
		i := newInstrument(c, r, k, nil)
		i.memory.Armed = d.Profile.Watchdog != nil // by whoever is gone now, and feeds it no more
		i.port = wire.Unopened(c, d.Name, d.Address, d.Profile.Line)
		i.port.SetFooting(i.footing())
		var lock *wire.Lock
		i.open = func(by clock.Instant) (*wire.Port, error) {
			if lock == nil {
				var err error
				if lock, err = b.lock(c, d, owner, by); err != nil {
					return nil, err
				}
			}
			return wire.Open(c, d.Name, d.Address, d.Profile.Line, by)
		}
		i.letGo = func() {
			i.Close() // what does not close was made safe all the same
			if at := slices.Index(b.locks, lock); at >= 0 {
				b.locks = slices.Delete(b.locks, at, at+1)
				lock.Give()
			}
			lock = nil
		}
		b.Instruments = append(b.Instruments, i)
	}
	return b
}

// Done says that nothing more is wanted of an instrument of an Unopened bench. Its port
// stays taken, unless another port of the bench is in somebody else's hands: he may make
// the same bench safe, and wait for this one.
func (b *Bench) Done(i *Instrument) {
	i.done = true
	b.yield()
}

// yield gives up the ports of which nothing more is wanted, if there is need.
func (b *Bench) yield() {
	for _, i := range b.Instruments {
		if b.contested && i.done && i.letGo != nil {
			i.letGo()
		}
	}
}

const (
	// lockAgain is how often to look whether the last owner has let go: well below
	// what a person or a plate notices.
	lockAgain = 20 * clock.Millisecond
	// lockPatience is how long the disk under the lock may take. A disk that fails
	// is no reason to leave the heat on: then it goes without.
	lockPatience = clock.Second
)

// lock waits until the last owner of a port has let it go. Without an error and
// without the lock the port is free for all that is known.
func (b *Bench) lock(c clock.Clock, d Description, owner string, by clock.Instant) (*wire.Lock, error) {
	for {
		var lock *wire.Lock
		var err error
		over := false
		done := clock.NewEvent(c)
		c.Go("lock of "+d.Name, func() error {
			c.Block(func() error { lock, err = wire.Take(d.Address.Key(), owner); return nil })
			if err == nil {
				b.locks = append(b.locks, lock)
			}
			over = true
			done.Signal()
			return nil
		})
		until := c.Now() + lockPatience
		for !over {
			if came, err := done.Wait(until); err != nil || !came {
				return nil, err
			}
		}
		var used *wire.InUse
		if !errors.As(err, &used) {
			return lock, nil
		}
		b.contested = true // also when it comes free in time: its owner may wait for ours
		b.yield()
		if c.Now()+lockAgain > by {
			return nil, err
		}
		if err := c.Sleep(c.Now() + lockAgain); err != nil {
			return nil, err
		}
	}
}
