package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
)

// WriteJSON writes a plan for the run folder: always the same bytes for the same
// plan.
func WriteJSON(p *Plan) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // expressions hold < and >
	e.SetIndent("", "  ")
	if err := e.Encode(p); err != nil {
		return nil, fmt.Errorf("plan.json: %w", err)
	}
	return b.Bytes(), nil
}

// ReadJSON reads a plan that was written before. Another version, a field that is
// not known, or a program that could run for ever is refused.
func ReadJSON(text []byte) (*Plan, error) {
	var head struct {
		Version int `json:"version"`
	}
	if err := json.Unmarshal(text, &head); err != nil { // also when something stands behind it
		return nil, fmt.Errorf("plan.json: %w", err)
	}
	if head.Version != Version {
		return nil, fmt.Errorf("plan.json: it has version %d, this dwell executes version %d", head.Version, Version)
	}
	p := &Plan{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(p); err != nil {
		return nil, fmt.Errorf("plan.json: %w", err)
	}
	if err := p.bounded(); err != nil {
		return nil, fmt.Errorf("plan.json: %w", err)
	}
	return p, nil
}

// leastEveryNs is how often something may be asked or renewed at most: no instrument at the end
// of a line answers sooner. Common practice, no source.
const leastEveryNs = int64(1e6)

// polledSoundly makes sure that no channel is asked without a pause. In a step, every 0 is
// not at all.
func polledSoundly(all []Polled, orNot bool) error {
	for _, x := range all {
		if orNot && x.EveryNs == 0 && x.StaleNs == 0 {
			continue
		}
		if x.EveryNs < leastEveryNs || x.StaleNs < x.EveryNs {
			return fmt.Errorf("%s is read every %d ns and stale after %d ns: expected every %d ns or more seldom, and stale no sooner", x.Channel, x.EveryNs, x.StaleNs, leastEveryNs)
		}
	}
	return nil
}

// bounded makes sure that every wait of a plan ends and every jump leads back to
// its own loop.
func (p *Plan) bounded() error {
	if p.AtMostNs <= 0 {
		return errors.New("the run has no longest duration")
	}
	if err := polledSoundly(p.Polled, false); err != nil {
		return err
	}
	var open []int
	for i, a := range p.Actions {
		wrong := func(what string) error { return fmt.Errorf("action %d (step %q, %s): %s", i, a.Step, a.Op, what) }
		if err := polledSoundly(a.Polled, true); err != nil {
			return wrong(err.Error())
		}
		if a.EveryNs != 0 && a.EveryNs < leastEveryNs {
			return wrong(fmt.Sprintf("every %d ns is more often than every %d ns", a.EveryNs, leastEveryNs))
		}
		switch a.Op {
		case Arrive, Until, Person, Place, Lift, Confirm:
			if a.AtMostNs <= 0 || a.DurationNs < 0 {
				return wrong("it could wait for ever")
			}
		case Ramp:
			if !(a.RatePerS > 0) || a.EveryNs <= 0 || len(a.Setpoints) != 1 {
				return wrong("it would never end")
			}
		case Sweep:
			if len(a.Setpoints) != 1 || len(a.Channels) == 0 || a.DurationNs < 0 {
				return wrong("it has nothing to sweep or to read")
			}
		case Loop:
			if a.Count < 1 || a.Count > mostTimes {
				return wrong(fmt.Sprintf("a loop runs 1 to %d times", mostTimes))
			}
			open = append(open, i)
		case Again:
			if len(open) == 0 || a.Jump != open[len(open)-1] {
				return wrong("it jumps to another place than the beginning of its loop")
			}
			open = open[:len(open)-1]
		case Home, Move, Cycle:
			if what := a.moves(i, len(p.Actions)); what != "" {
				return wrong(what)
			}
		case Life:
			if a.Jump <= i || a.Jump >= len(p.Actions) || a.Channel == "" || !a.Open && a.When == "" {
				return wrong("it does not say when the specimen has failed, or where to go on then")
			}
		case Wrap:
			if a.AtMostNs <= 0 || a.Text == "" {
				return wrong("it asks for nothing, or could wait for ever")
			}
		case Begin, Over, Set, Wait, Record, Mark, Note:
			if a.DurationNs < 0 {
				return wrong("a time below zero")
			}
		default:
			return wrong("dwell does not know this operation")
		}
		if a.Op == Confirm && a.Confirm == nil {
			return wrong("it does not say what to confirm")
		}
	}
	if len(open) > 0 {
		return fmt.Errorf("the loop at action %d does not end", open[0])
	}
	return nil
}

// moves says what is wrong with a motion, the action at i of so many; "" for nothing.
func (a *Action) moves(i, of int) string {
	if a.AtMostNs <= 0 || a.DurationNs < 0 || len(a.Setpoints) == 0 {
		return "it could wait for ever, or moves nothing"
	}
	if a.Op != Home && (a.Channel == "" || len(a.Channels) != 1 || !(a.Within > 0)) {
		return "nothing shows when it has arrived"
	}
	if a.Op == Cycle && a.When != "" && (a.Jump <= i || a.Jump > of) {
		return "it does not say where to go on when its condition holds"
	}
	if a.Op == Cycle && (a.Count < 1 || a.Count > mostTimes || a.DurationNs == 0 || len(a.Setpoints) != 2) {
		return "it does not say how many cycles of what"
	}
	return ""
}
