package sequence

import (
	"fmt"
	"math"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/safety"
	"dwell/safety/condition"
	"dwell/sequence/plan"
)

const conditionTrue = condition.True

// ask waits for a person.
func (r *Run) ask(a *plan.Action) error {
	_, err := r.question(a.Text, r.clock.Now()+clock.Instant(a.AtMostNs))
	if c := r.gate.Latched(); c != nil {
		return c
	}
	if err != nil {
		return fmt.Errorf("%s: nobody answered: %w", a.Step, err)
	}
	return nil
}

// question asks a person, and records what the answer is, and by its own time when it came.
func (r *Run) question(text string, by clock.Instant) (answer string, err error) {
	if answer, err = r.person.Ask(text, by); err == nil {
		r.event(Event{Kind: "answer", Text: answer})
	}
	return answer, err
}

// movement has a person move something, and records when the key came, and what it says.
func (r *Run) movement(to string, by clock.Instant) (at, within clock.Instant, err error) {
	if at, within, err = r.person.Move(to, by); err == nil {
		r.event(Event{Kind: "key", Text: to, Fields: []Field{{"at_s", at.Seconds()}, {"within_s", within.Seconds()}}})
	}
	return at, within, err
}

// move has the specimen laid on the plate or taken off, and settles when that was.
func (r *Run) move(a *plan.Action) error {
	to := a.To
	if a.Op == plan.Place {
		to = "plate"
	}
	if a.T0 == "onset" {
		r.onset = newOnset(r.index[a.Channel])
		defer func() { r.onset = nil }()
		if a.By == "person" {
			r.event(Event{Kind: "not yet", Text: fmt.Sprintf("leave the specimen where it is for %s s: %s is read at rest first, then you are asked to move it",
				quantity.AppendSeconds(nil, a.DurationNs), a.Channel)})
		}
		if err := r.sleep(r.clock.Now() + clock.Instant(a.DurationNs)); err != nil {
			return err
		}
	}
	r.gate.Specimen(false) // until it is known to be there
	asked := r.clock.Now()
	at, within, err := r.moved(a, to)
	r.gate.Specimen(a.Op == plan.Place && err == nil)
	if c := r.gate.Latched(); c != nil {
		return c
	}
	if err != nil {
		return fmt.Errorf("%s: the specimen was not moved: %w", a.Step, err)
	}
	switch a.T0 {
	case "contact":
		began := r.clock.Now()
		met, when, err := r.await(wanted{condition: true, when: a.When}, began+clock.Instant(a.AtMostNs))
		if err != nil {
			return err
		}
		if !met {
			return r.ceiling(a, "waited for the contact "+a.When)
		}
		at, within = when, r.latest[r.whens[a.When].Reads()[0]].Within
	case "onset":
		if at, within, err = r.onsetOr(a, asked, at, within); err != nil {
			return err
		}
	}
	r.event(Event{Kind: "moved", Text: to, Fields: []Field{{"t0_s", at.Seconds()}, {"u_t0_s", within.Seconds()}}})
	return nil
}

// An onset is looked for from just before somebody was asked until some seconds after the
// key, which comes when both hands are free again, or too soon. Common practice, no source.
const (
	soon = 3 * clock.Second
	late = 10 * clock.Second
)

// apart is how far a doubtful onset may be from the moment that is known otherwise, and
// still be that of the same movement. Common practice, no source.
const apart = 3 * clock.Second

// onsetOr is the moment at which a channel clearly began to move, wherever the key is, or
// less clearly near the key. Without one the moment of the key stands, and since people
// press it late, the specimen may have been moved at any time since it was asked for.
// Whoever is commanded moves it then.
func (r *Run) onsetOr(a *plan.Action, asked, at, within clock.Instant) (clock.Instant, clock.Instant, error) {
	known := map[bool]string{true: "the key", false: "the command"}[a.By == "person"]
	began, doubted := r.clock.Now(), clock.Instant(0)
	for _, wait := range [...]int64{a.DurationNs, a.DurationNs + a.DurationNs*3/4} { // the second for a key that came too soon
		if err := r.sleep(began + clock.Instant(wait)); err != nil {
			return 0, 0, err
		}
		fitted, u, found, clear := r.onset.fit(asked-soon, at+late)
		d := max(fitted-at, at-fitted)
		switch {
		case found && d <= apart+within:
			return fitted, u, nil
		case clear:
			when := map[bool]string{true: "after", false: "before"}[fitted < at]
			r.event(Event{Kind: "warning", Text: fmt.Sprintf("%s came %.1f s %s the onset found in %s: the onset stands", known, d.Seconds(), when, a.Channel),
				Fields: []Field{{"onset_s", fitted.Seconds()}, {"u_onset_s", u.Seconds()}}})
			return fitted, u, nil
		case found:
			doubted = d
		}
	}
	known += " stands"
	if a.By == "person" {
		known += ", and the specimen may have been moved at any time since it was asked for"
		within = max(within, at-asked)
	}
	within = max(within, doubted)
	r.event(Event{Kind: "warning", Text: "no clear onset found in " + a.Channel + ": the moment of " + known})
	return at, within, nil
}

// moved has the specimen moved by whoever the plan names.
func (r *Run) moved(a *plan.Action, to string) (at, within clock.Instant, err error) {
	if a.By == "person" {
		return r.movement(to, r.clock.Now()+clock.Instant(a.AtMostNs))
	}
	began := r.clock.Now()
	err = r.set(a.Setpoints)
	ended := r.clock.Now()
	return began + (ended-began)/2, (ended - began + 1) / 2, err
}

// confirm makes sure of the specimen before any heat: its id in somebody's words,
// its resistance at a harmless current inside its band, and the same both ways.
func (r *Run) confirm(a *plan.Action) error {
	if err := r.identify(a); err != nil {
		return err
	}
	ohm, err := r.bothWays(a)
	if err != nil {
		return err
	}
	return r.judgeSpecimen(a, ohm)
}

// bothWays reads the specimen's resistance at a harmless current, one way and the other.
func (r *Run) bothWays(a *plan.Action) (ohm [2]float64, err error) {
	c := a.Confirm
	i := r.instr[c.Instrument]
	r.pauseReadings(i, r.clock.Now()+2*boundaryPatience)
	defer r.resumeReadings(i)
	instrument := r.bench.Instruments[i]
	if err := instrument.Begin(r.clock.Now() + boundaryPatience); err != nil {
		return ohm, err
	}
	defer instrument.End()
	defer r.unread(i, c.Channel)()
	for k, sign := range []float64{1, -1} {
		for _, s := range a.Setpoints {
			if s.Quantity == "current" {
				s.Value = float64(sign * c.CurrentA)
			} else if k == 1 {
				continue
			}
			if err := r.apply(i, s); err != nil {
				return ohm, err
			}
		}
		if err := r.rest(r.clock.Now() + clock.Instant(a.DurationNs)); err != nil {
			return ohm, err
		}
		if ohm[k], err = r.resistance(i, c); err != nil {
			return ohm, err
		}
	}
	return ohm, r.apply(i, plan.Setpoint{Instrument: c.Instrument, Quantity: "output", State: "off"})
}

// idTries is how often the id may be typed. Common practice, no source.
const idTries = 3

// identify has somebody say which specimen is on the bench. A slip of the fingers is
// no other specimen; the same answer twice is no slip.
func (r *Run) identify(a *plan.Action) error {
	by, last := r.clock.Now()+clock.Instant(a.AtMostNs), ""
	for try := 1; ; try++ {
		id, err := r.question("type the id of the specimen on the bench", by)
		switch {
		case err != nil:
			return fmt.Errorf("%s: the specimen was not confirmed: %w", a.Step, err)
		case id == a.Confirm.Specimen:
			return nil
		case try == idTries || try > 1 && id == last:
			return refused("%s: the specimen on the bench is %q, the protocol was checked for %q: nothing was switched on", a.Step, id, a.Confirm.Specimen)
		}
		r.event(Event{Kind: "warning", Text: fmt.Sprintf("the protocol was checked for another specimen than %q: read the id on the specimen, and type it again (try %d of %d)",
			id, try+1, idTries)})
		last = id
	}
}

func (r *Run) resistance(i int, c *plan.Check) (float64, error) {
	channel := r.index[c.Channel]
	query := r.bench.Rig.Channels[channel].Query
	if err := r.readNow(i, query, []string{c.Channel}); err != nil {
		return 0, err
	}
	x := r.latest[channel]
	if x.Flag != drivers.Good && r.worn() {
		return math.NaN(), nil
	}
	if x.Flag != drivers.Good {
		return 0, refused("the specimen's resistance cannot be read: %s is %s; look at the contacts", c.Channel, x.Flag)
	}
	return x.Value, nil
}

func (r *Run) judgeSpecimen(a *plan.Action, ohm [2]float64) error {
	c := *a.Confirm
	mean := (ohm[0] + ohm[1]) / 2
	if math.IsNaN(mean) {
		return r.stillTheSame(a, "its resistance cannot be read")
	}
	c.LowOhm, c.HighOhm = r.bandNow(c)
	asymmetry := math.Abs(2 * (ohm[0] - ohm[1]) / (ohm[0] + ohm[1]))
	r.event(Event{Kind: "specimen", Text: c.Specimen, Fields: []Field{
		{"resistance_Ohm", mean}, {"asymmetry", asymmetry}, {"low_Ohm", c.LowOhm}, {"high_Ohm", c.HighOhm}}})
	inside := mean >= c.LowOhm && mean <= c.HighOhm
	if !inside && r.worn() && r.again.FlatOhm == 0 {
		says := fmt.Sprintf("it has %s, expected %s to %s before it was bent", shownOhm(mean), shownOhm(c.LowOhm), shownOhm(c.HighOhm))
		if err := r.stillTheSame(a, says); err != nil {
			return err
		}
	} else if !inside {
		advice := ""
		fourWires := plan.Setpoint{Instrument: c.Instrument, Quantity: "wires", State: "4"}
		if mean > c.HighOhm && !slices.Contains(a.Setpoints, fourWires) {
			advice = "; leads and contacts may be in this, which wires: 4 leaves out"
		}
		return refused("%s: the specimen has %s, expected %s to %s: nothing was heated%s", a.Step,
			shownOhm(mean), shownOhm(c.LowOhm), shownOhm(c.HighOhm), advice)
	}
	if !(asymmetry <= c.Asymmetry) {
		return refused("%s: the specimen has %s one way and %s the other: its contacts are not ohmic, nothing was heated",
			a.Step, shownOhm(ohm[0]), shownOhm(ohm[1]))
	}
	return nil
}

func shownOhm(v float64) string { return quantity.Shown(v, canonical("Ohm").Dim) }

func refused(format string, args ...any) error {
	return &safety.Cause{Kind: safety.Tripped, Text: fmt.Sprintf(format, args...)}
}
