package rig_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// The firmware of the virtual bench takes bytes apart by itself and knows no
// profile: what a profile says wrongly shows here.

type everything struct{}

func (everything) Allow(drivers.Setpoint) error { return nil }

func read(t *testing.T, name string, m *yamltext.Mistakes, change ...string) *yamltext.Document {
	t.Helper()
	text, err := os.ReadFile("../../examples/leaf-clip/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return yamltext.Parse(name, []byte(strings.NewReplacer(change...).Replace(string(text))), m)
}

// onVirtualBench runs a test on a rig with every profile that has a twin.
func onVirtualBench(t *testing.T, plate string, test func(c *clock.World, b *rig.Bench) error) {
	t.Helper()
	var m yamltext.Mistakes
	r := rig.Load(read(t, "rig.yaml", &m, "profile: namur-hotplate", "profile: "+plate,
		"channels:\n", "  dmm: {profile: scpi-multimeter, port: twin}\n  lift: {profile: specimen-lift, port: twin}\nchannels:\n  pt.temperature: {from: dmm.resistance, through: pt100}\n"), nil, &m)
	s := rig.LoadSpecimen(read(t, "specimen.yaml", &m), &m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	virtual, err := twin.New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	c := clock.Virtual(0)
	if err := c.Run(func() error {
		b, err := rig.Open(c, r, everything{}, rig.Opening{Attach: func(d rig.Description) (wire.Device, error) { return virtual.Device(d.Name), nil }}, clock.Second)
		if err != nil {
			return err
		}
		defer b.Close()
		return test(c, b)
	}); err != nil {
		t.Errorf("%s: %v", plate, err)
	}
}

// orders are the setpoints of a source step and of a bring step, in the order of the
// profiles.
var orders = map[string][]string{
	"plate": {"heat on", "temperature 40 degC"},
	"lift":  {"place air", "place plate"},
	"meter": {"function current", "compliance 2 V", "current 10 uA", "wires 4", "integration 1", "reverse on", "output on"},
}

// apply gives one instrument its orders, written as "quantity state" or "quantity
// value unit".
func apply(c *clock.World, b *rig.Bench, name string, orders ...string) error {
	i := b.Instruments[b.Rig.Instrument(name)]
	if err := i.Begin(c.Now() + clock.Second); err != nil {
		return err
	}
	defer i.End()
	for _, o := range orders {
		what, value, _ := strings.Cut(o, " ")
		s := drivers.Setpoint{Instrument: name, Quantity: what, State: value}
		p := b.Rig.Instruments[b.Rig.Instrument(name)].Profile
		if k := p.Set(what); k >= 0 && len(p.Sets[k].States) == 0 {
			q, err := quantity.Parse(value)
			if err != nil {
				return err
			}
			s.State, s.Value = "", q
		}
		if err := i.Apply(s, c.Now()+10*clock.Second); err != nil {
			return err
		}
	}
	return i.Watch(c.Now() + 10*clock.Second)
}

// all reads every channel of the bench once.
func all(c *clock.World, b *rig.Bench) (map[string]drivers.Reading, error) {
	found := map[string]drivers.Reading{}
	for k, i := range b.Instruments {
		if err := i.Begin(c.Now() + clock.Second); err != nil {
			return nil, err
		}
		for q := range b.Rig.Instruments[k].Profile.Queries {
			typical, worst := b.Rig.Instruments[k].Profile.QueryTime(q, rig.Settings{LineCycles: 1, Reverse: i.Name() == "meter"})
			began := c.Now()
			rs, err := i.Measure(q, nil, began+10*clock.Second)
			if err = errors.Join(err, i.Complaint()); err != nil {
				return nil, err
			}
			if took := c.Now() - began; took > worst || took < (typical-b.Rig.Instruments[k].Profile.Line.Pause)/3 {
				return nil, fmt.Errorf("%s: the query took %g s, expected about %g s and at most %g s", i.Name(), took.Seconds(), typical.Seconds(), worst.Seconds())
			}
			for _, r := range rs {
				found[b.Rig.Channels[r.Channel].Name] = r
			}
		}
		i.End()
	}
	return found, nil
}

func TestProfilesAgainstTheVirtualBench(t *testing.T) {
	for _, plate := range []string{"namur-hotplate", "namur-hotplate-echo"} {
		onVirtualBench(t, plate, func(c *clock.World, b *rig.Bench) error {
			for _, i := range b.Instruments {
				by := c.Now() + 10*clock.Second
				if err := i.Begin(by); err != nil {
					return err
				}
				if _, err := i.Identify(by); err != nil {
					return err
				}
				if err := i.Prepare(by); err != nil {
					return err
				}
				i.End()
			}
			for _, name := range []string{"plate", "lift", "meter"} {
				if err := apply(c, b, name, orders[name]...); err != nil {
					return err
				}
			}
			if err := c.Sleep(c.Now() + 5*clock.Second); err != nil {
				return err
			}
			found, err := all(c, b)
			if err != nil {
				return err
			}
			for name, want := range map[string]struct{ value, within float64 }{ // 18 degC, and warming; the film has 10 kOhm at 25 degC, B 1000 K
				"plate.temperature": {25, 7}, "pt.temperature": {18.5, 1}, "element.resistance": {10_800, 100}, "element.current": {1e-5, 1e-8}, "meter.compliance": {0, 0},
			} {
				if r := found[name]; r.Flag != drivers.Good || !(math.Abs(r.Value-want.value) <= want.within) {
					t.Errorf("%s: expected %g within %g, got %+v", name, want.value, want.within, r)
				}
			}
			return safeAgain(t, c, b)
		})
	}
}

// safeAgain sources a voltage too, then makes every instrument safe.
func safeAgain(t *testing.T, c *clock.World, b *rig.Bench) error {
	if err := apply(c, b, "meter", "output off", "function voltage", "compliance 1 mA", "voltage 200 mV", "output on"); err != nil {
		return err
	}
	found, err := all(c, b)
	if r := found["element.voltage"]; err != nil || r.Flag != drivers.Good || math.Abs(r.Value-0.2) > 1e-3 {
		t.Errorf("expected 0.2 V, got %+v, %v", r, err)
	}
	grades := map[string]drivers.Grade{"plate": drivers.Indirect, "meter": drivers.Direct, "dmm": drivers.Direct, "lift": drivers.Direct}
	if b.Rig.Instruments[0].Profile.Name == "namur-hotplate-echo" {
		grades["plate"] = drivers.Direct
	}
	for _, i := range b.Instruments {
		by := c.Now() + 5*clock.Second
		if err := i.Seize(by); err != nil {
			return err
		}
		if e, err := i.Safe(by); err != nil || e.Grade != grades[i.Name()] {
			t.Errorf("%s: expected it safe with %q evidence, got %+v, %v", i.Name(), grades[i.Name()], e, err)
		}
		i.End()
	}
	return nil
}
