package figures

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
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
		if _, err := Settle(columns[0], columns[1], columns[2], f.Plateaus()); err != nil {
			b.Fatal(err)
		}
		if _, err := AllanCurve(columns[2][:100000]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(x)), "rows")
}
