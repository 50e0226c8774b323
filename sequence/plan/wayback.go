package plan

import (
	"fmt"
	"slices"
	"strconv"
)

// This file works out how a bench gets from rest to where a step of the plan begins,
// for a run that is taken up again there.

// checkStandard is the role of steps in which something else is connected than the film.
const checkStandard = "check standard"

const (
	// coolEnough is how far above the ambient a plate may be when the specimen is
	// confirmed again: its resistance is compared with that at the ambient.
	coolEnoughK = 5
	// coolingNs is how long that is waited for; then the specimen is judged as it is.
	coolingNs = int64(30 * 60e9)
	// slower allows the way back more time than the plan's own waits: it is longer.
	slower = 2
)

// stand is how a bench stands at a place of a plan, by what was commanded before.
type stand struct {
	set    []Setpoint // the last of every quantity, in the order of the plan
	rates  []Polled   // the last of every channel that was changed
	visits []visit    // temperatures, one after the other
	moved  *Action    // the last place or lift
	homed  *Action    // the last time that a stage found its switch
	bent   *Action    // and the last time that it went somewhere since
	laid   *Action    // the last time that a strip was laid round a rod, or flat
	asked  []*Action  // what a person was asked to do, as far as it may still hold
}

// visit is a temperature that a heater was brought to.
type visit struct {
	instrument string
	degC       float64
	unit       string
}

func (s *stand) put(x Setpoint) {
	k := slices.IndexFunc(s.set, func(o Setpoint) bool { return o.Instrument == x.Instrument && o.Quantity == x.Quantity })
	if k < 0 {
		s.set = append(s.set, x)
	} else {
		s.set[k] = x
	}
	if x.Quantity == setTemperature && x.State == "" {
		s.visits = append(s.visits, visit{x.Instrument, x.Value, x.Unit})
	}
}

// after takes note of what an action leaves behind.
func (s *stand) after(a *Action) {
	for _, x := range a.Setpoints {
		if n := len(a.Values); a.Op == Sweep && n > 0 {
			x.Value = a.Values[n-1]
		}
		s.put(x)
	}
	switch a.Op {
	case Confirm:
		s.put(Setpoint{Instrument: a.Confirm.Instrument, Quantity: setOutput, State: stateOff})
	case Place, Lift:
		s.moved = a
	case Home:
		s.homed, s.bent = a, nil
	case Move, Cycle:
		s.bent = a
	case Wrap:
		s.laid = a
	case Person:
		s.asked = slices.DeleteFunc(s.asked, func(o *Action) bool { return o.Line == a.Line })
		s.asked = append(s.asked, a)
	case Record:
		for _, x := range a.Polled {
			k := slices.IndexFunc(s.rates, func(o Polled) bool { return o.Channel == x.Channel })
			if k < 0 {
				s.rates = append(s.rates, x)
			} else {
				s.rates[k] = x
			}
		}
	}
}

// checked is the end of steps about a check standard: of what a person was asked in them,
// the last has put the film back.
func (s *stand) checked(from int) {
	if n := len(s.asked); n > from+1 {
		s.asked = append(s.asked[:from:from], s.asked[n-1])
	}
}

// before goes through the actions that were performed before a place, as far as they
// say how the bench stands there: of a loop that has been passed, one pass.
func (p *Plan) before(next int, passes map[int]int64, each func(i int, a *Action)) {
	for i := range p.Actions[:next] {
		each(i, &p.Actions[i])
		if p.Actions[i].Op != Loop || passes[i] == 0 {
			continue
		}
		end := slices.IndexFunc(p.Actions, func(a Action) bool { return a.Op == Again && a.Jump == i })
		for k := i + 1; end >= next && k < end; k++ {
			each(k, &p.Actions[k])
		}
	}
}

// WayBack is what has to be done, from a bench at rest, before the action at next can be
// performed as it would have been: the specimen is confirmed again, what was switched on
// is switched on again, and a temperature is approached from the side from which the
// plan approached it, by way of where that branch began. What a person was asked to do is
// asked for again, in its order.
func (p *Plan) WayBack(next int, passes map[int]int64, ambientDegC float64) ([]Action, error) {
	if next < 0 || next >= len(p.Actions) || next > 0 && p.Actions[next].Op != Begin {
		return nil, fmt.Errorf("action %d of the plan is not where a step begins", next)
	}
	var now, atConfirm, atHome stand
	var confirm *Action
	standard := -1 // what was asked before steps about a check standard
	p.before(next, passes, func(_ int, a *Action) {
		if isStandard := a.Role == checkStandard; a.Op == Begin && isStandard != (standard >= 0) {
			if isStandard {
				standard = len(now.asked)
			} else {
				now.checked(standard)
				standard = -1
			}
		}
		if a.Op == Confirm && confirm == nil {
			confirm, atConfirm = a, now
			atConfirm.set, atConfirm.rates, atConfirm.asked = slices.Clone(now.set), slices.Clone(now.rates), slices.Clone(now.asked)
		}
		if now.after(a); a.Op == Home {
			atHome.asked = slices.Clone(now.asked)
		}
	})
	if standard >= 0 && p.Actions[next].Role != checkStandard {
		now.checked(standard)
	}
	first, then, last := askedAgain(now.asked, atConfirm.asked, atHome.asked)
	w := &wayBack{plan: p, step: "way back to " + p.Actions[next].Step}
	w.add(Action{Op: Begin, Role: "way back"})
	if confirm != nil {
		w.record(atConfirm.rates)
		w.move(atConfirm.moved)
		w.cool(now.visits, ambientDegC)
		w.ask(first)
		if len(then)+len(last) > 0 { // what was done since may have put something else in its place
			w.add(Action{Op: Person, AtMostNs: confirm.AtMostNs,
				Text: "make sure that the specimen " + confirm.Confirm.Specimen + " is connected, as it was when it was confirmed"})
		}
		again := *confirm
		w.add(again)
	}
	w.ask(then) // while everything is off
	w.electric(now.set)
	w.record(now.rates) // before anybody is waited for: what is on is read
	w.bend(now)
	w.ask(last)
	w.heat(now)
	if confirm == nil || now.moved != atConfirm.moved {
		w.move(now.moved)
	}
	return w.actions, nil
}

// wayBack is a way back being put together.
type wayBack struct {
	plan    *Plan
	step    string
	actions []Action
}

func (w *wayBack) add(a Action) {
	a.Step = w.step
	w.actions = append(w.actions, a)
}

func (w *wayBack) record(rates []Polled) {
	if len(rates) > 0 {
		w.add(Action{Op: Record, Polled: slices.Clone(rates)})
	}
}

// askedAgain parts what a person has to do again: before the specimen is confirmed, then,
// and what was asked for after the stage had found its switch.
func askedAgain(asked, atConfirm, atHome []*Action) (first, then, last []*Action) {
	for _, a := range asked {
		switch {
		case slices.Contains(atConfirm, a):
			first = append(first, a)
		case len(atHome) > 0 && !slices.Contains(atHome, a):
			last = append(last, a)
		default:
			then = append(then, a)
		}
	}
	return first, then, last
}

// ask has a person make sure of what was asked for before: it may hold still.
func (w *wayBack) ask(all []*Action) {
	for _, a := range all {
		w.add(Action{Op: Person, Line: a.Line, AtMostNs: a.AtMostNs, Text: fmt.Sprintf("make sure that this is done, as it was in %s: %s", a.Step, a.Text)})
	}
}

// move has the specimen where it was; nobody wants to know to the second when.
func (w *wayBack) move(a *Action) {
	if a == nil {
		return
	}
	again := *a
	again.T0, again.Channel, again.When, again.DurationNs = "key", "", "", 0
	w.add(again)
}

// cool waits until heaters that were used are near the ambient.
func (w *wayBack) cool(visits []visit, ambientDegC float64) {
	said := map[string]bool{}
	for _, v := range visits {
		a := w.arrival(v.instrument, v.degC)
		if a == nil || said[a.Channel] {
			continue
		}
		said[a.Channel] = true
		when := a.Channel + " < " + strconv.FormatFloat(ambientDegC+coolEnoughK, 'f', -1, 64) + " degC"
		w.add(Action{Op: Until, When: when, AtMostNs: coolingNs, GoOn: true})
	}
}

// electric sets everything but heat.
func (w *wayBack) electric(set []Setpoint) {
	var all []Setpoint
	for _, x := range set {
		if !isIn([]string{setHeat, setTemperature, setReference, setSpeed, setPosition}, x.Quantity) {
			all = append(all, x)
		}
	}
	if len(all) > 0 {
		w.add(Action{Op: Set, Setpoints: all})
	}
}

// bend has a stage find its switch again, with all that is asked before that, and go
// where it stood: at flat, after cycles.
func (w *wayBack) bend(now stand) {
	if now.laid != nil {
		w.add(*now.laid)
	}
	if now.homed == nil {
		return
	}
	w.add(*now.homed)
	if now.bent == nil {
		return
	}
	again := *now.bent
	if again.Op == Cycle {
		again.Op, again.When, again.Jump, again.DurationNs = Move, "", 0, 0
		speed := Setpoint{}
		for _, x := range now.set {
			if x.Quantity == setSpeed {
				speed = x
			}
		}
		again.Setpoints = []Setpoint{speed, again.Setpoints[1]}
	}
	again.Count = 0
	again.AtMostNs *= slower
	w.add(again)
}

// heat brings every heater that was on back to its temperature.
func (w *wayBack) heat(now stand) {
	for _, x := range now.set {
		if x.Quantity != setHeat || x.State != stateOn {
			continue
		}
		for n, v := range branch(now.visits, x.Instrument) {
			set := []Setpoint{x, {Instrument: x.Instrument, Quantity: setTemperature, Value: v.degC, Unit: v.unit}}
			w.add(Action{Op: Set, Setpoints: set[min(n, 1):]})
			if a := w.arrival(x.Instrument, v.degC); a != nil {
				w.add(Action{Op: Arrive, Channel: a.Channel, Target: v.degC, Within: a.Within, DurationNs: a.DurationNs, AtMostNs: slower * a.AtMostNs})
			}
		}
	}
}

// branch is where the last way of a heater in one direction began, and where it is now.
func branch(visits []visit, instrument string) []visit {
	var way []visit
	for _, v := range visits {
		if v.instrument == instrument && (len(way) == 0 || way[len(way)-1].degC != v.degC) {
			way = append(way, v)
		}
	}
	if len(way) < 2 {
		return way
	}
	last := way[len(way)-1]
	rising := last.degC > way[len(way)-2].degC
	from := len(way) - 2
	for from > 0 && (way[from].degC > way[from-1].degC) == rising {
		from--
	}
	return []visit{way[from], last}
}

// arrival is how the plan waits for a heater to be at a temperature: for this one, or
// else for any.
func (w *wayBack) arrival(instrument string, degC float64) (best *Action) {
	heater := ""
	for i := range w.plan.Actions {
		a := &w.plan.Actions[i]
		for _, x := range a.Setpoints {
			if x.Quantity == setTemperature {
				heater = x.Instrument
			}
		}
		if a.Op != Arrive || heater != instrument {
			continue
		}
		if best == nil || a.Target == degC && best.Target != degC {
			best = a
		}
	}
	return best
}
