package figures

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit is the result of a least-squares fit. Its covariance takes the scatter of the
// residuals for the scatter of the data; what else is uncertain (a gain, an offset
// common to all points) is not in it.
type Fit struct {
	B         []float64   // coefficients
	Inverse   [][]float64 // (X'X)^-1, X the design or the Jacobian: covariance is S² times it
	RSS       float64     // residual sum of squares
	S         float64     // residual standard deviation, NaN without degrees of freedom
	R2        float64     // about the mean; about zero when no column is constant
	DoF       int
	Residuals []float64
}

// U is the standard uncertainty of coefficient i from the scatter of the residuals.
func (f Fit) U(i int) float64 { return f.S * math.Sqrt(f.Inverse[i][i]) }

// Correlation is the correlation coefficient of coefficients i and j.
func (f Fit) Correlation(i, j int) float64 {
	return f.Inverse[i][j] / math.Sqrt(f.Inverse[i][i]*f.Inverse[j][j])
}

// At is the fitted value for one row of the design, and its standard uncertainty from
// the scatter of the residuals.
func (f Fit) At(row ...float64) (value, u float64) {
	variance := 0.
	for i, x := range row {
		value += x * f.B[i]
		for j, z := range row {
			variance += x * z * f.Inverse[i][j]
		}
	}
	return value, f.S * math.Sqrt(max(0, variance))
}

// worstCondition of the scaled design: beyond it no digit of a double is left.
const worstCondition = 1e14

var errDependent = errors.New("the data do not determine the fit: its columns depend on each other")

// LinearFit fits y by a sum of columns, through a QR decomposition of the columns
// scaled to length one: never through the normal equations, which lose half the digits.
func LinearFit(y []float64, columns ...[]float64) (Fit, error) {
	n, p := len(y), len(columns)
	if err := fittable(y, columns...); err != nil {
		return Fit{}, err
	}
	x, scale := mat.NewDense(n, p, nil), make([]float64, p)
	constant := false
	for j, c := range columns {
		scale[j] = mat.Norm(mat.NewVecDense(n, c), 2)
		if scale[j] == 0 || math.IsInf(scale[j], 0) {
			return Fit{}, errDependent
		}
		same := true
		for i, v := range c {
			x.Set(i, j, v/scale[j])
			same = same && v == c[0]
		}
		constant = constant || same
	}
	f, err := solve(x, y, scale)
	if err != nil {
		return Fit{}, err
	}
	for i := range y {
		r := y[i]
		for j, c := range columns {
			r -= c[i] * f.B[j]
		}
		f.Residuals[i] = r
	}
	f.summarise(y, constant)
	return f, nil
}

func fittable(y []float64, columns ...[]float64) error {
	if len(columns) == 0 || len(y) < len(columns) {
		return fmt.Errorf("%d points are too few for %d coefficients", len(y), len(columns))
	}
	for _, c := range append(columns, y) {
		if len(c) != len(y) {
			return fmt.Errorf("a column of %d values beside %d points", len(c), len(y))
		}
		for i, v := range c {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("value %d of a fit is %.6g: leave it out and say so", i+1, v)
			}
		}
	}
	return nil
}

// solve finds coefficients and inverse for a design whose columns were divided by
// scale. Residuals are left empty.
func solve(x *mat.Dense, y []float64, scale []float64) (Fit, error) {
	n, p := x.Dims()
	var qr mat.QR
	qr.Factorize(x)
	if c := qr.Cond(); math.IsNaN(c) || c > worstCondition {
		return Fit{}, errDependent
	}
	b := mat.NewVecDense(p, nil)
	if err := qr.SolveVecTo(b, false, mat.NewVecDense(n, y)); err != nil {
		return Fit{}, errDependent
	}
	var full mat.Dense
	qr.RTo(&full)
	upper := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			upper.SetTri(i, j, full.At(i, j))
		}
	}
	var inverse mat.TriDense
	if err := inverse.InverseTri(upper); err != nil {
		return Fit{}, errDependent
	}
	f := Fit{B: make([]float64, p), Inverse: make([][]float64, p), DoF: n - p, Residuals: make([]float64, n)}
	for i := range p {
		f.B[i] = b.AtVec(i) / scale[i]
		f.Inverse[i] = make([]float64, p)
		for j := range p {
			for k := max(i, j); k < p; k++ {
				f.Inverse[i][j] += inverse.At(i, k) * inverse.At(j, k)
			}
			f.Inverse[i][j] /= scale[i] * scale[j]
		}
	}
	return f, nil
}

// summarise fills in what follows from the residuals.
func (f *Fit) summarise(y []float64, constant bool) {
	var m Moments
	for _, v := range y {
		m.Add(v)
	}
	total := m.SumOfSquares()
	if !constant {
		total += float64(m.N) * m.Mean * m.Mean
	}
	f.RSS = 0
	for _, r := range f.Residuals {
		f.RSS += r * r
	}
	f.R2 = 1 - f.RSS/total
	f.S = math.NaN()
	if f.DoF > 0 {
		f.S = math.Sqrt(f.RSS / float64(f.DoF))
	}
}

// LineFit fits y = B[0] + B[1] x.
func LineFit(x, y []float64) (Fit, error) { return PolynomialFit(x, y, 1) }

// OriginFit fits y = B[0] x. R2 is about zero.
func OriginFit(x, y []float64) (Fit, error) { return LinearFit(y, x) }

// PolynomialFit fits y = B[0] + B[1] x + … + B[degree] x^degree. It solves in x shifted
// and scaled to -1…1 and expands the result, which keeps the digits that raw powers lose.
func PolynomialFit(x, y []float64, degree int) (Fit, error) {
	if err := fittable(y, x); err != nil {
		return Fit{}, err
	}
	low, high := x[0], x[0]
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	centre, half := low+(high-low)/2, (high-low)/2
	if half == 0 && degree > 0 {
		return Fit{}, errDependent
	}
	if half == 0 {
		half = 1
	}
	columns := make([][]float64, degree+1)
	for k := range columns {
		columns[k] = make([]float64, len(x))
		for i, v := range x {
			columns[k][i] = 1
			if k > 0 {
				columns[k][i] = columns[k-1][i] * ((v - centre) / half)
			}
		}
	}
	f, err := LinearFit(y, columns...)
	if err != nil {
		return Fit{}, err
	}
	return f.expanded(centre, half), nil
}

// expanded turns coefficients of powers of (x-centre)/half into those of powers of x.
func (f Fit) expanded(centre, half float64) Fit {
	p := len(f.B)
	m := mat.NewDense(p, p, nil) // row i: what goes into the coefficient of x^i
	for k, binomial := 0, []float64{1}; k < p; k++ {
		for i, c := range binomial {
			m.Set(i, k, c*math.Pow(-centre, float64(k-i))/math.Pow(half, float64(k)))
		}
		next := make([]float64, k+2)
		for i := range next {
			if i > 0 {
				next[i] = binomial[i-1]
			}
			if i <= k {
				next[i] += binomial[i]
			}
		}
		binomial = next
	}
	inner := mat.NewDense(p, p, nil)
	for i, row := range f.Inverse {
		inner.SetRow(i, row)
	}
	var b mat.VecDense
	b.MulVec(m, mat.NewVecDense(p, f.B))
	var inverse mat.Dense
	inverse.Product(m, inner, m.T())
	g := f
	g.B, g.Inverse = make([]float64, p), make([][]float64, p)
	for i := range p {
		g.B[i] = b.AtVec(i)
		g.Inverse[i] = append([]float64(nil), inverse.RawRowView(i)...)
	}
	return g
}
