package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// This file tells what a film keeps of bending once it lies flat again.

// firstSet is what the first time leaves behind: flat after it against flat before.
func (c *computer) firstSet(all []held) {
	bent := slices.IndexFunc(all, func(h held) bool { return h.bend != nil || h.cycles > 0 })
	var before, after *held
	for i := range all {
		switch h := &all[i]; {
		case h.bend != nil:
		case bent < 0 || i < bent:
			before = h
		case after == nil:
			after = h
		}
	}
	if before == nil || after == nil {
		c.skip("first_cycle_set", errors.New("the film was not held flat both before it was bent for the first time and after"))
		return
	}
	uAfter := math.Hypot(after.u, after.r*(after.law-before.law))
	value, b, err := Propagate("%", Level95, []Input{{Name: "R flat, before", Value: before.r, Unit: "Ohm", U: before.u, Type: "A"}, {Name: "R flat, after", Value: after.r, Unit: "Ohm", U: uAfter, Type: "A"}},
		func(x []float64) (float64, error) { return 100 * (x[1] - x[0]) / x[0], nil })
	if err != nil {
		c.skip("first_cycle_set", err)
		return
	}
	flavour := "after the first bend"
	if after.cycles > 1 {
		flavour = fmt.Sprintf("after the first %.0f cycles", after.cycles)
	}
	o := Origin{c.R.Channel, fmt.Sprintf("flat from %.1f s and from %.1f s", before.from, after.from)}
	f, err := o.figure(meaning{"first_cycle_set", flavour, "%", "100 (R flat after - R flat before)/R flat before, at one temperature: before, of the film that was not bent yet; after, the next time that it was held flat", "common practice"},
		value, b, Given{"cycles", after.cycles, "1"})
	c.add("first_cycle_set", []Figure{f}, err)
}

// leastReturn is how long a film must lie flat, s, for its drift to be told. Common
// practice, no source.
const leastReturn = 60.

// returned is the drift of the film after it came back to flat: of the longest time that it
// was left so, and the plate as it was.
func (c *computer) returned() {
	var best shape
	wasBent := false
	for _, s := range c.shapes {
		isFlat := math.Abs(s.position-c.Facts.FlatAtM) <= sameTravel
		if after := wasBent || s.cycles > 0; isFlat && after {
			s.to = min(s.to, c.R.Last())
			if k, _ := slices.BinarySearch(c.told, s.arrives); k < len(c.told) {
				s.to = min(s.to, c.told[k])
			}
			if s.to-s.arrives > best.to-best.arrives {
				best = s
			}
		}
		wasBent = !isFlat
	}
	const figure = "drift_after_return"
	if best.to-best.arrives < leastReturn {
		c.skip(figure, fmt.Errorf("the film was never left flat, at one temperature, for %.0f s after it was bent", leastReturn))
		return
	}
	d := Record{Origin: Origin{c.R.Channel, fmt.Sprintf("flat from %.1f to %.1f s, after %.0f cycles", best.arrives, best.to, best.cycles)}}
	b := beside{t: c.R.Time, r: c.R.Y}
	if len(c.Facts.Thermometers) > 0 {
		if with, err := c.together(c.Facts.Thermometers[0].Channel); err == nil {
			b = with
		}
	}
	from, _ := slices.BinarySearch(b.t, best.arrives)
	to, _ := slices.BinarySearch(b.t, best.to)
	columns := [][]float64{b.t[from:to], b.r[from:to]}
	if b.temperature != nil {
		columns = append(columns, b.temperature[from:to])
	}
	columns, _ = Complete(columns...)
	if columns = averaged(columns, mostTrend); len(columns[0]) < leastReadings {
		c.skip(figure, fmt.Errorf("%d readings while the film lay flat: at least %d are needed", len(columns[0]), leastReadings))
		return
	}
	if d.Time, d.R = columns[0], columns[1]; len(columns) > 2 {
		if low, high := extremes(columns[2]); low < high {
			d.Temperature = columns[2]
		}
	}
	all, err := Drift(d)
	for i := range all {
		all[i].Figure = figure
		all[i].With = append(all[i].With, Given{"cycles", best.cycles, "1"}, Given{"flat for", best.to - best.arrives, "s"})
	}
	c.add(figure, all, err)
}
