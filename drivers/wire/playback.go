package wire

import (
	"cmp"
	"errors"
	"slices"

	"dwell/drivers/clock"
)

// Playback returns a port that moves no bytes: every exchange is one of a record, and
// next says which. Without one the request counts as never taken. It finds no footing
// and keeps no pause: what came of those stands in the record.
func Playback(c clock.Clock, name string, line Line, next func(request []byte) *Exchange) *Port {
	p := newPort(c, name, "the record", nothing{}, line)
	p.playback = func(request []byte, _ clock.Instant) (*Exchange, error) { return next(request), nil }
	return p
}

var errNotRecorded = errors.New("the record has no such exchange here")

// played is Exchange from a record.
func (p *Port) played(request []byte, by clock.Instant) (*Exchange, error) {
	x, err := p.playback(request, by)
	if err != nil {
		p.last = *cmp.Or(x, &Exchange{Port: p.name, Request: request, Ended: CutShort})
		return &p.last, err
	}
	if x == nil {
		p.last = Exchange{Port: p.name, Request: request, Ended: NotTaken}
		return &p.last, &Error{Port: p.String(), Request: request, Ended: NotTaken, Cause: errNotRecorded}
	}
	p.last = *x
	if x.Ended == Answered || x.Ended == NoAnswerDue {
		return &p.last, nil
	}
	return &p.last, &Error{Port: p.String(), Request: x.Request, Reply: x.Reply, Ended: x.Ended}
}

// WasCut tells whether an error is that a safe-state command went ahead, or would not
// have been made after it: the record has none.
func WasCut(err error) bool {
	var e *Error
	return errors.As(err, &e) && (e.Ended == CutShort || e.Cause == errNotRecorded)
}

// EndingOf is the ending with this word of the record.
func EndingOf(word string) (Ending, bool) {
	i := slices.Index(endingWords[:], word)
	return Ending(max(0, i)), i >= 0
}
