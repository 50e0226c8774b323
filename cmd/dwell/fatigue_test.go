package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/yamltext"
	"dwell/logs/figures"

	"gonum.org/v1/gonum/stat/distuv"
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

// worn is the folder of a short fatigue run whose virtual film cracks by a known law, and
// the most strain it saw: a staircase every 250 cycles, measured every 50.
func worn(t *testing.T, crackCycles int, seed uint64) (folder string, strain float64) {
	t.Helper()
	dir := t.TempDir()
	rig := strings.Replace(read(t, leafClip+"bending/rig.yaml"), "film cracks after: 20000", fmt.Sprintf("film cracks after: %d", crackCycles), 1)
	protocol := strings.NewReplacer("times: 10000, rate: 1 Hz, measure: {at: every 1000,", "times: 250, rate: 1 Hz, measure: {at: every 50,",
		"times: 10000", "times: 250").Replace(read(t, leafClip+"bending/fatigue.yaml"))
	name := write(t, filepath.Join(dir, "fatigue.yaml"), protocol)
	write(t, filepath.Join(dir, "rig.yaml"), rig)
	write(t, filepath.Join(dir, "specimen.yaml"), read(t, leafClip+"bending/specimen.yaml"))
	x := rehearsedFiles(t, files{protocol: name}, seed)
	return x.folder, x.job.plan.Summary.Bends[0].Strain
}

// TestFiguresOfFatigue: the number of cycles that the law of cracking says lies where the
// figures say, as often as they say, and they are not off to one side: the first reading
// is that of a cold film, all others of one on a warm plate. Each seed has other errors of
// its instruments, and another film.
func TestFiguresOfFatigue(t *testing.T) {
	t.Parallel()
	seeds := 8
	if testing.Short() {
		seeds = 2
	}
	if text := os.Getenv("DWELL_COVERAGE"); text != "" {
		var err error
		if seeds, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	var n, held, off, width float64
	for seed := 1; seed <= seeds; seed++ {
		crackCycles := 400 + 29*seed%250
		folder, strain := worn(t, crackCycles, uint64(seed))
		m := twin.StripModel{CrackCycles: float64(crackCycles)}
		for _, f := range figuresOf(t, folder) {
			if f.Figure != "cycles_to_threshold" || f.Flavour != "linear in cycles" {
				continue
			}
			law := m.CyclesTo(strain, given(f, "threshold")/100)
			n, off, width = n+1, off+(f.Value-law)/law, width+(*f.High-*f.Low)/law
			if *f.Low <= law && law <= *f.High {
				held++
			} else {
				t.Logf("seed %d, %v %%: %.1f cycles (%.1f to %.1f), the law says %.1f", seed, given(f, "threshold"), f.Value, *f.Low, *f.High, law)
			}
		}
	}
	t.Logf("held %v of %v; mean off %.4f, mean width %.4f of the law's answer", held, n, off/n, width/n)
	if n < 2*float64(seeds) {
		t.Fatalf("%v figures of %d films", n, seeds)
	}
	if (distuv.Binomial{N: n, P: 0.95}).CDF(held) < 0.0005 {
		t.Errorf("held the truth %v times of %v", held, n)
	}
	if width/n > 0.1 || math.Abs(off/n) > 0.01 {
		t.Errorf("off by %.3f on average, and %.3f wide", off/n, width/n)
	}
}

// TestLifeOfAFilmThatOpens: a film whose cracks gape while it is bent ends its part of the run,
// and the figures say after how many cycles, by the law of the virtual film: its damage is 2.4
// then, and 1 after the cycles to a rise by a fifth.
func TestLifeOfAFilmThatOpens(t *testing.T) {
	const cracks = 60
	folder, strain := worn(t, cracks, 4)
	law := 2.4 * twin.StripModel{CrackCycles: cracks}.CyclesTo(strain, 0.2)
	n := 0
	for _, f := range figuresOf(t, folder) {
		if f.Figure != "cycles_to_failure" {
			continue
		}
		n++
		if f.Censored || f.Flavour != "it is open" || !(*f.Low <= law && law <= *f.High) || *f.High-*f.Low > 150 || f.Value < law || math.Abs(given(f, "strain")/strain-1) > 1e-9 {
			t.Errorf("%s: %v to %v after %v cycles, strain %v, the law says %.1f", f.Flavour, *f.Low, *f.High, f.Value, given(f, "strain"), law)
		}
	}
	if n != 1 {
		t.Errorf("%d figures of its failure", n)
	}
	page, err := os.ReadFile(filepath.Join(folder, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, "show", folder)
	p.exits(exitDone)
	for who, text := range map[string]string{"the page": string(page), "show": p.out.String()} {
		if !strings.Contains(text, "completed; the specimen failed after ") || !strings.Contains(text, " cycles: it is open") {
			t.Errorf("%s does not say first that the specimen failed", who)
		}
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
