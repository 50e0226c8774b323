package dialect

import (
	"bytes"
	"fmt"
)

// OneValue reads a reply that is one word and nothing else: `25.3`.
func OneValue(reply []byte) ([]byte, error) {
	value, rest := word(reply)
	if len(value) == 0 || len(Trim(rest)) > 0 {
		return nil, ErrFields
	}
	return value, nil
}

// ValueAndChannel reads a reply that repeats the number of the channel asked for
// behind the value: `25.3 2`. A reply with another channel's number answers
// another question.
func ValueAndChannel(reply []byte, channel int) ([]byte, error) {
	value, rest := word(reply)
	number, rest := word(rest)
	if len(value) == 0 || len(number) == 0 || len(Trim(rest)) > 0 {
		return nil, ErrFields
	}
	if n, ok := Whole(number); !ok || n != channel {
		return nil, ErrChannel
	}
	return value, nil
}

// EchoAndValue reads a reply that repeats the command's first word before the
// value: `IN_PV_1 25.3`.
func EchoAndValue(reply, command []byte) ([]byte, error) {
	asked, _ := word(command)
	echo, rest := word(reply)
	if len(echo) == 0 || !bytes.Equal(echo, asked) {
		return nil, ErrEcho
	}
	return OneValue(rest)
}

// Echo checks a reply that repeats the command: `START_1`, or `OUT_SP_1 40.00` for
// `OUT_SP_1 40.0`.
func Echo(reply, command []byte) error {
	echo, got := word(reply)
	asked, sent := word(command)
	if len(echo) == 0 || !bytes.Equal(echo, asked) {
		return ErrEcho
	}
	if got, sent = Trim(got), Trim(sent); bytes.Equal(got, sent) {
		return nil
	}
	a, numbers := Number(got)
	b, ok := Number(sent)
	if !numbers || !ok || a != b {
		return ErrEcho
	}
	return nil
}

// OK checks a reply that is `OK` or `ERR_n`.
func OK(reply []byte) error {
	reply = Trim(reply)
	if string(reply) == "OK" {
		return nil
	}
	if rest, found := bytes.CutPrefix(reply, []byte("ERR_")); found {
		if n, ok := Whole(rest); ok {
			return &Refused{n}
		}
	}
	return ErrEcho
}

// Refused is a command that a bath answered with ERR_n.
type Refused struct{ Code int }

func (e *Refused) Error() string {
	for _, known := range refusals {
		if known.code == e.Code {
			return fmt.Sprintf("refused: ERR_%d (%s)", e.Code, known.text)
		}
	}
	return fmt.Sprintf("refused: ERR_%d", e.Code)
}

// refusals are the codes of one family of baths, from its manual.
var refusals = [...]struct {
	code int
	text string
}{{2, "overflow"}, {3, "unknown command"}, {5, "syntax"}, {6, "value not allowed"}}

// word cuts the first word off a text.
func word(text []byte) (first, rest []byte) {
	text = Trim(text)
	for i, c := range text {
		if c <= ' ' {
			return text[:i], text[i:]
		}
	}
	return text, nil
}
