package main

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/logs/figures"
)

// factsWith are those of the example with other words in its rig.
func factsWith(t *testing.T, words ...string) figures.Facts {
	t.Helper()
	dir := renamed(t, words...)
	j, err := load(&speech{out: io.Discard, err: io.Discard}, files{protocol: filepath.Join(dir, "staircase.yaml")})
	if err != nil {
		t.Fatal(err)
	}
	return factsOf(j.rig, j.specimen)
}

const (
	asProbe = "from: plate.probe, thermometer: platinum class B}"
	withDMM = "\nchannels:\n"
)

// What a thermometer may be wrong, at 85 degC and as an error of a slope: bounds of IEC
// 60751 and IEC 60584-1, and what the profiles declare of what shows it.
func TestTheClassOfAThermometer(t *testing.T) {
	multimeter := []string{withDMM, "\n  dmm: {profile: scpi-multimeter, port: twin, calibrated: 2026-01-12}\nchannels:\n"}
	for _, c := range []struct {
		name          string
		words         []string
		at85, instr   float64 // K, bounds
		perK          float64 // K/K, bound of what is allowed to change with temperature
		note, nowhere string
	}{
		{name: "class B", at85: 0.3 + 0.005*85, instr: 0.5},
		{name: "no class", words: []string{asProbe, "from: plate.probe}"}, at85: 0.3 + 0.005*85, instr: 0.5},
		{name: "class A", words: []string{"platinum class B", "platinum class A"}, at85: 0.15 + 0.002*85, instr: 0.5},
		{name: "thermocouple", words: []string{"platinum class B", "thermocouple K class 1"}, at85: 1.5, perK: 0.004, instr: 0.5},
		{name: "calibrated", words: []string{"platinum class B", "within 0.05 K"}, at85: 0.05, instr: 0.5},
		// 119.397 Ohm at 50 degC in the range of 1 kOhm: 0.010 % and 0.001 % of 1 kOhm, over 0.385 Ohm/K.
		{name: "multimeter", words: append(multimeter, asProbe, "from: dmm.resistance, through: pt100, thermometer: platinum class A}"),
			at85: 0.15 + 0.002*85, instr: (1e-4*119.397 + 0.01) / 0.385},
		{name: "thermistor", words: append(multimeter, asProbe, "from: dmm.resistance, through: ntc r25 500 Ohm b 3950 K}"),
			instr: (1e-4*179.4 + 0.01) / (179.4 * 3950 / (323.15 * 323.15)), note: "nothing says how far its thermometer is to be trusted"},
	} {
		f := factsWith(t, c.words...)
		if f.Thermometers[0].Channel != "foil.temperature" {
			t.Fatalf("%s: the best thermometer is %s", c.name, f.Thermometers[0].Channel)
		}
		var at85, instr, perK float64
		for _, e := range f.Thermometers[0].Errors {
			switch e.Kind {
			case figures.TemperatureShare:
				at85 = e.U * math.Sqrt(3) * e.Within(85)
			case figures.TemperatureGain:
				perK = e.U * math.Sqrt(3)
			default:
				instr = e.U * math.Sqrt(3)
			}
		}
		if math.Abs(at85-c.at85) > 1e-9 || math.Abs(perK-c.perK) > 1e-9 || math.Abs(instr-c.instr) > 0.02*c.instr {
			t.Errorf("%s: %.4f K at 85 degC, %.4f K/K, instrument %.4f K; expected %.4f, %.4f, %.4f", c.name, at85, perK, instr, c.at85, c.perK, c.instr)
		}
		if said := strings.Join(f.Notes, "\n"); !strings.Contains(said, c.note) || c.note == "" && said != "" {
			t.Errorf("%s: expected %q, it says %q", c.name, c.note, said)
		}
	}
}

// Values that are old when they are handed out change no lag: their age is taken into
// account. The class that a rig names is in the budgets.
func TestOldValuesAreCountedAsOld(t *testing.T) {
	t.Parallel()
	fresh, old := t.TempDir(), t.TempDir()
	start(t, "rehearse", leafClip+"staircase.yaml", "--seed", "5", "--out", fresh).exits(exitDone)
	dir := renamed(t, "profile: namur-hotplate", "profile: slow.yaml", "platinum class B", "platinum class A")
	profile := strings.NewReplacer("quantity: probe, unit: degC,", "quantity: probe, unit: degC, updates every: 3 s, filter: 2 s,").
		Replace(read(t, "../../drivers/rig/profiles/namur-hotplate.yaml"))
	if err := os.WriteFile(filepath.Join(dir, "slow.yaml"), []byte(profile), 0o644); err != nil {
		t.Fatal(err)
	}
	start(t, "rehearse", filepath.Join(dir, "staircase.yaml"), "--seed", "5", "--out", old).exits(exitDone)
	lagOf := func(root string) listed {
		t.Helper()
		for _, f := range figuresIn(t, theFolder(t, root)) {
			if f.Figure == "lag" && f.Channel == "element.resistance" {
				return f
			}
		}
		t.Fatalf("no lag: %s", read(t, filepath.Join(theFolder(t, root), "figures.json")))
		return listed{}
	}
	before, after := lagOf(fresh), lagOf(old)
	// Not taken into account, the filter and half of the 3 s would shift it by 3.5 s. What
	// remains is the phase of the display, which nobody knows.
	if shift := math.Abs(after.Value - before.Value); shift > 1.6 {
		t.Errorf("behind a thermometer that shows values of up to 3 s, filtered by 2 s: %.3f ± %.3f s; without %.3f ± %.3f s", after.Value, after.Expanded, before.Value, before.Expanded)
	}
	p := start(t, "figures", "--budget", "r0", theFolder(t, old))
	p.exits(exitDone)
	if !strings.Contains(p.out.String(), "foil.temperature, class") {
		t.Errorf("the class is in no budget:\n%s", p.out.String())
	}
}
