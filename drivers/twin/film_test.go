package twin

import (
	"math"
	"testing"

	"dwell/drivers/clock"
)

// quiet takes away what makes a reading of the film uncertain, but Johnson noise.
func quiet(s *Scene) {
	s.Film.Flicker, s.Film.DriftPerHour, s.Film.EMFVPerK = 0, 0, 0
	s.Plate.SensorNoiseK, s.Plate.SensorLimitK = 0, 0
}

// The four ways a source can stand, both signs, on 1 kOhm with 1 mV in series.
func TestSourceAndCompliance(t *testing.T) {
	for _, c := range []struct {
		source Source
		want   Electrical
	}{
		{Source{Mode: SourceCurrent, Level: 1e-3, Compliance: 2}, Electrical{1.001, 1e-3, false}},
		{Source{Mode: SourceCurrent, Level: -1e-3, Compliance: 2}, Electrical{-0.999, -1e-3, false}},
		{Source{Mode: SourceCurrent, Level: 1e-3, Compliance: 0.5}, Electrical{0.5, 0.499e-3, true}},
		{Source{Mode: SourceCurrent, Level: -1e-3, Compliance: 0.5}, Electrical{-0.5, -0.501e-3, true}},
		{Source{Mode: SourceVoltage, Level: 1, Compliance: 2e-3}, Electrical{1, 0.999e-3, false}},
		{Source{Mode: SourceVoltage, Level: -1, Compliance: 2e-3}, Electrical{-1, -1.001e-3, false}},
		{Source{Mode: SourceVoltage, Level: 1, Compliance: 0.5e-3}, Electrical{0.501, 0.5e-3, true}},
		{Source{Mode: SourceVoltage, Level: -1, Compliance: 0.5e-3}, Electrical{-0.499, -0.5e-3, true}},
		{Source{Mode: SourceVoltage, Level: 1, Compliance: 0}, Electrical{0.001, 0, true}},
		{Source{}, Electrical{}},
	} {
		got := c.source.solve(1000, 1e-3)
		near(t, "volts", got.Volts, c.want.Volts, 1e-15)
		near(t, "amps", got.Amps, c.want.Amps, 1e-15)
		if got.InCompliance != c.want.InCompliance {
			t.Errorf("%+v: in compliance %v", c.source, got.InCompliance)
		}
	}
}

// Current reversal: 1003.155 Ohm and 6 uV at 100 uA give the two voltages of a
// worked example, from which the resistance comes back without the 6 uV.
func TestReversalCancelsThermalVoltage(t *testing.T) {
	source := Source{Mode: SourceCurrent, Level: 100e-6, Compliance: 2}
	plus := source.solve(1003.155, 6e-6).Volts
	source.Level = -source.Level
	minus := source.solve(1003.155, 6e-6).Volts
	near(t, "V+", plus, 0.1003215, 1e-12)
	near(t, "V-", minus, -0.1003095, 1e-12)
	near(t, "R", (plus-minus)/(2*100e-6), 1003.155, 1e-9)
}

func TestWiresAndFaults(t *testing.T) {
	w := newTestWorld(t, quiet)
	read := func(s Source, f Faults) Electrical {
		w.SetSource(s)
		w.SetFaults(f)
		return w.Electrical(0, clock.Second)
	}
	film := 10_000 * math.Exp(1020*(1/291.15-1/298.15)) // at the ambient of 18 degC
	four := Source{Mode: SourceCurrent, Level: 10e-6, Compliance: 2, FourWire: true}
	two := Source{Mode: SourceCurrent, Level: 10e-6, Compliance: 2}
	near(t, "four wires", read(four, Faults{}).Volts/10e-6, film, 0.05)
	near(t, "two wires", read(two, Faults{}).Volts/10e-6, film+31, 0.05)
	open := read(four, Faults{FilmOpen: true})
	if !open.InCompliance || open.Volts != 2 || open.Amps > 1e-11 {
		t.Errorf("an open film: %+v", open)
	}
	near(t, "a bridged film, four wires", read(four, Faults{FilmShort: true}).Volts/10e-6, 0.01, 1e-9)
	near(t, "a bridged film, two wires", read(two, Faults{FilmShort: true}).Volts/10e-6, 31.01, 1e-9)
	held := read(Source{Mode: SourceVoltage, Level: 5, Compliance: 1e-3}, Faults{FilmShort: true})
	if !held.InCompliance || held.Amps != 1e-3 {
		t.Errorf("5 V on a bridged film: %+v", held)
	}
	if off := read(Source{}, Faults{}); off != (Electrical{}) {
		t.Errorf("no source: %+v", off)
	}
}

// Noise floors sqrt(4 k T R B) computed independently from the exact constant.
func TestJohnsonFloor(t *testing.T) {
	for _, c := range []struct{ ohm, degC, t_s, want float64 }{
		{10_000, 25, 0.5, 1.283184319e-8},    // B = 1 Hz
		{10_000, 25, 0.5e-4, 1.283184319e-6}, // B = 10 kHz
		{1000, 25, 0.5, 4.057785107e-9},
		{1e6, 26.85, 0.5, 1.287159198e-7},
	} {
		near(t, "noise over its floor", johnsonVolts(c.ohm, c.degC, c.t_s)/c.want, 1, 1e-9)
	}
}

// The variance of readings at rest is 4 k T R / (2 t), whatever is held.
func TestJohnsonVariance(t *testing.T) {
	const n = 40_000
	w := newTestWorld(t, quiet)
	ohm := w.film.ohm(18, Faults{})
	for _, integration := range []clock.Instant{2 * clock.Millisecond, 20 * clock.Millisecond} {
		for _, source := range []Source{
			{Mode: SourceCurrent, Level: 1e-9, Compliance: 2, FourWire: true}, // too little to warm the film
			{Mode: SourceVoltage, Level: 1e-5, Compliance: 1e-3, FourWire: true},
		} {
			w.SetSource(source)
			square, start := 0.0, w.Now()
			for i := range clock.Instant(n) {
				e := w.Electrical(start+(i+1)*integration, integration)
				noise := e.Volts - e.Amps*ohm
				square += noise * noise / n
			}
			want := 4 * 1.380649e-23 * 291.15 * ohm / (2 * integration.Seconds())
			near(t, "variance over 4kTR/2t", square/want, 1, 5*math.Sqrt(2./n))
		}
	}
}

// Noise is one value an integration time, however often it is asked.
func TestAskingMoreOftenAveragesNothing(t *testing.T) {
	w := newTestWorld(t, quiet)
	w.SetSource(Source{Mode: SourceCurrent, Level: 1e-9, Compliance: 2, FourWire: true})
	first := w.Electrical(100*clock.Millisecond, 20*clock.Millisecond)
	for i := range clock.Instant(19) {
		again := w.Electrical(100*clock.Millisecond+i*clock.Millisecond, 20*clock.Millisecond)
		near(t, "the same integration", again.Volts, first.Volts, 1e-15)
	}
	if next := w.Electrical(120*clock.Millisecond, 20*clock.Millisecond); math.Abs(next.Volts-first.Volts) < 1e-10 {
		t.Error("the next integration has the same noise") // 64 nV are usual
	}
}

func TestDriftAndThermalVoltage(t *testing.T) {
	w := newTestWorld(t, func(s *Scene) { quiet(s); s.Film.DriftPerHour = 20e-6 })
	w.SetSource(Source{Mode: SourceCurrent, Level: 10e-6, Compliance: 2, FourWire: true})
	start := w.Electrical(clock.Second, clock.Second).Volts
	near(t, "drift over ten hours", w.Electrical(10*clock.Hour, clock.Second).Volts/start-1, 200e-6, 5e-6)

	w = newTestWorld(t, func(s *Scene) { quiet(s); s.Film.EMFVPerK = 2e-6 })
	w.SetHeater(true)
	w.SetPlateTarget(68)
	w.Advance(1000 * clock.Second)
	w.SetSource(Source{Mode: SourceVoltage, Level: 0, Compliance: 1, FourWire: true})
	ohm := w.film.ohm(w.FilmTemperature(), Faults{})
	near(t, "thermal voltage", -w.Electrical(1000*clock.Second, clock.Second).Amps*ohm, 2e-6*(w.FilmTemperature()-18), 5e-8)
}

// 1 mW over 1 cm2, against thermal resistances in series; and ten times less when
// the source is on for a tenth of the time, however short.
func TestSelfHeating(t *testing.T) {
	on := func(w *World) {
		w.SetSource(Source{Mode: SourceVoltage, Level: 3.2, Compliance: 1, FourWire: true})
	}
	steady := newTestWorld(t, quiet)
	on(steady)
	steady.Advance(600 * clock.Second)
	rise := steady.FilmTemperature() - 18
	watts := 3.2 * 3.2 / steady.film.ohm(steady.FilmTemperature(), Faults{})
	down := 1 / (1./67 + 1e-3/1.4 + 1./500 + 125e-6/.12)
	want := watts / 1e-4 / (down + 5)
	near(t, "rise over that of resistances in series", rise/want, 1, 1e-6)
	if rise < 0.1 {
		t.Fatalf("a rise of %g K tests nothing", rise)
	}
	w := newTestWorld(t, quiet)
	for w.Now() < 600*clock.Second {
		on(w)
		w.Advance(w.Now() + 5*clock.Millisecond)
		w.SetSource(Source{})
		w.Advance(w.Now() + 45*clock.Millisecond)
	}
	near(t, "rise by pulses of a tenth", (w.FilmTemperature()-18)/rise, 0.1, 0.003)
}

// The film gets its own share of the power: contacts and leads warm elsewhere.
func TestPowerIntoTheFilm(t *testing.T) {
	f := newTestWorld(t, nil).film
	ohm := f.ohm(18, Faults{})
	for _, c := range []struct {
		source Source
		want   float64
	}{
		{Source{Mode: SourceCurrent, Level: -1e-3, Compliance: 20}, 1e-6 * ohm},
		{Source{Mode: SourceVoltage, Level: 10, Compliance: 1}, 100 * ohm / ((ohm + 31) * (ohm + 31))},
		{Source{Mode: SourceVoltage, Level: 10, Compliance: 1, FourWire: true}, 100 / ohm},
		{Source{Mode: SourceVoltage, Level: 10, Compliance: 1e-4}, 1e-8 * ohm},
		{Source{}, 0},
	} {
		near(t, "power in W", f.watts(c.source, 18, 1, Faults{}), c.want, 1e-15)
	}
}

// A film that breaks in the middle of a tick has had power for half of it.
func TestPowerUntilTheFault(t *testing.T) {
	var rise [2]float64
	for i, faults := range []Faults{{}, {FilmOpen: true}} {
		w := newTestWorld(t, quiet)
		w.SetSource(Source{Mode: SourceVoltage, Level: 3.2, Compliance: 1, FourWire: true})
		w.Advance(Grid / 2)
		w.SetFaults(faults)
		w.Advance(Grid)
		rise[i] = w.FilmTemperature() - 18
	}
	near(t, "rise over that of the whole tick", rise[1]/rise[0], 0.5, 1e-3)
}

func TestFilmRefuses(t *testing.T) {
	for _, change := range []func(*Scene){
		func(s *Scene) { s.Film.R25Ohm = 0 },
		func(s *Scene) { s.Film.HeatedAreaM2 = 0 },
		func(s *Scene) { s.Film.ContactOhm = math.NaN() },
		func(s *Scene) { s.ContactWPerM2K = 0 },
		func(s *Scene) { s.BlockWPerM2K = math.NaN() },
		func(s *Scene) { s.Layers = nil },
		func(s *Scene) { s.Start = 9 },
	} {
		s := Default()
		change(&s)
		if _, err := NewWorld(s); err == nil {
			t.Errorf("accepted %+v", s)
		}
	}
}
