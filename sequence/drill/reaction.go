package drill

import (
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/sequence/plan"
)

// This file measures what a plan has worked out for each of its rules: how long it
// takes from the moment at which the rule could ask for it to a bench with heat and
// output off, and how hot the plate gets meanwhile.

// Reaction is how a run reacted to a breach of a rule, beside what its plan says of
// that rule.
type Reaction struct {
	Plan plan.Reaction
	// Breach is from the fault until the rule could ask for this at the earliest: a
	// thermometer that drifts is no breach for minutes. It is 0 if the last look that did
	// not show it was before the fault.
	Breach clock.Instant
	// Took is from there to a bench with heat and output off, to be compared with
	// Plan.TotalNs.
	Took clock.Instant
	// PeakDegC is the highest temperature of the plate since the fault, to be compared
	// with Plan.PeakDegC where there is one.
	PeakDegC float64
}

// InTime tells whether both are within what the plan says.
func (r *Reaction) InTime() bool {
	return r.Took <= clock.Instant(r.Plan.TotalNs) && (r.Plan.PeakDegC == nil || r.PeakDegC <= *r.Plan.PeakDegC)
}

// Beyond tells whether a fault of a case breaks what a plan assumes where it says how fast
// a rule reacts: a program that runs, a line that carries commands to somebody who hears,
// and a switch that opens. After it, no rule can be held to that.
func (c Case) Beyond() bool {
	return slices.ContainsFunc(c.Strikes, func(s Strike) bool { return s.Fault.beyond() })
}

func (f *Fault) beyond() bool {
	return f.Stops > 0 || f.Sleeps > 0 || f.Line != nil && f.Line.Deaf || f.World != nil && opensNot(f)
}

// opensNot tells whether something is broken on the bench that keeps a switch closed or
// an instrument from hearing.
func opensNot(f *Fault) bool {
	var b twin.Faults
	f.World(&b)
	return b.RelayWelded || b.SwitchWelded || b.OutputStuck || b.PlateHung || b.StageHung
}

// reaction measures the one that ended a run; nil when no rule did, or when nothing
// was on by then. The computer's own sleep is not a time in which it could react.
func (x *performance) reaction() *Reaction {
	c := x.outcome.Cause
	if c == nil || c.Since == 0 || x.ahead > 0 || anyOf(x.witness.on) || x.witness.offAt < c.At {
		return nil
	}
	var found *plan.Reaction
	for i := range x.d.plan.Summary.Reactions {
		r := &x.d.plan.Summary.Reactions[i]
		if r.From == c.From && r.Then != "warn" && speaksOf(c.Text, r.Rule) && (found == nil || r.TotalNs > found.TotalNs) {
			found = r
		}
	}
	if found == nil {
		return nil
	}
	breach := max(0, c.Since-x.witness.struck)
	return &Reaction{Plan: *found, Breach: breach, Took: x.witness.offAt - x.witness.struck - breach, PeakDegC: x.witness.plateDegC}
}

// speaksOf tells whether a cause is about what a rule is about. Of rules from one place
// in a file, or of one name, the channels tell them apart, or else the instrument, by
// which a rule without channels begins.
func speaksOf(cause, rule string) bool {
	words := strings.FieldsFunc(rule, func(c rune) bool { return strings.ContainsRune(" ,()+-*/", c) })
	channels := slices.DeleteFunc(slices.Clone(words), func(w string) bool { return !strings.Contains(w, ".") || w[0] <= '9' })
	if len(channels) == 0 {
		channels = words[:min(1, len(words))]
	}
	return slices.ContainsFunc(channels, func(w string) bool { return strings.Contains(cause, w) })
}
