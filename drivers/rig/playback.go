package rig

import (
	"bytes"
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
)

// This file has the drivers read a record instead of a port: what they made of the
// bytes then, they make of them now.

// Playback is a bench on which every exchange is one of a record. next says which
// comes now of those with an instrument, nil for none that answers this request.
func Playback(c clock.Clock, r *Rig, next func(instrument int, request []byte) *wire.Exchange) *Bench {
	b := &Bench{Rig: r}
	for k, d := range r.Instruments {
		i := newInstrument(c, r, k, permissive{})
		i.port = wire.Playback(c, d.Name, d.Profile.Line, func(request []byte) *wire.Exchange { return next(k, request) })
		i.RecallPrepared()
		b.Instruments = append(b.Instruments, i)
	}
	return b
}

// permissive allows everything: nothing is sent.
type permissive struct{}

func (permissive) Allow(drivers.Setpoint) error { return nil }

// Asking lists the queries that begin with a request.
func (i *Instrument) Asking(request []byte, into []int) []int {
	for q := range i.p.Queries {
		if _, is := i.p.Queries[q].asked(request); is {
			into = append(into, q)
		}
	}
	return into
}

// asked tells whether the query is this request, and by which state of its By.
func (q *Query) asked(request []byte) (state int, is bool) {
	if q.By < 0 {
		return 0, bytes.Equal(q.Ask, request)
	}
	for state, ask := range q.Asks {
		if bytes.Equal(ask, request) {
			return state, true
		}
	}
	return 0, false
}

// Remeasure is Measure of a query that was made, by this request: what it needed was so.
func (i *Instrument) Remeasure(query int, request []byte, into []drivers.Reading) ([]drivers.Reading, error) {
	q := &i.p.Queries[query]
	if q.Needs != nil {
		i.memory.Known[q.Needs.Set] = Known{Is: true, State: q.Needs.State}
	}
	if state, _ := q.asked(request); q.By >= 0 {
		i.memory.Known[q.By] = Known{Is: true, State: state}
	}
	return i.Measure(query, into, clock.Never)
}

// Recall takes it that a setpoint has been sent and obeyed.
func (i *Instrument) Recall(s drivers.Setpoint) {
	k, state, err := i.find(s)
	now := Known{Is: true, State: state, Value: s.Value.Value}
	if err != nil || i.p.Sets[k].ChangesOnly != nil && i.memory.Known[k] == now {
		return
	}
	for _, u := range i.p.Sets[k].Upsets {
		i.memory.Known[u].Is = false
	}
	i.memory.Known[k] = now
}

// RecallPrepared takes it that the instrument has been prepared, and nothing else.
func (i *Instrument) RecallPrepared() {
	i.forget()
	for k := range i.p.Sets {
		if i.p.Sets[k].HasDefault {
			i.memory.Known[k] = i.p.Sets[k].prepared()
		}
	}
}

// prepared is how a quantity stands after Prepare, if it has a default.
func (c *Commanded) prepared() Known {
	if len(c.States) == 0 {
		return Known{Is: true, State: -1, Value: c.DefaultValue}
	}
	return Known{Is: true, State: c.DefaultState, Value: c.DefaultValue}
}

// Setpoint reads what Setpoint.String writes, and says which instrument is meant.
func (r *Rig) Setpoint(text string) (instrument int, s drivers.Setpoint, err error) {
	for k, d := range r.Instruments {
		rest, mine := strings.CutPrefix(text, d.Name+" ")
		if !mine {
			continue
		}
		for n := range d.Profile.Sets {
			c := &d.Profile.Sets[n]
			what, is := strings.CutPrefix(rest, c.Quantity+" ")
			if !is {
				continue
			}
			s = drivers.Setpoint{Instrument: d.Name, Quantity: c.Quantity}
			if len(c.States) > 0 {
				if s.State = what; c.State(what) >= 0 {
					return k, s, nil
				}
			} else if s.Value, err = quantity.Parse(what); err == nil && s.Value.Unit.Dim == c.Unit.Dim {
				return k, s, nil
			}
		}
	}
	return 0, drivers.Setpoint{}, fmt.Errorf("%q is no setpoint of the rig %s", text, r.Name)
}
