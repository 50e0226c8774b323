package plan

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

const bendingBench = leafClip + "bending/"

// bent compiles a protocol for the bench of the bending examples, with its files
// changed: pairs "old => new".
func bent(t testing.TB, protocol string, rigChanges, specimenChanges []string) (*Plan, string) {
	t.Helper()
	m := &yamltext.Mistakes{}
	load := func(name string, changes []string) *yamltext.Document {
		text, err := os.ReadFile(bendingBench + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range changes {
			old, new, _ := strings.Cut(c, " => ")
			if !strings.Contains(string(text), old) {
				t.Fatalf("%s has no %q", name, old)
			}
			text = []byte(strings.Replace(string(text), old, new, 1))
		}
		return yamltext.Parse(name, text, m)
	}
	r, s := rig.Load(load("rig.yaml", rigChanges), nil, m), rig.LoadSpecimen(load("specimen.yaml", specimenChanges), m)
	p := Compile(yamltext.Parse("f.yaml", []byte(protocol), m), r, s, Options{}, m)
	return p, printed(m)
}

const bendHead = "format: 1\ntitle: t\nrecord: {element.resistance: 1 s}\nends: {at most: 8000 h}\nsteps:\n" +
	"  - source: {instrument: meter, current: 10 uA, compliance: 2 V}\n  - home: {at most: 2 min}\n"

// The plans of the examples that bend are those that were looked at.
func TestBendingExamples(t *testing.T) {
	for _, name := range []string{"bend", "fatigue"} {
		text, err := os.ReadFile(bendingBench + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		p, said := bent(t, string(text), nil, nil)
		if said != "" {
			t.Errorf("%s:\n%s", name, said)
			continue
		}
		looksAsBefore(t, name, p)
	}
}

// performed goes through a plan as the run will, and returns the count of cycles at
// every mark.
func performed(t *testing.T, p *Plan) (cycles int64, flat, bent []int64) {
	t.Helper()
	passes := make([]int64, len(p.Actions))
	for i, steps := 0, 0; i < len(p.Actions); i++ {
		if steps++; steps > 1e7 {
			t.Fatal("it does not end")
		}
		switch a := p.Actions[i]; {
		case a.Op == Loop:
			passes[i] = 0
		case a.Op == Again:
			if passes[a.Jump]++; passes[a.Jump] < p.Actions[a.Jump].Count {
				i = a.Jump
			}
		case a.Op == Cycle:
			cycles += a.Count
			if a.Count > blockCycles {
				t.Errorf("a block of %d cycles", a.Count)
			}
		case a.Op == Move:
			cycles += a.Count
		case a.Op == Mark && a.Text == "flat":
			flat = append(flat, cycles)
		case a.Op == Mark && a.Text == "bent":
			bent = append(bent, cycles)
		}
	}
	return cycles, flat, bent
}

// measuredAt is the key that has cycles measured at these counts; "" for none.
func measuredAt(counts string) string {
	if counts == "" {
		return ""
	}
	return ", measure: {at: " + counts + ", for: 2 s}"
}

func TestCyclesAreCountedAndMeasured(t *testing.T) {
	for _, c := range []struct {
		times   int64
		measure string
		want    []int64
	}{
		{250, "", nil},
		{1, "1-2-5", []int64{0, 1}},
		{1000, "1-2-5", []int64{0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000}},
		{60, "1-2-5", []int64{0, 1, 2, 5, 10, 20, 50, 60}},
		{1050, "every 300", []int64{0, 300, 600, 900, 1050}},
		{100, "every 1000", []int64{0, 100}},
		{100, "2 per decade", []int64{0, 1, 3, 10, 32, 100}},
		{30000, "every 7", nil},
	} {
		p, said := bent(t, bendHead+fmt.Sprintf("  - cycle: {to: {radius: 12 mm}, times: %d, rate: 1 Hz%s}\n", c.times, measuredAt(c.measure)), nil, nil)
		if said != "" {
			t.Errorf("%+v:\n%s", c, said)
			continue
		}
		cycles, flat, bent := performed(t, p)
		isBefore := len(bent) == max(0, len(flat)-1)
		for k := range bent { // the cycle at whose end flat is measured
			isBefore = isBefore && bent[k] == flat[k+1]-1
		}
		if cycles != c.times || !isBefore {
			t.Errorf("%+v: %d cycles, flat at %v, bent at %v", c, cycles, flat, bent)
		}
		if c.want != nil && !slices.Equal(flat, c.want) || c.measure == "" && flat != nil {
			t.Errorf("%+v: measured at %v", c, flat)
		}
		if seconds := float64(p.Summary.DurationNs) / 1e9; seconds < float64(c.times) {
			t.Errorf("%+v: it is to last %g s", c, seconds)
		}
	}
}

// A plan of ten million cycles is hardly longer than one of a hundred.
func TestPlanDoesNotGrowWithTheCount(t *testing.T) {
	length := func(times int, measure string) int {
		p, said := bent(t, bendHead+fmt.Sprintf("  - cycle: {to: {radius: 12 mm}, times: %d, rate: 2 Hz, measure: {at: %s, for: 2 s}}\n", times, measure), nil, nil)
		if said != "" {
			t.Fatal(said)
		}
		return len(p.Actions)
	}
	if a, b := length(2000, "every 1000"), length(10_000_000, "every 1000"); b > a {
		t.Errorf("every 1000: %d actions for 2000 cycles, %d for ten million", a, b)
	}
	if a, b := length(1000, "1-2-5"), length(10_000_000, "1-2-5"); b > a*4 {
		t.Errorf("1-2-5: %d actions for 1000 cycles, %d for ten million", a, b)
	}
}

// Asked for by any of the three, it is the same shape; and the strain of the film is
// that of the radius.
func TestRadiusTravelAndStrainAreOneShape(t *testing.T) {
	for _, radius := range []float64{6, 7.5, 12, 30, 80} {
		first, said := bent(t, bendHead+fmt.Sprintf("  - bend: {radius: %g mm, at most: 2 min}\n", radius), nil, nil)
		if said != "" {
			t.Fatal(said)
		}
		want := first.Summary.Bends[0]
		for _, key := range []string{fmt.Sprintf("travel: %.12g m", want.TravelM), fmt.Sprintf("strain: %.12g", want.Strain)} {
			p, said := bent(t, bendHead+"  - bend: {"+key+", at most: 2 min}\n", nil, nil)
			if said != "" {
				t.Fatal(said)
			}
			got := p.Summary.Bends[0]
			if math.Abs(got.RadiusM/want.RadiusM-1) > 1e-9 || math.Abs(got.TravelM-want.TravelM) > 1e-9*want.TravelM || math.Abs(got.Strain/want.Strain-1) > 1e-9 {
				t.Errorf("%s gives %+v, a radius of %g mm %+v", key, got, radius, want)
			}
			if a := p.Actions[len(p.Actions)-1]; math.Abs(a.Target-0.2e-3-want.TravelM) > 1e-11 {
				t.Errorf("%s goes to %g m", key, a.Target)
			}
		}
		// By hand: 125 um of 2.5 GPa under 8 um of 3 GPa; the neutral plane lies
		// (312.5*62.5 + 24*129)/336.5 um deep, the middle of the film 129 um.
		if off := 129e-6 - (312.5*62.5+24*129)/336.5*1e-6; math.Abs(want.Strain*want.RadiusM/off-1) > 1e-9 {
			t.Errorf("radius %g mm: strain %g", radius, want.Strain)
		}
		if math.Abs(want.MeanM*want.MeanStrain/(want.RadiusM*want.Strain)-1) > 1e-12 {
			t.Errorf("radius %g mm: a mean radius of %g m for a mean strain of %g", radius, want.MeanM, want.MeanStrain)
		}
		if !(want.MeanStrain < want.Strain && want.MeanStrain > 0.5*want.Strain && want.URadiusM > 0) {
			t.Errorf("radius %g mm: %+v", radius, want)
		}
	}
}

func TestWrongBending(t *testing.T) {
	for _, c := range []struct {
		steps, rig, specimen string // changes "old => new"
		says                 []string
	}{
		{steps: "- bend: {radius: 4 mm, at most: 1 min}", says: []string{"this bends the film by 1.54", "more than the specimen bears (1.5 %)", "specimen.yaml:"}},
		{steps: "- bend: {strain: 1.6 %, at most: 1 min}", says: []string{"at a radius of 3.86 mm", "a travel of"}},
		{steps: "- bend: {strain: 2 %, at most: 1 min}", says: []string{"radius too small"}},
		{steps: "- bend: {strain: -0.5 %, at most: 1 min}", says: []string{"has no strain of sign", "turn the specimen"}},
		{steps: "- bend: {strain: 0.5 %, at most: 1 min}", specimen: "film faces: out => film faces: in", says: []string{"has no strain of sign"}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}", specimen: "  strain: {below: 1.5 %}  => #", says: []string{"the specimen does not say what it bears"}},
		{steps: "- bend: {radius: 12 mm, travel: 2 mm, at most: 1 min}", says: []string{"one of them", "asked for here already"}},
		{steps: "- bend: {at most: 1 min}", says: []string{"a radius, a travel or a strain is missing"}},
		{steps: "- bend: {radius: 12 mm}", says: []string{`"at most" is missing`}},
		{steps: "- bend: {radius: 12 mm, at most: 100 ms}", says: []string{"the way takes about 1.1 s"}},
		{steps: "- bend: {radius: 12 mm, speed: 60 mm/s, at most: 1 min}", says: []string{"60 mm/s is above what stage can be set to"}},
		{steps: "- bend: {travel: 29.9 mm, at most: 1 min}", says: []string{"30.1 mm is above what this rig allows (30 mm"}},
		{steps: "- bend: {travel: 49 mm, at most: 1 min}", says: []string{"the legs of the strip", "touch"}},
		{steps: "- cycle: {to: {radius: 12 mm}, times: 100, rate: 6 Hz}", says: []string{"at most 2."}},
		{steps: "- cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, measure: {at: now and then, for: 1 s}}", says: []string{"is no series of counts", "1-2-5, every 1000, or 3 per decade"}},
		{steps: "- cycle: {to: {radius: 12 mm}, times: 10, rate: 1 Hz, stop when: \"element.resistence > 1 kOhm\"}", says: []string{"element.resistence", "did you mean element.resistance?"}},
		{steps: "- cycle: {to: {radius: 12 mm}, times: 0, rate: 1 Hz}", says: []string{"out of range"}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}", rig: "ends: clamped => ends: glued", says: []string{`"glued" is no way to hold the ends`}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}", rig: "  ends: clamped\n => ", says: []string{`"ends" is missing here`}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}", specimen: "  modulus: 3 GPa\n => ", says: []string{"thickness and modulus are needed"}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}", specimen: "layers:\n  - {of: polyimide, thickness: 125 um, modulus: 2.5 GPa}\n => ", says: []string{"thickness and modulus are needed"}},
		{steps: "- bend: {radius: 12 mm, at most: 1 min}\n  - ask: x\n  - lift: {to: air}\n", rig: "homing: harmless => homing: ask", says: nil},
	} {
		var rigs, specimens []string
		if c.rig != "" {
			rigs = []string{c.rig}
		}
		if c.specimen != "" {
			specimens = []string{c.specimen}
		}
		_, said := bent(t, bendHead+"  "+c.steps+"\n", rigs, specimens)
		for _, s := range c.says {
			if !strings.Contains(said, s) {
				t.Errorf("%s %s %s: expected %q, got:\n%s", c.steps, c.rig, c.specimen, s, said)
			}
		}
		if c.says == nil && said != "" {
			t.Errorf("%s:\n%s", c.steps, said)
		}
	}
	_, said := bent(t, strings.Replace(bendHead, "  - home: {at most: 2 min}\n", "  - bend: {radius: 12 mm, at most: 1 min}\n", 1), nil, nil)
	if !strings.Contains(said, "here the stage does not know where it is") {
		t.Errorf("without home: %s", said)
	}
	_, said = bent(t, "unattended: true\n"+bendHead, []string{"homing: harmless => homing: ask"}, nil)
	if !strings.Contains(said, "this needs a person, and the run is unattended") {
		t.Errorf("homing alone: %s", said)
	}
	if _, m := compile(t, "f.yaml", strings.Replace(bendHead, "format", "format", 1)); !strings.Contains(printed(m), "nothing is clamped into a stage on this rig") {
		t.Errorf("without a stage: %s", printed(m))
	}
}

// The fastest rate is that of the stage's highest speed and of its acceleration: by hand,
// 50 mm/s, reached in 100 ms. A long way is mostly gone at that speed, a short one is over
// before it is reached.
func TestRateThatTheStageReaches(t *testing.T) {
	const v, a = 0.05, 0.5
	for _, c := range []struct {
		radius string
		half   func(length float64) float64 // s
	}{
		{"8 mm", func(length float64) float64 { return length/v + v/a }},
		{"20 mm", func(length float64) float64 { return 2 * math.Sqrt(length/a) }},
	} {
		at := func(hertz float64) (*Plan, string) {
			return bent(t, bendHead+fmt.Sprintf("  - cycle: {to: {radius: %s}, times: 10, rate: %.9g Hz}\n", c.radius, hertz), nil, nil)
		}
		p, _ := at(0.1)
		most := 1 / (2 * c.half(p.Summary.Bends[0].TravelM))
		if _, said := at(most * 0.9999); said != "" {
			t.Errorf("%s: %.4g Hz is refused:\n%s", c.radius, most*0.9999, said)
		}
		if _, said := at(most * 1.01); !strings.Contains(said, fmt.Sprintf("at most %.3g Hz", most)) {
			t.Errorf("%s: %.4g Hz is more than the %.4g that it can do:\n%s", c.radius, most*1.01, most, said)
		}
	}
}
