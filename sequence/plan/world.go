package plan

import (
	"math"

	"dwell/drivers/rig"
)

// world is how the bench will stand at a place of the plan.
type world struct {
	settings  [][]setting // by instrument and commanded quantity
	degC      []float64   // by instrument: what it was last told to hold, ambient before
	aimDegC   []float64   // by instrument: where it is on its way to, or has arrived
	stepK     []float64   // by instrument: how far that was from where it was before
	everyNs   []int64     // by channel: how often it is read, 0 if it is not
	wishNs    []int64     // by channel: how often it is to be read whenever it can be
	watts     float64     // in the specimen
	restS     []float64   // by instrument: for how long nothing has changed it; below 0, how long it is still on its way
	confirmed bool
	doubtful  []bool // by instrument: a mistake left its settings in doubt
	moved     bool   // the specimen has been laid down or lifted: it may be at ambient
}

// setting is what is known of a commanded quantity.
type setting struct {
	known bool
	state int
	value float64
}

// newWorld is the bench after every instrument was prepared.
func newWorld(r *rig.Rig) world {
	w := world{restS: make([]float64, len(r.Instruments)), stepK: make([]float64, len(r.Instruments)), everyNs: make([]int64, len(r.Channels)), wishNs: make([]int64, len(r.Channels)), doubtful: make([]bool, len(r.Instruments))}
	for _, d := range r.Instruments {
		set := make([]setting, len(d.Profile.Sets))
		for k, s := range d.Profile.Sets {
			set[k] = setting{s.HasDefault, s.DefaultState, s.DefaultValue}
		}
		w.settings = append(w.settings, set)
		w.degC, w.aimDegC = append(w.degC, r.AmbientDegC), append(w.aimDegC, r.AmbientDegC)
	}
	return w
}

func (w world) clone() world {
	c := w
	c.settings = make([][]setting, len(w.settings))
	for i, s := range w.settings {
		c.settings[i] = append([]setting(nil), s...)
	}
	c.degC = append([]float64(nil), w.degC...)
	c.restS = append([]float64(nil), w.restS...)
	c.stepK = append([]float64(nil), w.stepK...)
	c.aimDegC = append([]float64(nil), w.aimDegC...)
	c.everyNs = append([]int64(nil), w.everyNs...)
	c.wishNs = append([]int64(nil), w.wishNs...)
	c.doubtful = append([]bool(nil), w.doubtful...)
	return c
}

// either is what is known when it was reached by one of two ways.
func (w world) either(v world) world {
	c := w.clone()
	for i := range c.settings {
		for k := range c.settings[i] {
			if c.settings[i][k] != v.settings[i][k] {
				c.settings[i][k].known = false
			}
		}
		if c.degC[i] != v.degC[i] {
			c.degC[i] = math.NaN()
		}
		c.doubtful[i] = c.doubtful[i] || v.doubtful[i]
		if c.aimDegC[i] != v.aimDegC[i] {
			c.aimDegC[i] = math.NaN()
		}
		c.stepK[i] = max(c.stepK[i], v.stepK[i])
		c.restS[i] = min(c.restS[i], v.restS[i])
	}
	for i := range c.everyNs {
		c.everyNs[i] = max(c.everyNs[i], v.everyNs[i])
	}
	c.watts = max(c.watts, v.watts)
	c.confirmed = c.confirmed && v.confirmed
	c.moved = c.moved || v.moved
	return c
}

// holds tells whether a condition on a commanded state is known to hold, and
// whether it is known not to.
func (w world) holds(i int, need *rig.Condition) (yes, no bool) {
	if need == nil {
		return true, false
	}
	s := w.settings[i][need.Set]
	return s.known && s.state == need.State, s.known && s.state != need.State
}

// want is a commanded quantity that is to get a value or a state.
type want struct {
	value float64
	state int
}

// command brings an instrument to what is wanted, in the order its profile
// declares. What must be in another state meanwhile is taken there first and back
// afterwards, and what a command upsets is said again. States that are known to
// hold are left alone.
func (c *compiler) command(i int, wants map[int]want) []Setpoint {
	p := c.rig.Instruments[i].Profile
	now := c.world.settings[i]
	var out []Setpoint
	send := func(k int, w want) {
		out = append(out, c.setpoint(i, k, w))
		before := append([]setting(nil), now...)
		now[k] = setting{true, w.state, w.value}
		for _, u := range p.Sets[k].Upsets {
			fits, _ := c.world.holds(i, p.Sets[u].While)
			if _, asked := wants[u]; !asked && before[u].known && fits {
				wants[u] = want{before[u].value, before[u].state}
			}
			now[u].known = false
		}
	}
	for range len(p.Sets) + 1 { // an order that needs more rounds contradicts itself
		for k := range p.Sets {
			w, ok := wants[k]
			if !ok {
				continue
			}
			s := &p.Sets[k]
			same := now[k].known && now[k].state == w.state && now[k].value == w.value
			if same && len(s.States) > 0 {
				delete(wants, k)
				continue
			}
			if only := s.ChangesOnly; only != nil && !same {
				if yes, _ := c.world.holds(i, only); !yes {
					if _, asked := wants[only.Set]; !asked && now[only.Set].known {
						wants[only.Set] = want{state: now[only.Set].state}
					}
					send(only.Set, want{state: only.State})
				}
			}
			send(k, w)
			delete(wants, k)
		}
		if len(wants) == 0 {
			break
		}
	}
	c.noteHeat(i, out)
	return out
}

// setpoint is one command, in canonical units.
func (c *compiler) setpoint(i, k int, w want) Setpoint {
	d := c.rig.Instruments[i]
	s := d.Profile.Sets[k]
	if len(s.States) > 0 {
		return Setpoint{Instrument: d.Name, Quantity: s.Quantity, State: s.States[w.state]}
	}
	return Setpoint{Instrument: d.Name, Quantity: s.Quantity, Value: w.value, Unit: s.Unit.Dim.String()}
}

// noteHeat looks for heat in what is to be sent: none before the specimen is known.
func (c *compiler) noteHeat(i int, out []Setpoint) {
	p := c.rig.Instruments[i].Profile
	for _, s := range out {
		k := p.Set(s.Quantity)
		if s.Quantity != setHeat || !isIn(p.Sets[k].Energises, s.State) {
			continue
		}
		c.plan.Summary.Heats, c.heated[i] = true, true
		if !c.world.confirmed {
			c.heatsEarly()
		}
	}
}

func (c *compiler) heatsEarly() {
	c.wrong(c.at, "this heats before the specimen is confirmed").
		Hint("begin with - confirm: {specimen: " + c.specimen.ID + ", resistance within: 20 %}")
}
