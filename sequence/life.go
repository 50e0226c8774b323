package sequence

import (
	"dwell/drivers"
	"dwell/sequence/plan"
)

// This file ends a specimen's part of a run when it has failed, as the plan declares.

// openReadings is how many readings of an open specimen make it one that has failed: a
// single one may be a contact that was touched. Common practice, no source.
const openReadings = 3

// livesOf says of every action in which block of a specimen's life it stands, by where
// that begins; -1 for none. The action that begins it stands outside.
func livesOf(p *plan.Plan) []int {
	lives, now := make([]int, len(p.Actions)+1), -1
	for i, a := range p.Actions {
		lives[i] = now
		switch a.Op {
		case plan.Life:
			now = i
		case plan.Over:
			now = -1
		}
	}
	lives[len(p.Actions)] = -1
	return lives
}

// mayFail looks, between two actions, whether the specimen's part is over, and says to the
// gate whether it may be open.
func (r *Run) mayFail() {
	life := r.lives[r.state.Next]
	if life < 0 {
		r.gate.MayOpen("")
		return
	}
	a := &r.plan.Actions[life]
	if r.gate.MayOpen(""); a.Open {
		r.gate.MayOpen(r.bench.Rig.Instruments[r.bench.Rig.Channels[r.index[a.Channel]].Instrument].Name)
	}
	if r.state.Failed {
		r.state.Next = max(r.state.Next, a.Jump)
	}
}

// judgeLife looks at every reading, in the middle of cycles too.
func (r *Run) judgeLife(x drivers.Reading) {
	if r.state.Failed || r.state.Next > len(r.plan.Actions) {
		return
	}
	life := r.lives[max(0, r.state.Next-1)] // of what is being done
	if life < 0 || r.state.Next > r.plan.Actions[life].Jump {
		return
	}
	a, why := &r.plan.Actions[life], ""
	if a.Open && r.index[a.Channel] == x.Channel && x.Flag == drivers.InCompliance {
		if r.state.Opens++; r.state.Opens >= openReadings {
			why = "it is open"
		}
	}
	if a.When != "" && r.whens[a.When].Eval(r.state.Memory, int64(x.At), int64(r.state.LifeBegan)) == conditionTrue {
		why = a.When
	}
	if why != "" {
		r.state.Failed = true
		fields := append(r.counted(), Field{"opens", float64(r.state.Opens)})
		if r.begun > 0 {
			fields = append(fields, Field{"begun", float64(r.begun)})
		}
		r.event(Event{Kind: "specimen failed", Text: why, Fields: fields})
		r.wake.Signal()
	}
}

// enough tells whether cycling ends before its count.
func (r *Run) enough() bool { return r.want.isMet || r.state.Failed }
