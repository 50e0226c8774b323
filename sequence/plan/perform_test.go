package plan

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// performer goes through a plan as the run will, loops and all, on a bench that is
// nothing but what was commanded, and finds what could not work there.
type performer struct {
	p     *Plan
	r     *rig.Rig
	set   []map[int]Setpoint // by instrument and commanded quantity: what is known
	every map[string]int64
	found []string
	known bool // the specimen was confirmed
}

// perform performs every loop at most three times: what is different in a later
// pass shows in the second.
func perform(p *Plan, r *rig.Rig) []string {
	x := &performer{p: p, r: r, every: map[string]int64{}}
	for _, d := range r.Instruments {
		known := map[int]Setpoint{}
		for k, s := range d.Profile.Sets {
			if s.HasDefault && len(s.States) > 0 {
				known[k] = Setpoint{State: s.States[s.DefaultState]}
			} else if s.HasDefault {
				known[k] = Setpoint{Value: s.DefaultValue}
			}
		}
		x.set = append(x.set, known)
	}
	for _, q := range p.Polled {
		x.every[q.Channel] = q.EveryNs
	}
	passes := map[int]int64{}
	for i := 0; i < len(p.Actions); i++ {
		a := p.Actions[i]
		x.act(a)
		switch a.Op {
		case Loop:
			passes[i] = 0
		case Again:
			if passes[a.Jump]++; passes[a.Jump] < min(3, p.Actions[a.Jump].Count) {
				i = a.Jump
			}
		}
		if i > 0 || a.Op != Record { // the first one says what cannot be read yet
			x.readable(a)
		}
	}
	return x.found
}

func (x *performer) wrong(a Action, format string, args ...any) {
	x.found = append(x.found, fmt.Sprintf("%s %s: ", a.Step, a.Op)+fmt.Sprintf(format, args...))
}

func (x *performer) act(a Action) {
	switch a.Op {
	case Record:
		for _, q := range a.Polled {
			x.every[q.Channel] = q.EveryNs
		}
	case Sweep:
		i := x.r.Instrument(a.Setpoints[0].Instrument)
		p := x.r.Instruments[i].Profile
		if x.set[i][p.Set(setOutput)].State != stateOn || x.set[i][p.Set(setReverse)].State == stateOn {
			x.wrong(a, "a sweep with the output off, or with reversal")
		}
		if x.set[i][p.Set(setFunction)].State != a.Setpoints[0].Quantity {
			x.wrong(a, "sweeps a %s while it sources a %s", a.Setpoints[0].Quantity, x.set[i][p.Set(setFunction)].State)
		}
		x.set[i][p.Set(a.Setpoints[0].Quantity)] = Setpoint{Value: a.Values[len(a.Values)-1]}
		return
	}
	for _, s := range a.Setpoints {
		x.send(a, s)
		if a.Op == Set { // confirm pauses the readings by itself
			x.readable(a)
		}
	}
	if a.Op == Confirm {
		x.known = true
		x.send(a, Setpoint{Instrument: a.Confirm.Instrument, Quantity: setOutput, State: stateOff})
	}
}

// send does one command, in the order in which it comes.
func (x *performer) send(a Action, s Setpoint) {
	i := x.r.Instrument(s.Instrument)
	p := x.r.Instruments[i].Profile
	k := p.Set(s.Quantity)
	set := p.Sets[k]
	before, had := x.set[i][k]
	if w := set.While; w != nil && x.set[i][w.Set].State != p.Sets[w.Set].States[w.State] {
		x.wrong(a, "%s %s is set while %s is %q", s.Instrument, s.Quantity, p.Sets[w.Set].Quantity, x.set[i][w.Set].State)
	}
	changes := !had || before.State != s.State || before.Value != s.Value
	if o := set.ChangesOnly; o != nil && changes && x.set[i][o.Set].State != p.Sets[o.Set].States[o.State] {
		x.wrong(a, "%s %s changes while %s is %q", s.Instrument, s.Quantity, p.Sets[o.Set].Quantity, x.set[i][o.Set].State)
	}
	if s.Quantity == setHeat && s.State == stateOn && !x.known {
		x.wrong(a, "heat before the specimen is confirmed")
	}
	if s.Quantity == setOutput && s.State == stateOn {
		for j, need := range p.Sets {
			fits := need.While == nil || x.set[i][need.While.Set].State == p.Sets[need.While.Set].States[need.While.State]
			if _, ok := x.set[i][j]; !ok && fits {
				x.wrong(a, "output on while %s is not known", need.Quantity)
			}
		}
	}
	x.set[i][k] = s
	for _, u := range set.Upsets {
		delete(x.set[i], u)
	}
}

// readable finds channels that are read while their instrument cannot be.
func (x *performer) readable(a Action) {
	for _, ch := range x.r.Channels {
		need := x.r.Instruments[ch.Instrument].Profile.Queries[ch.Query].Needs
		if x.every[ch.Name] == 0 || need == nil {
			continue
		}
		if got := x.set[ch.Instrument][need.Set].State; got != x.r.Instruments[ch.Instrument].Profile.Sets[need.Set].States[need.State] {
			x.wrong(a, "%s is read while %s is %q", ch.Name, x.r.Instruments[ch.Instrument].Profile.Sets[need.Set].Quantity, got)
		}
	}
}

// pieces of protocols, with # for a small number.
var pieces = []string{
	"bring: {plate to: 2# degC, at most: 30 min}",
	"bring: {plate to: 3# degC, at most: 30 min, within: 1 K, then wait: # s}",
	"bring: {plate to: 40 degC, without waiting: true}",
	"ramp: {plate from: 30 degC, to: 35 degC, at: 1 K/min}",
	"bring: {plate to: 30 degC, at most: 30 min}",
	"hold: # s",
	"hold: {until: \"plate.temperature > 2# degC\", at most: # min, otherwise: go on}",
	"hold: {until: \"element.resistance > # kOhm\", at most: # min, otherwise: go on}",
	"source: {instrument: meter, current: # uA, compliance: 2 V, wires: 4, reverse: true}",
	"source: {instrument: meter, current: # uA, compliance: 1 V}",
	"source: {instrument: meter, voltage: 0.# V, compliance: 100 uA}",
	"source off: meter",
	"sweep: {instrument: meter, current: -# uA to # uA by # uA, read: element.voltage}",
	"sweep: {instrument: meter, voltage: [0 V, 0.# V], read: [element.voltage, element.current]}",
	"record: {element.resistance: # s}",
	"record: {plate.temperature: # s, foil.temperature: 2 s}",
	"mark: here",
	"lift: {to: air}",
	"place: {t0: {onset of: element.resistance}}",
	"place: {}",
	"ask: go on",
}

// TestPerform makes protocols at random from pieces. Most are wrong; whatever
// compiles must work when it is performed.
func TestPerform(t *testing.T) {
	r, s := bench(t, &yamltext.Mistakes{})
	draw := rand.New(rand.NewPCG(7, 7))
	good, loops := 0, 0
	for n := range 1500 {
		var b strings.Builder
		b.WriteString("format: 1\ntitle: random\nrecord: {plate.temperature: 1 s, element.resistance: 1 s}\nends: {at most: 3 d}\nsteps:\n")
		b.WriteString("  - confirm: {specimen: LC-07}\n  - source: {instrument: meter, current: 5 uA, compliance: 2 V}\n")
		random(&b, draw, "  ", 2)
		m := &yamltext.Mistakes{}
		p := Compile(yamltext.Parse("random.yaml", []byte(b.String()), m), r, s, Options{}, m)
		if m.Len() > 0 {
			continue
		}
		good++
		if strings.Contains(b.String(), "repeat") {
			loops++
		}
		if found := append(faults(p, r), perform(p, r)...); len(found) > 0 {
			t.Fatalf("number %d:\n%s\n%s", n, strings.Join(found, "\n"), b.String())
		}
	}
	if good < 500 || loops < 200 {
		t.Errorf("too few protocols were good enough to say anything: %d, %d of them with loops", good, loops)
	}
}

// random writes a few steps, with loops in them.
func random(b *strings.Builder, draw *rand.Rand, indent string, depth int) {
	for range 1 + draw.IntN(4) {
		if depth > 0 && draw.IntN(4) == 0 {
			fmt.Fprintf(b, "%s- repeat: {times: %d}\n%s  do:\n", indent, 1+draw.IntN(3), indent)
			random(b, draw, indent+"    ", depth-1)
			continue
		}
		piece := pieces[draw.IntN(len(pieces))]
		number := fmt.Sprint(1 + draw.IntN(8))
		fmt.Fprintf(b, "%s- %s\n", indent, strings.ReplaceAll(piece, "#", number))
	}
}
