package drill

import (
	"slices"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// survey finds the phases of an undisturbed run, by what is true on the bench.
type survey struct {
	plan       *plan.Plan
	x          *performance
	boundaries []clock.Instant
	phases     []phase // the longest of each name
	now        phase   // that goes on
	sweep      phase
}

// phase is a stretch of the run in which the bench does one thing.
type phase struct {
	name     string
	from, to clock.Instant
}

// nearK is how close a plate is to its set value when it counts as arrived. A rule of
// thumb, no source.
const nearK = 1.5

// doing names what a bench does now, "" for nothing worth a moment.
func doing(b *twin.Bench) string {
	w := b.World()
	heat, output := b.Energised()
	_, wanted := w.PlateObeys()
	switch {
	case w.Moving():
		return "moving"
	case !heat && output:
		return "sourcing"
	case !heat:
		return ""
	case w.Where() != twin.OnPlate:
		return "specimen off"
	case wanted-w.PlateSurface() > nearK:
		return "heating"
	case w.PlateSurface()-wanted > nearK:
		return "cooling"
	}
	return "plateau"
}

// look takes in what the bench does now.
func (s *survey) look() {
	at := s.x.clock.Now()
	if name := doing(s.x.bench); name != s.now.name {
		s.enter(s.now, at)
		s.now = phase{name: name, from: at}
	}
	s.now.to = at
}

// enter keeps a phase that is over, if it is the longest of its name.
func (s *survey) enter(p phase, to clock.Instant) {
	if p.to = to; p.name == "" || p.to <= p.from {
		return
	}
	for i := range s.phases {
		if q := &s.phases[i]; q.name == p.name {
			if p.to-p.from > q.to-q.from {
				*q = p
			}
			return
		}
	}
	s.phases = append(s.phases, p)
}

// boundary takes in a boundary of steps. That the instrument sweeps is known from
// the plan.
func (s *survey) boundary(state sequence.State) {
	s.enter(s.sweep, state.At)
	s.sweep = phase{}
	s.boundaries = append(s.boundaries, state.At)
	for _, a := range s.plan.Actions[state.Next+1:] {
		if a.Op == plan.Begin {
			break
		}
		if a.Op == plan.Sweep {
			s.sweep = phase{name: "sweep", from: state.At}
		}
	}
}

const (
	// longestPrefix is how much of a run a row repeats at most, where a moment can be
	// chosen so; and settledIn how long after the beginning it is then.
	longestPrefix = 5 * clock.Minute
	settledIn     = 30 * clock.Second
	// underWay is when the first words that make the bench safe are on their way.
	underWay = clock.Millisecond
	// apart is how far moments are from each other at least.
	apart = 2 * clock.Second
)

// moments are the middles of the phases, quarters of the run, and its end.
func (s *survey) moments(end clock.Instant) []Moment {
	s.enter(s.now, end)
	s.enter(s.sweep, end)
	var all []Moment
	add := func(name string, at, from clock.Instant) {
		if i := last(s.boundaries, at); i >= 0 && at-s.boundaries[i] > longestPrefix {
			if begins := max(s.boundaries[i], from); at-begins > settledIn {
				at = begins + settledIn
			}
		}
		if !slices.ContainsFunc(all, func(m Moment) bool { return m.At-at < apart && at-m.At < apart }) {
			all = append(all, Moment{name, at})
		}
	}
	for _, p := range s.phases {
		add(p.name, p.from+(p.to-p.from)/2, p.from)
	}
	all = append(all, Moment{"end", end + underWay})
	for k, name := range []string{"first quarter", "half-way", "third quarter"} {
		add(name, end/4*clock.Instant(k+1), 0)
	}
	slices.SortStableFunc(all, func(a, b Moment) int { return int((a.At - b.At) / clock.Millisecond) })
	return all
}
