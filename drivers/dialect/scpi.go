// Package dialect knows how instruments put what they say into bytes: where a
// reply ends, and what stands in it. scpi.go is IEEE 488.2 and SCPI-1999,
// namur.go the heaters and baths that speak in the style of NAMUR NE 28, gcode.go
// stages that take lines of ISO 6983.
//
// It holds pure functions over bytes. It knows no instrument and no command
// word: those are data, in the instrument profiles. It must never turn a reply
// that is not exactly an answer to the question into a value.
package dialect

import (
	"bytes"
	"errors"
	"math"
	"strconv"

	"dwell/drivers"
)

// What is wrong with a reply. Whoever asked adds the question and the answer.
var (
	ErrNumber  = errors.New("not a number")
	ErrFields  = errors.New("another number of values than asked for")
	ErrChannel = errors.New("the answer of another channel")
	ErrEcho    = errors.New("the answer to another command")
)

// Line finds the end of a reply that ends with LF. CR and blanks before it
// belong to the reply; Trim takes them off.
func Line(got []byte) int { return bytes.IndexByte(got, '\n') + 1 }

// Trim takes blanks and line ends off both sides.
func Trim(reply []byte) []byte {
	for len(reply) > 0 && reply[0] <= ' ' {
		reply = reply[1:]
	}
	for len(reply) > 0 && reply[len(reply)-1] <= ' ' {
		reply = reply[:len(reply)-1]
	}
	return reply
}

// Number reads a decimal number in any of the forms NR1 (-12), NR2 (-1.250) and
// NR3 (-1.250000E+03), with blanks around it. It gives the nearest float64 and
// does not allocate.
func Number(text []byte) (float64, bool) {
	text = Trim(text)
	i := signs(text)
	var mantissa uint64
	digits, exponent, pointed := 0, 0, false
	for ; i < len(text); i++ {
		c := text[i]
		if c == '.' && !pointed {
			pointed = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if mantissa < 1e17 { // more digits than that go the slow way
			mantissa = 10*mantissa + uint64(c-'0')
			if pointed {
				exponent--
			}
		} else {
			exponent = mostPower // out of reach of the quick way
		}
	}
	if digits == 0 {
		return 0, false
	}
	if i < len(text) {
		power, ok := power(text[i:])
		if !ok {
			return 0, false
		}
		exponent += power
	}
	if v, ok := scaled(mantissa, exponent); ok {
		if text[0] == '-' {
			v = -v
		}
		return v, true
	}
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil
}

// signs is 1 if text begins with a sign, else 0.
func signs(text []byte) int {
	if len(text) > 0 && (text[0] == '+' || text[0] == '-') {
		return 1
	}
	return 0
}

// mostPower bounds exponents, so that adding to one never overflows.
const mostPower = 9999

// power reads the exponent of a number: E or e, a sign or none, digits.
func power(text []byte) (int, bool) {
	if text[0] != 'E' && text[0] != 'e' {
		return 0, false
	}
	text = text[1:]
	i := signs(text)
	if i == len(text) {
		return 0, false
	}
	n := 0
	for _, c := range text[i:] {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = min(10*n+int(c-'0'), mostPower)
	}
	if text[0] == '-' {
		n = -n
	}
	return n, true
}

// tens are the powers of ten that a float64 holds exactly.
var tens = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// scaled is mantissa times ten to the exponent where both are exact as floats, so
// that one rounding gives the nearest one.
func scaled(mantissa uint64, exponent int) (float64, bool) {
	if mantissa >= 1<<53 {
		return 0, false
	}
	v := float64(mantissa)
	switch {
	case v == 0:
		return 0, true
	case exponent >= 0 && exponent <= 22:
		return v * tens[exponent], true
	case exponent > 22 && exponent <= 22+15:
		v *= tens[exponent-22]
		return v * 1e22, v < 1e15 // still exact before the last step
	case exponent < 0 && exponent >= -22:
		return v / tens[-exponent], true
	}
	return 0, false
}

// Classify says what a number of a SCPI instrument is worth. Such instruments
// answer 9.9E37 for more than they can measure and 9.91E37 for "not a number"
// (SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5, from memory; several makers'
// manuals). The bounds between the two hold for values sent as float32 too.
func Classify(v float64) drivers.Flag {
	switch size := math.Abs(v); {
	case size > 9.905e37 || v != v:
		return drivers.NotMeasured
	case size > 9.8e37:
		return drivers.Overflow
	}
	return drivers.Good
}

// List reads as many numbers, separated by commas, as into has places, and no
// fewer or more.
func List(reply []byte, into []float64) error {
	reply = Trim(reply)
	if bytes.Count(reply, comma)+1 != len(into) {
		return ErrFields
	}
	for k := range into {
		field := reply
		if i := bytes.IndexByte(reply, ','); i >= 0 {
			field, reply = reply[:i], reply[i+1:]
		}
		var ok bool
		if into[k], ok = Number(field); !ok {
			return ErrNumber
		}
	}
	return nil
}

var comma = []byte{','}

// QueueEntry reads an answer to SYST:ERR?: a whole number, and in most
// instruments a comma and a text in double quotes. 0 is "no error".
func QueueEntry(reply []byte) (code int, text []byte, ok bool) {
	reply = Trim(reply)
	number := reply
	if i := bytes.IndexByte(reply, ','); i >= 0 {
		number, text = reply[:i], Trim(reply[i+1:])
		if n := len(text); n < 2 || text[0] != '"' || text[n-1] != '"' {
			return 0, nil, false
		}
		text = text[1 : len(text)-1]
	}
	code, ok = Whole(number)
	return code, text, ok
}

// Whole reads a whole number that fits a status word or an error code, written as
// an integer or, as some instruments do, as a float (+4.813200E+04).
func Whole(text []byte) (int, bool) {
	v, ok := Number(text)
	if !ok || v != math.Trunc(v) || math.Abs(v) > 1<<31 {
		return 0, false
	}
	return int(v), true
}

// IDN is what an instrument says it is; a field is "0" if the instrument does not
// know it.
type IDN struct{ Maker, Model, Serial, Firmware string }

// ParseIDN reads an answer to *IDN? (IEEE 488.2, 10.14): four fields separated by
// commas.
func ParseIDN(reply []byte) (IDN, bool) {
	fields := bytes.Split(Trim(reply), comma)
	if len(fields) != 4 || len(Trim(fields[0])) == 0 || len(Trim(fields[1])) == 0 {
		return IDN{}, false
	}
	text := func(i int) string { return string(Trim(fields[i])) }
	return IDN{text(0), text(1), text(2), text(3)}, true
}

// AppendE writes a number for an instrument in plain E-notation (NR3). No unit
// follows it: in SCPI an M may mean milli or mega.
func AppendE(dst []byte, v float64) []byte { return strconv.AppendFloat(dst, v, 'E', 6, 64) }

// AppendFixed writes a number for an instrument with so many decimals.
func AppendFixed(dst []byte, v float64, decimals int) []byte {
	start := len(dst)
	dst = strconv.AppendFloat(dst, v, 'f', decimals, 64)
	if dst[start] == '-' && len(bytes.Trim(dst[start+1:], "0.")) == 0 {
		dst = append(dst[:start], dst[start+1:]...) // not -0.0
	}
	return dst
}
