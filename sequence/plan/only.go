package plan

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/rig"
)

// Only is the plan for one step of p, or for all steps under one number: the way there
// from a bench at rest, as for a run that is taken up again at its beginning, and what the
// step does, once. Of a step in a loop that is the first pass. It has the rules of p.
func (p *Plan) Only(step string, r *rig.Rig) (*Plan, error) {
	from, to, err := p.find(step)
	if err != nil {
		return nil, err
	}
	way, err := p.WayBack(from, nil, r.AmbientDegC)
	if err != nil {
		return nil, err
	}
	again := *p
	again.Actions = nil
	for _, a := range way {
		if a.Step = "way to " + p.Actions[from].Step; a.Op == Begin {
			a.Role = "way there"
		}
		if a.Op == Set {
			a.Setpoints = InOrder(a.Setpoints, r)
		}
		again.Actions = append(again.Actions, a)
	}
	for _, a := range p.Actions[from:to] {
		if a.Jump > 0 { // it leads to a place in the step, or behind its end
			a.Jump = min(a.Jump, to) - from + len(way)
		}
		again.Actions = append(again.Actions, a)
	}
	again.Summary.Steps = nil
	for _, s := range p.Summary.Steps {
		if within(s.Number, stepNumber(step)) { // the way there is no longer than all that was before
			again.Summary.Steps = append(again.Summary.Steps, s)
			again.Summary.DurationNs = min(p.Summary.DurationNs, s.StartsNs+max(s.TakesNs, s.LongestNs))
		}
	}
	return &again, again.bounded()
}

// find finds the actions of a step by its number, or its number and name. A name alone
// will do where only one step has it.
func (p *Plan) find(step string) (from, to int, err error) {
	var names, alike []string
	for _, a := range p.Actions {
		if a.Op != Begin {
			continue
		}
		if names = append(names, a.Step); strings.HasSuffix(a.Step, " "+step) && !slices.Contains(alike, a.Step) {
			alike = append(alike, a.Step)
		}
	}
	switch {
	case len(alike) == 1:
		step = alike[0]
	case len(alike) > 1:
		return 0, 0, fmt.Errorf("there are %d steps named %s: %s; name one by its number", len(alike), step, strings.Join(alike[:min(len(alike), 12)], ", "))
	}
	begins := func(a Action) bool { return a.Op == Begin && (a.Step == step || within(stepNumber(a.Step), step)) }
	if from = slices.IndexFunc(p.Actions, begins); from < 0 {
		return 0, 0, fmt.Errorf("the plan has no step %q; it has %s", step, strings.Join(names[:min(len(names), 40)], ", "))
	}
	for to = from + 1; to < len(p.Actions) && within(stepNumber(p.Actions[to].Step), stepNumber(step)); to++ {
	}
	return from, to, nil
}

// stepNumber is the number of a step without its name.
func stepNumber(step string) string {
	n, _, _ := strings.Cut(step, " ")
	return n
}

// within tells whether a step is the one of a number, or stands under it; n stands for the
// number of any pass.
func within(step, above string) bool {
	a, b := strings.Split(step, "."), strings.Split(above, ".")
	if len(a) < len(b) {
		return false
	}
	for i := range b {
		if a[i] != b[i] && a[i] != "n" {
			return false
		}
	}
	return true
}

// InOrder puts setpoints into the order of their instruments' profiles: a limit before
// the level, an output last.
func InOrder(all []Setpoint, r *rig.Rig) []Setpoint {
	rank := func(s Setpoint) int {
		i := r.Instrument(s.Instrument)
		return 1000*i + r.Instruments[i].Profile.Set(s.Quantity)
	}
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b Setpoint) int { return rank(a) - rank(b) })
	return all
}
