package rig_test

import (
	"errors"
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

const stageRig = `format: 1
rig: bending bench
ambient: {temperature: 18 degC, cooling: none}
instruments:
  stage: {profile: gcode-stage, port: twin}
bending: {stage: stage, ends: clamped, free length: 50 mm, flat at: 0.2 mm, homing: harmless}
`

const stageSpecimen = `format: 1
specimen: B-1
film: {resistance: 10 kOhm, at: 25 degC, within: 20 %, B value: 1000 K, thickness: 10 um, modulus: 3 GPa}
layers: [{of: polyimide, thickness: 125 um, modulus: 2.5 GPa}]
bending: {film faces: out, current: along, bows: up}
limits: {strain: {below: 2 %}}
`

func loadStage(t *testing.T) (*rig.Rig, *twin.Bench) {
	t.Helper()
	var m yamltext.Mistakes
	r := rig.Load(yamltext.Parse("rig.yaml", []byte(stageRig), &m), nil, &m)
	s := rig.LoadSpecimen(yamltext.Parse("specimen.yaml", []byte(stageSpecimen), &m), &m)
	if m.Len() > 0 {
		m.Print(os.Stderr)
		t.Fatal(m.Err())
	}
	b, err := twin.New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	return r, b
}

// onStage runs a test on a virtual stage, whose port is taken and which is prepared.
func onStage(t *testing.T, test func(c *clock.World, i *rig.Instrument, v *twin.Bench) error) {
	t.Helper()
	r, v := loadStage(t)
	c := clock.Virtual(0)
	if err := c.Run(func() error {
		b, err := rig.Open(c, r, everything{}, rig.Opening{Attach: func(d rig.Description) (wire.Device, error) { return v.Device(d.Name), nil }}, clock.Second)
		if err != nil {
			return err
		}
		defer b.Close()
		i := b.Instruments[0]
		if err := errors.Join(i.Begin(clock.Second), identified(i, c.Now()+10*clock.Second), i.Prepare(c.Now()+10*clock.Second)); err != nil {
			return err
		}
		return test(c, i, v)
	}); err != nil {
		t.Error(err)
	}
}

func identified(i *rig.Instrument, by clock.Instant) error {
	_, err := i.Identify(by)
	return err
}

func to(text string) drivers.Setpoint {
	what, value, _ := strings.Cut(text, " ")
	s := drivers.Setpoint{Instrument: "stage", Quantity: what}
	if q, err := quantity.Parse(value); err == nil {
		s.Value = q
	} else {
		s.State = value
	}
	return s
}

// where reads state and position of the stage.
func where(i *rig.Instrument, c clock.Clock) (motion, positionM float64, flag drivers.Flag) {
	rs, err := i.Measure(0, nil, c.Now()+2*clock.Second)
	if err != nil || len(rs) != 2 {
		return -1, math.NaN(), drivers.Lost
	}
	return rs[0].Value, rs[1].Value, rs[1].Flag
}

// arrives asks until the stage says that it stands at a position.
func arrives(i *rig.Instrument, c clock.Clock, positionM float64, by clock.Instant) bool {
	for c.Now() < by {
		if motion, at, flag := where(i, c); flag == drivers.Good && motion == 0 && math.Abs(at-positionM) < 5e-6 {
			return true
		}
		if c.Sleep(c.Now()+50*clock.Millisecond) != nil {
			return false
		}
	}
	return false
}

const (
	stageStill = 0
	stageAlarm = 5
)

func TestStageHomesMovesAndStops(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		by := func() clock.Instant { return c.Now() + 100*clock.Second }
		if err := i.Apply(to("position 5 mm"), by()); err == nil || !strings.Contains(err.Error(), "only be set while reference is home") {
			t.Errorf("it moves without knowing where it is: %v", err)
		}
		if motion, _, _ := where(i, c); motion != stageAlarm {
			t.Errorf("a stage that was just switched on is in state %g", motion)
		}
		began := c.Now()
		if err := errors.Join(i.Apply(to("reference home"), by()), i.Apply(to("speed 600 mm/min"), by())); err != nil {
			return err
		}
		if took := c.Now() - began; took < 2*clock.Second {
			t.Errorf("homing took %g s", took.Seconds())
		}
		began = c.Now()
		if err := i.Apply(to("position 5.2 mm"), by()); err != nil {
			return err
		}
		if c.Now()-began > clock.Second/2 {
			t.Errorf("a command that is only queued took %g s", (c.Now() - began).Seconds())
		}
		if motion, at, _ := where(i, c); motion == stageStill || at > 5e-3 {
			t.Errorf("just queued, it is in state %g at %g m", motion, at)
		}
		if !arrives(i, c, 5.2e-3, c.Now()+2*clock.Second) {
			t.Error("it does not arrive")
		}
		// Six at once, and the making safe in the middle of them.
		var all []drivers.Setpoint
		for k := range 6 {
			all = append(all, to([]string{"position 0.2 mm", "position 20 mm"}[k%2]))
		}
		if err := i.Queue(all, by()); err != nil {
			return err
		}
		if err := i.Queue(append(all, all...), by()); err == nil {
			t.Error("more than it can take at once is queued")
		}
		if err := c.Sleep(c.Now() + clock.Second); err != nil {
			return err
		}
		if err := i.Seize(by()); err != nil {
			return err
		}
		began = c.Now()
		e, err := i.Safe(c.Now() + 5*clock.Second)
		if err != nil || e.Grade != drivers.Direct || v.World().Moving() || c.Now()-began > 4*clock.Second {
			t.Errorf("%+v, %v after %g s; moves %v", e, err, (c.Now() - began).Seconds(), v.World().Moving())
		}
		really, counted, _ := v.World().StageAt(c.Now())
		if really != counted {
			t.Errorf("stopped, it is at %g m and believes %g m: the position was lost", really, counted)
		}
		if err := i.Apply(to("position 1 mm"), by()); err == nil {
			t.Error("it moves after it was made safe, without a new reference")
		}
		return nil
	})
}

// It is made safe while it looks for its switch, and answers nothing.
func TestStageIsMadeSafeWhileHoming(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		c.Go("somebody", func() error {
			if err := c.Sleep(c.Now() + 2*clock.Second); err != nil {
				return err
			}
			if err := i.Seize(c.Now() + clock.Second); err != nil {
				t.Error(err)
				return nil
			}
			defer i.End()
			e, err := i.Safe(c.Now() + 5*clock.Second)
			if err != nil || e.Grade != drivers.Direct {
				t.Errorf("%+v, %v", e, err)
			}
			return nil
		})
		if err := i.Apply(to("reference home"), c.Now()+100*clock.Second); err == nil {
			t.Error("homing that was cut short counts as done")
		}
		i.End()
		return c.Sleep(c.Now() + 10*clock.Second)
	})
}

// Half a command to move stands on the line, as a process leaves it that dies while it
// writes: the stage must not be told to begin that before it is told to stop.
func TestStageIsStoppedInTheMiddleOfALine(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		by := c.Now() + 100*clock.Second
		err := errors.Join(i.Apply(to("reference home"), by), i.Apply(to("speed 3000 mm/min"), by), i.Apply(to("position 1 mm"), by), c.Sleep(c.Now()+clock.Second))
		if err != nil {
			return err
		}
		before, _, _ := v.World().StageAt(c.Now())
		v.Device("stage").Receive(c.Now(), []byte("G53 G1 X90.0000"))
		if err := i.Seize(by); err != nil {
			return err
		}
		e, err := i.Safe(c.Now() + 5*clock.Second)
		if after, _, _ := v.World().StageAt(c.Now()); err != nil || e.Grade != drivers.Direct || after != before {
			t.Errorf("%+v, %v: it was at %g m and is at %g m", e, err, before, after)
		}
		return nil
	})
}

func TestStageAlarms(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		by := func() clock.Instant { return c.Now() + 100*clock.Second }
		if err := i.Watch(by()); err != nil { // locked, as it is before it has found its switch
			t.Errorf("a stage that was just switched on is ill: %v", err)
		}
		err := errors.Join(i.Apply(to("reference home"), by()), i.Apply(to("speed 600 mm/min"), by()), i.Apply(to("position 9 mm"), by()), c.Sleep(c.Now()+clock.Second/4))
		if err != nil {
			return err
		}
		v.Device("stage").Receive(c.Now(), []byte{0x18})
		if err := c.Sleep(c.Now() + clock.Second); err != nil {
			return err
		}
		err = i.Watch(by())
		if found := (*rig.Finding)(nil); !errors.As(err, &found) || !strings.Contains(err.Error(), "locked itself") {
			t.Errorf("a locked stage is well: %v", err)
		}
		if err := errors.Join(i.Apply(to("reference home"), by()), i.Watch(by())); err != nil {
			return err
		}
		if err := i.Apply(to("position 5 mm"), by()); err == nil || !strings.Contains(err.Error(), "no speed was given") {
			t.Errorf("without a speed: %v", err)
		}
		if err := i.Apply(to("speed 600 mm/min"), by()); err != nil {
			return err
		}
		// Somebody resets it while it moves: the alarm shows in the next reading.
		if err := i.Apply(to("position 20 mm"), by()); err != nil {
			return err
		}
		v.Device("stage").Receive(c.Now(), []byte{0x18})
		if err := c.Sleep(c.Now() + clock.Second); err != nil {
			return err
		}
		if motion, _, _ := where(i, c); motion != stageAlarm {
			t.Errorf("reset while moving it is in state %g", motion)
		}
		if err := i.Apply(to("position 1 mm"), by()); err == nil || !strings.Contains(err.Error(), "its position is not known") {
			t.Errorf("it takes commands: %v", err)
		}
		return nil
	})
}

// The stage's travel is not known by its controller when somebody switches it off and
// on: what was homed before counts no more.
func TestStageSwitchedOffAndOn(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		by := c.Now() + 100*clock.Second
		if err := errors.Join(i.Apply(to("reference home"), by), i.Apply(to("speed 600 mm/min"), by)); err != nil {
			return err
		}
		if err := v.Reboot("stage"); err != nil {
			return err
		}
		if err := c.Sleep(c.Now() + clock.Second); err != nil {
			return err
		}
		var found *rig.Finding
		if err := i.Watch(by); !errors.As(err, &found) {
			t.Errorf("nothing is found: %v", err)
		}
		if err := i.Apply(to("position 5 mm"), by); err == nil || !strings.Contains(err.Error(), "while reference is home") {
			t.Errorf("it moves: %v", err)
		}
		return nil
	})
}

// A stage that has locked up hears nothing but a reset: making it safe is one.
func TestStageThatHasLockedUpIsMadeSafe(t *testing.T) {
	onStage(t, func(c *clock.World, i *rig.Instrument, v *twin.Bench) error {
		by := c.Now() + 100*clock.Second
		if err := i.Apply(to("reference home"), by); err != nil {
			return err
		}
		v.Device("stage").Receive(c.Now(), []byte("G1 X200 F100\n")) // somebody else
		if err := c.Sleep(c.Now() + clock.Second); err != nil {
			return err
		}
		if _, _, flag := where(i, c); flag == drivers.Good {
			t.Error("it answers: the test shows nothing")
		}
		if err := i.Seize(by); err != nil {
			return err
		}
		if e, err := i.Safe(c.Now() + 5*clock.Second); err != nil || e.Grade != drivers.Direct {
			t.Errorf("%+v, %v", e, err)
		}
		return nil
	})
}

// What nobody says how far to trust is named, and what is stated is not.
func TestUnstatedUncertainty(t *testing.T) {
	for _, c := range []struct {
		rig, specimen string // instead of the words in front of the arrow
		want          string
	}{
		{"", "", "travel, free length, thickness, modulus"},
		{"harmless => harmless, uncertainty of travel: 30 um", "", "free length, thickness, modulus"},
		{"harmless => harmless, uncertainty of travel: 30 um, uncertainty of free length: 0.2 mm", "up => up, uncertainty of thickness: 2 um", "modulus"},
		{"", "thickness: 125 um => thickness: 125 um, uncertainty of thickness: 2 um", "travel, free length, modulus"},
		{"", "modulus: 3 GPa => modulus: 3 GPa, uncertainty of modulus: 0.3 GPa", "travel, free length, thickness"},
		{"{stage: stage, ends: clamped, free length: 50 mm, flat at: 0.2 mm, homing: harmless} => {rods: [12 mm], free length: 50 mm}", "", "rods, thickness, modulus"},
		{"ends: clamped, free length: 50 mm, flat at: 0.2 mm => plates apart: 25 mm, open at: 0.2 mm, free length: 50 mm", "", "travel, thickness, modulus"},
	} {
		changed := func(text, change string) []byte {
			old, now, _ := strings.Cut(change, " => ")
			return []byte(strings.Replace(text, old, now, 1))
		}
		var m yamltext.Mistakes
		r := rig.Load(yamltext.Parse("rig.yaml", changed(stageRig, c.rig), &m), nil, &m)
		s := rig.LoadSpecimen(yamltext.Parse("specimen.yaml", changed(stageSpecimen, c.specimen), &m), &m)
		if m.Len() > 0 {
			t.Fatalf("%+v: %v", c, m.Err())
		}
		if got := strings.Join(r.Bending.Unstated(s), ", "); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
}
