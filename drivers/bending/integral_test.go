package bending

import (
	"encoding/json"
	"math"
	"os/exec"
	"strings"
	"testing"
)

// near holds got against want to a part of want.
func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.13g, expected %.13g to %g of it", what, got, want, relative)
	}
}

func TestCompleteIntegrals(t *testing.T) {
	// K and E at k = 1/sqrt 2: DLMF 19.6 and 23.5 (lemniscatic case), in the digits of Abramowitz & Stegun 17.1.
	e := newModulus(math.Sqrt2 / 2)
	near(t, "K", e.K, 1.8540746773013719, 3e-16)
	near(t, "E", e.K*(1-e.loss), 1.3506438810476755, 3e-16)
	near(t, "c", math.Sqrt2*e.K*(1-e.shortening()), foldFactor, 1e-15) // sqrt 2 (2E - K)
	near(t, "c", math.Pi/(math.Sqrt2*e.K), foldFactor, 1e-15)          // by Legendre's relation
	// Facts of the elastica: alpha = 130.71 degrees where the ends meet.
	e = newModulus(greatestK)
	near(t, "shortening", e.shortening(), 1, 1e-15)
	near(t, "alpha", 2*math.Asin(greatestK)*180/math.Pi, 130.71, 1e-4)
	// Power series of E and K for small k: shortening = k^2 + k^4/8 + ...
	for _, k := range []float64{1e-12, 1e-6, 1e-4} {
		near(t, "shortening", newModulus(k).shortening(), k*k*(1+k*k/8), 1e-15)
	}
}

// Legendre's relation E K' + E' K - K K' = pi/2 ties all integrals to each other.
func TestLegendreRelation(t *testing.T) {
	for i := 42; i <= 90; i++ {
		k := float64(i) / 100
		a, b := newModulus(k), newModulus(math.Sqrt((1-k)*(1+k)))
		near(t, "Legendre's sum", a.K*b.K*(1-a.loss-b.loss), math.Pi/2, 2e-15)
	}
}

func TestIncompleteIntegralsByQuadrature(t *testing.T) {
	for _, k := range []float64{1e-5, 0.3, math.Sqrt2 / 2, 0.9} {
		for _, sine := range []float64{1e-3, 0.4, 0.8, 0.99, 1} {
			first, second := newModulus(k).incomplete(sine)
			root := func(x float64) float64 { return math.Sqrt(1 - k*k*math.Sin(x)*math.Sin(x)) }
			near(t, "F", first, simpson(math.Asin(sine), func(x float64) float64 { return 1 / root(x) }), 1e-13)
			near(t, "E", second, simpson(math.Asin(sine), root), 1e-13)
			near(t, "arc sine", arcSine(sine), math.Asin(sine), 5e-16)
		}
	}
}

func simpson(to float64, f func(float64) float64) float64 {
	const n = 2000
	sum, h := f(0)+f(to), to/n
	for i := 1; i < n; i++ {
		sum += f(float64(i)*h) * float64(2+2*(i%2))
	}
	return sum * h / 3
}

// sn inverts F, and the three functions keep their identities; addition of
// arguments (DLMF 22.8.1) is no part of how they are computed.
func TestJacobi(t *testing.T) {
	for _, k := range []float64{1e-10, 1e-4, 0.31, math.Sqrt2 / 2, 0.84, greatestK} {
		e := newModulus(k)
		for i := range 51 {
			u := e.K * float64(i) / 50
			sn, cn, dn := e.jacobi(u)
			near(t, "sn^2 + cn^2", sn*sn+cn*cn, 1, 4e-15)
			near(t, "dn^2 + k^2 sn^2", dn*dn+k*k*sn*sn, 1, 4e-15)
			if first, _ := e.incomplete(math.Min(sn, 1)); i < 45 {
				near(t, "F(sn u)", first, u, 4e-15)
			}
			hs, hc, hd := e.jacobi(u / 2)
			if want := 2 * hs * hc * hd / (1 - k*k*hs*hs*hs*hs); math.Abs(sn-want) > 1.5e-15 {
				t.Errorf("sn(%g, %g) is %.17g, expected %.17g", u, k, sn, want)
			}
		}
		if sn, cn, dn := e.jacobi(e.K); math.Abs(sn-1) > 3e-16 || math.Abs(cn) > 5e-16 || math.Abs(dn-math.Sqrt(1-k*k)) > 5e-16 {
			t.Errorf("at K of k = %g: sn %g, cn %g, dn %g, expected 1, 0, sqrt(1-k^2)", k, sn, cn, dn)
		}
	}
}

func TestSolvedModulus(t *testing.T) {
	for i := range 400 {
		k := greatestK * math.Pow(10, -float64(i)/40)
		e := newModulus(k)
		near(t, "k by shortening", byShortening(e.shortening()).k, k, 1e-15)
		near(t, "k by kK", byKK(k*e.K).k, k, 1e-15)
		// Derivatives against differences.
		if k > 1e-3 {
			m, h := k*k, 1e-5*k*k
			above, below := newModulus(math.Sqrt(m+h)), newModulus(math.Sqrt(m-h))
			shortening, logKK := e.slopes()
			near(t, "d shortening/dm", shortening, (above.shortening()-below.shortening())/(2*h), 1e-9)
			near(t, "d ln kK/dm", logKK, (math.Log(above.k*above.K)-math.Log(below.k*below.K))/(2*h), 1e-9)
		}
	}
}

// An outside library: scipy's elliptic functions, whose parameter is m = k^2.
const scipyProgram = `
import json, sys
from scipy.special import ellipk, ellipe, ellipkinc, ellipeinc, ellipj
import math
print(json.dumps([[ellipk(k*k), ellipe(k*k), ellipkinc(p, k*k), ellipeinc(p, k*k), *ellipj(q*ellipk(k*k), k*k)[:3]]
  for k, p, q in json.load(sys.stdin)]))`

func TestAgainstScipy(t *testing.T) {
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import scipy.special").CombinedOutput(); err != nil {
		t.Skipf("scipy is not there (Debian package python3-scipy): %v %.200q", err, out)
	}
	var cases [][3]float64
	for i := 1; i <= 30; i++ {
		for j := 1; j <= 20; j++ {
			cases = append(cases, [3]float64{greatestK * float64(i) / 30, 1.5 * float64(j) / 20, float64(j) / 20})
		}
	}
	text, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	program := exec.Command(python, "-c", scipyProgram)
	program.Stdin = strings.NewReader(string(text))
	out, err := program.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want [][7]float64
	if err := json.Unmarshal(out, &want); err != nil || len(want) != len(cases) {
		t.Fatalf("scipy returned %d rows of %d: %v", len(want), len(cases), err)
	}
	names := [7]string{"K", "E", "F", "E(phi)", "sn", "cn", "dn"}
	for i, c := range cases {
		e := newModulus(c[0])
		f, s := e.incomplete(math.Sin(c[1]))
		sn, cn, dn := e.jacobi(c[2] * e.K)
		for j, got := range [7]float64{e.K, e.K * (1 - e.loss), f, s, sn, cn, dn} {
			if math.Abs(got-want[i][j]) > 3e-15*(1+math.Abs(want[i][j])) {
				t.Errorf("%s at k %g, phi %g, u/K %g is %.17g, scipy has %.17g", names[j], c[0], c[1], c[2], got, want[i][j])
			}
		}
	}
}
