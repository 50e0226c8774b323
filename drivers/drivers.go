// Package drivers holds the contracts between the rooms that talk to instruments
// and the rooms that use them: what a reading is, what a command that changes the
// world is, who may forbid it, and what counts as evidence that the world is
// safe. It contains no driver and never will.
package drivers

import (
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
)

// Flag says what a reading is worth. Only a Good one may enter a mean, a limit
// or a wait; every other one is bad for an interlock.
type Flag uint8

// The flags, in the words in which they stand in readings.csv.
const (
	Good         Flag = iota
	Overflow          // the instrument says: beyond my range (9.9E37)
	NotMeasured       // the instrument says: not a number (9.91E37)
	NoProbe           // the instrument's own value for a missing probe
	InCompliance      // the source was limited while this was read
	Garbled           // an answer that is no answer to the question
	Lost              // no answer in time, or no link
	CutShort          // nobody waited for it: the bench was being made safe
)

var flagWords = [...]string{"", "overflow", "not measured", "no probe", "in compliance", "garbled", "lost", "cut short"}

// String is empty for a good reading: an empty cell needs no attention.
func (f Flag) String() string { return flagWords[f] }

// Reading is one value of one channel.
type Reading struct {
	Channel int           // place in the rig's list of channels
	At      clock.Instant // midpoint between request sent and reply received
	Within  clock.Instant // half that interval: a bound on the error of At
	Value   float64       // in the channel's canonical unit: SI, or degC
	Flag    Flag
}

// Setpoint is one commanded quantity of one instrument: a level, or a state
// such as heat on. It is the only thing that changes the world.
type Setpoint struct {
	Instrument string
	Quantity   string            // as the instrument profile names it: "temperature", "heat"
	State      string            // for a quantity that has states instead of values: "on"
	Value      quantity.Quantity // otherwise
}

// String reads like the command's log line.
func (s Setpoint) String() string {
	if s.State != "" {
		return s.Instrument + " " + s.Quantity + " " + s.State
	}
	return s.Instrument + " " + s.Quantity + " " + s.Value.String()
}

// Judge decides whether a setpoint may go out. Whoever actuates asks it first.
type Judge interface {
	Allow(s Setpoint) error
}

// Grade is how much the evidence that an instrument is safe is worth.
type Grade uint8

// The grades, from nothing to the instrument's own word.
const (
	Unconfirmed Grade = iota // nothing came back, or the wrong thing
	Indirect                 // it cannot be asked: a set value was read back and its readings behave
	Direct                   // it says so itself
)

func (g Grade) String() string { return [...]string{"not confirmed", "indirect", "direct"}[g] }

// Evidence is what is known of an instrument after it was made safe.
type Evidence struct {
	Instrument string
	Grade      Grade
	Text       string        // what was sent and what came back, for a person
	At         clock.Instant // when it was known
}
