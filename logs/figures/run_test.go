package figures

import (
	"math"
	"math/rand/v2"
	"testing"

	"dwell/logs"
)

// TestFromRunFolder goes all the way: a run folder in which temperature and resistance
// were read at different moments, some of them badly, to figures that hold the truth of
// the virtual film (demo data).
func TestFromRunFolder(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 4))
	b := bench{hold: 120, dt: 0.25, rate: 10. / 60, plateTau: 8, tau: 31.7, noiseR: 0.05, noiseT: 0.01}
	x, temperature, r := b.record(rng)
	m := logs.NewMemory()
	w, err := logs.Create(m, "runs", "staircase", nil, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+3 < len(x); i += 4 { // temperature first, resistance 0.75 s later
		for _, row := range []logs.Row{
			{AtNs: int64(x[i] * 1e9), WithinNs: 5e7, Channel: "plate.temperature", Value: temperature[i], Unit: "degC"},
			{AtNs: int64(x[i+3] * 1e9), WithinNs: 1e7, Channel: "element.resistance", Value: r[i+3], Unit: "Ohm"},
		} {
			if rng.IntN(200) == 0 {
				row.Flag, row.Value = "overflow", 9.9e37
			}
			if err := w.Reading(row); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run, _, err := logs.Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	k, err := story{}.read(run, Facts{}, "plate.temperature", "element.resistance")
	if err != nil || len(k.notes) != 2 {
		t.Fatal(k.notes, err)
	}
	resistance := k.series["element.resistance"]
	plate, err := k.series["plate.temperature"].Align(resistance.Time, 5)
	if err != nil {
		t.Fatal(err)
	}
	kept, left := Complete(resistance.Time, plate.Y, resistance.Y)
	if left < 10 || left > 60 || plate.Flagged == 0 {
		t.Errorf("%d moments left out, %+v", left, k.notes)
	}
	found, err := Segments(kept[0], kept[1])
	if err != nil {
		t.Fatal(err)
	}
	s, err := Settle(kept[0], kept[1], kept[2], found.Plateaus(), 0)
	if err != nil {
		t.Fatal(err)
	}
	o := Origin{"element.resistance", "plateaus 1 to 13"}
	thermometer := Common{Name: "thermometer", Kind: TemperatureOffset, U: 0.1}
	all, err := SettleFigures(o, s, thermometer)
	tau := pick(t, all, err, "lag_tau", "1 of 1")
	if math.Abs(tau.Value-b.tau) > tau.Expanded || tau.Expanded > 0.5 {
		t.Errorf("tau %v ± %v", tau.Value, tau.Expanded)
	}
	if f := pick(t, all, err, "hysteresis", "largest, Ohm, lag taken out"); f.Value > f.Expanded {
		t.Errorf("hysteresis of none: %v ± %v", f.Value, f.Expanded)
	}
	up, _, err := s.Branches(o, true, thermometer)
	if err != nil {
		t.Fatal(err)
	}
	all, err = R0(up, 25)
	f := pick(t, all, err, "r0", "fitted quadratic")
	if math.Abs(f.Value-1000) > f.Expanded || math.Abs(f.U_std-0.315) > 0.02 {
		t.Errorf("R0 %v ± %v, u %v; the thermometer alone makes 0.315", f.Value, f.Expanded, f.U_std)
	}
	all, err = TCR(up, 25, 85, 25)
	if f = pick(t, all, err, "tcr", "local"); math.Abs(f.Value-3.15e-3) > f.Expanded || f.Expanded > 2e-5 {
		t.Errorf("tcr %v ± %v", f.Value, f.Expanded)
	}
}
