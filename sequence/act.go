package sequence

import (
	"errors"
	"fmt"
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/safety"
	"dwell/sequence/plan"
)

type plannedRate = plan.Polled

// prepare finds out who is there and takes every instrument to a known state, with
// nothing switched on. A switch in the mains of another comes first and closes, or that
// one could not answer.
func (r *Run) prepare() error {
	for _, first := range []bool{true, false} {
		for i, instrument := range r.bench.Instruments {
			if instrument.InMains() != first {
				continue
			}
			if err := r.prepareOne(i, instrument); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *Run) prepareOne(i int, instrument *rig.Instrument) error {
	by := r.clock.Now() + 2*boundaryPatience
	if err := instrument.Begin(by); err != nil {
		return err
	}
	defer instrument.End()
	who, err := instrument.Identify(by)
	if err == nil {
		err = instrument.Prepare(by)
	}
	if err != nil {
		return err
	}
	r.outcome.Identities[r.bench.Rig.Instruments[i].Name] = who
	r.event(Event{Kind: "instrument", Text: instrument.Name() + ": " + who})
	if err := r.sameAsBefore(instrument.Name(), who); err != nil {
		return err
	}
	if !instrument.InMains() {
		return nil
	}
	return r.close(instrument, by)
}

// close gives another instrument its mains. That one is off when it starts; a heartbeat
// that does not come cannot be told from one that is not due yet, so that until readings
// are judged the switch's own watchdog has the word.
func (r *Run) close(instrument *rig.Instrument, by clock.Instant) error {
	r.event(Event{Kind: "set", Text: instrument.Closing().String()})
	if err := r.sync(); err != nil {
		r.lostDisk(err)
		return err
	}
	if c := r.gate.Latched(); c != nil {
		return c
	}
	return instrument.Apply(instrument.Closing(), by)
}

// perform goes through the plan's actions.
func (r *Run) perform() error {
	for r.state.Next < len(r.plan.Actions) {
		if c := r.gate.Latched(); c != nil {
			return c
		}
		r.mayFail()
		a := &r.plan.Actions[r.state.Next]
		if err := r.whilePaused(); err != nil {
			return err
		}
		if a.Op == plan.Begin {
			if err := r.boundary(); err != nil {
				return err
			}
		}
		r.state.Next++
		switch err := r.act(a); {
		case errors.Is(err, errPaused):
			r.state.Next-- // from the beginning, after the pause
		case err != nil:
			return err
		}
	}
	return nil
}

func (r *Run) act(a *plan.Action) error {
	now := r.clock.Now()
	switch a.Op {
	case plan.Begin:
		r.state.Step = a.Step
		r.event(Event{Kind: "step", Text: a.Role})
	case plan.Set:
		return r.set(a.Setpoints)
	case plan.Arrive:
		return r.arrive(a)
	case plan.Wait:
		return r.sleep(now + clock.Instant(a.DurationNs))
	case plan.Until:
		return r.until(a)
	case plan.Ramp:
		return r.ramp(a)
	case plan.Sweep:
		return r.sweep(a)
	case plan.Record:
		r.setRates(a.Polled)
	case plan.Mark:
		r.event(Event{Kind: "mark", Text: a.Text, Fields: r.counted()})
		if a.Channel != "" {
			return r.answered(a)
		}
	case plan.Note:
		r.event(Event{Kind: "note", Text: a.Text})
	case plan.Person:
		return r.ask(a)
	case plan.Place, plan.Lift:
		return r.move(a)
	case plan.Confirm:
		return r.confirm(a)
	case plan.Life:
		r.state.Opens, r.state.LifeBegan = 0, now
	case plan.Over:
		r.state.Failed = false
	case plan.Wrap:
		return r.wrap(a)
	case plan.Home:
		return r.home(a)
	case plan.Move:
		return r.goTo(a)
	case plan.Cycle:
		return r.cycle(a)
	case plan.Loop:
		r.state.Loops[r.state.Next-1] = 0
	case plan.Again:
		if r.state.Loops[a.Jump]++; r.state.Loops[a.Jump] < r.plan.Actions[a.Jump].Count {
			r.state.Next = a.Jump + 1
		}
	default:
		return fmt.Errorf("plan: step %s: dwell does not know the operation %q", a.Step, a.Op)
	}
	return nil
}

// sleep waits, longer by any pause, and ends early only with the reason to stop.
func (r *Run) sleep(until clock.Instant) error {
	for {
		if c := r.gate.Latched(); c != nil {
			return c
		}
		if paused := r.clock.Now(); r.pause.on {
			if err := r.whilePaused(); err != nil {
				return err
			}
			until += r.clock.Now() - paused
		}
		woken, err := r.wake.Wait(until)
		if err != nil {
			return err
		}
		if !woken {
			return nil
		}
	}
}

// rest is sleep for somebody who has an instrument to himself: a pause ends it.
func (r *Run) rest(until clock.Instant) error {
	for {
		if c := r.gate.Latched(); c != nil {
			return c
		}
		if r.pause.on {
			return errPaused
		}
		if woken, err := r.wake.Wait(until); err != nil || !woken {
			return err
		}
	}
}

// wanted is what the plan waits for, judged on every reading.
type wanted struct {
	active    bool
	isMet     bool
	channel   int // arrival
	target    float64
	within    float64
	held      clock.Instant
	since     clock.Instant
	inBand    bool
	condition bool
	when      string
	began     clock.Instant
	metAt     clock.Instant
}

// met judges one reading and tells whether the wait is over by it.
func (w *wanted) met(r *Run, x drivers.Reading) bool {
	if !w.active || w.isMet || r.pause.on {
		return false
	}
	if w.condition {
		w.isMet = r.whens[w.when].Eval(r.state.Memory, int64(x.At), int64(w.began)) == conditionTrue
		w.metAt = x.At
		return w.isMet
	}
	if x.Channel != w.channel {
		return false
	}
	if x.Flag != drivers.Good || math.Abs(x.Value-w.target) > w.within {
		w.inBand = false
		return false
	}
	if !w.inBand {
		w.inBand, w.since = true, x.At
	}
	w.isMet, w.metAt = x.At-w.since >= w.held, x.At
	return w.isMet
}

// await waits until what is wanted is met, at most until by.
func (r *Run) await(w wanted, by clock.Instant) (met bool, at clock.Instant, err error) {
	w.active, w.began = true, r.clock.Now()
	r.want = w
	defer func() { r.want = wanted{} }()
	for !r.want.isMet {
		if c := r.gate.Latched(); c != nil {
			return false, 0, c
		}
		if paused := r.clock.Now(); r.pause.on {
			if err := r.whilePaused(); err != nil {
				return false, 0, err
			}
			lasted := r.clock.Now() - paused
			by, r.want.began, r.want.inBand = by+lasted, r.want.began+lasted, false
		}
		woken, err := r.wake.Wait(by)
		if err != nil {
			return false, 0, err
		}
		if !woken {
			return r.want.isMet, r.want.metAt, nil
		}
	}
	return true, r.want.metAt, nil
}

// ceiling is what becomes of a wait that reached its longest time.
func (r *Run) ceiling(a *plan.Action, what string) error {
	text := fmt.Sprintf("%s: %s, but not within %s s", a.Step, what, quantity.AppendSeconds(nil, a.AtMostNs))
	if a.GoOn {
		r.event(Event{Kind: "ceiling", Text: text + "; the protocol goes on"})
		return nil
	}
	return &safety.Cause{Kind: safety.Ceiling, Text: text, At: r.clock.Now()}
}

func (r *Run) arrive(a *plan.Action) error {
	w := wanted{channel: r.index[a.Channel], target: a.Target, within: a.Within, held: clock.Instant(a.DurationNs)}
	began := r.clock.Now()
	met, at, err := r.await(w, began+clock.Instant(a.AtMostNs))
	if err != nil {
		return err
	}
	if !met {
		unit := r.bench.Rig.Channels[w.channel].Unit
		return r.ceiling(a, fmt.Sprintf("%s was to reach %s", a.Channel, quantity.Quantity{Value: a.Target, Unit: unit}))
	}
	r.event(Event{Kind: "arrived", Text: a.Channel, Fields: []Field{{"target", a.Target}, {"after_s", (at - began).Seconds()}}})
	return nil
}

func (r *Run) until(a *plan.Action) error {
	began := r.clock.Now()
	met, _, err := r.await(wanted{condition: true, when: a.When}, began+clock.Instant(a.AtMostNs))
	if err != nil {
		return err
	}
	if !met {
		return r.ceiling(a, "waited for "+a.When)
	}
	r.event(Event{Kind: "condition met", Text: a.When, Fields: []Field{{"after_s", (r.clock.Now() - began).Seconds()}}})
	return nil
}

// set sends setpoints one after the other. What an instrument with an output reads
// before is another thing than what it reads after.
func (r *Run) set(setpoints []plan.Setpoint) error {
	for k, s := range setpoints {
		i := r.instr[s.Instrument]
		if r.bench.Rig.Instruments[i].Profile.Set("output") >= 0 && (k == 0 || s.Instrument != setpoints[k-1].Instrument) {
			defer r.unread(i)()
		}
	}
	for k := 0; k < len(setpoints); {
		if err := r.whilePaused(); err != nil {
			return err
		}
		i := r.instr[setpoints[k].Instrument]
		instrument := r.bench.Instruments[i]
		if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
			return err
		}
		err := r.apply(i, setpoints[k])
		instrument.End()
		switch {
		case errors.Is(err, errPaused):
		case err != nil:
			return err
		default:
			k++
		}
	}
	return nil
}

// apply sends one setpoint of the plan; the caller has the instrument.
func (r *Run) apply(i int, s plan.Setpoint) error {
	if r.pause.on {
		return errPaused
	}
	return r.send(i, s, false)
}

// send sends one setpoint. What puts energy into the world is on the disk, and known
// to whoever watches, before its first byte leaves.
func (r *Run) send(i int, s plan.Setpoint, pausing bool) error {
	if err := r.announce(i, s); err != nil {
		return err
	}
	return r.obey(i, s, pausing, r.clock.Now()+boundaryPatience)
}

// announce records what is about to be sent, and what that needs.
func (r *Run) announce(i int, s plan.Setpoint) error {
	set := r.setpoint(s)
	r.event(Event{Kind: "set", Text: set.String()})
	if r.bench.Instruments[i].Energises(set) {
		return r.energised()
	}
	return nil
}

// obey sends what was announced; the caller has the instrument.
func (r *Run) obey(i int, s plan.Setpoint, pausing bool, by clock.Instant) error {
	set := r.setpoint(s)
	if c := r.gate.Latched(); c != nil {
		return c
	}
	if r.pause.on && !pausing {
		return errPaused
	}
	err := r.bench.Instruments[i].Apply(set, by)
	if err == nil && !(pausing && s.State != "") { // an output counts as the plan has it
		r.gate.Sent(set)
	}
	return err
}

// energised has whoever watches know, and the disk, before something is switched on.
func (r *Run) energised() error {
	if err := r.energising(); err != nil {
		return err
	}
	if err := r.sync(); err != nil {
		r.lostDisk(err)
		return err
	}
	return nil
}

// setpoint is one of the plan as a driver takes it.
func (r *Run) setpoint(s plan.Setpoint) drivers.Setpoint {
	set := drivers.Setpoint{Instrument: s.Instrument, Quantity: s.Quantity, State: s.State}
	if s.State == "" {
		set.Value = quantity.Quantity{Value: s.Value, Unit: canonical(s.Unit)}
	}
	return set
}

func canonical(symbol string) quantity.Unit {
	u, _ := quantity.LookUp(symbol)
	return u
}

// ramp renews a setpoint so that it moves at a constant rate. Each value comes from
// the schedule, not from the one before.
func (r *Run) ramp(a *plan.Action) error {
	s := a.Setpoints[0]
	began, target := r.clock.Now(), s.Value
	length := math.Abs(target - a.From)
	rate := math.Copysign(a.RatePerS, target-a.From)
	before := r.pause.total
	for k := int64(0); ; k++ {
		moved := float64(a.RatePerS * float64(float64(k)*float64(a.EveryNs)/1e9))
		s.Value = a.From + float64(rate*float64(float64(k)*float64(a.EveryNs)/1e9))
		if moved >= length {
			s.Value = target
		}
		if err := r.set([]plan.Setpoint{s}); err != nil {
			return err
		}
		if moved >= length {
			return nil
		}
		paused := r.pause.total - before // the setpoint goes on where it stood
		if err := r.sleep(began + paused + clock.Instant((k+1)*a.EveryNs)); err != nil {
			return err
		}
	}
}

// sweep goes through the values of one setpoint and reads at each. The instrument
// does nothing else meanwhile; that its channels are not read is planned.
func (r *Run) sweep(a *plan.Action) error {
	s := a.Setpoints[0]
	i := r.instr[s.Instrument]
	instrument := r.bench.Instruments[i]
	query := r.bench.Rig.Channels[r.index[a.Channels[0]]].Query
	each := clock.Instant(a.DurationNs) + r.patience(i, query)
	r.pauseReadings(i, r.clock.Now()+clock.Instant(len(a.Values))*each+boundaryPatience)
	defer r.resumeReadings(i)
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return err
	}
	defer instrument.End()
	defer r.unread(i, a.Channels...)()
	for _, v := range a.Values {
		s.Value = v
		if err := r.apply(i, s); err != nil {
			return err
		}
		if err := r.rest(r.clock.Now() + clock.Instant(a.DurationNs)); err != nil {
			return err
		}
		if err := r.readNow(i, query, a.Channels); err != nil {
			return err
		}
	}
	return nil
}

// readNow makes one query outside the schedule and takes the named channels.
func (r *Run) readNow(i, query int, channels []string) error {
	readings, err := r.bench.Instruments[i].Measure(query, nil, r.clock.Now()+r.patience(i, query))
	if err != nil {
		return err
	}
	for _, x := range readings {
		for _, name := range channels {
			if r.index[name] == x.Channel {
				r.take(x)
			}
		}
	}
	return nil
}
