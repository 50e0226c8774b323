package figures

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Input is one line of an uncertainty budget.
type Input struct {
	Name        string  `json:"name"`
	Value       float64 `json:"value"`
	Unit        string  `json:"unit"`
	U           float64 `json:"u"`            // standard uncertainty, in Unit
	Type        string  `json:"type"`         // "A" by statistics, "B" by other knowledge
	DoF         float64 `json:"nu,omitempty"` // degrees of freedom of U; 0: exactly known, infinite
	Sensitivity float64 `json:"c"`            // change of the result per change of the input
	Says        string  `json:"says,omitempty"`
	Bounded     bool    `json:"bounded,omitempty"`    // rectangular: never further off than √3 U
	Instrument  bool    `json:"instrument,omitempty"` // an error of an instrument: the same in another run with it

	each []float64 // where U is of several independent errors that are bounded: the contributions, per Sensitivity
}

// Contribution is the input's share of the result's standard uncertainty, with its sign.
func (i Input) Contribution() float64 { return i.Sensitivity * i.U }

// Correlation is the correlation coefficient of the errors of two inputs, by their
// places in the budget.
type Correlation struct {
	A, B int
	R    float64
}

// Budget says how uncertain a result is and why, after JCGM 100:2008 (GUM).
type Budget struct {
	Unit         string        `json:"unit"`
	Inputs       []Input       `json:"inputs"`
	Correlations []Correlation `json:"correlations,omitempty"`
	Level        float64       `json:"level"`        // of the expanded uncertainty
	Combined     float64       `json:"u"`            // JCGM 100, 5.1.2 and 5.2.2
	DoF          float64       `json:"nu,omitempty"` // effective (G.4.1), before truncation; 0: infinite
	K            float64       `json:"k"`
	Expanded     float64       `json:"U"`
}

// Level95 is the coverage of expanded uncertainties unless said otherwise.
const Level95 = 0.95

// roundingOfDoF keeps a value printed to two digits from costing a degree of freedom:
// the example of JCGM 100, G.4.2 gives 18.999 and is published as 19.
const roundingOfDoF = 0.005

// Combine fills in the results of a budget from its inputs. The effective degrees of
// freedom are Welch–Satterthwaite's, truncated downwards for k (G.4.1). The formula asks
// for independent inputs: those that are correlated enter it together, with the fewest
// degrees of freedom among them. Of bounded inputs k takes the distribution itself: see
// factor.
func Combine(unit string, level float64, inputs []Input, correlations ...Correlation) (Budget, error) {
	inputs = slices.Clone(inputs)
	for i := range inputs {
		if math.IsInf(inputs[i].DoF, 1) {
			inputs[i].DoF = 0 // JSON has no word for it
		}
	}
	b := Budget{Unit: unit, Inputs: inputs, Correlations: correlations, Level: level}
	if !(level > 0 && level < 1) {
		return b, fmt.Errorf("a coverage of %.6g: it lies between 0 and 1", level)
	}
	for _, in := range inputs {
		if c := in.Contribution(); !(in.U >= 0) || math.IsNaN(c) || math.IsInf(c, 0) || in.DoF < 0 {
			return b, fmt.Errorf("%s: standard uncertainty %.6g, sensitivity %.6g, degrees of freedom %.6g cannot be in a budget",
				in.Name, in.U, in.Sensitivity, in.DoF)
		}
	}
	for _, r := range correlations {
		if min(r.A, r.B) < 0 || max(r.A, r.B) >= len(inputs) || r.A == r.B || !(math.Abs(r.R) <= 1) {
			return b, fmt.Errorf("correlation %+v: two places in the budget and a coefficient between -1 and 1 are expected", r)
		}
	}
	b.Combined, b.DoF = summed(b.groups())
	b.K = b.factor(level)
	b.Expanded = b.K * b.Combined
	return b, nil
}

// independent is what inputs that hang together contribute.
type independent struct{ variance, dof, bound float64 } // dof 0: infinite; bound 0: none

// groups are the inputs, those that are correlated together. One by itself may be bounded.
func (b Budget) groups() []independent {
	group := make([]int, len(b.Inputs))
	for i := range group {
		group[i] = i
	}
	for _, r := range b.Correlations {
		from, to := group[r.A], group[r.B]
		for i, g := range group {
			if g == from {
				group[i] = to
			}
		}
	}
	all := make([]independent, len(b.Inputs))
	members := make([]int, len(b.Inputs))
	for i, in := range b.Inputs {
		x := &all[group[i]]
		x.variance += in.Contribution() * in.Contribution()
		if in.DoF > 0 && in.U > 0 && (x.dof == 0 || in.DoF < x.dof) {
			x.dof = in.DoF
		}
		if members[group[i]]++; in.Bounded {
			x.bound = math.Sqrt(3) * math.Abs(in.Contribution())
		}
	}
	for _, r := range b.Correlations {
		all[group[r.A]].variance += 2 * r.R * b.Inputs[r.A].Contribution() * b.Inputs[r.B].Contribution()
	}
	for i, in := range b.Inputs {
		if all[i].variance = max(0, all[i].variance); members[i] != 1 {
			all[i].bound = 0
		} else if in.each != nil {
			all[i] = independent{}
			for _, u := range in.each {
				c := in.Sensitivity * u
				all = append(all, independent{variance: c * c, bound: math.Sqrt(3) * math.Abs(c)})
			}
		}
	}
	return all
}

// summed is the standard uncertainty of a sum, and Welch–Satterthwaite's degrees of
// freedom, 0 for infinitely many.
func summed(all []independent) (u, dof float64) {
	total, spent := 0., 0.
	for _, x := range all {
		total += x.variance
		if x.dof > 0 {
			spent += x.variance * x.variance / x.dof
		}
	}
	if spent > 0 {
		dof = total * total / spent
	}
	return math.Sqrt(total), dof
}

// muchOf is the share of the combined uncertainty from which on a bounded input counts with
// its own distribution. Its distance from a normal one goes with the fourth power of that:
// less than 2 in 1000 of the kurtosis.
const muchOf = 0.2

// factor is k for a level. A normal k is too much where few bounded inputs make most of the
// uncertainty: 1.96 standard uncertainties of a rectangular distribution are more than all
// of it. Their sum with all the rest is therefore taken as it is distributed (JCGM 101:2008,
// 5; EA-4/02 M:2022, S9 and S10 do it for one and two rectangular inputs). The rest counts
// as the normal error that is as wide at the level as Student's with its own effective
// degrees of freedom.
func (b Budget) factor(level float64) float64 {
	u, _ := summed(b.groups())
	var bounds []float64
	var rest []independent
	for _, x := range b.groups() {
		if x.bound > 0 && x.bound >= muchOf*math.Sqrt(3)*u {
			bounds = append(bounds, x.bound)
		} else {
			rest = append(rest, x)
		}
	}
	uRest, dof := summed(rest)
	whole := math.Inf(1)
	if dof > 0 {
		whole = max(1, math.Floor(dof+roundingOfDoF))
	}
	if len(bounds) == 0 {
		return StudentT(level, whole)
	}
	return sumOf(bounds).within(level, uRest*StudentT(level, whole)/StudentT(level, math.Inf(1))) / u
}

// Propagate computes a result from its inputs' values and fills in the sensitivities:
// for each input half the change of the result between its value plus and minus its
// standard uncertainty, per that uncertainty (JCGM 100, 5.1.3 note 2).
func Propagate(unit string, level float64, inputs []Input, f func(x []float64) (float64, error), correlations ...Correlation) (float64, Budget, error) {
	x := make([]float64, len(inputs))
	for i, in := range inputs {
		x[i] = in.Value
	}
	y, err := f(x)
	if err != nil {
		return 0, Budget{}, err
	}
	inputs = append([]Input(nil), inputs...)
	for i := range inputs {
		in := &inputs[i]
		if in.U == 0 {
			continue
		}
		x[i] = in.Value + in.U
		above, err := f(x)
		if err != nil {
			return 0, Budget{}, fmt.Errorf("%s one standard uncertainty higher: %w", in.Name, err)
		}
		x[i] = in.Value - in.U
		below, err := f(x)
		if err != nil {
			return 0, Budget{}, fmt.Errorf("%s one standard uncertainty lower: %w", in.Name, err)
		}
		x[i] = in.Value
		in.Sensitivity = (above - below) / (2 * in.U)
	}
	b, err := Combine(unit, level, inputs, correlations...)
	return y, b, err
}

// Rectangular is the standard uncertainty of a value known to lie within ±bound
// (JCGM 100, 4.3.7).
func Rectangular(bound float64) float64 { return bound / math.Sqrt(3) }

// String is the budget as a table, inputs in their order.
func (b Budget) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%-34s %14s %12s  %-8s %s %6s %13s %13s %6s\n", "input", "value", "u", "unit", "type", "nu", "sensitivity", "|c| u", "share")
	for _, in := range b.Inputs {
		share := 0.
		if b.Combined > 0 {
			share = in.Contribution() / b.Combined * in.Contribution() / b.Combined
		}
		dof := "inf"
		if in.DoF > 0 {
			dof = fmt.Sprintf("%.4g", in.DoF)
		}
		fmt.Fprintf(&s, "%-34s %14.8g %12.3g  %-8s %-4s %6s %13.5g %13.3g %5.1f%%\n", in.Name, in.Value, in.U, in.Unit, in.Type, dof,
			in.Sensitivity, math.Abs(in.Contribution()), 100*share)
	}
	for _, r := range b.Correlations {
		fmt.Fprintf(&s, "r(%s, %s) = %.4g\n", b.Inputs[r.A].Name, b.Inputs[r.B].Name, r.R)
	}
	dof := "infinite"
	if b.DoF > 0 {
		dof = fmt.Sprintf("%.4g", b.DoF)
	}
	fmt.Fprintf(&s, "combined u = %.3g %s, effective degrees of freedom %s, k = %.4g for %.4g %%, U = %.3g %s\n",
		b.Combined, b.Unit, dof, b.K, 100*b.Level, b.Expanded, b.Unit)
	return s.String()
}
