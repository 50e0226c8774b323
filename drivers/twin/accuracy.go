package twin

import "math"

// accuracy is what the maker promises of one quantity in the ranges up to one, as
// the instrument profile declares it.
type accuracy struct {
	quantity  string
	upTo      float64 // of the range, in the quantity's unit
	ofReading float64 // parts of the value
	plus      float64 // in the quantity's unit, what is promised of the range included
}

// mostRanges bounds the ranges of an instrument, so that its errors are plain data.
const mostRanges = 8

// rangeErrors is what is wrong with an instrument for life, range by range: drawn
// inside the declared accuracy, for most real ones are much better than promised
// and none should be worse.
type rangeErrors struct {
	spans        [mostRanges]float64
	gain, offset [mostRanges]float64
	count        int
}

// drawErrors draws the errors of one quantity. The draw depends on the instrument's
// name, so that two of a kind differ.
func drawErrors(f fitted, quantity, how string, spans []float64) rangeErrors {
	var e rangeErrors
	for i, span := range spans[:min(len(spans), mostRanges)] {
		e.spans[i] = span
		e.count++
		what := f.name + " " + quantity + " " + how + " range " + string(rune('a'+i))
		a, ok := promised(f.accuracies, quantity, span)
		if !ok {
			continue
		}
		e.gain[i] = Drawn(f.seed, what+" gain", a.ofReading/math.Sqrt(3))
		e.offset[i] = Drawn(f.seed, what+" offset", a.plus/math.Sqrt(3))
	}
	return e
}

// promised finds what is declared for a range: the narrowest entry that holds it.
func promised(all []accuracy, quantity string, span float64) (accuracy, bool) {
	best, found := accuracy{upTo: math.Inf(1)}, false
	for _, a := range all {
		if a.quantity == quantity && a.upTo >= span*(1-1e-9) && a.upTo <= best.upTo {
			best, found = a, true
		}
	}
	return best, found
}

// of is a true value with the errors of a range.
func (e *rangeErrors) of(v, span float64) float64 {
	for i := range e.count {
		if e.spans[i] == span {
			return float64(v*(1+e.gain[i])) + e.offset[i]
		}
	}
	return v
}
