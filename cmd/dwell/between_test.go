package main

import (
	"math/rand/v2"
	"path/filepath"
	"testing"
)

// betweenTwo is a rehearsal of cycles from one bent shape to another. Demo data.
func betweenTwo(t *testing.T, shapes string) *execution {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"rig.yaml", "specimen.yaml"} {
		write(t, filepath.Join(dir, name), read(t, leafClip+"bending/"+name))
	}
	name := write(t, filepath.Join(dir, "between.yaml"), `format: 1
title: between two shapes
record: {element.resistance: 1 s, foil.temperature: 5 s, stage.position: 1 s}
ends: {at most: 2 h}
steps:
  - confirm: {specimen: LC-21}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1}
  - home: {at most: 2 min}
  - cycle: {`+shapes+`, times: 230, rate: 1 Hz, measure: {at: every 100, for: 8 s, follow: {cycles: 5, every: 310 ms, rate: 0.1 Hz}}}
`)
	return rehearsedFiles(t, files{protocol: name}, 5)
}

// Between two shapes the strip stays bent in all cycles, is measured in both and flat, and
// its figures are told of each; a run that was killed goes on by way of flat.
func TestCyclesBetweenTwoBentShapes(t *testing.T) {
	x := betweenTwo(t, "from: {radius: 20 mm}, to: {radius: 8 mm}")
	bends := x.job.plan.Summary.Bends
	second, first := 0.2e-3+bends[0].TravelM, 0.2e-3+bends[1].TravelM
	var spans [][2]int64
	for _, h := range happenings(t, x.folder) {
		switch h.Event {
		case "cycling":
			spans = append(spans, [2]int64{h.AtNs})
			if h.Text != "radius 20 mm, radius 8 mm, radius 20 mm" {
				t.Errorf("one cycle is %q", h.Text)
			}
		case "cycled":
			if k := len(spans) - 1; spans[k][1] == 0 {
				spans[k][1] = h.AtNs
			}
		case "warning":
			t.Errorf("it warns: %s", h.Text)
		}
	}
	r, _ := openRecord(t, x.folder)
	n := 0
	for row, err := range r.Rows() {
		if err != nil {
			t.Fatal(err)
		}
		if row.Channel != "stage.position" || !row.Good() {
			continue
		}
		inside := false
		for _, s := range spans {
			inside = inside || s[0] < row.AtNs-row.WithinNs && row.AtNs+row.WithinNs < s[1]
		}
		if inside {
			if n++; row.Value < first-1e-5 || row.Value > second+1e-5 {
				t.Errorf("in a cycle the stage is at %g m, beyond %g to %g", row.Value, first, second)
			}
		}
	}
	if n < 200 || len(spans) < 5 {
		t.Errorf("%d positions in %d blocks of cycles", n, len(spans))
	}
	have := map[string]int{}
	for _, f := range figuresOf(t, x.folder) {
		have[f.Figure+", "+f.Flavour]++
		if f.Figure == "bend_response" && !(f.Value > 0.1) { // a gauge factor of 2, and strains of some 0.3 and 0.7 %
			t.Errorf("%s at %v m: %v %%", f.Figure, given(f, "radius"), f.Value)
		}
	}
	if have["bend_response, relative change"] != 4 || have["bend_hysteresis, of R in the first shape"] == 0 || have["bend_hysteresis, of R flat"] != 0 || have["cycles_to_threshold, censored"] != 1 {
		t.Errorf("figures: %v", have)
	}
	random := rand.New(rand.NewPCG(7, 8))
	for n := range 3 {
		folder := brokenOff(t, x.folder, random)
		onAnotherBench(t, folder)
		goesBack(t, x.folder, folder, n)
	}
	goesOnExactly(t, x.folder, brokenOff(t, x.folder, random), 0)
}
