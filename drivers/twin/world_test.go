package twin

import (
	"encoding/json"
	"math"
	"testing"

	"dwell/drivers/clock"
)

func newTestWorld(t testing.TB, change func(*Scene)) *World {
	t.Helper()
	s := Default()
	if change != nil {
		change(&s)
	}
	w, err := NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// fourWire is a harmless current through the film.
var fourWire = Source{Mode: SourceCurrent, Level: 10e-6, Compliance: 2, FourWire: true}

// reading is everything that can be asked at one instant.
type reading struct {
	electrical                           Electrical
	plate, surface, film, foil, foilOhms float64
	heater                               float64
}

func readAll(w *World, at clock.Instant) reading {
	e := w.Electrical(at, 20*clock.Millisecond)
	degC, ohm := w.FoilThermometer()
	return reading{e, w.PlateSensor(), w.PlateSurface(), w.FilmTemperature(), degC, ohm, w.HeaterPercent()}
}

// handle does to the bench what stands in its script between two instants.
func handle(w *World, from, to clock.Instant) {
	for _, action := range []struct {
		at clock.Instant
		do func()
	}{
		{0, func() { w.SetHeater(true); w.SetPlateTarget(30) }},
		{0, func() { w.SetSource(fourWire) }},
		{40 * clock.Second, func() { w.Move(StillAir) }},
		{50*clock.Second + 33*clock.Millisecond, func() { w.SetPlateTarget(45) }},
		{70*clock.Second + 71*clock.Millisecond, func() { w.Move(OnPlate) }},
		{90*clock.Second + 999, func() { w.SetSource(Source{Mode: SourceVoltage, Level: 3, Compliance: 1e-3}) }},
		{130*clock.Second + 50*clock.Millisecond, func() { w.Move(ColdBlock) }},
		{150 * clock.Second, func() { w.SetHeater(false) }},
	} {
		if action.at >= from && action.at < to {
			w.Advance(action.at)
			action.do()
		}
	}
}

// Asked at other moments, or not at all, the world is the same to the last bit.
func TestAskingChangesNothing(t *testing.T) {
	instants := []clock.Instant{12 * clock.Second, 40050 * clock.Millisecond, 70100 * clock.Millisecond, 91 * clock.Second,
		130049 * clock.Millisecond, 130051 * clock.Millisecond, 200 * clock.Second}
	run := func(ask func(w *World, at clock.Instant)) (got []reading) {
		w := newTestWorld(t, nil)
		last := clock.Instant(0)
		for _, at := range instants {
			for step := last; step < at; step += 10 * clock.Millisecond {
				next := min(step+10*clock.Millisecond, at)
				handle(w, step, next)
				if ask != nil {
					ask(w, next)
				}
			}
			last = at
			got = append(got, readAll(w, at))
		}
		return got
	}
	calm := run(nil)
	curious := run(func(w *World, at clock.Instant) {
		w.Advance(at)
		readAll(w, at)
		readAll(w, at-3)
		w.Electrical(at, clock.Second)
		w.Advance(at - clock.Second)
		if w.Now() != at {
			t.Fatalf("at %d ns the world went back to %d ns", at, w.Now())
		}
	})
	for i := range calm {
		if calm[i] != curious[i] {
			t.Errorf("at %g s: %+v, and asked more often %+v", instants[i].Seconds(), calm[i], curious[i])
		}
	}
}

// A copy goes on as the original does, and neither disturbs the other. So does a
// state that was written down and read again.
func TestCopiesGoOn(t *testing.T) {
	w := newTestWorld(t, nil)
	handle(w, 0, 60*clock.Second)
	w.Advance(60*clock.Second + 7)
	text, err := json.Marshal(w.State())
	if err != nil {
		t.Fatal(err)
	}
	var written State
	if err := json.Unmarshal(text, &written); err != nil {
		t.Fatal(err)
	}
	resumed, err := Resume(Default(), written)
	if err != nil {
		t.Fatal(err)
	}
	clone := w.Clone()
	strayed := w.Clone()
	strayed.Move(ColdBlock)
	strayed.SetFaults(Faults{RelayWelded: true, FilmOpen: true})
	strayed.Advance(300 * clock.Second)
	for _, x := range []*World{w, clone, resumed} {
		handle(x, 60*clock.Second+7, 200*clock.Second)
	}
	for at := 200 * clock.Second; at < 210*clock.Second; at += 130 * clock.Millisecond {
		want := readAll(w, at)
		if got := readAll(clone, at); got != want {
			t.Fatalf("at %g s the copy reads %+v, the original %+v", at.Seconds(), got, want)
		}
		if got := readAll(resumed, at); got != want {
			t.Fatalf("at %g s the one resumed reads %+v, the original %+v", at.Seconds(), got, want)
		}
	}
}

// The same bits on every processor, for one version of the model. Taken from this code on
// amd64. Whoever changes the physics gives them a new version here and in Version.
func TestGoldenRun(t *testing.T) {
	w := newTestWorld(t, nil)
	var sum uint64
	for at := clock.Instant(0); at < 250*clock.Second; at += 50 * clock.Millisecond {
		handle(w, at, at+50*clock.Millisecond)
		r := readAll(w, at+50*clock.Millisecond)
		for _, x := range []float64{r.electrical.Volts, r.electrical.Amps, r.plate, r.surface, r.film, r.foil, r.foilOhms, r.heater} {
			sum = sum*31 + math.Float64bits(x)
		}
	}
	sums := map[int]uint64{1: 0x593924ff6ca052ab, 2: 0x593924ff6ca052ab} // 2 is about what the plate shows of a probe
	if sum != sums[Version] {
		t.Errorf("the run has the sum %#x, expected %#x for version %d of the model", sum, sums[Version], Version)
	}
}

// passes returns the seconds from now until the film has gone a share of its way
// to where it will be at rest.
func passes(w *World, share float64) float64 {
	ahead := w.Clone()
	ahead.Advance(w.Now() + 3000*clock.Second)
	start, end := w.FilmTemperature(), ahead.FilmTemperature()
	from := w.Now()
	for (w.FilmTemperature()-start)/(end-start) < share {
		w.Advance(w.Now() + 10*clock.Millisecond)
	}
	return (w.Now() - from).Seconds()
}

// A film laid on a plate at 30 degC from a room at 20 degC, and taken off again.
// About 70 s and 40 s are common practice for a bare film on a glass slide, no
// source; still air takes 2 to 4 minutes. The bands are 10 % of the first two.
func TestResponseAndRecovery(t *testing.T) {
	w := newTestWorld(t, func(s *Scene) { quiet(s); s.AmbientDegC, s.BlockDegC, s.Start = 20, 20, StillAir })
	w.SetHeater(true)
	w.SetPlateTarget(30)
	w.Advance(1000*clock.Second + 37*clock.Millisecond)
	w.Move(OnPlate)
	response := passes(w, 0.9)
	near(t, "response t90 in s", response, 70, 7)
	w.Advance(3000 * clock.Second)
	// The film stays below its plate by what it loses upwards, resistances in series.
	down := 1 / (1./67 + 1e-3/1.4 + 1./500 + 125e-6/.12)
	near(t, "film on the plate", w.FilmTemperature(), (down*30+5*20)/(down+5), 1e-6)
	var recovery [ColdBlock + 1]float64
	for place := StillAir; place <= ColdBlock; place++ {
		lifted := w.Clone()
		lifted.Move(place)
		recovery[place] = passes(lifted, 0.9)
	}
	t.Logf("response %.2f s, recovery in still air %.2f s, in moving air %.2f s, on the block %.2f s",
		response, recovery[StillAir], recovery[MovingAir], recovery[ColdBlock])
	near(t, "recovery t90 on the block in s", recovery[ColdBlock], 40, 4)
	near(t, "recovery t90 in moving air in s", recovery[MovingAir], 40, 4)
	near(t, "recovery t90 in still air in s", recovery[StillAir], 180, 60)
}

// The default grid is fine enough: finer layers move t90 by less than 0.1 %.
func TestDefaultGridIsFine(t *testing.T) {
	var t90 [2]float64
	for i, cells := range []int{1, 6} {
		w := newTestWorld(t, func(s *Scene) {
			quiet(s)
			s.Start = StillAir
			for j := range s.Layers {
				s.Layers[j].Cells *= cells
			}
		})
		w.SetHeater(true)
		w.SetPlateTarget(30)
		w.Advance(1000 * clock.Second)
		w.Move(OnPlate)
		t90[i] = passes(w, 0.9)
	}
	near(t, "t90 over that of a finer grid", t90[0]/t90[1], 1, 1e-3)
}

// Each place has its own surroundings, at rest.
func TestPlaces(t *testing.T) {
	for place, want := range map[Place]float64{StillAir: 18, MovingAir: 18, ColdBlock: 5} {
		w := newTestWorld(t, func(s *Scene) { quiet(s); s.BlockDegC = 5 })
		w.SetHeater(true)
		w.SetPlateTarget(60)
		w.Advance(600 * clock.Second)
		w.Move(place)
		if w.Where() != place || w.FilmTemperature() < 50 {
			t.Errorf("just moved, the film is at %g degC %s", w.FilmTemperature(), w.Where())
		}
		w.Advance(1 * clock.Hour)
		near(t, "film "+place.String(), w.FilmTemperature(), want, 1e-6)
	}
}

// Handling between two ticks counts from its own moment, not from a tick.
func TestHandlingBetweenTicks(t *testing.T) {
	var after [3]float64
	for i, late := range []clock.Instant{0, 50 * clock.Millisecond, 100 * clock.Millisecond} {
		w := newTestWorld(t, func(s *Scene) { quiet(s); s.Start = StillAir })
		w.SetHeater(true)
		w.SetPlateTarget(38)
		w.Advance(2000*clock.Second + late)
		w.Move(OnPlate)
		w.Advance(2010 * clock.Second)
		after[i] = w.FilmTemperature()
	}
	rate := (after[0] - after[2]) / 0.1
	if rate < 0.3 {
		t.Fatalf("a rate of %g K/s tests nothing", rate)
	}
	near(t, "50 ms later, in s", (after[0]-after[1])/rate, 0.05, 0.001)
}

// From 20 to 40 degC in steps of 5 K, two minutes on each after arrival: by the
// plate's temperature the resistance falls by about 1 % per kelvin on the lowest
// step, base R at its foot, and by 18 to 20 % in all, base R at 20 degC; and comes
// back (common practice for printed composites, no source).
func TestStaircase(t *testing.T) {
	w := newTestWorld(t, nil)
	w.SetHeater(true)
	w.SetSource(fourWire)
	at := func(target float64) float64 {
		w.SetPlateTarget(target)
		for arrived := w.Now(); w.Now()-arrived < 120*clock.Second; {
			w.Advance(w.Now() + clock.Second)
			if w.Now() > clock.Hour {
				t.Fatalf("%g degC is not reached", target)
			}
			if math.Abs(w.PlateSensor()-target) > 0.15 {
				arrived = w.Now()
			}
		}
		e := w.Electrical(w.Now(), 100*clock.Millisecond)
		return e.Volts / e.Amps
	}
	at(20)
	foot := at(20)
	ohm := []float64{foot}
	for _, target := range []float64{25, 30, 35, 40, 35, 30, 25, 20} {
		ohm = append(ohm, at(target))
	}
	near(t, "fall per kelvin on the lowest step in %", 100*(foot-ohm[1])/foot/5, 1.03, 0.08)
	near(t, "fall from 20 to 40 degC in %", 100*(foot-ohm[4])/foot, 19, 1)
	near(t, "back at 20 degC in %", 100*(foot-ohm[8])/foot, 0, 0.15)
	t.Logf("fall on the steps up, %% per kelvin: %.3f %.3f %.3f %.3f; in all %.2f %%", 20*(1-ohm[1]/ohm[0]), 20*(1-ohm[2]/ohm[1]),
		20*(1-ohm[3]/ohm[2]), 20*(1-ohm[4]/ohm[3]), 100*(1-ohm[4]/foot))
}

// The foil thermometer trails the film by its lag, shows its class's error, and
// its faults cannot be taken for a temperature.
func TestFoilThermometer(t *testing.T) {
	greatest, square := 0.0, 0.0
	const seeds = 300
	for seed := range uint64(seeds) {
		w := newTestWorld(t, func(s *Scene) { s.Seed = seed })
		shown, _ := w.FoilThermometer()
		share := (shown - 18) / (0.3 + 0.005*18)
		greatest, square = max(greatest, math.Abs(share)), square+share*share/seeds
	}
	if greatest > 1 || greatest < 0.9 {
		t.Errorf("the greatest error is %g of class B", greatest)
	}
	near(t, "standard deviation, of class B", math.Sqrt(square), 1/math.Sqrt(3), 0.05)

	w := newTestWorld(t, func(s *Scene) { quiet(s); s.Foil.LagS = 2 })
	w.SetHeater(true)
	w.SetPlateTarget(60)
	w.Advance(30*clock.Second + 55*clock.Millisecond)
	shown, ohm := w.FoilThermometer()
	rate := w.state.Slope
	if rate < 0.3 {
		t.Fatalf("a rate of %g K/s tests nothing", rate)
	}
	own := w.probeShare * (0.3 + 0.005*w.FilmTemperature())
	near(t, "behind the film in s", (w.FilmTemperature()-(shown-own))/rate, 2, 0.15)
	near(t, "resistance", ohm, 100*(1+3.9083e-3*shown-5.775e-7*shown*shown), 1e-9)
	for _, f := range []Faults{{FoilOpen: true}, {FoilShort: true}} {
		w.SetFaults(f)
		if degC, ohm := w.FoilThermometer(); !math.IsNaN(degC) || f.FoilOpen != (ohm > 1e9) || f.FoilShort != (ohm < 1) {
			t.Errorf("%+v: %g degC, %g Ohm", f, degC, ohm)
		}
	}
}

func TestNothingIsAllocated(t *testing.T) {
	w := newTestWorld(t, nil)
	w.SetHeater(true)
	w.SetPlateTarget(30)
	w.SetSource(fourWire)
	if n := testing.AllocsPerRun(100, func() {
		readAll(w, w.Now()+510*clock.Millisecond)
		w.Move(1 - w.Where())
	}); n != 0 {
		t.Errorf("%g allocations a step and reading, expected none", n)
	}
}

// BenchmarkNight is twelve hours of the default bench with its plate regulating
// and its source on, read as three channels at 2 Hz: 432,000 steps and 259,200
// readings.
func BenchmarkNight(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		w := newTestWorld(b, nil)
		w.SetHeater(true)
		w.SetPlateTarget(30)
		w.SetSource(fourWire)
		for at := clock.Instant(0); at < 12*clock.Hour; at += 500 * clock.Millisecond {
			w.Electrical(at, 20*clock.Millisecond)
			w.PlateSensor()
			w.FoilThermometer()
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/432_000, "ns/step")
}

func BenchmarkStep(b *testing.B) {
	w := newTestWorld(b, nil)
	w.SetHeater(true)
	w.SetPlateTarget(30)
	w.SetSource(fourWire)
	b.ReportAllocs()
	for b.Loop() {
		w.step()
	}
}
