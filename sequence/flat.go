package sequence

import (
	"fmt"
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/safety"
	"dwell/sequence/plan"
)

// This file looks for a strip that has slipped. A coupling that slips between motor and
// carriage, and a strip that slips in its clamps, cannot be seen in what a stage says of
// itself: it counts the turns of its motor. What shows is how the film answers bending,
// in each cycle that is measured: the relative change of its resistance from flat to bent,
// which a change of temperature between two cycles leaves as it is.

// Answered is how the film answers bending, as plain data.
type Answered struct {
	BentOhm float64 // in the cycle that is being measured; 0 before
	First   float64 // the relative change in the first cycle that was measured; 0 before
	BentM   float64 // where the stage stood bent in that
	FlatOhm float64 // last
	AtDegC  float64 // the temperature then, if there is a thermometer
	Cycles  int64   // up to which it was as at first
	Doubted bool    // it was said that it has changed
}

// Common practice, no source: an answer that is smaller than the least is lost among
// drifts, one that differs by more than a part is worth saying, and less than half of it
// is none to the bending that was asked for.
const (
	leastAnswer   = 1e-3
	answerChanged = plan.AnswerChanged
	answerLost    = 0.5
)

// answered takes the film's resistance at a mark flat or bent, and compares.
func (r *Run) answered(a *plan.Action) error {
	x, s := r.latest[r.index[a.Channel]], &r.state.Answered
	isBent := a.Text == "bent"
	if x.Flag != drivers.Good || x.At < r.clock.Now()-clock.Instant(a.DurationNs) {
		s.BentOhm = 0 // not read in this shape
		return nil
	}
	if isBent {
		s.BentOhm = x.Value
		return nil
	}
	s.FlatOhm, s.AtDegC = x.Value, math.NaN()
	if len(a.Channels) > 0 {
		if t := r.latest[r.index[a.Channels[0]]]; t.Flag == drivers.Good {
			s.AtDegC = t.Value
		}
	}
	if s.BentOhm == 0 {
		return nil
	}
	answer := s.BentOhm/s.FlatOhm - 1
	s.BentOhm = 0
	r.event(Event{Kind: "answer to bending", Fields: append(r.counted(), Field{"flat_Ohm", s.FlatOhm}, Field{"change", answer})})
	return r.compareAnswer(a, answer)
}

func (r *Run) compareAnswer(a *plan.Action, answer float64) error {
	s := &r.state.Answered
	if s.First == 0 || s.BentM != a.Target { // or another shape than before
		s.First, s.BentM, s.Cycles, s.Doubted = answer, a.Target, r.state.Cycles, false
		if math.Abs(answer) < leastAnswer {
			r.event(Event{Kind: "warning", Text: fmt.Sprintf("bending changes %s by %.2g %% only: a strip that slips cannot be told by that, and is not looked for", a.Channel, 100*answer)})
		}
		return nil
	}
	if math.Abs(s.First) < leastAnswer {
		return nil
	}
	part := answer / s.First
	says := fmt.Sprintf("bending changes %s by %.3g %%, at first it was %.3g %%; since cycle %d", a.Channel, 100*answer, 100*s.First, s.Cycles)
	switch {
	case part < answerLost:
		return &safety.Cause{Kind: safety.Failed, At: r.clock.Now(),
			Text: says + " the strip is not bent as it is asked for: look at the stage's coupling, and at the clamps"}
	case math.Abs(part-1) <= answerChanged:
		s.Cycles, s.Doubted = r.state.Cycles, false
	case !s.Doubted:
		s.Doubted = true
		slip := ""
		if a.Within > 0 {
			slip = fmt.Sprintf(", as when flat has moved by more than %s", quantity.Near(a.Within, canonical("m").Dim))
		}
		r.event(Event{Kind: "warning", Text: says + " the strip may have slipped" + slip + ", or the film has changed"})
	}
	return nil
}

// flatAgain makes sure that a strip which is to be bent on lies flat: by its resistance
// against the last one, which alone says little, and by a sensor that the rig names, or
// what a person sees. Without either it stays unchecked, and the record says so.
func (r *Run) flatAgain() error {
	text, fields, err := r.flatResistance()
	if err != nil {
		return err
	}
	if seen := r.plan.FlatSeen; seen != nil {
		if x := r.latest[r.index[seen.Channel]]; x.Flag == drivers.Good && math.Abs(x.Value-seen.Reads) < 0.5 {
			r.event(Event{Kind: "flat", Text: fmt.Sprintf("checked: %s reads %s; %s", seen.Channel, seen.Word, text), Fields: fields})
			return nil
		}
		text += "; " + seen.Channel + " does not read " + seen.Word
	}
	answer, err := r.question("the stage stands where the strip is to lie flat ("+text+"). Look at it: if it lies flat, and firmly in its clamps, type yes", r.clock.Now()+lookAtFlat)
	if c := r.gate.Latched(); c != nil {
		return c
	}
	switch {
	case err != nil:
		r.event(Event{Kind: "flat", Text: "not checked: nobody looked; " + text, Fields: fields})
	case answer == "yes":
		r.event(Event{Kind: "flat", Text: "checked by a person; " + text, Fields: fields})
	default:
		return refused("the strip does not lie flat (the answer was %q, not yes): put it right, and take the run up again", answer)
	}
	return nil
}

// flatResistance reads the film where it is to lie flat, and compares. What was asked for
// before the stage was there, as when the specimen was confirmed, may be of a bent strip.
func (r *Run) flatResistance() (text string, fields []Field, err error) {
	f := r.flatRead()
	if f == nil || r.again.FlatOhm == 0 {
		return "its resistance had not been read at flat before", nil, nil
	}
	arrived := r.clock.Now()
	if err := r.sleep(arrived + clock.Instant(f.ForNs)); err != nil {
		return "", nil, err
	}
	fields = []Field{{"before_Ohm", r.again.FlatOhm}}
	x := r.latest[r.index[f.Channel]]
	if x.Flag != drivers.Good || x.At-x.Within < arrived {
		return "its resistance was not read", fields, nil
	}
	text = fmt.Sprintf("%s is %.3g %% from the last one at flat", f.Channel, 100*(x.Value/r.again.FlatOhm-1))
	fields = append(fields, Field{"flat_Ohm", x.Value})
	if f.Thermometer != "" && !math.IsNaN(r.again.AtDegC) {
		if t := r.latest[r.index[f.Thermometer]]; t.Flag == drivers.Good {
			expected := f.PartPerK * (t.Value - r.again.AtDegC)
			text += fmt.Sprintf(", of which the temperature makes %.3g %%", 100*expected)
			fields = append(fields, Field{"expected", expected})
		}
	}
	return text, fields, nil
}

// lookAtFlat is how long somebody is waited for who looks. Common practice, no source.
const lookAtFlat = 10 * clock.Minute

// flatRead is how the film is read flat, nil when it is not. Plans of before have it in their
// marks alone.
func (r *Run) flatRead() *plan.FlatRead {
	f := r.plan.FlatRead
	for i := range r.plan.Actions {
		if a := &r.plan.Actions[i]; f == nil && a.Op == plan.Mark && a.Channel != "" && a.Text != "bent" {
			f = &plan.FlatRead{Channel: a.Channel, PartPerK: a.From, ForNs: a.DurationNs}
			if len(a.Channels) > 0 {
				f.Thermometer = a.Channels[0]
			}
		}
	}
	return f
}

// keepFlat keeps what the film has where it lies flat, if it has been read since the stage
// stands there.
func (r *Run) keepFlat() {
	f, s := r.plan.FlatRead, &r.state
	if f == nil || s.FlatSince == 0 {
		return
	}
	x := r.latest[r.index[f.Channel]]
	if x.Flag != drivers.Good || x.At-x.Within < s.FlatSince {
		return
	}
	s.Answered.FlatOhm, s.Answered.AtDegC = x.Value, math.NaN()
	if f.Thermometer != "" {
		if t := r.latest[r.index[f.Thermometer]]; t.Flag == drivers.Good && t.At > 0 {
			s.Answered.AtDegC = t.Value
		}
	}
}
