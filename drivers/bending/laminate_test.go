package bending

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

const um, gpa = 1e-6, 1e9

func laminate(t *testing.T, layers ...Layer) Laminate {
	t.Helper()
	return must(NewLaminate(Narrow, layers...))(t)
}

// suo is the closed formula for the outer face of a film on a substrate: Suo, Ma,
// Gleskova, Wagner, Appl. Phys. Lett. 74 (1999) 1177.
func suo(film, substrate Layer, radiusM float64) float64 {
	eta, chi := film.ThicknessM/substrate.ThicknessM, film.ModulusPa/substrate.ModulusPa
	return (film.ThicknessM + substrate.ThicknessM) / (2 * radiusM) *
		(1 + 2*eta + chi*eta*eta) / ((1 + eta) * (1 + chi*eta))
}

func TestFilmOnSubstrate(t *testing.T) {
	// Film thickness, substrate thickness, moduli, radius; strain recomputed from the formula.
	for _, c := range []struct{ film, substrate, eFilm, eSubstrate, radius, strain float64 }{
		{0.1 * um, 50 * um, 100 * gpa, 2.5 * gpa, 5e-3, 4.648888888889e-3},
		{1 * um, 125 * um, 80 * gpa, 2.5 * gpa, 10e-3, 5.065923566879e-3},
	} {
		film, substrate := Layer{c.film, c.eFilm, 0}, Layer{c.substrate, c.eSubstrate, 0}
		near(t, "closed formula", suo(film, substrate, c.radius), c.strain, 1e-12)
		l := laminate(t, substrate, film)
		near(t, "strain", must(l.Strain(l.ThicknessM(), 1/c.radius, Out))(t), c.strain, 1e-12)
	}
	near(t, "neutral plane", laminate(t, Layer{50 * um, 2.5 * gpa, 0}, Layer{0.1 * um, 100 * gpa, 0}).NeutralM(), 26.85555556*um, 1e-9)
	random := rand.New(rand.NewPCG(3, 5))
	for range 500 {
		film := Layer{math.Pow(10, -9+5*random.Float64()), math.Pow(10, 6+6*random.Float64()), 0}
		substrate := Layer{math.Pow(10, -6+3*random.Float64()), math.Pow(10, 6+6*random.Float64()), 0}
		l := laminate(t, substrate, film)
		near(t, "strain", must(l.Strain(l.ThicknessM(), 0.1, Out))(t), suo(film, substrate, 10), 1e-11)
	}
}

func TestLaminate(t *testing.T) {
	// Equal layers: h/2R. EI per width of one layer is E h^3/12.
	equal := laminate(t, Layer{30 * um, 2.5 * gpa, 0}, Layer{20 * um, 2.5 * gpa, 0})
	near(t, "outer strain", must(equal.Strain(50*um, 200, Out))(t), 50*um/2*200, 1e-14)
	near(t, "stiffness", equal.StiffnessNm(), 2.604166667e-5, 1e-9)
	near(t, "stiffness", equal.StiffnessNm(), 2.5*gpa*math.Pow(50*um, 3)/12, 1e-14)
	wide := must(NewLaminate(Wide, Layer{50 * um, 2.5 * gpa, 0.34}))(t)
	near(t, "stiffness of a wide strip", wide.StiffnessNm(), 2.604166667e-5/(1-0.34*0.34), 1e-9)

	// Polyimide 125 um, gold 0.2 um, polyimide 25 um: recomputed from the sums over layers.
	stack := []Layer{{125 * um, 2.5 * gpa, 0}, {0.2 * um, 78 * gpa, 0}, {25 * um, 2.5 * gpa, 0}}
	covered := laminate(t, stack...)
	near(t, "neutral plane", covered.NeutralM(), 77.03292371*um, 1e-9)
	near(t, "stiffness", covered.StiffnessNm(), 7.422319446e-4, 1e-9)
	film := must(covered.Film(1, Out))(t)
	near(t, "film strain", must(film.Strain(200))(t), 9.613415259e-3, 1e-9)
	bare := must(laminate(t, stack[:2]...).Film(1, Out))(t)
	near(t, "film strain without cover", must(bare.Strain(200))(t), 1.192471807e-2, 1e-9)
	inward := must(covered.Film(1, In))(t)
	near(t, "film strain facing in", must(inward.Strain(200))(t), -9.613415259e-3, 1e-9)

	// The strip's outer side is the front or the back, as the film faces.
	near(t, "outer", film.Strip(0.05).OuterM, (150.2-77.03292371)*um, 1e-9)
	near(t, "outer", inward.Strip(0.05).OuterM, 77.03292371*um, 1e-9)
}

// The strains of a bend leave no net force: an equation the code never solves,
// by Simpson's rule layer by layer.
func TestNoNetForce(t *testing.T) {
	stack := []Layer{{125 * um, 2.5 * gpa, 0}, {2 * um, 78 * gpa, 0}, {25 * um, 1 * gpa, 0}, {10 * um, 4 * gpa, 0}}
	l := laminate(t, stack...)
	force, moment, scale, back := 0.0, 0.0, 0.0, 0.0
	for _, layer := range stack {
		stress := func(y float64) float64 {
			return layer.ModulusPa * must(l.Strain(math.Min(back+y, l.ThicknessM()), 1, Out))(t)
		}
		force += simpson(layer.ThicknessM, stress)
		moment += simpson(layer.ThicknessM, func(y float64) float64 { return stress(y) * (back + y) })
		scale += simpson(layer.ThicknessM, func(y float64) float64 { return math.Abs(stress(y)) })
		back += layer.ThicknessM
	}
	if math.Abs(force) > 1e-12*scale {
		t.Errorf("net force %g, of %g in all", force, scale)
	}
	near(t, "moment", moment, l.StiffnessNm(), 1e-11)
}

func TestNeutralCover(t *testing.T) {
	// Y_s d_s^2 = Y_e d_e^2 when the film is left out: 125 um of 2.5 GPa under 5 GPa.
	substrate := Layer{125 * um, 2.5 * gpa, 0}
	thickness := must(laminate(t, substrate, Layer{1e-10, 2.5 * gpa, 0}).NeutralCover(1, 5*gpa, 0))(t)
	near(t, "cover", thickness, 88.38834765*um, 2e-6) // a film of one layer of atoms stands for none
	near(t, "neutral plane", laminate(t, substrate, Layer{88.38834764831844 * um, 5 * gpa, 0}).NeutralM(), 125*um, 1e-15)

	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		stack := []Layer{{math.Pow(10, -5+random.Float64()), 2.5 * gpa, 0.3}, {1 * um * random.Float64(), 50 * gpa, 0.4}}
		l := must(NewLaminate(Wide, stack...))(t)
		modulus := math.Pow(10, 7+4*random.Float64())
		cover := Layer{must(l.NeutralCover(1, modulus, 0.45))(t), modulus, 0.45}
		whole := must(NewLaminate(Wide, append(stack, cover)...))(t)
		film := must(whole.Film(1, Out))(t)
		if s := must(film.Strain(1))(t); math.Abs(s) > 1e-12*whole.ThicknessM() {
			t.Errorf("film under its neutral cover has the strain %g per curvature of 1 per m", s)
		}
		if r, err := film.NeutralRadiusM(0.01); err == nil || !strings.Contains(err.Error(), "lies on the neutral plane") {
			t.Errorf("a film on the neutral plane reaches 1 %% at %g, %v", r, err)
		}
		// More cover still, and none brings it back.
		cover.ThicknessM *= 1.01
		if c, err := must(NewLaminate(Wide, append(stack, cover)...))(t).NeutralCover(1, modulus, 0.45); err == nil || !strings.Contains(err.Error(), "no cover puts layer 2") {
			t.Errorf("a film behind the neutral plane gets a cover of %g, %v", c, err)
		}
	}
	symmetric := laminate(t, Layer{50 * um, 2.5 * gpa, 0}, Layer{1 * um, 78 * gpa, 0}, Layer{50 * um, 2.5 * gpa, 0})
	if c := must(symmetric.NeutralCover(1, 1*gpa, 0))(t); c != 0 {
		t.Errorf("a film on the neutral plane gets a cover of %g, expected none", c)
	}
}

// Strain to radius to strain, through the fixture: what a protocol that asks for
// a strain is told.
func TestStrainThereAndBack(t *testing.T) {
	l := laminate(t, Layer{125 * um, 2.5 * gpa, 0}, Layer{5 * um, 10 * gpa, 0}, Layer{25 * um, 3 * gpa, 0})
	for facing, sign := range map[Facing]float64{Out: 1, In: -1} {
		film := must(l.Film(1, facing))(t)
		b := buckle(t, film.Strip(0.04), Clamped)
		last := 0.0
		for i := 1; i <= 100; i++ {
			travel := 0.0003 * float64(i)
			bend := must(b.AtTravel(travel))(t)
			strain := must(film.Strain(1 / bend.NeutralRadiusM))(t)
			radius := must(film.NeutralRadiusM(strain))(t)
			near(t, "travel", must(b.AtRadius(radius))(t).TravelM, travel, 1e-9)
			if strain*sign <= last {
				t.Errorf("facing %s: strain %g at a travel of %g, expected beyond %g", facing, strain, travel, sign*last)
			}
			last = strain * sign
		}
		if _, err := film.NeutralRadiusM(-sign * 0.01); err == nil || !strings.Contains(err.Error(), "turn the specimen") {
			t.Errorf("facing %s: a strain of the other sign gives %v", facing, err)
		}
	}
}

func TestLaminateRefusals(t *testing.T) {
	ok := Layer{125 * um, 2.5 * gpa, 0.34}
	l := laminate(t, ok, Layer{1 * um, 10 * gpa, 0.4})
	film := must(l.Film(1, Out))(t)
	refused := func(_ any, err error) error { return err }
	for _, c := range []struct {
		err  error
		says string
	}{
		{refused(NewLaminate(Narrow)), "at least one"},
		{refused(NewLaminate("", ok)), `the strip's width is "", expected "narrow" or "wide"`},
		{refused(NewLaminate(Wide, ok, Layer{1 * um, 1 * gpa, 0})), "layer 2 from the back: a Poisson ratio of 0"},
		{refused(NewLaminate(Narrow, Layer{1 * um, 1 * gpa, 0.6})), "a Poisson ratio of 0.6"},
		{refused(NewLaminate(Narrow, Layer{125, 1 * gpa, 0})), "layer 1 from the back: a thickness of 125000 mm"},
		{refused(NewLaminate(Narrow, Layer{um, 0, 0})), "a modulus of 0 Pa"},
		{refused(NewLaminate(Narrow, Layer{math.NaN(), gpa, 0})), "a thickness of NaN mm"},
		{refused(NewLaminate(Narrow, Layer{um, math.NaN(), 0})), "a modulus of NaN"},
		{refused(l.Film(2, Out)), "layer 3 from the back does not exist, the laminate has 2"},
		{refused(l.Film(1, "")), `the film faces "", expected "out" (outer side, tension) or "in"`},
		{refused(l.Strain(2e-4, 10, Out)), "a depth of 0.2 mm is outside a laminate of 0.126 mm"},
		{refused(l.Strain(1e-4, 1e6, Out)), "a curvature of 1e+06 per m"},
		{refused(film.NeutralRadiusM(0)), "ask for flat instead of 0"},
		{refused(film.NeutralRadiusM(math.NaN())), "a strain of NaN"},
		{refused(film.NeutralRadiusM(1e-15)), "ask for flat"},
		{refused(film.NeutralRadiusM(0.99)), "radius too small"},
		{refused(l.NeutralCover(1, 0, 0)), "the cover: a modulus of 0 Pa"},
		{refused(l.NeutralCover(-1, gpa, 0)), "layer 0 from the back does not exist"},
		{refused(Laminate{}.Strain(0, 0, Out)), "no layers"},
		{refused(Laminate{}.NeutralCover(0, gpa, 0)), "does not exist"},
		{refused(Film{}.Strain(1)), "no layers"},
		{refused(Film{}.NeutralRadiusM(0.01)), "no layers"},
		{refused(NewBuckle(Film{}.Strip(0.05), Clamped)), "0 mm thick"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("got %v\nexpected an error that says %q", c.err, c.says)
		}
	}
	if _, err := film.NeutralRadiusM(0.99); !errors.Is(err, ErrTooTight) {
		t.Errorf("a strain no bend has gives %v", err)
	}
}

func FuzzLaminate(f *testing.F) {
	f.Add(125e-6, 2.5e9, 0.34, 2e-7, 78e9, 0.42, 0.01, 200., 1e-5, byte(0))
	f.Add(1e-10, 1., 0., 1., 1e13, 0.5, -1., -1e9, 0.5, byte(7))
	f.Fuzz(func(t *testing.T, t1, e1, n1, t2, e2, n2, strain, curvature, depth float64, kind byte) {
		width, facing := [2]Width{Narrow, Wide}[kind&1], [2]Facing{Out, In}[kind>>1&1]
		l, err := NewLaminate(width, Layer{t1, e1, n1}, Layer{t2, e2, n2})
		if err != nil {
			return
		}
		film, err := l.Film(int(kind>>2&1), facing)
		if err != nil {
			t.Fatal(err)
		}
		values := []float64{l.NeutralM(), l.StiffnessNm(), l.ThicknessM(), film.Strip(1).OuterM}
		for _, ask := range []func() (float64, error){
			func() (float64, error) { return l.Strain(depth, curvature, facing) },
			func() (float64, error) { return film.Strain(curvature) },
			func() (float64, error) { return film.NeutralRadiusM(strain) },
			func() (float64, error) { return l.NeutralCover(int(kind>>2), e2, n1) },
		} {
			if v, err := ask(); err == nil {
				values = append(values, v)
			}
		}
		for i, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) || i < 3 && v <= 0 {
				t.Fatalf("value %d is %g without an error", i, v)
			}
		}
	})
}
