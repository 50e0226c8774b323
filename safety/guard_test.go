package safety

import (
	"fmt"
	"testing"

	"dwell/drivers/clock"
)

// The states of a guard are gone through one and all: time in quarters of the limit,
// heartbeats with the key that is known and with another. What differs only in how
// long ago something was, beyond four limits, is one state.
const quarter clock.Instant = 250

var (
	signs  = []Sign{Nothing, Beat, Begins, Energising, MadeSafe, GaveUp, Leaving, Ended, TookOver}
	passed = []clock.Instant{0, quarter, 2 * quarter, 4 * quarter, 400 * quarter}
)

// standing is a guard as it is at a moment, whatever the moment is.
type standing struct {
	phase         Phase
	late          bool
	heard, lateIs clock.Instant // ago
}

func standingAt(g Guard, now clock.Instant) standing {
	s := standing{phase: g.Phase}
	if g.Phase == Energised { // elsewhere the past does not matter
		s.late, s.heard = g.late, min(now-g.heardAt, 16*quarter)
		if g.late {
			s.lateIs = min(now-g.lateAt, 16*quarter)
		}
	}
	return s
}

// at is a guard that stands so at the moment.
func (s standing) at(now clock.Instant) Guard {
	return Guard{Limit: 4 * quarter, Phase: s.phase, late: s.late, heardAt: now - s.heard, lateAt: now - s.lateIs}
}

// transition is one step from a standing.
type transition struct {
	from, to standing
	passed   clock.Instant
	sign     Sign
	newKey   bool
	action   Action
}

func (x transition) String() string {
	return fmt.Sprintf("%+v, %d later sign %d (new key %v): %+v, action %d", x.from, x.passed, x.sign, x.newKey, x.to, x.action)
}

func everyTransition() (states int, all []transition) {
	const now = clock.Instant(1e9)
	queue := []standing{{}}
	seen := map[standing]bool{queue[0]: true}
	for len(queue) > 0 {
		from := queue[0]
		queue = queue[1:]
		for _, d := range passed {
			for _, sign := range signs {
				for key := range int64(2) {
					g, action := from.at(now).Step(now+d, sign, key)
					x := transition{from, standingAt(g, now+d), d, sign, key != 0, action}
					all = append(all, x)
					if !seen[x.to] {
						seen[x.to] = true
						queue = append(queue, x.to)
					}
				}
			}
		}
	}
	return len(seen), all
}

func TestEveryStateOfTheGuard(t *testing.T) {
	states, all := everyTransition()
	t.Logf("%d reachable states, %d transitions", states, len(all))
	if states < 15 {
		t.Errorf("%d states are too few: the walk shows nothing", states)
	}
	for _, x := range all {
		for what, wrong := range map[string]bool{
			"an armed bench is let go":                            x.watches() && x.to.phase == Gone && x.sign != GaveUp,
			"an armed bench counts as safe though nobody says so": x.watches() && x.to.phase == Confirmed && x.sign != MadeSafe,
			"what was never armed is called safe":                 x.from.phase == Idle && x.to.phase == Confirmed,
			"what had been armed is idle":                         x.from.phase != Idle && x.to.phase == Idle,
			"energised became less than that":                     x.from.phase == Energised && x.to.phase == Armed,
			"the end of the other goes unnoticed":                 x.watches() && (x.sign == Ended || x.sign == Leaving) && x.action != TakeOver,
			"a take-over is taken back":                           x.from.phase == TakingOver && x.to.phase != TakingOver && x.sign != TookOver,
			"a take-over is decided twice":                        x.from.phase == TakingOver && x.action == TakeOver,
			"it goes on after all is done":                        x.from.phase == Gone && (x.to.phase != Gone || x.action != Stay),
			"a take-over without a reason":                        x.action == TakeOver && !x.reason(),
			"silence is borne too long":                           x.silent() && x.to.phase != TakingOver,
			"absent before it was late":                           x.action == TakeOver && x.sign != Ended && x.sign != Leaving && !x.from.late,
			"no warning of a late heartbeat":                      x.becomesLate() && x.action != Warn,
			"a warning without a late heartbeat":                  x.action == Warn && !x.becomesLate(),
			"an action without the phase that goes with it": (x.action == TakeOver) != (x.to.phase == TakingOver && x.from.phase != TakingOver) ||
				(x.action == Leave) != (x.to.phase == Gone && x.from.phase != Gone),
		} {
			if wrong {
				t.Errorf("%s: %s", what, x)
			}
		}
	}
}

func (x transition) watches() bool { return x.from.phase == Armed || x.from.phase == Energised }

func (x transition) reason() bool {
	return x.watches() && (x.sign == Ended || x.sign == Leaving) || x.silent()
}

// brings tells whether the sign itself ends the question of silence.
func (x transition) brings() bool {
	return x.sign == Beat && x.newKey || x.sign == MadeSafe || x.sign == GaveUp || x.sign == Ended || x.sign == Leaving
}

// silent: energised, said to be late, and half the limit later nothing new.
func (x transition) silent() bool {
	return x.from.phase == Energised && !x.brings() && x.from.late && x.from.lateIs+x.passed >= 2*quarter
}

func (x transition) becomesLate() bool {
	return x.from.phase == Energised && !x.brings() && !x.from.late && x.from.heard+x.passed >= 2*quarter
}

// A run whose heartbeat stops is taken over from within its limit and one look more;
// one that goes on never is.
func TestHowLongSilenceIsBorne(t *testing.T) {
	const limit, look = clock.Second, clock.Second / 8
	g, _ := Guard{Limit: limit}.Step(0, Begins, 0)
	g, _ = g.Step(0, Energising, 0)
	var action Action
	warned := 0
	for now := look; now <= clock.Minute; now += look {
		if g, action = g.Step(now, Beat, int64(now/(clock.Second/4))); action != Stay {
			t.Fatalf("action %d at %g s of a run that is well", action, now.Seconds())
		}
	}
	for now := clock.Minute + look; ; now += look {
		if now > 2*clock.Minute {
			t.Fatal("never taken over")
		}
		g, action = g.Step(now, Beat, 240) // the same key again and again
		if action == Warn {
			warned++
		}
		if action == TakeOver {
			if silent := now - clock.Minute; silent < limit || silent > limit+look || warned != 1 {
				t.Errorf("taken over after %g s of silence and %d warnings", silent.Seconds(), warned)
			}
			return
		}
	}
}

// Both slept, or the guard was held up: it first hears what has been waiting.
func TestALeapInTimeTakesNothingOver(t *testing.T) {
	g, _ := Guard{Limit: clock.Second}.Step(0, Energising, 0)
	g, action := g.Step(clock.Hour, Nothing, 0)
	if action != Warn {
		t.Fatalf("action %d", action)
	}
	if g, action = g.Step(clock.Hour+clock.Millisecond, Beat, 7); action != Stay || g.Phase != Energised {
		t.Errorf("action %d, phase %d", action, g.Phase)
	}
}
