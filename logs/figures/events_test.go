package figures

import (
	"math"
	"testing"
)

// A moment that is known badly has its base before everything it could have been.
func TestTransientOfABadMoment(t *testing.T) {
	var c computer
	c.R = Series{Channel: "film", Unit: "Ohm"}
	for i := range 1200 {
		at := float64(i) / 5
		y := 1000.
		if at > 60 {
			y -= 100 * (1 - math.Exp(-(at-60)/20))
		}
		c.R.Time, c.R.Y = append(c.R.Time, at), append(c.R.Y, y+0.01*float64(i%3))
	}
	for _, u := range []float64{0.3, 3.3, 4.75, 8.3} { // s
		tr, err := c.transient(move{at: 65, u: u, to: "plate", until: 239}, "response")
		if u < 2 {
			if err != nil || math.Abs(tr.Base-1000) < 0.1 {
				t.Errorf("u %v s: base %v, %v: it should have been taken from after the change", u, tr.Base, err)
			}
			continue
		}
		if err != nil || math.Abs(tr.Base-1000.01) > 0.1 || math.Abs(tr.Final-900) > 1 {
			t.Errorf("u %v s: from %v to %v, %v; expected from 1000.01 to 900 Ohm", u, tr.Base, tr.Final, err)
		}
	}
}
