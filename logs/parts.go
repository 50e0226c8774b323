package logs

import (
	"encoding/json"
	"math"
	"slices"
)

// Part is what was read in one step of a run.
type Part struct {
	Step     string
	Pass     int // how often the step had begun before: 0 for the first time
	FromNs   int64
	ToNs     int64
	Channels []Held // in order of their names
}

// Held is one channel in the second half of a step, when it has come to what the step
// holds, if it holds anything.
type Held struct {
	Channel string
	Unit    string
	N       int64
	Mean    float64
	Spread  float64 // standard deviation of the readings
	First   int64   // line of readings.csv of the first of them
}

// Lasted is how long the step took.
func (p Part) Lasted() int64 { return p.ToNs - p.FromNs }

// Parts goes through a run step by step. What lies in a gap of a run that was taken up
// again, a step that was broken off and the way back to its beginning, is left out.
func Parts(r *Run) ([]Part, error) {
	parts, err := r.stepsThatCount()
	if err != nil {
		return nil, err
	}
	sums := make([]map[string]*sum, len(parts))
	line := int64(1)
	for row, err := range r.Rows() {
		if line++; err != nil {
			return nil, err
		}
		if !row.Good() {
			continue
		}
		k := partAt(parts, row)
		if k < 0 {
			continue
		}
		if sums[k] == nil {
			sums[k] = map[string]*sum{}
		}
		s := sums[k][row.Channel]
		if s == nil {
			s = &sum{Held: Held{Channel: row.Channel, Unit: row.Unit, First: line}}
			sums[k][row.Channel] = s
		}
		s.add(row.Value)
	}
	for k := range parts {
		for _, s := range sums[k] {
			if s.N > 1 {
				s.Spread = math.Sqrt(s.squares / float64(s.N-1))
			}
			parts[k].Channels = append(parts[k].Channels, s.Held)
		}
		slices.SortFunc(parts[k].Channels, func(a, b Held) int {
			if a.Channel < b.Channel {
				return -1
			}
			return 1
		})
	}
	return parts, nil
}

// sum adds up readings as they come (Welford).
type sum struct {
	Held
	squares float64
}

func (s *sum) add(v float64) {
	s.N++
	d := v - s.Mean
	s.Mean += d / float64(s.N)
	s.squares += d * (v - s.Mean)
}

// partAt is the part in whose second half a row was read, -1 for none.
func partAt(parts []Part, row Row) int {
	after, _ := slices.BinarySearchFunc(parts, row.AtNs, func(p Part, at int64) int {
		if p.FromNs <= at {
			return -1
		}
		return 1
	})
	k := after - 1
	if k < 0 || parts[k].Step != row.Step || row.AtNs > parts[k].ToNs || row.AtNs < parts[k].FromNs+parts[k].Lasted()/2 {
		return -1
	}
	return k
}

// stepsThatCount reads when each step began and ended.
func (r *Run) stepsThatCount() ([]Part, error) {
	type begun struct {
		line int64
		Part
	}
	var all []begun
	open := false
	end := func(at int64) {
		if open {
			all[len(all)-1].ToNs = at
		}
		open = false
	}
	n := int64(0)
	for line, err := range r.Events() {
		if n++; err != nil {
			return nil, err
		}
		var e struct {
			Event, Step string
			AtNs        int64 `json:"t_ns"`
			FromLine    int64 `json:"from_line"`
		}
		if err := json.Unmarshal(line, &e); err != nil {
			return nil, err
		}
		switch e.Event {
		case "step":
			end(e.AtNs)
			all, open = append(all, begun{n, Part{Step: e.Step, FromNs: e.AtNs, ToNs: e.AtNs}}), true
		case "gap":
			all = slices.DeleteFunc(all, func(b begun) bool { return b.line > e.FromLine })
			open = false
		case "segment", "tripped", "failed", "stopped", "safe", "not safe", "ended":
			end(e.AtNs)
		}
	}
	passes := map[string]int{}
	var parts []Part
	for _, b := range all {
		b.Pass = passes[b.Step]
		passes[b.Step]++
		parts = append(parts, b.Part)
	}
	return parts, nil
}
