package twin

import (
	"math"
	"testing"
)

// near fails when got is further than tolerance from want.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.10g, expected %.10g within %g", what, got, want, tolerance)
	}
}

// perfect stands for a face held at a temperature: its resistance is a millionth
// of the smallest here.
const perfect = 1e10

// solve starts a slab at one temperature and takes equal steps to a time.
func solve(t *testing.T, layers []Layer, start float64, around surroundings, until float64, steps int) [nodesMax]float64 {
	t.Helper()
	s, err := newSlab(layers)
	if err != nil {
		t.Fatal(err)
	}
	var temperature [nodesMax]float64
	for i := range s.nodes {
		temperature[i] = start
	}
	f := s.stepper(until/float64(steps), around.below, around.above)
	for range steps {
		s.step(&f, &temperature, around)
	}
	return temperature
}

// unitWall has thickness, conductivity and diffusivity 1, so that the coefficient
// on its upper face is the Biot number and time is the Fourier number; its
// insulated lower face is the middle of a wall cooled on both faces.
func unitWall(cells int) []Layer {
	return []Layer{{ThicknessM: 1, ConductivityWPerMK: 1, DensityKgPerM3: 1, HeatCapacityJPerKgK: 1, Cells: cells}}
}

// roots returns the first n roots of zeta tan(zeta) = Bi, by bisection.
func roots(bi float64, n int) []float64 {
	found := make([]float64, n)
	for i := range found {
		low, high := float64(i)*math.Pi, float64(i)*math.Pi+math.Pi/2
		for range 200 {
			middle := (low + high) / 2
			if middle*math.Sin(middle) < bi*math.Cos(middle) == (math.Cos(middle) > 0) {
				low = middle
			} else {
				high = middle
			}
		}
		found[i] = low
	}
	return found
}

// series is the exact solution of the wall, Incropera and DeWitt, section 5.5.
func series(bi, fo, x float64, terms int) float64 {
	sum := 0.0
	for _, zeta := range roots(bi, terms) {
		c := 4 * math.Sin(zeta) / (2*zeta + math.Sin(2*zeta))
		sum += c * math.Exp(-zeta*zeta*fo) * math.Cos(zeta*x)
	}
	return sum
}

// First roots and coefficients as printed in Incropera and DeWitt, table 5.1
// (recomputed to the digits shown): they check the series that checks the solver.
func TestPlaneWallSeries(t *testing.T) {
	for _, c := range []struct{ bi, zeta, c1 float64 }{
		{.01, .099834, 1.001661}, {.02, .140952, 1.003310}, {.05, .221760, 1.008189}, {.1, .311053, 1.016094},
		{.2, .432841, 1.031088}, {.5, .653271, 1.070128}, {1, .860334, 1.119132}, {2, 1.076874, 1.178456},
		{5, 1.313838, 1.240249}, {10, 1.428870, 1.261963}, {20, 1.496129, 1.269916}, {50, 1.540006, 1.272652},
		{100, 1.555245, 1.273088},
	} {
		zeta := roots(c.bi, 1)[0]
		near(t, "first root", zeta, c.zeta, 6e-7)
		near(t, "first coefficient", 4*math.Sin(zeta)/(2*zeta+math.Sin(2*zeta)), c.c1, 6e-7)
	}
	near(t, "one term at (1, 0.2, 0)", series(1, .2, 0, 1), .96514070, 1e-8)
}

// The wall cooled on both faces, against values of the full series computed
// independently (200 terms) and against the series above.
func TestPlaneWall(t *testing.T) {
	for _, c := range []struct{ bi, fo, x, want float64 }{
		{1, .2, 0, .95064178}, {1, .2, 1, .64339078}, {1, 1, 0, .53385940}, {1, 1, 1, .34817685},
		{.1, 1, 0, .92238857}, {.1, 10, 0, .38613329}, {10, .2, 0, .82925473}, {10, .5, 0, .45464056},
		{perfect, .05, 0, .99686920}, {perfect, .1, 0, .94930536}, {perfect, .2, 0, .77231161},
		{perfect, .5, 0, .37077743}, {perfect, 1, 0, .10797704},
	} {
		if c.bi != perfect {
			near(t, "series", series(c.bi, c.fo, c.x, 200), c.want, 1e-8)
		}
		const cells = 60
		at := solve(t, unitWall(cells), 1, surroundings{above: c.bi}, c.fo, 400)
		near(t, "wall", at[int(c.x)*cells], c.want, 1e-4)
	}
}

// Twice the nodes and half the step: a quarter of the error.
func TestOrderOfTheScheme(t *testing.T) {
	const bi, fo = 1, .5
	for _, x := range []float64{0, 1} {
		want := series(bi, fo, x, 200)
		var errors []float64
		for _, cells := range []int{8, 16, 32} {
			at := solve(t, unitWall(cells), 1, surroundings{above: bi}, fo, cells)
			errors = append(errors, math.Abs(at[int(x)*cells]-want))
		}
		for i := range 2 {
			if ratio := errors[i] / errors[i+1]; ratio < 3.6 || ratio > 4.4 {
				t.Errorf("at %g the error goes from %g to %g when the grid is halved, expected a quarter", x, errors[i], errors[i+1])
			}
		}
	}
}

// No step is too long: after one step of ten thousand seconds the slab is at rest.
func TestLongStepsAreStable(t *testing.T) {
	at := solve(t, stack(8, 4, 0), 25, surroundings{below: perfect, above: 10, belowStart: 85, belowEnd: 85, aboveDegC: 25}, 1e5, 2)
	near(t, "top at rest", at[12], 83.96460953, 1e-3)
}

// Slab heated from below at a fixed temperature, insulated above: Fourier numbers
// at which the upper face has gone 50 %, 63.212 % and 90 % of the way, computed
// independently.
func TestSlabHeatedFromBelow(t *testing.T) {
	for _, c := range []struct{ fo, want float64 }{{.37874784, .5}, {.50318057, 1 - 1/math.E}, {1.03110498, .9}} {
		const cells = 60
		at := solve(t, unitWall(cells), 0, surroundings{below: perfect, belowStart: 1, belowEnd: 1}, c.fo, 400)
		near(t, "upper face", at[cells], c.want, 1e-4)
	}
	// The same in seconds for 1 mm of glass: t63 is .6739 s, with k = 1.4 W/mK.
	glass := stack(40, 0, 0)[:1]
	at := solve(t, glass, 0, surroundings{below: perfect, belowStart: 1, belowEnd: 1}, .6739, 400)
	near(t, "1 mm of glass at .6739 s", at[40], 1-1/math.E, 1e-4)
}

// stack is 1 mm of soda-lime glass under 125 um of polyimide.
func stack(glass, foil int, between float64) []Layer {
	return []Layer{
		{ThicknessM: 1e-3, ConductivityWPerMK: 1.4, DensityKgPerM3: 2500, HeatCapacityJPerKgK: 750, Cells: glass},
		{ThicknessM: 125e-6, ConductivityWPerMK: .12, DensityKgPerM3: 1420, HeatCapacityJPerKgK: 1090,
			ContactBelowWPerM2K: between, Cells: foil},
	}
}

// The stack, its lower face stepped from 25 to 85 degC, 10 W/m2K to 25 degC above:
// temperatures of the upper face computed independently by extrapolation over
// two grids, good to 2e-4 K at early times.
func TestTwoLayerStack(t *testing.T) {
	times := []float64{.1, .2, .5, 1, 2, 5, 10}
	for _, c := range []struct {
		contact, atRest float64
		want            []float64
	}{
		{perfect, 83.96460953, []float64{25.0622, 27.0857, 44.0292, 64.9204, 79.7030, 83.9169, 83.9646}},
		{2000, 83.67629082, []float64{25.0075, 25.4218, 31.8011, 45.1586, 62.9891, 80.4773, 83.5338}},
	} {
		around := surroundings{below: c.contact, above: 10, belowStart: 85, belowEnd: 85, aboveDegC: 25}
		for i, until := range times {
			coarse := solve(t, stack(20, 10, 0), 25, around, until, 400)[30]
			fine := solve(t, stack(40, 20, 0), 25, around, until, 800)[60]
			near(t, "top of the stack", fine+(fine-coarse)/3, c.want[i], 3e-4)
		}
		near(t, "top at rest", solve(t, stack(20, 10, 0), 25, around, 100, 1000)[30], c.atRest, 1e-6)
	}
}

// At rest the flux through every part is the same: 589.64609535 W/m2, and drops
// of .421176 K over the glass and .614215 K over the foil, computed independently.
func TestStackAtRest(t *testing.T) {
	around := surroundings{below: perfect, above: 10, belowStart: 85, belowEnd: 85, aboveDegC: 25}
	at := solve(t, stack(4, 2, 0), 25, around, 100, 1000)
	near(t, "flux to the air", 10*(at[6]-25), 589.64609535, 1e-4)
	near(t, "drop over the glass", at[0]-at[4], .421176, 1e-6)
	near(t, "drop over the foil", at[4]-at[6], .614215, 1e-6)
}

// A joint between the layers and heat in the upper face, at rest, against
// resistances in series.
func TestJointAndHeat(t *testing.T) {
	around := surroundings{below: 67, above: 5, belowStart: 30, belowEnd: 30, aboveDegC: 18, heat: 100}
	at := solve(t, stack(3, 2, 500), 20, around, 2000, 1000)
	down := 1 / (1./67 + 1e-3/1.4 + 1./500 + 125e-6/.12)
	near(t, "top", at[6], (100+down*30+5*18)/(down+5), 1e-9)
}

// A slab between nothing keeps its heat, to rounding.
func TestHeatIsKept(t *testing.T) {
	s, err := newSlab(stack(4, 3, 300))
	if err != nil {
		t.Fatal(err)
	}
	var at [nodesMax]float64
	total, before := 0.0, 0.0
	for i := range s.nodes {
		at[i] = float64(i * i)
		before += s.capacity[i] * at[i]
	}
	f := s.stepper(.1, 0, 0)
	for range 100 {
		s.step(&f, &at, surroundings{})
	}
	for i := range s.nodes {
		total += s.capacity[i] * at[i]
	}
	near(t, "heat", total/before, 1, 1e-12)
	near(t, "capacity", s.capacity[0]+s.capacity[1]+s.capacity[2]+s.capacity[3]+s.capacity[4], 1875, 1e-9)
}

// A lag behind a ramp trails it by its time constant times the rate.
func TestLag(t *testing.T) {
	l := newLag(2, .1)
	y := 0.0
	for i := range 1000 {
		y = l.step(y, float64(i)*.03, float64(i+1)*.03) // 0.3 per second
	}
	near(t, "behind a ramp", 30-y, .6, 1e-9)
	y = 1
	for range 20 {
		y = l.step(y, 0, 0)
	}
	near(t, "after one time constant", y, math.Exp(-1), 1e-12)
	near(t, "without a lag", newLag(0, .1).step(7, 1, 2), 2, 0)
}

func TestSlabRefuses(t *testing.T) {
	thin := unitWall(1)[0]
	thin.ThicknessM = 0
	leaky := unitWall(1)[0]
	leaky.ContactBelowWPerM2K = math.NaN()
	for _, layers := range [][]Layer{nil, unitWall(0), unitWall(nodesMax), {thin}, {unitWall(1)[0], leaky}} {
		if s, err := newSlab(layers); err == nil {
			t.Errorf("%+v became a slab of %d nodes", layers, s.nodes)
		}
	}
}
