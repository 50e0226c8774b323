package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// wayOf goes through a plan as the run will. Each cycle must begin and end in its first
// shape; it returns the marks with the count of cycles at each, and where the stage ends.
func wayOf(t *testing.T, p *Plan, first, second float64) (marks []string, cycles int64, ends float64) {
	t.Helper()
	passes, at := make([]int64, len(p.Actions)), math.NaN()
	is := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
	halfway := false // the second shape has been gone to from the first, on its own
	for i := 0; i < len(p.Actions); i++ {
		switch a := p.Actions[i]; a.Op {
		case Loop:
			passes[i] = 0
		case Again:
			if passes[a.Jump]++; passes[a.Jump] < p.Actions[a.Jump].Count {
				i = a.Jump
			}
		case Cycle:
			if !is(at, first) || !is(a.Setpoints[0].Value, second) || !is(a.Setpoints[1].Value, first) || !is(a.Target, first) {
				t.Fatalf("action %d: at %g m it cycles between %g and %g m", i, at, a.Setpoints[1].Value, a.Setpoints[0].Value)
			}
			cycles += a.Count
		case Move:
			if a.Count > 0 && (!halfway || !is(a.Target, first)) {
				t.Fatalf("action %d counts as a cycle, and is none", i)
			}
			halfway = is(at, first) && is(a.Target, second)
			at, cycles = a.Target, cycles+a.Count
		case Mark:
			marks = append(marks, fmt.Sprintf("%s %d", a.Text, cycles))
		}
	}
	return marks, cycles, at
}

// Cycles between two shapes: each from the first to the second and back to the first; flat
// at the beginning, at each measured count, and at the end.
func TestCyclesBetweenTwoShapes(t *testing.T) {
	for _, c := range []struct {
		times   int64
		measure string
		want    string
	}{
		{250, "", ""},
		{2, "every 1", "flat 0, bent 0, first shape 1, flat 1, bent 1, first shape 2, flat 2"},
		{5, "1-2-5", "flat 0, bent 0, first shape 1, flat 1, bent 1, first shape 2, flat 2, bent 4, first shape 5, flat 5"},
		{450, "every 200", "flat 0, bent 199, first shape 200, flat 200, bent 399, first shape 400, flat 400, bent 449, first shape 450, flat 450"},
	} {
		p, said := bent(t, bendHead+fmt.Sprintf("  - cycle: {from: {radius: 20 mm}, to: {strain: 0.7 %%}, times: %d, rate: 1 Hz%s}\n", c.times, measuredAt(c.measure)), nil, nil)
		if said != "" {
			t.Errorf("%+v:\n%s", c, said)
			continue
		}
		b := p.Summary.Bends
		if len(b) != 2 || math.Abs(b[1].RadiusM-0.02) > 1e-12 || math.Abs(b[0].Strain-0.007) > 1e-12 {
			t.Fatalf("%+v", b)
		}
		marks, cycles, ends := wayOf(t, p, 0.2e-3+b[1].TravelM, 0.2e-3+b[0].TravelM)
		if strings.Join(marks, ", ") != c.want || cycles != c.times || ends != 0.2e-3 {
			t.Errorf("%+v: %d cycles, it ends at %g m, marks %s", c, cycles, ends, marks)
		}
		i := slices.IndexFunc(p.Actions, func(a Action) bool { return a.Op == Cycle })
		if c.times > 100 && p.Actions[i].Text != "radius 20 mm, strain 0.7 %, radius 20 mm" {
			t.Errorf("one cycle is %q", p.Actions[i].Text)
		}
		looks := strings.Count(c.want, "flat")
		if does := p.Summary.Steps[len(p.Summary.Steps)-1].Does; looks > 0 && c.times > 100 && !strings.Contains(does, fmt.Sprintf("; %d times between them", looks)) {
			t.Errorf("check says %q", does)
		}
	}
}

// The rate is that of the way between the two shapes, not of that from flat: by hand, with
// 50 mm/s reached in 100 ms, twice 2 sqrt(length/a) for a way that is short.
func TestRateBetweenTwoShapes(t *testing.T) {
	at := func(hertz float64) (*Plan, string) {
		return bent(t, bendHead+fmt.Sprintf("  - cycle: {from: {radius: 9 mm}, to: {radius: 8 mm}, times: 10, rate: %.9g Hz}\n", hertz), nil, nil)
	}
	p, _ := at(0.1)
	most := 1 / (4 * math.Sqrt(math.Abs(p.Summary.Bends[0].TravelM-p.Summary.Bends[1].TravelM)/0.5))
	if _, said := at(most * 0.9999); said != "" {
		t.Errorf("%.4g Hz is refused:\n%s", most, said)
	}
	if _, said := at(most * 1.01); !strings.Contains(said, fmt.Sprintf("from the first shape and back: at most %.3g Hz", most)) {
		t.Errorf("%.4g Hz is more than the %.4g that it can do:\n%s", most*1.01, most, said)
	}
}

// refused expects of each text, in the place of X, what is said against it.
func refused(t *testing.T, protocol string, texts map[string]string) {
	t.Helper()
	for text, says := range texts {
		if _, said := bent(t, strings.Replace(protocol, "X", text, 1), nil, nil); !strings.Contains(said, says) {
			t.Errorf("%s: expected %q, got:\n%s", text, says, said)
		}
	}
}

func TestWrongBetweenTwoShapes(t *testing.T) {
	refused(t, bendHead+"  - cycle: {X, times: 100, rate: 1 Hz}\n", map[string]string{
		"from: {radius: 8 mm}, to: {radius: 8 mm}":               "f.yaml:8:39: both shapes are one: the stage stands at 11.5 mm for them",
		"from: {radius: 4 mm}, to: {radius: 8 mm}":               "more than the specimen bears (1.5 %)",
		"from: {radius: 20 mm}, to: {radius: 4 mm}":              "more than the specimen bears (1.5 %)",
		"from: {radius: 20 mm}":                                  `"to" is missing`,
		"from: {}, to: {radius: 8 mm}":                           "a radius, a travel or a strain is missing here",
		"from: {strain: -0.5 %}, to: {strain: 0.5 %}":            "hint: a strip bends to one side only here",
		"from: {strain: 0.5 %}, to: {strain: -0.5 %}":            "never in both",
		"from: {radius: 20 mm}, to: {travel: 29.9 mm}":           "30.1 mm is above what this rig allows (30 mm",
		"from: {travel: 29.9 mm}, to: {radius: 20 mm}":           "30.1 mm is above what this rig allows (30 mm",
		"from: {radius: 20 mm, strain: 1 %}, to: {radius: 8 mm}": "one of them",
	})
}

// Between plates that are never flat, cycles between two gaps are measured open too.
func TestCyclesBetweenTwoGaps(t *testing.T) {
	p, said := fixed(t, "plates", "  - home: {at most: 2 min}\n  - cycle: {from: {radius: 7 mm}, to: {radius: 5 mm}, times: 20, rate: 0.5 Hz, measure: {at: every 10, for: 2 s}}\n", "")
	if said != "" {
		t.Fatal(said)
	}
	b := p.Summary.Bends
	marks, cycles, ends := wayOf(t, p, 0.2e-3+b[1].TravelM, 0.2e-3+b[0].TravelM)
	if strings.Join(marks, ", ") != "open 0, bent 9, first shape 10, open 10, bent 19, first shape 20, open 20" || cycles != 20 || ends != 0.2e-3 {
		t.Errorf("%d cycles, it ends at %g m, marks %s", cycles, ends, marks)
	}
	if _, said = fixed(t, "plates", "  - home: {at most: 2 min}\n  - cycle: {from: {radius: 7 mm}, to: {travel: 0 mm}, times: 20, rate: 0.5 Hz}\n", ""); !strings.Contains(said, "this is open, where cycles begin") {
		t.Errorf("to the open plates:\n%s", said)
	}
}
