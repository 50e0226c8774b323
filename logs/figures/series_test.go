package figures

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"dwell/logs"
)

func TestAlign(t *testing.T) {
	nan := math.NaN()
	s := Series{Channel: "plate", Time: []float64{0, 1, 2, 3, 6, 7, 8}, Bound: []float64{.1, .1, .1, .1, .1, .1, .1}, Y: []float64{0, 2, 4, 6, 12, nan, 16}}
	a, err := s.Align([]float64{-1, 0, 0.5, 3, 4.5, 6, 6.5, 7.5, 8, 9}, 2)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{nan, 0, 1, 6, nan, 12, nan, nan, 16, nan} {
		if a.Y[i] != want && !(math.IsNaN(a.Y[i]) && math.IsNaN(want)) {
			t.Errorf("moment %d: expected %v, got %v", i, want, a.Y[i])
		}
	}
	if a.Outside != 2 || a.Gap != 1 || a.Flagged != 2 {
		t.Errorf("%+v", a)
	}
	within(t, "u of timing: 2 K/s times 0.1 s/√3", a.U[2], 0.2/math.Sqrt(3), 1e-12)
	// A value is half an update and half an integration old, and the filter's constant.
	s = Series{Channel: "plate", Time: []float64{0, 1, 2, 3, 4}, Y: []float64{0, 2, 4, 6, 8}, Timing: Timing{Update: 0.2, Integration: 0.4, Filter: 0.1}}
	a, _ = s.Align([]float64{2}, 2)
	within(t, "aged by 0.4 s", a.Y[0], 4.8, 1e-12)
	within(t, "u of age", a.U[0], 2*0.1/math.Sqrt(3), 1e-12)
	s.Time[2] = 1
	if _, err := s.Align([]float64{2}, 2); err == nil {
		t.Error("time stands still: expected an error")
	}
}

func TestLagBetween(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	rng := rand.New(rand.NewPCG(8, 1))
	const seeds, truth = 60, 2.37
	covered, width := 0, 0.
	for range seeds {
		var x, y Series
		x.Channel, y.Channel = "plate", "film"
		phase := 6 * rng.Float64()
		f := func(s float64) float64 { return 40 + 10*math.Sin(s/20+phase) + 5*math.Sin(s/7) }
		for i := range 400 {
			s := 0.5 * float64(i)
			x.Time, x.Y = append(x.Time, s), append(x.Y, f(s)+0.05*rng.NormFloat64())
			s += 0.2
			y.Time, y.Y = append(y.Time, s), append(y.Y, 1000+3*f(s-truth)+0.3*rng.NormFloat64())
		}
		l, err := LagBetween(x, y, 10, 2)
		if err != nil {
			t.Fatal(err)
		}
		f2, err := LagFigure(Origin{"film", "demo data"}, l)
		if err != nil {
			t.Fatal(err)
		}
		width += f2.Expanded / seeds
		if math.Abs(f2.Value-truth) <= f2.Expanded {
			covered++
		}
	}
	low, high := binomialBand(seeds, 0.95, 0.999)
	t.Logf("lag of %v s covered %d of %d (band %d to %d), mean half width %.4f s", truth, covered, seeds, low, high, width)
	if covered < low || width > 0.2 {
		t.Errorf("covered %d, width %v", covered, width)
	}
	flat := Series{Channel: "plate", Time: count(0, 100), Y: make([]float64, 101)}
	if _, err := LagBetween(flat, flat, 5, 2); err == nil || !strings.Contains(err.Error(), "does not change") {
		t.Errorf("nothing changes: %v", err)
	}
}

func TestChannelsOfARun(t *testing.T) {
	m := logs.NewMemory()
	w, err := logs.Create(m, "runs", "example", nil, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	row := func(s float64, channel string, value float64, unit, flag string) logs.Row {
		return logs.Row{AtNs: int64(s * 1e9), WithinNs: 5e6, Channel: channel, Value: value, Unit: unit, Flag: flag}
	}
	for _, r := range []logs.Row{row(1, "plate.temperature", 20, "degC", ""), row(3, "plate.temperature", 22, "degC", ""), row(2, "plate.temperature", 21, "degC", ""),
		row(2, "plate.temperature", 99, "degC", ""), row(4, "plate.temperature", 9e37, "degC", "overflow"), row(1, "element.resistance", 1000, "Ohm", "")} {
		if err := w.Reading(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, _, err := logs.Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	k, err := story{}.read(r, Facts{}, "plate.temperature", "element.resistance")
	if err != nil {
		t.Fatal(err)
	}
	p := k.series["plate.temperature"]
	if len(p.Y) != 4 || p.Y[1] != 21 || p.Y[2] != 22 || !math.IsNaN(p.Y[3]) || p.Bound[0] != 0.005 || p.Unit != "degC" {
		t.Errorf("%+v", p)
	}
	if s := strings.Join(k.notes, "; "); s != "plate.temperature, flagged overflow: 1 readings left out; plate.temperature: 1 readings with the time of another left out" {
		t.Errorf("notes: %s", s)
	}
}
