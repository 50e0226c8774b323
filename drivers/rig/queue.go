package rig

import (
	"errors"
	"fmt"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/dialect"
)

// Ahead is how many values of one quantity can be sent before the first of them has
// been reached; 1 for an instrument that takes one after the other.
func (i *Instrument) Ahead() int { return max(1, i.p.Ahead) }

// Queue sends several values of one quantity in one exchange. The judge is asked for
// each of them before any is sent. When it returns, all of them are queued, and that is
// all: arrival shows in the readings. After an error some may have been queued.
func (i *Instrument) Queue(all []drivers.Setpoint, by clock.Instant) error {
	if len(all) == 0 || len(all) > i.Ahead() {
		return fmt.Errorf("%s: %d commands at once, it takes 1 to %d", i.about.Name, len(all), i.Ahead())
	}
	if i.p.Answer != Acknowledge {
		return i.Apply(all[0], by)
	}
	var lines []byte
	for _, s := range all {
		k, state, err := i.find(s)
		if err != nil || state >= 0 {
			return &Refusal{s, errors.Join(err, errNotQueued)}
		}
		c := &i.p.Sets[k]
		if err := i.fits(c, state, s.Value.Value); err != nil {
			return &Refusal{s, err}
		}
		if err := i.permitted(k, state, s.Value.Value); err != nil {
			return err
		}
		lines = append(lines, i.words(c, state, s.Value.Value)[0]...)
		i.memory.Known[k].Is = false
	}
	last := all[len(all)-1]
	x, err := i.port.Exchange(lines, dialect.Acknowledged(len(all)), by)
	if err == nil {
		if wrong := i.explained(dialect.Queued(x.Reply, len(all))); wrong != nil {
			err = i.bad(x, wrong)
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", last, err)
	}
	k, _, _ := i.find(last)
	i.memory.Known[k] = Known{true, -1, last.Value.Value}
	return nil
}

var errNotQueued = errors.New("only values can be queued")
