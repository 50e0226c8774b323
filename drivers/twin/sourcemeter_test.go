package twin

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// numbers reads a reply of numbers.
func numbers(t *testing.T, reply string) []float64 {
	t.Helper()
	var all []float64
	for _, text := range strings.Split(strings.TrimSuffix(reply, "\n"), ",") {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || len(text) != numberLength {
			t.Fatalf("%q in %q is no number of a reading", text, reply)
		}
		all = append(all, v)
	}
	return all
}

// read makes a reading.
func read(t *testing.T, b *Bench) []float64 {
	t.Helper()
	return numbers(t, ask(b, "meter", b.World().Now()+clock.Second, "READ?\n"))
}

const sourcing = "*RST;:SOUR:FUNC CURR;:SENS:FUNC \"VOLT\";:SENS:VOLT:PROT 2;:SOUR:CURR 10E-6;:SYST:RSEN ON;:OUTP ON\n"

// told prepares the meter and makes sure that it had nothing to say against it.
func told(t *testing.T, b *Bench, lines ...string) {
	t.Helper()
	for _, l := range lines {
		talk(t, b, "meter", []said{{l, ""}, {"SYST:ERR?\n", "0,\"No error\"\n"}})
	}
}

// Five fields in a fixed order; functions accumulate; what is not measured is
// 9.91E37, what is sourced and not measured the programmed value; the status word
// is a float (a classic five-field source-meter, maker's manual).
func TestReading(t *testing.T) {
	b := exact(t, nil)
	told(t, b, sourcing)
	ohm := b.World().film.ohm(18, Faults{})
	r := read(t, b)
	if len(r) != 5 {
		t.Fatalf("%d fields, expected five: %v", len(r), r)
	}
	near(t, "voltage", r[0], ohm*10e-6, 1e-6)
	near(t, "current", r[1], 10e-6, 1e-11)
	if r[2] != notMeasured {
		t.Errorf("resistance %v although it is not measured", r[2])
	}
	near(t, "time", r[3], b.World().Now().Seconds(), 20)
	// Front terminals 4, volts and amps measured 2048 + 4096, amps sourced 32768, four
	// wires 4194304.
	if want := float64(4 + 2048 + 4096 + 32768 + 4194304); math.Abs(r[4]-want) > 1 {
		t.Errorf("status %v, expected %v", r[4], want)
	}

	told(t, b, "SENS:FUNC:OFF \"CURR\"\n", "FORM:ELEM CURR,VOLT\n", "SOUR:CURR -10.00001E-6\n")
	if r = read(t, b); len(r) != 2 || r[1] != -1.000001e-5 {
		t.Errorf("sourced and not measured: %v, expected the programmed value", r)
	}
	told(t, b, "SENS:FUNC:OFF:ALL\n", "SOUR:FUNC VOLT\n", "SOUR:VOLT 0.1\n", "OUTP ON\n")
	if r = read(t, b); r[0] != 0.1 || r[1] != notMeasured {
		t.Errorf("nothing measured: %v", r)
	}
	told(t, b, "SENS:RES:MODE MAN\n", "SENS:FUNC \"RES\",\"VOLT\",\"CURR\"\n", "FORM:ELEM RES\n")
	if r = read(t, b); math.Abs(r[0]/ohm-1) > 1e-4 {
		t.Errorf("resistance %v, expected %v", r[0], ohm)
	}
}

// In automatic ohms the instrument takes the source into its own hands.
func TestAutomaticOhms(t *testing.T) {
	b := exact(t, nil)
	told(t, b, "SENS:FUNC \"RES\"\n")
	talk(t, b, "meter", []said{{"SOUR:FUNC?\n", "CURR\n"}, {"SOUR:CURR 1E-3\n", ""}, {"SYST:ERR?\n", "-221,\"Settings conflict\"\n"}})
	told(t, b, "FORM:ELEM RES\n", "OUTP ON\n")
	near(t, "resistance", read(t, b)[0], b.World().film.ohm(18, Faults{})+31, 1)
}

// With the output off there is no data, only an error.
func TestReadingNeedsOutput(t *testing.T) {
	b := exact(t, nil)
	talk(t, b, "meter", []said{
		{"READ?\n", ""}, {"SYST:ERR?\n", "803,\"Not permitted with OUTPUT off\"\n"},
		{"INIT\n", ""}, {"SYST:ERR?\n", "803,\"Not permitted with OUTPUT off\"\n"},
		{"MEAS:VOLT?\n", ""}, {"SYST:ERR?\n", "803,\"Not permitted with OUTPUT off\"\n"},
	})
	told(t, b, sourcing)
	ask(b, "meter", b.World().Now()+clock.Second, "INIT\n")
	first := ask(b, "meter", b.World().Now()+clock.Second, "FETC?\n")
	again := ask(b, "meter", b.World().Now()+clock.Second, "FETC?\n")
	if len(first) < 10 || first != again {
		t.Errorf("the last reading is %q and then %q", first, again)
	}
}

// The limit clamps, in either function, and shows in the status word and in the
// question for it.
func TestCompliance(t *testing.T) {
	b := exact(t, nil)
	told(t, b, sourcing, "SENS:VOLT:PROT 0.05\n")
	r := read(t, b)
	near(t, "voltage", r[0], 0.05, 1e-6)
	if int(r[4])&statusCompliance == 0 {
		t.Errorf("status %v does not say that it is in compliance", r[4])
	}
	talk(t, b, "meter", []said{{"SENS:VOLT:PROT:TRIP?\n", "1\n"}, {"CURR:PROT:TRIP?\n", "0\n"}})
	told(t, b, "SENS:VOLT:PROT 2\n")
	talk(t, b, "meter", []said{{"SENS:VOLT:PROT:TRIP?\n", "0\n"}})
	told(t, b, "SOUR:FUNC VOLT\n", "SOUR:VOLT 1\n", "SENS:CURR:PROT 1E-6\n", "OUTP ON\n")
	near(t, "current", read(t, b)[1], 1e-6, 1e-11)
	talk(t, b, "meter", []said{{"SENS:CURR:PROT:TRIP?\n", "1\n"}, {"OUTP OFF\n", ""}, {"SENS:CURR:PROT:TRIP?\n", "0\n"}})
	// A fixed measuring range ends the limit earlier, and says so.
	told(t, b, sourcing, "SOUR:CURR 1E-3\n", "SENS:VOLT:RANG 0.2\n")
	r = read(t, b)
	near(t, "voltage", r[0], 0.21, 1e-6)
	if int(r[4])&statusRange == 0 {
		t.Errorf("status %v does not say that the range is at its end", r[4])
	}
}

// Changing what is sourced switches the output off, and every output of the world
// is in the journal.
func TestOutputAndWorld(t *testing.T) {
	b := exact(t, nil)
	journal := journalOf(b)
	told(t, b, sourcing)
	w := b.World()
	if got, want := w.Source(), (Source{SourceCurrent, 10e-6, 2, true}); got != want {
		t.Errorf("the world has %+v, expected %+v", got, want)
	}
	told(t, b, "SOUR:FUNC VOLT\n")
	if w.Source().Mode != SourceOff {
		t.Error("the output stays on when the function changes")
	}
	told(t, b, "SOUR:VOLT 0.5\n", "OUTP ON\n", "*RST\n")
	if w.Source().Mode != SourceOff {
		t.Error("the output stays on after *RST")
	}
	told(t, b, sourcing)
	b.Device("meter").Receive(w.Now()+clock.Second, []byte("OUTP OFF\n"))
	if w.Source().Mode != SourceOff {
		t.Error("an idle instrument does not switch off at once")
	}
	told(t, b, sourcing)
	if err := b.Reboot("meter"); err != nil {
		t.Fatal(err)
	}
	if w.Source().Mode != SourceOff {
		t.Error("the output stays on after a power cut")
	}
	var got []string
	for _, l := range strings.Split(journal.String(), "\n") {
		if i := strings.Index(l, `"what":"output",`); i >= 0 {
			got = append(got, l[i+len(`"what":"output",`):])
		}
	}
	on, off := `"value":1,"text":"on, sources A"}`, `"value":0,"text":"off"}`
	want := []string{on, off, `"value":1,"text":"on, sources V"}`, off, on, off, on, off}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("outputs in the journal:\n%s\nexpected:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// A reading takes its integration, three times with autozero, and what the
// instrument needs beside; what it is told meanwhile it does afterwards, in order.
func TestReadingTakesItsTime(t *testing.T) {
	b := exact(t, func(f []fitted) []fitted { f[1].line = socket; return f })
	told(t, b, sourcing, "FORM:ELEM VOLT\n")
	d := b.find("meter")
	for _, c := range []struct {
		told string
		want clock.Instant
	}{
		{"SYST:AZER ON;:SENS:VOLT:NPLC 1\n", 60 * clock.Millisecond},
		{"SENS:VOLT:NPLC 10\n", 600 * clock.Millisecond},
		{"SYST:AZER OFF\n", 200 * clock.Millisecond},
		{"SENS:VOLT:NPLC 0.01\n", 200 * clock.Microsecond},
		{"SOUR:DEL 0.5\n", 500*clock.Millisecond + 200*clock.Microsecond - sourceDelay},
	} {
		told(t, b, c.told)
		at := b.World().Now() + clock.Second
		d.Receive(at, []byte("READ?\n"))
		if got, want := d.NextAt()-at, c.want+readingTime+sourceDelay+unitTime; got != want {
			t.Errorf("after %q a reading takes %d us, expected %d", c.told, got/clock.Microsecond, want/clock.Microsecond)
		}
		heard(b, "meter", clock.Never-1)
	}

	told(t, b, "SENS:VOLT:NPLC 10\n", "SOUR:DEL 0\n")
	at := b.World().Now() + clock.Second
	d.Receive(at, []byte("READ?\n"))
	end := d.NextAt()
	d.Receive(at+1, []byte("OUTP OFF\nOUTP?\n"))
	b.Advance(end - 2*unitTime)
	if b.World().Source().Mode == SourceOff {
		t.Error("the output went off in the middle of a reading")
	}
	if got := string(heard(b, "meter", clock.Never-1)); !strings.HasSuffix(got, "\n0\n") {
		t.Errorf("a reading and the state of the output: %q", got)
	}
	if b.World().Source().Mode != SourceOff {
		t.Error("the output did not go off after the reading")
	}
}

// ^X ends readings and answers at once; what was told before holds.
func TestDeviceClear(t *testing.T) {
	b := exact(t, nil)
	told(t, b, sourcing, "SENS:VOLT:NPLC 10\n")
	at := b.World().Now() + clock.Second
	b.Device("meter").Receive(at, []byte("READ?\nREAD?\nOUTP OFF\nSOUR:CU\x18*IDN?\n"))
	if got := string(heard(b, "meter", clock.Never-1)); got != "VIRTUAL INSTRUMENTS,SOURCE-METER A,0001,1.0\n" {
		t.Errorf("after a device clear it says %q", got)
	}
	if b.World().Source().Mode != SourceOff {
		t.Error("an output that was switched off before a device clear is on")
	}
}

// Too much of what it is told while it is busy is lost, with an error.
func TestBusyMeterForgets(t *testing.T) {
	b := exact(t, nil)
	told(t, b, sourcing, "SENS:VOLT:NPLC 10\n")
	d := b.find("meter")
	at := b.World().Now() + clock.Second
	for range 10 * mostActions {
		d.Receive(at, []byte("READ?;:SOUR:CURR 1E-6\n"))
		if m := d.firmware.(*sourceMeter); len(m.todo) > mostActions+mostHeard/2 {
			t.Fatalf("%d things to do", len(m.todo))
		}
	}
	heard(b, "meter", clock.Never-1)
	talk(t, b, "meter", []said{{"SYST:ERR?\n", "-363,\"Input buffer overrun\"\n"}})
}

// More ohms than it can measure are 9.9E37, and the status word says so.
func TestOverflow(t *testing.T) {
	b := exact(t, nil)
	told(t, b, "SENS:RES:MODE MAN\n", sourcing, "SENS:RES:MODE MAN\n", "SENS:FUNC \"RES\"\n", "FORM:ELEM RES,STAT\n")
	if r := read(t, b); r[0] > 2e4 || int(r[1])&statusOverflow != 0 {
		t.Errorf("a sound film: %v", r)
	}
	b.World().SetFaults(Faults{FilmOpen: true})
	if r := read(t, b); r[0] != overflow || int(r[1])&(statusOverflow|statusCompliance) != statusOverflow|statusCompliance {
		t.Errorf("an open film: %v, expected %v", r, overflow)
	}
}

// Errors for life stay inside what is declared, differ by seed and by instrument,
// and the range that is used decides which holds.
func TestErrorsForLife(t *testing.T) {
	declared := []accuracy{{"voltage", 0.2, 0.0001, 3e-4}, {"voltage", 20, 0.0002, 2e-3}}
	seen := map[float64]bool{}
	for seed := range uint64(200) {
		e := drawErrors(fitted{name: "meter", seed: seed, accuracies: declared}, "voltage", "measured", voltRanges[:])
		for _, c := range []struct{ v, span, gain, offset float64 }{
			{0.1, 0.2, 0.0001, 3e-4}, {1, 2, 0.0002, 2e-3}, {10, 20, 0.0002, 2e-3}, {100, 200, 0, 0},
		} {
			if wrong := math.Abs(e.of(c.v, c.span) - c.v); wrong > c.v*c.gain+c.offset+1e-15 {
				t.Errorf("seed %d: %v V is %v V wrong, more than declared", seed, c.v, wrong)
			}
		}
		seen[e.offset[0]] = true
	}
	if len(seen) < 190 {
		t.Errorf("only %d errors in 200 seeds", len(seen))
	}
	a := drawErrors(fitted{name: "a", accuracies: declared}, "voltage", "measured", voltRanges[:])
	if b := drawErrors(fitted{name: "b", accuracies: declared}, "voltage", "measured", voltRanges[:]); a == b {
		t.Error("two instruments of a kind have the same errors")
	}
}
