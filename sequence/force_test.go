package sequence_test

import (
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// A proof test can force every rule of the example's rig but that an instrument was reset,
// which takes a hand; the run ends by that very rule, as fast as its plan says, and not
// before.
func TestEveryRuleCanBeForced(t *testing.T) {
	const at = 30 * clock.Second // everything is on by then
	_, r, s := example(t, "staircase.yaml")
	_, steps, _ := strings.Cut(plan.ProofText(r, s), "steps:\n")
	begin := func() *trial {
		return &trial{steps: steps, locks: `  - {when: "plate.temperature > 60 degC", then: pause, clear for: 1 min, at most: 20 min, plate to: 20 degC}`}
	}
	p, _, _ := begin().plan(t)
	kinds := map[safety.RuleKind]int{}
	for _, x := range p.Summary.Reactions {
		var forced clock.Instant
		var how string
		run := begin()
		run.meddle = func(c clock.Clock, r *sequence.Run, b *twin.Bench) {
			if c.Sleep(at) != nil {
				return
			}
			if heat, output := b.Energised(); !heat || !output {
				t.Errorf("%s: heat is on: %v, output is on: %v", x.Rule, heat, output)
			}
			var err error
			how, forced, err = r.Force(x.Of)
			if refuses := takesAHand(x); (err != nil) != refuses {
				t.Errorf("%s: %v", x.Rule, err)
			}
			if err != nil {
				r.Stop()
			}
		}
		if takesAHand(x) {
			x.From = ""
		}
		_, o := run.do(t)
		kinds[x.Of.Kind]++
		holds := clock.Instant(0)
		if x.Of.Kind.Lasts() {
			holds = clock.Instant(x.HoldsNs)
		}
		if o.Cause == nil || o.Cause.From != x.From || !o.Safe {
			t.Errorf("%s (%s) was forced (%s), and the run ended by %v", x.Rule, x.From, how, o.Cause)
			continue
		}
		if x.Then == "pause" {
			holds += clock.Instant(x.SamplingNs) // the pause begins with one reading, and the next one ends it
			if o.Pauses != 1 {
				t.Errorf("%s: %d pauses", x.Rule, o.Pauses)
			}
		}
		if took := o.Cause.At - at; took < 0 || took < holds-clock.Second || took > holds+clock.Instant(x.TotalNs) {
			t.Errorf("%s: ended %g s after it was forced, expected %g s and at most %g s more", x.Rule, took.Seconds(), holds.Seconds(), float64(x.TotalNs)/1e9)
		}
		if !takesAHand(x) && (forced < at || how == "") {
			t.Errorf("%s: forced at %g s: %q", x.Rule, forced.Seconds(), how)
		}
	}
	for _, k := range []safety.RuleKind{safety.OfLimitBelow, safety.OfLimitAbove, safety.OfInterlock, safety.OfSilence, safety.OfCompliance,
		safety.OfHeatsNot, safety.OfKeepsWarming, safety.OfFrozen, safety.OfDrives, safety.OfWatched} {
		if kinds[k] == 0 {
			t.Errorf("no rule of kind %d", k)
		}
	}
	undisturbed := begin()
	undisturbed.meddle = func(c clock.Clock, r *sequence.Run, _ *twin.Bench) {
		if c.Sleep(10*at) == nil {
			r.Stop()
		}
	}
	_, o := undisturbed.do(t)
	expect(t, o, "stopped", safety.Stopped, "operator")
}

// takesAHand tells whether only a person can bring a reaction about.
func takesAHand(x plan.Reaction) bool { return strings.HasSuffix(x.Rule, rig.FoundReset) }

// An instrument that is left alone switches itself off by its own watchdog, and cools
// although it was told to be warmer; nothing else happens to the run.
func TestStarve(t *testing.T) {
	_, r, s := example(t, "staircase.yaml")
	_, steps, _ := strings.Cut(plan.ProofText(r, s), "steps:\n")
	const at, trips = 60 * clock.Second, 60 * clock.Second // rig/profiles/namur-hotplate.yaml
	x := trial{steps: steps}
	x.meddle = func(c clock.Clock, r *sequence.Run, b *twin.Bench) {
		if c.Sleep(at) != nil {
			return
		}
		r.Starve("plate", at+trips+2*clock.Second)
		if c.Sleep(at+trips-20*clock.Second) != nil { // it may have been fed 15 s before
			return
		}
		if heat, _ := b.Energised(); !heat {
			t.Error("it has gone off too early")
		}
		if c.Sleep(at+trips+20*clock.Second) != nil {
			return
		}
		heat, output := b.Energised()
		if degC := r.Status().Latest[0].Value; heat || !output || degC > 22.5 || b.World().PlateTarget() != 23 {
			t.Errorf("heat is on: %v, output is on: %v, it shows %g degC and was told %g", heat, output, degC, b.World().PlateTarget())
		}
		r.Stop()
	}
	_, o := x.do(t)
	expect(t, o, "stopped", safety.Stopped, "operator")
}
