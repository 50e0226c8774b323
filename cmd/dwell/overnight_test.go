package main

import (
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"dwell/drivers/clock"
)

const leafClip = "../../examples/leaf-clip/"

// rehearsed does an example as the verb does, without a process of its own.
func rehearsed(t testing.TB, protocol string, seed uint64) *execution {
	t.Helper()
	return rehearsedFiles(t, files{protocol: leafClip + protocol}, seed)
}

// rehearsedFiles rehearses what is in other files.
func rehearsedFiles(t testing.TB, f files, seed uint64) *execution {
	t.Helper()
	s := &speech{out: io.Discard, err: os.Stderr}
	j, err := load(s, f)
	if err != nil {
		t.Fatal(err)
	}
	x := &execution{speech: s, kind: "rehearsal", job: j, outlook: outlook{root: t.TempDir()}, seed: seed}
	if err := x.rehearse(); err != nil {
		t.Fatalf("%v; outcome %+v", err, x.outcome)
	}
	return x
}

func digest(t testing.TB, x *execution, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(x.folder, name))
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", sha256.Sum256(text))
}

// The same seed gives the same bytes, another seed others.
func TestARehearsalIsReproducible(t *testing.T) {
	a, b, c := rehearsed(t, "staircase.yaml", 1), rehearsed(t, "staircase.yaml", 1), rehearsed(t, "staircase.yaml", 2)
	for _, name := range []string{"readings.csv", "aligned.csv", "wire.jsonl", "events.jsonl", "plan.json"} {
		if digest(t, a, name) != digest(t, b, name) {
			t.Errorf("%s differs between two rehearsals with one seed", name)
		}
	}
	if digest(t, a, "readings.csv") == digest(t, c, "readings.csv") {
		t.Error("readings.csv does not depend on the seed")
	}
}

// leastReadings is what the overnight example must bring: three channels or more at
// 1 to 2 Hz over twelve hours.
const leastReadings = 150_000

// The twelve-hour example with interlocks, record of exchanges, chain and the full
// model of the virtual bench. The metric that counts is bench time over wall time.
func BenchmarkOvernight(b *testing.B) {
	var bench, wall clock.Instant
	var readings int64
	for b.Loop() {
		began := clock.Today()
		x := rehearsed(b, "overnight.yaml", 1)
		wall += clock.Instant(clock.Today().UTC.Sub(began.UTC))
		bench += x.clock.Now()
		readings = x.outcome.Readings
		if readings < leastReadings {
			b.Fatalf("%d readings, expected %d at least", readings, leastReadings)
		}
	}
	b.ReportMetric(bench.Seconds()/wall.Seconds(), "x-real-time")
	b.ReportMetric(float64(readings), "readings/night")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(readings), "ns/reading")
}
