package figures

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Model fills predicted with what parameters b predict for every point.
type Model func(b, predicted []float64)

// Pointwise is the model of a function of one variable, evaluated at each x.
func Pointwise(x []float64, f func(x float64, b []float64) float64) Model {
	return func(b, predicted []float64) {
		for i, v := range x {
			predicted[i] = f(v, b)
		}
	}
}

const (
	mostIterations = 2000
	// Derivatives are taken over this share of each parameter. The best for a parameter that
	// only scales the model is the fifth root of a double's precision, 7e-4; one that says
	// where something stands, at many times its width, needs less.
	derivativeStep = 1e-4
	// A step of this share of each parameter is at the end of a double's digits.
	smallestStep = 1e-14
	// A step that promises to explain less than this share of the residuals moves no
	// parameter by a millionth of its uncertainty.
	smallestGain = 1e-15
	// What is left of the gradient, as a share of the residuals' own scatter (the
	// relative offset of Bates and Watts, Technometrics 23 (1981) 179, who ask 1e-3).
	worstOffset = 1e-3
	// Residuals below this share of the data are rounding, and have no minimum to find.
	roundingShare = 1e-10
)

var errNoMinimum = errors.New("the fit did not settle: start nearer, or fit fewer parameters")

// NonlinearFit finds the parameters with the least residual sum of squares near start
// (Levenberg 1944, Marquardt 1963; columns scaled as by Moré 1978, damping as by
// Nielsen 1999). Each step solves a least-squares problem by QR; derivatives are
// fourth-order differences.
func NonlinearFit(model Model, y, start []float64) (Fit, error) {
	if len(y) < len(start) || len(start) == 0 {
		return Fit{}, fmt.Errorf("%d points are too few for %d parameters", len(y), len(start))
	}
	if err := fittable(y, y); err != nil {
		return Fit{}, err
	}
	m := &marquardt{model: model, y: y, b: append([]float64(nil), start...),
		damping: 1e-3, growth: 2, length: make([]float64, len(start))}
	m.predicted = make([]float64, len(y))
	if m.rss = m.residuals(m.b); math.IsNaN(m.rss) || math.IsInf(m.rss, 0) {
		return Fit{}, fmt.Errorf("the model has no finite value at the start %v", start)
	}
	for range mostIterations {
		m.differentiate()
		if done := m.step(); done {
			return m.finish()
		}
	}
	return Fit{}, errNoMinimum
}

type marquardt struct {
	model     Model
	y, b      []float64
	predicted []float64 // at b, or at the latest trial
	rss       float64   // at b
	jacobian  *mat.Dense
	length    []float64 // greatest length so far of each column
	damping   float64
	growth    float64
}

func (m *marquardt) residuals(b []float64) (rss float64) {
	m.model(b, m.predicted)
	for i, v := range m.y {
		rss += (v - m.predicted[i]) * (v - m.predicted[i])
	}
	return rss
}

// differentiate fills the Jacobian at b and leaves predicted at b.
func (m *marquardt) differentiate() {
	n, p := len(m.y), len(m.b)
	m.jacobian = mat.NewDense(n, p, nil)
	b := append([]float64(nil), m.b...)
	for j := range p {
		h := derivativeStep * math.Abs(m.b[j])
		if h == 0 {
			h = derivativeStep
		}
		sum := make([]float64, n)
		for _, at := range [...]struct{ place, weight float64 }{{-2, 1}, {-1, -8}, {1, 8}, {2, -1}} {
			b[j] = m.b[j] + at.place*h
			m.model(b, m.predicted)
			for i, v := range m.predicted {
				sum[i] += at.weight * v
			}
		}
		b[j] = m.b[j]
		size := 0.
		for i, v := range sum {
			v /= 12 * h
			m.jacobian.Set(i, j, v)
			size += v * v
		}
		m.length[j] = max(m.length[j], math.Sqrt(size))
	}
	m.model(m.b, m.predicted)
}

// step tries damped steps until one reduces the residuals, and tells whether there is
// nothing left to gain.
func (m *marquardt) step() (done bool) {
	n, p := len(m.y), len(m.b)
	rest := make([]float64, n+p)
	for i, v := range m.y {
		rest[i] = v - m.predicted[i]
	}
	for {
		d, gain, ok := m.direction(rest)
		if !ok {
			return true
		}
		small := true
		trial := make([]float64, p)
		for j := range p {
			trial[j] = m.b[j] + d[j]
			small = small && math.Abs(d[j]) <= smallestStep*math.Abs(m.b[j])
		}
		if small || gain <= smallestGain*m.rss {
			return true
		}
		rss := m.residuals(trial)
		if rss < m.rss {
			share := (m.rss - rss) / gain
			m.damping = max(1e-30, m.damping*max(1./3, 1-math.Pow(2*share-1, 3)))
			m.growth = 2
			m.b, m.rss = trial, rss
			return false
		}
		m.damping *= m.growth
		m.growth *= 2
		if m.damping > 1e30 {
			return true
		}
	}
}

// direction is the damped step, and the reduction the linear model promises for it.
func (m *marquardt) direction(rest []float64) (d []float64, gain float64, ok bool) {
	n, p := m.jacobian.Dims()
	x := mat.NewDense(n+p, p, nil)
	x.Slice(0, n, 0, p).(*mat.Dense).Copy(m.jacobian)
	for j := range p {
		if m.length[j] == 0 || math.IsNaN(m.length[j]) || math.IsInf(m.length[j], 0) {
			return nil, 0, false
		}
		for i := range n {
			x.Set(i, j, x.At(i, j)/m.length[j])
		}
		x.Set(n+j, j, math.Sqrt(m.damping))
	}
	var qr mat.QR
	qr.Factorize(x)
	var v mat.VecDense
	if err := qr.SolveVecTo(&v, false, mat.NewVecDense(n+p, rest)); err != nil && v.IsEmpty() {
		return nil, 0, false
	}
	var moved mat.VecDense
	moved.MulVec(x.Slice(0, n, 0, p), &v)
	gain = m.damping * mat.Dot(&v, &v)
	gain = mat.Dot(&moved, &moved) + 2*gain
	d = make([]float64, p)
	for j := range p {
		d[j] = v.AtVec(j) / m.length[j]
		if math.IsNaN(d[j]) || math.IsInf(d[j], 0) {
			return nil, 0, false
		}
	}
	return d, gain, true
}

// finish computes what stands beside the parameters, and judges whether this is a
// minimum at all.
func (m *marquardt) finish() (Fit, error) {
	m.differentiate()
	n, p := m.jacobian.Dims()
	scale := make([]float64, p)
	for j := range p {
		column := mat.Col(nil, j, m.jacobian)
		if scale[j] = mat.Norm(mat.NewVecDense(n, column), 2); scale[j] == 0 || math.IsNaN(scale[j]) {
			return Fit{}, errNoMinimum
		}
		for i := range n {
			m.jacobian.Set(i, j, column[i]/scale[j])
		}
	}
	rest := make([]float64, n)
	for i, v := range m.y {
		rest[i] = v - m.predicted[i]
	}
	f, err := solve(m.jacobian, rest, scale)
	if err != nil {
		return Fit{}, err
	}
	var left mat.VecDense // what a further step would still explain
	step := make([]float64, p)
	for j := range p {
		step[j] = f.B[j] * scale[j]
	}
	left.MulVec(m.jacobian, mat.NewVecDense(p, step))
	f.B, f.Residuals = m.b, rest
	f.summarise(m.y, true)
	if gain := mat.Norm(&left, 2); gain > worstOffset*f.S*math.Sqrt(float64(p)) && gain > roundingShare*mat.Norm(mat.NewVecDense(n, m.y), 2) {
		return Fit{}, errNoMinimum
	}
	return f, nil
}
