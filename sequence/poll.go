package sequence

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
)

// poller asks one instrument for its readings.
type poller struct {
	queries [][]int // channels by query
	buffer  []drivers.Reading
	busy    bool         // its instrument does something planned that excludes readings
	look    *clock.Event // look again at what is due
	safe    bool         // its instrument has confirmed that it is safe
	starved bool         // its instrument's own watchdog is not fed any more
}

func newPollers(c clock.Clock, b *rig.Bench) []poller {
	ps := make([]poller, len(b.Instruments))
	for i, d := range b.Rig.Instruments {
		ps[i].look = clock.NewEvent(c)
		ps[i].queries = make([][]int, len(d.Profile.Queries))
	}
	for k, ch := range b.Rig.Channels {
		q := ps[ch.Instrument].queries
		q[ch.Query] = append(q[ch.Query], k)
	}
	return ps
}

func (r *Run) startPolling() {
	if !r.goesOn {
		r.setRates(r.plan.Polled)
	}
	for i, instrument := range r.bench.Instruments {
		r.polling++
		r.start("readings of "+instrument.Name(), func() error {
			defer func() { r.polling-- }()
			return r.poll(i)
		})
	}
}

// setRates makes the named channels, and no others of the same name, be read at
// new rates from now on.
func (r *Run) setRates(polled []plannedRate) {
	now := r.clock.Now()
	for _, p := range polled {
		c := r.index[p.Channel]
		r.state.Rates[c] = Rate{EveryNs: clock.Instant(p.EveryNs), Due: now}
		r.gate.Arm(c, now, clock.Instant(p.StaleNs))
	}
	r.lineUp()
	r.armed.Signal()
}

// lineUp has every poller look again, in the order of their instruments.
func (r *Run) lineUp() {
	for i := range r.polls {
		r.polls[i].look.Signal()
	}
}

// poll reads what is due, whenever it is due. Its times come from the schedule, so
// that lateness does not add up; what could not be read in time is left out, not
// made up for.
func (r *Run) poll(i int) error {
	p := &r.polls[i]
	early := clock.Instant(0)
	for {
		query, due := r.nextDue(i)
		woken, err := p.look.Wait(max(due, early))
		if err != nil || r.ending {
			return nil
		}
		if early = 0; woken || p.busy {
			continue
		}
		if early, err = r.measure(i, query); err != nil {
			return err
		}
	}
}

// nextDue finds the query with the earliest due channel. While the bench is made
// safe only what can be read with everything switched off is.
func (r *Run) nextDue(i int) (query int, due clock.Instant) {
	due = clock.Never
	p := &r.polls[i]
	if p.busy {
		return 0, due
	}
	for q, channels := range p.queries {
		if !r.answerable(i, q) {
			continue
		}
		for _, c := range channels {
			if rate := &r.state.Rates[c]; rate.EveryNs > 0 && rate.Due < due {
				query, due = q, rate.Due
			}
		}
	}
	return query, due
}

// answerable tells whether a query can bring a reading: not one that needs an output
// that is being switched off, and none of an instrument that is being made safe. Its
// line may be full of answers to other questions until it has confirmed.
func (r *Run) answerable(i, query int) bool {
	if r.bench.Rig.Instruments[i].Profile.Queries[query].Needs != nil && r.pause.off[i] {
		return false
	}
	return !r.safing || r.polls[i].safe && r.bench.Rig.Instruments[i].Profile.Queries[query].Needs == nil
}

// measure makes one query and takes the readings that were due. Of an instrument that
// answers as recorded it may be early: then it returns when to come again.
func (r *Run) measure(i, query int) (early clock.Instant, err error) {
	p, instrument := &r.polls[i], r.bench.Instruments[i]
	by := r.clock.Now() + r.patience(i, query)
	epoch := r.epoch
	if err := instrument.Begin(by); err != nil {
		return 0, r.busyOrFailed(i, err)
	}
	if early = instrument.NotBefore(query); early > r.clock.Now() {
		instrument.End()
		return early, nil
	}
	if epoch != r.epoch || !r.answerable(i, query) {
		instrument.End() // a boundary has passed meanwhile: line up like the others
		return 0, nil
	}
	began := r.clock.Now()
	readings, err := instrument.Measure(query, p.buffer[:0], by)
	doubt := instrument.Complaint()
	if doubt != nil && !r.safing {
		r.event(Event{Kind: "bad reading", Text: doubt.Error()})
	}
	if err == nil && !r.safing {
		err = r.tend(i, doubt != nil, r.patience(i, query))
	}
	instrument.End()
	p.buffer = readings
	for _, x := range readings {
		rate := &r.state.Rates[x.Channel]
		if rate.EveryNs == 0 || rate.Due > began {
			continue
		}
		r.take(x)
		if behind := began - rate.Due; behind >= rate.EveryNs {
			r.outcome.Missed += int64(behind / rate.EveryNs)
			rate.Due += behind / rate.EveryNs * rate.EveryNs
		}
		rate.Due += rate.EveryNs
	}
	if err != nil && r.safing {
		return 0, r.clock.Sleep(r.clock.Now() + clock.Second) // the making safe has the port, or nobody has
	}
	return 0, err
}

// busyOrFailed tells a port that somebody else rightly has from one that is stuck.
func (r *Run) busyOrFailed(i int, err error) error {
	if r.polls[i].busy || r.safing {
		return nil
	}
	return err
}

// tend keeps an instrument's own watchdog content and asks after its health, from
// the very place that has just read it. Each has its own time: the reading may have used
// its up. After a bad reading, in doubt, the watchdog is not fed, and the health is asked
// after at once: the instrument may have been reset. What comes to nothing is tried again
// after the next reading, until it is overdue by as long again: whether a line is dead is
// for silence to say.
//
// A watchdog bears that. It is fed three times or more before it trips: a profile is held
// to it. Due after one third of its time at most, it is fed by the next good reading, and
// a run that gets none is stopped by silence, after three periods of its readings.
func (r *Run) tend(i int, doubt bool, patience clock.Instant) error {
	instrument := r.bench.Instruments[i]
	if !doubt && instrument.FeedDue(r.clock.Now()) && r.gate.Latched() == nil && !r.polls[i].starved {
		if err := instrument.Feed(r.clock.Now() + patience); errors.Is(err, clock.ErrEnded) || instrument.FeedOverdue(r.clock.Now()) {
			return err
		}
	}
	every, last := r.watchEvery[i], r.state.WatchAt[i]-r.watchEvery[i]
	due := every > 0 && instrument.WatchDue(r.clock.Now(), r.state.WatchAt[i])
	if every == 0 || !due && !doubt {
		return nil
	}
	by := r.clock.Now() + patience
	if doubt {
		by = r.clock.Now() + instrument.Profile().HealthTime() // the next reading waits meanwhile
	}
	now := r.clock.Now()
	err := instrument.Watch(by)
	found := (*rig.Finding)(nil)
	if due && (err == nil || errors.As(err, &found)) {
		r.state.WatchAt[i] = now + every
	}
	switch {
	case errors.As(err, &found):
		if c := r.gate.Found(found, max(0, last), r.clock.Now()); c != nil {
			return c
		}
		return nil // nothing holds the run to it
	case errors.Is(err, clock.ErrEnded) || r.clock.Now() >= r.state.WatchAt[i]+every:
		return err
	}
	return nil
}

// patience is how long a query may take before its answer counts as lost: twice
// its worst time, and time for a port in use.
func (r *Run) patience(i, query int) clock.Instant {
	return rig.Patience(r.bench.Instruments[i].Worst(query))
}

// take shows a reading to the gate, before anything else, puts it into the record, and
// shows it to whatever the plan waits for.
func (r *Run) take(x drivers.Reading) {
	stopped := r.gate.Latched() != nil
	if !stopped {
		if cause := r.gate.Observe(x); cause != nil {
			r.latch(cause)
		}
	}
	c := &r.bench.Rig.Channels[x.Channel]
	if err := r.record.Reading(x, c, r.state.Step); err != nil {
		r.lostDisk(err)
	}
	r.outcome.Readings++
	r.judged++
	r.latest[x.Channel] = x
	if !stopped {
		for _, w := range r.gate.Warnings() {
			r.event(Event{Kind: "warning", Text: w})
		}
		r.lookForPause()
	}
	r.state.Memory.Observe(x.Channel, int64(x.At), x.Value, x.Flag == drivers.Good)
	if r.onset != nil {
		r.onset.add(x)
	}
	r.judgeLife(x)
	if r.want.met(r, x) {
		r.wake.Signal()
	}
}

// boundary is the moment between two steps: every instrument is at rest, and what
// the run is can be said in plain data. Whoever waited lines up again in the order
// of the instruments, so that a run that goes on from here does just the same.
func (r *Run) boundary() error {
	release := func(instruments []*rig.Instrument) {
		for _, instrument := range instruments {
			instrument.End()
		}
	}
	by := r.clock.Now() + boundaryPatience
	for i, instrument := range r.bench.Instruments {
		if err := r.atRest(instrument, by); err != nil {
			release(r.bench.Instruments[:i])
			return err
		}
	}
	if r.pause.on { // meanwhile
		release(r.bench.Instruments)
		if err := r.whilePaused(); err != nil {
			return err
		}
		return r.boundary()
	}
	r.keepFlat()
	if r.at != nil {
		r.at(r.Save())
	}
	r.event(r.place())
	r.epoch++
	release(r.bench.Instruments)
	r.lineUp()
	_, err := r.wake.Wait(r.clock.Now()) // the others first
	return err
}

// atRest waits for one instrument of a boundary, with others in hand: as soon as there is
// a reason to stop it gives up, since it may be this one that has failed, and making the
// others safe must not wait for it.
func (r *Run) atRest(instrument *rig.Instrument, by clock.Instant) error {
	for {
		if c := r.gate.Latched(); c != nil {
			return c
		}
		err := instrument.Begin(min(by, r.clock.Now()+lookForReason))
		switch {
		case err == nil:
			return nil
		case !errors.Is(err, clock.ErrTurn) || r.clock.Now() >= by:
			return fmt.Errorf("at the boundary of a step: %w", err)
		}
	}
}

// lookForReason is how often it looks: half of what is allowed for a decision.
const lookForReason = 50 * clock.Millisecond

// boundaryPatience is longer than any exchange: a step can wait for a reading.
const boundaryPatience = 15 * clock.Second

// Save copies the state.
func (r *Run) Save() State {
	s := r.state
	s.At = r.clock.Now()
	s.Gate = r.gate.Save()
	s.Instruments = nil
	for _, instrument := range r.bench.Instruments {
		s.Instruments = append(s.Instruments, instrument.Save())
	}
	return s.clone()
}

// clone copies what a copied State would share.
func (s State) clone() State {
	s.Loops = append([]int64(nil), s.Loops...)
	s.Rates = append([]Rate(nil), s.Rates...)
	s.WatchAt = append([]clock.Instant(nil), s.WatchAt...)
	s.Memory = s.Memory.Clone()
	return s
}

// unread tells the log that an instrument is not read by the clock from now on: its
// channels, and others of it that are read otherwise meanwhile. Then values before and
// after are no neighbours, and those between belong to what the plan does. What it
// returns tells the end. The words are those of logs.
func (r *Run) unread(i int, others ...string) (end func()) {
	names := append([]string(nil), others...)
	for _, channels := range r.polls[i].queries {
		for _, c := range channels {
			if name := r.bench.Rig.Channels[c].Name; r.state.Rates[c].EveryNs > 0 && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return func() {}
	}
	text := strings.Join(names, ", ")
	r.event(Event{Kind: "unread", Text: text})
	return func() { r.event(Event{Kind: "read again", Text: text}) }
}

// pauseReadings keeps the poller of an instrument away while the plan uses it, and
// tells the gate that no reading is due until then.
func (r *Run) pauseReadings(i int, until clock.Instant) {
	r.polls[i].busy = true
	for _, channels := range r.polls[i].queries {
		for _, c := range channels {
			r.gate.Pause(c, until)
		}
	}
}

// resumeReadings lets it go on, at the next times of its schedule.
func (r *Run) resumeReadings(i int) {
	now := r.clock.Now()
	r.polls[i].busy = false
	for _, channels := range r.polls[i].queries {
		for _, c := range channels {
			r.gate.Pause(c, now)
			rate := &r.state.Rates[c]
			if rate.EveryNs > 0 && rate.Due < now {
				rate.Due += (now - rate.Due + rate.EveryNs - 1) / rate.EveryNs * rate.EveryNs
			}
		}
	}
	r.lineUp()
	r.armed.Signal()
}
