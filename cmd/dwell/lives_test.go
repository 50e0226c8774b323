package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/twin"
	"dwell/logs/figures"
)

// Six virtual films that crack by known laws, of which one outlives its run: compare finds
// their lives, and the distribution that these have.
func TestCompareLives(t *testing.T) {
	if testing.Short() {
		t.Skip("several whole runs")
	}
	t.Parallel()
	var folders []string
	var truth []figures.Life
	for k, cracks := range []int{370, 450, 520, 610, 700, 1000} {
		folder, strain := worn(t, cracks, uint64(k+1))
		folders = append(folders, folder)
		life := figures.Life{Cycles: twin.StripModel{CrackCycles: float64(cracks)}.CyclesTo(strain, 0.2)}
		if life.Cycles > 2500 { // that many are in the protocol
			life = figures.Life{Cycles: 2500, Survived: true}
		}
		truth = append(truth, life)
	}
	w, err := figures.FitWeibull(truth)
	if err != nil || w.Failures != 5 {
		t.Fatalf("%+v: %v", w, err)
	}
	compare := func(flags ...string) string {
		p := start(t, append(append([]string{"compare"}, flags...), folders...)...)
		p.exits(exitDone)
		return p.out.String()
	}
	out := compare()
	if !strings.Contains(out, "LC-21, completed: still sound after 2500 cycles") {
		t.Errorf("the survivor is not told of:\n%s", out)
	}
	lines := strings.Split(strings.TrimSpace(compare("--json")), "\n")
	var object struct {
		Lives []struct {
			Threshold float64 `json:"threshold_percent"`
			Lives     []struct{ Cycles float64 }
			Figures   []figures.Figure
		}
	}
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &object); err != nil || len(object.Lives) != 3 {
		t.Fatalf("%v: %+v", err, object)
	}
	last := object.Lives[2]
	for k, life := range truth {
		if got := last.Lives[k].Cycles; math.Abs(got-life.Cycles) > 50 {
			t.Errorf("life %d is %.0f cycles, the law says %.0f", k+1, got, life.Cycles)
		}
	}
	for name, want := range map[string]float64{"weibull_shape": w.Shape, "weibull_scale": w.Scale} {
		i := slices.IndexFunc(last.Figures, func(f figures.Figure) bool { return f.Figure == name })
		if i < 0 {
			t.Fatalf("no %s for %g %%", name, last.Threshold)
		}
		// A life is known to 50 cycles of some 1500.
		if f := last.Figures[i]; math.Abs(f.Value/want-1) > 0.03 || f.Low == nil || !(*f.Low < want && want < *f.High) {
			t.Errorf("%s is %v, the lives by the law have %v", name, f.ValueText(), want)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(compare("--format", "csv", "--figure", "weibull_scale"))).ReadAll()
	if err != nil || len(rows) != 4 || !strings.HasPrefix(rows[3][1], "maximum likelihood, until the flat film has changed by 20 %; strain 0 % to ") || rows[3][10] == "" {
		t.Errorf("%v: %q", err, rows)
	}
	out = compare("--format", "latex")
	if row := fmt.Sprintf(`weibull\_shape, until the flat film has changed by 20 \%%; strain 0 \%% to 0.772 \%% & \multicolumn{%d}{r}{`, len(folders)); !strings.Contains(out, row) {
		t.Errorf("no %q in\n%s", row, out)
	}
}
