package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestNoiseOfAFilmOnItsWay: of a film that still settles, noise and resolution are taken from
// what its way does not enter, and it is said. Demo data: white noise of 0.1 Ohm, -100 Ohm/K.
func TestNoiseOfAFilmOnItsWay(t *testing.T) {
	for _, c := range []struct {
		name    string
		way     func(s float64) float64 // Ohm
		flavour string
		rows    string
		says    string
	}{
		{"at rest", func(float64) float64 { return 0 }, "detrended", "s, at rest", ""},
		{"straight on", func(s float64) float64 { return s / 10 }, "detrended", "not at rest", "left beside a line"},
		{"settling", func(s float64) float64 { return 220 * math.Exp(-s/25) }, "successive differences", "not at rest", "between neighbours"},
	} {
		rng := rand.New(rand.NewPCG(3, 9))
		x := Series{Channel: "element.resistance", Unit: "Ohm"}
		for i := range 240 {
			s := float64(i) / 2
			x.Time, x.Y = append(x.Time, s), append(x.Y, 9000+c.way(s)+0.1*rng.NormFloat64())
		}
		k := computer{Results: Results{R: x}, slope: -100}
		k.noiseOf(stay{from: 0, to: 120, target: 30, step: "3.1 hold"})
		f := k.Figures[0]
		if f.Figure != "noise_rms" || f.Flavour != c.flavour || !(f.Value > 0.08 && f.Value < 0.12) || !strings.Contains(f.Rows, c.rows) {
			t.Errorf("%s: %s", c.name, f)
		}
		if f := numberOf(t, &k.Results, "resolution", "1 s"); !strings.HasSuffix(f.Definition, c.flavour) || math.Abs(f.Value-k.noise.Value/100) > 1e-12 {
			t.Errorf("%s: %s", c.name, f)
		}
		notes := fmt.Sprint(k.Notes)
		if !strings.Contains(notes, c.says) || (c.says == "") != (len(k.Notes) == 0) || c.says != "" && !strings.Contains(notes, "von Neumann ratio 0.0") {
			t.Errorf("%s: %s", c.name, notes)
		}
	}
}
