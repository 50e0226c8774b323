package figures

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// peer reads the same file with pandas and asks numpy and scipy for the same numbers.
const peer = `
import json, sys
import numpy as np, pandas as pd
from scipy import stats, signal, optimize
d = pd.read_csv(sys.argv[1], sep=";", decimal=",", encoding="utf-8-sig")
t, T, R = (d[c].to_numpy() for c in d.columns)
line = stats.linregress(T, R)
law = stats.linregress(1/(T+273.15), np.log(R))
ticks = np.arange(t[0], t[-1], 0.37)
step = lambda t, a, b, tau: a - b*np.exp(-t/tau)
y = step(t, 5.0, 3.0, 40.0) + 0.01*np.sin(17*t)
p, cov = optimize.curve_fit(step, t, y, [4, 2, 30], ftol=1e-15, xtol=1e-15, gtol=1e-15)
print(json.dumps({
  "sum": [t.sum(), T.sum(), R.sum()],
  "line": [line.intercept, line.slope, line.intercept_stderr, line.stderr, line.rvalue**2],
  "quadratic": list(np.polyfit(T-30, R, 2)[::-1]),
  "b": [law.slope, law.stderr],
  "std": [R.std(ddof=1), np.sqrt((signal.detrend(R)**2).sum()/(len(R)-2))],
  "aligned": [float(v) for v in np.interp(ticks, t, T)],
  "student": [float(stats.t.ppf(0.975, n)) for n in (1, 2, 5, 16, 100)],
  "step": list(p) + list(np.sqrt(np.diag(cov)))}))
`

// TestAgainstScipy: one file (demo data), read and computed by both; equal to 1e-9 where
// both solve the same linear problem, to 1e-6 for the nonlinear fit.
func TestAgainstScipy(t *testing.T) {
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import scipy.stats, pandas").CombinedOutput(); err != nil {
		t.Skipf("scipy and pandas are not there (Debian packages python3-scipy, python3-pandas): %v %.200q", err, out)
	}
	rng := rand.New(rand.NewPCG(9, 9))
	var text strings.Builder
	text.WriteString("\ufeffzeit / s;T / °C;R / Ohm\n")
	for i := range 400 {
		T := 20 + 20*float64(i)/400 + 0.05*rng.NormFloat64()
		R := 10000*math.Exp(1000*(1/(T+273.15)-1/298.15)) + rng.NormFloat64()
		text.WriteString(strings.ReplaceAll(fmt.Sprintf("%.3f;%.4f;%.4f\n", 0.5*float64(i)+0.1*rng.Float64(), T, R), ".", ","))
	}
	file := filepath.Join(t.TempDir(), "table.csv")
	if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	program := exec.Command(python, "-c", peer, file)
	program.Stderr = os.Stderr
	out, err := program.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want map[string][]float64
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatalf("%v: %.200q", err, out)
	}
	columns, _, err := threeColumns(text.String(), Reading{Comma: true})
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range ours(t, columns[0], columns[1], columns[2]) {
		if len(got) != len(want[name]) || len(got) == 0 {
			t.Fatalf("%s: %d numbers, scipy has %d", name, len(got), len(want[name]))
		}
		tolerance := 1e-9
		if name == "step" {
			tolerance = 1e-6
		}
		for i, v := range got {
			if math.Abs(v-want[name][i]) > tolerance*math.Abs(want[name][i]) {
				t.Errorf("%s %d: %.17g, scipy has %.17g", name, i, v, want[name][i])
			}
		}
	}
}

func ours(t *testing.T, x, temperature, r []float64) map[string][]float64 {
	t.Helper()
	must := func(f Fit, err error) Fit {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	sum := func(x []float64) (s float64) {
		for _, v := range x {
			s += v
		}
		return s
	}
	line, quadratic, law := must(LineFit(temperature, r)), must(quadraticAt(temperature, r, 30)), must(logFit(temperature, r))
	_, rest, err := Detrended(r)
	if err != nil {
		t.Fatal(err)
	}
	var ticks, y []float64
	for k := 0; x[0]+0.37*float64(k) < x[len(x)-1]; k++ {
		ticks = append(ticks, x[0]+0.37*float64(k))
	}
	aligned, err := Series{Channel: "T", Time: x, Y: temperature}.Align(ticks, 10)
	if err != nil {
		t.Fatal(err)
	}
	step := func(t float64, b []float64) float64 { return b[0] - b[1]*math.Exp(-t/b[2]) }
	for _, v := range x {
		y = append(y, step(v, []float64{5, 3, 40})+0.01*math.Sin(17*v))
	}
	curve := must(NonlinearFit(Pointwise(x, step), y, []float64{4, 2, 30}))
	var student []float64
	for _, n := range []float64{1, 2, 5, 16, 100} {
		student = append(student, StudentT(Level95, n))
	}
	return map[string][]float64{
		"sum":  {sum(x), sum(temperature), sum(r)},
		"line": {line.B[0], line.B[1], line.U(0), line.U(1), line.R2}, "quadratic": quadratic.B,
		"b": {law.B[1], law.U(1)}, "std": {MomentsOf(r).S(), rest}, "aligned": aligned.Y, "student": student,
		"step": {curve.B[0], curve.B[1], curve.B[2], curve.U(0), curve.U(1), curve.U(2)},
	}
}
