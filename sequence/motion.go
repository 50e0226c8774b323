package sequence

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/safety"
	"dwell/sequence/plan"
)

// This file moves a stage. That it has arrived is known when it says that it stands,
// and where, in answer to a question asked after the command; never from the answer to
// the command itself.

// arriveEvery is how often a stage is asked whether it stands.
const arriveEvery = clock.Second / 10

// home has a stage find its switch. It answers nothing meanwhile, which is planned.
func (r *Run) home(a *plan.Action) error {
	if a.Text != "" {
		if err := r.mayHome(a); err != nil {
			return err
		}
	}
	s := a.Setpoints[0]
	i := r.instr[s.Instrument]
	r.state.FlatSince = 0
	if err := r.announce(i, s); err != nil {
		return err
	}
	until := r.clock.Now() + clock.Instant(a.AtMostNs)
	r.pauseReadings(i, until)
	defer r.resumeReadings(i)
	defer r.unread(i)()
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return err
	}
	defer instrument.End()
	return r.obey(i, s, false, until)
}

// mayHome asks a person whether the way does the specimen no harm.
func (r *Run) mayHome(a *plan.Action) error {
	answer, err := r.question(a.Text+"; type yes", r.clock.Now()+clock.Instant(a.DurationNs))
	if c := r.gate.Latched(); c != nil {
		return c
	}
	if err != nil {
		return fmt.Errorf("%s: nobody answered: %w", a.Step, err)
	}
	if answer != "yes" {
		return refused("%s: the answer was %q, not yes: the stage was not moved", a.Step, answer)
	}
	return nil
}

// wrap has a person lay the strip round a rod, or flat.
func (r *Run) wrap(a *plan.Action) error {
	r.event(Event{Kind: "bending", Text: a.Text})
	at, within, err := r.movement(a.Text, r.clock.Now()+clock.Instant(a.AtMostNs))
	if c := r.gate.Latched(); c != nil {
		return c
	}
	if err != nil {
		return fmt.Errorf("%s: the strip was not laid %s: %w", a.Step, a.Text, err)
	}
	r.event(Event{Kind: "bent", Text: a.Text, Fields: []Field{{"rod_m", a.Target}, {"t0_s", at.Seconds()}, {"u_t0_s", within.Seconds()}}})
	return nil
}

// goTo takes a stage to a position and waits until it stands there.
func (r *Run) goTo(a *plan.Action) error {
	if n := r.measured(); n > 0 {
		r.cycling(a.Text, n, Field{"measured", 1})
	}
	for _, s := range a.Setpoints {
		if err := r.drive(r.instr[s.Instrument], s); err != nil {
			return err
		}
	}
	if err := r.stands(a, clock.Instant(a.DurationNs)); err != nil || a.Count == 0 {
		return err
	}
	return r.countCycles(a.Count)
}

// measured is how many cycles the motion begins that is being performed, where they are made
// of single motions, each with a wait behind it: the next one of its step ends them.
func (r *Run) measured() int64 {
	for i := r.state.Next; i < len(r.plan.Actions); i++ {
		switch a := &r.plan.Actions[i]; a.Op {
		case plan.Begin:
			return 0
		case plan.Move:
			return a.Count
		}
	}
	return 0
}

// cycling records, before the stage is told, which cycles begin: they are uncertain until
// they are counted.
func (r *Run) cycling(one string, n int64, more ...Field) {
	from := r.state.Cycles
	r.begun = from + n
	r.event(Event{Kind: "cycling", Text: one, Fields: append([]Field{{"from", float64(from)}, {"to", float64(r.begun)}}, more...)})
}

// drive sends one setpoint of a motion. The disk is waited for before the stage's port is
// taken: however slow it is, the stage is read.
func (r *Run) drive(i int, s plan.Setpoint) error {
	r.state.FlatSince = 0
	if err := r.announce(i, s); err != nil {
		return err
	}
	if err := r.whilePaused(); err != nil {
		return err
	}
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return err
	}
	defer instrument.End()
	return r.obey(i, s, false, r.clock.Now()+boundaryPatience)
}

// stands waits until the stage says that it stands at its target; it is not asked
// before it can have got there.
func (r *Run) stands(a *plan.Action, takes clock.Instant) error {
	i := r.instr[a.Setpoints[0].Instrument]
	began := r.clock.Now()
	by := began + clock.Instant(a.AtMostNs)
	position, motion := r.index[a.Channel], r.index[a.Channels[0]]
	for at := began + takes; ; at = r.clock.Now() + arriveEvery {
		if err := r.sleep(at); err != nil {
			return err
		}
		if err := r.askWhere(i, position, motion); err != nil {
			return err
		}
		if r.standsAt(a, position, motion) {
			if b := r.bench.Rig.Bending; b != nil && a.Target == b.FlatAtM {
				r.state.FlatSince = r.clock.Now()
			}
			return nil
		}
		if r.clock.Now() >= by {
			dim := r.bench.Rig.Channels[position].Unit.Dim
			return &safety.Cause{Kind: safety.Failed, At: r.clock.Now(), Text: fmt.Sprintf("%s: the stage has not arrived: it is %s at %s, expected it to stand at %s",
				a.Step, r.stateWord(motion), quantity.Near(r.latest[position].Value, dim), quantity.Near(a.Target, dim))}
		}
	}
}

// askWhere reads position and motion now.
func (r *Run) askWhere(i, position, motion int) error {
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return err
	}
	defer instrument.End()
	channels := r.bench.Rig.Channels
	names := []string{channels[position].Name, channels[motion].Name}
	if err := r.readNow(i, channels[position].Query, names); err != nil {
		return err
	}
	if channels[motion].Query != channels[position].Query {
		return r.readNow(i, channels[motion].Query, names)
	}
	return nil
}

// standsAt tells whether the last readings say that it stands at its target.
func (r *Run) standsAt(a *plan.Action, position, motion int) bool {
	p, m := r.latest[position], r.latest[motion]
	return p.Flag == drivers.Good && m.Flag == drivers.Good && r.stateWord(motion) == "still" && math.Abs(p.Value-a.Target) <= a.Within
}

// stateWord is what a channel that has states read last.
func (r *Run) stateWord(channel int) string {
	c, x := &r.bench.Rig.Channels[channel], r.latest[channel]
	states := r.bench.Rig.Instruments[c.Instrument].Profile.Queries[c.Query].Fields[c.Field].States
	if k := int(x.Value); x.Flag == drivers.Good && k >= 0 && k < len(states) {
		return states[k]
	}
	return "not known to be still"
}

// cycle bends a block of times and counts it when the stage stands where they began. Of a
// block that is cut short nothing is counted, and the log says which cycles that are.
func (r *Run) cycle(a *plan.Action) error {
	from := r.state.Cycles
	r.cycling(a.Text, a.Count)
	i := r.instr[a.Setpoints[0].Instrument]
	if err := r.energised(); err != nil {
		return err
	}
	if a.When != "" { // judged on every reading
		r.want = wanted{active: true, condition: true, when: a.When, began: r.clock.Now()}
		defer func() { r.want = wanted{} }()
	}
	sent, err := r.queueCycles(i, a)
	if err != nil {
		return err
	}
	if err := r.stands(a, 0); err != nil {
		return err
	}
	if r.want.isMet {
		r.event(Event{Kind: "condition met", Text: a.When, Fields: []Field{{"cycles", float64(from + sent)}}})
		r.state.Next = a.Jump
	}
	return r.countCycles(sent)
}

// countCycles counts cycles at whose end the stage stands where they began; the count is on the
// disk before anything else is done.
func (r *Run) countCycles(n int64) error {
	r.state.Cycles += n
	r.begun = 0
	r.event(Event{Kind: "cycled", Fields: r.counted()})
	if err := r.sync(); err != nil {
		r.lostDisk(err)
		return err
	}
	return nil
}

// counted is the count of cycles, for events; nothing before the first.
func (r *Run) counted() []Field {
	if r.state.Cycles == 0 {
		return nil
	}
	return []Field{{"cycles", float64(r.state.Cycles)}}
}

// queueCycles sends the motions of a block as they can be taken, so early that the next
// one is there when the one before ends, and returns how many when the last should have
// ended: fewer, when what ends the step has come to hold.
func (r *Run) queueCycles(i int, a *plan.Action) (sent int64, err error) {
	instrument := r.bench.Instruments[i]
	each := clock.Instant(a.DurationNs)
	cycle := []drivers.Setpoint{r.setpoint(a.Setpoints[0]), r.setpoint(a.Setpoints[1])}
	if instrument.Ahead() < 2*len(cycle) {
		return r.oneByOne(a)
	}
	chunk := int64(instrument.Ahead() / len(cycle)) // besides the one that is under way
	end := r.clock.Now()
	for sent < a.Count && !r.enough() {
		n := min(chunk, a.Count-sent)
		if err := r.queue(i, slices.Repeat(cycle, int(n)), clock.Instant(n)*each); err != nil {
			return sent, err
		}
		sent += n
		end = max(end, r.clock.Now()-each) + clock.Instant(n)*each
		if err := r.sleep(end - each); err != nil {
			return sent, err
		}
	}
	return sent, r.sleep(end)
}

// queuePatience is how long a stage may take to acknowledge motions for which it should
// have room, beside the time that these take: it may be slower than its profile says.
const queuePatience = clock.Second

// queue sends motions ahead, which take so long; the stage has room for them, and
// answers at once.
func (r *Run) queue(i int, motions []drivers.Setpoint, takes clock.Instant) error {
	r.state.FlatSince = 0
	if err := r.whilePaused(); err != nil {
		return err
	}
	by := r.clock.Now() + takes + queuePatience
	r.pauseReadings(i, by)
	defer r.resumeReadings(i)
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(by); err != nil {
		return err
	}
	defer instrument.End()
	if c := r.gate.Latched(); c != nil {
		return c
	}
	return instrument.Queue(motions, by)
}

// oneByOne is a block on a stage that takes one motion after the other: each is
// confirmed before the next.
func (r *Run) oneByOne(a *plan.Action) (done int64, err error) {
	for ; done < a.Count && !r.enough(); done++ {
		for n, s := range a.Setpoints {
			one := *a
			one.Setpoints, one.Target = a.Setpoints[n:n+1], s.Value
			if err := r.queue(r.instr[s.Instrument], []drivers.Setpoint{r.setpoint(s)}, 0); err != nil {
				return done, fmt.Errorf("cycle %d: %w", done+1, err)
			}
			if err := r.stands(&one, clock.Instant(a.DurationNs)/2); err != nil {
				return done, err
			}
		}
	}
	return done, nil
}
