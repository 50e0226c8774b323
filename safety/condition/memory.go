package condition

import (
	"math"
	"slices"
)

// Memory is what conditions know of the past: for each channel the latest
// reading, and as many before it as the windows need. It is plain data; written
// as JSON and read again it continues exactly where it was.
type Memory struct{ Channels []Recent }

// Recent is the past of one channel. AtNs and Value are a ring of its good
// readings, with Next the place of the coming one and Count how many there are.
type Recent struct {
	Seen   bool    // there has been a reading
	Good   bool    // the latest one was good
	LastNs int64   // time of the latest one
	Last   float64 // its value, 0 unless good
	AtNs   []int64
	Value  []float64
	Next   int
	Count  int
}

// NewMemory makes room for what the conditions look at. They must have been
// compiled with v.
func NewMemory(v Vocabulary, conditions ...*Condition) *Memory {
	m := &Memory{Channels: make([]Recent, len(v.Channels))}
	for _, c := range conditions {
		for _, w := range c.windows {
			// Twice the number at the declared rate, so that readings may come
			// unevenly, and a few for short windows.
			r := &m.Channels[w.channel]
			if room := 2*int(w.width/w.every) + 8; room > len(r.AtNs) {
				r.AtNs, r.Value = make([]int64, room), make([]float64, room)
			}
		}
	}
	return m
}

// Clone returns a copy that shares nothing.
func (m *Memory) Clone() *Memory {
	c := &Memory{Channels: slices.Clone(m.Channels)}
	for i := range c.Channels {
		c.Channels[i].AtNs = slices.Clone(m.Channels[i].AtNs)
		c.Channels[i].Value = slices.Clone(m.Channels[i].Value)
	}
	return c
}

// Observe takes in a reading. One that is not good makes the channel unknown
// until the next good one. A reading older than the latest changes nothing; of
// two at the same time the bad one counts, else the second.
func (m *Memory) Observe(channel int, atNs int64, value float64, good bool) {
	if channel < 0 || channel >= len(m.Channels) {
		return
	}
	r := &m.Channels[channel]
	same := r.Seen && atNs == r.LastNs
	if r.Seen && (atNs < r.LastNs || same && !r.Good) {
		return
	}
	good = good && !math.IsNaN(value) && !math.IsInf(value, 0)
	r.Seen, r.Good, r.LastNs, r.Last = true, good, atNs, 0
	if same && r.Count > 0 { // it stands in the ring: take it out again
		r.Next = (r.Next + len(r.AtNs) - 1) % len(r.AtNs)
		r.Count--
	}
	if !good {
		return
	}
	r.Last = value
	if len(r.AtNs) == 0 {
		return
	}
	r.AtNs[r.Next], r.Value[r.Next] = atNs, value
	r.Next = (r.Next + 1) % len(r.AtNs)
	r.Count = min(r.Count+1, len(r.AtNs))
}

// latest is the value of a channel, NaN when it is not known.
func (m *Memory) latest(channel int, now, stale int64) float64 {
	if channel >= len(m.Channels) {
		return math.NaN()
	}
	r := &m.Channels[channel]
	if !r.Seen || !r.Good || now-r.LastNs > stale {
		return math.NaN()
	}
	return r.Last
}

// look finds the readings of a full window: from the latest back to the first
// one that is as old as the window or just older. Bad readings are not among
// them; a gap longer than the channel may be stale, a bad latest reading, or
// too few readings make the window unknown, and Recent nil.
func (m *Memory) look(w windowView, now int64) (r *Recent, held int) {
	if w.channel >= len(m.Channels) {
		return nil, 0
	}
	r = &m.Channels[w.channel]
	if !r.Seen || !r.Good {
		return nil, 0
	}
	after := now
	for i := range r.Count {
		at := r.AtNs[r.place(i)]
		if after-at > w.stale {
			return nil, 0
		}
		if at <= now-w.width {
			if i+1 < w.fewest {
				return nil, 0
			}
			return r, i + 1
		}
		after = at
	}
	return nil, 0
}

// place is where the reading number i before the latest stands in the ring. It
// is asked for every reading of every window, and a division would take most of
// the time.
func (r *Recent) place(i int) int {
	at := r.Next - 1 - i
	if at < 0 {
		at += len(r.AtNs)
	}
	return at
}

func (r *Recent) reading(i int) float64 { return r.Value[r.place(i)] }

// mean is that of the latest n readings. They are taken relative to the latest
// one, so that small differences on a large value keep their digits.
func mean(r *Recent, n int) float64 {
	reference, sum := r.reading(0), 0.0
	for i := range n {
		sum += r.reading(i) - reference
	}
	return reference + sum/float64(n)
}

// slope is the least-squares slope per second through the latest n readings,
// with times and values relative to their means.
func slope(r *Recent, n int) float64 {
	newest := r.AtNs[r.place(0)]
	sum := 0.0
	for i := range n {
		sum += seconds(r.AtNs[r.place(i)] - newest)
	}
	middle, level := sum/float64(n), mean(r, n)
	above, below := 0.0, 0.0
	for i := range n {
		t := seconds(r.AtNs[r.place(i)]-newest) - middle
		// The conversions keep the product from being fused into the sum,
		// which would give other digits on other processors.
		above += float64(t * (r.reading(i) - level))
		below += float64(t * t)
	}
	return above / below
}

func seconds(ns int64) float64 { return float64(ns) / 1e9 }
