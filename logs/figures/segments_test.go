package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// staircase is a plate (demo data): holds of hold seconds at levels, each reached by a
// ramp or, at rate 0, by an exponential approach with tau. Bounds are where holds begin
// and end.
func staircase(levels []float64, hold, rate, tau, dt float64) (t, y []float64, bounds [][2]float64) {
	now, value := 0., levels[0]
	add := func(seconds float64, f func(s float64) float64) {
		for s := 0.; s < seconds-dt/2; s += dt {
			t, y = append(t, now), append(y, f(s))
			now += dt
		}
		value = y[len(y)-1]
	}
	for _, level := range levels {
		from := value
		if rate > 0 && level != from {
			add(math.Abs(level-from)/rate, func(s float64) float64 { return from + math.Copysign(rate*s, level-from) })
		}
		start := now
		add(hold, func(s float64) float64 {
			if rate > 0 || tau == 0 {
				return level
			}
			return level + (from-level)*math.Exp(-s/tau)
		})
		bounds = append(bounds, [2]float64{start, now})
	}
	return t, y, bounds
}

func TestSegments(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	levels := []float64{25, 35, 45, 55, 65, 75, 85, 75, 65, 55, 45, 35, 25}
	for _, c := range []struct {
		name                                    string
		hold, rate, tau, dt, noise, cycle, step float64 // step: coarseness of a reading
		spikes                                  int
		kind                                    string
		late                                    float64 // s a plateau may begin late
	}{
		{"ramps", 120, 5. / 60, 0, 1, 0.02, 0, 0, 0, "ramp", 5},
		{"ramps, noisy", 120, 5. / 60, 0, 1, 0.3, 0, 0, 0, "ramp", 40},
		{"ramps, short holds at 10 Hz", 60, 1, 0, 0.1, 0.05, 0, 0, 0, "ramp", 5},
		{"approaches", 300, 0, 30, 1, 0.02, 0, 0, 0, "step", 150},
		{"approaches, quiet", 300, 0, 30, 1, 0, 0, 0, 0, "step", 150},
		{"approaches, slow", 120, 0, 15, 2, 0.02, 0, 0, 0, "step", 80},
		{"jumps", 60, 0, 0, 1, 0.02, 0, 0, 0, "step", 5},
		{"ramps, wild readings", 120, 5. / 60, 0, 1, 0.02, 0, 0, 20, "ramp", 5},
		{"ramps, a plate that cycles", 300, 5. / 60, 0, 1, 0.02, 0.3, 0, 0, "ramp", 60},
		{"ramps, read to 0.1 K", 120, 5. / 60, 0, 1, 0.01, 0, 0.1, 0, "ramp", 8},
	} {
		x, y, bounds := staircase(levels, c.hold, c.rate, c.tau, c.dt)
		for i := range y {
			y[i] += c.noise*rng.NormFloat64() + c.cycle*math.Sin(2*math.Pi*x[i]/47)
			if c.step > 0 {
				y[i] = math.Round(y[i]/c.step) * c.step
			}
		}
		for range c.spikes {
			y[rng.IntN(len(y))] += 50
		}
		f, err := Segments(x, y)
		if err != nil {
			t.Fatal(err)
		}
		p := f.Plateaus()
		if len(p) != len(levels) {
			t.Errorf("%s: expected %d plateaus, got\n%s", c.name, len(levels), f)
			continue
		}
		for i, s := range p {
			if s.Start > bounds[i][0]+c.late || s.Start < bounds[i][0]-3-c.late/2 || math.Abs(s.End-bounds[i][1]) > 3+c.late/2 {
				t.Errorf("%s: plateau %d lies at %v to %v s, expected %v", c.name, i, s.Start, s.End, bounds[i])
			}
			if math.Abs(s.Level-levels[i]) > 0.35 {
				t.Errorf("%s: plateau %d at %v, expected %v", c.name, i, s.Level, levels[i])
			}
		}
		for i, s := range f.Segments {
			if s.Kind != "plateau" && s.Kind != c.kind {
				t.Errorf("%s: a %s from %v to %v s, expected a %s", c.name, s.Kind, s.Start, s.End, c.kind)
			}
			if c.kind == "ramp" && s.Kind == "ramp" && c.noise < 0.1 && c.spikes == 0 && c.cycle == 0 && math.Abs(math.Abs(s.Rate)/c.rate-1) > 0.1 {
				t.Errorf("%s: rate %v, expected %v", c.name, s.Rate, c.rate)
			}
			if i > 0 && s.From != f.Segments[i-1].To {
				t.Errorf("%s: readings %d to %d belong nowhere", c.name, f.Segments[i-1].To, s.From)
			}
		}
	}
}

func TestSegmentsOfOnePiece(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	x, hold, ramp, sine, hill := count(0, 1999), make([]float64, 2000), make([]float64, 2000), make([]float64, 2000), make([]float64, 2000)
	for i := range x {
		n := 0.05 * rng.NormFloat64()
		hold[i], ramp[i], sine[i] = 25+n, 20+0.01*x[i]+n, 20+20*math.Sin(x[i]/200)+n
		hill[i] = 60 - math.Abs(x[i]-1000)/20 + n
	}
	for _, c := range []struct {
		name  string
		y     []float64
		kinds string
	}{{"hold", hold, "plateau"}, {"ramp", ramp, "ramp"}, {"up and down", hill, "ramp ramp"}} {
		f, err := Segments(x, c.y)
		if err != nil {
			t.Fatal(err)
		}
		var kinds []string
		for _, s := range f.Segments {
			kinds = append(kinds, s.Kind)
		}
		if strings.Join(kinds, " ") != c.kinds {
			t.Errorf("%s: expected %s, got\n%s", c.name, c.kinds, f)
		}
	}
	if f, _ := Segments(x, sine); len(f.Plateaus()) != 0 {
		t.Errorf("a sine has no plateaus, got\n%s", f)
	}
	if _, err := Segments(x[:5], hold[:5]); err == nil {
		t.Error("five readings: expected an error")
	}
	x[7] = x[6]
	if _, err := Segments(x, hold); err == nil || !strings.Contains(err.Error(), "reading 8") {
		t.Errorf("time stands still: %v", err)
	}
}

func TestSegmentsByHand(t *testing.T) {
	x, y, _ := staircase([]float64{25, 35, 25}, 60, 1, 0, 1)
	f, err := Segments(x, y)
	if err != nil {
		t.Fatal(err)
	}
	again, err := ReadSegments("list.csv", f.String(), x, y)
	if err != nil || len(again) != len(f.Segments) {
		t.Fatalf("the listing does not come back: %v\n%s", err, f)
	}
	for i, s := range again {
		if g := f.Segments[i]; s.Kind != g.Kind || s.From != g.From || s.To != g.To {
			t.Errorf("expected %+v, got %+v", g, s)
		}
	}
	s, err := ReadSegments("list.csv", "plateau,80,120", x, y)
	if err != nil || s[0].Level != 35 || s[0].From != 80 || s[0].To != 121 {
		t.Errorf("%+v %v", s, err)
	}
	for text, says := range map[string]string{"": "no segments", "hold,1,2": "expected plateau", "plateau,900,1000": "beyond the record", "plateau,20.1,20.2": "0 readings", "plateau,a,2": `"a"`,
		"plateau,1,20\nramp,10,30": "list.csv:2: ", "plateau,NaN,3": `"NaN"`, "plateau,1,+Inf": `"+Inf"`, "# none\nplateau,80,5000": "list.csv:2: ", "plateau,-5,20": "list.csv:1: ",
		"\n\nplateau,20,10": "list.csv:3: "} {
		if _, err := ReadSegments("list.csv", text, x, y); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: expected an error with %q, got %v", text, says, err)
		}
	}
}

// A record that wanders about one temperature is one plateau, whatever it does there; one that
// goes farther is divided.
func TestOneHoldThatWanders(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for name, f := range map[string]func(t float64) float64{
		"slowly to and fro": func(t float64) float64 { return 25 + 0.3*math.Sin(t/6000) },
		"a plate's cycle":   func(t float64) float64 { return 60 + 0.4*math.Sin(t/90) },
		"creeping":          func(t float64) float64 { return 60 - 0.6*math.Exp(-t/15000) },
		"two levels":        func(t float64) float64 { return 25 + 4*math.Floor(t/43000) },
	} {
		var x, y []float64
		for i := range 4320 {
			x, y = append(x, 20*float64(i)), append(y, f(20*float64(i))+0.01*rng.NormFloat64())
		}
		found, err := Segments(x, y)
		if err != nil {
			t.Fatal(err)
		}
		if one := len(found.Segments) == 1 && found.Segments[0].Kind == "plateau" && found.Segments[0].To == len(x); one == (name == "two levels") {
			t.Errorf("%s:\n%s", name, found)
		}
	}
}
