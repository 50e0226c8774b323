package condition

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// This file says what a quantity is made of, so that what is compared with itself is
// seen: x - x, x / x, x < y and y < x. Two channels are the same only if they are one
// channel, however much alike their names are.

// form is a quantity as a sum: so many times each of its terms, and a rest. A term is a
// channel, or what is worked out from channels by other means than adding; its key says
// from which, and how.
type form struct {
	terms map[string]float64
	rest  float64
}

// negligible is a part of two numbers that their sum may be wrong by, many times over.
const negligible = 1e-12

// added is a sum without what only rounding has left of it.
func added(a, b float64) float64 {
	if s := a + b; math.Abs(s) > negligible*(math.Abs(a)+math.Abs(b)) {
		return s
	}
	return 0
}

func fixed(v float64) form { return form{rest: v} }

func term(format string, args ...any) form {
	return form{terms: map[string]float64{fmt.Sprintf(format, args...): 1}}
}

// channelTerm is the key of a channel.
func channelTerm(channel int) string { return fmt.Sprintf("#%d", channel) }

func (f form) plus(o form) form {
	sum := form{maps.Clone(f.terms), added(f.rest, o.rest)}
	if sum.terms == nil {
		sum.terms = map[string]float64{}
	}
	for key, k := range o.terms {
		if sum.terms[key] = added(sum.terms[key], k); sum.terms[key] == 0 {
			delete(sum.terms, key)
		}
	}
	return sum
}

func (f form) scaled(by float64) form {
	all := form{map[string]float64{}, float64(f.rest*by) + 0} // no -0
	for key, k := range f.terms {
		if all.terms[key] = float64(k * by); all.terms[key] == 0 {
			delete(all.terms, key)
		}
	}
	return all
}

func (f form) times(o form) form {
	switch {
	case len(o.terms) == 0:
		return f.scaled(o.rest)
	case len(f.terms) == 0:
		return o.scaled(f.rest)
	}
	keys := []string{f.key(), o.key()}
	slices.Sort(keys)
	return term("(%s)*(%s)", keys[0], keys[1])
}

func (f form) over(o form) form {
	if len(o.terms) == 0 {
		return f.scaled(1 / o.rest)
	}
	lead := o.lead()
	ratio := f.terms[lead] / o.terms[lead]
	if left := f.plus(o.scaled(-ratio)); ratio != 0 && len(left.terms) == 0 && left.rest == 0 {
		return fixed(ratio)
	}
	return term("(%s)/(%s)", f.key(), o.key())
}

// lead is the first of the terms in the order of their keys.
func (f form) lead() string { return slices.Min(slices.Collect(maps.Keys(f.terms))) }

// key says the same of forms that are the same, and nothing else.
func (f form) key() string {
	var parts []string
	for _, key := range slices.Sorted(maps.Keys(f.terms)) {
		parts = append(parts, fmt.Sprintf("%.12g %s", f.terms[key], key))
	}
	return strings.Join(append(parts, fmt.Sprintf("%.12g", f.rest)), " + ")
}

// below is what must be true of f for it to be below zero: that what key says is below
// limit, or above it. A form without terms has no key.
func (f form) below() (key string, limit float64, above bool) {
	if len(f.terms) == 0 {
		return "", 0, false
	}
	lead := f.lead()
	k := f.terms[lead]
	if key = lead; len(f.terms) > 1 {
		key = form{terms: f.scaled(1 / k).terms}.key()
	}
	return key, -f.rest / k, k < 0
}

// sides are the terms of a form that is one of them, or as many times one as less the other;
// the first is that of which key says where it must lie.
func (f form) sides() (plus, minus string) {
	if len(f.terms) == 0 || len(f.terms) > 2 {
		return "", ""
	}
	plus = f.lead()
	for key, k := range f.terms {
		if key == plus {
			continue
		}
		if minus = key; k != -f.terms[plus] {
			return "", ""
		}
	}
	return plus, minus
}
