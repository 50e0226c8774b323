package sequence

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/safety"
	"dwell/sequence/plan"
)

// Resumption is where a run is taken up again whose bench has been made safe since, or
// that ended with its power: nothing on the bench is as it was.
type Resumption struct {
	Place
	Back   []plan.Action     // from a bench at rest to where the place's step begins
	Expect map[string]string // identities, by instrument, as far as they are known
	LastAt clock.Instant     // of what was recorded before
	Begun  int64             // the last cycle that may have been made, beyond those that count; 0 for none
}

// Uncertain says which cycles may have been made that do not count, "" for none.
func (a *Resumption) Uncertain() string {
	if a.Begun <= a.Cycles {
		return ""
	}
	return fmt.Sprintf("cycles %d to %d may have been made, or begun, and are done again: the film may have been bent up to %d times more than is counted", a.Cycles+1, a.Begun, a.Begun-a.Cycles)
}

// Place is a boundary as the record has it: what a run is taken up from.
type Place struct {
	At     clock.Instant
	Line   int64         // of its event
	Next   int           // the action to perform next
	Ran    clock.Instant // time spent on the plan until then
	Passes map[int]int64 // completed passes of loops, by action
	Cycles int64         // of bending
	Answered
}

// The numbers of an event "boundary".
const (
	placeNext = "next"
	placeRan  = "ran_s"
	placePass = "passes_" // and the number of the loop's action
	placeBent = "cycles"
	placeFlat = "flat_Ohm"
	placeDegC = "flat_degC"
	placeBend = "answer" // of the film to bending, at first
	placeAtM  = "bent_m"
	placeSure = "answered_until"
)

// place is the event that keeps where the run is.
func (r *Run) place() Event {
	e := Event{Kind: "boundary", Fields: []Field{{placeNext, float64(r.state.Next)}, {placeRan, (r.clock.Now() - r.state.Lost).Seconds()}}}
	for i, n := range r.state.Loops {
		if n > 0 {
			e.Fields = append(e.Fields, Field{placePass + strconv.Itoa(i), float64(n)})
		}
	}
	if r.state.Cycles > 0 {
		e.Fields = append(e.Fields, Field{placeBent, float64(r.state.Cycles)})
	}
	if s := r.state.Answered; s.FlatOhm > 0 {
		e.Fields = append(e.Fields, Field{placeFlat, s.FlatOhm}, Field{placeBend, s.First}, Field{placeAtM, s.BentM}, Field{placeSure, float64(s.Cycles)})
		if !math.IsNaN(s.AtDegC) {
			e.Fields = append(e.Fields, Field{placeDegC, s.AtDegC})
		}
	}
	return e
}

// ReadPlace reads the numbers of an event "boundary" that was recorded at a moment.
func ReadPlace(at clock.Instant, line int64, numbers map[string]float64) (Place, error) {
	p := Place{At: at, Line: line, Passes: map[int]int64{}, Cycles: int64(numbers[placeBent])}
	next, known := numbers[placeNext]
	ran, spent := numbers[placeRan]
	if !known || !spent {
		return p, errors.New("a boundary needs the numbers next and ran_s")
	}
	p.Answered = Answered{FlatOhm: numbers[placeFlat], First: numbers[placeBend], BentM: numbers[placeAtM], AtDegC: math.NaN()}
	p.Answered.Cycles = int64(numbers[placeSure])
	if t, known := numbers[placeDegC]; known {
		p.AtDegC = t
	}
	p.Next, p.Ran = int(next), clock.Instant(ran*1e9)
	for name, n := range numbers {
		if action, is := strings.CutPrefix(name, placePass); is {
			i, err := strconv.Atoi(action)
			if err != nil {
				return p, fmt.Errorf("%q names no action", name)
			}
			p.Passes[i] = int64(n)
		}
	}
	return p, nil
}

// takeUp puts the run where it is to go on.
func (r *Run) takeUp(again *Resumption) {
	r.again = again
	r.state.Cycles, r.state.LifeBegan = again.Cycles, r.clock.Now()
	r.state.Answered = again.Answered
	r.state.Next, r.state.Lost = again.Next, r.clock.Now()-again.Ran
	for i, n := range again.Passes {
		if i >= 0 && i < len(r.state.Loops) {
			r.state.Loops[i] = n
		}
	}
}

// sameAsBefore makes sure that an instrument is the one the run began with.
func (r *Run) sameAsBefore(name, who string) error {
	if r.again == nil || r.again.Expect[name] == "" || r.again.Expect[name] == who {
		return nil
	}
	return &safety.Cause{Kind: safety.Failed, At: r.clock.Now(),
		Text: fmt.Sprintf("%s is %q, but the run began with %q: it cannot go on with another instrument", name, who, r.again.Expect[name])}
}

// worn says whether the film has been bent in cycles before this run was taken up again:
// then its resistance is not what the specimen's file says any more.
func (r *Run) worn() bool { return r.again != nil && r.again.Cycles > 0 }

// bandNow is what a confirmed specimen may have: as its file says, or, of a worn film, as far
// about what was last read of it flat, brought to the temperature of now.
func (r *Run) bandNow(c plan.Check) (low, high float64) {
	f := r.flatRead()
	if !r.worn() || r.again.FlatOhm == 0 || f == nil {
		return c.LowOhm, c.HighOhm
	}
	flat := r.again.FlatOhm
	if f.Thermometer != "" && !math.IsNaN(r.again.AtDegC) {
		if t := r.latest[r.index[f.Thermometer]]; t.Flag == drivers.Good && t.At > 0 {
			flat *= 1 + f.PartPerK*(t.Value-r.again.AtDegC)
		}
	}
	middle := (c.LowOhm + c.HighOhm) / 2
	return flat * c.LowOhm / middle, flat * c.HighOhm / middle
}

// stillTheSame asks whether a worn film is the one that was bent, where its resistance does
// not tell.
func (r *Run) stillTheSame(a *plan.Action, says string) error {
	answer, err := r.question(fmt.Sprintf("%s has been bent %d times, and %s. If it is the same specimen, and its contacts are sound, type yes",
		a.Confirm.Specimen, r.again.Cycles, says), r.clock.Now()+clock.Instant(a.AtMostNs))
	switch c := r.gate.Latched(); {
	case c != nil:
		return c
	case err != nil:
		return fmt.Errorf("%s: %s, and nobody said that it is the same specimen: %w", a.Step, says, err)
	case answer != "yes":
		return refused("%s: %s, and it is not the same specimen (the answer was %q, not yes)", a.Step, says, answer)
	}
	r.event(Event{Kind: "specimen", Text: a.Confirm.Specimen + ": " + says + "; a person said that it is the same"})
	return nil
}

// wayBackBegins opens the step under which everything on the way back is recorded.
func (r *Run) wayBackBegins() {
	if r.again != nil && len(r.again.Back) > 0 {
		r.state.Step = r.again.Back[0].Step
		r.event(Event{Kind: "step", Text: r.again.Back[0].Role})
	}
}

// actBack performs one action of a way back. A strip that had been bent is looked at where it
// is to lie flat, before it is bent again.
func (r *Run) actBack(a *plan.Action) error {
	if a.Op != plan.Move || r.bench.Rig.Bending == nil {
		return r.act(a)
	}
	flat := *a
	flat.Setpoints = slices.Clone(a.Setpoints)
	flat.Target = r.bench.Rig.Bending.FlatAtM
	for k := range flat.Setpoints {
		if s := &flat.Setpoints[k]; s.Quantity == "position" {
			s.Value = flat.Target
		}
	}
	if err := r.act(&flat); err != nil {
		return err
	}
	if err := r.flatAgain(); err != nil || flat.Target == a.Target {
		return err
	}
	return r.act(a)
}

// goBack brings the bench to where the place's step begins, and records what is missing
// between: the readings since that boundary belong to a step that was broken off.
func (r *Run) goBack() error {
	if r.again == nil {
		return nil
	}
	for k := 1; k < len(r.again.Back); k++ {
		a := r.again.Back[k]
		if a.Op == plan.Set {
			a.Setpoints = plan.InOrder(a.Setpoints, r.bench.Rig)
		}
		if c := r.gate.Latched(); c != nil {
			return c
		}
		if err := r.whilePaused(); err != nil {
			return err
		}
		if err := r.actBack(&a); errors.Is(err, errPaused) {
			k-- // from the beginning, after the pause
		} else if err != nil {
			return err
		}
	}
	e := Event{Kind: "gap", Text: "the step that was broken off begins again; its readings from before, and those of the way back, count for nothing",
		Fields: []Field{{"from_line", float64(r.again.Line)}, {"from_s", r.again.At.Seconds()}, {"last_s", r.again.LastAt.Seconds()}, {"to_s", r.clock.Now().Seconds()}}}
	if text := r.again.Uncertain(); text != "" {
		e.Text += "; " + text
		e.Fields = append(e.Fields, Field{"uncertain_from", float64(r.again.Cycles + 1)}, Field{"uncertain_to", float64(r.again.Begun)})
	}
	r.event(e)
	return nil
}
