// Package condition turns an expression over channels, such as
//
//	abs(plate.temperature - foil.temperature) > 15 K and elapsed > 2 min
//
// into a function that can be asked after every reading whether it holds.
//
// The language is small. Operands: channels; numbers with units ("0.1 K");
// names the caller gives; elapsed, the time since the step began. Operators:
// + - * / between quantities, < <= > >= (also chained, as in 20 degC < x < 30
// degC), and, or, not, parentheses. Functions:
//
//	abs(x), min(x, y, ...), max(x, y, ...)
//	mean(channel, window)           mean of the readings in the window
//	rate(channel, window)           least-squares slope, per second
//	settled(channel, band, window)  every reading within the band round their
//	                                mean, and the slope times the window too
//
// Dimensions are checked: degC minus degC is K, degC plus or minus K is degC,
// and nothing else can be done with a temperature in degC.
//
// An answer has three values. It is Unknown when a reading it needs is missing,
// bad, not finite or stale, when a window is not full, and when a calculation
// has no finite result; "and" and "or" decide in spite of an unknown side only
// when the other side settles the matter. The package must never turn what it
// does not know into True or False. What Unknown leads to is up to the caller;
// a condition with a window needs Window of readings before it can be known.
//
// Parsing is left to the library expr; nothing of it runs afterwards, and
// evaluating allocates nothing.
package condition

import (
	"cmp"
	"math"
	"slices"

	"dwell/drivers/quantity"
)

// Channel is a name that an expression may read. EveryNs is how often it is
// read, StaleNs the age from which its last reading no longer counts; both 0 if
// it is not read regularly. Display is the size of its last digit in canonical
// units, 0 if not known. Good readings lie from Lowest to Highest; both 0 if that is
// not known.
type Channel struct {
	Name    string
	Dim     quantity.Dimension
	EveryNs int64
	StaleNs int64
	Display float64
	Lowest  float64
	Highest float64
}

// Vocabulary is all that an expression may name.
type Vocabulary struct {
	Channels []Channel
	Names    map[string]quantity.Quantity
	Excused  func(word string) bool // words about which a mistake was reported elsewhere; may be nil
}

// Fault is a mistake in an expression: where, in code points from its
// beginning, what, and what may have been meant.
type Fault struct {
	Offset, Width int
	Text, Hint    string
}

// Truth is what is known about a condition.
type Truth uint8

const (
	Unknown Truth = iota
	False
	True
)

func (t Truth) String() string { return [...]string{"unknown", "false", "true"}[t] }

// Condition is a compiled expression. It holds no state: all it knows of the
// past is in a Memory.
type Condition struct {
	eval    func(frame) Truth
	reads   []int
	windows []window
}

// window is a stretch of the past that a condition looks at.
type window struct {
	channel int
	width   int64 // ns
	every   int64 // ns between readings
}

// frame is what an evaluation works on; passed by value, or it would be
// allocated.
type frame struct {
	memory     *Memory
	now, since int64
}

// Compile translates an expression, or lists what is wrong with it, sorted by
// place. What depends on an excused word is not judged: when nothing else is wrong,
// there is neither a condition nor a fault.
func Compile(text string, v Vocabulary) (*Condition, []Fault) {
	c := compiler{vocabulary: v, condition: new(Condition)}
	result := c.compile(text)
	if len(c.faults) > 0 {
		slices.SortFunc(c.faults, func(a, b Fault) int {
			return cmp.Or(a.Offset-b.Offset, a.Width-b.Width, cmp.Compare(a.Text, b.Text))
		})
		return nil, slices.Compact(c.faults) // a chain of comparisons visits its middle twice
	}
	if result.truth == nil {
		return nil, nil
	}
	slices.Sort(c.condition.reads)
	c.condition.reads = slices.Compact(c.condition.reads)
	c.condition.eval = result.truth
	return c.condition, nil
}

// Reads lists the channels that decide, as indexes into Vocabulary.Channels.
func (c *Condition) Reads() []int { return slices.Clone(c.reads) }

// Window is the longest stretch of the past, in ns, that must be filled with
// readings before the condition can be known; 0 if it only looks at the latest.
func (c *Condition) Window() int64 {
	longest := int64(0)
	for _, w := range c.windows {
		longest = max(longest, w.width)
	}
	return longest
}

// Eval says whether the condition holds at nowNs. sinceNs is when the step
// began, for elapsed; windows may reach back before it.
func (c *Condition) Eval(m *Memory, nowNs, sinceNs int64) Truth {
	return c.eval(frame{m, nowNs, sinceNs})
}

// Inside closures a number that is not known is NaN. No finite calculation
// yields NaN, and what is not finite is made NaN at once.
func known(x float64) float64 {
	if math.IsInf(x, 0) {
		return math.NaN()
	}
	return x
}
