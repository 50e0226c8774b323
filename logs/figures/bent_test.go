package figures

import (
	"math"
	"strings"
	"testing"
)

// A film that cycles wear by 1 % in a thousand, and that bending changes by 2 %: demo data.
// By the flat value of a thousand cycles before, it would be 3.02 %.
func TestWearIsNoBending(t *testing.T) {
	at := &bend{RadiusM: 8e-3, MeanStrain: 0.01}
	film := func(from, cycles float64, bent *bend) held {
		h := held{shape: shape{from: from, to: from + 5, cycles: cycles}, r: 1e4 * (1 + 1e-5*cycles), u: 0.1, bend: bent}
		if bent != nil {
			h.r *= 1.02
		}
		return h
	}
	before := film(90, 1000, nil)
	before.r *= 1.001 // crept since, say
	for _, c := range []struct {
		name string
		all  []held
		want float64 // of the last, %
		flat string
	}{
		{"flat after it, at its count", []held{film(0, 0, nil), film(100, 1000, at), film(110, 1000, nil)}, 2, "flat from 110.0 s"},
		{"flat before and after it", []held{film(0, 0, nil), before, film(100, 1000, at), film(110, 1000, nil)}, 100 * (1.02/1.001 - 1), "flat from 90.0 s"},
		{"flat before it alone", []held{film(0, 0, nil), film(100, 1000, at)}, 3.02, "flat from 0.0 s"},
		{"flat after it alone", []held{film(100, 1000, at), film(110, 1000, nil)}, 2, "flat from 110.0 s"},
	} {
		computer := &computer{}
		computer.bendResponses(c.all)
		if len(computer.Figures) != 1 {
			t.Fatalf("%s: %+v", c.name, computer.Figures)
		}
		f := computer.Figures[0]
		if math.Abs(f.Value-c.want) > 1e-9 || !strings.Contains(f.Rows, c.flat) || !strings.Contains(f.Definition, "nearest count of cycles") {
			t.Errorf("%s: %v %%, expected %v; %s", c.name, f.Value, c.want, f.Rows)
		}
	}
}
