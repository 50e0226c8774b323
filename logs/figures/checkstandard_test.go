package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// The check standard is what was read in the longest hold of its steps; nothing read in
// these is the film's.
func TestReadingsOfACheckStandard(t *testing.T) {
	s, err := readStory(told(t, `{}`, [4]string{"10", "step", "1 hold", ""}, [4]string{"40", "step", "2.1 ask", "check standard"},
		[4]string{"70", "step", "2.2 hold", "check standard"}, [4]string{"75", "step", "2.3 hold", "check standard"},
		[4]string{"95", "step", "2.4 ask", "check standard"}, [4]string{"120", "step", "3 hold", ""}, [4]string{"200", "ended", "", ""}), Facts{})
	if err != nil || len(s.sessions) != 1 {
		t.Fatalf("%v, %+v", err, s.sessions)
	}
	for at := range 200 {
		ohm := 10000.
		if at >= 75 && at < 95 {
			ohm = 9000 + float64(at%2)
		}
		if got, want := s.ofStandard(float64(at), ohm), at >= 40 && at < 120; got != want {
			t.Errorf("at %d s: of the standard %v, expected %v", at, got, want)
		}
	}
	if x := s.standards(); len(x) != 1 || math.Abs(x[0].ohm-9000.5) > 0.1 || math.Abs(x[0].at-85) > 1 {
		t.Errorf("%+v", x)
	}
}

// A meter that drifts by 500 ppm/h, a film that does by 20: over 40 seeds the interval
// against the check standard holds the film's own in 95 of 100, its few readings being as
// uncertain as they are (demo data).
func TestDriftAgainstFewReadings(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	rng := rand.New(rand.NewPCG(2, 71))
	const seeds = 40
	held, width := 0, 0.
	for range seeds {
		d := Record{Origin: Origin{"film", "demo data"}}
		meter := func(s float64) float64 { return 1 + 500e-6*s/3600 }
		for i := range 2400 {
			s := 3 * float64(i)
			d.Time, d.R = append(d.Time, s), append(d.R, 10000*(1+20e-6*s/3600)*meter(s)+0.05*rng.NormFloat64())
		}
		var all []standard
		for k := range 2 {
			s := 100 + 6900*float64(k)
			all = append(all, standard{s, 9876*meter(s) + rng.NormFloat64(), 1})
		}
		d, err := d.against(all)
		if err != nil {
			t.Fatal(err)
		}
		figures, err := Drift(d)
		if err != nil {
			t.Fatal(err)
		}
		f := pick(t, figures, nil, "drift", "against the check standard")
		if width += f.Expanded; math.Abs(f.Value-20) <= f.Expanded {
			held++
		}
		if f = pick(t, figures, nil, "drift", "as measured"); math.Abs(f.Value-520) > 10 {
			t.Errorf("as measured %v ppm/h, expected 520", f.Value)
		}
	}
	// Of 40 with 0.95 each, 33 or fewer come in one of 2000 (binomial).
	if mean := width / seeds; held < 34 || mean > 300 {
		t.Errorf("held %d of %d, mean U %.1f ppm/h", held, seeds, mean)
	}
	if _, err := (Record{}).against(make([]standard, 1)); err == nil || !strings.Contains(err.Error(), "at least 2") {
		t.Errorf("one reading of a standard: %v", err)
	}
}
