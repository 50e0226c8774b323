package figures

import (
	"fmt"
	"math"
)

// Record is a channel over time, with what was read beside it.
type Record struct {
	Origin
	Time        []float64 // s
	R           []float64
	Temperature []float64 // degC, read at the same times; nil when there is none
	Check       []float64 // a check standard read by the same meter at the same times; nil when there is none
	UCheck      float64   // standard uncertainty of the check standard's own drift, ppm/h
	UScatter    float64   // and of the slope by the scatter of its readings, where these are few, ppm/h
}

// Drift is the least-squares slope against time relative to the fitted start, in ppm/h:
// as measured, corrected for temperature, and against the check standard, as far as these
// were read. Its uncertainty respects that neighbouring readings are alike: see Trend.
func Drift(d Record) ([]Figure, error) {
	if err := fittable(d.R, d.Time); err != nil {
		return nil, fmt.Errorf("%s: %w", d.Channel, err)
	}
	for i := 1; i < len(d.Time); i++ {
		if !(d.Time[i] > d.Time[i-1]) {
			return nil, fmt.Errorf("%s: time stands still or runs back at reading %d (%.9g s after %.9g s)", d.Channel, i+1, d.Time[i], d.Time[i-1])
		}
	}
	var l list
	against, err := d.againstCheck()
	for _, c := range []struct {
		flavour, definition string
		y                   []float64
		temperature, check  bool
	}{
		{"as measured", "slope b of the least-squares fit R = a + b t", d.R, false, false},
		{"corrected for temperature", "slope b of the least-squares fit R = a + b t + c (T - mean T)", d.R, true, false},
		{"against the check standard", "as measured, each reading divided by that of the check standard over its mean", against, false, true},
		{"against the check standard, corrected for temperature", "corrected for temperature, each reading divided by that of the check standard over its mean", against, true, true},
	} {
		if c.temperature && d.Temperature == nil || c.check && d.Check == nil {
			continue
		}
		if c.check && err != nil {
			l.skip("drift, "+c.flavour, err)
			continue
		}
		f, err := d.slope(c.flavour, c.definition, c.y, c.temperature, c.check)
		if err != nil {
			f.Figure = "drift, " + c.flavour
		}
		l.add(f, err)
	}
	return l.done()
}

func (d Record) againstCheck() ([]float64, error) {
	if d.Check == nil {
		return nil, nil
	}
	if err := fittable(d.R, d.Check); err != nil {
		return nil, err
	}
	mean := MomentsOf(d.Check).Mean
	y := make([]float64, len(d.R))
	for i, v := range d.R {
		if y[i] = v / (d.Check[i] / mean); math.IsInf(y[i], 0) || math.IsNaN(y[i]) {
			return nil, fmt.Errorf("the check standard reads %.6g at reading %d", d.Check[i], i+1)
		}
	}
	return y, nil
}

func (d Record) slope(flavour, definition string, y []float64, temperature, check bool) (Figure, error) {
	hours, ones := make([]float64, len(y)), make([]float64, len(y))
	for i, t := range d.Time {
		hours[i], ones[i] = (t-d.Time[0])/3600, 1
	}
	columns := [][]float64{ones, hours}
	if temperature {
		if len(d.Temperature) != len(y) {
			return Figure{}, fmt.Errorf("%s: %d temperatures beside %d readings", d.Channel, len(d.Temperature), len(y))
		}
		columns = append(columns, shifted(d.Temperature, MomentsOf(d.Temperature).Mean))
	}
	f, err := LinearFit(y, columns...)
	if err != nil {
		return Figure{}, fmt.Errorf("%s: %w", d.Channel, err)
	}
	trend, err := TrendOf(y, 1, columns...)
	if err != nil {
		return Figure{}, fmt.Errorf("%s: %w", d.Channel, err)
	}
	ppm := 1e6 / f.B[0]
	u, half := math.Abs(ppm)*trend.U, math.Abs(ppm)*trend.Half
	inputs := []Input{{Name: "slope, noise correlated in time", Value: ppm * trend.Value, Unit: "ppm/h", U: u, Type: "A", Sensitivity: 1, Says: "noise most like: " + trend.Kind}}
	if check {
		inputs = append(inputs, Input{Name: "drift of the check standard itself", Unit: "ppm/h", U: d.UCheck, Type: "B", Sensitivity: 1},
			Input{Name: "scatter of the check standard", Unit: "ppm/h", U: d.UScatter, Type: "A", Sensitivity: 1})
	}
	b, err := Combine("ppm/h", Level95, inputs)
	if err != nil {
		return Figure{}, err
	}
	b.Expanded = half
	if check {
		b.Expanded = math.Hypot(half, StudentT(Level95, math.Inf(1))*math.Hypot(d.UCheck, d.UScatter))
	}
	if b.Combined > 0 {
		b.K = b.Expanded / b.Combined
	}
	hours2 := hours[len(hours)-1]
	fig, err := d.figure(meaning{"drift", flavour, "ppm/h", definition + ", in ppm of a per hour, t from the first reading", "common practice; uncertainty by likelihood of coloured noise"},
		ppm*trend.Value, b, Given{"fitted start", f.B[0], "Ohm"}, Given{"duration", hours2, "h"}, Given{"u of plain least squares", math.Abs(ppm) * trend.Plain, "ppm/h"})
	if temperature && err == nil {
		fig.With = append(fig.With, Given{"effect of temperature", ppm * f.B[2], "ppm/K"})
	}
	if check && d.UCheck == 0 {
		fig = fig.Note("the check standard is taken as not drifting at all")
	}
	return fig, err
}
