package figures

import (
	"strings"
	"testing"
)

// lived is what a run says of one specimen.
func lived(limit, cycles float64, survived bool) Side {
	f := Figure{Figure: "cycles_to_threshold", Flavour: "linear in cycles", Channel: "element.resistance", Value: cycles, Censored: survived, With: []Given{{"threshold", limit, "%"}}}
	if survived {
		f.Flavour = "censored"
	}
	return Side{Figures: []Figure{f}}
}

// The lives of NIST/SEMATECH e-Handbook, 8.4.1.3, as those of twenty runs: published scale
// 606.5280 and shape 1.7208.
func TestLivesOfSeveralRuns(t *testing.T) {
	var sides []Side
	for i, x := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386} {
		// Who has not changed by 5 % has not by 20 % either.
		sides = append(sides, lived(20, x, false), lived([]float64{5, 20}[i%2], 500, true))
	}
	sides = append(sides, Side{}) // says nothing
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
	if all := LivesOf([]Side{lived(20, 500, true), lived(20, 700, true)}); len(all) > 0 {
		t.Errorf("nothing failed, and yet: %+v", all)
	}
	all := LivesOf([]Side{lived(10, 500, false), lived(10, 700, true)})
	if len(all) != 1 || len(all[0].Figures) > 0 || !strings.Contains(all[0].Why, "two different ones are needed") {
		t.Errorf("%+v", all)
	}
}
