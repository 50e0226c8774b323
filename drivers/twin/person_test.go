package twin

import (
	"errors"
	"testing"

	"dwell/drivers/clock"
)

// The moment that a person tells differs from the moment of the hand, by no more
// than the bound; and from seed to seed.
func TestPersonMovesTheSpecimen(t *testing.T) {
	seen := map[clock.Instant]bool{}
	for seed := range uint64(50) {
		b := aBench(t, nil)
		b.seed = seed
		var hand clock.Instant
		b.Journal(func(at clock.Instant, _ []byte) { hand = at })
		c := clock.Virtual(0)
		err := c.Run(func() error {
			p := b.Person(c, "LC-07")
			id, err := p.Ask("type the id of the specimen on the bench", clock.Minute)
			if err != nil || id != "LC-07" {
				t.Errorf("asked for the specimen: %q, %v", id, err)
			}
			asked := c.Now()
			at, within, err := p.Move("cold block", c.Now()+clock.Minute)
			if err != nil {
				return err
			}
			if b.World().Where() != ColdBlock {
				t.Errorf("the specimen is %s", b.World().Where())
			}
			if off := max(at-hand, hand-at); off > within || within != keyWithin || at > c.Now() || at == hand {
				t.Errorf("seed %d: the hand at %d ns, the key at %d ± %d ns", seed, hand, at, within)
			}
			if hand < asked+soonest || hand > asked+latest {
				t.Errorf("seed %d: asked at %d ns, done at %d ns", seed, asked, hand)
			}
			seen[at-hand] = true
			asked2 := c.Now()
			if again, _ := p.Ask("again?", clock.Minute); again != "done" || c.Now()-asked2 == asked {
				t.Errorf("asked again: %q after %d ns, the first time after %d", again, c.Now()-asked2, asked)
			}
			_, _, err = p.Move("plate", c.Now()+clock.Minute)
			return err
		})
		if err != nil || b.World().Where() != OnPlate {
			t.Fatalf("%v, the specimen is %s", err, b.World().Where())
		}
	}
	if len(seen) < 45 {
		t.Errorf("only %d differences in 50 seeds", len(seen))
	}
}

func TestPersonIsLateOrSentAway(t *testing.T) {
	b := aBench(t, nil)
	c := clock.Virtual(0)
	err := c.Run(func() error {
		p := b.Person(c, "LC-07")
		if _, err := p.Ask("hurry", c.Now()+clock.Millisecond); !errors.Is(err, errTooLate) {
			t.Errorf("asked for a quick answer: %v", err)
		}
		if _, _, err := p.Move("the moon", clock.Minute); err == nil {
			t.Error("a place that does not exist was reached")
		}
		c.Go("operator", func() error { p.Dismiss(); return nil })
		if _, _, err := p.Move("air", c.Now()+clock.Minute); !errors.Is(err, errDismissed) {
			t.Errorf("sent away: %v", err)
		}
		if _, err := p.Ask("still there?", c.Now()+clock.Minute); !errors.Is(err, errDismissed) {
			t.Errorf("asked after being sent away: %v", err)
		}
		return nil
	})
	if err != nil || b.World().Where() != OnPlate {
		t.Fatalf("%v, the specimen is %s", err, b.World().Where())
	}
}

// Words of a person at the keyboard of the virtual bench.
func TestMoveByWords(t *testing.T) {
	b := aBench(t, nil)
	for _, c := range []struct {
		words string
		want  Place
	}{{"lift air", StillAir}, {"place", OnPlate}, {"lift moving air", MovingAir}, {"lift cold block", ColdBlock}} {
		if err := b.Move(clock.Second, c.words); err != nil || b.World().Where() != c.want {
			t.Errorf("%q: %s, %v", c.words, b.World().Where(), err)
		}
	}
	for _, words := range []string{"", "lift", "lift moon", "plate", "lift plate"} {
		if err := b.Move(clock.Second, words); err == nil {
			t.Errorf("%q moved something", words)
		}
	}
}
