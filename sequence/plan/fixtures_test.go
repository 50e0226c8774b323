package plan

import (
	"math"
	"os"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// fixed compiles a protocol for the bench of an example, with its rig file changed: "old
// => new".
func fixed(t *testing.T, bench, steps, change string) (*Plan, string) {
	t.Helper()
	m := &yamltext.Mistakes{}
	load := func(name, change string) *yamltext.Document {
		text, err := os.ReadFile(leafClip + bench + "/" + name)
		if err != nil {
			t.Fatal(err)
		}
		old, new, _ := strings.Cut(change, " => ")
		if !strings.Contains(string(text), old) {
			t.Fatalf("%s has no %q", name, old)
		}
		return yamltext.Parse(name, []byte(strings.Replace(string(text), old, new, 1)), m)
	}
	r, s := rig.Load(load("rig.yaml", change), nil, m), rig.LoadSpecimen(load("specimen.yaml", ""), m)
	head := "format: 1\ntitle: t\nends: {at most: 8 h}\nsteps:\n"
	p := Compile(yamltext.Parse("f.yaml", []byte(head+steps), m), r, s, Options{}, m)
	return p, printed(m)
}

// One shape on each of the four fixtures, against numbers worked out elsewhere.
func TestFourFixtures(t *testing.T) {
	// 125 um of 2.5 GPa under 8 um of 3 GPa, by hand: the neutral plane, from the back.
	const neutral = (312.5*62.5 + 24*129) / 336.5 * 1e-6
	const outer, film = 133e-6 - neutral, 129e-6 - neutral
	for _, c := range []struct {
		name, bench, steps, change string
		radius, within             float64
	}{
		// R/L = 0.246820535481 and 0.493641070962 for a travel of 0.1 L (elliptic integrals in
		// 30 digits); by its thickness a strip buckles a little later: 2e-4 of R.
		{"clamped", "bending", "  - home: {at most: 2 min}\n  - bend: {travel: 5 mm, at most: 1 min}\n", "", 50e-3 * 0.246820535481, 2e-4},
		{"hinged", "bending", "  - home: {at most: 2 min}\n  - bend: {travel: 5 mm, at most: 1 min}\n", "ends: clamped => ends: hinged", 50e-3 * 0.493641070962, 2e-4},
		// R = (D - h)/(2c), c = 1.19814 (Matthewson, Kurkjian, Gulati, J. Am. Ceram. Soc. 69
		// (1986) 815), where the legs' neutral planes stand D - 2 x outer apart.
		{"plates", "plates", "  - home: {at most: 2 min}\n  - bend: {travel: 15 mm, at most: 1 min}\n", "", (10e-3 - 2*outer) / (2 * 1.19814), 2e-6},
		{"rods", "rods", "  - bend: {rod: 12 mm, at most: 1 min}\n", "", 6e-3 + neutral, 1e-12},
	} {
		p, said := fixed(t, c.bench, c.steps, c.change)
		if said != "" || len(p.Summary.Bends) != 1 {
			t.Errorf("%s: %s", c.name, said)
			continue
		}
		b := p.Summary.Bends[0]
		if math.Abs(b.RadiusM/c.radius-1) > c.within {
			t.Errorf("%s: a radius of %.9g m, expected %.9g m", c.name, b.RadiusM, c.radius)
		}
		if strain := film / b.RadiusM; math.Abs(b.Strain/strain-1) > 1e-9 || !(b.URadiusM > 0 && b.UStrain > 0) {
			t.Errorf("%s: strain %g, expected %g; %+v", c.name, b.Strain, strain, b)
		}
		if inner := b.RadiusM - neutral; math.Abs(b.InnerM/inner-1) > 1e-9 {
			t.Errorf("%s: %g m at the inner face, expected %g m", c.name, b.InnerM, inner)
		}
		if (p.Summary.Open != nil) != (c.bench == "plates") {
			t.Errorf("%s: open %+v", c.name, p.Summary.Open)
		}
	}
}

// A cover of what carries the film, and as thick, puts a film between two on the neutral
// plane, by symmetry; of a gel there would have to be more than a strip can have.
func TestAdviceOnTheCover(t *testing.T) {
	steps := bendHead + "  - bend: {radius: 12 mm, at most: 1 min}\n"
	for _, c := range []struct {
		encapsulation, of string
		thick, has        float64
		none              string
	}{
		{"none", "polyimide", 125e-6, 0, ""},
		{"{of: resin, thickness: 20 um, modulus: 2.5 GPa}", "resin", 125e-6, 20e-6, ""},
		{"{of: gel, thickness: 20 um, modulus: 1 kPa}", "gel", 0, 20e-6, "it would have to be"},
	} {
		p, said := bent(t, steps, nil, []string{"encapsulation: none => encapsulation: " + c.encapsulation})
		if said != "" {
			t.Fatal(said)
		}
		x := p.Summary.Cover
		if x == nil || x.Of != c.of || x.HasM != c.has || !strings.HasPrefix(x.None, c.none) || (x.None == "") != (c.none == "") || math.Abs(x.ThicknessM-c.thick) > 1e-12 {
			t.Errorf("%s: %+v", c.encapsulation, x)
		}
	}
	if p, _ := bent(t, bendHead, nil, nil); p.Summary.Cover != nil {
		t.Errorf("advice where nothing is bent: %+v", p.Summary.Cover)
	}
}

func TestWrongFixtures(t *testing.T) {
	const homed = "  - home: {at most: 2 min}\n"
	for _, c := range []struct {
		bench, steps, change string
		says                 []string
	}{
		{"plates", homed + "  - flat: {at most: 1 min}\n", "", []string{"between plates nothing lies flat", "- open: {at most: 10 s}"}},
		{"bending", homed + "  - open: {at most: 1 min}\n", "", []string{"there are no plates on this rig to open"}},
		{"rods", "  - open: {at most: 1 min}\n", "", []string{"there are no plates on this rig to open"}},
		{"plates", homed + "  - bend: {radius: 12 mm, at most: 1 min}\n", "", []string{"not bent yet", "above the 10.3"}},
		{"plates", homed + "  - bend: {travel: 25 mm, at most: 1 min}\n", "", []string{"travel too far", "nothing is left of the radius"}},
		{"plates", homed + "  - bend: {radius: 3 mm, at most: 1 min}\n", "", []string{"more than the specimen bears (1.5 %)"}},
		{"plates", homed + "  - open: {at most: 1 min}\n", "free length: 70 mm => free length: 40 mm", []string{"does not reach round to lie against both plates", "how the strip is bent stands here"}},
		{"plates", homed + "  - open: {at most: 1 min}\n", "plates apart: 25 mm => plates apart: 0.1 mm", []string{"a gap of 0.1 mm", "open the plates"}},
		{"plates", homed + "  - open: {at most: 1 min}\n", "  open at: 0.2 mm => #", []string{`"open at" is missing here`}},
		{"plates", homed + "  - open: {at most: 1 min}\n", "plates apart: 25 mm => plates apart: 25 mm\n  ends: clamped", []string{"ends"}},
		{"rods", "  - bend: {rod: 13 mm, at most: 1 min}\n", "", []string{"there is no rod of 13 mm", "30 mm, 20 mm, 12 mm", "their diameters stand here"}},
		{"rods", "  - bend: {rod: 5 mm, at most: 1 min}\n", "rods: [30 mm => rods: [5 mm", []string{"more than the specimen bears"}},
		{"rods", "  - bend: {radius: 6 mm, at most: 1 min}\n", "", []string{`unknown key "radius"`, "known here: rod"}},
		{"rods", "  - cycle: {to: {radius: 6 mm}, times: 10, rate: 1 Hz}\n", "", []string{"a person lays the strip round rods", "bend: {rod: 12 mm"}},
		{"rods", homed, "", []string{"nothing moves by itself"}},
		{"rods", "  - flat: {at most: 1 min}\n", "rods: [30 mm, 20 mm, 12 mm] => stage: meter", []string{`"ends" is missing here`}},
	} {
		_, said := fixed(t, c.bench, c.steps, c.change)
		for _, want := range c.says {
			if !strings.Contains(said, want) {
				t.Errorf("%s %s %s: expected %q, got:\n%s", c.bench, c.steps, c.change, want, said)
			}
		}
	}
	p, said := fixed(t, "rods", "  - bend: {rod: 12 mm, at most: 1 min}\n", "")
	if said != "" || !p.Summary.NeedsPerson {
		t.Errorf("%s; needs a person: %v", said, p.Summary.NeedsPerson)
	}
}

func TestWrongLives(t *testing.T) {
	const cycle = "    do: [{cycle: {to: {radius: 12 mm}, times: 10, rate: 1 Hz}}]\n"
	for _, c := range []struct{ steps, says string }{
		{"  - until failed: {judged every: 1.4 s}\n" + cycle, "when the specimen has failed is missing here"},
		{"  - until failed: {open: true}\n" + cycle, `"judged every" is missing here`},
		{"  - until failed: {open: true, judged every: 2 s}\n" + cycle, "a cycle takes 1 s, and the film is judged every 2 s, which always meets the same places in it"},
		{"  - until failed: {open: true, judged every: 1.52 s}\n" + cycle, "judged every 1.52 s, and every reading, or every other one, is only 0.02 of a cycle from"},
		{"  - until failed: {open: true, judged every: 1.52 s}\n" + cycle, "judged every: 2.38 s"},
		{"  - until failed: {when: \"element.resistence > 1 kOhm\", judged every: 1.4 s}\n" + cycle, "did you mean element.resistance?"},
		{"  - until failed: {open: true, judged every: 1.4 s}\n", "needs steps under do"},
		{"  - until failed: {open: true, judged every: 1.4 s}\n    do:\n      - until failed: {open: true, judged every: 1.4 s}\n        do: [{hold: 1 s}]\n", "a specimen fails once"},
		{"  - source off: meter\n  - until failed: {open: true, judged every: 1.4 s}\n" + cycle, "cannot be read before its instrument is switched on"},
	} {
		if _, said := bent(t, bendHead+c.steps, nil, nil); !strings.Contains(said, c.says) {
			t.Errorf("%s: expected %q, got:\n%s", c.steps, c.says, said)
		}
	}
}
