package twin

import "dwell/drivers/clock"

// The firmware of a one-axis lift that lays the specimen on the plate and takes it
// off again. It is an invention of this bench, of the kind that a laboratory builds
// from a board and a servo. Lines end with LF, a CR before it is allowed:
//
//	NAME    says LIFT 1.0
//	DOWN    lays the specimen on the plate; says OK at once
//	UP      takes it off into the air; says OK at once
//	STOP    stops where it is; says OK
//	WHERE   says DOWN, UP, MOVING or BETWEEN
//
// Anything else is answered by ERR_3. Down, the specimen touches the plate at the
// end of the travel; up, it leaves it at the beginning.

// How fast the lift is. Demo data.
const (
	liftTravel = 600 * clock.Millisecond
	liftAnswer = 5 * clock.Millisecond
)

type liftPlace uint8

const (
	liftUp liftPlace = iota
	liftDown
	liftMoving
	liftBetween
)

var liftWords = [...]string{"UP", "DOWN", "MOVING", "BETWEEN"}

// lift is the state of a lift.
type lift struct {
	place  liftPlace
	target liftPlace
}

func newLift(fitted) (firmware, device) { return &lift{}, device{ends: "\n"} }

func (l *lift) clone() firmware {
	c := *l
	return &c
}

// start finds the arm by the end switches: where the specimen is.
func (l *lift) start(d *device) {
	d.dueAt = clock.Never
	if l.place = liftUp; d.bench.world.Where() == OnPlate {
		l.place = liftDown
	}
	l.target = l.place
}

func (l *lift) message(d *device, m message) {
	m.text = trim(m.text)
	if len(m.text) == 0 {
		return
	}
	answer := "OK"
	switch word := string(m.text); word {
	case "NAME":
		answer = "LIFT 1.0"
	case "WHERE":
		answer = liftWords[l.place]
	case "DOWN", "UP", "STOP":
		d.told(m.text)
		l.move(d, m.at, word)
	default:
		answer = "ERR_3"
	}
	var buffer [16]byte
	d.say(m.at+liftAnswer, append(append(buffer[:0], answer...), "\r\n"...))
}

func (l *lift) move(d *device, at clock.Instant, word string) {
	target := liftDown
	switch word {
	case "STOP":
		if l.place == liftMoving {
			l.place, d.dueAt = liftBetween, clock.Never
		}
		return
	case "UP":
		target = liftUp
	}
	if l.place == target || l.place == liftMoving && l.target == target {
		return
	}
	if target == liftUp && d.bench.world.Where() == OnPlate {
		d.bench.lay(StillAir, d.name)
	}
	l.place, l.target, d.dueAt = liftMoving, target, at+liftTravel
}

// act is the end of a travel.
func (l *lift) act(d *device) {
	d.dueAt = clock.Never
	l.place = l.target
	if l.place == liftDown {
		d.bench.lay(OnPlate, d.name)
	}
}
