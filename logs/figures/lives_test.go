package figures

import (
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"
)

// lived is what a run says of one specimen.
func lived(limit, cycles float64, survived bool) Worn {
	f := Figure{Figure: "cycles_to_threshold", Flavour: "linear in cycles", Channel: "element.resistance", Value: cycles, Censored: survived, With: []Given{{"threshold", limit, "%"}}}
	if survived {
		f.Flavour = "censored"
	}
	return Worn{Figures: []Figure{f}}
}

// The lives of NIST/SEMATECH e-Handbook, 8.4.1.3, as those of twenty runs: published scale
// 606.5280 and shape 1.7208.
func TestLivesOfSeveralRuns(t *testing.T) {
	var sides []Worn
	for i, x := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386} {
		// Who has not changed by 5 % has not by 20 % either.
		sides = append(sides, lived(20, x, false), lived([]float64{5, 20}[i%2], 500, true))
	}
	sides = append(sides, Worn{}) // says nothing
	all := LivesOf(sides)
	if len(all) != 1 || all[0].ThresholdPercent != 20 || len(all[0].Of) != 21 || all[0].Of[20] != nil || !all[0].Of[1].Survived {
		t.Fatalf("%+v", all)
	}
	within(t, "shape", pick(t, all[0].Figures, nil, "weibull_shape", "maximum likelihood").Value, 1.7208, 5e-5)
	f := pick(t, all[0].Figures, nil, "weibull_scale", "maximum likelihood")
	within(t, "scale", f.Value, 606.5280, 6e-4)
	within(t, "failures", with(t, f, "failures"), 10, 0)
	within(t, "specimens", with(t, f, "specimens"), 20, 0)
}

func TestLivesThatSayNothing(t *testing.T) {
	if all := LivesOf([]Worn{lived(20, 500, true), lived(20, 700, true)}); len(all) > 0 {
		t.Errorf("nothing failed, and yet: %+v", all)
	}
	all := LivesOf([]Worn{lived(10, 500, false), lived(10, 700, true)})
	if len(all) != 1 || len(all[0].Figures) > 0 || !strings.Contains(all[0].Why, "two different ones are needed") {
		t.Errorf("%+v", all)
	}
}

// strained is a life of a film that was bent between flat and a strain.
func strained(strain, cycles float64, survived bool, specimen, start string) Worn {
	w := lived(20, cycles, survived)
	w.Figures[0].With = append(w.Figures[0].With, Given{"strain", strain, "1"})
	w.Name, w.Specimen, w.Start = specimen+start, specimen, start
	return w
}

// Lives of films that were bent to another strain are others, a film that is worn in several
// runs has one life, the first, and what is left out has its reason.
func TestLivesThatDoNotBelongTogether(t *testing.T) {
	runs := []Worn{
		strained(0.007, 300, false, "a", "3"), strained(0.0071, 500, false, "b", "1"), strained(0.0069, 900, true, "c", "1"),
		strained(0.007, 90, false, "b", "2"), // again
		strained(0.012, 40, false, "d", "1"), strained(0.012, 70, false, "e", "1"),
		{LeftOut: []Omission{{"cycles_to_threshold", "the flat film was read at 2 counts of cycles: at least 3 are needed"}}, Specimen: "f"},
	}
	all := LivesOf(runs)
	if len(all) != 2 || !strings.Contains(all[0].Wear, "0 % to 0.7 %") || !strings.Contains(all[1].Wear, "0 % to 1.2 %") {
		t.Fatalf("%+v", all)
	}
	told := func(l Lives) (text string) {
		for i, life := range l.Of {
			switch {
			case life != nil:
				text += fmt.Sprintf("%d: %g %v; ", i, life.Cycles, life.Survived)
			case l.Without[i] != "":
				text += fmt.Sprintf("%d: %s; ", i, l.Without[i])
			}
		}
		return text
	}
	if got, want := told(all[0]), "0: 300 false; 1: 500 false; 2: 900 true; 3: left out: run b1 wore this film before, and a film has one life; "+
		"6: left out: the flat film was read at 2 counts of cycles: at least 3 are needed; "; got != want {
		t.Errorf("%s\nexpected %s", got, want)
	}
	if got, want := told(all[1]), "4: 40 false; 5: 70 false; "; got != want {
		t.Errorf("%s\nexpected %s", got, want)
	}
	f := pick(t, all[0].Figures, nil, "weibull_scale", "maximum likelihood")
	if with(t, f, "failures") != 2 || with(t, f, "specimens") != 3 {
		t.Errorf("%+v", f)
	}
}

// likelihood has scipy find the greatest likelihood of lives with censored ones, by its own
// densities and survival functions, and what it is where the shape is held.
const likelihood = `
import json, sys
import numpy as np
from scipy import optimize, stats
failed, sound = (np.array(x, dtype=float) for x in json.loads(sys.argv[1]))
def less(p):
    c, s = np.exp(p)
    return -stats.weibull_min.logpdf(failed, c, scale=s).sum() - stats.weibull_min.logsf(sound, c, scale=s).sum()
best = optimize.minimize(less, [0.3, np.log(failed.mean())], method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-12, "maxiter": 5000})
def held(c):
    return optimize.minimize_scalar(lambda s: less([np.log(c), s]), bracket=[best.x[1]-0.1, best.x[1]+0.1], tol=1e-12).fun
shape = float(np.exp(best.x[0]))
fall = lambda c: held(c) - best.fun - stats.chi2.ppf(0.95, 1)/2
print(json.dumps([shape, float(np.exp(best.x[1])), -best.fun, optimize.brentq(fall, shape/10, shape, xtol=1e-12), optimize.brentq(fall, shape, shape*10, xtol=1e-12)]))
`

// TestWeibullAgainstScipy: shape, scale, likelihood and the limits of the shape, by another
// library; lives as above, and demo data of seven specimens.
func TestWeibullAgainstScipy(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import scipy.stats").CombinedOutput(); err != nil {
		t.Skipf("scipy is not there (Debian package python3-scipy): %v %.200q", err, out)
	}
	for _, lives := range [][2][]float64{
		{{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}, {500, 500, 500, 500, 500, 500, 500, 500, 500, 500}},
		{{28_000, 39_500, 41_000, 52_000, 67_000}, {100_000, 30_000}},
	} {
		text, err := json.Marshal(lives)
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(python, "-c", likelihood, string(text)).Output()
		if err != nil {
			t.Fatal(err)
		}
		var want [5]float64
		if err := json.Unmarshal(out, &want); err != nil {
			t.Fatalf("%v: %.200q", err, out)
		}
		var all []Life
		for sound, some := range lives {
			for _, cycles := range some {
				all = append(all, Life{Cycles: cycles, Survived: sound == 1})
			}
		}
		figures, err := WeibullFigures(Origin{}, all)
		shape := pick(t, figures, err, "weibull_shape", "maximum likelihood")
		scale := pick(t, figures, err, "weibull_scale", "maximum likelihood")
		for i, got := range [...]float64{shape.Value, scale.Value, with(t, scale, "ln likelihood"), *shape.Low, *shape.High} {
			if math.Abs(got/want[i]-1) > 1e-6 {
				t.Errorf("%v: number %d is %.12g, scipy has %.12g", lives, i, got, want[i])
			}
		}
	}
}
