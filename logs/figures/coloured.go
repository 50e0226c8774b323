package figures

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Trend is a least-squares coefficient of a record in time with the uncertainty it has
// when neighbouring readings are alike. Plain least squares takes every reading for a
// fresh one and is far too sure under noise that grows towards low frequencies (1/f).
//
// The record is cut into at most 96 stretches of equal count. The noise of their means is
// taken for one of several kinds: white, autoregressive, or white plus power-law noise of
// spectrum 1/f^κ (fractional integration, as in geodesy for rates of stations: Williams,
// J. Geodesy 76 (2003) 483, from memory). How well each kind explains the residuals
// (restricted likelihood) is its weight; the interval is that of the mixture. The value
// stays the plain least-squares one.
type Trend struct {
	Value  float64
	U      float64 // standard deviation of the mixture
	Half   float64 // half the width of the 95 % interval
	Plain  float64 // standard uncertainty plain least squares would give
	Kind   string  // of noise with the greatest weight
	Weight float64
}

const (
	mostStretches  = 96
	leastStretches = 8
	// A mean of slow noise is smoother than the noise: each stretch is modelled by the
	// mean of so many steps.
	stepsInStretch = 3
)

// kindOfNoise is a covariance of the means of stretches, up to a factor.
type kindOfNoise struct {
	name  string
	prior float64
	c     *mat.SymDense
	root  *mat.Cholesky
}

// TrendOf fits y by the columns, of which number k is the one asked for. The readings are
// in order of time and about equally far apart.
func TrendOf(y []float64, k int, columns ...[]float64) (Trend, error) {
	return trendAmong(noises(len(stretches(y))), y, k, columns...)
}

func trendAmong(kinds []kindOfNoise, y []float64, k int, columns ...[]float64) (Trend, error) {
	plain, err := LinearFit(y, columns...)
	if err != nil {
		return Trend{}, err
	}
	if len(y) < leastStretches+len(columns) {
		return Trend{}, fmt.Errorf("%d readings are too few to tell a trend from slow noise: at least %d are needed", len(y), leastStretches+len(columns))
	}
	means := stretches(y)
	short := make([][]float64, len(columns))
	for j, c := range columns {
		short[j] = stretches(c)
	}
	f, err := LinearFit(means, short...)
	if err != nil {
		return Trend{}, err
	}
	t := Trend{Value: plain.B[k], Plain: plain.U(k)}
	if f.RSS == 0 {
		return t, nil
	}
	fits := make([]weighed, len(kinds))
	best := math.Inf(-1)
	for i, kind := range kinds {
		fits[i] = weigh(kind, f, short, k)
		best = max(best, fits[i].log)
	}
	t.mix(fits, best, float64(f.DoF))
	return t, nil
}

// stretches cuts x into equal counts and takes means; the last one may be longer.
func stretches(x []float64) []float64 {
	size := max(1, len(x)/mostStretches)
	n := len(x) / size
	n = min(n, mostStretches)
	means := make([]float64, n)
	for i := range means {
		end := (i + 1) * size
		if i == n-1 {
			end = len(x)
		}
		means[i] = MomentsOf(x[i*size : end]).Mean
	}
	return means
}

// noises are the kinds considered: three families with equal prior weight. Correlation
// that lasts for much of the record cannot be told from a random walk, and is not
// offered as anything milder.
func noises(n int) []kindOfNoise {
	one := mat.NewSymDense(n, nil)
	for i := range n {
		one.SetSym(i, i, 1)
	}
	kinds := []kindOfNoise{{name: "white", prior: 1, c: one}}
	memories := [...]float64{0.2, 0.4, 0.55, 0.7, 0.8}
	for _, a := range memories {
		step := math.Pow(a, 1./stepsInStretch)
		like := make([]float64, n*stepsInStretch)
		for lag := range like {
			like[lag] = math.Pow(step, float64(lag))
		}
		c := ofMeans(n, func(i, j int) float64 { return like[max(i-j, j-i)] })
		kinds = append(kinds, kindOfNoise{fmt.Sprintf("autoregressive, %.2f from stretch to stretch", a), 1. / float64(len(memories)), c, nil})
	}
	powers, whites := [...]float64{0.5, 1, 1.5, 2}, [...]float64{0, 0.3, 1, 3, 10}
	for _, power := range powers {
		p := powerLaw(n*stepsInStretch, power)
		slow := ofMeans(n, p.At)
		first := slow.At(0, 0)
		for _, white := range whites { // variance of white noise, in that of the first stretch
			c := mat.NewSymDense(n, nil)
			c.AddSym(slow, scaledBy(one, white*first))
			prior := 1. / float64(len(powers)*len(whites))
			if power == 2 && white == 0 {
				prior = 0.3 // a record may well wander as if for ever
			}
			kinds = append(kinds, kindOfNoise{fmt.Sprintf("1/f^%.1f with white noise (%.1f)", power, white), prior, c, nil})
		}
	}
	var sound []kindOfNoise
	for _, kind := range kinds {
		if kind.root = new(mat.Cholesky); kind.root.Factorize(kind.c) {
			sound = append(sound, kind)
		}
	}
	return sound
}

func scaledBy(a *mat.SymDense, f float64) *mat.SymDense {
	var c mat.SymDense
	c.ScaleSym(f, a)
	return &c
}

// ofMeans is the covariance of means over stepsInStretch steps.
func ofMeans(n int, steps func(i, j int) float64) *mat.SymDense {
	c := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			sum := 0.
			for k := range stepsInStretch {
				for l := range stepsInStretch {
					sum += steps(i*stepsInStretch+k, j*stepsInStretch+l)
				}
			}
			c.SetSym(i, j, sum/(stepsInStretch*stepsInStretch))
		}
	}
	return c
}

// powerLaw is the covariance of white noise integrated κ/2 times, from a start at rest
// (Hosking, Biometrika 68 (1981) 165, from memory).
func powerLaw(n int, power float64) *mat.SymDense {
	step := make([]float64, n)
	step[0] = 1
	for k := 1; k < n; k++ {
		step[k] = step[k-1] * (float64(k) - 1 + power/2) / float64(k)
	}
	c := mat.NewSymDense(n, nil)
	for lag := range n {
		sum := 0.
		for j := 0; j+lag < n; j++ {
			sum += step[j+lag] * step[j]
			c.SetSym(j+lag, j, sum)
		}
	}
	return c
}

// weighed is what one kind of noise says: the logarithm of its weight and the standard
// uncertainty of the coefficient.
type weighed struct {
	name   string
	log, u float64
}

func weigh(kind kindOfNoise, f Fit, columns [][]float64, k int) weighed {
	n, p := len(f.Residuals), len(columns)
	none := weighed{kind.name, math.Inf(-1), 0}
	ch := kind.root
	x := mat.NewDense(n, p, nil)
	for j, c := range columns {
		scale := mat.Norm(mat.NewVecDense(n, c), 2)
		for i, v := range c {
			x.Set(i, j, v/scale)
		}
	}
	var cx, xcx mat.Dense
	if ch.SolveTo(&cx, x) != nil {
		return none
	}
	xcx.Mul(x.T(), &cx)
	information := mat.NewSymDense(p, nil)
	for i := range p {
		for j := range i + 1 {
			information.SetSym(i, j, xcx.At(i, j))
		}
	}
	var inner mat.Cholesky
	if !inner.Factorize(information) {
		return none
	}
	r := mat.NewVecDense(n, f.Residuals)
	var cr, xcr, b mat.VecDense
	if ch.SolveVecTo(&cr, r) != nil {
		return none
	}
	xcr.MulVec(x.T(), &cr)
	if inner.SolveVecTo(&b, &xcr) != nil {
		return none
	}
	rss := mat.Dot(r, &cr) - mat.Dot(&xcr, &b)
	dof := float64(n - p)
	w := weighed{name: kind.name, log: math.Log(kind.prior) - (ch.LogDet()+inner.LogDet()+dof*math.Log(rss))/2}
	row := influence(f, columns, k)
	var cov mat.VecDense
	cov.MulVec(kind.c, row)
	w.u = math.Sqrt(rss / dof * mat.Dot(row, &cov))
	if math.IsNaN(w.log) || math.IsNaN(w.u) {
		return none
	}
	return w
}

// influence is what coefficient k changes by per change of each value.
func influence(f Fit, columns [][]float64, k int) *mat.VecDense {
	n := len(columns[0])
	row := mat.NewVecDense(n, nil)
	for i := range n {
		v := 0.
		for j := range columns {
			v += f.Inverse[k][j] * columns[j][i]
		}
		row.SetVec(i, v)
	}
	return row
}

// mix finds spread and interval of the weighed kinds, each Student's around the value.
func (t *Trend) mix(fits []weighed, best, dof float64) {
	total, variance, greatest := 0., 0., 0.
	for i := range fits {
		w := math.Exp(fits[i].log - best)
		fits[i].log = w // now the weight itself
		total += w
		variance += w * fits[i].u * fits[i].u * dof / max(1, dof-2)
		if w > greatest {
			greatest, t.Kind = w, fits[i].name
		}
	}
	t.Weight = greatest / total
	t.U = math.Sqrt(variance / total)
	student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}
	low, high := 0., 100*t.U
	for range 50 {
		t.Half = (low + high) / 2
		inside := 0.
		for _, f := range fits {
			switch share := f.log / total; {
			case share > 1e-6 && f.u > 0:
				inside += share * (2*student.CDF(t.Half/f.u) - 1)
			default:
				inside += share
			}
		}
		if inside < Level95 {
			low = t.Half
		} else {
			high = t.Half
		}
	}
}
