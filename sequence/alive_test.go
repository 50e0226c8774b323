package sequence

import (
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/safety"
)

// Proof of life is withheld from a run that does not do what it is there for.
func TestAlive(t *testing.T) {
	at := func(s float64) clock.Instant { return clock.Instant(s * 1e9) }
	for name, c := range map[string]struct {
		change func(r *Run)
		now    clock.Instant
		alive  bool
	}{
		"all is well":                       {func(r *Run) {}, at(1e6), true},
		"a poller has gone":                 {func(r *Run) { r.polling = 1 }, at(1), false},
		"making safe has begun":             {func(r *Run) { r.safing, r.safingAt, r.polling = true, at(5), 0 }, at(14.9), true},
		"no attempt ended in all that time": {func(r *Run) { r.safing, r.safingAt = true, at(5) }, at(15.1), false},
		"one instrument keeps trying": {func(r *Run) {
			r.safing, r.attempts[0] = true, attempted{at: at(1), confirmed: 1}
			r.attempts[1].at = at(95)
		}, at(100), true},
		"one keeps trying, the other is stuck":  {func(r *Run) { r.safing, r.attempts[1] = true, attempted{at: at(95)} }, at(100), false},
		"all have confirmed, nobody says so":    {func(r *Run) { r.safing, r.attempts = true, []attempted{{at(1), 1, 0}, {at(1), 1, 0}} }, at(100), true},
		"one is off and watched":                {func(r *Run) { r.safing, r.attempts = true, []attempted{{at(1), 1, at(20)}, {at(1), 1, 0}} }, at(30), true},
		"one is watched for ever":               {func(r *Run) { r.safing, r.attempts = true, []attempted{{at(1), 1, at(20)}, {at(1), 1, 0}} }, at(32), false},
		"one has been watched":                  {func(r *Run) { r.safing, r.attempts = true, []attempted{{at(1), 2, at(20)}, {at(1), 1, 0}} }, at(100), true},
		"one warms, and has to begin again":     {func(r *Run) { r.safing, r.attempts = true, []attempted{{at(1), 0, at(20)}, {at(1), 1, 0}} }, at(12), false},
		"it is over, the disk takes its time":   {func(r *Run) { r.safing, r.report = true, &safety.Report{} }, at(1e6), true},
		"it is over before anything was opened": {func(r *Run) { r.safing, r.report, r.polling = true, &safety.Report{}, 0 }, at(1e6), true},
	} {
		r := &Run{bench: &rig.Bench{Instruments: make([]*rig.Instrument, 2)}, polling: 2, attempts: make([]attempted, 2)}
		c.change(r)
		if got := r.alive(c.now); got != c.alive {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestProgressIsTheEndOfAnAttempt(t *testing.T) {
	c := clock.Virtual(7)
	r := &Run{clock: c, instr: map[string]int{"plate": 0, "meter": 1}, attempts: make([]attempted, 2)}
	r.progress(drivers.Evidence{Instrument: "meter"})
	r.progress(drivers.Evidence{Instrument: "plate", Grade: drivers.Indirect})
	r.progress(drivers.Evidence{Instrument: "plate", Grade: drivers.Indirect})
	if r.attempts[1] != (attempted{at: 7}) || r.attempts[0] != (attempted{at: 7, confirmed: 2}) {
		t.Errorf("%+v", r.attempts)
	}
	r.progress(drivers.Evidence{Instrument: "plate"})
	if r.attempts[0].confirmed != 0 {
		t.Errorf("%+v", r.attempts)
	}
}
