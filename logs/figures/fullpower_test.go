package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// stove is a plate that is integrated in small steps, apart from the law that is fitted:
// power through a dead time to a plate that loses heat, a thermometer with a lag on it, a
// display in tenths. Its numbers are those of the worked example of a stuck heater in
// drivers/rig: 25 degC, 200 K, 180 s; the rest is demo data.
type stove struct {
	ambient, rise, tau, dead, lag float64
	gain                          float64 // of its controller, %/K; 0 for all or nothing
	loses                         float64 // how much faster it cools for each K above ambient: free convection
	starts                        float64 // K above ambient
	noise                         float64
}

var worked = stove{ambient: 25, rise: 200, tau: 180, dead: 20, lag: 3, noise: 0.02}

// identified warms the bench twice, told differently, and gives back what it shows.
func (b stove) identified(told ...float64) (pulses, Series) {
	const step, every = 0.01, 25
	p := pulses{heater: Heater{Name: "plate", Channel: "plate.temperature", WithinK: 0.5, DisplayK: 0.1}}
	s := Series{Channel: "plate.temperature", Unit: "degC"}
	noise := rand.New(rand.NewPCG(7, 0))
	queue := make([]float64, int(b.dead/step)+1)
	plate, sensor, shown, target, on := b.ambient+b.starts, b.ambient+b.starts, b.ambient+b.starts, 0.0, false
	begun := 60.0
	for k := 0; ; k++ {
		t := float64(k) * step
		switch {
		case !on && t >= begun && len(p.all) < len(told):
			on, target = true, told[len(p.all)]
			p.all = append(p.all, pulse{t, math.NaN(), target})
		case on && shown > b.ambient+15:
			on, begun = false, t+2*b.tau
			p.all[len(p.all)-1].down = t
		case !on && len(p.all) == len(told) && t > begun:
			p.end = t
			return p, s
		}
		power := 0.0
		if on {
			if power = 1; b.gain > 0 {
				power = max(0, min(1, b.gain*(target-sensor)/100))
			}
		}
		queue[k%len(queue)] = power
		excess := plate - b.ambient
		plate += step / b.tau * (b.rise*queue[(k+1)%len(queue)] - excess*(1+b.loses*excess))
		sensor += step / b.lag * (plate - sensor)
		if k%every == 0 {
			shown = math.Round(10*(sensor+b.noise*noise.NormFloat64())) / 10
			s.Time, s.Y, s.Bound = append(s.Time, t), append(s.Y, shown), append(s.Bound, 0.017)
		}
	}
}

func TestFullPower(t *testing.T) {
	for name, change := range map[string]func(*stove){
		"the worked example":      func(*stove) {},
		"no lag of a thermometer": func(b *stove) { b.lag = 0.02 },
		"no noise":                func(b *stove) { b.noise = 0 },
		"a quick one":             func(b *stove) { b.tau, b.dead, b.lag = 40, 2, 1 },
	} {
		b := worked
		change(&b)
		p, s := b.identified(70, 62)
		all, err := p.identify(s, false)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for figure, want := range map[string]float64{"full_power_rise": b.rise, "full_power_rate": 60 * b.rise / b.tau, "plate_time_constant": b.tau, "plate_dead_time": b.dead + b.lag} {
			f := named(t, all, figure)
			if math.Abs(f.Value-want) > f.Expanded || f.Expanded > 0.06*want {
				t.Errorf("%s: %s is %.4g ± %.2g %s, expected %.4g within 6 %%", name, figure, f.Value, f.Expanded, f.Unit, want)
			}
			if len(f.Notes) > 0 {
				t.Errorf("%s: %v", name, f.Notes)
			}
		}
	}
}

func named(t *testing.T, all []Figure, name string) Figure {
	t.Helper()
	for _, f := range all {
		if f.Figure == name {
			return f
		}
	}
	t.Fatalf("no %s", name)
	return Figure{}
}

// What does not show full power gives no numbers, or says what is wrong with them.
func TestNoFullPower(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	for _, c := range []struct {
		name   string
		change func(*stove)
		told   []float64
		cooled bool
		says   string
	}{
		{"a controller that holds back", func(b *stove) { b.gain = 1.5 }, []float64{70, 62}, false, "holds power back"},
		{"told most at last", func(b *stove) { b.gain = 1.5 }, []float64{62, 70}, false, "holds power back"},
		{"one rise", func(*stove) {}, []float64{70}, false, "one rise does not show"},
		{"told the same", func(*stove) {}, []float64{70, 69}, false, "one rise does not show"},
		{"a rig that cools", func(*stove) {}, []float64{70, 62}, true, "this rig cools"},
		{"not at rest", func(b *stove) { b.starts = 3 }, []float64{70, 62}, false, "from where it tends to"},
		{"free convection, four times as strong as any", func(b *stove) { b.loses = 0.2 }, []float64{70, 62}, false, "does not respond by the law"},
	} {
		b := worked
		c.change(&b)
		p, s := b.identified(c.told...)
		all, err := p.identify(s, c.cooled)
		says := ""
		if err != nil {
			says = err.Error()
		} else {
			says = strings.Join(all[0].Notes, "; ")
		}
		if !strings.Contains(says, c.says) {
			t.Errorf("%s: %q, expected %q", c.name, says, c.says)
		}
	}
	p, s := worked.identified(70, 62)
	for name, cut := range map[string]func(){
		"before the heat":   func() { s.Time, s.Y, s.Bound = s.Time[235:], s.Y[235:], s.Bound[235:] },
		"has cooled by":     func() { p.end = p.all[1].down + 60 },
		"in a pulse":        func() { p.end = p.all[1].up + 1 },
		"has warmed by 0 K": func() { p.end = p.all[1].up + 10 },
	} {
		p, s = worked.identified(70, 62)
		cut()
		if _, err := p.identify(s, false); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A run shows pulses of power where its first set values go up and down again without an
// arrival; ramps, plateaus and what comes after them are none.
func TestPulses(t *testing.T) {
	set := func(at, text string) [4]string { return [4]string{at, "set", "5 bring", "plate temperature " + text} }
	for name, c := range map[string]struct {
		events [][4]string
		count  int
		end    float64
	}{
		"two":         {[][4]string{set("10", "70 degC"), set("20", "20 degC"), set("100", "62 degC"), set("110", "20 degC"), {"300", "ended", "", ""}}, 2, 300},
		"cut off":     {[][4]string{set("10", "70 degC"), set("20", "20 degC")}, 1, math.MaxFloat64},
		"a staircase": {[][4]string{set("10", "30 degC"), {"15", "arrived", "5 bring", "plate.temperature"}, set("20", "20 degC")}, 0, 0},
		"up and up":   {[][4]string{set("10", "30 degC"), set("20", "40 degC"), set("30", "20 degC")}, 0, 0},
		"a ramp":      {[][4]string{{"10", "set", "6 ramp", "plate temperature 30 degC"}, {"20", "set", "6 ramp", "plate temperature 29 degC"}}, 0, 0},
		"tripped":     {[][4]string{set("10", "70 degC"), {"15", "tripped", "", "x"}, set("20", "10 degC")}, 0, 0},
		"then others": {[][4]string{set("10", "70 degC"), set("20", "20 degC"), set("100", "30 degC"), {"130", "arrived", "5 bring", "plate.temperature"}, set("200", "20 degC")}, 1, 100},
		"another's":   {[][4]string{{"10", "set", "5 bring", "oven temperature 70 degC"}, {"20", "set", "5 bring", "oven temperature 20 degC"}}, 0, 0},
	} {
		found, err := pulsesOf(told(t, "{}", c.events...), []Heater{{Name: "plate", Channel: "plate.temperature"}}, map[string]string{"6 ramp": "ramp"})
		switch {
		case err != nil:
			t.Errorf("%s: %v", name, err)
		case c.count == 0 && len(found) > 0 || c.count > 0 && (len(found) != 1 || len(found[0].all) != c.count || found[0].end != c.end):
			t.Errorf("%s: %+v", name, found)
		}
	}
}

// What is stated for a rig file lies on the side on which a heater overshoots more.
func TestWorstCase(t *testing.T) {
	got := worstCase([]Figure{{Figure: "full_power_rise", Value: 150.3, Expanded: 5.8, Unit: "K"}, {Figure: "plate_time_constant", Value: 80.01, Expanded: 0.34, Unit: "s"},
		{Figure: "plate_dead_time", Value: 4.502, Expanded: 0.043, Unit: "s"}})
	if want := "rise at full power: 157 K, time constant: 79.6 s, dead time: 4.55 s"; got != want {
		t.Errorf("%s, expected %s", got, want)
	}
}
