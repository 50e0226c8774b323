package main

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"dwell/logs/figures"
)

// looped are the results of a run in which cycles were followed, with a film of that play.
func looped(t *testing.T, play float64, every, rate string, seed uint64) *figures.Results {
	t.Helper()
	return played(t, play, seed, "5 s", "  - cycle: {to: {radius: 8 mm}, times: 40, rate: 1 Hz, measure: {at: every 20, for: 20 s, follow: {cycles: 5, every: "+every+", rate: "+rate+"}}}\n")
}

// played are the results of a run with a film that follows its strain with play.
func played(t *testing.T, play float64, seed uint64, every, steps string) *figures.Results {
	t.Helper()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "rig.yaml"), strings.Replace(read(t, leafClip+"bending/rig.yaml"), "film cracks after: 20000", fmt.Sprintf("strain play: %g", play), 1))
	write(t, filepath.Join(dir, "specimen.yaml"), read(t, leafClip+"bending/specimen.yaml"))
	name := write(t, filepath.Join(dir, "loop.yaml"), `format: 1
title: loops
record: {element.resistance: `+every+`, stage.position: 10 s, foil.temperature: 10 s}
ends: {at most: 10 h}
steps:
  - confirm: {specimen: LC-21, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: false}
  - home: {at most: 2 min}
`+steps)
	x := rehearsedFiles(t, files{protocol: name}, seed)
	r, _ := openRecord(t, x.folder)
	facts, err := runFacts(r)
	if err != nil {
		t.Fatal(err)
	}
	results, err := figures.Compute(r, facts)
	if err != nil {
		t.Fatal(err)
	}
	return results
}

// A film whose resistance follows the strain with play shows a loop of twice the play, one
// without shows none, each within its uncertainty; and slowly that is small enough to tell
// the two apart.
func TestLoopWithinACycle(t *testing.T) {
	t.Parallel()
	const play, gauge = 0.0002, 2 // and the gauge factor of the bench
	for _, c := range []struct {
		play        float64
		every, rate string
		widest      float64 // % of R flat
	}{{play, "310 ms", "0.1 Hz", 0.03}, {0, "310 ms", "0.1 Hz", 0.03}, {play, "110 ms", "1 Hz", 0.3}, {0, "110 ms", "1 Hz", 0.3}} {
		for seed := uint64(1); seed <= 3; seed++ {
			results := looped(t, c.play, c.every, c.rate, seed)
			truth := 100 * 2 * gauge * c.play / (1 + gauge*c.play) // of a flat film that has kept its play
			found := 0
			for _, f := range results.Figures {
				if f.Figure != "bend_hysteresis" || f.Flavour != "of R flat" {
					continue
				}
				found++
				t.Logf("play %g, %s, seed %d: %s, truly %.4f", c.play, c.rate, seed, f.ValueText(), truth)
				if math.Abs(f.Value-truth) > f.Expanded || f.Expanded > c.widest {
					t.Errorf("play %g, %s, seed %d: %s, truly %.4f %%", c.play, c.rate, seed, f.ValueText(), truth)
				}
			}
			if found != 2 || len(results.Loops) != 2 {
				t.Errorf("play %g, %s, seed %d: %d figures and %d loops of two that were followed", c.play, c.rate, seed, found, len(results.Loops))
			}
		}
	}
}

// Every resistance inside followed cycles has the position that the stage truly had, and
// from it the film's strain, within its uncertainty: the resistance itself is the witness,
// since that of this film is nothing but strain.
func TestPositionsWithinACycle(t *testing.T) {
	t.Parallel()
	results := looped(t, 0, "310 ms", "0.1 Hz", 5)
	rows := 0
	for row, err := range cyclesTable(results).rows {
		if rows++; err != nil || len(row) != len(cyclesTable(results).columns) || row[2] != "out" && row[2] != "back" {
			t.Fatalf("row %d of the table: %q, %v", rows, row, err)
		}
	}
	if want := len(results.Loops[0].Inside) + len(results.Loops[1].Inside); rows != want {
		t.Errorf("%d rows in the table of cycles, expected %d", rows, want)
	}
	for _, l := range results.Loops {
		if len(l.Inside) < 130 || l.Positions < 130 || math.Abs(l.PeriodS-10) > 0.01 || l.RestS > 0.02 || l.ResidualM > 50e-6 {
			t.Fatalf("%d readings inside, %d positions, a period of %v s, a rest of %v s, %v m off", len(l.Inside), l.Positions, l.PeriodS, l.RestS, l.ResidualM)
		}
		const gauge = 2
		flat, cycles := 0., map[float64]bool{}
		for _, in := range l.Inside {
			flat, cycles[in.Cycle] = flat+in.R/(1+gauge*in.MeanStrain)/float64(len(l.Inside)), true
		}
		if len(cycles) != 5 || !cycles[l.Cycles+1] {
			t.Errorf("readings in cycles %v, after %v", cycles, l.Cycles)
		}
		outside := 0
		for _, in := range l.Inside {
			// By how much the strain may be off for how uncertain the position is, and what
			// noise makes.
			u := gauge*in.MeanStrain*in.UPerM/max(in.PerM, 1) + 2e-5
			if math.Abs(in.R/flat-1-gauge*in.MeanStrain) > 2*u {
				t.Logf("%+v", in)
				outside++
			}
			if in.PerM > 20 && (in.UPositionM > 0.2e-3 || in.UPositionM < 5e-6) {
				t.Fatalf("a position %v m with u = %v m", in.PositionM, in.UPositionM)
			}
		}
		if outside > len(l.Inside)/20 {
			t.Errorf("%d of %d readings are not those of their strain", outside, len(l.Inside))
		}
	}
}

// What a film keeps of its first bend is the play of its strain, and then it drifts like
// any film of the virtual bench, by 20 ppm/h.
func TestBackToFlat(t *testing.T) {
	t.Parallel()
	const play, gauge = 0.002, 2
	const bend = "  - bend: {radius: 8 mm, at most: 10 s}\n  - hold: 1 min\n  - flat: {at most: 10 s}\n"
	const cycle = "  - cycle: {to: {radius: 8 mm}, times: 20, rate: 1 Hz}\n"
	for _, c := range []struct {
		play, set float64
		steps     string
	}{{play, 100 * gauge * play, bend}, {0, 0, bend}, {play, 100 * gauge * play, cycle}} {
		results := played(t, c.play, 1, "1 s", "  - flat: {at most: 10 s}\n  - hold: 1 min\n"+c.steps+"  - hold: 1 h\n")
		found := map[string]bool{}
		for _, f := range results.Figures {
			truth, widest := 0., 0.
			switch f.Figure {
			case "first_cycle_set":
				truth, widest = c.set, 0.15
			case "drift_after_return":
				truth, widest = 20, 80
			default:
				continue
			}
			found[f.Figure] = true
			if math.Abs(f.Value-truth) > f.Expanded || f.Expanded > widest {
				t.Errorf("play %g: %s is %s, truly %g", c.play, f.Figure, f.ValueText(), truth)
			}
		}
		if len(found) != 2 {
			t.Errorf("play %g: only %v", c.play, found)
		}
	}
}
