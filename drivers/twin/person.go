package twin

import (
	"errors"
	"math"
	"strings"

	"dwell/drivers/clock"
)

// Person is a virtual person at the bench, for rehearsals: answers after a while,
// moves the specimen by hand, and knows the moment only as well as a person's key
// does. What it does next depends on the bench's seed and on how often it did
// something before, so a cloned bench has the same person.
type Person struct {
	clock    clock.Clock
	bench    *Bench
	specimen string // the id written on it
	gone     *clock.Event
	over     bool
}

// How a person is. Common practice, no source.
const (
	soonest   = 1 * clock.Second // from a question to the answer
	latest    = 3 * clock.Second
	keyWithin = 300 * clock.Millisecond // between a hand's movement and the key for it
)

// channelPerson is the channel of a person's randomness; see noise.go.
const channelPerson uint64 = 1001

// Person returns the person at this bench, who finds the specimen's id on it.
func (b *Bench) Person(c clock.Clock, specimen string) *Person {
	return &Person{clock: c, bench: b, specimen: specimen, gone: clock.NewEvent(c)}
}

// draw is a number between 0 and 1 for the next thing that is done.
func (p *Person) draw() float64 {
	p.bench.hands++
	return uniform(newStream(p.bench.seed, channelPerson).at(p.bench.hands))
}

// between is a span drawn from an interval.
func (p *Person) between(least, most clock.Instant) clock.Instant {
	return least + clock.Instant(math.Floor(p.draw()*float64(most-least)))
}

var (
	errDismissed = errors.New("the run was stopped")
	errTooLate   = errors.New("no answer in time")
)

// wait lets time pass until an instant, unless the person is sent away or the
// answer would come too late.
func (p *Person) wait(until, by clock.Instant) error {
	if p.over {
		return errDismissed
	}
	sent, err := p.gone.Wait(min(until, by))
	switch {
	case err != nil:
		return err
	case sent || p.over:
		return errDismissed
	case until > by:
		return errTooLate
	}
	return nil
}

// Ask answers a question: with the specimen's id when that is wanted.
func (p *Person) Ask(text string, by clock.Instant) (string, error) {
	if err := p.wait(p.clock.Now()+p.between(soonest, latest), by); err != nil {
		return "", err
	}
	if strings.Contains(text, "the id of the specimen") {
		return p.specimen, nil
	}
	if strings.Contains(text, "type yes") {
		return "yes", nil
	}
	return "done", nil
}

// Move lays the specimen on the plate (to "plate") or takes it elsewhere, or lays a strip
// round a rod ("round the rod of 12 mm") or "flat". at is the moment of the key, which
// differs from that of the hand by at most within.
func (p *Person) Move(to string, by clock.Instant) (at, within clock.Instant, err error) {
	place, ok := placeOf(to)
	if bends := to == "flat" || strings.HasPrefix(to, "round "); !ok && !bends {
		return 0, 0, errors.New("a person does not know where " + to + " is")
	}
	hand := p.clock.Now() + p.between(soonest, latest)
	key := hand + p.between(-keyWithin, keyWithin)
	if err := p.wait(hand, by); err != nil {
		return 0, 0, err
	}
	p.bench.Advance(p.clock.Now())
	if ok {
		p.bench.lay(place, "person")
	} else if !p.bench.wrap(to) {
		return 0, 0, errors.New("a person finds no rod here to lay the strip " + to)
	}
	if key > hand {
		if err := p.wait(key, by); err != nil {
			return 0, 0, err
		}
	}
	return key, keyWithin, nil
}

// Dismiss ends a question that is open, and all that come.
func (p *Person) Dismiss() {
	p.over = true
	p.gone.Signal()
}
