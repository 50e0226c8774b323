package twin

import (
	"errors"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"

	"github.com/creack/pty"
)

type anything struct{}

func (anything) Allow(drivers.Setpoint) error { return nil }

func metres(v float64) drivers.Setpoint {
	m, _ := quantity.LookUp("m")
	return drivers.Setpoint{Instrument: "stage", Quantity: "position", Value: quantity.Quantity{Value: v, Unit: m}}
}

// The stage behind a pseudo terminal, driven by its profile: it looks for its switch
// without a word, queues before it moves, arrives, and stops in the middle of a motion.
func TestStageOverAPTY(t *testing.T) {
	near, far, err := pty.Open()
	if err != nil {
		t.Skipf("no PTY here: %v", err)
	}
	var m yamltext.Mistakes
	r := rig.Load(yamltext.Parse("rig.yaml", []byte("format: 1\nrig: b\nambient: {temperature: 18 degC, cooling: none}\n"+
		"instruments:\n  stage: {profile: gcode-stage, port: \"serial:"+far.Name()+"\"}\n"), &m), nil, &m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	v, c := aStage(t), clock.Wall(0)
	if err := c.Run(func() error {
		defer far.Close()
		c.Go("stage", func() error { Serve(c, v.Device("stage"), near, line115200); return nil })
		c.Go("bench", func() error { return v.Live(c) })
		by := c.Now() + 30*clock.Second
		b, err := rig.Open(c, r, anything{}, rig.Opening{}, by)
		if err != nil {
			return err
		}
		defer b.Close()
		return driveStage(t, c, b.Instruments[0], v, by)
	}); err != nil {
		t.Error(err)
	}
}

func driveStage(t *testing.T, c clock.Clock, i *rig.Instrument, v *Bench, by clock.Instant) error {
	if err := i.Begin(by); err != nil {
		return err
	}
	defer i.End()
	speed, _ := quantity.Parse("3000 mm/min")
	_, err := i.Identify(by)
	if err = errors.Join(err, i.Prepare(by), i.Apply(drivers.Setpoint{Instrument: "stage", Quantity: "reference", State: "home"}, by),
		i.Apply(drivers.Setpoint{Instrument: "stage", Quantity: "speed", Value: speed}, by), i.Apply(metres(20e-3), by)); err != nil {
		return err
	}
	var rs []drivers.Reading
	for arrived := false; !arrived && c.Now() < by; arrived = rs[0].Value == 0 && rs[1].Value == 20e-3 {
		if rs, err = i.Measure(0, rs[:0], by); err != nil || len(rs) != 2 {
			return errors.Join(err, errors.New("no report"))
		}
		if rs[0].Value == 0 && rs[1].Value != 20e-3 {
			t.Errorf("it stands at %g m, on its way to 20 mm", rs[1].Value)
		}
	}
	if c.Now() >= by {
		t.Error("it does not arrive")
	}
	if err := errors.Join(i.Apply(metres(90e-3), by), i.Seize(by)); err != nil {
		return err
	}
	e, err := i.Safe(by)
	if really, counted, _ := v.World().StageAt(v.World().Now()); err != nil || e.Grade != drivers.Direct || v.World().Moving() || really != counted || really > 89e-3 {
		t.Errorf("%+v, %v: it is at %g m, believes %g m", e, err, really, counted)
	}
	return nil
}
