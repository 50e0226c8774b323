package main

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/logs/figures"
)

// figuresOf computes the figures of a run folder.
func figuresOf(t *testing.T, folder string) []figures.Figure {
	t.Helper()
	r, _ := openRecord(t, folder)
	facts, err := runFacts(r)
	if err != nil {
		t.Fatal(err)
	}
	all, err := figures.Compute(r, facts)
	if err != nil {
		t.Fatal(err)
	}
	return all.Figures
}

// A film that cracks by a known law, with a staircase now and then: the number of cycles
// that the law says lies where the figure says.
func TestFiguresOfFatigue(t *testing.T) {
	dir := t.TempDir()
	rig := strings.Replace(read(t, leafClip+"bending/rig.yaml"), "film cracks after: 20000", "film cracks after: 500", 1)
	specimen := read(t, leafClip+"bending/specimen.yaml")
	protocol := strings.NewReplacer("times: 10000, rate: 1 Hz, measure: {at: every 1000,", "times: 250, rate: 1 Hz, measure: {at: every 50,",
		"times: 10000", "times: 250").Replace(read(t, leafClip+"bending/fatigue.yaml"))
	name := write(t, filepath.Join(dir, "fatigue.yaml"), protocol)
	write(t, filepath.Join(dir, "rig.yaml"), rig)
	write(t, filepath.Join(dir, "specimen.yaml"), specimen)
	s := &speech{out: io.Discard, err: os.Stderr}
	j, err := load(s, files{protocol: name})
	if err != nil {
		t.Fatal(err)
	}
	x := &execution{speech: s, kind: "rehearsal", job: j, outlook: outlook{root: dir}, seed: 7}
	if err := x.rehearse(); err != nil {
		t.Fatalf("%v; outcome %+v", err, x.outcome)
	}
	law := 500 * math.Pow(0.01/j.plan.Summary.Bends[0].Strain, 4)
	found := 0
	for _, f := range figuresOf(t, x.folder) {
		if f.Figure != "cycles_to_threshold" || !slices.Contains(f.With, figures.Given{Name: "threshold", Value: 20, Unit: "%"}) {
			continue
		}
		found++
		if f.Censored || f.Low == nil || law < *f.Low || law > *f.High || *f.High-*f.Low > 120 {
			t.Errorf("%s: %.1f cycles (%v to %v), the law says %.1f", f.Flavour, f.Value, f.Low, f.High, law)
		}
	}
	if found != 2 {
		t.Errorf("%d figures, expected one for each way to interpolate", found)
	}
}

// BenchmarkFatigue rehearses the fatigue example: 100,000 cycles, a staircase every
// 10,000. It fails when that takes a minute, or its folder more than mostFatigue.
func BenchmarkFatigue(b *testing.B) {
	const cycles, mostFatigue = 100_000, 100 << 20
	for b.Loop() {
		began := clock.Today()
		x := rehearsed(b, "bending/fatigue.yaml", 1)
		if took := clock.Instant(clock.Today().UTC.Sub(began.UTC)); took > clock.Minute {
			b.Fatalf("it took %.1f s", took.Seconds())
		}
		size := int64(0)
		files, err := os.ReadDir(x.folder)
		if err != nil {
			b.Fatal(err)
		}
		for _, f := range files {
			if about, err := f.Info(); err == nil {
				size += about.Size()
			}
		}
		if size > mostFatigue {
			b.Fatalf("the folder has %d bytes", size)
		}
		b.ReportMetric(float64(size)/cycles, "bytes/cycle")
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/cycles, "ns/cycle")
}

// What may still go on in an instrument is named in words for a person.
func TestWhatMayBeOn(t *testing.T) {
	for name, want := range map[string]string{"gcode-stage": "motion", "scpi-stage": "motion", "namur-hotplate": "heat", "scpi-source-meter": "output"} {
		text, _ := rig.EmbeddedProfile(name)
		m := &yamltext.Mistakes{}
		if got := energies(rig.LoadProfile(yamltext.Parse(name, text, m), m)); got != want || m.Len() > 0 {
			t.Errorf("%s: %q may be on, expected %q", name, got, want)
		}
	}
}
