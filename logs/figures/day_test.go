package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"dwell/logs"
)

// BenchmarkDay takes a day of readings at 10 Hz, three columns, through reading a table,
// finding segments and aligning; it fails when the staircase in it is not found.
func BenchmarkDay(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	x, y, bounds := staircase([]float64{25, 45, 65, 85, 65, 45, 25}, 12000, 0.1, 0, 0.1)
	var s strings.Builder
	s.WriteString("t / s,T / °C,R / Ohm\n")
	for i := range x {
		y[i] += 0.02 * rng.NormFloat64()
		fmt.Fprintf(&s, "%.1f,%.3f,%.3f\n", x[i], y[i], 1000+3*(y[i]-25))
	}
	text := s.String()
	b.ReportAllocs()
	for b.Loop() {
		columns, _, err := threeColumns(text, Reading{})
		if err != nil {
			b.Fatal(err)
		}
		f, err := Segments(columns[0], columns[1])
		if err != nil || len(f.Plateaus()) != len(bounds) {
			b.Fatalf("%v\n%s", err, f)
		}
		r := Series{Channel: "r", Time: columns[0], Y: columns[2]}
		if _, err := r.Align(columns[0], 1); err != nil {
			b.Fatal(err)
		}
		if _, err := Settle(columns[0], columns[1], columns[2], f.Plateaus(), 0); err != nil {
			b.Fatal(err)
		}
		if _, err := AllanCurve(columns[2][:100000]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(x)), "rows")
}

// peerDay reads the same file, brings the temperature to the times of the resistance, and
// fits the one by the other: pandas and numpy, without any uncertainty.
const peerDay = `
import sys, time
import numpy as np, pandas as pd
start = time.perf_counter()
d = pd.read_csv(sys.argv[1], names=["t", "T", "R"], header=0)
both = pd.merge_asof(d[["t", "R"]], d[["t", "T"]], on="t", direction="nearest")
slope = np.polyfit(both["T"].to_numpy() - 25, both["R"].to_numpy(), 2)[1]
print(time.perf_counter() - start, slope)
`

// BenchmarkDayAgainstPandas takes a table of a day at 10 Hz to all its figures, from the
// file, and says how many times as long that takes as pandas needs for a merge and a fit of
// the same file in the same run.
func BenchmarkDayAgainstPandas(b *testing.B) {
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import pandas").CombinedOutput(); err != nil {
		b.Skipf("pandas is not there (Debian package python3-pandas): %v %.200q", err, out)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	x, y, _ := staircase([]float64{25, 45, 65, 85, 65, 45, 25}, 12000, 0.1, 0, 0.1)
	var s strings.Builder
	s.WriteString("t / s,T / °C,R / Ohm\n")
	for i := range x {
		fmt.Fprintf(&s, "%.1f,%.3f,%.3f\n", x[i], y[i]+0.02*rng.NormFloat64(), 1000+3*(y[i]-25))
	}
	name := filepath.Join(b.TempDir(), "day.csv")
	if err := os.WriteFile(name, []byte(s.String()), 0o644); err != nil {
		b.Fatal(err)
	}
	var theirs, slope float64
	out, err := exec.Command(python, "-c", peerDay, name).Output()
	if _, scan := fmt.Sscan(string(out), &theirs, &slope); err != nil || scan != nil || math.Abs(slope-3) > 0.01 {
		b.Fatalf("%v, %v, %q", err, scan, out)
	}
	rounds := 0
	for b.Loop() {
		file, err := os.Open(name)
		if err != nil {
			b.Fatal(err)
		}
		r, err := ComputeTable(file, Asked{Columns: columnsAre("time=t", "temperature=T", "resistance=R"), AtDegC: 25})
		file.Close()
		if err != nil || len(r.Found.Plateaus()) != 7 {
			b.Fatal(err)
		}
		rounds++
	}
	b.ReportMetric(float64(len(x)), "rows")
	b.ReportMetric(b.Elapsed().Seconds()/float64(rounds)/theirs, "times-pandas")
}

// BenchmarkDayRun takes a run folder of a day at 10 Hz on three channels to its figures; it
// fails when the truth is missed, or when more than 200 bytes a reading of the resistance
// are held at the end (the three channels are 72).
func BenchmarkDayRun(b *testing.B) {
	w, err := logs.Create(logs.Disk{}, b.TempDir(), "day", []logs.Input{{Name: "plan.json", Bytes: []byte(`{"actions":[]}`)}}, logs.Identity{})
	if err != nil {
		b.Fatal(err)
	}
	w.Unsynced = true
	rng := rand.New(rand.NewPCG(4, 4))
	levels := []float64{25, 45, 65, 85, 65, 45, 25}
	const each = 12 * 3600 * 10 * 2 / 7 // readings of a level
	plate, film, n := 25., 25., 0
	event := func(kind, text string, target float64) {
		line := fmt.Sprintf(`{"event":%q,"t_ns":%d,"step":"1 bring","text":%q,"target":%g}`, kind, int64(n)*1e8, text, target)
		if err := w.Event([]byte(line)); err != nil {
			b.Fatal(err)
		}
	}
	for _, level := range levels {
		event("set", fmt.Sprintf("plate temperature %g degC", level), 0)
		for k := range each {
			plate += (level - plate) / 200
			film += (plate - film) / 300
			if k == 3000 {
				event("arrived", "plate.temperature", level)
			}
			for i, row := range []logs.Row{{Channel: "plate.temperature", Value: plate + 0.02*rng.NormFloat64(), Unit: "degC"},
				{Channel: "foil.temperature", Value: film + 0.02*rng.NormFloat64(), Unit: "degC"}, {Channel: "element.resistance", Value: 1000 + 3*(film-25) + 0.05*rng.NormFloat64(), Unit: "Ohm"}} {
				row.AtNs, row.WithinNs = int64(n)*1e8+int64(i)*3e7, 1e7
				if err := w.Reading(row); err != nil {
					b.Fatal(err)
				}
			}
			if n++; n%10000 == 0 {
				if batch := w.Begin(); batch != nil {
					batch.Commit()
					batch.Done()
				}
			}
		}
	}
	event("ended", "completed", 0)
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	r, _, err := logs.Open(logs.Disk{}, w.Dir())
	if err != nil {
		b.Fatal(err)
	}
	facts := Facts{Plate: "plate", OnPlate: []string{"plate.temperature"}, Resistance: "element.resistance", AtDegC: 25,
		Thermometers: []Thermometer{{Channel: "foil.temperature", BesideFilm: true}, {Channel: "plate.temperature"}}}
	for b.Loop() {
		results, err := Compute(r, facts)
		if err != nil {
			b.Fatal(err)
		}
		var after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&after)
		at := slices.IndexFunc(results.Figures, func(f Figure) bool { return f.Figure == "tcr" && f.Flavour == "chord" })
		if at < 0 || math.Abs(results.Figures[at].Value-0.003) > 1e-5 {
			b.Fatalf("no chord, or a wrong one, among %d figures: %v", len(results.Figures), results.LeftOut)
		}
		if held := float64(after.HeapAlloc) / float64(n); held > 200 {
			b.Fatalf("%.0f bytes held for each reading of the resistance", held)
		}
		b.ReportMetric(float64(after.HeapAlloc)/1e6, "MB-held")
		runtime.KeepAlive(results)
	}
}
