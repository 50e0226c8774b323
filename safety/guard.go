package safety

import "dwell/drivers/clock"

// Guard is what one process knows of another that may have energised the bench, and
// what it concludes. It is a value and Step a pure function: it asks no clock and
// waits for nothing.
//
// It never loosens: what has been armed ends only in a bench that was confirmed
// safe, in the operator's word, or in a take-over; and a take-over, once decided, is
// not taken back by whatever the other says later. A heartbeat is late before it is
// absent, so that a process that was itself held up, or slept with the computer,
// hears what has been waiting for it before it acts.
type Guard struct {
	Limit clock.Instant // how long the other may be silent
	Phase Phase

	key     int64
	heardAt clock.Instant // when a heartbeat with another key came last
	late    bool
	lateAt  clock.Instant
}

// Phase is how things stand with the process that is watched.
type Phase uint8

// The phases.
const (
	Idle       Phase = iota // it has touched nothing: it may go
	Armed                   // it speaks to instruments: if it ends, the bench is made safe
	Energised               // and if it falls silent
	Confirmed               // the bench was read back and is safe: it may go
	TakingOver              // the bench is being made safe in its place
	Gone                    // there is nothing left to watch
)

// Sign is what is heard or seen of the other.
type Sign uint8

// The signs. Beat carries a key; one that brings the same key again proves nothing.
const (
	Nothing    Sign = iota // only time has passed
	Beat                   // it has judged what it read
	Begins                 // it is about to speak to instruments
	Energising             // it is about to switch something on
	MadeSafe               // it has confirmed the bench safe
	GaveUp                 // it could not, and the operator has told it to stop trying
	Leaving                // it says good-bye
	Ended                  // it is no more, or cannot be heard any more
	TookOver               // its bench has been made safe in its place, and confirmed
)

// Action is what is to be done.
type Action uint8

// The actions.
const (
	Stay     Action = iota
	Warn            // a heartbeat is late
	TakeOver        // end what is left of the other and make the bench safe
	Leave           // nothing more is to be done
)

// Step takes one sign into account, at a time that never runs backwards.
func (g Guard) Step(now clock.Instant, s Sign, key int64) (Guard, Action) {
	switch g.Phase {
	case Gone:
		return g, Stay
	case TakingOver:
		if s == TookOver {
			g.Phase = Gone
			return g, Leave
		}
		return g, Stay
	}
	switch s {
	case Ended, Leaving:
		if g.Phase == Armed || g.Phase == Energised {
			return g.takeOver()
		}
		g.Phase = Gone
		return g, Leave
	case GaveUp:
		g.Phase = Gone
		return g, Leave
	case Begins:
		if g.Phase != Energised {
			g.Phase = Armed
		}
	case Energising:
		if g.Phase != Energised {
			g.Phase, g.heardAt, g.late = Energised, now, false
		}
	case MadeSafe:
		if g.Phase != Idle {
			g.Phase = Confirmed
		}
	case Beat:
		if key != g.key {
			g.key, g.heardAt, g.late = key, now, false
		}
	}
	return g.judge(now)
}

// judge looks at the time that has passed since the last heartbeat.
func (g Guard) judge(now clock.Instant) (Guard, Action) {
	if g.Phase != Energised {
		return g, Stay
	}
	switch half := g.Limit / 2; {
	case g.late && now-g.lateAt >= g.Limit-half:
		return g.takeOver()
	case !g.late && now-g.heardAt >= half:
		g.late, g.lateAt = true, now
		return g, Warn
	}
	return g, Stay
}

func (g Guard) takeOver() (Guard, Action) {
	g.Phase = TakingOver
	return g, TakeOver
}

// Silence is how long ago the last heartbeat came.
func (g Guard) Silence(now clock.Instant) clock.Instant { return now - g.heardAt }
