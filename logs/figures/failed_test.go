package figures

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// wornFlat is a film that was read flat after each hundred cycles, and a percent higher each
// time. Demo data.
func wornFlat(upTo float64) (all []held) {
	for n := 0.; n <= upTo; n += 100 {
		all = append(all, held{shape: shape{from: n, to: n, position: 0.001, cycles: n}, r: 1000 + n/10, u: 0.1})
	}
	return all
}

// Cycles of two kinds are not counted together: what one kind did alone is told, of it.
func TestTwoKindsOfCycleAreNoLife(t *testing.T) {
	c := &computer{}
	c.R.Channel, c.Facts.FlatAtM = "element.resistance", 0.001
	c.bends = []bend{{TravelM: 0.002, Strain: 0.005}, {TravelM: 0.005, Strain: 0.008}}
	c.blocks = []block{{done: 0, count: 600, first: 0.001, bent: 0.003}, {done: 600, count: 600, first: 0.001, bent: 0.006}}
	c.wear(wornFlat(1200))
	if len(c.Figures) != 2 { // linear in cycles, and in their logarithm
		t.Fatalf("%+v", c.Figures)
	}
	for _, f := range c.Figures {
		limit, _ := f.with("threshold")
		strain, _ := f.with("strain")
		if _, several := f.with("kinds of cycle"); limit != 5 || strain != 0.005 || several {
			t.Errorf("%s: threshold %v %%, strain %v, of several kinds: %v", f.Flavour, limit, strain, several)
		}
		if line := f.line(false); !strings.Contains(line, "(threshold 5 %, strain 0.5 %)") {
			t.Error(line)
		}
	}
	if text := fmt.Sprint(c.LeftOut); strings.Count(text, "2 kinds of cycle wore the film before, to strains of 0.8 % at most") != 2 {
		t.Error(text)
	}
}

// A specimen that failed by another word of its protocol is no survivor of a threshold.
func TestFailedOtherwiseIsNoSurvivor(t *testing.T) {
	c := &computer{}
	c.R.Channel, c.Facts.FlatAtM = "element.resistance", 0.001
	c.fails, c.story.cycles = "element.resistance > 1 kOhm", 321
	c.failed = &failure{at: 1058, why: c.fails, from: 320, to: 321}
	c.wear(wornFlat(300))
	f := pick(t, c.Figures, nil, "cycles_to_threshold", "censored")
	if text := fmt.Sprint(f.Notes); f.Value != 300 || !strings.Contains(text, "it failed as its protocol says, after 321 cycles: element.resistance > 1 kOhm") || strings.Contains(text, "outlives") {
		t.Errorf("%v: %s", f.Value, text)
	}
	f = pick(t, c.Figures, nil, "cycles_to_failure", c.fails)
	if f.Censored || f.Value != 321 || *f.Low != 300 || *f.High != 321 {
		t.Errorf("%+v", f)
	}
	all := LivesOf([]Worn{{Figures: c.Figures}, lived(5, 500, false)})
	if len(all) == 0 || all[0].ThresholdPercent != 5 || !all[0].Of[0].Survived || all[0].Ended[0] != "failed otherwise after 321 cycles (element.resistance > 1 kOhm)" || all[0].Ended[1] != "" {
		t.Errorf("%+v", all)
	}
}

// A film that failed before any shape could be read has failed all the same.
func TestFailedBeforeItWasRead(t *testing.T) {
	c := &computer{}
	c.R.Channel, c.R.Time, c.R.Y = "element.resistance", []float64{1, 2}, []float64{1000, 1001}
	c.shapes = []shape{{from: 0, to: 3}}
	c.fails, c.story.cycles = isOpen, 140
	c.failed = &failure{at: 150, open: true, why: isOpen, from: 100, to: 140}
	c.bending()
	f := pick(t, c.Figures, nil, "cycles_to_failure", isOpen)
	if f.Censored || math.Abs(f.Value-140) > 1e-9 || *f.High != 140 {
		t.Errorf("%+v", f)
	}
}

func TestSpecimenFailedInWords(t *testing.T) {
	for want, got := range map[string]string{
		"the specimen failed after 21 to 22 cycles: it is open":  SpecimenFailed(isOpen, 21, 22),
		"the specimen failed after 21 cycles: it is open":        SpecimenFailed(isOpen, 21, 0),
		"the specimen failed before the first cycle: it is open": SpecimenFailed(isOpen, 0, 0),
		"the specimen failed after 0 to 100 cycles: it is open":  SpecimenFailed(isOpen, 0, 100),
	} {
		if got != want {
			t.Errorf("%q, expected %q", got, want)
		}
	}
}

// What nobody says how far to trust is said, beside the figures of bending and of the gauge
// factor. Demo data.
func TestUnstatedIsSaid(t *testing.T) {
	for _, unstated := range [][]string{nil, {"travel", "thickness"}} {
		c := &computer{}
		c.R.Channel, c.Facts.Unstated = "element.resistance", unstated
		c.bends = []bend{{TravelM: 0.002, RadiusM: 0.02, Strain: 0.005, MeanStrain: 0.005}, {TravelM: 0.005, RadiusM: 0.01, Strain: 0.008, MeanStrain: 0.008}}
		for i, at := range []float64{0, 0.002, 0.005, 0} {
			from := 100 * float64(i)
			c.shapes = append(c.shapes, shape{from: from, to: from + 100, position: at})
			for k := range 100 {
				c.R.Time = append(c.R.Time, from+float64(k))
				c.R.Y = append(c.R.Y, 1000*(1+2*map[float64]float64{0: 0, 0.002: 0.005, 0.005: 0.008}[at])+0.1*float64(k%3))
			}
		}
		c.bending()
		f := pick(t, c.Figures, nil, "gauge_factor", "through zero")
		const says = "nothing says how far to trust travel, thickness (uncertainty of …"
		for who, text := range map[string]string{"the figure": fmt.Sprint(f.Notes), "what is to be known": fmt.Sprint(c.Notes)} {
			if strings.Contains(text, says) != (unstated != nil) {
				t.Errorf("%v: %s says %s", unstated, who, text)
			}
		}
	}
}

// Between two blocks of cycles the film is at one temperature, and no plateau of it was read.
func TestBetweenBlocksIsNoPlateau(t *testing.T) {
	c := &computer{}
	c.R.Time = []float64{1, 2, 3, 50, 90, 91}
	c.stays = []stay{{from: 0, to: 10}, {from: 49.9, to: 50.1, cycles: 100}, {from: 60, to: 60.5, cycles: 200}, {from: 70, to: 70.5, cycles: 300}, {from: 100, to: 101, cycles: 400}}
	c.choose()
	if len(c.stays) != 1 || !strings.Contains(fmt.Sprint(c.Notes), "1 plateaus (a film measured flat between cycles is one too) came after further cycles of bending") {
		t.Errorf("%+v: %v", c.stays, c.Notes)
	}
}
