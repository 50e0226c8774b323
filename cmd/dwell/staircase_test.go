package main

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The main job, by the command of the README.
func TestTheStaircase(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	p := start(t, "rehearse", "../../examples/leaf-clip/staircase.yaml", "--out", root, "--json")
	p.exits(exitDone)
	folder := theFolder(t, root)
	object := p.expectObject(map[string]any{"run": folder, "outcome": "completed", "safe": true, "exit": 0.0})
	for _, name := range []string{"protocol.yaml", "rig.yaml", "specimen.yaml", "profiles/namur-hotplate.yaml", "profiles/scpi-source-meter.yaml",
		"plan.json", "run.json", "readings.csv", "readings.csv-metadata.json", "aligned.csv", "aligned.csv-metadata.json", "figures.json",
		"events.jsonl", "wire.jsonl", "readings.chain", "seal.json"} {
		if info, err := os.Stat(filepath.Join(folder, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s is missing or empty: %v", name, err)
		}
	}
	if want := read(t, "../../examples/leaf-clip/staircase.yaml"); read(t, filepath.Join(folder, "protocol.yaml")) != want {
		t.Error("protocol.yaml is not the file that was used")
	}
	r, tails := openRecord(t, folder)
	if len(tails) > 0 {
		t.Errorf("torn: %v", tails)
	}
	for f := range r.Verify() {
		t.Errorf("verify: %s", f)
	}
	table := tableOf(t, filepath.Join(folder, "readings.csv"))
	if n := float64(len(table)); object["readings"] != n {
		t.Errorf("--json: %v readings, the table has %v", object["readings"], n)
	}
	expectStaircase(t, table)
}

// reading is a row of readings.csv as any program would read it.
type reading struct {
	t, value            float64
	channel, flag, step string
}

// tableOf reads readings.csv with nothing of ours.
func tableOf(t *testing.T, name string) (table []reading) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if head := strings.Join(rows[0], ","); head != "t_s,u_t_s,channel,value,unit,flag,step" {
		t.Fatalf("the table's head is %q", head)
	}
	units := map[string]string{"plate.temperature": "degC", "foil.temperature": "degC", "element.resistance": "Ohm"}
	for _, row := range rows[1:] {
		at, err := strconv.ParseFloat(row[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		value, err := strconv.ParseFloat(row[3], 64)
		if err != nil && row[5] == "" {
			t.Fatalf("a good reading of %q: %v", row[3], err)
		}
		if want, known := units[row[2]]; known && row[4] != want {
			t.Fatalf("%s in %q, expected %q", row[2], row[4], want)
		}
		table = append(table, reading{at, value, row[2], row[5], row[6]})
	}
	return table
}

// expectStaircase finds the plateaus in the table and looks at how the resistance
// falls, up and down. Relative changes are of the resistance at the lowest plateau,
// the plate at 20 degC; a fall is negative.
//
// The bands are common practice for printed carbon films of this kind, no source:
// about 1 % per kelvin at the lowest step, 18 to 20 % over 20 K of the plate.
func expectStaircase(t *testing.T, table []reading) {
	t.Helper()
	plateaus := plateausOf(table)
	want := []float64{20, 25, 30, 35, 40, 35, 30, 25, 20}
	if len(plateaus) != len(want) {
		t.Fatalf("%d plateaus, expected %d: %+v", len(plateaus), len(want), plateaus)
	}
	for i, p := range plateaus {
		if math.Abs(p.plate-want[i]) > 0.5 || p.n < 20 {
			t.Errorf("plateau %d: plate at %.2f degC, %d readings of the resistance; expected %v degC and 20 or more", i+1, p.plate, p.n, want[i])
		}
	}
	for _, way := range []struct {
		name             string
		low, second, top plateau
	}{{"up", plateaus[0], plateaus[1], plateaus[4]}, {"down", plateaus[8], plateaus[7], plateaus[4]}} {
		step := 100 * (way.second.ohm/way.low.ohm - 1) / (way.second.plate - way.low.plate)
		whole := 100 * (way.top.ohm/way.low.ohm - 1) * 20 / (way.top.plate - way.low.plate)
		t.Logf("%s: %.3f %%/K of R at 20 degC of the plate at the lowest step, %.2f %% over 20 K", way.name, step, whole)
		if !(step <= -0.90 && step >= -1.15) {
			t.Errorf("%s: %.3f %%/K at the lowest step, expected -0.90 to -1.15", way.name, step)
		}
		if !(whole <= -18 && whole >= -20) {
			t.Errorf("%s: %.2f %% over 20 K, expected -18 to -20", way.name, whole)
		}
	}
}

// plateau is what was read in the last of a step of waiting.
type plateau struct {
	plate, ohm float64
	n          int
}

// plateausOf takes the last 15 s before every sweep.
func plateausOf(table []reading) (all []plateau) {
	var window []reading
	const span_s = 15
	sweeping := false
	for _, r := range table {
		before := sweeping
		sweeping = strings.HasSuffix(r.step, "sweep")
		if sweeping && !before {
			all = append(all, average(window, r.t-span_s))
		}
		if !sweeping && r.flag == "" {
			window = append(window, r)
		}
	}
	return all
}

func average(window []reading, from float64) plateau {
	mean := func(channel string) (m float64, n int) {
		for _, r := range slices.Backward(window) {
			if r.t < from {
				break
			}
			if r.channel == channel {
				m += r.value
				n++
			}
		}
		return m / float64(n), n
	}
	p := plateau{}
	p.plate, _ = mean("plate.temperature")
	p.ohm, p.n = mean("element.resistance")
	return p
}
