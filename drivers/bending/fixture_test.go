package bending

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// thin is a strip of no thickness to speak of: the inextensible elastica.
func thin(lengthM float64) Strip {
	return Strip{FreeLengthM: lengthM, ThicknessM: 1e-9, OuterM: 0.5e-9}
}

func foil(lengthM, thicknessM float64) Strip {
	return Strip{FreeLengthM: lengthM, ThicknessM: thicknessM, OuterM: thicknessM / 2}
}

func buckle(t *testing.T, s Strip, e Ends) Buckle {
	t.Helper()
	b, err := NewBuckle(s, e)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func fold(t *testing.T, s Strip, gapM float64) Fold {
	t.Helper()
	f, err := NewFold(s, gapM)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// must returns the value of a call that may not fail, such as must(b.AtTravel(x))(t).
func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// elastica is computed from the integrals in 30 digits (mpmath) and by shooting
// (DOP853, 1e-13), which agree: dL/L, k, alpha in degrees, R/L clamped, height/L,
// P/Pcr, R/L hinged, and what L/(4 pi sqrt(dL/L)) is off by, in percent.
var elastica = [][8]float64{
	{0.001, 0.031620799622, 3.62408084, 2.51598866561, 0.020125392707, 1.000500281, 5.03197733122, 0.02},
	{0.005, 0.0706885499, 8.10707239, 1.12433918093, 0.0449454235614, 1.002507052, 2.24867836185, 0.09},
	{0.01, 0.099937323569, 11.4711226, 0.794279361949, 0.0634627217646, 1.00502829, 1.5885587239, 0.19},
	{0.02, 0.14124357779, 16.2396262, 0.560578281302, 0.0894671647712, 1.010113828, 1.1211565626, 0.38},
	{0.1, 0.31419362267, 36.6242808, 0.246820535481, 0.194924311376, 1.05298688, 0.493641070962, 1.96},
	{0.2, 0.44128377204, 52.3716391, 0.17095254829, 0.266318588006, 1.11273872, 0.341905096581, 4.09},
	{0.4, 0.61455211341, 75.8387665, 0.11541443236, 0.348712519705, 1.25875903, 0.23082886472, 9.02},
	{0.5, 0.68118266653, 85.8722601, 0.100565334825, 0.373306427445, 1.349449036, 0.20113066965, 11.91},
}

func TestElasticaTable(t *testing.T) {
	const length = 0.05
	clamps, hinges := buckle(t, thin(length), Clamped), buckle(t, thin(length), Hinged)
	for _, row := range elastica {
		travel := row[0] * length
		bend := must(clamps.AtTravel(travel))(t)
		near(t, "k", bend.shape.k, row[1], 1e-10)
		near(t, "alpha", 2*math.Asin(bend.shape.k)*180/math.Pi, row[2], 5e-9)
		near(t, "R/L clamped", bend.NeutralRadiusM/length, row[3], 3e-12)
		near(t, "height/L", bend.HeightM/length, row[4], 1e-11)
		near(t, "P/Pcr", math.Pow(2*bend.shape.K/math.Pi, 2), row[5], 1e-9)
		hinged := must(hinges.AtTravel(travel))(t)
		near(t, "R/L hinged", hinged.NeutralRadiusM/length, row[6], 3e-12)
		near(t, "height/L hinged", hinged.HeightM/length, row[4], 1e-11)
		closed := 1 / (4 * math.Pi * math.Sqrt(row[0]))
		near(t, "error of the closed formula", closed/row[3]-1, row[7]/100, 0.06/row[7])
		// Its twin without the 4 is the one for hinges, twice too much on clamps.
		near(t, "the closed formula for hinges", 2*closed/(hinged.NeutralRadiusM/length)-1, row[7]/100, 0.06/row[7])
	}
}

// Timoshenko & Gere, Theory of Elastic Stability, 2nd ed., section 2.7, table for
// a cantilever of length l: alpha, P/Pcr, x/l and y/l of its tip, as printed;
// printed figures truncate or are off by up to 0.0013. A clamped strip is four
// of them.
func TestTimoshenkoGere(t *testing.T) {
	b := buckle(t, thin(1), Clamped)
	for _, row := range [][4]float64{
		{20, 1.015, 0.970, 0.220}, {40, 1.063, 0.881, 0.422}, {60, 1.152, 0.741, 0.593},
		{80, 1.293, 0.560, 0.719}, {100, 1.518, 0.349, 0.792}, {120, 1.884, 0.123, 0.803},
		{140, 2.541, -0.107, 0.750}, {160, 4.029, -0.340, 0.625}, {176, 9.116, -0.577, 0.421},
	} {
		e := newModulus(math.Sin(row[0] * math.Pi / 360))
		bend := b.bend(e)
		for i, got := range []float64{math.Pow(2*e.K/math.Pi, 2), 1 - e.shortening(), 2 * bend.HeightM} {
			if math.Abs(got-row[i+1]) > 0.0013 {
				t.Errorf("alpha %g: column %d is %.5f, printed %g", row[0], i+1, got, row[i+1])
			}
		}
		near(t, "R/L", bend.NeutralRadiusM, 1/(8*e.k*e.K), 1e-15)
	}
}

// Computed for a foil of 125 um, without compression before buckling.
func TestPracticalValues(t *testing.T) {
	b := buckle(t, thin(0.05), Clamped)
	for _, c := range []struct{ travel, radius, height, strain float64 }{
		{1e-3, 28.02891407e-3, 4.47335824e-3, 2.22984022e-3},
		{5e-3, 12.34102677e-3, 9.74621557e-3, 5.06440843e-3},
	} {
		bend := must(b.AtTravel(c.travel))(t)
		near(t, "radius", bend.NeutralRadiusM, c.radius, 1e-9)
		near(t, "height", bend.HeightM, c.height, 1e-9)
		near(t, "strain", 125e-6/2/bend.NeutralRadiusM, c.strain, 2e-9)
	}
	near(t, "the popular formula", 50/(2*math.Pi*math.Sqrt(0.1)), 25.165, 2e-5) // twice the 12.341 above
}

// Park et al., Adv. Funct. Mater. 18 (2008) 2673: a strip is compressed by
// pi^2 h^2/12 L^2 between hinges, pi^2 h^2/3 L^2 between clamps, before it buckles.
func TestThicknessTerm(t *testing.T) {
	const length, thickness, travel = 0.05, 125e-6, 1e-3
	for ends, onset := range map[Ends]float64{
		Hinged:  math.Pi * math.Pi * thickness * thickness / 12 / (length * length),
		Clamped: math.Pi * math.Pi * thickness * thickness / 3 / (length * length),
	} {
		thick, ideal := buckle(t, foil(length, thickness), ends), buckle(t, thin(length), ends)
		near(t, "onset", thick.onset, onset, 1e-14)
		got := must(thick.AtTravel(travel))(t)
		want := must(ideal.AtTravel(travel - onset*length))(t)
		near(t, "radius", got.NeutralRadiusM, want.NeutralRadiusM, 1e-12)
		if _, err := thick.AtTravel(onset * length * 0.999); !errors.Is(err, ErrNotBent) {
			t.Errorf("%s: expected the strip to be flat just before its onset, got %v", ends, err)
		}
		// Just after it, the closed formula of that paper holds.
		deep := must(thick.AtTravel(onset * length * 1.5))(t)
		factor := map[Ends]float64{Hinged: 2, Clamped: 4}[ends]
		near(t, "radius near the onset", deep.NeutralRadiusM, length/(factor*math.Pi*math.Sqrt(onset/2)), 1e-5)
	}
}

// Series of the exact solution: R/L = (1 - 3d/16 - 21d^2/512)/(4 pi sqrt d), off
// by 0.0016 % at 0.1 and 0.27 % at 0.5.
func TestSmallTravel(t *testing.T) {
	for ends, factor := range map[Ends]float64{Clamped: 4, Hinged: 2} {
		b := buckle(t, thin(1), ends)
		// What little thickness it has delays the onset by 3e-18 of the length.
		for d, off := range map[float64]float64{1e-9: 2e-9, 1e-6: 3e-12, 1e-4: 1e-11, 0.1: 1.7e-5, 0.5: 2.8e-3} {
			near(t, "R/L", must(b.AtTravel(d))(t).NeutralRadiusM, (1-3*d/16-21*d*d/512)/(factor*math.Pi*math.Sqrt(d)), off)
		}
	}
}

func TestLimits(t *testing.T) {
	vertical := newModulus(math.Sqrt2 / 2) // alpha = 90 degrees
	near(t, "dL/L of vertical legs", vertical.shortening(), 0.543053419, 2e-9)
	clamps := buckle(t, thin(1), Clamped)
	touch := must(clamps.AtTravel(clamps.Limits().GreatestTravelM))(t)
	// The root of 2(2E-K) = 2E(phi)-F(phi), sin phi = 1/(k sqrt 2), found by scipy 1.10
	// (brentq on ellipeinc, ellipkinc); TestAgainstShooting comes to the same legs.
	near(t, "dL/L of touching legs", touch.TravelM, 0.8486515095722125, 1e-8)
	near(t, "alpha of touching legs", 2*math.Asin(touch.shape.k)*180/math.Pi, 117.53989017842147, 1e-8)
	near(t, "hinges together", buckle(t, thin(1), Hinged).Limits().GreatestTravelM, 1, 1e-8)
	// The faces of a thick strip touch earlier, by twice the distance to the inner face.
	thick := buckle(t, foil(0.05, 1e-3), Clamped)
	narrow := must(thick.AtTravel(thick.Limits().GreatestTravelM))(t)
	_, _, _, _, neck := shoot(1/narrow.NeutralRadiusM, 1/(narrow.waveM*narrow.waveM), 0.025)
	near(t, "distance of legs 1 mm thick", 2*neck, 1e-3, 1e-4)
	near(t, "gap of hinged legs", 0.05-buckle(t, foil(0.05, 1e-3), Hinged).Limits().GreatestTravelM, 1e-3, 1e-9)
}

// shoot integrates the strip's own equation theta” = -load sin theta by
// Runge-Kutta from the middle to the end, without any elliptic function.
func shoot(curvature, load, length float64) (theta, slope, x, y, neck float64) {
	const n = 4000
	h := length / n
	slope, neck = curvature, math.Inf(1)
	var state [4]float64
	rate := func(s [4]float64) [4]float64 {
		return [4]float64{s[1], -load * math.Sin(s[0]), math.Cos(s[0]), math.Sin(s[0])}
	}
	state[1] = curvature
	for range n {
		var k [4][4]float64
		at := state
		for i, part := range []float64{0, h / 2, h / 2, h} {
			if i > 0 {
				for j := range at {
					at[j] = state[j] + part*k[i-1][j]
				}
			}
			k[i] = rate(at)
		}
		for j := range state {
			state[j] += h / 6 * (k[0][j] + 2*k[1][j] + 2*k[2][j] + k[3][j])
		}
		if math.Abs(state[0]) < math.Pi/2 && state[1] < 0 {
			neck = math.Min(neck, state[2])
		}
	}
	return state[0], state[1], state[2], state[3], neck
}

// The same shape by shooting: curvature in the middle and load are searched for
// until the end stands where the travel puts it, held as the ends are held.
func TestAgainstShooting(t *testing.T) {
	for ends, waves := range map[Ends]float64{Clamped: 2, Hinged: 1} {
		b := buckle(t, thin(1), ends)
		for _, travel := range []float64{0.01, 0.1, 0.4, 0.7} {
			miss := func(curvature, load float64) (float64, float64) {
				theta, slope, x, _, _ := shoot(curvature, load, 0.5)
				if ends == Hinged {
					theta = slope
				}
				return theta, x - (1-travel)/2
			}
			// Start from the sine of small deflections.
			c, p := 2*math.Pi*waves*math.Sqrt(travel), math.Pow(waves*math.Pi, 2)*(1+travel/2)
			for range 30 {
				const h = 1e-6
				a0, b0 := miss(c, p)
				a1, b1 := miss(c+h, p)
				a2, b2 := miss(c, p+h)
				ac, bc, ap, bp := (a1-a0)/h, (b1-b0)/h, (a2-a0)/h, (b2-b0)/h
				det := ac*bp - ap*bc
				c, p = c-(a0*bp-ap*b0)/det, p-(ac*b0-a0*bc)/det
			}
			bend := must(b.AtTravel(travel))(t)
			_, end, _, height, _ := shoot(c, p, 0.5)
			near(t, "radius", bend.NeutralRadiusM, 1/c, 2e-11)
			near(t, "height", bend.HeightM, height, 2e-11)
			if got := must(bend.CurvaturePerM(0.5))(t); math.Abs(got-end) > 1e-9*c {
				t.Errorf("%s, travel %g: curvature %g at the end, expected %g", ends, travel, got, end)
			}
			for _, s := range []float64{0.07, 0.21, 0.4} {
				theta, slope, _, _, _ := shoot(c, p, s)
				if got := must(bend.CurvaturePerM(-s))(t); math.Abs(got-slope) > 1e-9*c {
					t.Errorf("%s, travel %g: curvature %g at %g, expected %g", ends, travel, got, s, slope)
				}
				mean := must(bend.MeanCurvaturePerM(s/2, s))(t)
				near(t, "mean curvature", mean, theta/s, 1e-9)
			}
		}
	}
	// Where the legs touch, the nearest the legs come to the middle is zero.
	b := buckle(t, thin(1), Clamped)
	touch := must(b.AtTravel(b.Limits().GreatestTravelM))(t)
	_, _, _, _, neck := shoot(1/touch.NeutralRadiusM, 1/(touch.waveM*touch.waveM), 0.5)
	if math.Abs(neck) > 1e-5 { // the steps of the integration are 1.25e-4 apart
		t.Errorf("legs that touch stand %g apart", 2*neck)
	}
}

// At dL/L = 0.1 the curvature along the strip, from the elliptic functions in 30
// digits; nearly cos(2 pi s/L).
func TestCurvatureAlongTheStrip(t *testing.T) {
	bend := must(buckle(t, thin(0.05), Clamped).AtTravel(0.005))(t)
	for along, part := range map[float64]float64{0: 1, 0.025: 0.987048394, 0.05: 0.948656473, 0.1: 0.801678592, 0.5: -1} {
		for _, s := range []float64{along, -along} {
			near(t, "curvature", must(bend.CurvaturePerM(s*0.05))(t)*bend.NeutralRadiusM, part, 1e-9)
		}
	}
	if c := must(bend.CurvaturePerM(0.0125))(t) * bend.NeutralRadiusM; math.Abs(c) > 1e-14 {
		t.Errorf("curvature %g at a quarter of the length, expected the inflection", c)
	}
}

// The mean is the integral of the local curvature, by Simpson's rule.
func TestMeanCurvature(t *testing.T) {
	bends := []Bend{
		must(buckle(t, thin(0.05), Clamped).AtTravel(0.02))(t),
		must(buckle(t, thin(0.05), Hinged).AtTravel(0.02))(t),
		must(fold(t, foil(0.05, 125e-6), 0.01).AtTravel(0.002))(t),
		must(OnMandrel(foil(0.05, 125e-6), 0.005))(t),
	}
	for i, bend := range bends {
		for _, sensor := range [][2]float64{{0, 0.01}, {0, 0.05}, {0.008, 0.004}, {-0.02, 0.01}, {0.001, 1e-9}} {
			from := sensor[0] - sensor[1]/2
			want := simpson(sensor[1], func(s float64) float64 { return must(bend.CurvaturePerM(from + s))(t) }) / sensor[1]
			got := must(bend.MeanCurvaturePerM(sensor[0], sensor[1]))(t)
			// A fold goes flat with a corner in its curvature, where Simpson loses digits.
			if math.Abs(got-want) > map[bool]float64{true: 2e-6, false: 1e-9}[i == 2]/bend.NeutralRadiusM {
				t.Errorf("bend %d, sensor %v: mean curvature %.12g, expected %.12g", i, sensor, got, want)
			}
			if math.Abs(got) > (1+1e-12)/bend.NeutralRadiusM {
				t.Errorf("bend %d, sensor %v: mean curvature %g above the extreme %g", i, sensor, got, 1/bend.NeutralRadiusM)
			}
		}
	}
	for _, sensor := range [][2]float64{{0, 0}, {0, -1}, {0, 0.0501}, {0.02, 0.02}, {math.NaN(), 0.01}, {0, math.Inf(1)}} {
		if got, err := bends[0].MeanCurvaturePerM(sensor[0], sensor[1]); err == nil {
			t.Errorf("sensor %v has the mean %g, expected an error", sensor, got)
		}
	}
}

// Matthewson, Kurkjian, Gulati, J. Am. Ceram. Soc. 69 (1986) 815; digits
// recomputed from the integrals.
func TestFold(t *testing.T) {
	const h, gap = 125e-6, 0.010
	f := fold(t, foil(0.05, h), 0.015)
	bend := must(f.AtTravel(0.015 - gap))(t)
	near(t, "radius", bend.NeutralRadiusM, 4.120970e-3, 1e-7)
	near(t, "radius", bend.NeutralRadiusM, 0.417313420837*(gap-h), 1e-11)
	near(t, "strain", h/2/bend.NeutralRadiusM, 1.516633209e-2, 1e-9)
	near(t, "strain", h/2/bend.NeutralRadiusM, 1.198140234735592*h/(gap-h), 1e-14)
	near(t, "height", bend.HeightM, 0.834626842*(gap-h), 1e-9)
	near(t, "half the arc", bend.waveM*bend.shape.K, 2.188439615*(gap-h)/2, 1e-9)
	// A strip of 20 mm reaches round a gap of 20/2.188439615 mm and half a thickness on both sides.
	short := fold(t, foil(0.02, h), 0.015).Limits()
	near(t, "widest gap", 0.015-short.LeastTravelM, 0.02/2.188439615+h, 1e-9)
	// The arc by shooting: where the slope is 90 degrees the curvature has gone.
	r := bend.NeutralRadiusM
	theta, slope, x, y, _ := shoot(1/r, 1/(bend.waveM*bend.waveM), bend.waveM*bend.shape.K)
	near(t, "slope", theta, math.Pi/2, 1e-12)
	near(t, "half the gap", x, (gap-h)/2, 1e-11)
	near(t, "height", y, bend.HeightM, 1e-11)
	if math.Abs(slope*r) > 1e-10 || must(bend.CurvaturePerM(0.012))(t) != 0 {
		t.Errorf("curvature %g at the line of contact, %g beyond it, expected none", slope, must(bend.CurvaturePerM(0.012))(t))
	}
}

func TestMandrel(t *testing.T) {
	// Geometry: strain = h/(2R + h) when the inner face lies on a rod of radius R.
	for rod, strain := range map[float64]float64{5e-3: 1.234567901e-2, 1e-3: 5.882352941e-2} {
		s := foil(0.05, 125e-6)
		bend := must(OnMandrel(s, rod))(t)
		near(t, "strain", s.OuterM/bend.NeutralRadiusM, strain, 1e-9)
		near(t, "rod", must(s.RadiusM(bend.NeutralRadiusM, InnerFace))(t), rod, 1e-14)
		near(t, "curvature", must(bend.CurvaturePerM(0.02))(t), 1/(rod+62.5e-6), 1e-15)
	}
}

type fixture interface {
	Limits() Limits
	AtTravel(float64) (Bend, error)
	AtRadius(float64) (Bend, error)
}

func fixtures(t *testing.T) map[string]fixture {
	return map[string]fixture{
		"clamps": buckle(t, foil(0.05, 125e-6), Clamped), "hinges": buckle(t, foil(0.05, 125e-6), Hinged),
		"thick clamps": buckle(t, foil(0.02, 1e-3), Clamped), "thin clamps": buckle(t, thin(0.03), Clamped),
		"off-centre hinges": buckle(t, Strip{0.04, 3e-4, 1e-5}, Hinged), "fold": fold(t, foil(0.05, 125e-6), 0.012),
		"short fold": fold(t, Strip{0.01, 2e-4, 1.9e-4}, 0.02),
	}
}

// Travel to radius to travel returns over the whole valid range; radius falls (so the
// strain rises); no radius is below the least.
func TestThereAndBack(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	for name, f := range fixtures(t) {
		l := f.Limits()
		span := l.GreatestTravelM - l.LeastTravelM
		radius := math.Inf(1)
		for i := range 2001 {
			// Even steps, and steps that crowd at the beginning.
			travel := l.LeastTravelM + span*math.Pow(float64(i)/2000, float64(1+5*(i%2)))
			if i%2 == 1 {
				travel = l.LeastTravelM + span*math.Pow(random.Float64(), 6)
			}
			travel = l.clip(travel)
			bend := must(f.AtTravel(travel))(t)
			back := must(f.AtRadius(bend.NeutralRadiusM))(t)
			// A fold's radius knows the gap, of which a small travel is the last digits.
			if loose := math.Abs(back.TravelM - travel); loose > 1e-9*travel && loose > 4e-18 {
				t.Errorf("%s: a travel of %.13g comes back as %.13g", name, travel, back.TravelM)
			}
			if bend.NeutralRadiusM < l.LeastRadiusM*(1-1e-12) || bend.NeutralRadiusM > l.GreatestRadiusM*1.001 {
				t.Fatalf("%s: radius %g at travel %g is outside the limits %+v", name, bend.NeutralRadiusM, travel, l)
			}
			if i%2 == 0 {
				if bend.NeutralRadiusM >= radius {
					t.Fatalf("%s: radius %g at travel %g, expected less than %g: strain must rise with travel", name, bend.NeutralRadiusM, travel, radius)
				}
				radius = bend.NeutralRadiusM
			}
		}
		for range 200 {
			r := l.LeastRadiusM + (l.GreatestRadiusM-l.LeastRadiusM)*math.Pow(random.Float64(), 8)
			bend := must(f.AtRadius(r))(t)
			// A radius is only as good as the travel's last bit.
			loose := 1e-9 + 4e-16*math.Abs(bend.byTravel)*math.Max(l.GreatestTravelM, bend.TravelM)/r
			near(t, name+": radius", must(f.AtTravel(bend.TravelM))(t).NeutralRadiusM, r, loose)
		}
		if b, err := f.AtRadius(l.LeastRadiusM * 0.9999); !errors.Is(err, ErrTooTight) {
			t.Errorf("%s: a radius below the least gives %+v, %v", name, b, err)
		}
		if b, err := f.AtRadius(l.GreatestRadiusM * 1.01); !errors.Is(err, ErrNotBent) {
			t.Errorf("%s: a radius above the greatest gives %+v, %v", name, b, err)
		}
	}
}

// What is asked for in vain says so, with the number and what would do.
func TestRefusals(t *testing.T) {
	clamps, wide := buckle(t, foil(0.05, 125e-6), Clamped), fold(t, foil(0.02, 125e-6), 0.03)
	refused := func(_ any, err error) error { return err }
	for _, c := range []struct {
		err  error
		kind error
		says string
	}{
		{refused(NewBuckle(foil(0.05, 125e-6), "")), nil, `the ends of the strip are "", expected "clamped" (held flat) or "hinged"`},
		{refused(NewBuckle(foil(50, 2e-3*1e3), Clamped)), nil, "2000 mm thick"},
		{refused(NewBuckle(foil(0.001, 125e-6), Clamped)), nil, "a free length of 1 mm is outside the 2.5 mm (20 times the thickness)"},
		{refused(NewBuckle(Strip{0.05, 125e-6, 0}, Clamped)), nil, "a neutral plane 0 mm under the outer face"},
		{refused(NewBuckle(Strip{0.05, 125e-6, 125e-6}, Hinged)), nil, "not inside a strip 0.125 mm thick"},
		{refused(NewFold(foil(0.05, 125e-6), 0.0002)), nil, "a gap of 0.2 mm at zero travel is outside the 0.274768 mm"},
		{refused(clamps.AtTravel(-1e-3)), nil, "a travel of -1 mm would stretch the strip beyond its free length of 50 mm"},
		{refused(clamps.AtTravel(0)), ErrNotBent, "not bent yet: a travel of 0 mm only compresses the strip of 50 mm, which buckles at 0.00102"},
		{refused(clamps.AtTravel(0.045)), ErrTooFar, "travel too far: at 45 mm the legs of the strip of 50 mm touch: travel at most 42.28"},
		{refused(clamps.AtTravel(0.05)), ErrTooFar, "50 mm is no less than the free length of 50 mm"},
		{refused(clamps.AtTravel(math.NaN())), nil, "not a number"},
		{refused(clamps.AtTravel(math.Inf(1))), ErrTooFar, "+Inf mm"},
		{refused(clamps.AtRadius(1e-3)), ErrTooTight, "radius too small: 1 mm is below the 3."},
		{refused(clamps.AtRadius(math.Inf(1))), ErrNotBent, "ask for flat"},
		{refused(clamps.AtRadius(math.NaN())), nil, "NaN mm is no radius"},
		{refused(clamps.AtRadius(-1)), nil, "-1000 mm is no radius"},
		{refused(wide.AtTravel(0)), ErrNotBent, "not bent yet: at a gap of 30 mm a strip of 20 mm does not reach round"},
		{refused(wide.AtTravel(0.0299)), ErrTooFar, "nothing is left of the radius of the inner face"},
		{refused(wide.AtTravel(-1e-3)), nil, "would open the plates"},
		{refused(wide.AtRadius(1e-5)), ErrTooTight, "0.01 mm is below the 0.0625 mm"},
		{refused(wide.AtRadius(0.01)), ErrNotBent, "a radius of 10 mm is above the 3.8138 mm"},
		{refused(Buckle{}.AtTravel(1e-3)), nil, "no strip in the fixture"},
		{refused(Buckle{}.AtRadius(1e-3)), nil, "no strip in the fixture"},
		{refused(Fold{}.AtTravel(1e-3)), nil, "no strip in the fixture"},
		{refused(Fold{}.AtRadius(1e-3)), nil, "no strip in the fixture"},
		{refused(Bend{}.CurvaturePerM(0)), nil, "no shape yet"},
		{refused(Bend{}.RadiusUncertaintyM(Uncertainty{})), nil, "no shape yet"},
		{refused(Bend{}.StrainUncertainty(Film{}, Uncertainty{})), nil, "no shape yet"},
		{refused(OnMandrel(foil(0.05, 125e-6), 0)), nil, "a radius of 0 mm is outside"},
		{refused(foil(0.05, 125e-6).NeutralRadiusM(5e-3, "")), nil, `surface "", expected "neutral plane" or "inner face"`},
		{refused(foil(0.05, 125e-6).NeutralRadiusM(6e-5, NeutralPlane)), ErrTooTight, "leaves none at the inner face"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) || c.kind != nil && !errors.Is(c.err, c.kind) {
			t.Errorf("got %v\nexpected an error of kind %v that says %q", c.err, c.kind, c.says)
		}
	}
}

// The stated derivatives against differences of the whole computation.
func TestUncertainty(t *testing.T) {
	const length, h, travel, rod = 0.05, 200e-6, 4e-3, 5e-3
	for name, shape := range map[string]func(travel, length, h, rod float64) Bend{
		"clamps":  func(x, l, h, _ float64) Bend { return must(buckle(t, foil(l, h), Clamped).AtTravel(x))(t) },
		"hinges":  func(x, l, h, _ float64) Bend { return must(buckle(t, foil(l, h), Hinged).AtTravel(x))(t) },
		"fold":    func(x, l, h, _ float64) Bend { return must(fold(t, foil(l, h), 0.012).AtTravel(x))(t) },
		"mandrel": func(_, l, h, r float64) Bend { return must(OnMandrel(foil(l, h), r))(t) },
	} {
		bend := shape(travel, length, h, rod)
		squareR := 0.0
		all := Uncertainty{20e-6, 100e-6, 2e-6, 10e-6, nil}
		for i, u := range []Uncertainty{{TravelM: all.TravelM}, {FreeLengthM: all.FreeLengthM}, {ThicknessM: all.ThicknessM}, {RodRadiusM: all.RodRadiusM}} {
			x := [2][4]float64{{travel, length, h, rod}, {travel, length, h, rod}}
			step := 1e-4 * x[0][i]
			x[0][i] -= step
			x[1][i] += step
			below, above := shape(x[0][0], x[0][1], x[0][2], x[0][3]), shape(x[1][0], x[1][1], x[1][2], x[1][3])
			size := u.TravelM + u.FreeLengthM + u.ThicknessM + u.RodRadiusM
			dR := size * (above.NeutralRadiusM - below.NeutralRadiusM) / (2 * step)
			if got := must(bend.RadiusUncertaintyM(u))(t); math.Abs(got-math.Abs(dR)) > 1e-6*got+1e-14 {
				t.Errorf("%s, input %d: radius uncertain by %g, expected %g", name, i, got, math.Abs(dR))
			}
			squareR += dR * dR
		}
		near(t, name+": combined radius", must(bend.RadiusUncertaintyM(all))(t), math.Sqrt(squareR), 1e-6)
	}
}

// middle is the film between a foil and a cover.
func middle(t *testing.T, thickness, modulus [3]float64, f Facing) Film {
	t.Helper()
	var all []Layer
	for i := range thickness {
		all = append(all, Layer{ThicknessM: thickness[i], ModulusPa: modulus[i]})
	}
	return must(must(NewLaminate(Narrow, all...))(t).Film(1, f))(t)
}

// The uncertainty of a strain, input by input, against differences of the whole computation:
// laminate, strip, fixture, strain. Between clamps and hinges the radius follows the whole
// thickness alone; on plates and rods it is taken to follow it in proportion, which is little.
func TestStrainUncertaintyOfLayers(t *testing.T) {
	const length, travel, rod = 0.05, 4e-3, 5e-3
	thickness, modulus := [3]float64{125e-6, 8e-6, 60e-6}, [3]float64{2.5e9, 3e9, 1.8e9}
	for name, c := range map[string]struct {
		shape  func(s Strip) Bend
		within float64
	}{
		"clamps":  {func(s Strip) Bend { return must(buckle(t, s, Clamped).AtTravel(travel))(t) }, 1e-6},
		"hinges":  {func(s Strip) Bend { return must(buckle(t, s, Hinged).AtTravel(travel))(t) }, 1e-6},
		"fold":    {func(s Strip) Bend { return must(fold(t, s, 0.012).AtTravel(travel))(t) }, 0.03},
		"mandrel": {func(s Strip) Bend { return must(OnMandrel(s, rod))(t) }, 0.02},
	} {
		for _, facing := range []Facing{Out, In} {
			strain := func(thickness, modulus [3]float64) float64 {
				film := middle(t, thickness, modulus, facing)
				return must(film.Strain(1 / c.shape(film.Strip(length)).NeutralRadiusM))(t)
			}
			film := middle(t, thickness, modulus, facing)
			bend := c.shape(film.Strip(length))
			sum, all := 0., make([]LayerUncertainty, 3)
			for i := range 6 {
				layer, x, y := i%3, [2][3]float64{thickness, modulus}, [2][3]float64{thickness, modulus}
				x[i/3][layer] *= 1 + 1e-5
				y[i/3][layer] *= 1 - 1e-5
				size := 0.03 * thickness[layer]
				of := LayerUncertainty{ThicknessM: size}
				if i >= 3 {
					size = 0.1 * modulus[layer]
					of = LayerUncertainty{ModulusPa: size}
				}
				one := make([]LayerUncertainty, 3)
				one[layer] = of
				all[layer] = LayerUncertainty{all[layer].ThicknessM + of.ThicknessM, all[layer].ModulusPa + of.ModulusPa}
				expected := math.Abs(size * (strain(x[0], x[1]) - strain(y[0], y[1])) / (x[i/3][layer] - y[i/3][layer]))
				got := must(bend.StrainUncertainty(film, Uncertainty{Layers: one}))(t)
				if !(expected > 0) || math.Abs(got/expected-1) > c.within {
					t.Errorf("%s, facing %s, input %d: strain uncertain by %g, expected %g", name, facing, i, got, expected)
				}
				sum += got * got
			}
			near(t, name+": all together", must(bend.StrainUncertainty(film, Uncertainty{ThicknessM: 1, Layers: all}))(t), math.Sqrt(sum), 1e-9)
		}
	}
}

// A film on the neutral plane is not strained, and that is only as sure as the layers are: by
// hand, a cover that is thicker by dt moves the plane by E dt (h - y)/S, S the sum of E t. So
// it is where only the thickness of all layers is stated to be uncertain.
func TestStrainOnTheNeutralPlaneIsUncertain(t *testing.T) {
	const uThickness, rod = 1e-6, 5e-3
	foil, film := Layer{ThicknessM: 125e-6, ModulusPa: 2.5e9}, Layer{ThicknessM: 8e-6, ModulusPa: 3e9}
	bare := must(NewLaminate(Narrow, foil, film))(t)
	cover := Layer{ThicknessM: must(bare.NeutralCover(1, 2.5e9, 0))(t), ModulusPa: 2.5e9}
	covered := must(NewLaminate(Narrow, foil, film, cover))(t)
	f := must(covered.Film(1, Out))(t)
	bend := must(OnMandrel(f.Strip(0.05), rod))(t)
	if strain := must(f.Strain(1 / bend.NeutralRadiusM))(t); math.Abs(strain) > 1e-12 {
		t.Fatalf("strain %g on the neutral plane", strain)
	}
	stretch := foil.ThicknessM*foil.ModulusPa + film.ThicknessM*film.ModulusPa + cover.ThicknessM*cover.ModulusPa
	want := uThickness * cover.ModulusPa * (covered.ThicknessM() - covered.NeutralM()) / stretch / bend.NeutralRadiusM
	near(t, "of the cover", must(bend.StrainUncertainty(f, Uncertainty{Layers: []LayerUncertainty{{}, {}, {ThicknessM: uThickness}}}))(t), want, 1e-9)
	near(t, "of foil and cover, which are nearly alike", must(bend.StrainUncertainty(f, Uncertainty{ThicknessM: uThickness}))(t), want, 0.05)
}

func TestUncertaintyRefusals(t *testing.T) {
	b := buckle(t, foil(0.05, 125e-6), Clamped)
	shallow := must(b.AtTravel(3e-6))(t) // 2 um beyond the onset
	if u, err := shallow.RadiusUncertaintyM(Uncertainty{TravelM: 2e-6}); err == nil || !strings.Contains(err.Error(), "bend further") {
		t.Errorf("a radius near the onset is uncertain by %g, %v, expected to be refused", u, err)
	}
	must(shallow.RadiusUncertaintyM(Uncertainty{TravelM: 0.5e-6}))(t)
	film := must(must(NewLaminate(Narrow, Layer{ThicknessM: 117e-6, ModulusPa: 2.5e9}, Layer{ThicknessM: 8e-6, ModulusPa: 3e9}))(t).Film(1, Out))(t)
	for _, bad := range []Uncertainty{{TravelM: -1e-6}, {FreeLengthM: math.NaN()}, {ThicknessM: math.Inf(1)}} {
		if u, err := shallow.StrainUncertainty(film, bad); err == nil || !strings.Contains(err.Error(), "a standard uncertainty of") {
			t.Errorf("%+v gives %g, %v, expected to be refused", bad, u, err)
		}
	}
	if _, err := shallow.StrainUncertainty(Film{}, Uncertainty{}); err == nil {
		t.Error("a film without layers was accepted")
	}
}

// The bits are part of the contract, taken on amd64 without fused multiply-add:
// a rehearsal repeated on another processor must find the same.
func TestGoldenBits(t *testing.T) {
	var sum uint64
	add := func(values ...float64) {
		for _, v := range values {
			sum = sum*31 + math.Float64bits(v)
		}
	}
	u := Uncertainty{1e-5, 1e-4, 1e-6, 1e-5, []LayerUncertainty{{0, 3e8}}}
	printed := must(must(NewLaminate(Narrow, Layer{ThicknessM: 117e-6, ModulusPa: 2.5e9}, Layer{ThicknessM: 8e-6, ModulusPa: 3e9}))(t).Film(1, Out))(t)
	for i := 1; i < 200; i++ {
		x := float64(i) / 200
		for _, f := range []fixture{buckle(t, foil(0.05, 125e-6), Clamped), buckle(t, Strip{0.05, 125e-6, 3e-5}, Hinged), fold(t, Strip{0.05, 125e-6, 3e-5}, 0.012)} {
			l := f.Limits()
			bend := must(f.AtTravel(l.LeastTravelM + float64(x*(l.GreatestTravelM-l.LeastTravelM))))(t)
			back := must(f.AtRadius(bend.NeutralRadiusM))(t)
			mean := must(bend.MeanCurvaturePerM(float64(x*0.01), 0.011))(t)
			at := must(bend.CurvaturePerM(float64(x * 0.025)))(t)
			add(l.GreatestTravelM, bend.NeutralRadiusM, bend.HeightM, back.TravelM, mean, at)
			uR, uS := must(bend.RadiusUncertaintyM(u))(t), must(bend.StrainUncertainty(printed, u))(t)
			add(uR, uS)
		}
		l := must(NewLaminate(Wide, Layer{float64(x * 1e-4), 2.5e9, 0.34}, Layer{3e-7, 78e9, 0.42}, Layer{25e-6, 3.1e9, 0.3}))(t)
		film := must(l.Film(1, Out))(t)
		add(l.NeutralM(), l.StiffnessNm(), must(film.Strain(123))(t))
		if cover, err := l.NeutralCover(1, 1e9, 0.4); err == nil {
			add(cover)
		}
	}
	if want := uint64(0xd635b73939fec8a7); sum != want {
		t.Errorf("the values have the sum %#x, expected %#x", sum, want)
	}
}

// Whatever is asked, there is an error or a finite answer in the limits.
func FuzzFixtures(f *testing.F) {
	f.Add(0.05, 125e-6, 62.5e-6, 0.005, 0.012, 0.001, 0.004, byte(0))
	f.Add(0.05, 125e-6, 62.5e-6, 1.03e-6, 600., 0.02, 0.01, byte(1))
	f.Add(0.02, 1e-3, 1e-4, 0.0141, 1e-3, 0., 0.02, byte(2))
	f.Add(0.02, 1e-3, 1e-4, 0.01, 1e-3, 0., 1e-12, byte(3))
	f.Fuzz(func(t *testing.T, length, thickness, outer, travel, radius, centre, sensor float64, kind byte) {
		s := Strip{length, thickness, outer}
		var x fixture
		var err error
		switch kind % 4 {
		case 0:
			x, err = NewBuckle(s, Clamped)
		case 1:
			x, err = NewBuckle(s, Hinged)
		case 2:
			x, err = NewFold(s, radius+2*travel)
		case 3:
			if bend, err := OnMandrel(s, radius); err == nil {
				sound(t, bend, centre, sensor, travel)
			}
			return
		}
		if err != nil {
			return
		}
		l := x.Limits()
		if !(l.LeastTravelM >= 0 && l.LeastTravelM < l.GreatestTravelM && l.LeastRadiusM >= s.innerM()-1e-12*s.ThicknessM && l.LeastRadiusM < l.GreatestRadiusM) {
			t.Fatalf("limits %+v of %+v", l, s)
		}
		for _, ask := range []func() (Bend, error){
			func() (Bend, error) { return x.AtTravel(travel) },
			func() (Bend, error) { return x.AtRadius(radius) },
		} {
			bend, err := ask()
			if err != nil {
				continue
			}
			if !(bend.NeutralRadiusM >= l.LeastRadiusM*(1-1e-9) && bend.TravelM >= l.LeastTravelM && bend.TravelM <= l.GreatestTravelM) {
				t.Fatalf("%+v is outside the limits %+v of %+v", bend, l, s)
			}
			sound(t, bend, centre, sensor, travel)
		}
	})
}

func sound(t *testing.T, b Bend, centre, sensor, u float64) {
	t.Helper()
	printed := must(must(NewLaminate(Narrow, Layer{ThicknessM: 117e-6, ModulusPa: 2.5e9}, Layer{ThicknessM: 8e-6, ModulusPa: 3e9}))(t).Film(1, Out))(t)
	values := []float64{b.TravelM, b.NeutralRadiusM, b.HeightM}
	for _, ask := range []func() (float64, error){
		func() (float64, error) { return b.CurvaturePerM(centre) },
		func() (float64, error) { return b.MeanCurvaturePerM(centre, sensor) },
		func() (float64, error) {
			return b.RadiusUncertaintyM(Uncertainty{u, sensor, u, u, []LayerUncertainty{{u, 3e8}}})
		},
		func() (float64, error) {
			return b.StrainUncertainty(printed, Uncertainty{u, sensor, u, u, []LayerUncertainty{{u, 3e8}}})
		},
		func() (float64, error) { return b.strip.RadiusM(b.NeutralRadiusM, InnerFace) },
	} {
		if v, err := ask(); err == nil {
			values = append(values, v)
		}
	}
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("value %d of %+v is %g without an error", i, b, v)
		}
	}
}
