package twin

import (
	"math"
	"testing"

	"dwell/drivers/clock"
)

// slowPlate is the plate of the reference values below.
func slowPlate() PlateModel {
	return PlateModel{GainKPerPercent: 2, TimeConstantS: 180, DeadTimeS: 20, ControllerS: 0.1, ClosedLoopS: 60, CutOutDegC: 250}
}

// A step of 20 % from 25 degC: gain, lag and dead time exactly, values computed
// independently from G(s) = K exp(-theta s)/(tau s + 1).
func TestPlateStep(t *testing.T) {
	p, err := newPlate(slowPlate(), 25, 1)
	if err != nil {
		t.Fatal(err)
	}
	var s PlateState
	want := map[int64]float64{200: 25, 1000: 39.352784463, 2000: 50.284822353, 6000: 63.405345287}
	t63, t90 := 0.0, 0.0
	for tick := range int64(6000) {
		p.heat(&s, tick, 20)
		degC := 25 + s.Excess
		if w, ok := want[tick+1]; ok {
			near(t, "step response", degC, w, 1e-8)
		}
		if t63 == 0 && degC >= 25+40*(1-1/math.E) {
			t63 = float64(tick+1) / 10
		}
		if t90 == 0 && degC >= 61 {
			t90 = float64(tick+1) / 10
		}
	}
	near(t, "t63", t63, 200, 0.11)
	near(t, "t90", t90, 434.465317, 0.1)
	near(t, "greatest rate in K/s", 100*p.gain*(1-p.decay)/0.1, 1.111, 1e-3)
}

// Values computed independently from the SIMC rules.
func TestSIMC(t *testing.T) {
	for _, c := range []struct{ closed, kc, ti float64 }{{20, 2.25, 160}, {60, 1.125, 180}} {
		kc, ti := simc(2, 180, 20, c.closed)
		near(t, "Kc", kc, c.kc, 1e-12)
		near(t, "Ti", ti, c.ti, 1e-12)
	}
}

// From 25 to 85 degC with the output clamped for a minute: no overshoot to speak
// of, and within 0.5 K for good after some 292 s. That time is of an independent
// simulation whose integral stops while clamped; ours follows the clamp.
func TestPlateController(t *testing.T) {
	p, err := newPlate(slowPlate(), 25, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := PlateState{On: true, TargetDegC: 85}
	arrived, greatest := 0.0, 0.0
	for tick := range int64(10_000) {
		p.step(&s, tick, &Faults{})
		degC := 25 + s.Excess
		if math.Abs(degC-85) > 0.5 {
			arrived = float64(tick+1) / 10
		}
		greatest = max(greatest, degC)
	}
	near(t, "within 0.5 K for good, s", arrived, 292.1, 3)
	near(t, "greatest temperature", greatest, 85, 0.01)
	near(t, "at rest", 25+s.Excess, 85, 0.01)
}

// The default plate: 5 K up within 0.1 K in well under two minutes, no overshoot;
// down no faster than the loss to ambient, with the heater off.
func TestDefaultPlateSteps(t *testing.T) {
	w := newTestWorld(t, func(s *Scene) { s.Plate.SensorNoiseK, s.Plate.SensorLimitK = 0, 0 })
	w.SetHeater(true)
	w.SetPlateTarget(20)
	w.Advance(600 * clock.Second)
	arrival := func(target float64) (arrived, beyond float64) {
		w.SetPlateTarget(target)
		start, from := w.Now(), w.PlateSurface()
		for w.Now()-start < 600*clock.Second {
			w.Advance(w.Now() + Grid)
			off := w.PlateSensor() - target
			if math.Abs(off) > 0.1 {
				arrived = (w.Now() - start).Seconds()
			}
			beyond = max(beyond, math.Copysign(off, off*(target-from)))
		}
		return arrived, beyond
	}
	for _, target := range []float64{25, 30, 35, 40, 35, 30, 25, 20} {
		arrived, beyond := arrival(target)
		t.Logf("%g degC: %.1f s", target, arrived)
		if arrived < 10 || arrived > 120 || target > 25 && arrived > 90 {
			t.Errorf("%g degC is reached after %g s", target, arrived)
		}
		if beyond > 0.02 {
			t.Errorf("%g degC is overshot by %g K", target, beyond)
		}
	}
}

func TestPlateCoolsByLossOnly(t *testing.T) {
	w := newTestWorld(t, nil)
	w.SetHeater(true)
	w.SetPlateTarget(60)
	w.Advance(1000 * clock.Second)
	w.SetPlateTarget(-50)
	w.Advance(1005 * clock.Second) // the dead time is over
	hot := w.PlateSurface() - 18
	w.Advance(1085 * clock.Second)
	near(t, "after one time constant", (w.PlateSurface()-18)/hot, math.Exp(-1), 1e-3)
	if w.Heating() || !w.HeaterOn() {
		t.Errorf("heating %v, switched on %v, expected an idle heater that is on", w.Heating(), w.HeaterOn())
	}
	w.Advance(3 * clock.Hour)
	near(t, "at rest", w.PlateSurface(), 18, 1e-6)
}

func TestHeaterObeysAtOnce(t *testing.T) {
	w := newTestWorld(t, nil)
	w.SetHeater(true)
	w.SetPlateTarget(80)
	w.Advance(10 * clock.Second)
	if w.HeaterPercent() != 100 {
		t.Fatalf("60 K below its target the heater is at %g %%", w.HeaterPercent())
	}
	w.SetHeater(false)
	if w.Heating() {
		t.Error("switched off, the heater has power")
	}
}

// A welded relay heats whatever is commanded, until the over-temperature circuit
// opens; and that stays open until a person closes it.
func TestWeldedRelay(t *testing.T) {
	w := newTestWorld(t, nil)
	w.Advance(10 * clock.Second)
	w.SetFaults(Faults{RelayWelded: true})
	w.Advance(60 * clock.Second)
	if w.HeaterOn() || w.HeaterPercent() != 100 || w.PlateSurface() < 70 {
		t.Fatalf("welded: on %v, %g %%, %g degC", w.HeaterOn(), w.HeaterPercent(), w.PlateSurface())
	}
	w.Advance(300 * clock.Second)
	if !w.CutOut() || w.Heating() {
		t.Fatalf("over the limit: cut out %v, heating %v", w.CutOut(), w.Heating())
	}
	highest := 0.0
	x := w.Clone()
	for at := w.Now(); at < 400*clock.Second; at += Grid {
		x.Advance(at)
		highest = max(highest, x.PlateSurface())
	}
	if highest > 125 {
		t.Errorf("the plate reached %g degC behind a cut-out at 120 degC and 2 s of dead time", highest)
	}
	w.Advance(1 * clock.Hour)
	near(t, "an hour behind the open cut-out", w.PlateSurface(), 18, 0.01)
	w.SetFaults(Faults{})
	w.CloseCutOut()
	w.SetHeater(true)
	w.SetPlateTarget(40)
	w.Advance(2 * clock.Hour)
	near(t, "mended", w.PlateSurface(), 40, 0.6)
}

// The plate regulates what its sensor says; the surface is off by the sensor's
// error, which its declared accuracy bounds.
func TestPlateSensorErrors(t *testing.T) {
	square, greatest := 0.0, 0.0
	const seeds = 200
	for seed := range uint64(seeds) {
		w := newTestWorld(t, func(s *Scene) { s.Seed = seed })
		w.SetHeater(true)
		w.SetPlateTarget(40)
		w.Advance(400 * clock.Second)
		near(t, "the sensor", w.PlateSensor(), 40, 0.06)
		off := w.PlateSurface() - 40
		square += off * off / seeds
		greatest = max(greatest, math.Abs(off))
	}
	near(t, "standard deviation of the surface", math.Sqrt(square), 0.5/math.Sqrt(3), 0.04)
	if greatest > 0.5+0.05 {
		t.Errorf("an error of %g K is outside the declared 0.5 K", greatest)
	}
}

func TestPlateRefuses(t *testing.T) {
	for _, change := range []func(*PlateModel){
		func(m *PlateModel) { m.GainKPerPercent = 0 },
		func(m *PlateModel) { m.TimeConstantS = -1 },
		func(m *PlateModel) { m.DeadTimeS = 25.6 },
		func(m *PlateModel) { m.DeadTimeS = -1 },
		func(m *PlateModel) { m.ControllerS = 0.01 },
		func(m *PlateModel) { m.ClosedLoopS = math.NaN() },
		func(m *PlateModel) { m.SensorNoiseK = -1 },
	} {
		s := Default()
		change(&s.Plate)
		if _, err := NewWorld(s); err == nil {
			t.Errorf("accepted %+v", s.Plate)
		}
	}
}
