package sequence

import (
	"errors"
	"strings"

	"dwell/drivers/clock"
	"dwell/safety"
	"dwell/sequence/plan"
)

// This file pauses a run while an interlock asks for that. A process of its own
// switches the outputs off and, where the interlock says so, takes a heater to another
// temperature; the process that performs the plan stays where it is, and every time it
// waits for is longer by the pause. A sweep, which has its instrument to itself, is cut
// short and done again.

// pause is how the run stands with interlocks that pause.
type pause struct {
	wanted *safety.Pause // by the gate, nil for none
	on     bool
	off    []bool // by instrument: its output was switched off for a pause
	began  clock.Instant
	total  clock.Instant
}

// errPaused ends what cannot wait where it is.
var errPaused = errors.New("paused")

// lookForPause starts a pause, or has one end, as the gate says.
func (r *Run) lookForPause() {
	how := r.gate.Pausing()
	if how == r.pause.wanted {
		return
	}
	r.pause.wanted = how
	if how != nil && !r.pause.on && !r.safing {
		r.pause.on = true
		r.start("pause", r.pausing)
	}
	r.wake.Signal()
}

// whilePaused waits for the end of a pause.
func (r *Run) whilePaused() error {
	for r.pause.on {
		if c := r.gate.Latched(); c != nil {
			return c
		}
		if _, err := r.wake.Wait(clock.Never); err != nil {
			return err
		}
	}
	return nil
}

// pausing is the pause, from the first command to the last.
func (r *Run) pausing() error {
	r.pause.began = r.clock.Now()
	r.outcome.Pauses++
	r.event(Event{Kind: "paused", Text: r.gate.WhyPausing()})
	var outputs []int
	targets := map[int]float64{}
	for i := range r.bench.Instruments {
		t := r.gate.Told(i)
		if t.Output {
			outputs = append(outputs, i)
		}
		if t.Heat && t.HasTarget {
			targets[i] = t.Target
		}
	}
	unread, err := r.outputsOff(outputs)
	if len(unread) > 0 {
		r.event(Event{Kind: "unread", Text: strings.Join(unread, ", ")})
	}
	for held := (*safety.Pause)(nil); err == nil && r.gate.Latched() == nil; {
		how := r.pause.wanted
		switch {
		case how == nil:
			if err = r.goOn(outputs, targets, held != nil); err == nil && r.pause.wanted == nil && r.gate.Latched() == nil {
				r.pause.on = false
				if len(unread) > 0 {
					r.event(Event{Kind: "read again", Text: strings.Join(unread, ", ")})
				}
				lasted := r.clock.Now() - r.pause.began
				r.pause.total += lasted
				r.outcome.Paused += lasted
				missed := "everything was read meanwhile"
				if len(unread) > 0 {
					missed = "not read meanwhile: " + strings.Join(unread, ", ")
				}
				r.event(Event{Kind: "resumed", Text: missed, Fields: []Field{{"gap_s", lasted.Seconds()}}})
				r.wake.Signal()
				return nil
			}
			held = nil
			if err == nil {
				_, err = r.outputsOff(outputs)
			}
		case how != held:
			held, err = how, r.hold(how, targets)
		default:
			_, err = r.wake.Wait(clock.Never)
		}
	}
	return err
}

// outputsOff switches outputs off, tells the gate that what needs them cannot be read,
// and returns which channels that are.
func (r *Run) outputsOff(outputs []int) (unread []string, err error) {
	for _, i := range outputs {
		if err := r.direct(i, "output", "off", 0); err != nil {
			return nil, err
		}
		r.pause.off[i] = true
		for q, channels := range r.polls[i].queries {
			for _, c := range channels {
				if !r.answerable(i, q) && r.state.Rates[c].EveryNs > 0 {
					r.gate.Pause(c, clock.Never)
					unread = append(unread, r.bench.Rig.Channels[c].Name)
				}
			}
		}
	}
	return unread, nil
}

// hold takes a heater that is heating to where the pause wants it.
func (r *Run) hold(how *safety.Pause, targets map[int]float64) error {
	i, known := r.instr[how.Heater]
	if _, heats := targets[i]; !known || !heats {
		return nil
	}
	return r.direct(i, "temperature", "", how.DegC)
}

// goOn has everything as it was before the pause.
func (r *Run) goOn(outputs []int, targets map[int]float64, heaters bool) error {
	for i := range r.bench.Instruments {
		if degC, heats := targets[i]; heaters && heats {
			if err := r.direct(i, "temperature", "", degC); err != nil {
				return err
			}
		}
	}
	for _, i := range outputs {
		if err := r.direct(i, "output", "on", 0); err != nil {
			return err
		}
		r.pause.off[i] = false
		r.resumeReadings(i)
	}
	return nil
}

// direct sends one setpoint ahead of the plan.
func (r *Run) direct(i int, what, state string, degC float64) error {
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return err
	}
	defer instrument.End()
	s := plan.Setpoint{Instrument: instrument.Name(), Quantity: what, State: state}
	if state == "" {
		s.Value, s.Unit = degC, "degC"
	}
	return r.send(i, s, true)
}
