package wire

import (
	"errors"

	"dwell/drivers/clock"
)

// Unopened returns a port whose link is lost before it ever stood: for an instrument
// that is made safe from outside of a run, whose line is opened by that.
func Unopened(c clock.Clock, name string, a Address, line Line) *Port {
	p := newPort(c, name, a.Text, nothing{}, line)
	p.lost = errUnopened
	return p
}

var errUnopened = errors.New("not opened yet")

// nothing is the link of a port that was never opened.
type nothing struct{}

func (nothing) send([]byte, clock.Instant) (clock.Instant, error) { return 0, errUnopened }
func (nothing) hold([]byte, clock.Instant) (clock.Instant, error) { return 0, errUnopened }
func (nothing) receive(dst []byte, _ clock.Instant) ([]byte, clock.Instant, error) {
	return dst, clock.Never, errUnopened
}
func (nothing) take(dst []byte) ([]byte, clock.Instant) { return dst, clock.Never }
func (nothing) interrupt()                              {}
func (nothing) close() error                            { return nil }
