package twin

import (
	"math"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// heating is a bench whose plate is told to go to 40 degC.
func heating(t *testing.T) *Bench {
	t.Helper()
	b := exact(t, nil)
	talk(t, b, "plate", []said{{"START_1\r\n", ""}, {"OUT_SP_1 40\r\n", ""}})
	return b
}

// after lets time pass and returns what is true and what is shown.
func after(b *Bench, span clock.Instant) (surface, plate, film, foil float64) {
	b.Advance(b.World().Now() + span)
	w := b.World()
	foil, _ = w.FoilThermometer()
	return w.PlateSurface(), w.PlateSensor(), w.FilmTemperature(), foil
}

// A broken thermometer shows something else than what is there; the plate's own
// leads its controller astray.
func TestBrokenThermometers(t *testing.T) {
	b := heating(t)
	after(b, 10*clock.Minute)
	b.Break("the foil's thermometer drifts", func(f *Faults) { f.FoilDriftKPerS = 0.01 })
	_, _, film, foil := after(b, 100*clock.Second)
	near(t, "drifted for 100 s", foil-film, 1, 0.05)
	b.Break("and freezes", func(f *Faults) { f.FoilFrozen = true })
	b.World().SetPlateTarget(30)
	_, _, film, frozen := after(b, 10*clock.Minute)
	if frozen != foil || film > 30 {
		t.Errorf("frozen at %g degC it shows %g degC, and the film has %g degC", foil, frozen, film)
	}
	b.Break("another fell off", func(f *Faults) { *f = Faults{FoilOff: true} })
	b.World().state.FoilDriftK = 0
	if _, _, _, foil = after(b, clock.Minute); math.Abs(foil-18) > 0.1 {
		t.Errorf("in a room of 18 degC it shows %g degC", foil)
	}

	b = heating(t)
	after(b, 10*clock.Minute)
	b.Break("the plate's drifts", func(f *Faults) { f.PlateDriftKPerS = -0.01 })
	surface, plate, _, _ := after(b, 1000*clock.Second)
	near(t, "what the plate shows", plate, 40, 0.3)
	near(t, "where it is", surface, 50, 0.5)
	b = heating(t)
	b.Break("it freezes", func(f *Faults) { f.PlateFrozen = true })
	if surface, plate, _, _ = after(b, 3*clock.Minute); plate > 25 || surface < 55 {
		t.Errorf("a plate that shows %g degC for ever has %g degC", plate, surface)
	}
}

// What a plate can do with a command beside following it.
func TestDisobedientPlates(t *testing.T) {
	b := heating(t)
	b.Break("the heater breaks", func(f *Faults) { f.HeaterBroken = true })
	if surface, _, _, _ := after(b, 5*clock.Minute); surface > 25 {
		t.Errorf("without a heater it has %g degC", surface)
	}

	b = heating(t)
	after(b, 10*clock.Minute)
	b.Break("the set value is ignored", func(f *Faults) { f.SetpointIgnored = true })
	talk(t, b, "plate", []said{{"OUT_SP_1 20\r\n", ""}, {"IN_SP_1\r\n", "20.0 1 \r\n"}})
	surface, _, _, _ := after(b, 10*clock.Minute)
	near(t, "the plate goes on at", surface, 40, 0.5)
	if told, inForce := b.World().PlateObeys(); told != 20 || inForce != 40 {
		t.Errorf("told %g degC, in force %g degC", told, inForce)
	}
	talk(t, b, "plate", []said{{"STOP_1\r\n", ""}})
	if surface, _, _, _ = after(b, 10*clock.Minute); surface > 25 {
		t.Errorf("stopped, it has %g degC", surface)
	}

	b = heating(t)
	talk(t, b, "plate", []said{{"OUT_WD1@20\r\n", "20 \r\n"}})
	after(b, 8*clock.Second) // within the watchdog's time
	b.Break("the firmware hangs", func(f *Faults) { f.PlateHung = true })
	percent := b.World().HeaterPercent()
	talk(t, b, "plate", []said{{"IN_PV_2\r\n", ""}, {"STOP_1\r\n", ""}, {"OUT_SP_1 10\r\n", ""}})
	if after(b, clock.Minute); !b.World().HeaterOn() || b.World().HeaterPercent() != percent || percent == 0 {
		t.Errorf("hung, it heats with %g %% of before %g %%", b.World().HeaterPercent(), percent)
	}
}

// What somebody does at the panel shows when it is asked for, and was not told.
func TestSomebodyMeddles(t *testing.T) {
	b := heating(t)
	journal := journalOf(b)
	if err := b.Meddle("plate"); err != nil {
		t.Fatal(err)
	}
	talk(t, b, "plate", []said{{"IN_SP_1\r\n", "65.0 1 \r\n"}})
	if told, inForce := b.World().PlateObeys(); told != 40 || inForce != 65 {
		t.Errorf("told %g degC, in force %g degC", told, inForce)
	}
	told(t, b, sourcing)
	if err := b.Meddle("meter"); err != nil {
		t.Fatal(err)
	}
	talk(t, b, "meter", []said{{"SENS:VOLT:PROT?;PROT:TRIP?\n", "+2.000000E-02;1\n"}})
	for _, words := range []string{"turned up at its knob", "compliance turned down at its panel", `"what":"setpoint","value":0.02,`} {
		if !strings.Contains(journal.String(), words) {
			t.Errorf("the journal does not hold %q:\n%s", words, journal)
		}
	}
	for _, name := range []string{"lift", "nobody"} {
		if err := b.Meddle(name); err == nil {
			t.Errorf("there is nothing to meddle with at %q, expected an error", name)
		}
	}
}

// A source that is stuck stays on and says so; one with a gain drives more than it
// was told, and measures that.
func TestBrokenSources(t *testing.T) {
	b := exact(t, nil)
	told(t, b, sourcing)
	b.Break("too much", func(f *Faults) { f.SourceGain = 3 })
	volts, amps, watts := b.World().FilmDriven()
	near(t, "current", amps, 30e-6, 1e-12)
	near(t, "voltage", volts, 30e-6*b.World().FilmOhm(), 1e-9)
	near(t, "power", watts, 900e-12*b.World().FilmOhm(), 1e-9)
	near(t, "voltage as measured", read(t, b)[0], volts, 1e-4)

	b.Break("stuck", func(f *Faults) { f.OutputStuck = true })
	talk(t, b, "meter", []said{{"OUTP OFF\n", ""}, {"OUTP?\n", "1\n"}, {"*RST\n", ""}, {"OUTP?\n", "1\n"}})
	if err := b.Reboot("meter"); err != nil {
		t.Fatal(err)
	}
	if _, output := b.Energised(); !output {
		t.Error("it is off after all")
	}
	b.Break("mended", func(f *Faults) { *f = Faults{} })
	talk(t, b, "meter", []said{{"OUTP OFF\n", ""}, {"OUTP?\n", "0\n"}})
	if _, output := b.Energised(); output {
		t.Error("it is still on")
	}
	if volts, amps, watts := b.World().FilmDriven(); volts != 0 || amps != 0 || watts != 0 {
		t.Errorf("off, it drives %g V, %g A, %g W", volts, amps, watts)
	}
}

// What was broken stands in the journal, and what it does to the heat.
func TestJournalOfFaults(t *testing.T) {
	b := heating(t)
	journal := journalOf(b)
	b.Break("the heater breaks", func(f *Faults) { f.HeaterBroken = true })
	for _, want := range []string{`"instrument":"","what":"fault","value":null,"text":"the heater breaks"}`,
		`"instrument":"plate","what":"heat","value":0,"text":"off: the heater is broken"}`} {
		if !strings.Contains(journal.String(), want) {
			t.Errorf("the journal does not hold %s:\n%s", want, journal)
		}
	}
}
