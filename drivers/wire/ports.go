package wire

import (
	"errors"
)

// Ports are listed from what the system knows, never by opening them: that resets some
// boards, and takes the line from whoever has it.

// Seen is a serial port that the system knows of.
type Seen struct {
	Address string // by which a rig file names it; a name that stays the same, where there is one
	Device  string
	Is      string // what the system says of it, "" for nothing
}

// Owner is the text that the owner of a port has left; free when nobody has it.
func Owner(address string) (text string, free bool, err error) {
	a, err := ParseAddress(address)
	if err != nil {
		return "", false, err
	}
	lock, err := Take(a.Key(), "")
	var used *InUse
	switch {
	case errors.As(err, &used):
		return used.Owner, false, nil
	case err != nil:
		return "", false, err
	}
	return "", true, lock.Give()
}
