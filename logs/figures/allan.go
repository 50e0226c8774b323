package figures

import (
	"fmt"
	"math"
)

// Allan deviation of values taken at equal intervals, at the averaging length m (in
// samples): the root of half the mean squared difference of neighbouring averages over
// m values. NIST SP 1065, with values in the place of fractional frequencies.
type Allan struct {
	Averaging int     // samples
	Deviation float64 // unit of the values
	U         float64 // Deviation over the root of twice the differences that do not overlap: simple, and wide for what overlaps
	Pairs     int     // differences used
}

// allan takes averages that begin step samples apart: m for averages side by side, 1 for
// overlapping ones, which use the data better and are not independent.
func allan(x []float64, m, step int) (Allan, error) {
	if m < 1 || len(x) < 2*m {
		return Allan{}, fmt.Errorf("%d values are too few for an averaging length of %d: at least twice as many are needed", len(x), m)
	}
	mean := MomentsOf(x).Mean
	sums := make([]float64, len(x)+1) // of deviations from the mean, so that nothing cancels
	for i, v := range x {
		sums[i+1] = sums[i] + (v - mean)
	}
	total, pairs := 0., 0
	for i := 0; i+2*m <= len(x); i += step {
		d := (sums[i+2*m] - 2*sums[i+m] + sums[i]) / float64(m)
		total += d * d
		pairs++
	}
	a := Allan{Averaging: m, Deviation: math.Sqrt(total / float64(2*pairs)), Pairs: pairs}
	a.U = a.Deviation / math.Sqrt(2*float64(len(x)/m-1))
	return a, nil
}

// AllanCurve is the overlapping deviation at averaging lengths 1, 2, 4, … as far as four
// averages fit.
func AllanCurve(x []float64) ([]Allan, error) {
	var curve []Allan
	for m := 1; 4*m <= len(x); m *= 2 {
		a, err := allan(x, m, 1)
		if err != nil {
			return nil, err
		}
		curve = append(curve, a)
	}
	if curve == nil {
		return nil, fmt.Errorf("%d values are too few for an Allan deviation: at least 4 are needed", len(x))
	}
	return curve, nil
}
