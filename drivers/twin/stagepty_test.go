package twin

import (
	"errors"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
)

type anything struct{}

func (anything) Allow(drivers.Setpoint) error { return nil }

func metres(v float64) drivers.Setpoint {
	m, _ := quantity.LookUp("m")
	return drivers.Setpoint{Instrument: "stage", Quantity: "position", Value: quantity.Quantity{Value: v, Unit: m}}
}

// The stage behind a pseudo terminal, driven by its profile, stops in the middle of a
// motion, and its position stays known.
func TestStageOverAPTY(t *testing.T) {
	v := aStage(t)
	onPTY(t, "gcode-stage", v.Device("stage"), v.Live, func(c clock.Clock, i *rig.Instrument, by clock.Instant) error { return driveStage(t, i, v, by) })
}

func driveStage(t *testing.T, i *rig.Instrument, v *Bench, by clock.Instant) error {
	speed, _ := quantity.Parse("3000 mm/min")
	if err := errors.Join(i.Apply(drivers.Setpoint{Instrument: "stage", Quantity: "reference", State: "home"}, by),
		i.Apply(drivers.Setpoint{Instrument: "stage", Quantity: "speed", Value: speed}, by), i.Apply(metres(90e-3), by), i.Seize(by)); err != nil {
		return err
	}
	e, err := i.Safe(by)
	if really, counted, _ := v.World().StageAt(v.World().Now()); err != nil || e.Grade != drivers.Direct || v.World().Moving() || really != counted || really > 89e-3 {
		t.Errorf("%+v, %v: it is at %g m, believes %g m", e, err, really, counted)
	}
	return nil
}
