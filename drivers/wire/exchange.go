package wire

import (
	"fmt"

	"dwell/drivers/clock"
)

// Ending is how an exchange ended.
type Ending uint8

// The endings, in the words of the record.
const (
	Answered    Ending = iota
	NoAnswerDue        // the request has none, and was taken by the link
	NoAnswer           // the deadline came first
	NotTaken           // the request has not gone out, or not as a whole
	LinkLost
	CutShort // a safe-state command went ahead
	Unasked  // bytes that answer nothing: late, surplus, or a banner
)

var endingWords = [...]string{"answered", "no answer due", "no answer", "not taken", "link lost", "cut short", "unasked"}

func (e Ending) String() string { return endingWords[e] }

// Exchange is one request and what came of it. Its byte slices belong to the port
// and are good until the next exchange.
type Exchange struct {
	Port    string
	Request []byte
	Reply   []byte // as received, with its terminator; what there was of it if it is not complete
	Sent    clock.Instant
	First   clock.Instant // when the first chunk of the reply was there, 0 if none came
	Last    clock.Instant // when the last one was there: the end of the exchange
	Ended   Ending
}

// Midpoint is the moment a reading from this exchange is dated at.
func (x *Exchange) Midpoint() clock.Instant { return x.Sent + (x.Last-x.Sent)/2 }

// Within is half the interval in which the reading must have been taken.
func (x *Exchange) Within() clock.Instant { return (x.Last - x.Sent + 1) / 2 }

// Framing finds the end of the first reply in what has arrived: its length with
// terminator, or 0 if it is not complete. A nil Framing means no reply is due.
type Framing func(got []byte) int

// Error is an exchange that failed: which instrument, what was asked, what came.
type Error struct {
	Port    string
	Request []byte
	Reply   []byte
	Ended   Ending
	Cause   error
}

func (e *Error) Error() string {
	s := e.Port + ": "
	switch e.Ended {
	case NoAnswer:
		sort := "complete"
		if e.Cause != nil {
			sort = "sure"
		}
		s += "no " + sort + " answer"
		if len(e.Request) > 0 {
			s += " to " + quoted(e.Request) + " in time"
		}
		if len(e.Reply) > 0 {
			s += ", only " + quoted(e.Reply)
		}
	case NotTaken:
		s += quoted(e.Request) + " was not taken"
	case CutShort:
		if len(e.Request) > 0 {
			s += quoted(e.Request) + " was "
		}
		s += "cut short: the rig is being made safe"
	default:
		if len(e.Request) > 0 {
			s += "asked " + quoted(e.Request) + ": "
		}
		s += e.Ended.String()
	}
	if e.Cause != nil {
		s += ": " + e.Cause.Error()
	}
	return s
}

func (e *Error) Unwrap() error { return e.Cause }

// quoted shows bytes, and of many only the first: a line that babbles must not fill
// the screen.
func quoted(b []byte) string {
	const most = 120
	if len(b) <= most {
		return fmt.Sprintf("%q", b)
	}
	return fmt.Sprintf("%q and %d bytes more", b[:most], len(b)-most)
}
