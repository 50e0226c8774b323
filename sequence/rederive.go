package sequence

import (
	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
)

// Rederivation makes the readings of a run once more: it plays the recorded exchanges
// back through the drivers, in the order in which they ended. It knows from the events
// what each instrument had been set to and which step was on, and nothing else; above
// all not what the run made of the bytes.
//
// Drivers ask more than is recorded as readings (a value read back, a channel that was
// not due). Those are derived too, and nobody looks for them.
type Rederivation struct {
	bench   *rig.Bench
	source  func() (Recorded, bool)
	happens func() (Happened, bool)

	next   *Happened // the first event that has not been looked at
	ended  bool      // there are no more exchanges
	latest clock.Instant
	steps  []Happened // in order of time
	sides  []side     // by instrument
	found  [][]Derived
	asking []int
	made   []drivers.Reading
}

// Recorded is an exchange with its line in the record.
type Recorded struct {
	Exchange wire.Exchange
	Line     int64
}

// Happened is an event that says what the drivers knew: a setpoint that was sent
// ("set"), a step that began ("step"), or instruments that were taken over anew
// ("segment").
type Happened struct {
	At   clock.Instant
	Kind string
	Text string
}

// Derived is a reading made of exchanges, with the line of the first.
type Derived struct {
	Reading drivers.Reading
	Line    int64
}

// side is what is known of one instrument.
type side struct {
	queue  []Recorded // exchanges not yet looked at
	events []Happened // its setpoints, not yet taken
	taken  int        // exchanges of the queue that the measurement under way has used
	answer wire.Exchange
}

// mostQueued bounds the derived readings of a channel that nobody looks for.
const mostQueued = 1000

// longestApart is longer than any measurement takes: the exchanges of a reading stand
// in the record within this time.
const longestApart = 10 * clock.Minute

// NewRederivation needs a clock in virtual time, and its functions give everything in
// the order of the record.
func NewRederivation(c clock.Clock, r *rig.Rig, exchanges func() (Recorded, bool), events func() (Happened, bool)) *Rederivation {
	d := &Rederivation{source: exchanges, happens: events, sides: make([]side, len(r.Instruments)), found: make([][]Derived, len(r.Channels))}
	d.bench = rig.Playback(c, r, d.play)
	return d
}

// Find is the reading of a channel at a moment, as the exchanges have it. Rows of one
// channel must be looked for in the order of their times.
func (d *Rederivation) Find(channel int, at clock.Instant) (Derived, bool, error) {
	instrument := d.bench.Rig.Channels[channel].Instrument
	for {
		for len(d.found[channel]) > 0 {
			switch first := d.found[channel][0]; {
			case first.Reading.At == at:
				d.found[channel] = d.found[channel][1:]
				return first, true, nil
			case first.Reading.At > at:
				return Derived{}, false, nil
			}
			d.found[channel] = d.found[channel][1:]
		}
		if !d.fill(instrument, 1, at.After(longestApart)) {
			return Derived{}, false, nil
		}
		if err := d.look(instrument); err != nil {
			return Derived{}, false, err
		}
	}
}

// IsStep tells whether a reading that was taken between two moments can be of a step: it
// counts for the one that is on when it comes, and one can begin meanwhile.
func (d *Rederivation) IsStep(from, to clock.Instant, step string) bool {
	d.listen(to)
	for i := len(d.steps) - 1; i >= 0; i-- {
		if d.steps[i].Text == step {
			return true
		}
		if d.steps[i].At < from {
			return false
		}
	}
	return step == ""
}

// fill makes sure of n exchanges of an instrument, if the record has them within a time.
func (d *Rederivation) fill(instrument, n int, until clock.Instant) bool {
	for len(d.sides[instrument].queue) < n {
		if d.ended || d.latest > until {
			return false
		}
		x, more := d.source()
		if !more {
			d.ended = true
			return false
		}
		d.latest = max(d.latest, x.Exchange.Last)
		for k, about := range d.bench.Rig.Instruments {
			if about.Name == x.Exchange.Port {
				d.sides[k].queue = append(d.sides[k].queue, x)
			}
		}
	}
	return true
}

// listen takes note of everything that happened up to a moment.
func (d *Rederivation) listen(at clock.Instant) {
	for {
		if d.next == nil {
			e, more := d.happens()
			if !more {
				return
			}
			d.next = &e
		}
		e := *d.next
		if e.At > at {
			return
		}
		d.next = nil
		switch e.Kind {
		case "step":
			d.steps = append(d.steps, e)
		case "segment":
			for k := range d.sides {
				d.sides[k].events = append(d.sides[k].events, e)
			}
		case "set":
			if k, _, err := d.bench.Rig.Setpoint(e.Text); err == nil {
				d.sides[k].events = append(d.sides[k].events, e)
			}
		}
	}
}

// recall brings what is known of an instrument up to a moment.
func (d *Rederivation) recall(k int, at clock.Instant) {
	d.listen(at)
	s := &d.sides[k]
	for len(s.events) > 0 && s.events[0].At <= at {
		if e := s.events[0]; e.Kind == "segment" {
			d.bench.Instruments[k].RecallPrepared()
		} else if _, set, err := d.bench.Rig.Setpoint(e.Text); err == nil {
			d.bench.Instruments[k].Recall(set)
		}
		s.events = s.events[1:]
	}
}

// look makes readings of the first exchange of an instrument and those after it that
// belong to it, if a measurement begins with it. The next one is looked at by itself
// unless it has been used: a question asked again after no answer is both.
func (d *Rederivation) look(k int) error {
	s, i := &d.sides[k], d.bench.Instruments[k]
	first := s.queue[0]
	used := 1
	if first.Exchange.Ended != wire.Unasked {
		d.asking = i.Asking(first.Exchange.Request, d.asking[:0])
	} else {
		d.asking = d.asking[:0]
	}
	if len(d.asking) > 0 {
		d.recall(k, first.Exchange.Sent)
	}
	for _, q := range d.asking {
		s.taken = 0
		made, err := i.Remeasure(q, first.Exchange.Request, d.made[:0])
		if err != nil {
			return err
		}
		d.made = made
		used = max(used, s.taken)
		for _, x := range made {
			all := append(d.found[x.Channel], Derived{x, first.Line})
			d.found[x.Channel] = all[max(0, len(all)-mostQueued):]
		}
	}
	s.queue = s.queue[used:]
	return nil
}

// play is the next exchange of a measurement under way. What stands between two of them
// is left out: bytes that nobody asked for, and the port finding its footing. An answer
// that did not come is told again where the driver would ask again and the run did not;
// the first question of a measurement is never asked again here, see look.
func (d *Rederivation) play(k int, request []byte) *wire.Exchange {
	s := &d.sides[k]
	if again := s.taken > 0 && s.answer.Ended == wire.NoAnswer && string(s.answer.Request) == string(request); again && s.taken == 1 {
		return &s.answer
	} else if n := d.following(k, request); n >= 0 {
		s.answer, s.taken = s.queue[n].Exchange, n+1
		return &s.answer
	} else if again {
		return &s.answer
	}
	return nil
}

// following is the place in the queue of the next exchange with a request, -1 for none
// before the instrument is used for something else.
func (d *Rederivation) following(k int, request []byte) int {
	s := &d.sides[k]
	footing := &d.bench.Rig.Instruments[k].Profile.Footing
	for n := s.taken; ; n++ {
		if n >= len(s.queue) && !d.fill(k, n+1, d.latest.After(longestApart)) {
			return -1
		}
		x := &s.queue[n].Exchange
		asked := string(x.Request)
		switch {
		case x.Ended == wire.Unasked:
		case asked == string(request):
			return n
		case asked != string(footing.Clear) && asked != string(footing.Ask.Ask):
			return -1
		}
	}
}
