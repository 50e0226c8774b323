package safety

import (
	"fmt"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
)

// Attempt is how long one instrument has to take its safe state and confirm it,
// and between is the rest before the next try: several times the longest exchange
// of a slow instrument, and short for a person who waits.
const (
	Attempt = 5 * clock.Second
	between = clock.Second / 2
)

// Report is what is known of the bench after it was made safe.
type Report struct {
	Began     clock.Instant
	Done      clock.Instant
	Evidence  []drivers.Evidence // by instrument, the last of each
	Attempts  []int
	Confirmed bool
	Warm      []Warmth // of what can heat, when it was looked at last
}

// MakeSafe takes every instrument to its safe state, all at once, each with its own
// deadline, and tries again until each has confirmed it or giveUp says so. It takes
// the ports from whoever has them, asks no judge, waits for no disk, and never
// depends on the instrument that failed. What heats is watched until its temperature
// shows that it does not any more, or until the switch in its mains is known to be open:
// then it need not answer. tell is called with every result.
func MakeSafe(c clock.Clock, b *rig.Bench, giveUp func() bool, tell func(drivers.Evidence)) Report {
	over, done := false, clock.NewEvent(c)
	r := Begin(c, b, giveUp, tell, func() {
		over = true
		done.Signal()
	})
	for !over {
		if _, err := done.Wait(clock.Never); err != nil {
			r.close(c)
			break
		}
	}
	return *r
}

// Begin is MakeSafe for whoever has something else to do: the processes are started, and
// the report is complete when done is called.
func Begin(c clock.Clock, b *rig.Bench, giveUp func() bool, tell func(drivers.Evidence), done func()) *Report {
	n := len(b.Instruments)
	r := &Report{Began: c.Now(), Evidence: make([]drivers.Evidence, n), Attempts: make([]int, n), Warm: make([]Warmth, n)}
	left, over := n, make([]bool, n)
	for i, instrument := range b.Instruments {
		r.Evidence[i].Instrument = instrument.Name()
		if instrument.Heats() {
			r.Warm[i].Instrument = instrument.Name()
		}
		c.Go("making "+instrument.Name()+" safe", func() error {
			cut := func() (drivers.Evidence, bool) { return withoutMains(c, b, instrument, r.Evidence) }
			untilSafe(c, b, instrument, cut, giveUp, &r.Warm[i], func(e drivers.Evidence) {
				r.Attempts[i]++
				r.Evidence[i] = e
				tell(e)
			})
			over[i] = r.Evidence[i].Grade != drivers.Unconfirmed
			release(b, over)
			if left--; left == 0 {
				r.close(c)
				done()
			}
			return nil
		})
	}
	return r
}

func (r *Report) close(c clock.Clock) {
	r.Confirmed = !slices.ContainsFunc(r.Evidence, func(e drivers.Evidence) bool { return e.Grade == drivers.Unconfirmed })
	r.Warm = slices.DeleteFunc(r.Warm, func(w Warmth) bool { return w.Instrument == "" })
	r.Done = c.Now()
}

// release says which instruments nothing more is wanted of. The thermometers of a heater
// are needed until it has been seen to cool.
func release(b *rig.Bench, over []bool) {
	needed := map[string]bool{}
	for k, i := range b.Instruments {
		if over[k] {
			continue
		}
		for _, channel := range b.Rig.Thermometers(i.Name()) {
			needed[b.Rig.Instruments[b.Rig.Channels[channel].Instrument].Name] = true
		}
	}
	for k, i := range b.Instruments {
		if over[k] && !needed[i.Name()] {
			b.Done(i)
		}
	}
}

// withoutMains is the evidence that an instrument cannot do anything, if the switch in
// its mains has been confirmed to be open.
func withoutMains(c clock.Clock, b *rig.Bench, i *rig.Instrument, evidence []drivers.Evidence) (drivers.Evidence, bool) {
	s := b.Rig.SwitchOf(i.Name())
	if s < 0 {
		return drivers.Evidence{}, false
	}
	for _, e := range evidence {
		if e.Instrument == b.Rig.Instruments[s].Name && e.Grade != drivers.Unconfirmed {
			return drivers.Evidence{Instrument: i.Name(), Grade: e.Grade, At: c.Now(), Text: "it has no mains: " + e.Instrument + " is open"}, true
		}
	}
	return drivers.Evidence{}, false
}

// untilSafe tries one instrument again and again. One that can heat is safe
// when it has been seen not to, or when its mains is cut.
func untilSafe(c clock.Clock, b *rig.Bench, i *rig.Instrument, cut func() (drivers.Evidence, bool), giveUp func() bool, warm *Warmth, tell func(drivers.Evidence)) {
	for {
		e := once(c, i)
		if without, is := cut(); is {
			tell(without)
			return
		}
		tell(e)
		if e.Grade != drivers.Unconfirmed && i.Heats() {
			if e = cools(c, b, i, e, func() bool { _, is := cut(); return is || giveUp() }, warm); e.Grade == drivers.Unconfirmed {
				if without, is := cut(); is {
					e = without
				}
			}
			tell(e)
		}
		if e.Grade != drivers.Unconfirmed || giveUp() {
			return
		}
		if c.Sleep(c.Now()+between) != nil {
			return
		}
	}
}

// once is one attempt. A panic in a driver is an attempt that failed: the next
// instrument, and the next attempt, must still have their turn.
func once(c clock.Clock, i *rig.Instrument) (e drivers.Evidence) {
	defer func() {
		if v := recover(); v != nil {
			e = drivers.Evidence{Instrument: i.Name(), At: c.Now(), Text: fmt.Sprintf("fault of the program: %v", v)}
		}
	}()
	by := c.Now() + Attempt
	failed := func(err error) drivers.Evidence {
		return drivers.Evidence{Instrument: i.Name(), At: c.Now(), Text: err.Error()}
	}
	if err := i.Seize(by); err != nil {
		return failed(err)
	}
	defer i.End()
	e, err := i.Safe(by)
	if err != nil {
		return failed(err)
	}
	return e
}
