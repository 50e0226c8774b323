package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// across10 is what a loop says of a film without hysteresis whose readings come every so
// often (s) in cycles of 10 s, give or take a millisecond: demo data.
func across10(every float64, cycles float64) (across, error) {
	c, w := looped10(every, cycles, 1e-4)
	return c.across(w, 0, 0)
}

// looped10 is the same loop before anything is made of it, of a film that changes by so much
// for a curvature of 1/m.
func looped10(every, cycles, perCurvature float64) (*computer, looped) {
	r := rand.New(rand.NewPCG(3, 4))
	m := motion{first: 0.2e-3, bent: 11.49e-3, accel: 0.5, began: 17.3, period: 10, cycles: cycles}
	c := &computer{}
	c.R.Channel, c.Facts.FlatAtM = "element.resistance", m.first
	// A strip that buckles: curvature goes with the root of the travel.
	c.Facts.Curvature = func(travel float64) (perM, strain float64, err error) {
		return 1175 * math.Sqrt(max(0, travel)), 0, nil
	}
	w := looped{Loop{From: m.began, To: m.began + m.period*cycles, PeriodS: m.period}, m}
	for at := m.began + 0.3*every; at < w.To; at += every {
		moment := at + 1e-3*(2*r.Float64()-1)
		x, _, _, _ := m.at(moment)
		k, _, _ := c.Facts.Curvature(x - m.first)
		w.Inside = append(w.Inside, Inside{At: moment, R: 1e4*(1+perCurvature*k) + 0.2*r.NormFloat64()})
	}
	return c, w
}

// A width that may be all of the change in a cycle is none.
func TestALoopThatMayBeAnything(t *testing.T) {
	for perCurvature, given := range map[float64]bool{1e-4: true, 1e-7: false} { // a change of 1.2 %, and of a thousandth of that: scatter
		c, w := looped10(0.31, 5, perCurvature)
		all, err := c.width(w)
		if given && (err != nil || len(all) != 2 || all[1].Expanded > 100) {
			t.Errorf("%g: %+v, %v", perCurvature, all, err)
		}
		if !given && (len(all) > 0 || !strings.Contains(fmt.Sprint(err), "% of the change in a cycle only")) {
			t.Errorf("%g: %+v, %v", perCurvature, all, err)
		}
	}
}

// Readings that meet the same few places in each cycle say nothing of a loop; those that are
// spread do, and find none where there is none.
func TestTheSamePlacesInEachCycle(t *testing.T) {
	for _, c := range []struct {
		every, cycles float64
		refused       bool
	}{
		{0.31, 5, false}, {0.5, 5, false}, {1.7, 5, false}, {3.1, 50, false}, {10. / 14, 50, false},
		{1, 5, true}, {1, 50, true}, {1.25, 50, true}, {2, 50, true}, {2.5, 50, true}, {10. / 3, 50, true}, {5, 50, true},
	} {
		a, err := across10(c.every, c.cycles)
		if (err != nil) != c.refused {
			t.Errorf("every %g s: width %g ± %g Ohm, %v", c.every, a.width, a.u, err)
		}
		if c.refused && c.every < 5 && !strings.Contains(fmt.Sprint(err), "met the same few places in each cycle") {
			t.Errorf("every %g s: %v", c.every, err)
		}
		if err == nil && (math.Abs(a.width) > 3*a.u || a.u > 0.2) {
			t.Errorf("every %g s: width %g ± %g Ohm of none", c.every, a.width, a.u)
		}
	}
}
