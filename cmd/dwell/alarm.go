package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
)

// loud is for standard error, whatever else is asked for.
const loud = "THE RIG IS NOT CONFIRMED SAFE: switch it off at the mains, then look at it"

// alarm keeps what is known of a bench that is being made safe, and finds the words for
// one that is not: which instrument, what may be on, since when, how often it was tried.
// Run, guard and safe speak through it.
type alarm struct {
	bench *rig.Bench
	began clock.Origin  // of the time that is spoken of
	since clock.Instant // when making safe began
	known []known       // by instrument of the bench
	due   clock.Instant // when the words are to be said again on a screen that only scrolls
	said  int           // how often they were
}

// known is what is known of one instrument.
type known struct {
	failed    int // attempts
	confirmed int // in a row
	last      drivers.Evidence
}

// every is how long the words wait to be said again: soon at first, then at a pace that
// drowns nothing and is not forgotten. The last one stays. Common practice, no source.
var every = []clock.Instant{clock.Second, 2 * clock.Second, 5 * clock.Second, 10 * clock.Second}

func newAlarm(b *rig.Bench, began clock.Origin, since clock.Instant) *alarm {
	return &alarm{bench: b, began: began, since: since, known: make([]known, len(b.Instruments))}
}

// hear takes the result of an attempt. It tells whether it is worth a line of its own:
// what fails again and again is said by the alarm.
func (a *alarm) hear(e drivers.Evidence) (new bool) {
	for i, instrument := range a.bench.Instruments {
		if instrument.Name() != e.Instrument {
			continue
		}
		k := &a.known[i]
		k.last = e
		if e.Grade == drivers.Unconfirmed {
			k.failed++
			k.confirmed = 0
			return k.failed == 1
		}
		k.confirmed++
		return k.failed == 0 || a.over(i)
	}
	return true
}

// over is whether an instrument is safe for good: one that can heat when it was
// also seen to cool.
func (a *alarm) over(i int) bool {
	k := a.known[i]
	return k.confirmed > 1 || k.confirmed == 1 && !a.bench.Instruments[i].Heats()
}

func (a *alarm) fails(i int) bool { return a.known[i].failed > 0 && !a.over(i) }

// unsure is whether an instrument has not been confirmed to be off.
func (a *alarm) unsure() bool {
	return slices.ContainsFunc(a.known, func(k known) bool { return k.confirmed == 0 })
}

// on is whether the bench is not confirmed safe although it was tried.
func (a *alarm) on() bool {
	if a == nil {
		return false
	}
	for i := range a.known {
		if a.fails(i) {
			return true
		}
	}
	return false
}

// stamp is a time of the day, such as stands in the record.
func stamp(began clock.Origin, at clock.Instant) string {
	return began.UTC.Add(time.Duration(at)).Format("15:04:05Z")
}

// about says how things stand with one instrument.
func (a *alarm) about(i int, now clock.Instant) string {
	k, instrument := a.known[i], a.bench.Instruments[i]
	switch {
	case k.confirmed > 0 && !a.over(i):
		return fmt.Sprintf("%s: off (%s evidence), watching that it cools", instrument.Name(), k.last.Grade)
	case a.fails(i):
		times := "1 try has failed"
		if k.failed > 1 {
			times = fmt.Sprintf("%d tries have failed", k.failed)
		}
		return fmt.Sprintf("%s: %s MAY BE ON since %s (%s), %s", instrument.Name(), energies(instrument.Profile()), stamp(a.began, a.since), span(now-a.since), times)
	case a.over(i):
		return fmt.Sprintf("%s: confirmed safe (%s evidence)", instrument.Name(), k.last.Grade)
	}
	return fmt.Sprintf("%s: is being switched off", instrument.Name())
}

// energies are what an instrument can put into the world, such as "heat".
func energies(p *rig.Profile) string {
	var all []string
	for _, c := range p.Sets {
		switch {
		case c.Moves:
			return "motion" // whatever else it can do ends in that
		case len(c.Energises) > 0:
			all = append(all, c.Quantity)
		}
	}
	if len(all) == 0 {
		return "something"
	}
	return strings.Join(all, " and ")
}

// why is what is known of an instrument that is not confirmed safe, where its name and that
// it is not have been said.
func why(e drivers.Evidence) string {
	text := strings.TrimPrefix(e.Text, e.Instrument+" is not confirmed safe: ")
	return strings.TrimPrefix(strings.TrimPrefix(text, e.Instrument+" on "), e.Instrument+": ")
}

// again is the alarm as one line, or empty when it is not its time.
func (a *alarm) again(now clock.Instant) string {
	if !a.on() {
		if a != nil {
			a.said = 0
		}
		return ""
	}
	if a.said > 0 && now < a.due {
		return ""
	}
	a.due = now + every[min(a.said, len(every)-1)]
	a.said++
	return a.line(now)
}

// line is the alarm at any time.
func (a *alarm) line(now clock.Instant) string {
	line := stamp(a.began, now) + " " + loud
	for i := range a.known {
		if a.fails(i) {
			line += "; " + a.about(i, now)
			if a.known[i].confirmed == 0 {
				line += "; the last: " + why(a.known[i].last)
			}
		}
	}
	return line
}

// lookAgain is how often it is looked whether the alarm is due.
const lookAgain = clock.Second / 10

// repeat says the alarm whenever it is due, until the world ends.
func (a *alarm) repeat(c clock.Clock, say func(line string)) {
	c.Go("alarm", func() error {
		for c.Sleep(c.Now()+lookAgain) == nil {
			if line := a.again(c.Now()); line != "" {
				say(line)
			}
		}
		return nil
	})
}
