package figures

import (
	"encoding/csv"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// columnsOf reads a data set of testdata, column by column.
func columnsOf(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	columns := make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for j, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			columns[j] = append(columns[j], v)
		}
	}
	return columns
}

// near compares with a relative tolerance.
func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: expected %.15g, got %.15g (%.1e of it)", what, want, got, math.Abs(got-want)/math.Abs(want))
	}
}

// within compares with an absolute tolerance: usually half the last digit printed.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: expected %.12g, got %.12g", what, want, got)
	}
}

// The linear sets of the NIST/ITL Statistical Reference Datasets, with the certified
// values printed there. Tolerances are what this code reaches with a little to spare.
func TestNISTLinear(t *testing.T) {
	x, y := norris()
	longley := columnsOf(t, "longley")
	ones := make([]float64, 16)
	for i := range ones {
		ones[i] = 1
	}
	filip := columnsOf(t, "filip")
	for _, c := range []struct {
		name      string
		fit       func() (Fit, error)
		b, sd     []float64
		rsd, r2   float64
		tolerance float64
	}{
		{"Norris", func() (Fit, error) { return LineFit(x, y) },
			[]float64{-0.262323073774029, 1.00211681802045}, []float64{0.232818234301152, 0.429796848199937e-3},
			0.884796396144373, 0.999993745883712, 1e-12},
		{"NoInt1", func() (Fit, error) { return OriginFit(count(60, 70), count(130, 140)) },
			[]float64{2.07438016528926}, []float64{0.0165289256198347}, 3.56753034006338, 0.999365492298663, 1e-13},
		{"NoInt2", func() (Fit, error) { return OriginFit([]float64{4, 5, 6}, []float64{3, 4, 4}) },
			[]float64{0.727272727272727}, []float64{0.0420827318078432}, 0.369274472937998, 0.993348115299335, 1e-13},
		{"Longley", func() (Fit, error) { return LinearFit(longley[6], append([][]float64{ones}, longley[:6]...)...) },
			[]float64{-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
				-0.0511041056535807, 1829.15146461355},
			[]float64{890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675,
				0.226073200069370, 455.478499142212}, 304.854073561965, 0.995479004577296, 1e-10},
		{"Filip", func() (Fit, error) { return PolynomialFit(filip[0], filip[1], 10) },
			[]float64{-1467.48961422980, -2772.17959193342, -2316.37108160893, -1127.97394098372, -354.478233703349,
				-75.1242017393757, -10.8753180355343, -1.06221498588947, -0.0670191154593408, -0.00246781078275479,
				-0.402962525080404e-4},
			[]float64{298.084530995537, 559.779865474950, 466.477572127796, 227.204274477751, 71.6478660875927,
				15.2897178747400, 2.23691159816033, 0.221624321934227, 0.0142363763154724, 0.535617408889821e-3,
				0.896632837373868e-5}, 0.00334801051324544, 0.996727416185620, 1e-8},
	} {
		f, err := c.fit()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for i := range c.b {
			near(t, c.name+" b"+strconv.Itoa(i), f.B[i], c.b[i], c.tolerance)
			near(t, c.name+" sd"+strconv.Itoa(i), f.U(i), c.sd[i], c.tolerance)
		}
		near(t, c.name+" residual sd", f.S, c.rsd, c.tolerance)
		near(t, c.name+" R2", f.R2, c.r2, c.tolerance)
		switch c.name {
		case "Norris": // F is the square of Student's t of the slope
			near(t, "Norris F", math.Pow(f.B[1]/f.U(1), 2), 5436385.54079785, 1e-9)
		case "NoInt1":
			near(t, "NoInt1 residual sum of squares", f.RSS, 127.272727272727, 1e-12)
		}
	}
}

// count is low, low+1, … high.
func count(low, high int) (x []float64) {
	for v := low; v <= high; v++ {
		x = append(x, float64(v))
	}
	return x
}

// TestNISTWampler: the polynomial sets of degree 5, generated as NIST describes them.
// The deltas and certified values are NIST's.
func TestNISTWampler(t *testing.T) {
	delta := []float64{759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048, -2048, 1838, -2048, 2048,
		-2048, 2523, -2048, 2048, -2048, 759}
	sd := []float64{2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312}
	const rsd = 2360.14502379268
	x := count(0, 20)
	for _, c := range []struct {
		name      string
		base      float64 // coefficient k is base^k
		error     float64
		r2        float64
		tolerance float64
	}{
		{"Wampler1", 1, 0, 1, 1e-8},
		{"Wampler2", 0.1, 0, 1, 1e-11},
		{"Wampler3", 1, 1, 0.999995559025820, 1e-8},
		{"Wampler4", 1, 100, 0.957478440825662, 1e-8},
		{"Wampler5", 1, 1e4, 0.00224668921574940, 1e-7},
	} {
		y := make([]float64, len(x))
		for i, v := range x {
			sum := 0.
			for k := 5; k >= 0; k-- {
				sum = sum*v*c.base + 1
			}
			y[i] = sum + c.error*delta[i]
		}
		f, err := PolynomialFit(x, y, 5)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		near(t, c.name+" R2", f.R2, c.r2, c.tolerance)
		for k := range 6 {
			near(t, c.name+" b"+strconv.Itoa(k), f.B[k], math.Pow(c.base, float64(k)), c.tolerance)
			if c.error == 0 {
				within(t, c.name+" sd"+strconv.Itoa(k), f.U(k), 0, 1e-8*math.Pow(c.base, float64(k)))
			} else {
				near(t, c.name+" sd"+strconv.Itoa(k), f.U(k), sd[k]*c.error, c.tolerance)
			}
		}
		if c.error != 0 {
			near(t, c.name+" residual sd", f.S, rsd*c.error, c.tolerance)
		}
	}
}

// TestNISTUnivariate: certified mean, standard deviation and lag-1 autocorrelation.
// NumAcc3 and NumAcc4 lose digits before any arithmetic: 10000000.1 is no double.
func TestNISTUnivariate(t *testing.T) {
	alternating := func(base float64) []float64 {
		x := []float64{base + 0.2}
		for range 500 {
			x = append(x, base+0.1, base+0.3)
		}
		return x
	}
	for _, c := range []struct {
		name                string
		x                   []float64
		mean, sd, lag1      float64
		tolerance, onlyMean float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 1e-15, 1e-15},
		{"NumAcc2", alternating(1), 1.2, 0.1, -0.999, 1e-13, 1e-15},
		{"NumAcc3", alternating(1e6), 1000000.2, 0.1, -0.999, 1e-9, 1e-15},
		{"NumAcc4", alternating(1e7), 10000000.2, 0.1, -0.999, 1e-8, 1e-15},
		{"Lew", columnsOf(t, "lew")[0], -177.435, 277.332168044316, -0.307304800605679, 1e-13, 1e-14},
		{"Michelso", columnsOf(t, "michelso")[0], 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12, 1e-15},
		{"Mavro", columnsOf(t, "mavro")[0], 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12, 1e-15},
		{"Lottery", columnsOf(t, "lottery")[0], 518.958715596330, 291.699727470969, -0.120948622967393, 1e-13, 1e-14},
		{"PiDigits", piDigits(), 4.5348, 2.86733906028871, -0.00355099287237972, 1e-12, 1e-14},
	} {
		m := MomentsOf(c.x)
		near(t, c.name+" mean", m.Mean, c.mean, c.onlyMean)
		near(t, c.name+" sd", m.S(), c.sd, c.tolerance)
		near(t, c.name+" lag-1", autocorrelation(c.x, m.Mean, 1), c.lag1, c.tolerance)
	}
}

// piDigits are the 5,000 numbers of the set of that name: the first digits of pi, of which
// NIST's file has the 957th wrong, 3 instead of 8 (seen in statistics/test_nist.c of GSL 2.7.1,
// which carries the file). The certified values are those of the file: pi has a mean of 4.5358.
func piDigits() []float64 {
	const n, spare = 5000, 20
	unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(n+spare), nil)
	arccot := func(x int64) *big.Int { // times unit
		sum, term := new(big.Int), new(big.Int).Quo(unit, big.NewInt(x))
		for k := int64(1); term.Sign() != 0; k += 2 {
			part := new(big.Int).Quo(term, big.NewInt(k))
			if k%4 == 3 {
				part.Neg(part)
			}
			sum.Add(sum, part)
			term.Quo(term, big.NewInt(x*x))
		}
		return sum
	}
	pi := new(big.Int).Mul(big.NewInt(16), arccot(5)) // Machin 1706
	pi.Sub(pi, new(big.Int).Mul(big.NewInt(4), arccot(239)))
	digits := make([]float64, n)
	for i, c := range pi.String()[:n] {
		digits[i] = float64(c - '0')
	}
	digits[956] = 3
	return digits
}

// norris is the set of that name (NIST/ITL, observed with an ozone monitor).
func norris() (x, y []float64) {
	for _, p := range [][2]float64{{0.2, 0.1}, {337.4, 338.8}, {118.2, 118.1}, {884.6, 888.0}, {10.1, 9.2}, {226.5, 228.1},
		{666.3, 668.5}, {996.3, 998.5}, {448.6, 449.1}, {777.0, 778.9}, {558.2, 559.2}, {0.4, 0.3}, {0.6, 0.1}, {775.5, 778.1},
		{666.9, 668.8}, {338.0, 339.3}, {447.5, 448.9}, {11.6, 10.8}, {556.0, 557.7}, {228.1, 228.3}, {995.8, 998.0},
		{887.6, 888.8}, {120.2, 119.6}, {0.3, 0.3}, {0.3, 0.6}, {556.8, 557.6}, {339.1, 339.3}, {887.2, 888.0}, {999.0, 998.5},
		{779.0, 778.9}, {11.1, 10.2}, {118.3, 117.6}, {229.2, 228.9}, {669.1, 668.4}, {448.9, 449.2}, {0.5, 0.2}} {
		x, y = append(x, p[0]), append(y, p[1])
	}
	return x, y
}
